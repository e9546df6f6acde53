"""The ledger: every verdict kept before its hour comes, and what was observed then.

One line of JSON for each entry, only ever added to, one file for each month of hours. A verdict is entered before its
hour begins or not at all; an hour is scored by the first observation entered for it, and an hour without one stays
unscored. The files lie in the pilot's configuration folder: a record of years is nothing to be swept away with a cache.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from wxfly.assessment.state import STATE_WORDS
from wxfly.errors import WxflyError
from wxfly.pilot.own_files import SetAside, make_folder, plain
from wxfly.pilot.settings import config_folder

LONGEST_LINE = 1 << 16
"""A line of an entry is shorter [bytes]."""
_LARGEST = 1e9
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")


@dataclass(frozen=True)
class Verdict:
    """What was told of one hour.

    Attributes
    ----------
    site, aircraft : str
        Where and with what.
    latitude, longitude, height : float
        [degree], [m].
    hour, told, run : str
        Start of the hour, moment of the answer and start of the run, ISO 8601 in UTC with ``Z``; `run` is empty
        where it was not known.
    model : str
        Of the forecast.
    state : str
        ``inside``, ``narrow``, ``outside`` or ``not known``.
    margin, chance : float or None
        None where not known or not told.
    limiting_element : str
        The one that decided.
    limits : mapping
        Of the elements that can be observed, SI.
    """

    site: str
    aircraft: str
    latitude: float
    longitude: float
    height: float
    hour: str
    told: str
    run: str
    model: str
    state: str
    margin: float | None
    chance: float | None
    limiting_element: str
    limits: Mapping[str, float]

    @property
    def key(self) -> tuple[object, ...]:
        """What makes it the same verdict: told again of the same run it is not entered twice."""
        return (
            self.site, self.aircraft, self.latitude, self.longitude, self.height, self.hour, self.run or self.told,
            self.model, tuple(sorted(self.limits.items())),
        )  # fmt: skip

    def __post_init__(self) -> None:
        _check_moments(hour=self.hour, told=self.told, **({"run": self.run} if self.run else {}))
        _check_numbers(self.latitude, self.longitude, self.height, *self.limits.values())
        if self.state not in STATE_WORDS:
            raise ValueError(f"a state of '{self.state}'; wanted {', '.join(STATE_WORDS)}")
        if self.chance is not None and not 0.0 <= self.chance <= 1.0:
            raise ValueError(f"a chance of {self.chance}; wanted 0 to 1")


@dataclass(frozen=True)
class Chosen:
    """The stretch that a run's best window was chosen for, as the ledger keeps it.

    Attributes
    ----------
    question, site, aircraft, model : str
        Of which question; where, with what, of which forecasts.
    height : float
        [m]
    duration : int
        Length of the stretch that was looked for [s].
    limits : mapping
        Of wind and gust, and of launch and hold where there are any, SI.
    hour, end : str
        Start and end of the stretch, ISO 8601 in UTC with ``Z``.
    told, run : str
        Moment of the answer and start of the run.
    """

    question: str
    site: str
    aircraft: str
    model: str
    height: float
    duration: int
    limits: Mapping[str, float]
    hour: str
    end: str
    told: str
    run: str

    @property
    def asked(self) -> tuple[object, ...]:
        """What it was the answer to."""
        limits = tuple(sorted(self.limits.items()))
        return self.question, self.site, self.aircraft, self.model, self.height, self.duration, limits

    @property
    def key(self) -> tuple[object, ...]:
        """What makes it the same choice: told again of the same run for the same day it is not entered twice."""
        return self.asked, self.run, self.hour[:10]

    def __post_init__(self) -> None:
        _check_moments(hour=self.hour, end=self.end, told=self.told, run=self.run)
        _check_numbers(self.height, self.duration, *self.limits.values())


@dataclass(frozen=True)
class Observation:
    """What came in one hour.

    Attributes
    ----------
    site : str
        Where.
    height : float
        To which the values were carried, the flight height of the verdicts that they are held against [m].
    hour : str
        Its start, ISO 8601 in UTC with ``Z``.
    values : mapping
        By element, SI.
    source : str
        Who measured.
    """

    site: str
    height: float
    hour: str
    values: Mapping[str, float]
    source: str

    @property
    def key(self) -> tuple[str, float, str]:
        """What makes it the same observation: the first one stays."""
        return self.site, self.height, self.hour

    def __post_init__(self) -> None:
        _check_moments(hour=self.hour)
        _check_numbers(self.height, *self.values.values())


def _check_moments(**moments: str) -> None:
    for name, text in moments.items():
        if not _MOMENT.fullmatch(text):
            raise ValueError(f"{name} is '{text[:40]}'; wanted a moment such as 2026-06-10T12:00:00Z")
        moment(text)


def _check_numbers(*numbers: float) -> None:
    for number in numbers:
        if not abs(number) <= _LARGEST:
            raise ValueError(f"a number beyond {_LARGEST:g} is none of a ledger")


Entry = Verdict | Chosen | Observation
_Kind = TypeVar("_Kind", Verdict, Chosen, Observation)
KINDS: dict[str, type[Entry]] = {"verdict": Verdict, "choice": Chosen, "observation": Observation}
"""The kinds of entries by the word that a line says of itself."""


@dataclass(frozen=True)
class Ledger:
    """What a ledger holds.

    Attributes
    ----------
    entries : tuple
        In the order in which they were entered.
    set_aside : tuple of SetAside
        Lines that cannot be read; they stay where they are.
    """

    entries: tuple[Entry, ...]
    set_aside: tuple[SetAside, ...]

    def of(self, kind: type[_Kind]) -> list[_Kind]:
        """Return the entries of a kind."""
        return [entry for entry in self.entries if isinstance(entry, kind)]


def ledger_folder() -> Path:
    """Return the folder of the ledger."""
    return config_folder() / "ledger"


def enter_verdicts(verdicts: Iterable[Verdict], *, folder: Path | None = None) -> int:
    """Add verdicts; those whose hour has begun when they were told, and those entered before, are left out.

    Returns
    -------
    int
        How many were added.
    """
    timely = [v for v in verdicts if moment(v.told) < moment(v.hour)]
    return enter(timely, folder or ledger_folder())


def enter_observations(observations: Iterable[Observation], *, folder: Path | None = None) -> int:
    """Add observations; an hour that has one at its site and height keeps the first.

    Returns
    -------
    int
        How many were added.
    """
    told = [o for o in observations if o.values]
    return enter(told, folder or ledger_folder())


def enter(entries: Sequence[Entry], folder: Path) -> int:
    """Add entries to the files of the months of their hours, each once; give how many were added."""
    words = {kind: word for word, kind in KINDS.items()}
    by_month: dict[str, list[Entry]] = {}
    for entry in entries:
        by_month.setdefault(entry.hour[:7], []).append(entry)
    added = 0
    for month, listed in by_month.items():
        path = folder / f"{month}.jsonl"
        known = {(type(entry), entry.key) for entry in read_ledger(path).entries}
        fresh = []
        for entry in listed:
            if (type(entry), entry.key) not in known:
                known.add((type(entry), entry.key))
                fresh.append({"entry": words[type(entry)]} | asdict(entry))
        _append(path, fresh)
        added += len(fresh)
    return added


def _append(path: Path, entries: Sequence[Mapping[str, Any]]) -> None:
    if not entries:
        return
    lines = "".join(json.dumps(entry, ensure_ascii=False, allow_nan=False) + "\n" for entry in entries)
    try:
        make_folder(path.parent)
        # One write to a file opened for appending: two programs at once do not mix their lines.
        descriptor = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT, 0o600)
        try:
            # A line that a crash cut short stays a line of its own.
            end = os.lseek(descriptor, 0, os.SEEK_END)
            cut_short = end > 0 and os.lseek(descriptor, end - 1, os.SEEK_SET) >= 0 and os.read(descriptor, 1) != b"\n"
            os.write(descriptor, (("\n" if cut_short else "") + lines).encode())
        finally:
            os.close(descriptor)
    except OSError as fault:
        raise WxflyError(f"the ledger {path} cannot be written ({fault.strerror})") from None


def read_ledger(path: Path | None = None) -> Ledger:
    """Read one file, or the whole ledger; a line that cannot be read is set aside, and costs no other."""
    entries: list[Entry] = []
    set_aside: list[SetAside] = []
    for file in [path] if path else sorted(ledger_folder().glob("????-??.jsonl")):
        _read_file(file, entries, set_aside)
    return Ledger(tuple(entries), tuple(set_aside))


def _read_file(path: Path, entries: list[Entry], set_aside: list[SetAside]) -> None:
    import msgspec

    word = msgspec.json.Decoder(_Word)
    kinds = {name: msgspec.json.Decoder(kind) for name, kind in KINDS.items()}
    number = 0
    try:
        if not path.exists() and not path.is_symlink():
            return
        if not path.is_file():
            raise OSError(None, "not a file")
        with path.open("rb") as file:
            while line := file.readline(LONGEST_LINE):
                number += 1
                if not line.strip():
                    continue
                try:
                    if len(line) == LONGEST_LINE:
                        while (rest := file.readline(LONGEST_LINE)) and not rest.endswith(b"\n"):
                            pass
                        raise ValueError(f"longer than {LONGEST_LINE} bytes")
                    kind = word.decode(line).entry
                    if kind not in kinds:
                        raise ValueError(f"an entry called '{plain(kind[:40])}'; known are {', '.join(kinds)}")
                    entries.append(kinds[kind].decode(line))
                except (ValueError, RecursionError) as fault:  # of msgspec as well
                    set_aside.append(SetAside(path, number, str(fault)))
    except OSError as fault:
        set_aside.append(SetAside(path, None, f"cannot be read ({fault.strerror})"))


@dataclass(frozen=True)
class _Word:
    """What a line says first: of which kind it is."""

    entry: str


def read_verdicts(path: Path | None = None) -> list[Verdict]:
    """Read every verdict of one file, or of the whole ledger."""
    return read_ledger(path).of(Verdict)


def read_observations(path: Path | None = None) -> list[Observation]:
    """Read every observation of one file, or of the whole ledger."""
    return read_ledger(path).of(Observation)


def moment(text: str) -> np.datetime64:
    """Read a moment of the ledger, ISO 8601 with ``Z``."""
    return np.datetime64(text.rstrip("Z"), "s")
