"""The ledger: every verdict, recorded before its hour comes, and the observations of that hour.

Each entry is one line of JSON. Lines are only added, to one file for each month of hours. A verdict is entered before
its hour begins or not at all. An hour is scored by the first observation entered for it; without one it stays unscored.
The files are in the pilot's configuration folder, so that a record of years is not deleted with a cache.
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
"""Greatest length of a line [bytes]."""
_LARGEST = 1e9
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")


@dataclass(frozen=True)
class Verdict:
    """The reported result of one hour.

    Attributes
    ----------
    site, aircraft : str
        Their names.
    latitude, longitude, height : float
        Position [degree] and flight height [m].
    hour, told, run : str
        Start of the hour, time of the answer and start of the run, ISO 8601 in UTC with ``Z``; `run` is empty
        where unknown.
    model : str
        Model of the forecast.
    state : str
        ``inside``, ``narrow``, ``outside`` or ``not known``.
    margin, chance : float or None
        None where unknown or not reported.
    limiting_element : str
        The element that decided.
    limits : mapping
        Limits of the elements that can be observed, in SI units.
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
        """Return what identifies the verdict: a repeat from the same run is not entered twice."""
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
    """The period chosen from a run's best window, as recorded in the ledger.

    Attributes
    ----------
    question, site, aircraft, model : str
        Names of the question, the site, the aircraft and the forecast model.
    height : float
        Flight height [m].
    duration : int
        Length of the period that the question asked for [s].
    limits : mapping
        Limits of wind and gust, and of launch and hold where there are any, in SI units.
    hour, end : str
        Start and end of the period, ISO 8601 in UTC with ``Z``.
    told, run : str
        Time of the answer and start of the run.
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
        """Return what was asked."""
        limits = tuple(sorted(self.limits.items()))
        return self.question, self.site, self.aircraft, self.model, self.height, self.duration, limits

    @property
    def key(self) -> tuple[object, ...]:
        """Return what identifies the choice: a repeat from the same run for the same day is not entered twice."""
        return self.asked, self.run, self.hour[:10]

    def __post_init__(self) -> None:
        _check_moments(hour=self.hour, end=self.end, told=self.told, run=self.run)
        _check_numbers(self.height, self.duration, *self.limits.values())


@dataclass(frozen=True)
class Observation:
    """The observed values of one hour.

    Attributes
    ----------
    site : str
        Name of the site.
    height : float
        Height to which the values were converted: the flight height of the verdicts they are compared with [m].
    hour : str
        Start of the hour, ISO 8601 in UTC with ``Z``.
    values : mapping
        Values by element, in SI units.
    source : str
        Who measured them.
    """

    site: str
    height: float
    hour: str
    values: Mapping[str, float]
    source: str

    @property
    def key(self) -> tuple[str, float, str]:
        """Return what identifies the observation: of several, the first one stays."""
        return self.site, self.height, self.hour

    def __post_init__(self) -> None:
        _check_moments(hour=self.hour)
        _check_numbers(self.height, *self.values.values())


def _check_moments(**moments: str) -> None:
    for name, text in moments.items():
        if not _MOMENT.fullmatch(text):
            raise ValueError(f"{name} is '{text[:40]}'; wanted a time such as 2026-06-10T12:00:00Z")
        moment(text)


def _check_numbers(*numbers: float) -> None:
    for number in numbers:
        if not abs(number) <= _LARGEST:
            raise ValueError(f"a number beyond {_LARGEST:g} does not belong in a ledger")


Entry = Verdict | Chosen | Observation
_Kind = TypeVar("_Kind", Verdict, Chosen, Observation)
KINDS: dict[str, type[Entry]] = {"verdict": Verdict, "choice": Chosen, "observation": Observation}
"""The kinds of entries, by the word in a line that names its kind."""


@dataclass(frozen=True)
class Ledger:
    """The contents of a ledger.

    Attributes
    ----------
    entries : tuple
        The entries, in the order in which they were made.
    set_aside : tuple of SetAside
        Lines that cannot be read; they stay in their files.
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
    """Add verdicts, except those made after their hour began and those entered before.

    Returns
    -------
    int
        The number added.
    """
    timely = [v for v in verdicts if moment(v.told) < moment(v.hour)]
    return enter(timely, folder or ledger_folder())


def enter_observations(observations: Iterable[Observation], *, folder: Path | None = None) -> int:
    """Add observations; an hour that has one at its site and height keeps the first.

    Returns
    -------
    int
        The number added.
    """
    told = [o for o in observations if o.values]
    return enter(told, folder or ledger_folder())


def enter(entries: Sequence[Entry], folder: Path) -> int:
    """Add entries to the files of the months of their hours, each once; return the number added."""
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
        # One write in append mode: two programs running at once do not mix their lines.
        descriptor = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT, 0o600)
        try:
            # A line that a crash cut short stays a separate line.
            end = os.lseek(descriptor, 0, os.SEEK_END)
            cut_short = end > 0 and os.lseek(descriptor, end - 1, os.SEEK_SET) >= 0 and os.read(descriptor, 1) != b"\n"
            os.write(descriptor, (("\n" if cut_short else "") + lines).encode())
        finally:
            os.close(descriptor)
    except OSError as fault:
        raise WxflyError(f"the ledger {path} cannot be written ({fault.strerror})") from None


def read_ledger(path: Path | None = None) -> Ledger:
    """Read one file, or the whole ledger; a line that cannot be read is set aside and affects no other."""
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
                except (ValueError, RecursionError) as fault:  # msgspec raises these too
                    set_aside.append(SetAside(path, number, str(fault)))
    except OSError as fault:
        set_aside.append(SetAside(path, None, f"cannot be read ({fault.strerror})"))


@dataclass(frozen=True)
class _Word:
    """The first field of a line: its kind."""

    entry: str


def read_verdicts(path: Path | None = None) -> list[Verdict]:
    """Read every verdict of one file, or of the whole ledger."""
    return read_ledger(path).of(Verdict)


def read_observations(path: Path | None = None) -> list[Observation]:
    """Read every observation of one file, or of the whole ledger."""
    return read_ledger(path).of(Observation)


def moment(text: str) -> np.datetime64:
    """Read a time of the ledger, ISO 8601 with ``Z``."""
    return np.datetime64(text.rstrip("Z"), "s")
