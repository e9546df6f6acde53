"""What a reading at the hand means for a launch now: by the rule for the hand, and by the hours it corrects."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, IntEnum

import numpy as np
import xarray as xr

from wxfly.assessment.suitability import State, counts_as_required, names_of
from wxfly.flight.anemometer_reading import STARTING_SPEED, AnemometerRule, Correction, NoCredit
from wxfly.physics.air.risk import POSSIBLE, POSSIBLE_FROM
from wxfly.physics.probability import normal_probability
from wxfly.physics.wind.error import error_factor
from wxfly.pilot.elements import BY_NAME, Family

ELEMENTS = ("wind", "gust")
"""What an anemometer speaks of."""
SEEN_ON_SITE = ("visibility",)
"""Elements that the pilot sees for himself: the error of their forecast alone is named, and makes no reading in doubt.
Common practice, no source."""
STORM = "thunderstorm"
AROUND_A_STORM = 1.0
"""So long before and after a storm its gusts and its lightning count [h]: a gust front runs ahead of the rain, and
thunder is waited out for 30 min; common practice, no source."""
LOOK_AHEAD = np.timedelta64(3, "h")
"""So far beside a flight the forecast is looked at."""


class Verdict(IntEnum):
    """From worst to best."""

    DO_NOT_LAUNCH = 0
    IN_DOUBT = 1
    HOLDS = 2


class Reason(Enum):
    """Why it is not better."""

    PASSED_AT_ANEMOMETER = "passed at anemometer"
    STORM = "storm"
    HOUR_OUTSIDE = "hour outside"
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
    """What is forecast beside a flight and breaks a limit, or is not known there.

    Attributes
    ----------
    element : str
        Its name.
    time : numpy.datetime64
        Start of its nearest hour after the flight, or end of its last hour before it, UTC.
    is_past : bool
        Whether it is forecast before the flight.
    is_known : bool
        Whether it is known to break its limit.
    chance : float
        That the error of timing brings it into the flight [1].
    """

    element: str
    time: np.datetime64
    is_past: bool
    is_known: bool
    chance: float

    def is_in_doubt(self, confidence: float) -> bool:
        """Whether a flight must reckon with it: the confidence is that in the wind, which storms are part of."""
        return self.chance > (1.0 - confidence if self.element in (*ELEMENTS, STORM) else POSSIBLE_FROM)


def coming(around: Sequence[xr.Dataset], start: np.datetime64, end: np.datetime64, deviation: float) -> list[Coming]:
    """Find what is forecast beside a flight, the nearest hour of each element.

    Parameters
    ----------
    around : sequence of xarray.Dataset
        The same hours around the flight, as `wxfly.assessment.suitability.assess` gives them; the worst counts.
    start, end : numpy.datetime64
        Of the flight, UTC.
    deviation : float
        Standard deviation of the error of timing [h].

    Returns
    -------
    list of Coming
        After the flight every element but what is known beforehand; before it storms alone: the rest is measured or
        seen. The likelier first.
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
            continue  # it is there already
        after, before = np.flatnonzero(breaks & (hours >= end)), np.flatnonzero(breaks & (hours < start) & ~during)
        told = [(hours[after[0]], False, int(after[0]))] if after.size else []
        if name == STORM and before.size and margin[row, before[-1]] < 0:
            told.append((hours[before[-1]] + np.timedelta64(1, "h"), True, int(before[-1])))
        for moment, is_past, at in told:
            away = float((start - moment if is_past else moment - end) / np.timedelta64(3600, "s"))
            room = (away - (AROUND_A_STORM if name == STORM else 0.0)) / deviation
            found.append(Coming(name, moment, is_past, bool(margin[row, at] < 0), float(normal_probability(-room))))
    return sorted(found, key=lambda one: -one.chance)


@dataclass(frozen=True)
class During:
    """What stands against a launch in the hours of the flight itself, beside wind, gust and the way back.

    Attributes
    ----------
    element : str
        Its name.
    hour : int
        Position of its worst hour.
    chance : float
        That it breaks its limit [1]; NaN where it is not known.
    is_in_doubt : bool
        Whether the flight must reckon with it. One that is not known and advised alone is only told.
    """

    element: str
    hour: int
    chance: float
    is_in_doubt: bool

    @property
    def is_known(self) -> bool:
        """Whether the forecast tells of it."""
        return not np.isnan(self.chance)


