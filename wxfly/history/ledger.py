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

from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.assessment.forecast_error import hours_of_models
from wxfly.assessment.suitability import STATE_WORDS, State
from wxfly.errors import WxflyError
from wxfly.history.verification import LEADS
from wxfly.physics.probability import Counts, count, economic_value, upper_bound, value_within
from wxfly.pilot.own_files import SetAside, make_folder, plain
from wxfly.pilot.settings import config_folder

LONGEST_LINE = 1 << 16
"""Greatest length of a line [bytes]."""
_LARGEST = 1e9
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")


@dataclass(frozen=True)
class HourVerdict:
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


@dataclass(frozen=True)
class Withdrawal:
    """A mark that the observations of one hour, entered before it, do not count any more. They stay in the file.

    Attributes
    ----------
    site : str
        Name of the site.
    hour : str
        Start of the hour, ISO 8601 in UTC with ``Z``.
    told : str
        Time of the withdrawal.
    reason : str
        In the pilot's words; empty for none.
    """

    site: str
    hour: str
    told: str
    reason: str

    @property
    def key(self) -> tuple[str, str, str]:
        """Return what identifies the withdrawal."""
        return self.site, self.hour, self.told

    def __post_init__(self) -> None:
        _check_moments(hour=self.hour, told=self.told)


def _check_moments(**moments: str) -> None:
    for name, text in moments.items():
        if not _MOMENT.fullmatch(text):
            raise ValueError(f"{name} is '{text[:40]}'; wanted a time such as 2026-06-10T12:00:00Z")
        moment(text)


def _check_numbers(*numbers: float) -> None:
    for number in numbers:
        if not abs(number) <= _LARGEST:
            raise ValueError(f"a number beyond {_LARGEST:g} does not belong in a ledger")


Entry = HourVerdict | Chosen | Observation | Withdrawal
_Kind = TypeVar("_Kind", HourVerdict, Chosen, Observation, Withdrawal)
KINDS: dict[str, type[Entry]] = {
    "verdict": HourVerdict, "choice": Chosen, "observation": Observation, "withdrawal": Withdrawal,
}  # fmt: skip
"""The kinds of entries, by the word in a line that names its kind."""
_WORDS = {kind: word for word, kind in KINDS.items()}


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
        """Return the entries of a kind that count: an observation that was withdrawn after it does not."""
        return [entry for entry in self.counting() if isinstance(entry, kind)]

    def counting(self) -> list[Entry]:
        """Return every entry but the observations that were withdrawn after they were entered."""
        withdrawn = {(e.site, e.hour): i for i, e in enumerate(self.entries) if isinstance(e, Withdrawal)}
        return [
            entry
            for i, entry in enumerate(self.entries)
            if not (isinstance(entry, Observation) and withdrawn.get((entry.site, entry.hour), -1) > i)
        ]


def ledger_folder() -> Path:
    """Return the folder of the ledger."""
    return config_folder() / "ledger"


def month_file(month: str) -> Path:
    """Return the path of the entries of a month, such as ``2026-06``."""
    return ledger_folder() / f"{month}.jsonl"


def enter_verdicts(verdicts: Iterable[HourVerdict]) -> int:
    """Add verdicts, except those made after their hour began and those entered before.

    Returns
    -------
    int
        The number added.
    """
    timely = [v for v in verdicts if moment(v.told) < moment(v.hour)]
    return enter(timely)


def enter_observations(observations: Iterable[Observation]) -> int:
    """Add observations; an hour that has one at its site and height keeps the first.

    Returns
    -------
    int
        The number added.
    """
    return enter([o for o in observations if o.values])


def withdraw_observations(
    site: str, start: np.datetime64, end: np.datetime64, *, now: np.datetime64, reason: str = ""
) -> int:
    """Withdraw what was observed at a site in the hours of a period, so that it counts no more.

    Parameters
    ----------
    site : str
        Its name.
    start, end : numpy.datetime64
        UTC; hours that start at `start` or later and before `end`.
    now : numpy.datetime64
        UTC.
    reason : str, optional
        In the pilot's words.

    Returns
    -------
    int
        The number of hours withdrawn.
    """
    hours = {o.hour for o in read_ledger().of(Observation) if o.site == site and start <= moment(o.hour) < end}
    told = f"{now.astype('datetime64[s]')}Z"
    for hour in sorted(hours):
        mark = Withdrawal(site, hour, told, reason)
        _append(month_file(hour[:7]), [{"entry": _WORDS[Withdrawal]} | asdict(mark)])
    return len(hours)


