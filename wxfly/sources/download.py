"""Ask a service over the network; the only module that knows the HTTP library.

One request at a time to each service, across processes; only hosts of the settings, redirects included; a limit
on time and on size; a retry, with growing random waits, only where it can help. A proxy named in the environment
is respected and certificates are always verified.
"""

from __future__ import annotations

import json
import logging
import os
import random
import time
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar
from urllib.parse import urljoin, urlsplit

from wxfly.errors import WxflyError
from wxfly.own_files import make_folder
from wxfly.settings import Settings, cache_folder

if TYPE_CHECKING:
    import ssl

    import httpx

log = logging.getLogger(__name__)

T = TypeVar("T")

TRIES = 4
FIRST_WAIT_SECONDS = 1.0  # before the second try; doubled before each one after it
LONGEST_WAIT_SECONDS = 8.0
CONNECT_SECONDS = 6.0
LOCK_SECONDS = 120.0
MAXIMUM_BYTES = 8_000_000
_REDIRECTS = (301, 302, 303, 307, 308)
_PASSING = (500, 502, 503, 504, 520, 522, 524)  # of the server or of what stands before it


class SourceError(WxflyError):
    """A service did not give what was asked for. What it sent may be quoted, so it is made safe to print."""

    def __init__(self, message: str) -> None:
        super().__init__(" ".join("".join(c if c.isprintable() else " " for c in message).split()))


class PassingError(SourceError):
    """A fault that another try may mend.

    Attributes
    ----------
    wait_seconds : float or None
        How long the service asks to wait, when it says so [s].
    """

    def __init__(self, message: str, wait_seconds: float | None = None) -> None:
        super().__init__(message)
        self.wait_seconds = wait_seconds


class UnreachableError(PassingError):
    """Nobody answers: there is no connection, or no server."""


class LateError(PassingError):
    """The answer, or the rest of it, did not come in time."""


@dataclass(frozen=True)
class Reply:
    """What a service answered.

    Attributes
    ----------
    status : int
        HTTP status.
    headers : mapping of str
        Names in lower case.
    body : bytes
        Unpacked.
    """

    status: int
    headers: Mapping[str, str]
    body: bytes


def download(
    url: str,
    parameters: Mapping[str, str],
    parse: Callable[[Reply], T],
    *,
    settings: Settings,
    what: str,
    headers: Mapping[str, str] | None = None,
    accepted: tuple[int, ...] = (200,),
    maximum_bytes: int = MAXIMUM_BYTES,
) -> T:
    """Ask a service and parse its answer, trying again where that can help.

    Parameters
    ----------
    url : str
        Address; its host must be one of ``settings.hosts``.
    parameters : mapping of str
        The query.
    parse : callable
        Turns the `Reply` into the result. It runs inside the retries: a body that was cut short is asked for
        again. It raises `PassingError` when another try may help.
    settings : Settings
        Hosts, User-Agent and patience.
    what : str
        Source and place, for errors.
    headers : mapping of str, optional
        Further headers.
    accepted : tuple of int, optional
        Statuses that are handed to `parse`.
    maximum_bytes : int, optional
        Largest body taken, unpacked.

    Returns
    -------
    object
        What `parse` gives.

    Raises
    ------
    SourceError
        In one line: source, place, fault, and how often it was tried.
    """
    import filelock
    from tenacity import Retrying, retry_if_exception_type, stop_after_attempt

    host = urlsplit(url).netloc.lower()
    _check_host(url, settings, what)
    lock = _lock_for(host)
    tries = 0
    end = 0.0
    answered: PassingError | None = None

    def attempt() -> T:
        nonlocal answered
        try:
            return once()
        except LateError:
            raise
        except PassingError as fault:
            answered = fault
            raise

    def once() -> T:
        nonlocal tries
        tries += 1
        started = time.monotonic()
        log.info("%s: asking %s", what, host, extra={"facts": {"what": what, "host": host, "attempt": tries}})
        reply = _request(url, parameters, headers or {}, settings, what, end, maximum_bytes)
        took = time.monotonic() - started
        facts = {"what": what, "status": reply.status, "bytes": len(reply.body), "seconds": round(took, 3)}
        log.info("%s: status %d, %d bytes in %.2f s", what, reply.status, len(reply.body), took, extra={"facts": facts})
        if reply.status not in accepted:
            _refuse(reply, what)
        return parse(reply)

    def wait(state: Any) -> float:
        fault = state.outcome.exception()
        asked = fault.wait_seconds if isinstance(fault, PassingError) else None
        if asked is not None:
            return float(asked + random.uniform(0, 1))  # the jitter spreads clients over the second
        doubled = FIRST_WAIT_SECONDS * 2.0 ** (int(state.attempt_number) - 1)
        return random.uniform(0.5, 1.0) * min(LONGEST_WAIT_SECONDS, doubled)

    def stop(state: Any) -> bool:
        beyond = time.monotonic() + state.upcoming_sleep > end
        return bool(beyond or stop_after_attempt(TRIES)(state))

    def tell(state: Any) -> None:
        facts = {"what": what, "attempt": tries, "wait_seconds": round(state.upcoming_sleep, 3)}
        words = "%s; trying again in %.1f s"
        log.info(words, state.outcome.exception(), state.upcoming_sleep, extra={"facts": facts})

    began = time.monotonic()
    try:
        with lock.acquire(timeout=LOCK_SECONDS):
            waited = time.monotonic() - began
            if waited > 0.05:
                facts = {"what": what, "wait_seconds": round(waited, 3)}
                log.info("%s: waited %.1f s for another wxfly", what, waited, extra={"facts": facts})
            end = time.monotonic() + settings.patience_seconds  # waiting for others does not count
            retrying = Retrying(
                retry=retry_if_exception_type(PassingError), wait=wait, stop=stop, reraise=True, sleep=time.sleep,
                before_sleep=tell,
            )  # fmt: skip
            return retrying(attempt)
    except filelock.Timeout:
        raise SourceError(
            f"{what}: another wxfly is still asking this service after {LOCK_SECONDS:g} s; try again"
        ) from None
    except OSError as fault:
        raise SourceError(f"{what}: the cache folder {cache_folder()} cannot be used ({fault.strerror})") from None
    except UnreachableError:
        raise
    except PassingError as fault:
        # The last try gets what time is left, often little: an earlier try's answer says more than its lateness.
        told = answered if isinstance(fault, LateError) and answered is not None else fault
        again = f" (tried {tries} times)" if tries > 1 else ""
        raise SourceError(f"{told}{again}") from None


