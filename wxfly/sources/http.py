"""Requests over the network; no other module uses the HTTP library.

A service gets one request at a time, across processes, and another try only where that can help. Requests for one
answer may go out together (`together`): one process has the service, with few requests at once. A request has a total
time limit and runs in a separate thread. The time of a name server, a handshake or headers that arrive byte by byte
cannot be limited from within, so the waiting thread gives up at the limit and shuts the connection.

Only hosts of the settings are contacted, redirects included. Time and size are limited; waits between tries grow and
are random. A proxy named in the environment is respected, and certificates are always verified.
"""

from __future__ import annotations

import contextlib
import contextvars
import logging
import os
import random
import threading
import time
import zlib
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from functools import cache
from typing import TYPE_CHECKING, Any, Generic, NoReturn, TypeVar
from urllib.parse import urljoin, urlsplit

from wxfly.pilot.own_files import make_folder
from wxfly.pilot.settings import LOOPBACK, Settings, cache_folder
from wxfly.sources.reply import LateError, PassingError, Reply, SourceError, UnreachableError, reason_of

if TYPE_CHECKING:
    import ssl

    import httpx

log = logging.getLogger(__name__)

T = TypeVar("T")

CONNECT_SECONDS = 6.0
_REDIRECTS = (301, 302, 303, 307, 308)
_PROXIES = ("HTTPS_PROXY", "HTTP_PROXY", "ALL_PROXY")


class _Connection:
    """The sockets opened by a request, so that another thread can shut them."""

    def __init__(self) -> None:
        self._streams: list[Any] = []
        self._is_shut = False

    def trace(self, event: str, facts: Mapping[str, Any]) -> None:
        """Note a socket; called by the HTTP library at each of its steps."""
        if event in ("connection.connect_tcp.complete", "connection.start_tls.complete"):
            self._streams.append(facts["return_value"])
            if self._is_shut:  # opened after the waiting thread gave up
                self.shut()

    def shut(self) -> None:
        import socket

        self._is_shut = True
        for stream in self._streams:
            with contextlib.suppress(OSError, AttributeError):
                stream.get_extra_info("socket").shutdown(socket.SHUT_RDWR)


