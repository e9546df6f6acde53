"""The pilot's plan: how long the work takes, whether it may be interrupted, and what it costs.

Nothing here depends on the weather. The reference period is the planned time plus the contingency; windows and their
chance are for that length. The rules come from other trades that work in weather windows: limits reduced by lead time,
periods, waits, holds. There are two decisions, driving out and taking off. Each has a threshold: the cost of acting
compared with the loss from not acting.

References
----------
[BPA] British Parachute Association operations manual, section 8: no jumps until 30 minutes have passed without a
    gust over the limit.
[DNV-OS-H101] Det Norske Veritas (2011): Marine operations, general. Table 4-6: the largest share of a wind limit to
    plan with where no record of the place exists (secondary source: a transcription, not the standard).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wxfly.errors import WxflyError
from wxfly.units import parse_quantity

Flags = npt.NDArray[np.bool_]

DERATE_BY_LEAD = ((24.0, 0.80), (48.0, 0.75), (72.0, 0.70))
"""Share of the limit to plan with, up to each lead time [h], [DNV-OS-H101]: a starting value, from work at sea."""
WAIT_HOURS = 1
"""Waiting hours after an hour above the limit, [BPA] applied to hourly values."""


def derate(lead_hours: float) -> float | None:
    """Return the share of a wind limit to plan with at a lead time without an ensemble [DNV-OS-H101].

    Parameters
    ----------
    lead_hours : float
        From the start of the run [h].

    Returns
    -------
    float or None
        None past three days: such a forecast is only an outlook, not a basis for a plan.
    """
    return next((share for until, share in DERATE_BY_LEAD if lead_hours <= until), None)


def reference_period(planned: float, contingency: float | None = None) -> float:
    """Return the time for which the weather must stay within limits: planned time plus contingency.

    Parameters
    ----------
    planned : float
        Planned time, in any unit.
    contingency : float, optional
        Contingency in the same unit; by default equal to the planned time, [DNV-OS-H101].
    """
    return planned + (planned if contingency is None else contingency)


def hours_touched(start_minute: float, minutes: float) -> int:
    """Return the number of clock hours that a period touches; one that ends on the hour does not touch the next.

    Parameters
    ----------
    start_minute : float
        Start, counted from a full hour [min].
    minutes : float
        Length, above 0 [min].
    """
    return math.ceil((start_minute + minutes) / 60.0) - math.floor(start_minute / 60.0)


@dataclass(frozen=True)
class Stretch:
    """Hours of work or of waiting, for work that can be interrupted."""

    first: int
    hours: int
    is_work: bool


def interrupted_work(holds: npt.ArrayLike, hours: int) -> list[Stretch] | None:
    """Place work that can stop at any hour, such as a survey flown on several batteries, in the hours within limits.

    Parameters
    ----------
    holds : array_like of bool
        Whether each hour is within all limits.
    hours : int
        Hours of work.

    Returns
    -------
    list of Stretch or None
        Work and waits in turn, starting and ending with work; None when there are too few hours within limits.
    """
    flags = np.asarray(holds, dtype=bool)
    chosen = np.flatnonzero(flags)[:hours]
    if chosen.size < hours or hours < 1:
        return None
    stretches: list[Stretch] = []
    for position in range(int(chosen[0]), int(chosen[-1]) + 1):
        if stretches and stretches[-1].is_work == bool(flags[position]):
            last = stretches[-1]
            stretches[-1] = Stretch(last.first, last.hours + 1, last.is_work)
        else:
            stretches.append(Stretch(position, 1, bool(flags[position])))
    return stretches


def wait_after_break(holds: npt.ArrayLike, hours: int = WAIT_HOURS) -> Flags:
    """Make the hours after one above the limit waiting hours: wind that was just too strong tends to return.

    Parameters
    ----------
    holds : array_like of bool
        Whether each hour is within its limits. Hours before the first are assumed to be.
    hours : int, optional
        Number of waiting hours, [BPA].
    """
    flags = np.asarray(holds, dtype=bool)
    result = flags.copy()
    for back in range(1, hours + 1):
        result[back:] &= flags[:-back]
    return result


@dataclass(frozen=True)
class Costs:
    """Costs that a pilot may give: the cost of driving out, the value of a flight, the cost of a broken limit.

    All are in one currency, each above 0.
    """

    driving_out: float
    value_of_flight: float
    damage: float

    @property
    def least_chance_to_drive(self) -> float:
        """Return the chance above which driving out pays: ``cost / value``."""
        return self.driving_out / self.value_of_flight

    @property
    def largest_risk_to_take_off(self) -> float:
        """Return the chance of a broken limit below which taking off pays: ``value / damage``."""
        return self.value_of_flight / self.damage

    @property
    def members_needed(self) -> int:
        """Return the number of ensemble members needed to resolve so small a risk: ``1/(m+2)`` must reach it."""
        return max(1, math.ceil(1.0 / self.largest_risk_to_take_off - 2.0 - 1e-9))


def drives_out(chance: float, costs: Costs) -> bool:
    """Return whether driving out pays at this chance of a window; False when the chance is unknown."""
    return chance > costs.least_chance_to_drive


def takes_off(chance: float, costs: Costs) -> bool:
    """Return whether the risk of a broken limit is small enough to take off; False when it is unknown."""
    return 1.0 - chance < costs.largest_risk_to_take_off


_DEFAULT_SECONDS = 45 * 60
DEFAULT_DURATION = np.timedelta64(_DEFAULT_SECONDS, "s")
NO_TIME = np.timedelta64(0, "s")
AS_LONG = "as-long"
"""The option value for a contingency equal to the planned time."""
_LONGEST = 86_400
_LONGEST_SURVEY = 16 * 24
_LONGEST_WAIT = 12


@dataclass(frozen=True)
class PlannedWork:
    """How long the work takes, and how it may go on.

    Attributes
    ----------
    planned : numpy.timedelta64
        The time that the work takes when all goes well.
    contingency : numpy.timedelta64
        Time in reserve for what may go wrong.
    survey_hours : int
        Hours of work that can stop at any hour and go on later; 0 for work that is done in one piece.
    wait_hours : int
        Waiting hours after one above the wind or the gust limit.
    costs : Costs or None
        Costs of driving out, of a flight and of a broken limit; None where the pilot gives none.
    """

    planned: np.timedelta64 = DEFAULT_DURATION
    contingency: np.timedelta64 = NO_TIME
    survey_hours: int = 0
    wait_hours: int = 0
    costs: Costs | None = None

    @property
    def reference_period(self) -> np.timedelta64:
        """Return the time for which the weather must stay within limits."""
        return self.planned + self.contingency


def read_work(
    *,
    duration: str | None = None,
    contingency: str | None = None,
    survey: str | None = None,
    wait: int | None = None,
    costs: str | None = None,
) -> PlannedWork:
    """Read the planned work from the texts of command-line options.

    Raises
    ------
    WxflyError
        For an invalid time, a total longer than a day, or costs that are not three amounts above zero.
    """
    planned = _duration(duration)
    in_hand = _contingency(contingency, planned)
    if planned + in_hand > np.timedelta64(_LONGEST, "s"):
        raise WxflyError(
            f"a duration of {_minutes(planned)} min and {_minutes(in_hand)} min in hand is longer than a day; "
            "for work that can stop give --survey"
        )
    return PlannedWork(
        planned,
        in_hand,
        _survey(survey),
        _wait(wait),
        _costs(costs),
    )


def _duration(text: str | None) -> np.timedelta64:
    seconds = parse_quantity(text, "time", "min") if text else _DEFAULT_SECONDS
    if not 60 <= seconds <= _LONGEST:
        raise WxflyError(f"a duration of '{text}' is not usable; wanted 1min to 24h")
    return _seconds(seconds)


def _seconds(length: float) -> np.timedelta64:
    return np.timedelta64(round(length), "s")


def _contingency(text: str | None, planned: np.timedelta64) -> np.timedelta64:
    if not text:
        return NO_TIME
    seconds = float(planned / np.timedelta64(1, "s"))
    given = None if text == AS_LONG else parse_quantity(text, "time", "min")
    if given is not None and given < 0:
        raise WxflyError(f"a contingency of '{text}' is below zero; wanted a time such as 20min, or {AS_LONG}")
    return _seconds(reference_period(seconds, given) - seconds)


def _survey(text: str | None) -> int:
    """Return the work of a survey in whole hours, rounded up."""
    if not text:
        return 0
    hours = int(np.ceil(parse_quantity(text, "time", "h") / 3600.0 - 1e-9))
    if not 1 <= hours <= _LONGEST_SURVEY:
        raise WxflyError(f"a survey of '{text}' is out of range; wanted 1h to {_LONGEST_SURVEY}h")
    return hours


def _wait(given: int | None) -> int:
    hours = int(given or 0)
    if not 0 <= hours <= _LONGEST_WAIT:
        raise WxflyError(f"a hold of {hours} hours is out of range; wanted 0 to {_LONGEST_WAIT}")
    return hours


def _costs(text: str | None) -> Costs | None:
    if not text:
        return None
    try:
        amounts = [float(part) for part in text.split(",")]
    except ValueError:
        amounts = []
    if len(amounts) != 3 or not all(np.isfinite(a) and a > 0 for a in amounts):
        raise WxflyError(
            f"costs '{text}' are not understood; wanted three amounts above 0 in one currency: driving out, the value "
            "of a flight, a broken limit, such as 30,100,2000"
        )
    return Costs(*amounts)


def _minutes(length: np.timedelta64) -> int:
    return int(length / np.timedelta64(1, "m"))
