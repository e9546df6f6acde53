"""Probabilities from ensemble members and from distributions, and over a stretch of consecutive hours.

Every function takes arrays and returns NaN where an input is NaN. The normal distribution function is that of the C
library (`math.erfc`).

References
----------
[Roulston2003] Roulston, M. S. and Smith, L. A. (2003): Combining dynamical and statistical ensembles. Tellus A 55.
[Thorarinsdottir2010] Thorarinsdottir, T. L. and Gneiting, T. (2010): Probabilistic forecasts of wind speed: ensemble
    model output statistics by using heteroscedastic censored regression. J. R. Stat. Soc. A 173.
[Laplace] The rule of succession: an event seen in none of m equally likely draws has the probability 1/(m+2).
"""

from __future__ import annotations

import math
from functools import cache, lru_cache
from statistics import NormalDist
from typing import Any

import numpy as np
import numpy.typing as npt

from wxfly.physics.precision import floating

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


def stretch_probability(room: npt.ArrayLike, correlation: float) -> Array:
    """Return the probability that an error correlated from hour to hour stays within its margin in every hour.

    Parameters
    ----------
    room : array_like
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
    room = np.asarray(room, dtype=float)
    if not 0 <= correlation <= 1:
        raise ValueError(f"correlation {correlation} must lie between 0 and 1")
    worst = np.asarray(room.min(axis=0))  # NaN in any hour stays NaN
    if correlation == 1 or room.shape[0] == 1:
        return normal_probability(worst)
    if correlation == 0:
        return np.asarray(normal_probability(room).prod(axis=0))
    # Where every hour has a large margin, or one is far beyond its limit, the worst hour alone decides.
    result = normal_probability(worst)
    uncertain = (worst > -_PLENTY) & (worst < _PLENTY)
    if not uncertain.any():
        return result
    edges, first, carried = _cells(correlation)
    width = edges[1] - edges[0]
    # Members and shifts are often equal, as in dry weather: each distinct column is computed once.
    columns, kind = np.unique(np.clip(room[:, uncertain], -_WIDEST, _WIDEST), axis=1, return_inverse=True)
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
