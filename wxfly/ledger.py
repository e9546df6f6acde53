"""The ledger: every verdict kept before its hour comes, and what was observed then.

One line of JSON for each entry, only ever added to, one file for each month of hours. A verdict is entered before its
hour begins or not at all; an hour is scored by the first observation entered for it, and an hour without one stays
unscored. The files lie in the pilot's configuration folder: a record of years is nothing to be swept away with a cache.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from wxfly.errors import WxflyError
from wxfly.own_files import make_folder
from wxfly.settings import config_folder


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


def ledger_folder() -> Path:
    """Give the folder of the ledger."""
    return config_folder() / "ledger"


def enter_verdicts(verdicts: Iterable[Verdict], *, folder: Path | None = None) -> int:
    """Add verdicts; those whose hour has begun when they were told, and those entered before, are left out.

    Returns
    -------
    int
        How many were added.
    """
    timely = [v for v in verdicts if moment(v.told) < moment(v.hour)]
    return enter(timely, "verdict", read_verdicts, folder or ledger_folder())


def enter_observations(observations: Iterable[Observation], *, folder: Path | None = None) -> int:
    """Add observations; an hour that has one at its site and height keeps the first.

    Returns
    -------
    int
        How many were added.
    """
    told = [o for o in observations if o.values]
    return enter(told, "observation", read_observations, folder or ledger_folder())


def enter(entries: Sequence[Any], kind: str, read_known: Callable[[Path], Sequence[Any]], folder: Path) -> int:
    """Add entries of one kind, each with an ``hour`` and a ``key``, to the files of their months, each once."""
    by_month: dict[str, list[Any]] = {}
    for entry in entries:
        by_month.setdefault(entry.hour[:7], []).append(entry)
    added = 0
    for month, listed in by_month.items():
        path = folder / f"{month}.jsonl"
        known = {entry.key for entry in read_known(path)}
        fresh = []
        for entry in listed:
            if entry.key not in known:
                known.add(entry.key)
                fresh.append({"entry": kind} | asdict(entry))
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


def _entries(path: Path, kind: str) -> Iterable[dict[str, Any]]:
    try:
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    except FileNotFoundError:
        return
    except OSError as fault:
        raise WxflyError(f"the ledger {path} cannot be read ({fault.strerror})") from None
    for line in lines:
        try:
            entry = json.loads(line)
        except ValueError:
            continue  # cut short by a crash: that entry is lost, the others are not
        if isinstance(entry, dict) and entry.pop("entry", None) == kind:
            yield entry


def read_verdicts(path: Path | None = None) -> list[Verdict]:
    """Read every verdict of one file, or of the whole ledger; a line that is not one is passed over."""
    return read_entries(path, "verdict", Verdict)


def read_observations(path: Path | None = None) -> list[Observation]:
    """Read every observation of one file, or of the whole ledger; a line that is not one is passed over."""
    return read_entries(path, "observation", Observation)


def read_entries(path: Path | None, kind: str, make: Callable[..., Any]) -> list[Any]:
    """Read the entries of one kind of one file, or of the whole ledger; a line that is not one is passed over."""
    found = []
    for file in [path] if path else sorted(ledger_folder().glob("????-??.jsonl")):
        for entry in _entries(file, kind):
            try:
                found.append(make(**entry))
            except TypeError:
                continue
    return found


def moment(text: str) -> np.datetime64:
    """Read a moment of the ledger, ISO 8601 with ``Z``."""
    return np.datetime64(text.rstrip("Z"), "s")
