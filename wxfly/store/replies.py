"""Replies on disk: those of forecasts, packed with a checksum, and the last one of each small service.

`write_reply` writes that of a forecast to the path that `wxfly.store.forecasts` chooses. `keep_reply` writes a small
one with its time of retrieval as ``replies/<kind>/<name>.json`` of the store.
"""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import json
import logging
import math
import re
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from wxfly.errors import DamagedError, WxflyError
from wxfly.pilot.own_files import make_folder, write_beside
from wxfly.pilot.settings import cache_folder
from wxfly.sources.http import LOCK_SECONDS
from wxfly.sources.reply import PlaceReply

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class KeptReply:
    """A reply, its time of retrieval, and the mark by which the service recognises it."""

    retrieved: datetime
    text: str
    etag: str = ""

    def is_younger_than(self, age: timedelta, now: datetime) -> bool:
        """Return whether it was retrieved less than `age` before `now`; one from the future was not."""
        return timedelta(0) <= now - self.retrieved < age


def replies_folder() -> Path:
    """Return the folder of the replies."""
    return cache_folder() / "replies"


def keep_reply(kind: str, name: str, text: str, retrieved: datetime, *, etag: str = "") -> bool:
    """Keep the last reply of a small service, and return whether it was kept.

    A store that cannot be written raises no error, so the reply is not lost.
    """
    document = {"retrieved": retrieved.astimezone(UTC).isoformat(), "text": text, "sha256": _checksum(text)}
    document |= {"etag": etag} if etag else {}
    try:
        write_beside(_path(kind, name), json.dumps(document).encode(), private=True)
    except OSError:
        return False
    return True


def kept_reply(kind: str, name: str, parse: Callable[[bytes], object] = lambda _: None) -> KeptReply | None:
    """Return the last reply kept, or None when there is none, it is damaged, or it cannot be parsed.

    Parameters
    ----------
    kind, name : str
        Names under which it was kept.
    parse : callable, optional
        Tried on the text. A reply that it refuses with a `WxflyError` is skipped, so that it is requested again.
    """
    kept = _read(kind, name)
    if kept is not None:
        try:
            parse(kept.text.encode("utf-8", "surrogatepass"))
        except WxflyError as fault:
            log.info("a kept reply is passed over: %s", fault)
            return None
    return kept


def newest_reply(
    kind: str,
    name: str,
    parse: Callable[[bytes], object],
    ask: Callable[[KeptReply | None], KeptReply],
    *,
    age: timedelta,
    now: datetime,
    offline: bool,
) -> tuple[KeptReply | None, WxflyError | None]:
    """Return the kept reply while it is young, else a new one; and the fault where it could not be renewed.

    Parameters
    ----------
    kind, name, parse
        As in `kept_reply`.
    ask : callable
        Requests a new reply; takes the kept one.
    age : timedelta
        Age below which the kept reply is not requested again.
    now : datetime
        The present time.
    offline : bool
        Whether to use only kept replies.
    """
    kept = kept_reply(kind, name, parse)
    if offline or (kept is not None and kept.is_younger_than(age, now)):
        return kept, None
    with asking_alone(kind, name):
        kept = kept_reply(kind, name, parse)
        if kept is not None and kept.is_younger_than(age, now):
            return kept, None
        try:
            new = ask(kept)
        except WxflyError as fault:
            return kept, fault
        keep_reply(kind, name, new.text, new.retrieved, etag=new.etag)
        return new, None


def _read(kind: str, name: str) -> KeptReply | None:
    try:
        document = json.loads(_path(kind, name).read_text(encoding="utf-8"))
        retrieved = datetime.fromisoformat(document["retrieved"])
        text, etag = document["text"], document.get("etag", "")
        # Early versions of wxfly kept no checksum.
        if (
            retrieved.tzinfo is None
            or not isinstance(etag, str)
            or document.get("sha256", _checksum(text)) != _checksum(text)
        ):
            return None
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
    return KeptReply(retrieved, text, etag)


@contextlib.contextmanager
def asking_alone(kind: str, name: str) -> Iterator[None]:
    """Let one wxfly process at a time request a reply; a process that waited looks in the store again.

    The request goes ahead even if the folder cannot be written or another process takes too long.
    """
    import filelock

    mark = hashlib.sha256(f"{kind}/{name}".encode("utf-8", "surrogatepass")).hexdigest()[:16]
    folder = cache_folder() / "locks"
    lock = filelock.FileLock(folder / f"reply-{mark}.lock", timeout=LOCK_SECONDS)
    with contextlib.suppress(OSError, filelock.Timeout):
        make_folder(folder)
        lock.acquire()
    try:
        yield
    finally:
        lock.release()


