"""The wind triangle: headwind, crosswind, heading and ground speed.

All angles are in degrees clockwise from north; wind directions are those the wind comes from. An aircraft that
cannot make a course good has a ground speed of 0 there. It makes no progress, and a time from it is infinite.

References
----------
[FAA-H-8083-25] Federal Aviation Administration: Pilot's Handbook of Aeronautical Knowledge, chapter 16: the wind
    triangle.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def headwind(course: npt.ArrayLike, wind_speed: npt.ArrayLike, wind_from_direction: npt.ArrayLike) -> Array:
    """Return the component of the wind against a course.

    Parameters
    ----------
    course : array_like
        Direction of flight over the ground [degree].
    wind_speed, wind_from_direction : array_like
        [m s-1, degree]; all broadcast. A calm needs no direction.

    Returns
    -------
    ndarray
        [m s-1], negative for a tailwind.
    """
    speed, angle = _wind(course, wind_speed, wind_from_direction)
    return np.asarray(speed * np.cos(angle))


def crosswind(course: npt.ArrayLike, wind_speed: npt.ArrayLike, wind_from_direction: npt.ArrayLike) -> Array:
    """Return the component of the wind across a course [m s-1], positive from the right; arguments as in `headwind`."""
    speed, angle = _wind(course, wind_speed, wind_from_direction)
    return np.asarray(speed * np.sin(angle))


def _wind(course: npt.ArrayLike, speed: npt.ArrayLike, direction: npt.ArrayLike) -> tuple[Array, Array]:
    wind = np.asarray(speed, dtype=float)
    angle = np.where(wind == 0, 0.0, np.asarray(direction, float) - np.asarray(course, float))
    return wind, np.deg2rad(angle)


def wind_correction_angle(
    course: npt.ArrayLike,
    airspeed: npt.ArrayLike,
    wind_speed: npt.ArrayLike,
    wind_from_direction: npt.ArrayLike,
) -> Array:
    """Return the angle by which the nose points into the wind to make a course good: the crab angle.

    Parameters
    ----------
    course : array_like
        [degree]
    airspeed : array_like
        True airspeed [m s-1], above 0.
    wind_speed, wind_from_direction : array_like
        [m s-1, degree]; all broadcast.

    Returns
    -------
    ndarray
        [degree], positive to the right, -90 to 90; NaN where the crosswind exceeds the airspeed, so that no heading
        makes the course good.
    """
    across = crosswind(course, wind_speed, wind_from_direction)
    ratio = across / np.asarray(airspeed, dtype=float)
    held = np.abs(ratio) <= 1.0
    return np.asarray(np.where(held, np.rad2deg(np.arcsin(np.where(held, ratio, 0.0))), np.nan))


def heading(
    course: npt.ArrayLike,
    airspeed: npt.ArrayLike,
    wind_speed: npt.ArrayLike,
    wind_from_direction: npt.ArrayLike,
) -> Array:
    """Return the heading that makes a course good [degree, 0 to 360]; arguments as in `wind_correction_angle`."""
    angle = wind_correction_angle(course, airspeed, wind_speed, wind_from_direction)
    return np.asarray(np.mod(np.asarray(course, float) + angle, 360.0))


def ground_speed(
    course: npt.ArrayLike,
    airspeed: npt.ArrayLike,
    wind_speed: npt.ArrayLike,
    wind_from_direction: npt.ArrayLike,
) -> Array:
    """Return the speed made good along a course.

    Parameters
    ----------
    course, airspeed, wind_speed, wind_from_direction
        As in `wind_correction_angle`.

    Returns
    -------
    ndarray
        [m s-1]: ``sqrt(V^2 - across^2) - headwind`` [FAA-H-8083-25]. 0 where the aircraft cannot make the course good
        against the crosswind or the headwind. NaN in, NaN out.
    """
    against = headwind(course, wind_speed, wind_from_direction)
    across = crosswind(course, wind_speed, wind_from_direction)
    speed = np.asarray(airspeed, dtype=float)
    along = speed**2 - across**2
    made_good = np.where(along < 0, 0.0, np.sqrt(np.maximum(along, 0.0)) - against)
    made_good = np.where(along < 0, 0.0, np.maximum(made_good, 0.0))
    return np.asarray(np.where(np.isnan(along + against), np.nan, made_good))
