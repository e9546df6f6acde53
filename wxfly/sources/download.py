"""Ask a service: one request at a time to each, across processes, and again only where that can help.

Only hosts of the settings are contacted, redirects included; time and size are limited; waits between tries grow and
are random. A proxy named in the environment is respected and certificates are always verified.
"""

from __future__ import annotations

import logging
import random
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, NoReturn, TypeVar
from urllib.parse import urlsplit

from wxfly.own_files import make_folder
from wxfly.settings import Settings, cache_folder
from wxfly.sources.reply import (
    LateError,
    PassingError,
    Reply,
    SourceError,
    UnreachableError,
    reason_of,
)  # fmt: skip
from wxfly.sources.transport import check_host, request

log = logging.getLogger(__name__)

T = TypeVar("T")

TRIES = 4
FIRST_WAIT_SECONDS = 1.0  # before the second try; doubled before each one after it
LONGEST_WAIT_SECONDS = 8.0
LOCK_SECONDS = 120.0
MAXIMUM_BYTES = 8_000_000
_PASSING = (500, 502, 503, 504, 520, 522, 524)  # of the server or of what stands before it


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
        again. It raises `PassingError` when another try may help. Its time counts as that of the service does.
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
    check_host(url, settings, what)
    lock = _lock_for(host)
    sent = {**parameters, **settings.key_for(url)}
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

        def read(reply: Reply) -> T:
            reply = _without_key(reply, settings)
            took = time.monotonic() - started
            size = len(reply.body)
            facts = {"what": what, "status": reply.status, "bytes": size, "seconds": round(took, 3)}
            log.info("%s: status %d, %d bytes in %.2f s", what, reply.status, size, took, extra={"facts": facts})
            if reply.status not in accepted:
                _refuse(reply, what)
            return parse(reply)

        return request(url, sent, headers or {}, settings, what, read, end=end, maximum_bytes=maximum_bytes)

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


def _without_key(reply: Reply, settings: Settings) -> Reply:
    """Take the key out of what came: a service may repeat it, and its words are shown and kept."""
    if not settings.key:
        return reply
    return replace(reply, body=reply.body.replace(settings.key.encode(), b"(key)"))


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