def during(hours: xr.Dataset, chances: Mapping[str, float]) -> list[During]:
    """Find what stands against a launch in the hours of the flight.

    Parameters
    ----------
    hours : xarray.Dataset
        Of the flight, as `wxfly.assessment.suitability.assess` gives them.
    chances : mapping of float
        By element, the chance that it breaks its limit in them [1].

    Returns
    -------
    list of During
        What is outside its limit, a risk that is possible, what breaks its limit in more than 10 in 100, and what is
        not known; the likelier first.
    """
    margins, demands = (hours[name].transpose("element", "time").values for name in ("margin", "demand"))
    required = counts_as_required(hours.transpose("element", "time", ...))
    found = []
    for row, name in enumerate(names_of(hours)):
        if name in (*ELEMENTS, *hours.attrs["not_judged"]) or BY_NAME[name].family is Family.RETURN_LEG:
            continue
        margin, unknown = margins[row], np.isnan(margins[row])
        if not unknown.all():
            worst = int(np.nanargmin(margin))
            chance = 1.0 if margin[worst] < 0 else chances.get(name, 0.0)
            is_possible = BY_NAME[name].sense == "grade" and (demands[row] >= POSSIBLE).any()
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
    verdict : Verdict
        The worst that anything speaks for.
    reasons : tuple of Reason
        Why it is not better, the gravest first; empty where the limits hold.
    worst : dict
        For wind and gust, the position of the hour of the flight with the least margin; an hour that is not known
        comes first.
    coming : tuple of Coming
        What is forecast beside the flight.
    during : tuple of During
        What else stands against a launch in the hours of the flight.
    """

    verdict: Verdict
    reasons: tuple[Reason, ...]
    worst: dict[str, int]
    coming: tuple[Coming, ...] = ()
    during: tuple[During, ...] = ()


def any_reading_passes(rule: AnemometerRule) -> bool:
    """Whether there is a reading at which the rule says that the limits hold."""
    return rule.largest_mean >= STARTING_SPEED and rule.largest_gust > 0


def band_of(rule: AnemometerRule, mean: float, gust: float | None) -> Verdict:
    """Return the band of a pair of readings [m s-1]: every pair is in exactly one.

    *Holds* asks both readings to lie within the rule, and the mean to be no less than an anemometer's starting speed;
    *do not launch* asks one of them to be beyond it; everything else is *in doubt*, also where the rule is not known.
    """
    if mean > rule.mean_stop or (gust is not None and gust > rule.gust_stop):
        return Verdict.DO_NOT_LAUNCH
    within = STARTING_SPEED <= mean <= rule.largest_mean and gust is not None and gust <= rule.largest_gust
    return Verdict.HOLDS if within and any_reading_passes(rule) else Verdict.IN_DOUBT


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
        The reading, weighed.
    rule : AnemometerRule
        What the anemometer may show in the hours of the flight.
    hours : xarray.Dataset
        The hours of a flight from now on, with the correction in them, as `wxfly.assessment.suitability.assess` gives
        them; with the way back and the hours that are held back where the plan has them.
    beside : sequence of Coming, optional
        What is forecast beside the flight, as `coming` finds it.
    chances : mapping of float, optional
        By element, the chance that it breaks its limit in the hours of the flight [1].

    Returns
    -------
    LaunchDecision
        *Holds* only where the rule has a reading that says so, mean and gust were read and lie between the starting
        speed of an anemometer and that reading, the air aloft follows the ground, and corrected wind and gust are
        within their limits in every hour of the flight with the rule's confidence, by reading and forecast together.
        Nor must anything over a limit be forecast so near to it that the error of timing may bring it, or any other
        element be possible, likely to break its limit in more than 10 in 100, or required and not known in those hours.
    """
    margins = {name: hours["margin"].sel(element=name).values for name in ELEMENTS}
    outside, unknown = _of_plan(hours)
    worst = {name: int(np.argmin(np.where(np.isnan(m), -np.inf, m))) for name, m in margins.items()}
    now = tuple(during(hours, chances or {}))
    grave = [*_grave(correction, rule, margins), *outside]
    if (hours["margin"].sel(element=STORM) < 0).any():
        grave.append(Reason.STORM)
    if grave:
        return LaunchDecision(Verdict.DO_NOT_LAUNCH, tuple(grave), worst, tuple(beside), now)
    reasons_found = [*_reasons_found(correction, rule, margins), *unknown]
    room = (hours["limit"] - hours["demand"]).sel(element=list(ELEMENTS)).values
    if (room < error_factor(rule.confidence) * correction.deviation).any():  # NaN has a reason of its own
        reasons_found.append(Reason.TOO_NEAR)
    standing = {one.is_known for one in now if one.is_in_doubt}
    reasons_found += [r for known, r in ((True, Reason.DURING), (False, Reason.DURING_NOT_KNOWN)) if known in standing]
    near = {one.is_known for one in beside if one.is_in_doubt(rule.confidence)}
    reasons_found += [
        reason for known, reason in ((True, Reason.COMING), (False, Reason.COMING_NOT_KNOWN)) if known in near
    ]
    verdict = Verdict.IN_DOUBT if reasons_found else Verdict.HOLDS
    return LaunchDecision(verdict, tuple(reasons_found), worst, tuple(beside), now)


def _grave(correction: Correction, rule: AnemometerRule, margins: dict[str, np.ndarray]) -> list[Reason]:
    read = correction.reading
    passed = band_of(rule, read.mean, read.gust) == Verdict.DO_NOT_LAUNCH
    outside = any((m < 0).any() for m in margins.values())
    told = ((passed, Reason.PASSED_AT_ANEMOMETER), (outside, Reason.HOUR_OUTSIDE))
    return [reason for holds, reason in told if holds]


def _of_plan(hours: xr.Dataset) -> tuple[list[Reason], list[Reason]]:
    """Tell what the plan's way back and its hours of waiting speak against, and what is not known of them."""
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
    told = (
        (any(np.isnan(m).any() for m in margins.values()), Reason.HOUR_NOT_KNOWN),
        (read.mean < STARTING_SPEED, Reason.MAY_STAND_STILL),
        (correction.no_credit is NoCredit.DECOUPLED, Reason.DECOUPLED),
        (correction.no_credit is NoCredit.NOT_KNOWN, Reason.COUPLING_NOT_KNOWN),
        (read.gust is None, Reason.GUST_NOT_READ),
    )
    return [*by_rule, *(reason for holds, reason in told if holds)]
