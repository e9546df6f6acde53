"""The ledger: every verdict kept before its hour comes, what was observed then, and how the two compare.

One line of JSON for each entry, only ever added to, one file for each month of hours. A verdict is entered before its
hour begins or not at all; an hour is scored by the first observation entered for it, and an hour without one stays
unscored. The files lie in the pilot's configuration folder: a record of years is nothing to be swept away with a cache.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from wxfly.errors import WxflyError
from wxfly.own_files import make_folder
from wxfly.scoring import Counts, count, economic_value, upper_bound, value_within
from wxfly.settings import config_folder

LEAD_BINS = ((0.0, 24.0), (24.0, 72.0), (72.0, 120.0), (120.0, 400.0))
"""Lead times that are scored apart [h]."""
_SEASONS = ("winter", "spring", "summer", "autumn")
_HOURS_OF_DAY = 6


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
    timely = [v for v in verdicts if _moment(v.told) < _moment(v.hour)]
    return _enter(timely, "verdict", read_verdicts, folder or ledger_folder())


def enter_observations(observations: Iterable[Observation], *, folder: Path | None = None) -> int:
    """Add observations; an hour that has one at its site and height keeps the first.

    Returns
    -------
    int
        How many were added.
    """
    told = [o for o in observations if o.values]
    return _enter(told, "observation", read_observations, folder or ledger_folder())


def _enter(entries: Sequence[Any], kind: str, read: Any, folder: Path) -> int:
    """Add entries to the files of their months, each once."""
    by_month: dict[str, list[Any]] = {}
    for entry in entries:
        by_month.setdefault(entry.hour[:7], []).append(entry)
    added = 0
    for month, listed in by_month.items():
        path = folder / f"{month}.jsonl"
        known = {entry.key for entry in read(path)}
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
    return _read(path, "verdict", Verdict)


def read_observations(path: Path | None = None) -> list[Observation]:
    """Read every observation of one file, or of the whole ledger; a line that is not one is passed over."""
    return _read(path, "observation", Observation)


def _read(path: Path | None, kind: str, make: Any) -> list[Any]:
    found = []
    for file in [path] if path else sorted(ledger_folder().glob("????-??.jsonl")):
        for entry in _entries(file, kind):
            try:
                found.append(make(**entry))
            except TypeError:
                continue
    return found


@dataclass(frozen=True)
class Score:
    """How verdicts of one range of lead times turned out.

    Attributes
    ----------
    lead : tuple of float
        From and to [h].
    counts : Counts
        A warning is a verdict of *outside*; an event an hour in which a limit that can be observed was broken.
    unscored : int
        Verdicts without an observation, and those of *not known*.
    broken_at_most : float
        Upper bound (95 %) of the share of broken hours among those told as *inside* or *narrow*.
    value : float
        Economic value of the warnings at the cost ratio of one in ten, all hours pooled.
    value_within : float
        The same within season and time of day, by the chances told; NaN without chances.
    """

    lead: tuple[float, float]
    counts: Counts
    unscored: int
    broken_at_most: float
    value: float
    value_within: float


COST_RATIO = 0.1


def score(
    verdicts: Sequence[Verdict], observations: Sequence[Observation], *, cost_ratio: float = COST_RATIO
) -> list[Score]:
    """Compare verdicts with observations, by lead time.

    Of several verdicts on an hour within one range of lead times the last one told counts. An hour is broken when an
    observed value is above the limit that its verdict was held against.
    """
    came: dict[tuple[str, float, str], Observation] = {}
    for observation in observations:
        came.setdefault(observation.key, observation)
    scores = []
    for low, high in LEAD_BINS:
        latest: dict[tuple[object, ...], Verdict] = {}
        for verdict in verdicts:
            if low <= lead_hours(verdict) < high:
                key = (verdict.site, verdict.aircraft, verdict.height, verdict.hour)
                if key not in latest or latest[key].told < verdict.told:
                    latest[key] = verdict
        if latest:
            scores.append(_score_bin((low, high), list(latest.values()), came, cost_ratio))
    return scores


def _score_bin(
    lead: tuple[float, float],
    verdicts: Sequence[Verdict],
    came: Mapping[tuple[str, float, str], Observation],
    cost_ratio: float,
) -> Score:
    warned, broken, chances, strata = [], [], [], []
    for verdict in verdicts:
        observation = came.get((verdict.site, verdict.height, verdict.hour))
        if observation is None or verdict.state == "not known":
            continue
        shared = [n for n in verdict.limits if n in observation.values]
        if not shared:
            continue
        warned.append(verdict.state == "outside")
        broken.append(any(observation.values[n] > verdict.limits[n] for n in shared))
        chances.append(np.nan if verdict.chance is None else 1.0 - verdict.chance)
        strata.append(stratum(verdict))
    counts = count(warned, broken)
    told = np.isfinite(chances)
    within = (
        value_within(
            np.array(chances)[told], np.array(broken)[told], [s for s, t in zip(strata, told, strict=True) if t],
            cost_ratio,
        )
        if told.any() else np.nan
    )  # fmt: skip
    return Score(
        lead=lead,
        counts=counts,
        unscored=len(verdicts) - counts.cases,
        broken_at_most=upper_bound(*counts.broken_when_cleared),
        value=economic_value(counts.hit_rate, counts.false_alarm_rate, counts.base_rate, cost_ratio),
        value_within=within,
    )


def lead_hours(verdict: Verdict) -> float:
    """Give the lead time of a verdict [h]: from the start of the run, or from when it was told."""
    return float((_moment(verdict.hour) - _moment(verdict.run or verdict.told)) / np.timedelta64(1, "h"))


def stratum(verdict: Verdict) -> tuple[str, int]:
    """Give season and quarter of the day, by the sun of the place, in which an hour lies."""
    hour = _moment(verdict.hour)
    month = int(hour.astype("datetime64[M]").astype(int)) % 12
    season = (month + 1) % 12 // 3
    if verdict.latitude < 0:
        season = (season + 2) % 4
    solar = (float((hour - hour.astype("datetime64[D]")) / np.timedelta64(1, "h")) + verdict.longitude / 15) % 24
    return _SEASONS[season], int(solar // _HOURS_OF_DAY)


def _moment(text: str) -> np.datetime64:
    return np.datetime64(text.rstrip("Z"), "s")
