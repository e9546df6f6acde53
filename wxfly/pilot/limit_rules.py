"""The rules by which a demand and a limit become a margin: at most, at least, within a band, of a grade, of light."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
import numpy.typing as npt

from wxfly.physics.air.risk import LIKELY_ABOVE, POSSIBLE_FROM
from wxfly.physics.arrays import floating

Array = npt.NDArray[np.float64]

GRADES = ("none", "possible", "likely")
# Margin of the grades. "Possible" is narrow, "likely" as far outside as a margin goes.
_GRADE_MARGIN = np.array([1.0, 0.05, -1.0])
# Where the chance of a risk is known its margin goes by it without a step: narrow from where it is possible, 0 where it
# becomes likely. Chances that every hour has take nothing off.
_MARGIN_OF_CHANCE = (0.02, POSSIBLE_FROM, LIKELY_ABOVE, 1.0), (1.0, 0.2, 0.0, -1.0)

FULL_MARGIN = 10.0
"""So far inside a band of temperature the whole margin is left [K]. Common practice, no source."""


def left_at_most(demand: npt.ArrayLike, limit: npt.ArrayLike) -> Array:
    """Return the margin of an upper limit as `margin_at_most` does, not cut at -1."""
    return np.clip(_left_of_limit(demand, limit), -np.inf, 1.0)


def _left_of_limit(demand: npt.ArrayLike, limit: npt.ArrayLike) -> Array:
    """Return the share of an upper limit that is left, not cut at all."""
    demand, limit = floating(demand), np.asarray(limit, float)
    if limit.ndim == 0 and limit > 1e-3:  # one limit for all hours, as usual: the same with fewer steps
        return np.asarray(1.0 - demand / float(limit))
    demand, limit = np.broadcast_arrays(demand, limit)
    positive = limit > 0
    with np.errstate(over="ignore"):  # for a limit near zero the share may overflow to infinity
        share = demand / np.where(positive, limit, 1.0)
    share = np.where(positive, share, np.where(demand > limit, np.inf, 0.0))
    return np.where(np.isnan(demand) | np.isnan(limit), np.nan, 1.0 - share)


def left_at_least(demand: npt.ArrayLike, limit: npt.ArrayLike) -> Array:
    """Return the margin of a lower limit as `margin_at_least` does, not cut at -1."""
    demand, limit = np.broadcast_arrays(floating(demand), np.asarray(limit, float))
    with np.errstate(over="ignore"):
        share = np.where(demand > 0, limit / np.where(demand > 0, demand, 1.0), np.inf)
    share = np.where(limit > 0, share, 0.0)
    return np.where(np.isnan(demand) | np.isnan(limit), np.nan, np.minimum(1.0 - share, 1.0))


def _beyond_the_band(demand: npt.ArrayLike, limit: npt.ArrayLike) -> Array:
    """Return the margin of a demand outside a band from the nearer end of it, not cut at -1."""
    return np.asarray(-np.abs(floating(demand) - np.asarray(limit, float)) / FULL_MARGIN)


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
    return np.clip(_left_of_limit(demand, limit), -1.0, 1.0)


def margin_at_least(demand: npt.ArrayLike, limit: npt.ArrayLike) -> Array:
    """Return the share of a lower limit that is left: ``1 - limit / demand``, between -1 and 1."""
    return np.clip(left_at_least(demand, limit), -1.0, 1.0)


def margin_within(demand: npt.ArrayLike, limit: tuple[float, float]) -> Array:
    """Return the share of `FULL_MARGIN` that is left to the nearer end of a band.

    Parameters
    ----------
    demand : array_like
        In the unit of the band.
    limit : tuple of float
        Its two ends, the lower one first.

    Returns
    -------
    ndarray
        0 at either end, 1 from `FULL_MARGIN` inside, linear between and beyond, not below -1; NaN stays NaN. In a band
        too narrow for that, 1 in its middle; in one whose ends are the wrong way round, nothing fits: -1.
    """
    demand, (lowest, highest) = floating(demand), limit
    if not lowest < highest:
        return np.where(np.isnan(demand), np.nan, -1.0)
    inside = np.minimum(demand - lowest, highest - demand)
    return np.clip(inside / min(FULL_MARGIN, (highest - lowest) / 2), -1.0, 1.0)


def margin_of_grade(grade: npt.ArrayLike, limit: object = None) -> Array:
    """Return the margin of a grade: none 1, possible 0.05 (narrow), likely -1; NaN where it is unknown."""
    grade = floating(grade)
    known = np.where(np.isnan(grade), 0, grade).astype(int).clip(0, 2)
    return np.where(np.isnan(grade), np.nan, _GRADE_MARGIN[known])


def margin_of_chance(chance: npt.ArrayLike) -> Array:
    """Return the margin of a risk from its chance: 1 up to 0.02, 0.2 at 0.1, 0 at 0.5, -1 at 1; NaN stays NaN."""
    chance = floating(chance)
    margin = np.ones(chance.shape, dtype=chance.dtype)
    counts = ~(chance <= _MARGIN_OF_CHANCE[0][0])  # most hours have none
    margin[counts] = np.interp(chance[counts], *_MARGIN_OF_CHANCE)
    return margin


def margin_of_light(minutes: npt.ArrayLike, limit: object = None) -> Array:
    """Return the margin of minutes of light in an hour: 1 with any, -1 without; NaN where they are unknown."""
    minutes = floating(minutes)
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
    wording : str
        Its wording in reports, with ``{subject}``, ``{demand}``, ``{limit}``, ``{unit}`` and, for a rule with words,
        ``{word}``.
    is_least : bool
        Whether the limit is a minimum: the smallest demand of an hour is then the worst.
    words : tuple of str
        Words for the demands 0, 1 and so on, where a demand is not a quantity.
    of_chance : callable or None
        Of a risk, its margin from its chance, which counts in place of its grade's where the chance is known.
    beyond : callable or None
        Takes the demand and the limit of an hour over it, for a band its nearer end; returns the margin not cut at -1.
    """

    margin: Callable[[npt.ArrayLike, Any], Array]
    meaning: str
    wording: str
    is_least: bool = False
    words: tuple[str, ...] = ()
    of_chance: Callable[[npt.ArrayLike], Array] | None = None
    beyond: Callable[[npt.ArrayLike, npt.ArrayLike], Array] | None = None


