"""The sun: its position, rise and set, the lit part of each hour, low light, glare and shadows.

The library `ephem` computes the sun's apparent position every six hours. In between, declination and equation of
time are smooth and interpolated to well below a second, so that all days and hours are computed at once.

References
----------
[14CFR107.29] Civil twilight by the US rule: 30 minutes before sunrise to 30 minutes after sunset.
[Photography] Golden and blue hour by the sun's elevation, -4 to +6 and -6 to -4 degrees: common practice, no
    source.
[SERA] EU 923/2012, "night": between the end of evening and the beginning of morning civil twilight, the
    centre of the sun's disc 6 degrees below the horizon.
[ephem] Rhodes, B.: PyEphem 4, on XEphem's libastro (VSOP87).
"""

from __future__ import annotations

from enum import IntEnum
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from wxfly.physics.wind.levels import cubic_weights

Array = npt.NDArray[np.float64]
Times = npt.NDArray[np.datetime64]

HORIZON = -0.8333
"""Elevation of the sun's centre at sunrise and sunset: 34' of refraction and 16' of radius [degree]."""
CIVIL_TWILIGHT = -6.0
"""Elevation of the sun's centre at civil dawn and dusk [degree]."""
HALF_HOUR = 1800.0
RULES = ("civil_twilight", "half_hour", "sun_up", "any")

_DAY = 86400.0
_STEP = _DAY / 4
_PARALLAX = 8.794 / 3600  # of the sun at the horizon, degree
_EPHEM_EPOCH = -25567.5  # day of 1899-12-31 12:00 counted from 1970-01-01


class SunEvents(NamedTuple):
    """Events of each day, UTC; NaT where there is none.

    Attributes
    ----------
    civil_dawn, sunrise, sunset, civil_dusk : ndarray of datetime64[ms]
        Shape ``(days,)``.
    """

    civil_dawn: Times
    sunrise: Times
    sunset: Times
    civil_dusk: Times


def sun_events(latitude: float, longitude: float, first_day: np.datetime64 | str, days: int) -> SunEvents:
    """Return dawn, sunrise, sunset and dusk of consecutive local days.

    Parameters
    ----------
    latitude, longitude : float
        [degree].
    first_day : numpy.datetime64 or str
        Solar day at the place, for example ``"2026-11-25"``; for a day on a clock see `solar_day`.
    days : int
        Number of days.

    Returns
    -------
    SunEvents
        Day k has the events before and after the solar noon of `first_day` + k. They belong to one local day even
        where they fall on another date in UTC. They assume a level horizon at sea level and mean refraction: hills or
        a cold, clear evening change them by minutes.
    """
    passes = _passes(latitude, longitude, first_day, days, np.array([CIVIL_TWILIGHT, HORIZON]))
    (dawn, rise), (dusk, sets) = (_to_time(half) for half in passes)
    return SunEvents(dawn, rise, sets, dusk)


def sun_passes(
    latitude: float, longitude: float, first_day: np.datetime64 | str, days: int, elevation: float
) -> tuple[Times, Times]:
    """Return when the sun's centre passes an elevation, before and after the solar noon of each day.

    Parameters
    ----------
    latitude, longitude : float
        [degree].
    first_day : numpy.datetime64 or str
        Solar day at the place; for a day on a clock see `solar_day`.
    days : int
        Number of days.
    elevation : float
        Elevation of the sun's centre, without refraction [degree].

    Returns
    -------
    upward, downward : ndarray of datetime64[ms]
        UTC, shape ``(days,)``; NaT where the sun does not pass the elevation.
    """
    upward, downward = _passes(latitude, longitude, first_day, days, np.array([elevation]))
    return _to_time(upward[0]), _to_time(downward[0])


def _passes(
    latitude: float, longitude: float, first_day: np.datetime64 | str, days: int, elevations: Array
) -> tuple[Array, Array]:
    """Return when the sun passes elevations before and after each noon [s], shape ``(elevations, days)`` each."""
    noon, midnight, sun = _noons_and_midnights(float(longitude), _day_number(first_day), days)
    below = np.concatenate([midnight[:-1], midnight[1:]])
    found = _crossing(latitude, longitude, below, np.tile(noon, 2), elevations[:, None], sun)
    return found[:, :days], found[:, days:]


def solar_day(longitude: float, time: np.datetime64) -> np.datetime64:
    """Return the solar day at a place, by the mean sun.

    Parameters
    ----------
    longitude : float
        [degree].
    time : numpy.datetime64
        UTC. For noon on the local clock the result is the day whose solar noon is nearest to it.

    Returns
    -------
    numpy.datetime64
        In days. It differs from the day on the local clock where sun and clock are on different sides of the date
        line, as on the Chatham Islands, in Samoa and in Kiribati.

    Examples
    --------
    >>> str(solar_day(-176.55, np.datetime64("2026-09-25T23:15")))  # noon of the 26th on the Chatham Islands
    '2026-09-25'
    """
    seconds = float(_to_seconds(np.asarray(time, dtype="datetime64[ms]"))) + longitude / 360.0 * _DAY
    return np.datetime64(int(np.floor(seconds / _DAY)), "D")


