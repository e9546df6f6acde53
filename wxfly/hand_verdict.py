"""What a reading at the hand means for a launch now: by the rule for the hand, and by the hours it corrects."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, IntEnum

import numpy as np
import xarray as xr

from wxfly.field_check import HandRule
from wxfly.physics.wind_error import error_factor
from wxfly.reading import STARTING_SPEED, Correction, NoCredit

ELEMENTS = ("wind", "gust")
"""What an anemometer speaks of."""


class Verdict(IntEnum):
    """From worst to best."""

    DO_NOT_LAUNCH = 0
    IN_DOUBT = 1
    HOLDS = 2


class Reason(Enum):
    """Why it is not better."""

    PASSED_AT_HAND = "passed at hand"
    HOUR_OUTSIDE = "hour outside"
    HOUR_NOT_KNOWN = "hour not known"
    RULE_NOT_KNOWN = "rule not known"
    GUST_NOT_READ = "gust not read"
    MAY_STAND_STILL = "may stand still"
    NO_READING_HOLDS = "no reading holds"
    ABOVE_RULE = "above rule"
    TOO_NEAR = "too near"
    DECOUPLED = "decoupled"
    COUPLING_NOT_KNOWN = "coupling not known"


@dataclass(frozen=True)
class HandVerdict:
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
    """

    verdict: Verdict
    reasons: tuple[Reason, ...]
    worst: dict[str, int]


def holds_at_all(rule: HandRule) -> bool:
    """Whether there is a reading at which the rule says that the limits hold."""
    return rule.mean_holds >= STARTING_SPEED and rule.gust_holds > 0


def judge_reading(correction: Correction, rule: HandRule, hours: xr.Dataset) -> HandVerdict:
    """Judge a reading.

    Parameters
    ----------
    correction : Correction
        The reading, weighed.
    rule : HandRule
        What the anemometer may show in the hours of the flight.
    hours : xarray.Dataset
        The hours of a flight from now on, with the correction in them, as `wxfly.suitability.assess` gives them.

    Returns
    -------
    HandVerdict
        *Holds* only where the rule has a reading that says so, mean and gust were read and lie between the starting
        speed of an anemometer and that reading, the air aloft follows the ground, and corrected wind and gust are
        within their limits in every hour of the flight with the rule's confidence, by reading and forecast together.
    """
    margins = {name: hours["margin"].sel(element=name).values for name in ELEMENTS}
    worst = {name: int(np.argmin(np.where(np.isnan(m), -np.inf, m))) for name, m in margins.items()}
    grave = _grave(correction, rule, margins)
    if grave:
        return HandVerdict(Verdict.DO_NOT_LAUNCH, tuple(grave), worst)
    doubts = _doubts(correction, rule, margins)
    room = (hours["limit"] - hours["demand"]).sel(element=list(ELEMENTS)).values
    if (room < error_factor(rule.confidence) * correction.deviation).any():  # NaN has a reason of its own
        doubts.append(Reason.TOO_NEAR)
    return HandVerdict(Verdict.IN_DOUBT if doubts else Verdict.HOLDS, tuple(doubts), worst)


def _grave(correction: Correction, rule: HandRule, margins: dict[str, np.ndarray]) -> list[Reason]:
    read = correction.reading
    passed = read.mean > rule.mean_stop or (read.gust is not None and read.gust > rule.gust_stop)
    outside = any((m < 0).any() for m in margins.values())
    told = ((passed, Reason.PASSED_AT_HAND), (outside, Reason.HOUR_OUTSIDE))
    return [reason for holds, reason in told if holds]


def _doubts(correction: Correction, rule: HandRule, margins: dict[str, np.ndarray]) -> list[Reason]:
    read = correction.reading
    if np.isnan([rule.mean_holds, rule.gust_holds, rule.mean_stop, rule.gust_stop]).any():
        by_rule = [Reason.RULE_NOT_KNOWN]
    elif not holds_at_all(rule):
        by_rule = [Reason.NO_READING_HOLDS]
    elif read.mean > rule.mean_holds or (read.gust is not None and read.gust > rule.gust_holds):
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
