"""What an anemometer reading means for a launch now, by the rule for the anemometer and by the corrected hours."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, StrEnum

import numpy as np
import xarray as xr

from wxfly.assessment.suitability import State, counts_as_required, names_of, not_judged
from wxfly.flight.anemometer_reading import STARTING_SPEED, AnemometerRule, Correction, NoCredit, Stop
from wxfly.physics.air.risk import POSSIBLE, POSSIBLE_FROM
from wxfly.physics.probability import normal_probability
from wxfly.physics.wind.error import error_factor
from wxfly.pilot.elements import BY_NAME, Family
from wxfly.pilot.limit_rules import LimitSense

ELEMENTS = ("wind", "gust")
"""The elements that an anemometer measures."""
SEEN_ON_SITE = ("visibility",)
"""Elements that the pilot can see. The uncertainty of their forecast is reported, but alone it puts no launch in doubt.
Common practice, no source."""
STORM = "thunderstorm"
AROUND_A_STORM = 1.0
"""Time before and after a storm in which its gusts and lightning count [h]: a gust front runs ahead of the rain, and
30 min after the last thunder are waited; common practice, no source."""
LOOK_AHEAD = np.timedelta64(3, "h")
"""Time before and after a flight in which the forecast is examined."""


class LaunchVerdict(StrEnum):
    """What a reading means for a launch now, from worst to best."""

    DO_NOT_LAUNCH = "do not launch"
    IN_DOUBT = "in doubt"
    HOLDS = "holds"


class Reason(Enum):
    """Why the verdict is not better."""

    PASSED_AT_ANEMOMETER = "passed at anemometer"
    STORM = "storm"
    HOUR_OUTSIDE = "hour outside"
    FAR_BELOW = "far below"
    RETURN_LEG_OUTSIDE = "way back outside"
    WAITING = "held back"
    HOUR_NOT_KNOWN = "hour not known"
    WAY_HOME_NOT_KNOWN = "way back not known"
    WAIT_NOT_KNOWN = "wait not known"
    RULE_NOT_KNOWN = "rule not known"
    GUST_NOT_READ = "gust not read"
    MAY_STAND_STILL = "may stand still"
    NO_READING_PASSES = "no reading holds"
    ABOVE_RULE = "above rule"
    TOO_NEAR = "too near"
    DECOUPLED = "decoupled"
    COUPLING_NOT_KNOWN = "coupling not known"
    COMING = "coming"
    COMING_NOT_KNOWN = "coming not known"
    DURING = "during"
    DURING_NOT_KNOWN = "during not known"


@dataclass(frozen=True)
class Coming:
    """An element that, before or after a flight, is forecast outside its limit or is unknown.

    Attributes
    ----------
    element : str
        Its name.
    time : numpy.datetime64
        Start of its nearest hour after the flight, or end of its last hour before it, UTC.
    is_past : bool
        Whether it is forecast before the flight.
    is_known : bool
        Whether it is known to be outside its limit.
    chance : float
        Probability that the timing error brings it into the flight [1].
    """

    element: str
    time: np.datetime64
    is_past: bool
    is_known: bool
    chance: float

    def is_in_doubt(self, confidence: float) -> bool:
        """Return whether the flight must allow for it; for wind and storms by the confidence required of the wind."""
        return self.chance > (1.0 - confidence if self.element in (*ELEMENTS, STORM) else POSSIBLE_FROM)


def coming(around: Sequence[xr.Dataset], start: np.datetime64, end: np.datetime64, deviation: float) -> list[Coming]:
    """Find the elements outside a limit before or after a flight, with the nearest hour of each.

    Parameters
    ----------
    around : sequence of xarray.Dataset
        The same hours around the flight, from `wxfly.assessment.suitability.assess`; the worst is used.
    start, end : numpy.datetime64
        Bounds of the flight, UTC.
    deviation : float
        Standard deviation of the timing error [h].

    Returns
    -------
    list of Coming
        Most likely first. After the flight: every element that is not known in advance. Before it: only storms,
        because the rest is measured or seen.
    """
    margin = np.min([hours["margin"].transpose("element", "time").values for hours in around], axis=0)
    required = np.any([counts_as_required(hours.transpose("element", "time", ...)) for hours in around], axis=0)
    hours = around[0]["time"].values.astype("datetime64[s]")
    found = []
    for row, name in enumerate(names_of(around[0])):
        if BY_NAME[name].family in (Family.KNOWN, Family.RETURN_LEG):
            continue
        breaks = (margin[row] < 0) | (np.isnan(margin[row]) & required[row])
        during = (hours + np.timedelta64(1, "h") > start) & (hours < end)
        if (margin[row, during] < 0).any():
            continue  # already within the flight
        after, before = np.flatnonzero(breaks & (hours >= end)), np.flatnonzero(breaks & (hours < start) & ~during)
        nearest = [(hours[after[0]], False, int(after[0]))] if after.size else []
        if name == STORM and before.size and margin[row, before[-1]] < 0:
            nearest.append((hours[before[-1]] + np.timedelta64(1, "h"), True, int(before[-1])))
        for moment, is_past, at in nearest:
            away = float((start - moment if is_past else moment - end) / np.timedelta64(3600, "s"))
            apart = (away - (AROUND_A_STORM if name == STORM else 0.0)) / deviation
            found.append(Coming(name, moment, is_past, bool(margin[row, at] < 0), float(normal_probability(-apart))))
    return sorted(found, key=lambda one: -one.chance)


@dataclass(frozen=True)
class During:
    """An element against a launch in the hours of the flight itself, apart from wind, gust and the return leg.

    Attributes
    ----------
    element : str
        Its name.
    hour : int
        Position of its worst hour.
    chance : float
        Probability that it is outside its limit [1]; NaN where unknown.
    is_in_doubt : bool
        Whether the flight must allow for it. An unknown element that is only advised is reported, no more.
    """

    element: str
    hour: int
    chance: float
    is_in_doubt: bool

    @property
    def is_known(self) -> bool:
        """Whether the element is forecast."""
        return not np.isnan(self.chance)


def during(hours: xr.Dataset, chances: Mapping[str, float]) -> list[During]:
    """Find the elements against a launch in the hours of the flight.

    Parameters
    ----------
    hours : xarray.Dataset
        Hours of the flight, from `wxfly.assessment.suitability.assess`.
    chances : mapping of float
        Probability that an element is outside its limit in them, by element [1].

    Returns
    -------
    list of During
        Most likely first: elements outside their limit, possible risks, elements with more than 10 in 100 chances of
        being outside, and unknown ones.
    """
    margins, demands = (hours[name].transpose("element", "time").values for name in ("margin", "demand"))
    required = counts_as_required(hours.transpose("element", "time", ...))
    found = []
    for row, name in enumerate(names_of(hours)):
        if name in (*ELEMENTS, *not_judged(hours)) or BY_NAME[name].family is Family.RETURN_LEG:
            continue
        margin, unknown = margins[row], np.isnan(margins[row])
        if not unknown.all():
            worst = int(np.nanargmin(margin))
            chance = 1.0 if margin[worst] < 0 else chances.get(name, 0.0)
            is_possible = BY_NAME[name].sense == LimitSense.GRADE and (demands[row] >= POSSIBLE).any()
            if is_possible or chance > POSSIBLE_FROM:
                is_seen = name in SEEN_ON_SITE and not is_possible and margin[worst] >= 0
                if not (is_seen and (unknown & required[row]).any()):
                    found.append(During(name, worst, chance, is_in_doubt=not is_seen))
                    continue
        if unknown.any():
            found.append(During(name, int(unknown.argmax()), np.nan, bool((unknown & required[row]).any())))
    return sorted(found, key=lambda one: -np.nan_to_num(one.chance))


@dataclass(frozen=True)
class LaunchDecision:
    """The verdict on a reading, and why.

    Attributes
    ----------
    verdict : LaunchVerdict
        The worst that any reason requires.
    reasons : tuple of Reason
        Why it is not better, the gravest first; empty where all limits are met.
    worst : dict
        For wind and gust, the position of the flight's hour with the smallest margin; an unknown hour comes first.
    coming : tuple of Coming
        Elements outside a limit before or after the flight.
    during : tuple of During
        Other elements against a launch in the hours of the flight.
    """

    verdict: LaunchVerdict
    reasons: tuple[Reason, ...]
    worst: dict[str, int]
    coming: tuple[Coming, ...] = ()
    during: tuple[During, ...] = ()


def any_reading_passes(rule: AnemometerRule) -> bool:
    """Return whether any reading meets the limits by the rule."""
    return rule.largest_mean >= STARTING_SPEED and rule.largest_gust > 0


def band_of(rule: AnemometerRule, mean: float, gust: float | None) -> LaunchVerdict:
    """Return the band of a pair of readings [m s-1]; every pair is in exactly one.

    *Holds* requires both readings within the rule, and a mean of at least the anemometer's starting speed. *Do not
    launch* requires one of them beyond it. Everything else is *in doubt*, also where the rule is unknown.
    """
    if mean > rule.mean_stop or (gust is not None and gust > rule.gust_stop):
        return LaunchVerdict.DO_NOT_LAUNCH
    within = STARTING_SPEED <= mean <= rule.largest_mean and gust is not None and gust <= rule.largest_gust
    return LaunchVerdict.HOLDS if within and any_reading_passes(rule) else LaunchVerdict.IN_DOUBT


def stops_passed(rule: AnemometerRule, mean: float, gust: float | None) -> list[tuple[str, Stop]]:
    """Return the elements that a pair of readings [m s-1] takes over a limit more likely than not, with the height."""
    return [
        (element, stop)
        for stop in rule.stops
        for element, is_passed in zip(ELEMENTS, (mean > stop.mean, gust is not None and gust > stop.gust), strict=True)
        if is_passed
    ]


def judge_reading(
    correction: Correction,
    rule: AnemometerRule,
    hours: xr.Dataset,
    beside: Sequence[Coming] = (),
    chances: Mapping[str, float] | None = None,
) -> LaunchDecision:
    """Judge a reading.

    Parameters
    ----------
    correction : Correction
        The weighted reading.
    rule : AnemometerRule
        The limits as an anemometer shows them in the hours of the flight.
    hours : xarray.Dataset
        The corrected hours of a flight from now on, from `wxfly.assessment.suitability.assess`, with the return leg and
        the waiting hours where the plan has them.
    beside : sequence of Coming, optional
        Elements outside a limit before or after the flight, from `coming`.
    chances : mapping of float, optional
        Probability that an element is outside its limit in the hours of the flight, by element [1].

    Returns
    -------
    LaunchDecision
        *Holds* only where mean and gust were read and lie between the starting speed of an anemometer and the largest
        readings of the rule, and the air at flight height follows the ground. Corrected wind and gust must be within
        their limits in every hour of the flight, with the rule's confidence in reading and forecast together. Nothing
        outside a limit may be so near that the timing error can bring it into the flight. No other element may be
        possible, outside its limit with more than 10 in 100 chances, or required and unknown in those hours.
        A reading far below the forecast counts as no reading: the forecast alone must be within the limits so surely.
    """
    margins = {name: hours["margin"].sel(element=name).values for name in ELEMENTS}
    outside, unknown = _of_plan(hours)
    worst = {name: int(np.argmin(np.where(np.isnan(m), -np.inf, m))) for name, m in margins.items()}
    now = tuple(during(hours, chances or {}))
    grave = [*_grave(correction, rule, margins), *outside]
    if (hours["margin"].sel(element=STORM) < 0).any():
        grave.append(Reason.STORM)
    if grave:
        return LaunchDecision(LaunchVerdict.DO_NOT_LAUNCH, tuple(grave), worst, tuple(beside), now)
    reasons_found = [*_reasons_found(correction, rule, margins), *unknown]
    left = (hours["limit"] - hours["demand"]).sel(element=list(ELEMENTS)).values
    if (left < error_factor(rule.confidence) * correction.deviation).any():  # NaN has its own reason
        reasons_found.append(Reason.TOO_NEAR)
        reasons_found += [Reason.FAR_BELOW] if correction.no_credit is NoCredit.FAR_BELOW else []
    standing = {one.is_known for one in now if one.is_in_doubt}
    reasons_found += [r for known, r in ((True, Reason.DURING), (False, Reason.DURING_NOT_KNOWN)) if known in standing]
    near = {one.is_known for one in beside if one.is_in_doubt(rule.confidence)}
    reasons_found += [
        reason for known, reason in ((True, Reason.COMING), (False, Reason.COMING_NOT_KNOWN)) if known in near
    ]
    verdict = LaunchVerdict.IN_DOUBT if reasons_found else LaunchVerdict.HOLDS
    return LaunchDecision(verdict, tuple(reasons_found), worst, tuple(beside), now)


def _grave(correction: Correction, rule: AnemometerRule, margins: dict[str, np.ndarray]) -> list[Reason]:
    read = correction.reading
    passed = band_of(rule, read.mean, read.gust) == LaunchVerdict.DO_NOT_LAUNCH
    outside = any((m < 0).any() for m in margins.values())
    in_lee = outside and correction.no_credit is NoCredit.FAR_BELOW
    reasons = (
        (passed, Reason.PASSED_AT_ANEMOMETER),
        (outside, Reason.HOUR_OUTSIDE),
        (in_lee, Reason.FAR_BELOW),
    )
    return [reason for applies, reason in reasons if applies]


def _of_plan(hours: xr.Dataset) -> tuple[list[Reason], list[Reason]]:
    """Return the reasons against a launch from the return leg and the waiting hours, and those from unknown values."""
    outside, unknown = [], []
    if "return_leg" in hours["element"].values:
        margin = hours["margin"].sel(element="return_leg").values
        if (margin < 0).any():
            outside.append(Reason.RETURN_LEG_OUTSIDE)
        elif np.isnan(margin).any():
            unknown.append(Reason.WAY_HOME_NOT_KNOWN)
    if "waiting_after" in hours:
        held, state = hours["waiting_after"].values != "", hours["state"].values
        if (held & (state == State.OUTSIDE)).any():
            outside.append(Reason.WAITING)
        elif held.any():
            unknown.append(Reason.WAIT_NOT_KNOWN)
    return outside, unknown


def _reasons_found(correction: Correction, rule: AnemometerRule, margins: dict[str, np.ndarray]) -> list[Reason]:
    read = correction.reading
    if np.isnan([rule.largest_mean, rule.largest_gust, rule.mean_stop, rule.gust_stop]).any():
        by_rule = [Reason.RULE_NOT_KNOWN]
    elif not any_reading_passes(rule):
        by_rule = [Reason.NO_READING_PASSES]
    elif read.mean > rule.largest_mean or (read.gust is not None and read.gust > rule.largest_gust):
        by_rule = [Reason.ABOVE_RULE]
    else:
        by_rule = []
    reasons = (
        (any(np.isnan(m).any() for m in margins.values()), Reason.HOUR_NOT_KNOWN),
        (read.mean < STARTING_SPEED, Reason.MAY_STAND_STILL),
        (correction.no_credit is NoCredit.DECOUPLED, Reason.DECOUPLED),
        (correction.no_credit is NoCredit.NOT_KNOWN, Reason.COUPLING_NOT_KNOWN),
        (read.gust is None, Reason.GUST_NOT_READ),
    )
    return [*by_rule, *(reason for applies, reason in reasons if applies)]
