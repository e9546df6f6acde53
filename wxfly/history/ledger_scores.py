"""Verdicts of the ledger compared with observations, by lead time, within season and time of day.

An hour is scored by the first observation entered for it, and an hour without one stays unscored.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from wxfly.assessment.state import State
from wxfly.history.ledger import Observation, Verdict, moment
from wxfly.physics.scoring import Counts, count, economic_value, upper_bound, value_within

LEAD_BINS = ((0.0, 24.0), (24.0, 72.0), (72.0, 120.0), (120.0, 400.0))
"""Ranges of lead time, scored separately [h]."""
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
        Economic value of the warnings at a cost ratio of one in ten, all hours pooled.
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


def score(
    verdicts: Sequence[Verdict], observations: Sequence[Observation], *, cost_ratio: float = COST_RATIO
) -> list[Score]:
    """Compare verdicts with observations, by lead time.

    Where one range of lead times has several verdicts on an hour, the last one counts. An hour counts as broken when
    an observed value is above the limit of its verdict.
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
    """Return the lead time of a verdict [h], from the start of the run or, where unknown, the time of the answer."""
    return float((moment(verdict.hour) - moment(verdict.run or verdict.told)) / np.timedelta64(1, "h"))


def stratum(verdict: Verdict) -> tuple[str, int]:
    """Return the season and, by local solar time, the quarter of the day of an hour."""
    hour = moment(verdict.hour)
    month = int(hour.astype("datetime64[M]").astype(int)) % 12
    season = (month + 1) % 12 // 3
    if verdict.latitude < 0:
        season = (season + 2) % 4
    solar = (float((hour - hour.astype("datetime64[D]")) / np.timedelta64(1, "h")) + verdict.longitude / 15) % 24
    return _SEASONS[season], int(solar // _HOURS_OF_DAY)
