"""What a pilot means to do with the weather: for how long, in one piece or with waits, at what cost.

Nothing here knows the weather. The reference period, what is planned and what may go wrong, is the length for which
windows are looked for and for which the chance is told.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from wxfly.costs import Costs
from wxfly.errors import WxflyError
from wxfly.planning import reference_period
from wxfly.units import parse_quantity

_DEFAULT_SECONDS = 45 * 60
DEFAULT_DURATION = np.timedelta64(_DEFAULT_SECONDS, "s")
NO_TIME = np.timedelta64(0, "s")
AS_LONG = "as-long"
"""The word for a time in hand that is as long again as what is planned."""
_LONGEST = 86_400
_LONGEST_SURVEY = 16 * 24
_LONGEST_HOLD = 12


@dataclass(frozen=True)
class Intent:
    """What a pilot means to do.

    Attributes
    ----------
    planned : numpy.timedelta64
        The time that the work takes when all goes well.
    contingency : numpy.timedelta64
        Kept in hand for what may go wrong.
    survey_hours : int
        Hours of work that can stop at any hour and go on later; 0 for work that is done in one piece.
    hold_hours : int
        Hours held back after one over the wind or the gust limit.
    costs : Costs or None
        What driving out, a flight and a broken limit cost; None where the pilot does not say.
    """

    planned: np.timedelta64 = DEFAULT_DURATION
    contingency: np.timedelta64 = NO_TIME
    survey_hours: int = 0
    hold_hours: int = 0
    costs: Costs | None = None

    @property
    def reference_period(self) -> np.timedelta64:
        """The time for which the weather must hold."""
        return self.planned + self.contingency


def read_intent(options: Mapping[str, Any]) -> Intent:
    """Read what a pilot means to do from the options of a command line, by name.

    Raises
    ------
    WxflyError
        For a time that is none, a whole longer than a day, or costs that are not three amounts above zero.
    """
    planned = _duration(options.get("duration"))
    contingency = _contingency(options.get("contingency"), planned)
    if planned + contingency > np.timedelta64(_LONGEST, "s"):
        raise WxflyError(
            f"a duration of {_minutes(planned)} min and {_minutes(contingency)} min in hand is longer than a day; "
            "for work that can stop give --survey"
        )
    return Intent(
        planned,
        contingency,
        _survey(options.get("survey")),
        _hold(options.get("hold")),
        _costs(options.get("costs")),
    )


def _duration(text: str | None) -> np.timedelta64:
    seconds = parse_quantity(text, "time", "min") if text else _DEFAULT_SECONDS
    if not 60 <= seconds <= _LONGEST:
        raise WxflyError(f"a duration of '{text}' is no window of use; wanted 1min to 24h")
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
    """Read the work of a survey in whole hours, rounded up."""
    if not text:
        return 0
    hours = int(np.ceil(parse_quantity(text, "time", "h") / 3600.0 - 1e-9))
    if not 1 <= hours <= _LONGEST_SURVEY:
        raise WxflyError(f"a survey of '{text}' cannot be laid into the hours; wanted 1h to {_LONGEST_SURVEY}h")
    return hours


def _hold(given: int | None) -> int:
    hours = int(given or 0)
    if not 0 <= hours <= _LONGEST_HOLD:
        raise WxflyError(f"a hold of {hours} hours is not used; wanted 0 to {_LONGEST_HOLD}")
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
            f"costs '{text}' are not understood; wanted three amounts above 0 in one currency: driving out, the worth "
            "of a flight, a broken limit, such as 30,100,2000"
        )
    return Costs(*amounts)


def _minutes(length: np.timedelta64) -> int:
    return int(length / np.timedelta64(1, "m"))
