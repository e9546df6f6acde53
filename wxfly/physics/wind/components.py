"""Components of the wind: along east and north, and along the axes of a map projection.

A model on a projected grid may state its wind along the axes of the grid. The functions on bearings return that of the
grid's y axis: the angle from true north to it, clockwise. On a regular grid of latitude and longitude it is zero.

References
----------
[Snyder-1987] Snyder, J. P. (1987): Map projections, a working manual. US Geological Survey Professional Paper 1395:
    equation 5-4b (bearing of a great circle), 14-4 and 15-3 (Lambert's conformal cone), chapter 21 (polar
    stereographic: a cone constant of 1).
[Stull-1988] Stull, R. B. (1988): An Introduction to Boundary Layer Meteorology: the two components.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from wxfly.physics.arrays import floating

Array = npt.NDArray[Any]


def wind_components(wind_speed: npt.ArrayLike, wind_from_direction: npt.ArrayLike) -> tuple[Array, Array]:
    """Split a wind into its eastward and northward components.

    Parameters
    ----------
    wind_speed : array_like
        [m s-1], not negative.
    wind_from_direction : array_like
        Where the wind comes from, clockwise from north [degree]; broadcast against the speed.

    Returns
    -------
    eastward_wind, northward_wind : ndarray
        [m s-1]. A calm has no direction and gives 0, 0 whatever the direction.

    Notes
    -----
    ``-U sin(d)``, ``-U cos(d)``: the definition of the two components ([Stull-1988]); for any speed and angle.
    """
    speed = floating(wind_speed)
    angle = np.deg2rad(np.where(speed == 0, 0.0, floating(wind_from_direction)))
    return np.asarray(-speed * np.sin(angle)), np.asarray(-speed * np.cos(angle))


def wind_from_components(eastward_wind: npt.ArrayLike, northward_wind: npt.ArrayLike) -> tuple[Array, Array]:
    """Put a wind together from its components; the inverse of `wind_components`.

    Parameters
    ----------
    eastward_wind, northward_wind : array_like
        [m s-1], broadcast against each other.

    Returns
    -------
    wind_speed : ndarray
        [m s-1].
    wind_from_direction : ndarray
        [degree], 0 up to but not including 360; 0 for a calm.

    Notes
    -----
    ``atan2(-u, -v)``, the definition ([Stull-1988]); for any components.
    """
    east, north = floating(eastward_wind), floating(northward_wind)
    return np.asarray(np.hypot(east, north)), direction_from_components(east, north)


def direction_from_components(eastward_wind: Array, northward_wind: Array) -> Array:
    """Return the direction of `wind_from_components` alone [degree]."""
    direction = np.rad2deg(np.arctan2(-eastward_wind, -northward_wind))
    direction += np.where(direction < 0.0, 360.0, 0.0)
    is_calm = (eastward_wind == 0) & (northward_wind == 0)
    return np.asarray(np.where((direction >= 360.0) | is_calm, 0.0, direction))


def within_circle(direction: Array) -> Array:
    """Return a direction from 0 up to 360 [degree]; that of nearly every source is already, and is the same array."""
    return direction if ((direction >= 0.0) & (direction < 360.0)).all() else np.mod(direction, 360.0)


def cone_constant(first_parallel: float, second_parallel: float) -> float:
    """Return the constant of Lambert's conformal cone.

    Parameters
    ----------
    first_parallel, second_parallel : float
        Standard parallels [degree]; equal for a cone that touches the sphere. Negative in the southern hemisphere.

    Returns
    -------
    float
        Change of the bearing with longitude; negative in the southern hemisphere.

    Notes
    -----
    Equation 15-3 of [Snyder-1987], for the sphere.

    Examples
    --------
    >>> round(cone_constant(33.0, 45.0), 4)  # Snyder's worked example, page 296: 0.6304777
    0.6305
    """
    first, second = np.deg2rad(first_parallel), np.deg2rad(second_parallel)
    if np.isclose(first, second):
        return float(np.sin(first))
    rise = np.log(np.tan(np.pi / 4 + second / 2) / np.tan(np.pi / 4 + first / 2))
    return float(np.log(np.cos(first) / np.cos(second)) / rise)


def bearing_on_cone(longitude: npt.ArrayLike, central_meridian: float, constant: float) -> Array:
    """Return the bearing of the y axis of a conical projection.

    Parameters
    ----------
    longitude : array_like
        Of the places [degree].
    central_meridian : float
        Longitude along which the y axis points to true north [degree].
    constant : float
        `cone_constant`; 1 for a polar stereographic projection of the north, -1 of the south.

    Returns
    -------
    ndarray
        From true north to the y axis, clockwise [degree].

    Notes
    -----
    Equation 14-4 of [Snyder-1987].
    """
    east = (np.asarray(longitude, dtype=float) - central_meridian + 180.0) % 360.0 - 180.0
    return np.asarray(constant * east)


def bearing_to_rotated_pole(
    latitude: npt.ArrayLike, longitude: npt.ArrayLike, pole_latitude: float, pole_longitude: float
) -> Array:
    """Return the bearing of the y axis of a grid of rotated latitude and longitude.

    Parameters
    ----------
    latitude, longitude : array_like
        True position of the places [degree].
    pole_latitude, pole_longitude : float
        True position of the grid's north pole [degree].

    Returns
    -------
    ndarray
        From true north to the y axis, clockwise [degree], -180 to 180.

    Notes
    -----
    The y axis lies along the great circle to the pole of the grid: the bearing at the start of that circle
    ([Snyder-1987], equation 5-4b).
    """
    here = np.deg2rad(np.asarray(latitude, dtype=float))
    pole = np.deg2rad(pole_latitude)
    east = np.deg2rad(pole_longitude - np.asarray(longitude, dtype=float))
    across = np.cos(pole) * np.sin(east)
    along = np.cos(here) * np.sin(pole) - np.sin(here) * np.cos(pole) * np.cos(east)
    return np.asarray(np.rad2deg(np.arctan2(across, along)))


def turn_to_true_north(along_x: npt.ArrayLike, along_y: npt.ArrayLike, bearing: npt.ArrayLike) -> tuple[Array, Array]:
    """Return the eastward and the northward wind from the wind along the axes of a grid.

    Parameters
    ----------
    along_x, along_y : array_like
        [m s-1].
    bearing : array_like
        From true north to the y axis, clockwise [degree].

    Returns
    -------
    eastward_wind, northward_wind : ndarray
        [m s-1]; the speed stays the same.

    Examples
    --------
    >>> east, north = turn_to_true_north(0.0, 10.0, 90.0)  # the y axis points east
    >>> round(float(east), 6), abs(round(float(north), 6))
    (10.0, 0.0)
    """
    angle = np.deg2rad(np.asarray(bearing, dtype=float))
    x, y = np.asarray(along_x, dtype=float), np.asarray(along_y, dtype=float)
    return np.asarray(x * np.cos(angle) + y * np.sin(angle)), np.asarray(y * np.cos(angle) - x * np.sin(angle))