def sun_position(latitude: npt.ArrayLike, longitude: npt.ArrayLike, time: npt.ArrayLike) -> tuple[Array, Array]:
    """Return the position of the sun.

    Parameters
    ----------
    latitude, longitude : array_like
        [degree].
    time : array_like of datetime64
        UTC; broadcast.

    Returns
    -------
    elevation, azimuth : ndarray
        [degree]. The elevation is that of the sun's centre above the level horizon, without refraction, which lifts a
        low sun by up to half a degree. The azimuth is clockwise from north. NaN where an input is missing.
    """
    seconds = _to_seconds(np.asarray(time, dtype="datetime64[ms]"))
    lat, lon, s = np.broadcast_arrays(np.asarray(latitude, dtype=float), np.asarray(longitude, dtype=float), seconds)
    known = ~np.isnan(s)
    if not known.any():
        nothing = np.full(s.shape, np.nan)
        return nothing, nothing.copy()
    sun = _sun_between(float(s[known].min()), float(s[known].max()))
    sine, cosine_east, cosine_north = _direction(lat, lon, s, sun)
    elevation = _lowered(np.degrees(np.arcsin(np.clip(sine, -1, 1))))
    azimuth = np.degrees(np.arctan2(cosine_east, cosine_north)) % 360
    return np.asarray(elevation), np.asarray(azimuth)


def lit_part(
    latitude: float,
    longitude: float,
    hour_start: npt.ArrayLike,
    hour_length: np.timedelta64,
    *,
    rule: str = "civil_twilight",
) -> tuple[Times, Times]:
    """Return the part of each hour that has the light that the rule asks for.

    Parameters
    ----------
    latitude, longitude : float
        [degree].
    hour_start : array_like of datetime64
        UTC, any order and shape.
    hour_length : numpy.timedelta64
        Length of every hour, at most a day.
    rule : str, optional
        ``civil_twilight``: sun's centre at -6 degrees or more [SERA]; ``half_hour``: from 30 minutes before
        sunrise to 30 minutes after sunset [14CFR107.29]; ``sun_up``: from sunrise to sunset; ``any``: night too, so
        every hour is whole.

    Returns
    -------
    usable_start, usable_end : ndarray of datetime64[s]
        Whole seconds inside the lit part; NaT where it is dark. For an hour that is dark in its middle, as in a short
        summer night, the longer of its lit parts. At the poles the sun rises once a year, and some lit hours of that
        day count as dark.

    Raises
    ------
    ValueError
        For an unknown rule.
    """
    if rule not in RULES:
        raise ValueError(f"daylight rule '{rule}' is not known; wanted one of {', '.join(RULES)}")
    start = _to_seconds(np.asarray(hour_start, dtype="datetime64[ms]"))
    end = start + np.timedelta64(hour_length, "ms").astype(float) / 1000
    known = ~np.isnan(start)
    usable_start = np.full(start.shape, np.nan)
    usable_end = np.full(start.shape, np.nan)
    if rule == "any":
        usable_start, usable_end = np.ceil(start), np.floor(end)
    elif known.any() and np.isfinite(latitude) and np.isfinite(longitude):
        first_day = int(np.floor(start[known].min() / _DAY)) - 2
        days = int(np.ceil(end[known].max() / _DAY)) + 3 - first_day
        begins, ends = _lit_intervals(float(latitude), float(longitude), first_day, days, rule)
        if begins.size:
            pieces_start = np.ceil(np.maximum(start[known][:, np.newaxis], begins))
            pieces_end = np.floor(np.minimum(end[known][:, np.newaxis], ends))
            length = pieces_end - pieces_start
            longest = length.argmax(axis=1)[:, np.newaxis]
            lit = np.take_along_axis(length, longest, 1)[:, 0] > 0
            usable_start[known] = np.where(lit, np.take_along_axis(pieces_start, longest, 1)[:, 0], np.nan)
            usable_end[known] = np.where(lit, np.take_along_axis(pieces_end, longest, 1)[:, 0], np.nan)
    return _to_time(usable_start).astype("datetime64[s]"), _to_time(usable_end).astype("datetime64[s]")


class _Sun(NamedTuple):
    """Declination and equation of time of the sun at equal steps of time."""

    start: float
    declination: Array
    equation_of_time: Array


