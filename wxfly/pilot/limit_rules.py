"""The rules by which a demand is compared with a limit, one row each.

The *margin* is the share of the limit that is left: 1 when none of it is used, 0 at the limit, negative beyond.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from wxfly.physics.air.risk import LIKELY_ABOVE, POSSIBLE_FROM

Array = npt.NDArray[np.float64]

GRADES = ("none", "possible", "likely")
# Margin of the grades. "Possible" is narrow, "likely" as far outside as a margin goes.
_GRADE_MARGIN = np.array([1.0, 0.05, -1.0])
# Where the chance of a risk is known its margin goes by it without a step: narrow from where it is possible, 0 where it
# becomes likely. Chances that every hour has take nothing off.
_MARGIN_OF_CHANCE = (0.02, POSSIBLE_FROM, LIKELY_ABOVE, 1.0), (1.0, 0.2, 0.0, -1.0)


def margin_at_most(demand: npt.ArrayLike, limit: npt.ArrayLike) -> Array:
    """Return the share of an upper limit that is left.

    Parameters
    ----------
    demand, limit : array_like
        Both in the same unit. Only a demand of zero is within a limit of zero.

    Returns
    -------
    ndarray
        ``1 - demand / limit``, between -1 and 1; NaN where either is NaN.
    """
    demand, limit = np.broadcast_arrays(np.asarray(demand, float), np.asarray(limit, float))
    positive = limit > 0
    with np.errstate(over="ignore"):  # for a limit near zero the share may overflow to infinity
        share = demand / np.where(positive, limit, 1.0)
    share = np.where(positive, share, np.where(demand > limit, np.inf, 0.0))
    return np.where(np.isnan(demand) | np.isnan(limit), np.nan, np.clip(1.0 - share, -1.0, 1.0))


def margin_at_least(demand: npt.ArrayLike, limit: npt.ArrayLike) -> Array:
    """Return the share of a lower limit that is left: ``1 - limit / demand``, between -1 and 1."""
    demand, limit = np.broadcast_arrays(np.asarray(demand, float), np.asarray(limit, float))
    with np.errstate(over="ignore"):
        share = np.where(demand > 0, limit / np.where(demand > 0, demand, 1.0), np.inf)
    share = np.where(limit > 0, share, 0.0)
    return np.where(np.isnan(demand) | np.isnan(limit), np.nan, np.clip(1.0 - share, -1.0, 1.0))


def margin_within(demand: npt.ArrayLike, limit: tuple[float, float]) -> Array:
    """Return the share of a band that is left: 1 in its middle, 0 at either end."""
    demand, (lowest, highest) = np.asarray(demand, float), limit
    half = (highest - lowest) / 2
    return np.clip(1.0 - np.abs(demand - (lowest + half)) / half, -1.0, 1.0)


def margin_of_grade(grade: npt.ArrayLike, limit: object = None) -> Array:
    """Return the margin of a grade: none 1, possible 0.05 (narrow), likely -1; NaN where it is unknown."""
    grade = np.asarray(grade, float)
    known = np.where(np.isnan(grade), 0, grade).astype(int).clip(0, 2)
    return np.where(np.isnan(grade), np.nan, _GRADE_MARGIN[known])


def margin_of_chance(chance: npt.ArrayLike) -> Array:
    """Return the margin of a risk from its chance: 1 up to 0.02, 0.2 at 0.1, 0 at 0.5, -1 at 1; NaN stays NaN."""
    return np.asarray(np.interp(np.asarray(chance, float), *_MARGIN_OF_CHANCE))


def margin_of_light(minutes: npt.ArrayLike, limit: object = None) -> Array:
    """Return the margin of minutes of light in an hour: 1 with any, -1 without; NaN where they are unknown."""
    minutes = np.asarray(minutes, float)
    return np.where(np.isnan(minutes), np.nan, np.where(minutes > 0, 1.0, -1.0))


@dataclass(frozen=True)
class LimitRule:
    """One rule: its margin, and its wording.

    Attributes
    ----------
    margin : callable
        Takes demand and limit, returns the margin; the limit of a band is its two ends.
    meaning : str
        Its description in the reference.
    reading : str
        Its wording in reports, with ``{subject}``, ``{demand}``, ``{limit}``, ``{unit}`` and, for a rule with words,
        ``{word}``.
    is_least : bool
        Whether the limit is a minimum: the smallest demand of an hour is then the worst.
    words : tuple of str
        Words for the demands 0, 1 and so on, where a demand is not a quantity.
    """

    margin: Callable[[npt.ArrayLike, Any], Array]
    meaning: str
    reading: str
    is_least: bool = False
    words: tuple[str, ...] = ()


LIMIT_RULES: dict[str, LimitRule] = {
    "at_most": LimitRule(
        margin_at_most, "demand at most the limit", "{subject}, {demand} of {limit} {unit}"
    ),
    "at_least": LimitRule(
        margin_at_least, "demand at least the limit", "{subject}, {demand} {unit}, at least {limit} {unit} wanted",
        is_least=True,
    ),
    "within": LimitRule(
        margin_within, "demand within a band", "{subject}, {demand} {unit}, limit {limit} {unit}"
    ),
    "grade": LimitRule(
        margin_of_grade, "none, possible (narrow) or likely (outside)", "{subject} {word}", words=GRADES
    ),
    "lit": LimitRule(
        margin_of_light, "outside when dark; windows are cut to the lit part", "{word}", is_least=True,
        words=("dark", "daylight"),
    ),
}  # fmt: skip
"""The rules, by the name that an element gives as its sense."""
