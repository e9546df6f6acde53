"""One request over the network, within a time limit for the whole of it; the only module that knows the HTTP library.

The request runs in a thread of its own. A name server, a handshake or headers that come byte by byte cannot be bounded
from within: whoever waits longer than allowed goes away and shuts the connection.
"""

from __future__ import annotations

import contextlib
import logging
import os
import threading
import time
import zlib
from collections.abc import Callable, Mapping
from functools import cache
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.parse import urljoin, urlsplit

from wxfly.settings import Settings
from wxfly.sources.reply import LateError, PassingError, Reply, SourceError, UnreachableError

if TYPE_CHECKING:
    import ssl

    import httpx

T = TypeVar("T")

CONNECT_SECONDS = 6.0
_REDIRECTS = (301, 302, 303, 307, 308)
_PROXIES = ("HTTPS_PROXY", "HTTP_PROXY", "ALL_PROXY")


def request(
    url: str,
    parameters: Mapping[str, str],
    headers: Mapping[str, str],
    settings: Settings,
    what: str,
    read: Callable[[Reply], T],
    *,
    end: float,
    maximum_bytes: int,
) -> T:
    """Make one request, following redirects inside the configured hosts, and read the answer.

    Parameters
    ----------
    url, parameters, headers
        What is asked.
    settings : Settings
        Hosts and User-Agent.
    what : str
        Source and place, for errors.
    read : callable
        Makes the result of what was answered; its time counts.
    end : float
        Moment of the monotonic clock at which it is given up [s], whatever it is doing then.
    maximum_bytes : int
        Largest body taken, unpacked.

    Raises
    ------
    SourceError
        In one line; a `PassingError` where another try may help.
    """
    connection = _Connection()
    came: list[Reply] = []
    result: list[T] = []
    failure: list[BaseException] = []

    def run() -> None:
        try:
            came.append(_exchange(url, parameters, headers, settings, what, end, maximum_bytes, connection))
            result.append(read(came[0]))
        except BaseException as fault:  # handed to the one who waits
            failure.append(fault)

    thread = threading.Thread(target=run, name="wxfly-request", daemon=True)
    thread.start()
    thread.join(max(end - time.monotonic(), 0.0))
    if failure:
        raise failure[0]
    if not result:
        connection.shut()
        raise LateError(f"{what}: {'the answer was not read' if came else 'no answer'} in time; try again")
    return result[0]


class _Connection:
    """The sockets of a request as they are opened, so that another thread can shut them."""

    def __init__(self) -> None:
        self._streams: list[Any] = []
        self._is_shut = False

    def trace(self, event: str, facts: Mapping[str, Any]) -> None:
        """Note a socket; called by the HTTP library at each of its steps."""
        if event in ("connection.connect_tcp.complete", "connection.start_tls.complete"):
            self._streams.append(facts["return_value"])
            if self._is_shut:  # opened after whoever asked had gone
                self.shut()

    def shut(self) -> None:
        import socket

        self._is_shut = True
        for stream in self._streams:
            with contextlib.suppress(OSError, AttributeError):
                stream.get_extra_info("socket").shutdown(socket.SHUT_RDWR)


def check_host(url: str, settings: Settings, what: str) -> None:
    """Refuse a host, or a way of speaking to it, that is not configured."""
    parts = urlsplit(url)
    host = parts.netloc.rpartition("@")[2]  # a name and a password before it are not repeated
    if not host and not parts.scheme:
        raise SourceError(f"{what}: not asked, the addresses in the settings cannot be read; mend config.toml")
    if parts.netloc.lower() not in settings.hosts:
        raise SourceError(f"{what}: refused to contact {host or parts.scheme}, which is not a configured source")
    configured = {
        urlsplit(a).scheme for a in settings.addresses.values() if urlsplit(a).netloc.lower() == parts.netloc.lower()
    }
    if parts.scheme not in configured:
        raise SourceError(f"{what}: refused to contact {host} by {parts.scheme}")