@lru_cache(maxsize=8)
def _sampled_sun(first_day: int, days: int) -> _Sun:
    import ephem  # here, because it slows the start of the program

    count = int(days * _DAY / _STEP) + 1
    declination, equation = np.empty(count), np.empty(count)
    observer = ephem.Observer()
    observer.lat = observer.lon = "0"
    observer.pressure = 0
    sun = ephem.Sun()
    for i in range(count):
        day = first_day + i * _STEP / _DAY
        observer.date = ephem.Date(day - _EPHEM_EPOCH)
        sun.compute(observer)
        declination[i] = float(sun.g_dec)
        hour_angle = float(observer.sidereal_time()) - float(sun.g_ra)
        equation[i] = hour_angle - 2 * np.pi * ((day + 0.5) % 1.0)
    return _Sun(first_day * _DAY, declination, np.unwrap((equation + np.pi) % (2 * np.pi) - np.pi))


def _sun_between(first: float, last: float) -> _Sun:
    first_day = int(np.floor(first / _DAY)) - 2
    days = int(np.ceil(last / _DAY)) + 2 - first_day
    # Whole blocks of days, so that neighbouring sites and requests share one table.
    first_day -= first_day % 8
    return _sampled_sun(first_day, days + 8 + (-days) % 8)


def _interpolate(sun: _Sun, seconds: Array) -> tuple[Array, Array]:
    """Interpolate declination and equation of time [rad] by cubics through four samples."""
    place = (seconds - sun.start) / _STEP
    index = np.clip(np.floor(np.nan_to_num(place)).astype(int), 1, sun.declination.size - 3)
    declination, equation = np.zeros_like(place), np.zeros_like(place)
    for k, weight in enumerate(cubic_weights(place - index), start=-1):
        declination = declination + weight * sun.declination[index + k]
        equation = equation + weight * sun.equation_of_time[index + k]
    return declination, equation


def _sine(latitude: Array | float, longitude: Array | float, seconds: Array, sun: _Sun) -> Array:
    """Return the sine of the sun's elevation as seen from the earth's centre."""
    declination, equation = _interpolate(sun, seconds)
    hour_angle = 2 * np.pi * (seconds / _DAY + 0.5) + equation + np.radians(longitude)
    phi = np.radians(latitude)
    sine = np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.cos(hour_angle)
    return np.asarray(sine)


def _direction(latitude: Array | float, longitude: Array | float, seconds: Array, sun: _Sun) -> tuple[Array, ...]:
    """Return the direction to the sun: sine of its elevation, and the components toward east and north."""
    declination, equation = _interpolate(sun, seconds)
    hour_angle = 2 * np.pi * (seconds / _DAY + 0.5) + equation + np.radians(longitude)
    phi = np.radians(latitude)
    sine = np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.cos(hour_angle)
    east = -np.cos(declination) * np.sin(hour_angle)
    north = np.cos(phi) * np.sin(declination) - np.sin(phi) * np.cos(declination) * np.cos(hour_angle)
    return sine, east, north


def _lowered(elevation: Array) -> Array:
    """Subtract the parallax: the observer stands on the surface, not at the earth's centre."""
    return np.asarray(elevation - _PARALLAX * np.cos(np.radians(elevation)))


def _elevation(latitude: float, longitude: float, seconds: Array, sun: _Sun) -> Array:
    return _lowered(np.degrees(np.arcsin(np.clip(_sine(latitude, longitude, seconds, sun), -1, 1))))


def _noons_and_midnights(longitude: float, first_day: int, days: int) -> tuple[Array, Array, _Sun]:
    """Return the solar noons of the days and the midnights around each, in seconds."""
    # Half days: midnight, noon, midnight, ... The equation of time hardly changes within its own length.
    mean = (first_day + np.arange(2 * days + 1) / 2 - longitude / 360) * _DAY
    sun = _sun_between(float(mean[0]), float(mean[-1]))
    turn = mean
    for _ in range(3):
        turn = mean - _interpolate(sun, turn)[1] / (2 * np.pi) * _DAY
    return turn[1::2], turn[0::2], sun


def _crossing(
    latitude: float, longitude: float, below: Array, above: Array, elevation: Array | float, sun: _Sun
) -> Array:
    """Find when the sun passes an elevation between a time below it and a time above it; NaN where it does not."""
    below, above = (np.broadcast_to(t, np.broadcast_shapes(t.shape, np.shape(elevation))) for t in (below, above))
    dark = _elevation(latitude, longitude, below, sun) < elevation
    light = _elevation(latitude, longitude, above, sun) >= elevation
    low, high = below.copy(), above.copy()
    for _ in range(24):  # half a day halved 24 times is 3 ms
        middle = (low + high) / 2
        is_below = _elevation(latitude, longitude, middle, sun) < elevation
        low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
    return np.where(dark & light, high, np.nan)


