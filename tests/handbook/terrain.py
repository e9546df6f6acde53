"""Formulas for check values that wxfly itself does not use: terrain."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.wind.terrain import STEEPEST_SLOPE, Array


def orography_factor(
    hill_height: npt.ArrayLike,
    windward_length: npt.ArrayLike,
    height: npt.ArrayLike,
    *,
    distance_from_crest: npt.ArrayLike = 0.0,
) -> Array:
    """Return the orography factor of the European wind code on the windward slope and at the crest.

    Parameters
    ----------
    hill_height : array_like
        H [m].
    windward_length : array_like
        Lu, length of the windward slope along the wind [m].
    height : array_like
        Above ground [m].
    distance_from_crest : array_like, optional
        Negative on the windward side [m]. The lee side gets the crest's value, as an upper value.

    Returns
    -------
    ndarray
        [1], 1 to 1.6: ``1 + 2 s H/Lu`` for slopes of 0.05 to 0.3, ``1 + 0.6 s`` for steeper ones, [EN1991-1-4] A.3.
        The location factor s is defined for z/Le up to 2 and up to 1.5 Lu upwind; it is 0 farther away.
    """
    hill, length = np.asarray(hill_height, dtype=float), np.asarray(windward_length, dtype=float)
    slope = hill / length
    effective = np.where(slope < STEEPEST_SLOPE, length, hill / STEEPEST_SLOPE)
    ratio = np.asarray(height, dtype=float) / effective
    upwind = np.minimum(np.asarray(distance_from_crest, dtype=float) / length, 0.0)
    size = 0.1552 * ratio**4 - 0.8575 * ratio**3 + 1.8133 * ratio**2 - 1.9115 * ratio + 1.0124
    fall = 0.3542 * ratio**2 - 1.0577 * ratio + 2.6456
    place = np.maximum(size * np.exp(fall * upwind), 0.0)
    place = np.where((ratio > 2.0) | (upwind < -1.5), 0.0, place)
    steepness = np.where(slope < 0.05, 0.0, np.minimum(2.0 * slope, 0.6))
    return np.asarray(np.where(np.isnan(ratio + upwind), np.nan, 1.0 + steepness * place))