@dataclass(frozen=True)
class _Request:
    """One request.

    Attributes
    ----------
    url, query, headers
        Its address, query and headers.
    settings : Settings
        Hosts, User-Agent and patience.
    what : str
        Source and place, for errors.
    maximum_bytes : int
        Largest body accepted, unpacked.
    """

    url: str
    query: Mapping[str, str]
    headers: Mapping[str, str]
    settings: Settings
    what: str
    maximum_bytes: int

    def make(self, read: Callable[[Reply], T], end: float) -> T:
        """Send it, follow redirects within the configured hosts, and return what `read` makes of the reply.

        At `end` of the monotonic clock [s] it is abandoned, whatever its state; the time of `read` counts.

        Raises
        ------
        SourceError
            One line with the fault; a `PassingError` where another try may help.
        """
        connection = _Connection()
        came: list[Reply] = []
        result: list[T] = []
        failure: list[BaseException] = []

        def run() -> None:
            try:
                came.append(self._exchange(end, connection))
                result.append(read(came[0]))
            except BaseException as fault:  # passed to the waiting thread
                failure.append(fault)

        thread = threading.Thread(target=run, name="wxfly-request", daemon=True)
        thread.start()
        thread.join(max(end - time.monotonic(), 0.0))
        if failure:
            raise failure[0]
        if not result:
            connection.shut()
            raise LateError(f"{self.what}: {'the answer was not read' if came else 'no answer'} in time; try again")
        return result[0]

    def _exchange(self, end: float, connection: _Connection) -> Reply:
        import httpx

        settings, what, url, query = self.settings, self.what, self.url, self.query
        logging.getLogger("httpx").setLevel(logging.WARNING)  # it would log the exact place of the flight
        sent = {"User-Agent": settings.user_agent, "Accept-Encoding": "gzip", **self.headers}
        left = end - time.monotonic()
        if left <= 0:
            raise self._late("no answer")
        timeout = httpx.Timeout(left, connect=min(left, CONNECT_SECONDS))
        try:
            with _client(timeout, what) as client:
                for _ in range(4):
                    with client.stream(
                        "GET", url, params=query or None, headers=sent, extensions={"trace": connection.trace}
                    ) as answer:
                        if answer.status_code in _REDIRECTS and "location" in answer.headers:
                            url, query = urljoin(url, answer.headers["location"]), {}
                            check_host(url, settings, what)
                            continue
                        body = self._read(answer, end)
                        return Reply(answer.status_code, {k.lower(): v for k, v in answer.headers.items()}, body)
        except httpx.ProxyError:
            raise PassingError(
                f"{what}: the proxy that the environment names does not let us through; mend or unset HTTPS_PROXY"
            ) from None
        except httpx.ConnectError as fault:
            if _is_of_certificate(fault):
                raise SourceError(
                    f"{what}: the certificate of {urlsplit(url).hostname or 'the service'} cannot be trusted, so "
                    "nothing was sent; is there a sign-in page on this network, or is this machine's clock wrong?"
                ) from None
            raise UnreachableError(
                f"{what}: cannot be reached; is there a connection? --offline uses what is stored"
            ) from None
        except httpx.TimeoutException:
            raise LateError(f"{what}: no answer in time; try again") from None
        except httpx.TransportError:
            raise PassingError(f"{what}: the connection broke; try again") from None
        except (httpx.HTTPError, httpx.InvalidURL, ValueError) as fault:  # ValueError: a redirect to an invalid address
            raise SourceError(f"{what}: not a usable answer ({type(fault).__name__}); try again later") from None
        raise SourceError(f"{what}: redirected too often; is there a sign-in page on this network?")

    def _late(self, fault: str) -> LateError:
        patience = self.settings.patience_seconds
        return LateError(f"{self.what}: {fault} within {patience:g} s; try again, or set patience_seconds higher")

    def _read(self, answer: httpx.Response, end: float) -> bytes:
        """Read a body within limits of time and size; unpacked here, so that the limit holds for the unpacked size."""
        encoding = answer.headers.get("content-encoding", "identity").lower()
        if encoding not in ("identity", "gzip", ""):
            raise SourceError(
                f"{self.what}: the body is packed as '{encoding[:20]}', which was not asked for; "
                "is there a proxy that packs anew?"
            )
        unpack = zlib.decompressobj(wbits=31) if encoding == "gzip" else None
        body = bytearray()
        for chunk in answer.iter_raw():  # as they arrive, so that a slow stream is noticed
            if unpack is None:
                body += chunk
            else:
                try:
                    body += unpack.decompress(chunk, self.maximum_bytes + 1 - len(body))
                except zlib.error:
                    raise PassingError(f"{self.what}: the packed body is damaged; try again") from None
            if len(body) > self.maximum_bytes or (unpack is not None and unpack.unconsumed_tail):
                raise SourceError(
                    f"{self.what}: the body is larger than {self.maximum_bytes / 1e6:g} MB; refused: "
                    "ask for fewer places or days"
                )
            if time.monotonic() > end:
                raise self._late("the body did not end")
        if unpack is not None and answer.num_bytes_downloaded and not unpack.eof:
            raise PassingError(f"{self.what}: the packed body was cut short; try again")
        return bytes(body)


def check_host(url: str, settings: Settings, what: str) -> None:
    """Refuse a host or a protocol that is not configured."""
    parts = urlsplit(url)
    host = parts.netloc.rpartition("@")[2]  # without a name and a password
    if not host and not parts.scheme:
        raise SourceError(f"{what}: not asked, the addresses in the settings cannot be read; mend config.toml")
    if parts.netloc.lower() not in settings.hosts:
        raise SourceError(
            f"{what}: refused to contact {host or parts.scheme}, which is not a configured source; "
            "an address is set in config.toml"
        )
    configured = {
        urlsplit(a).scheme for a in settings.addresses.values() if urlsplit(a).netloc.lower() == parts.netloc.lower()
    }
    if parts.scheme not in configured:
        raise SourceError(
            f"{what}: refused to contact {host} by {parts.scheme}; wanted {' or '.join(sorted(configured))}"
        )


