"""Who may ask the server, and what a page of it may do: the checks before every answer, and its headers.

The server is meant for one pilot. A page of another site in the same browser is the attacker to keep out: it may send
forms and requests here, and may give its own name our address (DNS rebinding).
"""

from __future__ import annotations

import asyncio
import base64
import hashlib
import hmac
import ipaddress
import secrets
import socket
import time
from dataclasses import dataclass, field
from threading import Lock
from urllib.parse import parse_qsl, urlencode

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from wxfly.report.facts.values import listed

LARGEST_BODY = 64_000
"""Greatest size of a form [byte]."""
LONGEST_ADDRESS = 8_000
"""Greatest length of an address with its question [byte]."""
BODY_SECONDS = 10.0
"""Longest time for a form to arrive [s]."""
_TOKEN_COOKIE, SESSION_COOKIE = "wxfly_token", "wxfly_session"

# Plotly adds an empty style element and fills it by script: the hash of nothing.
_EMPTY = base64.b64encode(hashlib.sha256(b"").digest()).decode()
POLICY = (
    f"default-src 'none'; script-src 'self'; style-src 'self' 'sha256-{_EMPTY}'; img-src 'self' data:; "
    "connect-src 'self'; manifest-src 'self'; worker-src 'self'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'"
)
"""What a page may load and run: nothing from outside, and no script or style that stands in the page."""
_HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",  # with no-referrer a browser would hide the origin of our own forms
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


def is_loopback(host: str) -> bool:
    """Return whether a host is this machine alone."""
    return host == "localhost" or (_is_address(host) and ipaddress.ip_address(host).is_loopback)


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


@dataclass(frozen=True)
class Door:
    """Where the server listens, and what opens it.

    Attributes
    ----------
    host : str
        Name or address that it listens on.
    token : str
        What a visitor must bring; empty for a server of this machine alone.
    """

    host: str = "127.0.0.1"
    token: str = ""

    @classmethod
    def of(cls, host: str) -> Door:
        """Return the door of a host, with a new token where others than this machine can reach it."""
        return cls(host, "" if is_loopback(host) else secrets.token_urlsafe(24))

    def is_ours(self, host: str) -> bool:
        """Return whether a request's Host may be ours. A name that others own never is; an address cannot be owned."""
        name = _host_name(host)
        if is_loopback(name):
            return True
        if is_loopback(self.host):
            return False
        own = socket.gethostname().casefold()
        return _is_address(name) or name in (self.host.casefold(), own, f"{own}.local")


def _host_name(host: str) -> str:
    """Return the name of a Host header, without port and brackets."""
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.rpartition(":")[0].casefold() if host.count(":") == 1 else host.casefold()


@dataclass
class Allowance:
    """How often one client may do what costs: a number at once, filled up again over a minute.

    Attributes
    ----------
    each_minute : int
        The number.
    """

    each_minute: int
    _left: dict[str, tuple[float, float]] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)

    def take(self, client: str) -> bool:
        """Take one; return whether there was one left."""
        with self._lock:
            now = time.monotonic()
            if len(self._left) > 1000:
                self._left = {name: one for name, one in self._left.items() if now - one[1] < 60}
            left, since = self._left.get(client, (float(self.each_minute), now))
            left = min(float(self.each_minute), left + (now - since) * self.each_minute / 60)
            self._left[client] = (max(left - 1, 0.0), now)
            return left >= 1


