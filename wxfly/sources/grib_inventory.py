"""Inventories of GRIB2 files: which message lies at which bytes, so that only the needed ones are fetched.

Two forms are read. The ``.idx`` text that NOAA places beside its files has one line for each message, in the layout of
wgrib2: ``number:first byte:d=YYYYMMDDHH:variable:level:time:``. The ``.index`` of ECMWF has one JSON object for each.
"""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from wxfly.pilot.own_files import write_beside
from wxfly.pilot.settings import Settings
from wxfly.sources.http import download
from wxfly.sources.reply import PassingError, Reply, SourceError

INSTANT, SUM, MAXIMUM, OTHER = "instant", "sum", "maximum", "other"
"""What a value stands for: a moment, or the span of its entry; `OTHER` is never chosen."""

_KINDS = {None: INSTANT, "acc": SUM, "max": MAXIMUM}
_HOURS = {"min": 1.0 / 60.0, "hour": 1.0, "day": 24.0}
_STEP = re.compile(r"(?:(\d{1,5})-)?(\d{1,5}) (min|hour|day) ?(?:(acc|max|ave|min) )?fcst")
_LINE = re.compile(
    r"(\d{1,7}(?:\.\d{1,3})?):(\d{1,15}):d=(\d{10})(?:\d{2,4})?:([^:]{1,80}):([^:]{0,120}):([^:]{0,120}):?(.*)"
)
_MEMBER = re.compile(r"ENS=\+?(-?\d{1,4})\b")
_CONTROL = re.compile(r"ENS=(?:low|hi)-res ctl")

JOINED_ACROSS = 100_000
"""Ranges are fetched together across so many bytes between them: less than a request costs at 1 MB/s and 0.1 s."""
LARGEST_JOINED = 4_000_000
"""Longest range of several messages [byte]: on a slow network, what came before a break is kept."""
LARGEST_PART = 64_000_000
"""Longest message [byte]."""
_HEAD, _TAIL, _SHORTEST = b"GRIB", b"7777", 16


@dataclass(frozen=True)
class Entry:
    """One field of a GRIB2 file, as its inventory states it.

    Attributes
    ----------
    number : str
        Number of the message; ``12.2`` is the second field of message 12.
    offset : int
        First byte.
    length : int or None
        Number of bytes; None up to the end of the file.
    reference_time : numpy.datetime64
        Start of the run, UTC.
    variable, level : str
        As the inventory writes them.
    first_hour, last_hour : float
        The span in hours from the start of the run; equal for a moment.
    kind : str
        `INSTANT`, `SUM`, `MAXIMUM` or `OTHER`.
    member : int or None
        Member of an ensemble, 0 for the control; None where it is not stated.
    """

    number: str
    offset: int
    length: int | None
    reference_time: np.datetime64
    variable: str
    level: str
    first_hour: float
    last_hour: float
    kind: str
    member: int | None = None

    def __str__(self) -> str:
        member = "" if self.member is None else f", member {self.member}"
        return f"message {self.number} ({self.variable} {self.level}, {self.last_hour:g} h{member})"


def parse_idx(text: str, what: str) -> list[Entry]:
    """Read an inventory of NOAA.

    Parameters
    ----------
    text : str
        The lines, ``number:first byte:d=YYYYMMDDHH:variable:level:time:`` and perhaps more.
    what : str
        The file, for errors.

    Returns
    -------
    list of Entry
        In the order of the file. A message ends where the next one begins. Fields of one message share their bytes.

    Raises
    ------
    SourceError
        When a line is not one of an inventory, or the bytes do not increase.

    Examples
    --------
    >>> lines = "1:0:d=2026112506:GUST:surface:3 hour fcst:" + chr(10) + "2:900:d=2026112506:VIS:surface:3 hour fcst:"
    >>> [(entry.variable, entry.offset, entry.length) for entry in parse_idx(lines, "an example")]
    [('GUST', 0, 900), ('VIS', 900, None)]
    """
    rows = []
    for count, line in enumerate((line.strip() for line in text.splitlines()), 1):
        if not line:
            continue
        found = _LINE.fullmatch(line)
        if not found:
            raise SourceError(f"{what}: line {count} of its inventory is not 'number:byte:d=time:variable:level:time:'")
        rows.append(found.groups())
    if not rows:
        raise SourceError(f"{what}: its inventory is empty")
    begins = [int(row[1]) for row in rows]
    if any(b < a for a, b in itertools.pairwise(begins)):
        raise SourceError(f"{what}: the bytes in its inventory do not increase")
    edges = sorted(set(begins))
    length = {begin: end - begin for begin, end in itertools.pairwise(edges)}
    entries = []
    for (number, _, run, variable, level, step, rest), begin in zip(rows, begins, strict=True):
        entries.append(
            Entry(number, begin, length.get(begin), _hour(run, what), variable, level, *_span(step), _member(rest))
        )
    return entries