def check_receiver(url: str) -> None:
    """Refuse an address to send to that is neither https nor on this machine.

    Raises
    ------
    SourceError
        With what is wanted.
    """
    parts = urlsplit(url)
    schemes = ("https", "http") if parts.hostname in LOOPBACK else ("https",)
    if not parts.hostname or parts.scheme not in schemes:
        given = f"by {parts.scheme[:20] or 'no protocol'}" if parts.hostname else "to an address without a host"
        raise SourceError(f"what a watch tells is not sent {given}; wanted https://… or http://localhost…")


def send(url: str, content: bytes, *, settings: Settings) -> None:
    """Send a line of JSON to an address that the pilot named; a redirect is not followed.

    Parameters
    ----------
    url : str
        As `check_receiver` takes it.
    content : bytes
        JSON.
    settings : Settings
        User-Agent and patience.

    Raises
    ------
    SourceError
        When it is not taken; the address, which may hold a secret, is named by its host alone.
    """
    import httpx

    check_receiver(url)
    logging.getLogger("httpx").setLevel(logging.WARNING)  # it would log the address
    what = urlsplit(url).hostname or "the address"
    headers = {"User-Agent": settings.user_agent, "Content-Type": "application/json"}
    try:
        with _client(httpx.Timeout(settings.patience_seconds, connect=CONNECT_SECONDS), what) as client:
            answer = client.post(url, content=content, headers=headers)
    except (httpx.HTTPError, httpx.InvalidURL, ValueError) as fault:
        raise SourceError(
            f"{what} did not take what the watch tells ({type(fault).__name__}); try the address by hand"
        ) from None
    if not answer.is_success:
        raise SourceError(
            f"{what} did not take what the watch tells (status {answer.status_code}); try the address by hand"
        )


def _client(timeout: httpx.Timeout, what: str) -> httpx.Client:
    """Return the client with the proxies and the certificates of the environment."""
    import httpx

    try:
        trusted = _trust(os.environ.get("SSL_CERT_FILE"), os.environ.get("SSL_CERT_DIR"))
    except OSError as fault:  # includes SSLError
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


@cache
def _trust(*_: str | None) -> ssl.SSLContext:
    """Return the context for verifying certificates; made once, because it takes longer than many requests."""
    import httpx

    return httpx.create_ssl_context()


def _is_of_certificate(fault: BaseException | None) -> bool:
    """Return whether a connection failed because the other side could not prove its identity."""
    import ssl

    while fault is not None:
        if isinstance(fault, ssl.SSLCertVerificationError) or "CERTIFICATE_VERIFY_FAILED" in str(fault):
            return True
        fault = fault.__cause__ or fault.__context__
    return False


AT_ONCE = 4
"""Most requests to one service at once: the forecast service runs one for each address and holds four (its published
source, ``ConcurrencyGroupLimiter.swift``)."""
_GROUP: contextvars.ContextVar[Together | None] = contextvars.ContextVar("group of requests", default=None)


