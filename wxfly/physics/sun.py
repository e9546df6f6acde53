"""The sun: its position, rise and set, the lit part of each hour, low light, glare and shadows.

The library `ephem` computes the sun's apparent position every six hours. In between, declination and equation of
time are smooth and interpolated to well below a second. They are the same for every place, so that all places, days
and hours are computed at once: elevation and azimuth by the sun's hour angle [Meeus, 13], passes by the hour angle at
an elevation [Meeus, 15].

References
----------
[14CFR107.29] Civil twilight by the US rule: 30 minutes before sunrise to 30 minutes after sunset.
[Photography] Golden and blue hour by the sun's elevation, -4 to +6 and -6 to -4 degrees: common practice, no
    source.
[Meeus] Meeus, J. (1998): Astronomical Algorithms, 2nd ed., chapter 13, equations 13.5 and 13.6, and chapter 15,
    equation 15.1 (numbers of the equations from memory).
[SERA] EU 923/2012, "night": between the end of evening and the beginning of morning civil twilight, the
    centre of the sun's disc 6 degrees below the horizon.
[ephem] Rhodes, B.: PyEphem 4, on XEphem's libastro (VSOP87).
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import IntEnum
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Times = npt.NDArray[np.datetime64]

HORIZON = -0.8333
"""Elevation of the sun's centre at sunrise and sunset: 34' of refraction and 16' of radius [degree]."""
CIVIL_TWILIGHT = -6.0
"""Elevation of the sun's centre at civil dawn and dusk [degree]."""
HALF_HOUR = 1800.0
DAYLIGHT_RULES = ("civil_twilight", "half_hour", "sun_up", "any")

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
    passes = _passes(latitude, longitude, first_day, days, (CIVIL_TWILIGHT, HORIZON))
    (dawn, rise), (dusk, sets) = ([_to_time(times) for times in half] for half in passes)
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
    upward, downward = _passes(latitude, longitude, first_day, days, (elevation,))
    return _to_time(upward[0]), _to_time(downward[0])


def _passes(
    latitude: float, longitude: float, first_day: np.datetime64 | str, days: int, elevations: Sequence[float]
) -> tuple[list[Array], list[Array]]:
    """Return when the sun passes elevations before and after each noon [s], for each elevation ``(days,)``."""
    lat, lon = np.array([float(latitude)]), np.array([float(longitude)])
    noon, midnight, sun = _noons_and_midnights(lon, _day_number(first_day), days)
    upward, downward = (
        [_crossings(lat, dark_side, noon, elevation, lon, sun)[0][:, 0] for elevation in elevations]
        for dark_side in (midnight[:-1], midnight[1:])
    )
    return upward, downward


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
    lat, along_axis, toward, east = _sun_from_meridian(latitude, longitude, time)
    north = np.cos(lat) * along_axis - np.sin(lat) * toward
    azimuth = np.degrees(np.arctan2(east, north))
    azimuth += np.where(azimuth < 0.0, 360.0, 0.0)
    elevation = _elevation_of(lat, along_axis, toward)
    return elevation, np.asarray(np.where(azimuth >= 360.0, 0.0, azimuth))


def sun_elevation(latitude: npt.ArrayLike, longitude: npt.ArrayLike, time: npt.ArrayLike) -> Array:
    """Return the elevation of the sun alone [degree], as `sun_position` does."""
    lat, along_axis, toward, _ = _sun_from_meridian(latitude, longitude, time)
    return _elevation_of(lat, along_axis, toward)


def _sun_from_meridian(
    latitude: npt.ArrayLike, longitude: npt.ArrayLike, time: npt.ArrayLike
) -> tuple[Array, Array, Array, Array]:
    """Return the latitude [rad], and the sun along the earth's axis, toward the meridian and to the east of it [1].

    Angles are of the times or of the places alone; only sums and products of their sines are of both.
    """
    seconds = _to_seconds(np.asarray(time, dtype="datetime64[ms]"))
    lat, lon = (np.radians(np.asarray(angle, dtype=float)) for angle in (latitude, longitude))
    known = ~np.isnan(seconds)
    if not known.any():
        nothing = np.full(np.broadcast_shapes(lat.shape, lon.shape, seconds.shape), np.nan)
        return lat, nothing, nothing, nothing
    sun = _sun_between(float(seconds[known].min()), float(seconds[known].max()))
    declination, equation = _interpolate(sun, seconds)
    turned = _hour_angle_at_greenwich(seconds, equation)
    far, near = np.cos(declination) * np.sin(turned), np.cos(declination) * np.cos(turned)
    toward = near * np.cos(lon) - far * np.sin(lon)
    east = -(far * np.cos(lon) + near * np.sin(lon))
    return lat, np.sin(declination), toward, east