def _span(text: str) -> tuple[float, float, str]:
    """Return first hour, last hour and kind from the time of a line; not a number where it is not understood."""
    if text == "anl":
        return 0.0, 0.0, INSTANT
    found = _STEP.fullmatch(text)
    if not found:
        return np.nan, np.nan, OTHER
    first, last, unit, kind = found.groups()
    end = int(last) * _HOURS[unit]
    if first is None:
        return end, end, INSTANT if kind is None else OTHER
    return int(first) * _HOURS[unit], end, _KINDS.get(kind, OTHER) if kind else OTHER


def _member(rest: str) -> int | None:
    if _CONTROL.search(rest):
        return 0
    found = _MEMBER.search(rest)
    return int(found[1]) if found else None


def _hour(text: str, what: str) -> np.datetime64:
    try:
        return np.datetime64(f"{text[:4]}-{text[4:6]}-{text[6:8]}T{text[8:10]}:00", "ns")
    except ValueError:
        raise SourceError(f"{what}: '{text[:20]}' in its inventory is not a time") from None


def parse_index(text: str, what: str) -> list[Entry]:
    """Read an inventory of ECMWF: one JSON object in each line.

    Parameters
    ----------
    text : str
        The lines.
    what : str
        The file, for errors.

    Returns
    -------
    list of Entry
        In the order of the bytes. The inventory does not state what a value stands for: totals since the start of the
        run and maxima are stated by the message itself, so the kind is `INSTANT`, with one hour for both ends.

    Raises
    ------
    SourceError
        When a line is not such an object.
    """
    entries = []
    for count, line in enumerate(text.splitlines(), 1):
        if not line.strip():
            continue
        try:
            row: Any = json.loads(line)
            run = f"{int(row['date']):08d}{int(row['time']):04d}"
            step = float(str(row["step"]).rpartition("-")[2])
            level = f"{row.get('levtype', '')} {row.get('levelist', '')}".strip()
            offset, length = int(row["_offset"]), int(row["_length"])
            member = int(row["number"]) if "number" in row else 0 if row.get("type") == "cf" else None
            if offset < 0 or length < _SHORTEST or not np.isfinite(step):
                raise ValueError
            entries.append(
                Entry(
                    number=str(count),
                    offset=offset,
                    length=length,
                    reference_time=_hour(run, what),
                    variable=str(row["param"])[:40],
                    level=level[:40],
                    first_hour=step,
                    last_hour=step,
                    kind=INSTANT,
                    member=member,
                )
            )
        except (KeyError, TypeError, ValueError, AttributeError, RecursionError):
            raise SourceError(
                f"{what}: line {count} of its inventory is no object with date, time, step, param, _offset, _length"
            ) from None
    if not entries:
        raise SourceError(f"{what}: its inventory is empty")
    return sorted(entries, key=lambda entry: entry.offset)


def joined_ranges(entries: Iterable[Entry], across: int) -> list[list[Entry]]:
    """Return entries in groups that are fetched with one request each.

    Parameters
    ----------
    entries : iterable of Entry
        Messages of one file, each with its own bytes.
    across : int
        Largest number of bytes between two messages of a group.

    Returns
    -------
    list of list of Entry
        In the order of their bytes. A group of several is at most `LARGEST_JOINED` long.
    """
    groups: list[list[Entry]] = []
    for entry in sorted(entries, key=lambda e: e.offset):
        if groups:
            begin, last = groups[-1][0].offset, groups[-1][-1]
            if last.length is not None and entry.offset - (last.offset + last.length) <= across:
                end = entry.offset + (entry.length or 0)
                if end - begin <= LARGEST_JOINED:
                    groups[-1].append(entry)
                    continue
        groups.append([entry])
    return groups