class Together:
    """A group of requests for one answer; see `together`."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._turns: dict[str, _Turns] = {}
        self._threads: list[threading.Thread] = []

    def start(self, work: Callable[[], T]) -> Future[T]:
        """Do work in a thread of its own, its requests in this group; the future has its result or its fault."""
        future: Future[T] = Future()
        context = contextvars.copy_context()

        def run() -> None:
            try:
                future.set_result(context.run(work))
            except BaseException as fault:  # passed to whoever asks for the result
                future.set_exception(fault)

        thread = threading.Thread(target=run, name="wxfly-together", daemon=True)
        self._threads.append(thread)
        thread.start()
        return future

    @contextlib.contextmanager
    def turn(self, host: str, *, is_counted: bool) -> Iterator[None]:
        """Wait until this group has the service, and until one of its few requests at once is free.

        Requests that the service does not count wait for no others: a counted one may wait for what they bring.
        """
        with self._guard:
            turns = self._turns.setdefault(host, _Turns(_lock_for(host)))
        with turns.guard:
            if not turns.lock.is_locked:
                turns.lock.acquire(timeout=LOCK_SECONDS)
        with turns.free if is_counted else contextlib.nullcontext():
            yield

    def close(self, *, is_waiting: bool) -> None:
        """Let others have the services, after the threads have ended if that is waited for."""
        for thread in self._threads if is_waiting else ():
            thread.join()
        for turns in self._turns.values():
            turns.lock.release()


class _Turns:
    """The turns of a group at one service."""

    def __init__(self, lock: Any) -> None:
        self.lock, self.guard, self.free = lock, threading.Lock(), threading.Semaphore(AT_ONCE)


@contextlib.contextmanager
def together() -> Iterator[Together]:
    """Let requests go out at once: those that are started from the group, and those of this thread.

    A group within a group is the same group.
    """
    outer = _GROUP.get()
    if outer is not None:
        yield outer
        return
    group = Together()
    token = _GROUP.set(group)
    is_waiting = True
    try:
        yield group
    except KeyboardInterrupt:
        is_waiting = False
        raise
    finally:
        group.close(is_waiting=is_waiting)
        _GROUP.reset(token)


@contextlib.contextmanager
def having(address: str) -> Iterator[None]:
    """Have the service of an address for this group before anything else is waited for.

    Processes that wait for a service and for a lock beside it do so in the same order: else each may have what the
    other waits for.
    """
    with together() as group:
        with group.turn(urlsplit(address).netloc.lower(), is_counted=False):
            pass
        yield


@dataclass(frozen=True)
class Tally:
    """What was asked of the services so far, every try counted.

    Attributes
    ----------
    requests : int
        Number of requests.
    weight : float
        Weighted calls, as the forecast service counts them.
    size : int
        Bytes of the bodies, unpacked.
    """

    requests: int = 0
    weight: float = 0.0
    size: int = 0

    def since(self, before: Tally) -> Tally:
        """Return what was asked after an earlier tally."""
        return Tally(self.requests - before.requests, self.weight - before.weight, self.size - before.size)


_asked_so_far = Tally()
_counting = threading.Lock()


def tally() -> Tally:
    """Return what this process asked so far."""
    return _asked_so_far


def _count(requests: int, weight: float, size: int) -> None:
    global _asked_so_far
    with _counting:
        so_far = _asked_so_far
        _asked_so_far = Tally(so_far.requests + requests, so_far.weight + weight, so_far.size + size)


_WAITING: contextvars.ContextVar[Callable[[str], object] | None] = contextvars.ContextVar("on_wait", default=None)


@contextlib.contextmanager
def waiting_as_asked(on_wait: Callable[[str], object]) -> Iterator[None]:
    """Wait as long as a service asks for, beyond the patience for one request; for work that goes on for long.

    Parameters
    ----------
    on_wait : callable
        Called with a line before each wait.
    """
    token = _WAITING.set(on_wait)
    try:
        yield
    finally:
        _WAITING.reset(token)


TRIES = 4
TRIES_UNREACHABLE = 2
"""Tries where nothing answers at all: a pilot without a connection waits for no more."""
FIRST_WAIT_SECONDS = 1.0  # before the second try; doubled before each one after it
LONGEST_WAIT_SECONDS = 8.0
LOCK_SECONDS = 120.0
"""Longest time that one wxfly process waits for another that makes the same request."""
MAXIMUM_BYTES = 8_000_000
_PASSING = (500, 502, 503, 504, 520, 522, 524)  # faults of the server or of a gateway in front of it


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
    weight: float = 0.0,
) -> T:
    """Ask a service and parse its answer, with further tries where they can help.

    Parameters
    ----------
    url : str
        Address; its host must be one of ``settings.hosts``.
    parameters : mapping of str
        The query.
    parse : callable
        Turns the `Reply` into the result. It runs inside the retries: a body that was cut short is requested
        again. It raises `PassingError` when another try may help. Its time counts like that of the service.
    settings : Settings
        Hosts, User-Agent and patience.
    what : str
        Source and place, for errors.
    headers : mapping of str, optional
        Further headers.
    accepted : tuple of int, optional
        Statuses that are passed to `parse`.
    maximum_bytes : int, optional
        Largest body accepted, unpacked.
    weight : float, optional
        Weighted calls that each try costs, for `tally`.

    Returns
    -------
    object
        The result of `parse`.

    Raises
    ------
    SourceError
        One line with source, place, fault, and number of tries.
    """
    import filelock

    check_host(url, settings, what)
    request = _Request(url, {**parameters, **settings.key_for(url)}, headers or {}, settings, what, maximum_bytes)
    tries = _Tries(request, parse, accepted, weight)
    try:
        with _turn_at(urlsplit(url).netloc.lower(), what, is_counted=weight > 0):
            return tries.run()
    except filelock.Timeout:
        raise SourceError(
            f"{what}: another wxfly is still asking this service after {LOCK_SECONDS:g} s; try again"
        ) from None
    except OSError as fault:
        raise SourceError(
            f"{what}: the cache folder {cache_folder()} cannot be used ({fault.strerror}); "
            "set WXFLY_CACHE to one that can"
        ) from None
    except UnreachableError:
        raise
    except PassingError as fault:
        raise tries.given_up(fault) from None


@dataclass
class _Tries(Generic[T]):
    """The tries of one download, the waits between them, and when it is given up."""

    request: _Request
    parse: Callable[[Reply], T]
    accepted: tuple[int, ...]
    weight: float
    on_wait: Callable[[str], object] | None = field(default_factory=lambda: _WAITING.get())
    count: int = 0
    end: float = 0.0
    answered: PassingError | None = None

    def run(self) -> T:
        """Try until a reply is parsed; the fault of the last try where no further one can help."""
        from tenacity import Retrying, retry_if_exception_type

        self.end = time.monotonic() + self.request.settings.patience_seconds  # waiting for others does not count
        retrying = Retrying(
            retry=retry_if_exception_type(PassingError), wait=self._wait, stop=self._stop, reraise=True,
            sleep=time.sleep, before_sleep=self._log_wait,
        )  # fmt: skip
        return retrying(self._attempt)

    def given_up(self, fault: PassingError) -> SourceError:
        """Return the error of a download that is given up after a fault.

        The last try has only the time left, often little: the fault of an earlier try says more than a timeout.
        """
        stated = self.answered if isinstance(fault, LateError) and self.answered is not None else fault
        again = f" (tried {self.count} times)" if self.count > 1 else ""
        return SourceError(f"{stated}{again}")

    def _attempt(self) -> T:
        try:
            return self._request()
        except LateError:
            raise
        except PassingError as fault:
            self.answered = fault
            raise

    def _request(self) -> T:
        self.count += 1
        started = time.monotonic()
        _count(1, self.weight, 0)
        what, host = self.request.what, urlsplit(self.request.url).netloc.lower()
        log.info("%s: asking %s", what, host, extra={"facts": {"what": what, "host": host, "attempt": self.count}})

        def read(reply: Reply) -> T:
            reply = _without_key(reply, self.request.settings)
            took = time.monotonic() - started
            size = len(reply.body)
            _count(0, 0.0, size)
            facts = {"what": what, "status": reply.status, "bytes": size, "seconds": round(took, 3)}
            log.info("%s: status %d, %d bytes in %.2f s", what, reply.status, size, took, extra={"facts": facts})
            if reply.status not in self.accepted:
                _refuse(reply, what)
            return self.parse(reply)

        return self.request.make(read, self.end)

    def _wait(self, state: Any) -> float:
        """Return the wait before the next try [s]: as the service asks, else doubled each time."""
        fault = state.outcome.exception()
        asked = fault.wait_seconds if isinstance(fault, PassingError) else None
        if asked is not None:
            return float(asked + random.uniform(0, 1))  # random, to spread clients over the second
        doubled = FIRST_WAIT_SECONDS * 2.0 ** (int(state.attempt_number) - 1)
        return random.uniform(0.5, 1.0) * min(LONGEST_WAIT_SECONDS, doubled)

    def _stop(self, state: Any) -> bool:
        """Return whether this was the last try; a wait that the service asks for may move the end of the patience."""
        fault = state.outcome.exception()
        is_last = self.count >= (TRIES_UNREACHABLE if isinstance(fault, UnreachableError) else TRIES)
        if self.on_wait is None or not isinstance(fault, PassingError) or fault.wait_seconds is None:
            return is_last or time.monotonic() + float(state.upcoming_sleep) > self.end
        if not is_last:
            self.on_wait(f"{fault}; waiting {state.upcoming_sleep:.0f} s")
            self.end = time.monotonic() + state.upcoming_sleep + self.request.settings.patience_seconds
        return is_last

    def _log_wait(self, state: Any) -> None:
        facts = {"what": self.request.what, "attempt": self.count, "wait_seconds": round(state.upcoming_sleep, 3)}
        words = "%s; trying again in %.1f s"
        log.info(words, state.outcome.exception(), state.upcoming_sleep, extra={"facts": facts})


def _without_key(reply: Reply, settings: Settings) -> Reply:
    """Remove the key from a reply: a service may repeat it, and replies are shown and kept."""
    if not settings.key:
        return reply
    return replace(reply, body=reply.body.replace(settings.key.encode(), b"(key)"))


@contextlib.contextmanager
def _turn_at(host: str, what: str, *, is_counted: bool) -> Iterator[None]:
    """Wait for the service: within a group until one of its requests is free, else until no other is under way."""
    group = _GROUP.get()
    if group is not None:
        with group.turn(host, is_counted=is_counted):
            yield
        return
    began = time.monotonic()
    with _lock_for(host).acquire(timeout=LOCK_SECONDS):
        waited = time.monotonic() - began
        if waited > 0.05:
            facts = {"what": what, "wait_seconds": round(waited, 3)}
            log.info("%s: waited %.1f s for another wxfly", what, waited, extra={"facts": facts})
        yield


def _lock_for(host: str) -> Any:
    """Return the lock of a service, in the store's folder; a killed process frees it."""
    import filelock

    folder = cache_folder() / "locks"
    try:
        make_folder(folder)
    except OSError as fault:
        raise SourceError(
            f"the cache folder {cache_folder()} cannot be written ({fault.strerror}); set WXFLY_CACHE to one that can"
        ) from None
    name = "".join(c if c.isalnum() or c in ".-" else "_" for c in host)
    return filelock.FileLock(folder / f"{name}.lock", thread_local=False)  # a group frees it from another thread


