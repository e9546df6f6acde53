"""Formulas for check values that wxfly itself does not use: error."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.wind.error import _SCALE, Array


def exceedance_probability(wind_speed: npt.ArrayLike, standard_deviation: npt.ArrayLike, limit: npt.ArrayLike) -> Array:
    """Return the probability that the true wind is above a limit.

    Parameters
    ----------
    wind_speed, standard_deviation : array_like
        As in `wxfly.physics.wind.profile.WindAtHeight` [m s-1].
    limit : array_like
        [m s-1].

    Returns
    -------
    ndarray
        0 to 1, by the logistic distribution as in `error_factor`; NaN where the wind is unknown. With a deviation of
        0 it is 0 or 1, and 0 at the limit.
    """
    wind = np.asarray(wind_speed, dtype=float)
    deviation = np.asarray(standard_deviation, dtype=float)
    over = wind - np.asarray(limit, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        chance = 1.0 / (1.0 + np.exp(-np.clip(_SCALE * over / deviation, -700, 700)))
    certain = np.where(over > 0, 1.0, 0.0)
    return np.asarray(np.where(np.isnan(over + deviation), np.nan, np.where(deviation == 0, certain, chance)))