class LimitSense(StrEnum):
    """Names of the rules, for what asks for one."""

    AT_MOST = "at_most"
    AT_LEAST = "at_least"
    WITHIN = "within"
    GRADE = "grade"
    LIT = "lit"


LIMIT_RULES: dict[str, LimitRule] = {
    LimitSense.AT_MOST: LimitRule(
        margin_at_most, "demand at most the limit", "{subject}, {demand} of {limit} {unit}",
        beyond=left_at_most,
    ),
    LimitSense.AT_LEAST: LimitRule(
        margin_at_least, "demand at least the limit", "{subject}, {demand} {unit}, at least {limit} {unit} wanted",
        is_least=True, beyond=left_at_least,
    ),
    LimitSense.WITHIN: LimitRule(
        margin_within, f"demand within a band; full room from {FULL_MARGIN:g} K inside it",
        "{subject}, {demand} {unit}, limit {limit} {unit}", beyond=_beyond_the_band,
    ),
    LimitSense.GRADE: LimitRule(
        margin_of_grade, "none, possible (narrow) or likely (outside)", "{subject} {word}", words=GRADES,
        of_chance=margin_of_chance,
    ),
    LimitSense.LIT: LimitRule(
        margin_of_light, "outside when dark by the rules; windows are cut to the lit part", "{word}", is_least=True,
        words=("dark", "light as the rules ask"),
    ),
}  # fmt: skip
"""The rules, by the name that an element gives as its sense."""
