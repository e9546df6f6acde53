"""Probabilities from ensemble members and from distributions, over a stretch of hours, and the scores of past ones.

Functions of arrays return NaN where an input is NaN. The normal distribution function is that of the C library
(`math.erfc`). Hours of the day and seasons differ so much that pooling them makes any forecast that knows the clock
look skilful. So scores add up expenses within each stratum and only then compare.

References
----------
[Clopper1934] Clopper, C. J. and Pearson, E. S. (1934): The use of confidence or fiducial limits illustrated in the case
    of the binomial. Biometrika 26.
[Hamill2006] Hamill, T. M. and Juras, J. (2006): Measuring forecast skill: is it real skill or is it the varying
    climatology? Q. J. R. Meteorol. Soc. 132.
[Laplace] The rule of succession: an event seen in none of m equally likely draws has the probability 1/(m+2).
[Richardson2000] Richardson, D. S. (2000): Skill and relative economic value of the ECMWF ensemble prediction system.
    Q. J. R. Meteorol. Soc. 126.
[Roulston2003] Roulston, M. S. and Smith, L. A. (2003): Combining dynamical and statistical ensembles. Tellus A 55.
[Thorarinsdottir2010] Thorarinsdottir, T. L. and Gneiting, T. (2010): Probabilistic forecasts of wind speed: ensemble
    model output statistics by using heteroscedastic censored regression. J. R. Stat. Soc. A 173.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from statistics import NormalDist
from typing import Any

import numpy as np
import numpy.typing as npt

from wxfly.physics.arrays import floating

Array = npt.NDArray[np.float64]

_ERFC = np.frompyfunc(math.erfc, 1, 1)
_QUANTILE = np.frompyfunc(NormalDist().inv_cdf, 1, 1)
_MANY = 2000
_TABLE_END, _TABLE_STEP = 9.0, 1 / 256
_CELLS = 96
"""Cells of the latent error in `stretch_probability`; the result changes by less than 0.001 with twice as many."""
_WIDEST = 6.0
_PLENTY = 4.0


def normal_probability(value: npt.ArrayLike) -> Array:
    """Return the probability that a standard normal variable is at most a value.

    Parameters
    ----------
    value : array_like
        [1]; infinities give 0 and 1.
    """
    value = floating(value)
    if value.size > _MANY:
        return _interpolated_probability(value)
    return np.asarray(0.5 * np.asarray(_ERFC(-value / math.sqrt(2.0)), dtype=float))


@cache
def _table(precision: np.dtype[Any]) -> tuple[Array, Array]:
    """Return the normal distribution function, and its slope times the step, at every node of a table."""
    nodes = np.arange(-_TABLE_END, _TABLE_END + _TABLE_STEP, _TABLE_STEP)
    probability = 0.5 * np.asarray(_ERFC(-nodes / math.sqrt(2.0)), dtype=float)
    slope = np.exp(-(nodes**2) / 2) / math.sqrt(2 * math.pi) * _TABLE_STEP
    return probability.astype(precision), slope.astype(precision)


def _interpolated_probability(value: Array) -> Array:
    """Interpolate the table by cubic Hermite polynomials: ten times faster for many values, and exact to 1e-13.

    In single precision to 1e-6, and twice as fast again.
    """
    probability, slope = _table(value.dtype)
    inside = np.clip(np.where(np.isnan(value), 0.0, value), -_TABLE_END, _TABLE_END)
    at = (inside + _TABLE_END) / _TABLE_STEP
    node = np.minimum(at.astype(np.int32), probability.size - 2)
    t = at - node.astype(at.dtype)
    left, rise = probability[node], probability[node + 1] - probability[node]
    first, second = slope[node], slope[node + 1]
    result = left + t * (first + t * (3 * rise - 2 * first - second + t * (first + second - 2 * rise)))
    return np.where(np.isnan(value), np.nan, np.clip(result, 0.0, 1.0))


def normal_quantile(probability: npt.ArrayLike) -> Array:
    """Return the value that a standard normal variable does not exceed with the given probability.

    Parameters
    ----------
    probability : array_like
        Above 0 and below 1; NaN stays NaN.
    """
    chance = np.asarray(probability, dtype=float)
    known = np.where(np.isnan(chance), 0.5, chance)
    return np.asarray(np.where(np.isnan(chance), np.nan, np.asarray(_QUANTILE(known), dtype=float)))


def standardised(mean: npt.ArrayLike, standard_deviation: npt.ArrayLike, limit: npt.ArrayLike) -> Array:
    """Return the margin to a limit in standard deviations; for a deviation of 0 it is infinite, with the same sign."""
    mean, deviation, limit = np.broadcast_arrays(*(np.asarray(v, float) for v in (mean, standard_deviation, limit)))
    room = limit - mean
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        share = room / deviation
    certain = np.where(room >= 0, np.inf, -np.inf)
    return np.asarray(np.where(np.isnan(room + deviation), np.nan, np.where(deviation > 0, share, certain)))


def dressing_deviation(error: npt.ArrayLike, spread: npt.ArrayLike, floor: npt.ArrayLike) -> Array:
    """Return the part of the error that an ensemble's spread does not show.

    Parameters
    ----------
    error : array_like
        Root-mean-square error of a forecast of this lead time.
    spread : array_like
        Standard deviation of the members, averaged as a variance over many forecasts.
    floor : array_like
        Lower limit of the result, above 0.

    Returns
    -------
    ndarray
        ``sqrt(max(error^2 - spread^2, floor^2))``. To add the full error to the spread would count the spread twice.
    """
    error, spread, floor = (np.asarray(v, dtype=float) for v in (error, spread, floor))
    return np.asarray(np.sqrt(np.maximum(error**2 - spread**2, floor**2)))


def least_chance(members: npt.ArrayLike) -> Array:
    """Return the least probability that a number of members can resolve, ``1 / (M + 2)`` [Laplace].

    Parameters
    ----------
    members : array_like
        Number of members, at least 1.
    """
    return np.asarray(1.0 / (np.asarray(members, dtype=float) + 2.0))


def shift_chances(standard_deviation: npt.ArrayLike, reach: int) -> Array:
    """Return the probabilities that weather comes by whole hours earlier or later than forecast.

    Parameters
    ----------
    standard_deviation : array_like
        Standard deviation of the normal error in timing [h], at least 0; shape ``[...]``.
    reach : int
        Largest shift [h]; larger ones count as this one.

    Returns
    -------
    ndarray
        ``[2 reach + 1, ...]``, from `reach` hours earlier to `reach` hours later, adding up to 1; NaN for NaN.
    """
    deviation = np.asarray(standard_deviation, dtype=float)
    edges = np.arange(-reach, reach) + 0.5
    below = normal_probability(-standardised(edges.reshape(-1, *([1] * deviation.ndim)), deviation, 0.0))
    ends = np.zeros((1, *deviation.shape)), np.ones((1, *deviation.shape))
    return np.asarray(np.diff(np.concatenate((ends[0], below, ends[1])), axis=0))


def stretch_probability(margins: npt.ArrayLike, correlation: float) -> Array:
    """Return the probability that an error correlated from hour to hour stays within its margin in every hour.

    Parameters
    ----------
    margins : array_like
        Shape ``[hour, ...]``: margin of each hour in standard deviations; infinite where nothing can happen.
    correlation : float
        Correlation of the standard normal error with that of the hour before, 0 to 1 (a first-order autoregression).
        With 1 the error stays the same, and only the worst hour counts.

    Returns
    -------
    ndarray
        ``[...]``; NaN where the margin of an hour is NaN.

    Raises
    ------
    ValueError
        For a correlation outside 0 to 1.

    Notes
    -----
    The probability density of the error is advanced from hour to hour on cells and cut off at the margin. It needs no
    random numbers, so equal inputs give equal results.
    """
    margins = np.asarray(margins, dtype=float)
    if not 0 <= correlation <= 1:
        raise ValueError(f"correlation {correlation} must lie between 0 and 1")
    worst = np.asarray(margins.min(axis=0))  # NaN in any hour stays NaN
    if correlation == 1 or margins.shape[0] == 1:
        return normal_probability(worst)
    if correlation == 0:
        return np.asarray(normal_probability(margins).prod(axis=0))
    # Where every hour has a large margin, or one is far beyond its limit, the worst hour alone decides.
    result = normal_probability(worst)
    uncertain = (worst > -_PLENTY) & (worst < _PLENTY)
    if not uncertain.any():
        return result
    edges, first, carried = _cells(correlation)
    width = edges[1] - edges[0]
    # Members and shifts are often equal, as in dry weather: each distinct column is computed once.
    columns, kind = np.unique(np.clip(margins[:, uncertain], -_WIDEST, _WIDEST), axis=1, return_inverse=True)
    density = np.broadcast_to(first, (columns.shape[1], _CELLS))
    for position, hour in enumerate(columns):
        before = density if position == 0 else density @ carried
        density = before * np.clip((hour[:, None] - edges[:-1]) / width, 0.0, 1.0)
    result[uncertain] = np.minimum(density.sum(axis=-1)[kind.ravel()], result[uncertain])
    return result


@lru_cache(maxsize=8)
def _cells(correlation: float) -> tuple[Array, Array, Array]:
    """Return the edges of the cells, the probability of each, and the transition probabilities within an hour."""
    edges = np.linspace(-_WIDEST, _WIDEST, _CELLS + 1)
    middle, width = (edges[:-1] + edges[1:]) / 2, edges[1] - edges[0]
    # Placing values at the middle of their cell adds width^2/12 to their variance; the step is reduced by as much.
    step = math.sqrt(max(1.0 - correlation**2 * (1.0 + width**2 / 12), 1e-12))
    carried = np.diff(normal_probability((edges - correlation * middle[:, None]) / step), axis=1)
    return edges, np.diff(normal_probability(edges)), carried


def upper_bound(events: int, cases: int, confidence: float = 0.95) -> float:
    """Return the upper confidence bound of a rate from the number of events among cases [1], [Clopper1934].

    Parameters
    ----------
    events, cases : int
        0 to `cases`; without cases the bound is 1.
    confidence : float, optional
        One-sided.
    """
    if not 0 <= events <= cases:
        raise ValueError(f"{events} events in {cases} cases")
    if events == cases:
        return 1.0
    return _solve(lambda rate: _at_most(events, cases, rate) - (1.0 - confidence))


def _at_most(events: int, cases: int, rate: float) -> float:
    """Return the probability of at most this many events."""
    if rate <= 0.0:
        return 1.0
    if rate >= 1.0:
        return float(events >= cases)
    total, logarithm = 0.0, cases * math.log1p(-rate)
    for k in range(events + 1):
        total += math.exp(logarithm)
        logarithm += math.log((cases - k) / (k + 1)) + math.log(rate) - math.log1p(-rate) if k < cases else 0.0
    return min(total, 1.0)


def _solve(falling: Callable[[float], float]) -> float:
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        if falling(middle) > 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2


@dataclass(frozen=True)
class Counts:
    """Hours by what was forecast and what happened; an event is an hour in which a limit was broken.

    Attributes
    ----------
    hits, misses, false_alarms, quiet : int
        Warned and broken, not warned and broken, warned and kept, not warned and kept.
    """

    hits: int
    misses: int
    false_alarms: int
    quiet: int

    @property
    def cases(self) -> int:
        """Number of hours."""
        return self.hits + self.misses + self.false_alarms + self.quiet

    @property
    def hit_rate(self) -> float:
        """Share of broken hours with a warning; NaN where none was broken."""
        events = self.hits + self.misses
        return self.hits / events if events else math.nan

    @property
    def false_alarm_rate(self) -> float:
        """Share of kept hours with a warning; NaN where none was kept."""
        kept = self.false_alarms + self.quiet
        return self.false_alarms / kept if kept else math.nan

    @property
    def base_rate(self) -> float:
        """Share of hours that were broken; NaN without hours."""
        return (self.hits + self.misses) / self.cases if self.cases else math.nan

    @property
    def broken_when_cleared(self) -> tuple[int, int]:
        """Number of broken hours without a warning, and of all hours without a warning."""
        return self.misses, self.misses + self.quiet


def count(warned: npt.ArrayLike, broken: npt.ArrayLike) -> Counts:
    """Return the counts of hours by warning and by outcome; arrays of one shape."""
    told, came = np.asarray(warned, dtype=bool), np.asarray(broken, dtype=bool)
    return Counts(
        int((told & came).sum()), int((~told & came).sum()), int((told & ~came).sum()), int((~told & ~came).sum())
    )


def economic_value(hit_rate: float, false_alarm_rate: float, base_rate: float, cost_ratio: float) -> float:
    """Return the economic value: the share of the possible saving over the climate alone, [Richardson2000].

    Parameters
    ----------
    hit_rate, false_alarm_rate, base_rate : float
        As in `Counts` [1].
    cost_ratio : float
        Ratio of the cost of staying at home to the loss from a broken limit, above 0 and below 1.

    Returns
    -------
    float
        1 for perfect warnings, 0 for warnings worth no more than the climate, below 0 for harmful ones.
    """
    climate = min(cost_ratio, base_rate)
    told = false_alarm_rate * cost_ratio * (1 - base_rate) - hit_rate * base_rate * (1 - cost_ratio) + base_rate
    perfect = base_rate * cost_ratio
    return (climate - told) / (climate - perfect) if climate > perfect else math.nan


def value_within(
    chance_of_break: npt.ArrayLike, broken: npt.ArrayLike, strata: Sequence[Hashable], cost_ratio: float
) -> float:
    """Return the economic value of probabilities, relative to the climate of each stratum, [Hamill2006].

    Parameters
    ----------
    chance_of_break : array_like
        Forecast before the hour [1]; above the cost ratio the pilot stays at home.
    broken : array_like of bool
        Whether a limit was broken.
    strata : sequence
        Stratum of each hour, such as season and hour of day. A single value pools all hours.
    cost_ratio : float
        Above 0 and below 1.

    Returns
    -------
    float
        NaN where nothing can be saved over the climate alone.
    """
    chance, came = np.asarray(chance_of_break, dtype=float), np.asarray(broken, dtype=bool)
    climate = told = perfect = 0.0
    for stratum in dict.fromkeys(strata):
        here = np.array([s == stratum for s in strata])
        rate = float(came[here].mean())
        cases = int(here.sum())
        acted = chance[here] > cost_ratio
        climate += cases * min(cost_ratio, rate)
        told += float(np.where(acted, cost_ratio, came[here]).sum())
        perfect += cases * rate * cost_ratio
    return (climate - told) / (climate - perfect) if climate - perfect > 1e-12 else math.nan