def _elevation_of(latitude: Array, along_axis: Array, toward: Array) -> Array:
    sine = np.clip(np.sin(latitude) * along_axis + np.cos(latitude) * toward, -1.0, 1.0)
    # Minus the parallax: the observer stands on the surface, not at the earth's centre.
    return np.asarray(np.degrees(np.arcsin(sine)) - _PARALLAX * np.sqrt(1.0 - sine * sine))


def lit_part(
    latitude: npt.ArrayLike,
    longitude: npt.ArrayLike,
    hour_start: npt.ArrayLike,
    hour_length: np.timedelta64,
    *,
    rule: str = "civil_twilight",
) -> tuple[Times, Times]:
    """Return the part of each hour that has the light that the rule asks for.

    Parameters
    ----------
    latitude, longitude : array_like
        [degree].
    hour_start : array_like of datetime64
        UTC, any order and shape; broadcast with the places.
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
    if rule not in DAYLIGHT_RULES:
        raise ValueError(f"daylight rule '{rule}' is not known; wanted one of {', '.join(DAYLIGHT_RULES)}")
    start = _to_seconds(np.asarray(hour_start, dtype="datetime64[ms]"))
    length = float(np.timedelta64(hour_length, "ms").astype(float)) / 1000
    lat, lon = np.broadcast_arrays(np.asarray(latitude, dtype=float), np.asarray(longitude, dtype=float))
    shape = np.broadcast_shapes(lat.shape, start.shape)
    known = ~np.isnan(start)
    if rule == "any":
        begin, end = np.broadcast_to(np.ceil(start), shape), np.broadcast_to(np.floor(start + length), shape)
        return _to_time(begin).astype("datetime64[s]"), _to_time(end).astype("datetime64[s]")
    if not known.any() or lat.size == 0:
        nothing = np.full(shape, np.datetime64("NaT", "s"))
        return nothing, nothing.copy()
    # The solar days of the hours, the day before and the day after; the equation of time is below a fiftieth of a day.
    east = np.nan_to_num(lon) / 360
    first_day = int(np.floor((start[known].min() + length / 2) / _DAY + east.min() - 0.02)) - 1
    days = int(np.floor((start[known].max() + length / 2) / _DAY + east.max() + 0.02)) + 2 - first_day
    spans = _lit_spans(lat.ravel(), lon.ravel(), first_day, days, rule)
    place = np.broadcast_to(np.arange(lat.size).reshape(lat.shape), shape)
    begin, end = _longest_lit(spans, place, np.broadcast_to(start, shape), length)
    return _to_time(begin).astype("datetime64[s]"), _to_time(end).astype("datetime64[s]")


class _Cubics(NamedTuple):
    """Cubics through four equally spaced samples, one for each step between the middle two, by Lagrange."""

    constant: Array
    linear: Array
    square: Array
    cube: Array

    @classmethod
    def through(cls, samples: Array) -> _Cubics:
        """Return the cubics of the steps from the second sample to the last but one."""
        before, first, second, after = samples[:-3], samples[1:-2], samples[2:-1], samples[3:]
        return cls(
            first,
            -before / 3 - first / 2 + second - after / 6,
            before / 2 - first + second / 2,
            -before / 6 + first / 2 - second / 2 + after / 6,
        )

    def at(self, step: npt.NDArray[np.int_], x: Array) -> Array:
        """Return the values at a place in a step, from 0 to 1."""
        constant, linear, square, cube = (coefficients.take(step) for coefficients in self)
        return ((cube * x + square) * x + linear) * x + constant


class _Sun(NamedTuple):
    """Declination and equation of time of the sun at equal steps of time."""

    start: float
    declination: _Cubics
    equation_of_time: _Cubics


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
    equation = np.unwrap((equation + np.pi) % (2 * np.pi) - np.pi)
    return _Sun(first_day * _DAY, _Cubics.through(declination), _Cubics.through(equation))


def _sun_between(first: float, last: float) -> _Sun:
    first_day = int(np.floor(first / _DAY)) - 2
    days = int(np.ceil(last / _DAY)) + 2 - first_day
    # Whole blocks of days, so that neighbouring sites and requests share one table.
    first_day -= first_day % 8
    return _sampled_sun(first_day, days + 8 + (-days) % 8)


def _interpolate(sun: _Sun, seconds: Array) -> tuple[Array, Array]:
    """Interpolate declination and equation of time [rad] by cubics through four samples."""
    place = (seconds - sun.start) / _STEP
    last = sun.declination.constant.size - 1
    step = np.clip(np.floor(np.nan_to_num(place)).astype(int) - 1, 0, last)
    x = place - step - 1
    return sun.declination.at(step, x), sun.equation_of_time.at(step, x)


def _hour_angle_at_greenwich(seconds: Array, equation: Array) -> Array:
    return np.asarray(2 * np.pi * (seconds / _DAY + 0.5) + equation)


def _lowered(elevation: Array) -> Array:
    """Subtract the parallax: the observer stands on the surface, not at the earth's centre."""
    return np.asarray(elevation - _PARALLAX * np.cos(np.radians(elevation)))