def _lock_for(host: str) -> Any:
    """One lock for each service, in the store's folder; a killed holder frees it."""
    import filelock

    folder = cache_folder() / "locks"
    try:
        make_folder(folder)
    except OSError as fault:
        raise SourceError(
            f"the cache folder {cache_folder()} cannot be written ({fault.strerror}); set WXFLY_CACHE to one that can"
        ) from None
    name = "".join(c if c.isalnum() or c in ".-" else "_" for c in host)
    return filelock.FileLock(folder / f"{name}.lock")


def _check_host(url: str, settings: Settings, what: str) -> None:
    parts = urlsplit(url)
    if parts.netloc.lower() not in settings.hosts:
        raise SourceError(f"{what}: refused to contact {parts.netloc}, which is not a configured source")
    configured = {
        urlsplit(a).scheme for a in settings.addresses.values() if urlsplit(a).netloc.lower() == parts.netloc.lower()
    }
    if parts.scheme not in configured:
        raise SourceError(f"{what}: refused to contact {parts.netloc} by {parts.scheme}")


def _request(
    url: str,
    parameters: Mapping[str, str],
    headers: Mapping[str, str],
    settings: Settings,
    what: str,
    end: float,
    maximum_bytes: int,
) -> Reply:
    """Make one request, following redirects inside the configured hosts."""
    import httpx

    logging.getLogger("httpx").setLevel(logging.WARNING)  # it would log where the pilot flies to the metre
    sent = {"User-Agent": settings.user_agent, "Accept-Encoding": "gzip", **headers}
    left = end - time.monotonic()
    if left <= 0:
        raise SourceError(f"{what}: no answer within {settings.patience_seconds:g} s")
    timeout = httpx.Timeout(min(left, settings.patience_seconds), connect=min(left, CONNECT_SECONDS))
    try:
        with httpx.Client(timeout=timeout, follow_redirects=False, verify=_trust()) as client:
            for _ in range(4):
                with client.stream("GET", url, params=parameters or None, headers=sent) as answer:
                    if answer.status_code in _REDIRECTS and "location" in answer.headers:
                        url, parameters = urljoin(url, answer.headers["location"]), {}
                        _check_host(url, settings, what)
                        continue
                    body = _read(answer, what, end, maximum_bytes, settings.patience_seconds)
                    return Reply(answer.status_code, {k.lower(): v for k, v in answer.headers.items()}, body)
    except httpx.ProxyError:
        raise PassingError(f"{what}: the proxy that the environment names does not let us through") from None
    except httpx.ConnectError as fault:
        if _is_of_certificate(fault):
            raise SourceError(
                f"{what}: the certificate of {_host(url)} is not to be trusted, so nothing was sent; is there a "
                "sign-in page on this network, or is this machine's clock wrong?"
            ) from None
        raise UnreachableError(
            f"{what}: cannot be reached; is there a connection? --offline uses what is stored"
        ) from None
    except httpx.TimeoutException:
        raise LateError(f"{what}: no answer in time; try again") from None
    except httpx.TransportError:
        raise PassingError(f"{what}: the connection broke; try again") from None
    except (httpx.HTTPError, httpx.InvalidURL) as fault:
        raise SourceError(f"{what}: not a usable answer ({type(fault).__name__})") from None
    raise SourceError(f"{what}: redirected too often")


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