class Guard:
    """The first and the last that every request meets: it refuses what is not the pilot's, and sets the headers.

    Parameters
    ----------
    app : ASGI application
        What answers.
    door : Door
        Where the server listens.
    """

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self.app, self._door = app, door
        self._wrong_tokens = Allowance(20)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        headers = Headers(scope=scope)

        async def finish(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    out[name] = value
                out.setdefault("cache-control", "no-store")
            await send(message)

        refused = self._refused(scope, headers) or self._asked_for_token(scope, headers)
        if refused is not None:
            await refused(scope, receive, finish)
            return
        if scope["method"] == "POST":
            body = await _whole_body(receive)
            if body is None:
                await _plain(413, f"a form of more than {LARGEST_BODY // 1000} kB is not read")(scope, receive, finish)
                return
            receive = _again(body)
        await self.app(scope, receive, finish)

    def _refused(self, scope: Scope, headers: Headers) -> Response | None:
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._door.is_ours(hosts[0]):
            return _plain(421, "this server is not asked by that name; use the address that it printed")
        if len(scope["path"]) + len(scope["query_string"]) > LONGEST_ADDRESS:
            return _plain(414, "this address is too long")
        method, site = scope["method"], headers.get("sec-fetch-site", "none")
        allowed = ["GET", "HEAD", *([] if scope["path"].startswith("/api/") else ["POST"])]
        if method not in allowed:
            return _plain(405, f"only {listed(allowed)} are answered", allow=", ".join(allowed))
        from_elsewhere = site not in ("none", "same-origin")
        if method == "POST":
            origin = headers.get("origin")
            if from_elsewhere or (origin is not None and origin != f"{scope['scheme']}://{hosts[0]}"):
                return _plain(403, "a page of another site sent this form; send it from the page of wxfly")
            if not headers.get("content-type", "").startswith("application/x-www-form-urlencoded"):
                return _plain(415, "a form is wanted")
        elif from_elsewhere and headers.get("sec-fetch-mode") != "navigate":
            return _plain(403, "a page of another site asked for this")
        return None

    def _asked_for_token(self, scope: Scope, headers: Headers) -> Response | None:
        """Return what to answer to one who does not bring the token yet."""
        token = self._door.token
        if not token:
            return None
        kept = cookie_parser(headers.get("cookie", "")).get(_TOKEN_COOKIE, "")
        scheme, _, bearer = headers.get("authorization", "").partition(" ")
        if _same(kept, token) or (scheme.casefold() == "bearer" and _same(bearer, token)):
            return None
        query = parse_qsl(scope["query_string"].decode("latin-1"))
        client = (scope.get("client") or ("",))[0]
        given = dict(query).get("token", "")
        if _same(given, token):
            rest = urlencode([pair for pair in query if pair[0] != "token"])
            if scope["path"].endswith(".ics"):  # a calendar program keeps no cookie
                scope["query_string"] = rest.encode()
                return None
            # A path that begins with two slashes would lead to another host.
            path = f"/{scope['path'].lstrip('/')}"
            answer = RedirectResponse(f"{path}?{rest}" if rest else path, 303)
            answer.set_cookie(_TOKEN_COOKIE, token, httponly=True, samesite="lax", max_age=30 * 86400)
            return answer
        if given or kept or bearer:
            if not self._wrong_tokens.take(client):
                return _plain(429, "too many wrong tokens; wait a minute")
            return _plain(403, "that token is not the one that the server printed at its start")
        return _plain(403, "a token is wanted; open the whole address that the server printed at its start")


def _plain(status: int, text: str, **headers: str) -> Response:
    return PlainTextResponse(f"{text}\n", status, headers)


def _same(given: str, wanted: str) -> bool:
    return hmac.compare_digest(given.encode(), wanted.encode())


async def _whole_body(receive: Receive) -> bytes | None:
    """Read a body; None where it is too large, or does not come to its end in time."""
    body: bytes = b""
    try:
        async with asyncio.timeout(BODY_SECONDS):
            while True:
                message = await receive()
                body += bytes(message.get("body", b""))
                if len(body) > LARGEST_BODY or message["type"] != "http.request":
                    return None
                if not message.get("more_body"):
                    return body
    except TimeoutError:
        return None


def _again(body: bytes) -> Receive:
    """Return what gives a body that was read already."""
    messages = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive() -> Message:
        return messages.pop() if messages else {"type": "http.disconnect"}

    return receive


@dataclass(frozen=True)
class FormSecret:
    """Makes and checks the token of a form (CSRF): only our own page knows that of a browser's session."""

    secret: bytes = field(default_factory=lambda: secrets.token_bytes(32))

    def token(self, session: str) -> str:
        """Return the token of a session."""
        return hmac.new(self.secret, session.encode(), hashlib.sha256).hexdigest()

    def is_right(self, session: str, token: str) -> bool:
        """Return whether a token belongs to a session."""
        return bool(session) and _same(token, self.token(session))