@dataclass
class GribFile:
    """A GRIB2 file of a service, read by ranges; each message that came is kept as a file of its own.

    Attributes
    ----------
    address : str
        Of the file.
    folder : Path
        Where its messages are kept.
    settings : Settings
        Hosts, User-Agent and patience.
    what : str
        Service and file, for errors.
    """

    address: str
    folder: Path
    settings: Settings
    what: str
    _name: str = field(init=False)

    def __post_init__(self) -> None:
        self._name = self.address.rsplit("/", 1)[-1]

    def inventory(self, address: str, parse: Callable[[str, str], list[Entry]]) -> list[Entry] | None:
        """Return the entries of its inventory; None where the service does not have it."""

        def read(reply: Reply) -> list[Entry] | None:
            return None if reply.status != 200 else parse(reply.body.decode(errors="replace"), self.what)

        return download(address, {}, read, settings=self.settings, what=self.what, accepted=(200, 404))

    def kept(self, entry: Entry) -> Path:
        """Return where a message is kept, there or not."""
        return self.folder / f"{self._name}.{entry.offset}-{'end' if entry.length is None else entry.length}.grib2"

    def fetch(self, entries: Sequence[Entry]) -> list[Path]:
        """Fetch the messages that are not here yet.

        Parameters
        ----------
        entries : sequence of Entry
            What is wanted; fields of one message count once.

        Returns
        -------
        list of Path
            One file for each entry, in their order. Whatever came before a fault is kept.

        Raises
        ------
        SourceError
            When the service does not answer ranges, or a message comes damaged.
        """
        missing = {e.offset: e for e in entries if not _is_whole_file(self.kept(e), e)}
        for group in joined_ranges(missing.values(), JOINED_ACROSS):
            body = self._range(group)
            for entry in group:
                begin = entry.offset - group[0].offset
                part = body[begin:] if entry.length is None else body[begin : begin + entry.length]
                self._keep(entry, part)
        return [self.kept(e) for e in entries]

    def _keep(self, entry: Entry, part: bytes) -> None:
        path = self.kept(entry)
        try:  # one that a power cut spoils is not whole, and is fetched again
            write_beside(path, part, private=True, is_synced=False)
        except OSError as fault:
            raise SourceError(f"{path} could not be written ({fault.strerror}); is the disk full?") from None

    def _range(self, group: Sequence[Entry]) -> bytes:
        first, final = group[0].offset, group[-1]
        last = "" if final.length is None else str(final.offset + final.length - 1)

        def read(reply: Reply) -> bytes:
            found = re.fullmatch(r"bytes (\d+)-(\d+)/(\d+|\*)", reply.headers.get("content-range", ""))
            if reply.status != 206 or not found or int(found[1]) != first:
                raise SourceError(f"{self.what}: the service does not answer ranges of bytes")
            for entry in group:
                begin = entry.offset - first
                part = reply.body[begin:] if entry.length is None else reply.body[begin : begin + entry.length]
                fault = fault_of_message(part, entry.length)
                if fault:
                    raise PassingError(f"{self.what}: {entry} {fault}; try again, what came before is kept")
            return reply.body

        headers = {"Range": f"bytes={first}-{last}", "Accept-Encoding": "identity"}
        return download(
            self.address, {}, read, settings=self.settings, what=self.what, headers=headers, accepted=(200, 206),
            maximum_bytes=LARGEST_PART if final.length is None else final.offset + final.length - first,
        )  # fmt: skip


def fault_of_message(body: bytes, length: int | None) -> str:
    """Return what is wrong with the bytes of a GRIB2 message, in words; empty where they are whole.

    The first section states the length of the message in octets 9 to 16, and the last four are 7777 (WMO Manual on
    Codes, FM 92 GRIB edition 2, sections 0 and 8).
    """
    if body[:4] != _HEAD or len(body) < _SHORTEST:
        return "does not begin as a GRIB message"
    if body[7] != 2:
        return f"is GRIB edition {body[7]}, wanted 2"
    stated = int.from_bytes(body[8:16], "big")
    if stated > len(body) or (length is not None and length > len(body)):
        return "is cut short"
    if length is not None and stated != length:
        return "is not as long as the inventory states"
    if body[stated - 4 : stated] != _TAIL:
        return "does not end as a GRIB message"
    return ""


def _is_whole_file(path: Path, entry: Entry) -> bool:
    try:
        return not fault_of_message(path.read_bytes(), entry.length)
    except OSError:
        return False
