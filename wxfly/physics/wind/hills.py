"""Wind over hills: how much faster it blows over a crest, as a caution and an upper value.

A forecast model's grid may already include part of a hill. The factor is therefore never applied to the forecast
silently. It is reported, and an upper value may be built with it.

References
----------
[EN1991-1-4] EN 1991-1-4:2005, annex A.3: orography factor; polynomials checked on values of a published library.
[Taylor-Lee-1984] Taylor, P. A. and Lee, R. J. (1984): Simple guidelines for estimating wind speed variations due to
    small-scale topographic features. Climatol. Bull. 18, 3-32. Range from the abstract, coefficients from memory.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

LARGEST_FACTOR = 1.6
"""Cap of the factor [1]."""
STEEPEST_SLOPE = 0.3
"""Mean slope of the hill's upper half, h/(2 L), beyond which the flow separates from the ground [1]."""
LARGEST_HALF_WIDTH = 1000.0
"""[m]; over wider hills the Coriolis force and stratification matter."""
SMALLEST_WIND = 6.0
"""[m s-1]; in weaker wind stability decides, and the factor may be larger."""

# For each shape B, the crest's speed-up per h/L, and A, its decay with height in exp(-A z/L).
_SHAPES = {"ridge": (2.0, 3.0), "round_hill": (1.6, 4.0), "escarpment": (0.8, 2.5)}
SHAPES = tuple(_SHAPES)


class HillSpeedUp(NamedTuple):
    """What a hill does to the wind.

    Attributes
    ----------
    factor : ndarray
        Ratio of the wind over the hill to the wind at the same height above flat ground [1]; 1 to 1.6.
    in_range : ndarray of bool
        Whether the guideline was made for this hill and wind. Where it was not, the factor is the cap.
    """

    factor: Array
    in_range: npt.NDArray[np.bool_]


def hill_speed_up(
    shape: str,
    hill_height: npt.ArrayLike,
    half_width: npt.ArrayLike,
    height: npt.ArrayLike,
    *,
    distance_from_crest: npt.ArrayLike = 0.0,
    wind_speed: npt.ArrayLike = np.inf,
) -> HillSpeedUp:
    """Return the factor by which a hill speeds up the wind.

    Parameters
    ----------
    shape : {"ridge", "round_hill", "escarpment"}
        Kind of hill.
    hill_height : array_like
        Above its surroundings [m].
    half_width : array_like
        Distance from the crest to where the ground is half as high, on the windward side [m].
    height : array_like
        Above the ground below the aircraft [m].
    distance_from_crest : array_like, optional
        Along the ground, on either side [m].
    wind_speed : array_like, optional
        At 10 m over flat ground [m s-1]; only for the check of the range.

    Returns
    -------
    HillSpeedUp
        All arguments are broadcast.

    Raises
    ------
    ValueError
        For an unknown shape, or a hill whose height is negative or half-width not positive.

    Notes
    -----
    ``1 + B h/L exp(-A z/L)`` at the crest ([Taylor-Lee-1984]: B = 2, 1.6, 0.8, A = 3, 4, 2.5), falling linearly to 1 at
    two half-widths from it. Range: wind of at least 6 m/s, near neutral, L up to 1 km, h/(2 L) up to 0.3. Lee sides are
    turbulent whatever the factor.
    """
    if shape not in _SHAPES:
        raise ValueError(f"shape {shape!r} is not one of {', '.join(SHAPES)}")
    h, length = np.asarray(hill_height, dtype=float), np.asarray(half_width, dtype=float)
    if (h < 0).any() or (length <= 0).any():
        raise ValueError("a hill's height must not be negative and its half-width must be positive, in m")
    size, decay = _SHAPES[shape]
    z = np.maximum(np.asarray(height, dtype=float), 0.0)
    place = np.maximum(1.0 - np.abs(np.asarray(distance_from_crest, dtype=float)) / (2.0 * length), 0.0)
    speed_up = 1.0 + size * h / length * np.exp(-decay * z / length) * place
    speed = np.asarray(wind_speed, dtype=float)
    inside = (h / (2.0 * length) <= STEEPEST_SLOPE) & (length <= LARGEST_HALF_WIDTH) & (speed >= SMALLEST_WIND)
    inside = inside & (z >= 0)
    unknown = np.isnan(h + length + z + place)
    factor = np.where(inside, np.minimum(speed_up, LARGEST_FACTOR), LARGEST_FACTOR)
    factor, inside, unknown = np.broadcast_arrays(factor, inside, unknown)
    return HillSpeedUp(np.where(unknown, np.nan, factor), inside & ~unknown)