def enter(entries: Sequence[Entry]) -> int:
    """Add entries to the files of the months of their hours, each once; return the number added."""
    by_month: dict[str, list[Entry]] = {}
    for entry in entries:
        by_month.setdefault(entry.hour[:7], []).append(entry)
    added = 0
    for month, listed in by_month.items():
        path = month_file(month)
        known = {(type(entry), entry.key) for entry in read_ledger(path).counting()}
        fresh = []
        for entry in listed:
            if (type(entry), entry.key) not in known:
                known.add((type(entry), entry.key))
                fresh.append({"entry": _WORDS[type(entry)]} | asdict(entry))
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
        raise WxflyError(
            f"the ledger {path} cannot be written ({fault.strerror}); "
            "make its folder writable, or set WXFLY_CONFIG to another"
        ) from None


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


def read_verdicts(path: Path | None = None) -> list[HourVerdict]:
    """Read every verdict of one file, or of the whole ledger."""
    return read_ledger(path).of(HourVerdict)


def read_observations() -> list[Observation]:
    """Read every observation of the ledger."""
    return read_ledger().of(Observation)


def moment(text: str) -> np.datetime64:
    """Read a time of the ledger, ISO 8601 with ``Z``."""
    return np.datetime64(text.rstrip("Z"), "s")


def verdicts_of(briefing: Briefing) -> list[HourVerdict]:
    """Return a verdict on every daylight hour of a briefing, for the ledger; none for answers with a sortie."""
    run = briefing.provenance.run
    started = "" if np.isnat(run) else f"{run.astype('datetime64[s]')}Z"
    told = f"{briefing.now.astype('datetime64[s]')}Z"
    # An anemometer cannot show whether a sortie would have come home, so such answers cannot be scored.
    scored = (answer for answer in briefing.answers if answer.request.sortie is None)
    return [v for answer in scored for v in _verdicts(answer, told, started, briefing.provenance.model)]


def _verdicts(answer: SiteAnswer, told: str, run: str, model: str) -> list[HourVerdict]:
    by_model = hours_of_models(answer.conditions)
    own = {i: name for name, here in by_model.items() for i in np.flatnonzero(here)} if len(by_model) > 1 else {}
    assessment, request = answer.assessment, answer.request
    lit = assessment["usable_end"].values > assessment["usable_start"].values
    chances = None if answer.site_chance is None else answer.site_chance.hours.values
    limits = {"wind": request.limits.maximum_wind, "gust": request.limits.maximum_gust}
    return [
        HourVerdict(
            site=request.site.name,
            aircraft=request.aircraft.name,
            latitude=request.site.latitude,
            longitude=request.site.longitude,
            height=float(request.height),
            hour=f"{assessment['time'].values[i].astype('datetime64[s]')}Z",
            told=told,
            run=run,
            model=own.get(i, model),
            state=State(int(assessment["state"].values[i])).words,
            margin=_plain(assessment["hour_margin"].values[i]),
            chance=None if chances is None else _plain(chances[i]),
            limiting_element=str(assessment["limiting_element"].values[i]),
            limits=limits,
        )
        for i in np.flatnonzero(lit)
    ]


def _plain(value: float) -> float | None:
    return round(float(value), 4) if np.isfinite(value) else None


def earlier_runs(answer: SiteAnswer, verdicts: Sequence[HourVerdict]) -> tuple[tuple[str, float], ...]:
    """Return the chances from earlier runs of the same model for the most probable period of the best window.

    Parameters
    ----------
    answer : SiteAnswer
        The answer for one site.
    verdicts : sequence of HourVerdict
        Verdicts on its hours, from `verdicts_of`.

    Returns
    -------
    tuple of (str, float)
        Start of each earlier run, oldest first, and the smallest chance of its hours. Runs that did not judge all of
        the hours, with the same aircraft, height and limits, are left out.
    """
    if answer.best is None or not verdicts:
        return ()
    stretch = answer.best.surest or answer.best
    hours = answer.assessment["time"].values[stretch.first : stretch.last + 1]
    asked = {f"{h.astype('datetime64[s]')}Z" for h in hours}
    now = next((v for v in verdicts if v.hour in asked and v.site == answer.request.site.name), None)
    if now is None or not now.run:
        return ()
    own = {v.hour: v.model for v in verdicts if v.site == now.site}
    by_run: dict[str, dict[str, float]] = {}
    for month in sorted({hour[:7] for hour in asked}):
        for earlier in read_verdicts(month_file(month)):
            same = (earlier.site, earlier.aircraft, earlier.height, earlier.model, dict(earlier.limits)) == (
                now.site, now.aircraft, now.height, own.get(earlier.hour), dict(now.limits)
            )  # fmt: skip
            if same and earlier.hour in asked and earlier.run and earlier.run < now.run and earlier.chance is not None:
                by_run.setdefault(earlier.run, {})[earlier.hour] = earlier.chance
    return tuple((run, min(chances.values())) for run, chances in sorted(by_run.items()) if set(chances) == asked)


