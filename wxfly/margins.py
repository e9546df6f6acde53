"""The margin: the share of a limit that is left, 1 when nothing of it is used, 0 at the limit, negative beyond."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

# Margin of the grades none, possible, likely. "Possible" is narrow, "likely" as far outside as a margin goes.
_GRADE_MARGIN = np.array([1.0, 0.05, -1.0])


def margin_at_most(demand: npt.ArrayLike, limit: npt.ArrayLike) -> Array:
    """Give the share of an upper limit that is left.

    Parameters
    ----------
    demand, limit : array_like
        In the same unit. A limit of zero is kept only by a demand of zero.

    Returns
    -------
    ndarray
        ``1 - demand / limit``, between -1 and 1; NaN where either is NaN.
    """
    demand, limit = np.broadcast_arrays(np.asarray(demand, float), np.asarray(limit, float))
    positive = limit > 0
    with np.errstate(over="ignore"):  # a limit next to nothing: the share is as good as infinite
        share = demand / np.where(positive, limit, 1.0)
    share = np.where(positive, share, np.where(demand > limit, np.inf, 0.0))
    return np.where(np.isnan(demand) | np.isnan(limit), np.nan, np.clip(1.0 - share, -1.0, 1.0))


def margin_at_least(demand: npt.ArrayLike, limit: npt.ArrayLike) -> Array:
    """Give the share of a lower limit that is left: ``1 - limit / demand``, between -1 and 1."""
    demand, limit = np.broadcast_arrays(np.asarray(demand, float), np.asarray(limit, float))
    with np.errstate(over="ignore"):
        share = np.where(demand > 0, limit / np.where(demand > 0, demand, 1.0), np.inf)
    share = np.where(limit > 0, share, 0.0)
    return np.where(np.isnan(demand) | np.isnan(limit), np.nan, np.clip(1.0 - share, -1.0, 1.0))


def margin_within(demand: npt.ArrayLike, lowest: float, highest: float) -> Array:
    """Give the share of a band that is left: 1 in its middle, 0 at either end."""
    demand = np.asarray(demand, float)
    half = (highest - lowest) / 2
    return np.clip(1.0 - np.abs(demand - (lowest + half)) / half, -1.0, 1.0)


def margin_of_grade(grade: npt.ArrayLike) -> Array:
    """Give the margin of a grade: none 1, possible 0.05 (narrow), likely -1; NaN where it is not known."""
    grade = np.asarray(grade, float)
    known = np.where(np.isnan(grade), 0, grade).astype(int).clip(0, 2)
    return np.where(np.isnan(grade), np.nan, _GRADE_MARGIN[known])
