"""The ground around a site: surface cover by sector, woods and towns, and the step from the model's ground to it.

A forecast wind belongs to the model's own ground. Between and above the model's levels nothing is adjusted, because
the levels already include the effect of its ground. Only a wind at 10 m over other ground than the pilot's is adjusted.
It is extrapolated up to the height where both grounds have the same wind, and down again over the pilot's ground. By
default this may only raise the wind.

References
----------
[Wieringa-1986] Wieringa, J. (1986): Roughness-dependent geographical interpolation of surface wind speed averages.
    Quart. J. Roy. Meteorol. Soc. 112, 867-889: blending height of 60 m.
[windpowerlib] Displacement height of 0.7 of the obstacle height, as in the library's logarithmic profile.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.wind.log_law import log_law_wind_speed

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
        Keep the wind of its own ground where the pilot's ground is rougher, so that no shelter is assumed.

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
