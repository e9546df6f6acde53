"""Formulas of the check values that wxfly itself does not need: log law."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.wind.log_law import Array


def turning_with_height(wind_from_direction: npt.ArrayLike, wind_from_direction_above: npt.ArrayLike) -> Array:
    """Return the turn of the wind between two heights, the shorter way round.

    Parameters
    ----------
    wind_from_direction, wind_from_direction_above : array_like
        [degree].

    Returns
    -------
    ndarray
        [degree], -180 up to but not including 180; positive veers (turns clockwise going up), negative backs. By
        definition; for any angles.
    """
    turn = np.asarray(wind_from_direction_above, dtype=float) - np.asarray(wind_from_direction, dtype=float)
    return np.asarray(np.mod(turn + 180.0, 360.0) - 180.0)


def interpolate_in_log_height(
    value: npt.ArrayLike,
    height: npt.ArrayLike,
    value_above: npt.ArrayLike,
    height_above: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
) -> Array:
    """Interpolate (or carry on) a quantity linearly in the logarithm of height between two levels.

    Parameters
    ----------
    value, value_above : array_like
        Of any unit; a wind speed or a component of the wind.
    height, height_above, wanted_height : array_like
        Above ground [m], positive, the first two different.

    Returns
    -------
    ndarray
        ``v1 + (v2 - v1) ln(z/z1) / ln(z2/z1)``: the neutral profile of any roughness ([Stull-1988]).
    """
    low, high = np.asarray(value, dtype=float), np.asarray(value_above, dtype=float)
    z1 = np.asarray(height, dtype=float)
    weight = np.log(np.asarray(wanted_height, dtype=float) / z1) / np.log(np.asarray(height_above, float) / z1)
    return np.asarray(low + weight * (high - low))