def _elevation(latitude: npt.ArrayLike, longitude: npt.ArrayLike, seconds: Array, sun: _Sun) -> Array:
    """Return the elevation of the sun [degree]; all broadcast."""
    declination, equation = _interpolate(sun, seconds)
    hour_angle = _hour_angle_at_greenwich(seconds, equation) + np.radians(longitude)
    phi = np.radians(latitude)
    sine = np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.cos(hour_angle)
    return _lowered(np.degrees(np.arcsin(np.clip(sine, -1, 1))))


def _noons_and_midnights(longitude: Array, first_day: int, days: int) -> tuple[Array, Array, _Sun]:
    """Return the solar noons of days ``(days, places)`` and the midnights around them ``(days + 1, places)`` [s].

    A place without a longitude has the times of Greenwich.
    """
    # Half days: midnight, noon, midnight, ... The equation of time hardly changes within its own length.
    halves = np.arange(2 * days + 1).reshape(-1, *([1] * longitude.ndim)) / 2
    mean = (first_day + halves - np.nan_to_num(longitude) / 360) * _DAY
    sun = _sun_between(float(mean.min()), float(mean.max()))
    turn = mean
    for _ in range(3):
        turn = mean - _interpolate(sun, turn)[1] / (2 * np.pi) * _DAY
    return turn[1::2], turn[0::2], sun


_GRAZING = 0.02  # 1 - |cosine of the hour angle| below which the sun moves almost along the elevation
_BISECTIONS = 24  # half a day halved so often is 3 ms


