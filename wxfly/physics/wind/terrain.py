"""The terrain around a site: surface cover by sector, woods and towns, and hills.

A forecast wind belongs to the model's own ground. Between and above the model's levels nothing is adjusted, because
the levels already include the effect of its ground. Only a wind at 10 m over other ground than the pilot's is adjusted.
It is extrapolated up to the height where both grounds have the same wind, and down again over the pilot's ground. By
default this may only raise the wind.

Over a crest the wind is faster. The model's grid may already include part of a hill, so that the factor is never
applied to the forecast silently: it is reported, and an upper value may be built with it.

References
----------
[EN1991-1-4] EN 1991-1-4:2005, annex A.3: orography factor; polynomials checked on values of a published library.
[Taylor-Lee-1984] Taylor, P. A. and Lee, R. J. (1984): Simple guidelines for estimating wind speed variations due to
    small-scale topographic features. Climatol. Bull. 18, 3-32. Range from the abstract, coefficients from memory.
[Wieringa-1986] Wieringa, J. (1986): Roughness-dependent geographical interpolation of surface wind speed averages.
    Quart. J. Roy. Meteorol. Soc. 112, 867-889: blending height of 60 m.
[windpowerlib] Displacement height of 0.7 of the obstacle height, as in the library's logarithmic profile.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from wxfly.physics.wind.surface_layer import log_law_wind_speed

Array = npt.NDArray[np.float64]

SECTORS = ("north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest")
"""Eight sectors of 45 degrees, named by their middle, in the order of the direction the wind comes from."""
BLENDING_HEIGHT = 60.0
"""Height above which the wind is the same over neighbouring kinds of ground [m], [Wieringa-1986]."""
DISPLACEMENT_SHARE = 0.7
"""Displacement height over the height of trees or houses [1], [windpowerlib]; 2/3 is common too."""


def roughness_length_upwind(wind_from_direction: npt.ArrayLike, roughness_by_sector: npt.ArrayLike) -> Array:
    """Return the roughness length of the ground that the wind comes over.

    Parameters
    ----------
    wind_from_direction : array_like
        [degree].
    roughness_by_sector : array_like
        Eight values in the order of `SECTORS` [m], positive.

    Returns
    -------
    ndarray
        [m], interpolated in its logarithm between the middles of the sectors, so that it does not jump. Where the
        direction is unknown, it is the smallest of the eight, which gives the strongest wind near the ground. The
        interpolation is ours, for any direction and for lengths of 1e-5 to 3 m.

    Raises
    ------
    ValueError
        When there are not eight positive values.
    """
    rough = np.asarray(roughness_by_sector, dtype=float)
    if rough.shape != (len(SECTORS),) or not (rough > 0).all():
        raise ValueError(f"roughness by sector must be eight positive lengths, {', '.join(SECTORS)}; got {rough}")
    direction = np.asarray(wind_from_direction, dtype=float)
    place = np.mod(np.where(np.isnan(direction), 0.0, direction), 360.0) / 45.0
    low = np.floor(place).astype(int)
    share = place - low
    logs = np.log(rough)
    value = np.exp((1 - share) * logs[low % 8] + share * logs[(low + 1) % 8])
    return np.asarray(np.where(np.isnan(direction), rough.min(), value))


def displacement_height(obstacle_height: npt.ArrayLike) -> Array:
    """Return the height by which dense trees or houses lift the wind profile.

    Parameters
    ----------
    obstacle_height : array_like
        [m], not negative.

    Returns
    -------
    ndarray
        [m], 0.7 of the obstacle height, [windpowerlib].
    """
    return np.asarray(DISPLACEMENT_SHARE * np.asarray(obstacle_height, dtype=float))


def wind_over_other_ground(
    wind_speed: npt.ArrayLike,
    height: npt.ArrayLike,
    roughness_length: npt.ArrayLike,
    site_roughness_length: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    *,
    site_displacement_height: npt.ArrayLike = 0.0,
    never_lower: bool = True,
) -> Array:
    """Return the wind at a height over one kind of ground from a wind over another.

    Parameters
    ----------
    wind_speed : array_like
        At `height` over ground of `roughness_length` [m s-1].
    height : array_like
        [m], usually 10.
    roughness_length : array_like
        Ground that the wind belongs to: the model's, or 0.03 m [m].
    site_roughness_length : array_like
        The pilot's ground [m].
    wanted_height : array_like
        Above ground [m].
    site_displacement_height : array_like, optional
        [m].
    never_lower : bool, optional
        Keep the wind over the given ground where the pilot's ground would lower it, so that no shelter is assumed.

    Returns
    -------
    ndarray
        [m s-1]. Neutral log law up to the blending height and down again ([Wieringa-1986]). At and above that height
        the pilot's ground has no effect. Valid for heights of 2 to 150 m, over ground that is uniform for about 1 km.
    """
    own = log_law_wind_speed(wind_speed, height, wanted_height, roughness_length)
    blending = np.maximum(BLENDING_HEIGHT, np.asarray(height, dtype=float))
    at_blending = log_law_wind_speed(wind_speed, height, blending, roughness_length)
    z = np.asarray(wanted_height, dtype=float)
    over_site = log_law_wind_speed(
        at_blending,
        blending,
        np.minimum(z, blending),
        site_roughness_length,
        displacement_height=site_displacement_height,
    )
    value = np.where(z >= blending, own, over_site)
    return np.asarray(np.maximum(value, own) if never_lower else value)


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