def _host(url: str) -> str:
    return urlsplit(url).hostname or "the service"


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


def _refuse(reply: Reply, what: str) -> NoReturn:
    """Turn a status that is not an answer into the error that fits the service's own words."""
    reason = reason_of(reply)
    lowered = reason.lower()
    if reply.status == 429:
        if "daily" in lowered or "tomorrow" in lowered:
            raise SourceError(f"{what}: the daily limit of free requests is used up; try again tomorrow (UTC)")
        if "hourly" in lowered or "next hour" in lowered:
            raise SourceError(f"{what}: the hourly limit of free requests is used up; try again in the next hour")
        wait = _retry_after(reply)
        if "minutely" in lowered or "one minute" in lowered:
            wait = wait or 60.0 - time.time() % 60.0  # its counters start anew on the clock's minute
            raise PassingError(f"{what}: too many requests in this minute; try again in a minute", wait)
        raise PassingError(f"{what}: too many requests ({reason or 'status 429'}); try again in a minute", wait)
    if reply.status in _PASSING:
        raise PassingError(
            f"{what}: the service has trouble ({reason or f'status {reply.status}'})", _retry_after(reply)
        )
    if reply.status in (401, 403):
        raise SourceError(f"{what}: the service refuses us ({reason or f'status {reply.status}'})")
    raise SourceError(f"{what}: refused ({reason or f'status {reply.status}'})")


def _retry_after(reply: Reply) -> float | None:
    """Read the wait in seconds that a service asks for; a date or nonsense counts as none."""
    text = reply.headers.get("retry-after", "")
    return min(float(text), 3600.0) if text.isascii() and text.isdigit() and len(text) < 9 else None


def reason_of(reply: Reply) -> str:
    """Give the service's own words for an error, short and safe to print; empty when it has none."""
    try:
        document = json.loads(reply.body.decode("utf-8"))
        reason = document.get("reason") or document.get("error") or document.get("message")
    except (ValueError, AttributeError, RecursionError):
        return ""
    if not isinstance(reason, str):
        return ""
    clean = " ".join("".join(c if c.isprintable() else " " for c in reason).split())
    return clean[:160]


def parse_json(body: bytes, what: str) -> Any:
    """Read JSON from a service that may send something else under status 200.

    Raises
    ------
    PassingError
        When the body is cut short, is a page of HTML or carries the service's note of an error while sending.
    SourceError
        When it holds bare ``nan`` (not JSON): the model does not cover the place.
    """

    def refuse(constant: str) -> NoReturn:
        raise SourceError(f"{what}: it sent {constant}; the model may not cover the place")

    if not body.strip():
        raise PassingError(f"{what}: an empty body; try again")
    if body.lstrip()[:1] == b"<":
        raise PassingError(f"{what}: a web page came back in place of data; is there a sign-in page on this network?")
    try:
        return json.loads(body.decode("utf-8"), parse_constant=refuse)
    except (ValueError, RecursionError):
        if b"Unexpected error while streaming" in body:
            raise PassingError(f"{what}: the service failed while it was sending; try again") from None
        if b":nan" in body.replace(b" ", b""):
            raise SourceError(f"{what}: the model does not cover the place") from None
        raise PassingError(f"{what}: the body is not whole JSON; try again") from None