def _refuse(reply: Reply, what: str) -> NoReturn:
    """Raise the error that fits an error status and the service's own words."""
    reason = reason_of(reply)
    lowered = reason.lower()
    if reply.status == 429:
        if "daily" in lowered or "tomorrow" in lowered:
            raise SourceError(f"{what}: the daily limit of free requests is used up; try again tomorrow (UTC)")
        if "hourly" in lowered or "next hour" in lowered:
            words = f"{what}: the hourly limit of free requests is used up; try again in the next hour"
            raise PassingError(words, 3600.0 - time.time() % 3600.0)
        wait = _retry_after(reply)
        if "minutely" in lowered or "one minute" in lowered:
            wait = wait or 60.0 - time.time() % 60.0  # its counters restart at each full minute
            raise PassingError(f"{what}: too many requests in this minute; try again in a minute", wait)
        raise PassingError(f"{what}: too many requests ({reason or 'status 429'}); try again in a minute", wait)
    if reply.status in _PASSING:
        raise PassingError(
            f"{what}: the service has trouble ({reason or f'status {reply.status}'}); try again later",
            _retry_after(reply),
        )
    if reply.status in (401, 403):
        raise SourceError(
            f"{what}: the service refuses us ({reason or f'status {reply.status}'}); "
            "if you have a key for it, is it right?"
        )
    raise SourceError(
        f"{what}: refused ({reason or f'status {reply.status}'}); try again later, or with another --model"
    )


def _retry_after(reply: Reply) -> float | None:
    """Return the wait in seconds that a service asks for; None for a date or an invalid value."""
    text = reply.headers.get("retry-after", "")
    return min(float(text), 3600.0) if text.isascii() and text.isdigit() and len(text) < 9 else None
