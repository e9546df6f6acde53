"""Low sun: the light photographers like, glare, and shadows.

References
----------
[Photography] Golden and blue hour by the sun's elevation, -4 to +6 and -6 to -4 degrees: common practice, no
    source.
"""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from wxfly.physics.daylight import Times, sun_passes

Array = npt.NDArray[np.float64]

BLUE_HOUR = (-6.0, -4.0)
"""Elevation of the sun [degree] [Photography]."""
GOLDEN_HOUR = (-4.0, 6.0)
"""Elevation of the sun [degree] [Photography]."""
GLARE_ANGLE = 25.0
"""The sun dazzles within this angle of the line of sight, and when it is no higher [degree]. Common practice,
no source."""


class Light(IntEnum):
    """Kind of light by the sun's elevation."""

    NOT_KNOWN = 0
    DARK = 1
    BLUE_HOUR = 2
    GOLDEN_HOUR = 3
    HIGH_SUN = 4


class LowLight(NamedTuple):
    """Blue and golden hours of each day, UTC, NaT where the sun does not pass their ends.

    Attributes
    ----------
    morning_blue_start, morning_golden_start, morning_golden_end : ndarray of datetime64[ms]
        The morning's blue hour ends where its golden hour starts.
    evening_golden_start, evening_golden_end, evening_blue_end : ndarray of datetime64[ms]
        The evening's blue hour starts where its golden hour ends.
    """

    morning_blue_start: Times
    morning_golden_start: Times
    morning_golden_end: Times
    evening_golden_start: Times
    evening_golden_end: Times
    evening_blue_end: Times


def kind_of_light(sun_elevation: npt.ArrayLike) -> npt.NDArray[np.int8]:
    """Give the kind of light.

    Parameters
    ----------
    sun_elevation : array_like
        [degree].

    Returns
    -------
    ndarray of int
        `Light`, [Photography]. A preference for ranking, never a limit.
    """
    h = np.asarray(sun_elevation, dtype=float)
    kind = np.select(
        [np.isnan(h), h < BLUE_HOUR[0], h < GOLDEN_HOUR[0], h <= GOLDEN_HOUR[1]],
        [Light.NOT_KNOWN, Light.DARK, Light.BLUE_HOUR, Light.GOLDEN_HOUR],
        Light.HIGH_SUN,
    )
    return np.asarray(kind, dtype=np.int8)


def low_light(latitude: float, longitude: float, first_day: np.datetime64 | str, days: int) -> LowLight:
    """Give blue and golden hours of consecutive days.

    Parameters
    ----------
    latitude, longitude : float
        [degree].
    first_day : numpy.datetime64 or str
        Day by the sun at the place; for a day on a clock see `wxfly.physics.daylight.solar_day`.
    days : int
        How many.

    Returns
    -------
    LowLight
        Shape ``(days,)`` each.
    """
    blue_up, blue_down = sun_passes(latitude, longitude, first_day, days, BLUE_HOUR[0])
    golden_up, golden_down = sun_passes(latitude, longitude, first_day, days, GOLDEN_HOUR[0])
    high_up, high_down = sun_passes(latitude, longitude, first_day, days, GOLDEN_HOUR[1])
    return LowLight(blue_up, golden_up, high_up, high_down, golden_down, blue_down)


def shadow_length(height: npt.ArrayLike, sun_elevation: npt.ArrayLike) -> Array:
    """Give the length of a shadow on level ground.

    Parameters
    ----------
    height : array_like
        Of what throws it [m].
    sun_elevation : array_like
        [degree]; broadcast.

    Returns
    -------
    ndarray
        [m], ``height / tan(elevation)``; NaN when the sun is not up.
    """
    h = np.asarray(sun_elevation, dtype=float)
    up = h > 0
    return np.asarray(np.where(up, np.asarray(height, dtype=float) / np.tan(np.radians(np.where(up, h, 1.0))), np.nan))


def angle_to_sun(
    sun_elevation: npt.ArrayLike,
    sun_azimuth: npt.ArrayLike,
    view_direction: npt.ArrayLike,
    view_elevation: npt.ArrayLike = 0.0,
) -> Array:
    """Give the angle between the line of sight and the sun.

    Parameters
    ----------
    sun_elevation, sun_azimuth : array_like
        [degree].
    view_direction : array_like
        From the pilot toward the aircraft, clockwise from north [degree].
    view_elevation : array_like, optional
        Of the aircraft as the pilot sees it [degree]; all broadcast.

    Returns
    -------
    ndarray
        [degree], 0 to 180.
    """
    h, e = (np.radians(np.asarray(v, dtype=float)) for v in (sun_elevation, view_elevation))
    turn = np.radians(np.asarray(sun_azimuth, dtype=float) - np.asarray(view_direction, dtype=float))
    cosine = np.sin(h) * np.sin(e) + np.cos(h) * np.cos(e) * np.cos(turn)
    return np.asarray(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))


def glare(
    sun_elevation: npt.ArrayLike,
    sun_azimuth: npt.ArrayLike,
    view_direction: npt.ArrayLike,
    view_elevation: npt.ArrayLike = 0.0,
) -> Array:
    """Tell whether the pilot must look into a low sun.

    Parameters
    ----------
    sun_elevation, sun_azimuth, view_direction, view_elevation : array_like
        As for `angle_to_sun` [degree].

    Returns
    -------
    ndarray
        1 where the sun is up, no higher than 25 degrees, and within 25 degrees of the line of sight; else 0;
        NaN not known. Cloud is not looked at.
    """
    h = np.asarray(sun_elevation, dtype=float)
    angle = angle_to_sun(h, sun_azimuth, view_direction, view_elevation)
    dazzles = (h > -0.8333) & (h <= GLARE_ANGLE) & (angle <= GLARE_ANGLE)
    return np.asarray(np.where(np.isnan(h) | np.isnan(angle), np.nan, dazzles.astype(float)))


def incidence_angle(
    sun_elevation: npt.ArrayLike, sun_azimuth: npt.ArrayLike, slope: npt.ArrayLike, facing: npt.ArrayLike
) -> Array:
    """Give the angle between the sun and the normal of a sloping surface, as of a facade to be photographed.

    Parameters
    ----------
    sun_elevation, sun_azimuth : array_like
        [degree].
    slope : array_like
        From the horizontal [degree]; 90 is a wall.
    facing : array_like
        The direction that it faces, clockwise from north [degree]; all broadcast.

    Returns
    -------
    ndarray
        [degree]; above 90 the surface lies in its own shadow.
    """
    return angle_to_sun(sun_elevation, sun_azimuth, facing, 90.0 - np.asarray(slope, dtype=float))