def _checksum(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _path(kind: str, name: str) -> Path:
    readable = re.sub(r"[^0-9A-Za-z.,-]+", "_", name)[:80] or "_"
    if readable != name:
        readable += "-" + hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return replies_folder() / kind / f"{readable}.json"


FORMAT = 1
"""Number of the format; raised when an older wxfly could misread a file."""

_MARK = "wxfly_reply"
_LEVEL = 6
_LARGEST = 200_000_000  # greatest unpacked size, far above any reply [bytes]


def write_reply(reply: PlaceReply, path: Path) -> None:
    """Write a reply to a temporary file, read it back and rename it, so that the path never holds half of it.

    Raises
    ------
    WxflyError
        When the folder is full or not writable; an earlier file stays untouched. The error does not state the path,
        which would reveal the place.
    """
    content = pack(reply)

    def look(beside: Path) -> None:
        if beside.read_bytes() != content:
            raise OSError("what was read back is not what was written")

    try:
        write_beside(path, content, private=True, check=look)
    except OSError as fault:
        words = " ".join(str(fault.strerror or fault).split())[:120]
        raise WxflyError(f"the forecast could not be kept ({words}); is the disk full?") from None


def read_reply(path: Path) -> PlaceReply:
    """Read a reply.

    Raises
    ------
    DamagedError
        When the bytes differ from those written.
    WxflyError
        When the file cannot be read, or was written by a newer wxfly.
    """
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise WxflyError(f"{path}: there is no such file") from None
    except OSError as fault:
        raise WxflyError(f"{path}: cannot be read ({fault.strerror})") from None
    return unpack(content, str(path))


def pack(reply: PlaceReply) -> bytes:
    """Return the bytes of the file of a reply."""
    head = {
        _MARK: FORMAT,
        "service": reply.service,
        "model": reply.model,
        "site": reply.site,
        "latitude": reply.latitude,
        "longitude": reply.longitude,
        "surface_altitude": reply.surface_altitude if math.isfinite(reply.surface_altitude) else None,
        "asked": list(reply.asked),
        "retrieved": _stamp(reply.retrieved),
        "run": None if reply.run is None else _stamp(reply.run),
        "sha256": hashlib.sha256(reply.body).hexdigest(),
    }
    return gzip.compress(json.dumps(head).encode() + b"\n" + reply.body, _LEVEL, mtime=0)


def unpack(content: bytes, place: str) -> PlaceReply:
    """Read the bytes of a file; `place` names it in the error."""
    line, _, body = _inflated(content, place).partition(b"\n")
    try:
        head = json.loads(line)
        number = head[_MARK]
    except (ValueError, KeyError, TypeError, RecursionError):
        raise DamagedError(f"{place}: damaged, its start is not that of a stored forecast") from None
    if type(number) is not int or number > FORMAT:
        raise WxflyError(
            f"{place}: written by a newer wxfly (format {str(number)[:20]}, this one reads {FORMAT}); upgrade wxfly"
        )
    if hashlib.sha256(body).hexdigest() != head.get("sha256"):
        raise DamagedError(f"{place}: damaged, its checksum does not match")
    try:
        return _reply(head, body)
    except (ValueError, KeyError, TypeError, OverflowError):
        raise WxflyError(f"{place}: its head is not in a form that this wxfly reads") from None


def _inflated(content: bytes, place: str) -> bytes:
    opened = zlib.decompressobj(wbits=31)
    try:
        inside = opened.decompress(content, _LARGEST)
    except zlib.error:
        raise DamagedError(f"{place}: damaged, its checksum does not match") from None
    if opened.unconsumed_tail:
        raise WxflyError(f"{place}: larger than {_LARGEST / 1e6:g} MB when unpacked; refused")
    if not opened.eof:
        raise DamagedError(f"{place}: damaged, it is cut short")
    if opened.unused_data:
        raise DamagedError(f"{place}: damaged, something was added to it")
    return inside


def _reply(head: dict[str, Any], body: bytes) -> PlaceReply:
    asked, altitude, run = head["asked"], head["surface_altitude"], head["run"]
    if not all(isinstance(text, str) for text in (head["service"], head["model"], head["site"], *asked)):
        raise TypeError("head")
    return PlaceReply(
        service=head["service"], model=head["model"], site=head["site"],
        latitude=float(head["latitude"]), longitude=float(head["longitude"]),
        surface_altitude=math.nan if altitude is None else float(altitude), asked=tuple(asked),
        retrieved=_moment(head["retrieved"]), run=None if run is None else _moment(run), body=body,
    )  # fmt: skip


def _stamp(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat()


def _moment(text: str) -> datetime:
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(text)
    return moment