def _exchange(
    url: str,
    parameters: Mapping[str, str],
    headers: Mapping[str, str],
    settings: Settings,
    what: str,
    end: float,
    maximum_bytes: int,
    connection: _Connection,
) -> Reply:
    import httpx

    logging.getLogger("httpx").setLevel(logging.WARNING)  # it would log where the pilot flies to the metre
    sent = {"User-Agent": settings.user_agent, "Accept-Encoding": "gzip", **headers}
    left = end - time.monotonic()
    if left <= 0:
        raise LateError(f"{what}: no answer within {settings.patience_seconds:g} s")
    timeout = httpx.Timeout(left, connect=min(left, CONNECT_SECONDS))
    try:
        with _client(timeout, what) as client:
            for _ in range(4):
                with client.stream(
                    "GET", url, params=parameters or None, headers=sent, extensions={"trace": connection.trace}
                ) as answer:
                    if answer.status_code in _REDIRECTS and "location" in answer.headers:
                        url, parameters = urljoin(url, answer.headers["location"]), {}
                        check_host(url, settings, what)
                        continue
                    body = _read(answer, what, end, maximum_bytes, settings.patience_seconds)
                    return Reply(answer.status_code, {k.lower(): v for k, v in answer.headers.items()}, body)
    except httpx.ProxyError:
        raise PassingError(f"{what}: the proxy that the environment names does not let us through") from None
    except httpx.ConnectError as fault:
        if _is_of_certificate(fault):
            raise SourceError(
                f"{what}: the certificate of {urlsplit(url).hostname or 'the service'} is not to be trusted, so "
                "nothing was sent; is there a sign-in page on this network, or is this machine's clock wrong?"
            ) from None
        raise UnreachableError(
            f"{what}: cannot be reached; is there a connection? --offline uses what is stored"
        ) from None
    except httpx.TimeoutException:
        raise LateError(f"{what}: no answer in time; try again") from None
    except httpx.TransportError:
        raise PassingError(f"{what}: the connection broke; try again") from None
    except (httpx.HTTPError, httpx.InvalidURL, ValueError) as fault:  # the last: a redirect that is no address
        raise SourceError(f"{what}: not a usable answer ({type(fault).__name__})") from None
    raise SourceError(f"{what}: redirected too often")


def _client(timeout: httpx.Timeout, what: str) -> httpx.Client:
    """Make the client with the proxies and the certificates of the environment."""
    import httpx

    try:
        trusted = _trust()
    except OSError as fault:  # an SSLError is one
        names = " and ".join(name for name in ("SSL_CERT_FILE", "SSL_CERT_DIR") if os.environ.get(name))
        raise SourceError(
            f"{what}: the certificates to trust cannot be read ({fault.strerror or 'no certificate in it'}); "
            f"mend or unset {names or 'the installation of certifi'}"
        ) from None
    try:
        return httpx.Client(timeout=timeout, follow_redirects=False, verify=trusted)
    except (ValueError, ImportError):
        names = ", ".join(n for n in _PROXIES if os.environ.get(n) or os.environ.get(n.lower()))
        raise SourceError(
            f"{what}: the proxy of the environment ({names or 'of the system'}) is not of a kind that can be used; "
            "wanted http:// or https://"
        ) from None


def _trust() -> ssl.SSLContext:
    """Give what certificates are verified against: made once, for it takes longer than many an answer."""
    return _trust_of(os.environ.get("SSL_CERT_FILE"), os.environ.get("SSL_CERT_DIR"))


@cache
def _trust_of(*_: str | None) -> ssl.SSLContext:
    import httpx

    return httpx.create_ssl_context()


def _is_of_certificate(fault: BaseException | None) -> bool:
    """Say whether a connection failed because the other side could not prove who it is."""
    import ssl

    while fault is not None:
        if isinstance(fault, ssl.SSLCertVerificationError) or "CERTIFICATE_VERIFY_FAILED" in str(fault):
            return True
        fault = fault.__cause__ or fault.__context__
    return False


def _read(answer: httpx.Response, what: str, end: float, maximum_bytes: int, patience: float) -> bytes:
    """Read a body within limits of time and size; unpacked here, so that a small body cannot grow without end."""
    encoding = answer.headers.get("content-encoding", "identity").lower()
    if encoding not in ("identity", "gzip", ""):
        raise SourceError(f"{what}: the body is packed as '{encoding[:20]}', which was not asked for")
    unpack = zlib.decompressobj(wbits=31) if encoding == "gzip" else None
    body = bytearray()
    for chunk in answer.iter_raw():  # as they come, so that a slow drip is seen
        if unpack is None:
            body += chunk
        else:
            try:
                body += unpack.decompress(chunk, maximum_bytes + 1 - len(body))
            except zlib.error:
                raise PassingError(f"{what}: the packed body is damaged") from None
        if len(body) > maximum_bytes or (unpack is not None and unpack.unconsumed_tail):
            raise SourceError(f"{what}: the body is larger than {maximum_bytes / 1e6:g} MB; refused")
        if time.monotonic() > end:
            raise LateError(f"{what}: the body did not end within {patience:g} s")
    if unpack is not None and answer.num_bytes_downloaded and not unpack.eof:
        raise PassingError(f"{what}: the packed body was cut short")
    return bytes(body)