_SEASONS = ("winter", "spring", "summer", "autumn")
_HOURS_OF_DAY = 6


@dataclass(frozen=True)
class Score:
    """The score of the verdicts of one range of lead times.

    Attributes
    ----------
    lead : tuple of float
        Start and end of the range [h].
    counts : Counts
        A warning is a verdict of *outside*; an event is an hour in which an observable limit was exceeded.
    unscored : int
        Number of verdicts without an observation, and of verdicts *not known*.
    broken_at_most : float
        Upper bound (95 %) of the share of hours outside a limit, among those reported as *inside* or *narrow*.
    value : float
        Economic value of the warnings at `COST_RATIO`, all hours pooled.
    value_within : float
        The same within season and time of day, from the reported chances; NaN without chances.
    """

    lead: tuple[float, float]
    counts: Counts
    unscored: int
    broken_at_most: float
    value: float
    value_within: float


COST_RATIO = 0.1
"""Cost of heeding a warning, as a share of the loss that it avoids [1]: a value of ours."""


def score(verdicts: Sequence[HourVerdict], observations: Sequence[Observation]) -> list[Score]:
    """Compare verdicts with observations, by lead time.

    Where one range of lead times has several verdicts on an hour, the last one counts. An hour counts as broken when
    an observed value is above the limit of its verdict.
    """
    came: dict[tuple[str, float, str], Observation] = {}
    for observation in observations:
        came.setdefault(observation.key, observation)
    scores = []
    for low, high in LEADS:
        latest: dict[tuple[object, ...], HourVerdict] = {}
        for verdict in verdicts:
            if low <= lead_hours(verdict) < high:
                key = (verdict.site, verdict.aircraft, verdict.height, verdict.hour)
                if key not in latest or latest[key].told < verdict.told:
                    latest[key] = verdict
        if latest:
            scores.append(_score_bin((low, high), list(latest.values()), came))
    return scores


def _score_bin(
    lead: tuple[float, float],
    verdicts: Sequence[HourVerdict],
    came: Mapping[tuple[str, float, str], Observation],
) -> Score:
    warned, broken, chances, strata = [], [], [], []
    for verdict in verdicts:
        observation = came.get((verdict.site, verdict.height, verdict.hour))
        if observation is None or verdict.state == State.NOT_KNOWN.words:
            continue
        shared = [n for n in verdict.limits if n in observation.values]
        if not shared:
            continue
        warned.append(verdict.state == State.OUTSIDE.words)
        broken.append(any(observation.values[n] > verdict.limits[n] for n in shared))
        chances.append(np.nan if verdict.chance is None else 1.0 - verdict.chance)
        strata.append(stratum(verdict))
    counts = count(warned, broken)
    known = np.isfinite(chances)
    within = (
        value_within(
            np.array(chances)[known], np.array(broken)[known], [s for s, k in zip(strata, known, strict=True) if k],
            COST_RATIO,
        )
        if known.any() else np.nan
    )  # fmt: skip
    return Score(
        lead=lead,
        counts=counts,
        unscored=len(verdicts) - counts.cases,
        broken_at_most=upper_bound(*counts.broken_when_cleared),
        value=economic_value(counts.hit_rate, counts.false_alarm_rate, counts.base_rate, COST_RATIO),
        value_within=within,
    )


def lead_hours(verdict: HourVerdict) -> float:
    """Return the lead time of a verdict [h], from the start of the run or, where unknown, the time of the answer."""
    return float((moment(verdict.hour) - moment(verdict.run or verdict.told)) / np.timedelta64(1, "h"))


def stratum(verdict: HourVerdict) -> tuple[str, int]:
    """Return the season and, by local solar time, the quarter of the day of an hour."""
    hour = moment(verdict.hour)
    month = int(hour.astype("datetime64[M]").astype(int)) % 12
    season = (month + 1) % 12 // 3
    if verdict.latitude < 0:
        season = (season + 2) % 4
    solar = (float((hour - hour.astype("datetime64[D]")) / np.timedelta64(1, "h")) + verdict.longitude / 15) % 24
    return _SEASONS[season], int(solar // _HOURS_OF_DAY)