@lru_cache(maxsize=32)
def _lit_intervals(latitude: float, longitude: float, first_day: int, days: int, rule: str) -> tuple[Array, Array]:
    """Return start and end of the separate spans that are lit by the rule in days since 1970, in order."""
    noon, midnight, sun = _noons_and_midnights(longitude, first_day, days)
    elevation = CIVIL_TWILIGHT if rule == "civil_twilight" else HORIZON
    # Between midnight and noon the sun passes the elevation once, or the half day is all lit or all dark.
    begins, ends = [], []
    days = noon.size
    crossings = _crossing(
        latitude, longitude, np.concatenate([midnight[:-1], midnight[1:]]), np.tile(noon, 2), elevation, sun
    )
    for low_time, is_morning in ((midnight[:-1], True), (midnight[1:], False)):
        crossing = crossings[:days] if is_morning else crossings[days:]
        always = (_elevation(latitude, longitude, low_time, sun) >= elevation) & (
            _elevation(latitude, longitude, noon, sun) >= elevation
        )
        edge = np.where(always, low_time, crossing)
        begins.append(edge if is_morning else np.where(np.isnan(edge), np.nan, noon))
        ends.append(np.where(np.isnan(edge), np.nan, noon) if is_morning else edge)
    begin, end = np.concatenate(begins), np.concatenate(ends)
    kept = ~np.isnan(begin)
    begin, end = begin[kept], end[kept]
    order = np.argsort(begin)
    begin, end = begin[order], end[order]
    if rule == "half_hour":
        begin, end = begin - HALF_HOUR, end + HALF_HOUR
    if begin.size == 0:
        return begin, end
    # Join spans that touch or overlap.
    reach = np.maximum.accumulate(end)
    starts = np.concatenate([[True], begin[1:] > reach[:-1] + 1e-3])
    last_of = np.concatenate([starts[1:], [True]])
    return begin[starts], reach[last_of]


def _day_number(day: np.datetime64 | str) -> int:
    return int(np.asarray(day, dtype="datetime64[D]").astype(np.int64))


def _to_seconds(time: Times) -> Array:
    return np.asarray(np.where(np.isnat(time), np.nan, time.astype("datetime64[ms]").astype(np.int64) / 1000.0))


def _to_time(seconds: Array) -> Times:
    known = ~np.isnan(seconds)
    milliseconds = np.round(np.where(known, seconds, 0.0) * 1000).astype(np.int64)
    times = milliseconds.astype("datetime64[ms]")
    times[~known] = np.datetime64("NaT", "s")
    return times


BLUE_HOUR = (-6.0, -4.0)
"""Elevation of the sun [degree] [Photography]."""
GOLDEN_HOUR = (-4.0, 6.0)
"""Elevation of the sun [degree] [Photography]."""
GLARE_ANGLE = 25.0
"""The sun dazzles up to this elevation and within this angle of the line of sight [degree]. Common practice, no
source."""


class Light(IntEnum):
    """Kind of light by the sun's elevation."""

    NOT_KNOWN = 0
    DARK = 1
    BLUE_HOUR = 2
    GOLDEN_HOUR = 3
    HIGH_SUN = 4


class LowLight(NamedTuple):
    """Blue and golden hours of each day, UTC; NaT where the sun does not pass their limits.

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
    """Return the kind of light from the sun's elevation.

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
    """Return blue and golden hours of consecutive days.

    Parameters
    ----------
    latitude, longitude : float
        [degree].
    first_day : numpy.datetime64 or str
        Solar day at the place; for a day on a clock see `solar_day`.
    days : int
        Number of days.

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
    """Return the length of a shadow on level ground.

    Parameters
    ----------
    height : array_like
        Height of the object [m].
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
    """Return the angle between the line of sight and the sun.

    Parameters
    ----------
    sun_elevation, sun_azimuth : array_like
        [degree].
    view_direction : array_like
        From the pilot toward the aircraft, clockwise from north [degree].
    view_elevation : array_like, optional
        Elevation of the aircraft as the pilot sees it [degree]; all broadcast.

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
    """Return whether the pilot must look into a low sun.

    Parameters
    ----------
    sun_elevation, sun_azimuth, view_direction, view_elevation : array_like
        As for `angle_to_sun` [degree].

    Returns
    -------
    ndarray
        1 where the sun is up, no higher than 25 degrees, and within 25 degrees of the line of sight; else 0;
        NaN unknown. Cloud is ignored.
    """
    h = np.asarray(sun_elevation, dtype=float)
    angle = angle_to_sun(h, sun_azimuth, view_direction, view_elevation)
    dazzles = (h > -0.8333) & (h <= GLARE_ANGLE) & (angle <= GLARE_ANGLE)
    return np.asarray(np.where(np.isnan(h) | np.isnan(angle), np.nan, dazzles.astype(float)))