def _crossings(
    latitude: Array, below: Array, above: Array, elevation: float, longitude: Array, sun: _Sun
) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Find when the sun passes an elevation between a midnight and a noon.

    Parameters
    ----------
    latitude, longitude : ndarray
        Of the places [degree].
    below, above : ndarray
        Midnights and the noons that follow or precede them [s], days on the first axis, then the places.
    elevation : float
        [degree].
    sun : _Sun
        Covers the times.

    Returns
    -------
    crossing : ndarray
        [s]; NaN where the sun does not pass the elevation between the two.
    is_always_lit : ndarray of bool
        Where the sun is above it at both.
    """
    lat, lon = (np.broadcast_to(angle, below.shape) for angle in (latitude, longitude))
    dark = _elevation(latitude, longitude, below, sun) < elevation
    light = _elevation(latitude, longitude, above, sun) >= elevation
    # The parallax raises the elevation as seen from the earth's centre.
    sine = np.sin(np.radians(elevation + _PARALLAX * np.cos(np.radians(elevation))))
    phi, toward = np.radians(latitude), np.sign(below - above)
    along_axis, across = np.sin(phi), np.cos(phi)
    found, moved, is_grazing = above, np.full(below.shape, np.inf), np.zeros(below.shape, dtype=bool)
    mean_noon = above + _interpolate(sun, above)[1] / (2 * np.pi) * _DAY
    with np.errstate(divide="ignore", invalid="ignore"):
        for _ in range(4):  # each brings the error to a hundredth of what it was, or less
            declination, equation = _interpolate(sun, found)
            cosine = (sine - along_axis * np.sin(declination)) / (across * np.cos(declination))
            is_grazing = ~(np.abs(cosine) < 1 - _GRAZING)
            angle = np.arccos(np.clip(cosine, -1, 1))
            moved = found
            found = mean_noon + (toward * angle - equation) / (2 * np.pi) * _DAY
            moved = np.abs(found - moved)
    passes = dark & light
    found = np.where(passes, found, np.nan)
    left = passes & (is_grazing | ~(moved < 1e-3))
    if left.any():
        low, high = below[left], above[left]
        for _ in range(_BISECTIONS):
            middle = (low + high) / 2
            is_below = _elevation(lat[left], lon[left], middle, sun) < elevation
            low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
        found[left] = high
    return found, np.asarray(light & ~dark & ~np.isnan(lat * lon))


class _LitSpans(NamedTuple):
    """The lit span around each solar noon, and the midnights around it, in seconds.

    Attributes
    ----------
    begin, end : ndarray
        Shape ``(days, places)``; NaN where it is dark at noon. Spans of neighbouring days touch where midnight is lit.
    midnight : ndarray
        Shape ``(days + 1, places)``.
    reach : float
        How far a span may go past the midnights.
    """

    begin: Array
    end: Array
    midnight: Array
    reach: float


def _lit_spans(latitude: Array, longitude: Array, first_day: int, days: int, rule: str) -> _LitSpans:
    """Return the spans that are lit by the rule at places, for days since 1970."""
    noon, midnight, sun = _noons_and_midnights(longitude, first_day, days)
    elevation = CIVIL_TWILIGHT if rule == "civil_twilight" else HORIZON
    # Between midnight and noon the sun passes the elevation once, or the half day is all lit or all dark.
    begin, end = (
        np.where(is_always_lit, dark_side, crossing)
        for dark_side in (midnight[:-1], midnight[1:])
        for crossing, is_always_lit in [_crossings(latitude, dark_side, noon, elevation, longitude, sun)]
    )
    is_dark = np.isnan(begin) & np.isnan(end)
    begin, end = (np.where(is_dark, np.nan, np.where(np.isnan(edge), noon, edge)) for edge in (begin, end))
    if rule == "half_hour":
        return _LitSpans(begin - HALF_HOUR, end + HALF_HOUR, midnight, HALF_HOUR)
    return _LitSpans(begin, end, midnight, 0.0)


def _longest_lit(spans: _LitSpans, place: npt.NDArray[np.int_], start: Array, length: float) -> tuple[Array, Array]:
    """Return begin and end of the longest lit part of hours in whole seconds, NaN where there is none."""
    known = ~np.isnan(start)
    filled = np.where(known, start, spans.midnight[2].min())
    finish = filled + length
    day = np.floor((filled + length / 2 - spans.midnight[0][place]) / _DAY).astype(int)
    day = np.clip(day, 1, spans.begin.shape[0] - 2)
    begin = np.maximum(filled, spans.begin[day, place])
    end = np.minimum(finish, spans.end[day, place])
    # Where an hour reaches past the midnights of its day, the day before and the day after have a say.
    over = (filled < spans.midnight[day, place] + spans.reach) | (finish > spans.midnight[day + 1, place] - spans.reach)
    if over.any():
        at, d = place[over], day[over]
        pieces = [
            (np.maximum(filled[over], spans.begin[d + k, at]), np.minimum(finish[over], spans.end[d + k, at]))
            for k in (-1, 0, 1)
        ]
        begin[over], end[over] = _longest_joined(pieces)
    begin, end = np.ceil(begin), np.floor(end)
    is_lit = known & (end > begin)
    return np.where(is_lit, begin, np.nan), np.where(is_lit, end, np.nan)


def _longest_joined(pieces: list[tuple[Array, Array]]) -> tuple[Array, Array]:
    """Join pieces that touch, in the order of time, and return the longest; an empty piece ends before it begins."""
    best_begin, best_end = np.full(pieces[0][0].shape, np.nan), np.full(pieces[0][0].shape, np.nan)
    begin, end = best_begin, best_end
    for piece_begin, piece_end in pieces:
        is_piece = piece_end > piece_begin
        joins = is_piece & (piece_begin <= end + 1e-3)
        begin = np.where(is_piece & ~joins, piece_begin, begin)
        end = np.where(joins, np.fmax(end, piece_end), np.where(is_piece, piece_end, end))
        is_longer = ~(np.floor(end) - np.ceil(begin) <= np.floor(best_end) - np.ceil(best_begin))
        best_begin, best_end = np.where(is_longer, begin, best_begin), np.where(is_longer, end, best_end)
    return best_begin, best_end


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
