"""Formulas for check values that wxfly itself does not use: sun."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.sun import Array, Times, _day_number, _noons_and_midnights, _to_time, angle_to_sun


def solar_noon(longitude: float, first_day: np.datetime64 | str, days: int) -> Times:
    """Return when the sun is highest, UTC, shape ``(days,)``.

    Parameters
    ----------
    longitude : float
        [degree].
    first_day : numpy.datetime64 or str
        Solar day at the place; for a day on a clock see `solar_day`.
    days : int
        Number of days.

    Returns
    -------
    ndarray of datetime64[ms]
        Passage through the meridian.
    """
    return _to_time(_noons_and_midnights(np.array([float(longitude)]), _day_number(first_day), days)[0][:, 0])


def incidence_angle(
    sun_elevation: npt.ArrayLike, sun_azimuth: npt.ArrayLike, slope: npt.ArrayLike, facing: npt.ArrayLike
) -> Array:
    """Return the angle between the sun and the normal of a sloping surface, such as a facade to be photographed.

    Parameters
    ----------
    sun_elevation, sun_azimuth : array_like
        [degree].
    slope : array_like
        From the horizontal [degree]; 90 is a wall.
    facing : array_like
        Direction that the surface faces, clockwise from north [degree]; all broadcast.

    Returns
    -------
    ndarray
        [degree]; above 90 the surface is in its own shadow.
    """
    return angle_to_sun(sun_elevation, sun_azimuth, facing, 90.0 - np.asarray(slope, dtype=float))
