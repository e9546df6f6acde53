"""One file of the store: a service's unchanged reply for one place, after a line that describes it.

A file is gzip, so that any tool opens it (``zcat FILE | head -1``). Unpacked, it is one line of JSON, the head, and
then the reply, byte for byte. The head has the SHA-256 of the reply; the checksum of gzip protects the head itself.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import math
import zlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from wxfly.errors import DamagedError, WxflyError
from wxfly.pilot.own_files import write_beside
from wxfly.sources.place_reply import PlaceReply

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
        raise WxflyError(f"{place}: written by a newer wxfly (format {str(number)[:20]}, this one reads {FORMAT})")
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
