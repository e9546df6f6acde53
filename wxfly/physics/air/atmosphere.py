"""The state of the air: temperature, pressure, density and humidity, pressure and density altitude, thrust in thin air.

References
----------
[Buck-1996] Buck Research CR-1A User's Manual, appendix 1 (1996): saturation vapour pressure over water and
    ice, revised from Buck (1981), J. Appl. Meteorol. 20, 1527-1532.
[FAA-PHAK] FAA, Pilot's Handbook of Aeronautical Knowledge (FAA-H-8083-25), chapter on aircraft performance.
[ISO-2533] ISO 2533:1975 / ICAO Doc 7488: the standard atmosphere.
[NWS-density] US National Weather Service, density altitude formula.
[WMO-8] WMO-No. 8, Guide to Instruments and Methods of Observation: the height of the screen; annex 4.B: vapour
    pressure.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics import MELTING_POINT, STANDARD_GRAVITY
from wxfly.physics.arrays import floating, power

Array = npt.NDArray[np.float64]

GAS_CONSTANT_OF_DRY_AIR = 287.05287
"""[J kg-1 K-1], [ISO-2533]."""
STANDARD_TEMPERATURE = 288.15
"""At sea level [K], [ISO-2533]."""
STANDARD_PRESSURE = 101325.0
"""At sea level [Pa], [ISO-2533]."""
STANDARD_DENSITY = 1.225
"""At sea level [kg m-3], [ISO-2533]."""
STANDARD_LAPSE_RATE = 0.0065
"""[K m-1], [ISO-2533]."""
SCREEN_HEIGHT = 2.0
"""Height above ground of a forecast's air temperature and humidity [m], [WMO-8]."""

_EXPONENT = STANDARD_GRAVITY / (GAS_CONSTANT_OF_DRY_AIR * STANDARD_LAPSE_RATE)
_VAPOUR_DEFICIT = 0.378  # 1 - molar mass of water / molar mass of dry air


def air_density(air_temperature: npt.ArrayLike, vapour_pressure: npt.ArrayLike, air_pressure: npt.ArrayLike) -> Array:
    """Return the density of moist air as an ideal gas.

    Parameters
    ----------
    air_temperature : array_like
        [K].
    vapour_pressure, air_pressure : array_like
        [Pa], broadcast. The pressure is that at the place, never the one reduced to sea level.

    Returns
    -------
    ndarray
        [kg m-3]; within 0.08 % of the real gas (ASHRAE RP-1485).
    """
    # The same as the density of dry air at the virtual temperature, with fewer steps.
    of_dry_air = floating(air_pressure) - _VAPOUR_DEFICIT * floating(vapour_pressure)
    return np.asarray(of_dry_air / (GAS_CONSTANT_OF_DRY_AIR * floating(air_temperature)))


def pressure_at_height(
    surface_air_pressure: npt.ArrayLike,
    air_temperature: npt.ArrayLike,
    height: npt.ArrayLike,
    *,
    lapse_rate: float = STANDARD_LAPSE_RATE,
) -> Array:
    """Return the pressure at a height above ground, by hydrostatic balance.

    Parameters
    ----------
    surface_air_pressure : array_like
        At the ground [Pa].
    air_temperature : array_like
        Near the ground [K].
    height : array_like
        Above ground [m], up to about 2000 m.
    lapse_rate : float, optional
        Decrease of temperature with height [K m-1].

    Returns
    -------
    ndarray
        [Pa], ``p (1 - lapse_rate z / T)^(g / (R lapse_rate))`` [ISO-2533].
    """
    p = floating(surface_air_pressure)
    t = floating(air_temperature)
    z = np.asarray(height, dtype=t.dtype) if np.ndim(height) == 0 else floating(height)
    if abs(lapse_rate) < 1e-9:
        return np.asarray(p * np.exp(-STANDARD_GRAVITY * z / (GAS_CONSTANT_OF_DRY_AIR * t)))
    exponent = STANDARD_GRAVITY / (GAS_CONSTANT_OF_DRY_AIR * lapse_rate)
    return np.asarray(p * power(1 - lapse_rate * z / t, exponent))


def surface_pressure_from_sea_level(
    air_pressure_at_mean_sea_level: npt.ArrayLike,
    air_temperature: npt.ArrayLike,
    surface_altitude: npt.ArrayLike,
) -> Array:
    """Return the pressure at the ground from the pressure reduced to sea level.

    Parameters
    ----------
    air_pressure_at_mean_sea_level : array_like
        [Pa].
    air_temperature : array_like
        At the place, near the ground [K].
    surface_altitude : array_like
        [m].

    Returns
    -------
    ndarray
        [Pa]. The air column between ground and sea level has the standard lapse rate [ISO-2533]. Weather services fill
        it in different ways, which differ by up to about 1 % of the column's pressure.
    """
    altitude = floating(surface_altitude)
    at_sea_level = floating(air_temperature) + STANDARD_LAPSE_RATE * altitude
    share = 1 - STANDARD_LAPSE_RATE * altitude / at_sea_level
    return np.asarray(floating(air_pressure_at_mean_sea_level) * share**_EXPONENT)


def pressure_altitude(air_pressure: npt.ArrayLike) -> Array:
    """Return the altitude at which the standard atmosphere has this pressure.

    Parameters
    ----------
    air_pressure : array_like
        [Pa], at least 22 632 (11 km).

    Returns
    -------
    ndarray
        Geopotential [m], [ISO-2533].
    """
    ratio = floating(air_pressure) / STANDARD_PRESSURE
    return np.asarray(STANDARD_TEMPERATURE / STANDARD_LAPSE_RATE * (1 - ratio ** (1 / _EXPONENT)))


def density_altitude(air_density: npt.ArrayLike) -> Array:
    """Return the altitude at which the standard atmosphere is as thin as this air.

    Parameters
    ----------
    air_density : array_like
        [kg m-3], at least 0.364 (11 km).

    Returns
    -------
    ndarray
        Geopotential [m], the exact inverse of [ISO-2533]. The formula of [NWS-density] gives 4 to 6 m more.
    """
    ratio = floating(air_density) / STANDARD_DENSITY
    return np.asarray(STANDARD_TEMPERATURE / STANDARD_LAPSE_RATE * (1 - power(ratio, 1 / (_EXPONENT - 1))))


def density_at_density_altitude(density_altitude: npt.ArrayLike) -> Array:
    """Return the density of the standard atmosphere at an altitude; the inverse of `density_altitude`.

    Parameters
    ----------
    density_altitude : array_like
        Geopotential [m], up to 11 000 m.

    Returns
    -------
    ndarray
        [kg m-3], [ISO-2533].
    """
    share = 1 - STANDARD_LAPSE_RATE * floating(density_altitude) / STANDARD_TEMPERATURE
    return np.asarray(STANDARD_DENSITY * share ** (_EXPONENT - 1))


def temperature_at_height(
    air_temperature: npt.ArrayLike,
    air_temperature_aloft: npt.ArrayLike,
    heights: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    *,
    lapse_rate: float = STANDARD_LAPSE_RATE,
) -> Array:
    """Return the air temperature at a height above ground.

    Parameters
    ----------
    air_temperature : array_like
        At 2 m [K], shape ``[...]``.
    air_temperature_aloft : array_like
        At `heights` [K], shape ``[..., level]``; no levels where the source has none.
    heights : array_like
        Levels above ground [m], increasing.
    wanted_height : array_like
        Above ground [m]; a number, or an array that broadcasts against ``[...]``.
    lapse_rate : float, optional
        Decrease of temperature with height [K m-1], used above the highest level only.

    Returns
    -------
    ndarray
        [K], shape ``[...]``. Linear in height between 2 m and the levels; below 2 m the value at 2 m. NaN where a
        needed level on the axis is missing. In an inversion the air at flight height is warmer than the lapse rate
        suggests, on a clear night by several kelvin.
    """
    near_ground = floating(air_temperature)
    levels = floating(heights).reshape(-1)
    aloft = floating(air_temperature_aloft)
    usable = levels > SCREEN_HEIGHT
    if np.ndim(wanted_height) == 0 and usable.all():
        return _temperature_at_one_height(near_ground, aloft, levels, float(np.asarray(wanted_height)), lapse_rate)
    levels, aloft = levels[usable], aloft[..., usable]
    shape = np.broadcast_shapes(near_ground.shape, aloft.shape[:-1], np.shape(wanted_height))
    wanted = np.maximum(np.broadcast_to(floating(wanted_height), shape), SCREEN_HEIGHT)
    if levels.size == 0:
        return np.asarray(near_ground - lapse_rate * (wanted - SCREEN_HEIGHT))

    z = np.concatenate([[SCREEN_HEIGHT], levels])
    profile = np.concatenate(
        [
            np.broadcast_to(near_ground, shape)[..., np.newaxis],
            np.broadcast_to(aloft, (*shape, levels.size)),
        ],
        axis=-1,
    )
    below = np.clip(np.searchsorted(z, wanted, side="right") - 1, 0, z.size - 1)
    above = np.minimum(below + 1, z.size - 1)
    lower = np.take_along_axis(profile, below[..., np.newaxis], -1)[..., 0]
    upper = np.take_along_axis(profile, above[..., np.newaxis], -1)[..., 0]
    beyond = np.maximum(wanted - z[-1], 0.0)
    weight = np.where(above > below, (wanted - z[below]) / np.where(above > below, z[above] - z[below], 1.0), 0.0)
    # A level with zero weight is not needed, so it may be missing.
    between = np.where(weight > 0, lower + weight * (upper - lower), lower)
    result = between - lapse_rate * beyond
    return np.asarray(np.where(np.isnan(wanted), np.nan, result))


def _temperature_at_one_height(
    near_ground: Array, aloft: Array, levels: Array, wanted: float, lapse_rate: float
) -> Array:
    """Return what `temperature_at_height` does, without looking for the levels hour by hour."""
    z = np.concatenate([[SCREEN_HEIGHT], levels])
    wanted = max(wanted, SCREEN_HEIGHT)
    below = int(np.searchsorted(z, wanted, side="right")) - 1
    lower = near_ground if below == 0 else aloft[..., below - 1]
    if below == levels.size:
        return np.asarray(lower - lapse_rate * float(wanted - z[-1]))
    weight = float((wanted - z[below]) / (z[below + 1] - z[below]))
    return np.asarray(lower + weight * (aloft[..., below] - lower) if weight else lower)


def spare_thrust(air_density: npt.ArrayLike, maximum_takeoff_altitude: npt.ArrayLike) -> Array:
    """Return the spare thrust compared with that at the highest take-off altitude that the maker allows.

    Parameters
    ----------
    air_density : array_like
        [kg m-3].
    maximum_takeoff_altitude : array_like
        Maker's limit [m], as an altitude of the standard atmosphere; broadcast.

    Returns
    -------
    ndarray
        [1]: ``density / density at that altitude - 1``, because at equal rotor speed thrust is proportional to
        density. 0 is the maker's limit. Below 0 the air is thinner than the maker allows: the density altitude is
        above that limit.
    """
    return np.asarray(floating(air_density) / density_at_density_altitude(maximum_takeoff_altitude) - 1)


def saturation_vapour_pressure(air_temperature: npt.ArrayLike) -> Array:
    """Return the saturation vapour pressure over water, above and below freezing.

    Parameters
    ----------
    air_temperature : array_like
        Any shape [K]; 193 to 323 K.

    Returns
    -------
    ndarray
        [Pa]; over water because forecast humidity refers to water at every temperature.

    Notes
    -----
    [Buck-1996]; within 0.05 % of IAPWS-97 from 0 to 40 degC.
    """
    t = floating(air_temperature) - MELTING_POINT
    exponent = 18.678 - t / 234.5
    exponent *= t  # in place: a grid has many
    exponent /= 257.14 + t
    return np.asarray(611.21 * np.exp(exponent))


def relative_humidity_from_dew_point(air_temperature: npt.ArrayLike, dew_point_temperature: npt.ArrayLike) -> Array:
    """Return the relative humidity over water from air temperature and dew point.

    Parameters
    ----------
    air_temperature, dew_point_temperature : array_like
        [K], broadcast.

    Returns
    -------
    ndarray
        [1]; above 1 where the dew point is above the temperature.
    """
    return relative_humidity(saturation_vapour_pressure(dew_point_temperature), air_temperature)


def relative_humidity(vapour_pressure: npt.ArrayLike, air_temperature: npt.ArrayLike) -> Array:
    """Return the relative humidity over water [1] from vapour pressure [Pa] and air temperature [K], broadcast."""
    return np.asarray(floating(vapour_pressure) / saturation_vapour_pressure(air_temperature))


def dew_point_from_vapour_pressure(vapour_pressure: npt.ArrayLike) -> Array:
    """Return the temperature at which the vapour pressure saturates over water.

    Parameters
    ----------
    vapour_pressure : array_like
        Any shape [Pa], above 0.

    Returns
    -------
    ndarray
        [K]; the exact inverse of `saturation_vapour_pressure`. NaN for a pressure that is not positive.
    """
    return _inverse_of_buck(vapour_pressure, 611.21, 18.678, 234.5, 257.14)


def frost_point_from_vapour_pressure(vapour_pressure: npt.ArrayLike) -> Array:
    """Return the temperature at which the vapour pressure saturates over ice [K]."""
    return _inverse_of_buck(vapour_pressure, 611.15, 23.036, 333.7, 279.82)


def _inverse_of_buck(vapour_pressure: npt.ArrayLike, a: float, b: float, d: float, c: float) -> Array:
    """Solve ``ln(e/a) = (b - t/d) t / (c + t)`` for t, a quadratic equation."""
    e = floating(vapour_pressure)
    s = np.log(np.where(e > 0, e, np.nan) / a)
    half = b - s
    return np.asarray(d / 2 * (half - np.sqrt(half**2 - 4 * c * s / d)) + MELTING_POINT)


def is_wet_bulb_at_most(
    limit: float, air_temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike, air_pressure: npt.ArrayLike
) -> npt.NDArray[np.bool_]:
    """Return where the wet bulb is no warmer than a limit, without working it out.

    Parameters
    ----------
    limit : float
        [K], 230 to 323 K.
    air_temperature : array_like
        [K].
    relative_humidity : array_like
        Over water [1].
    air_pressure : array_like
        [Pa]; broadcast.

    Returns
    -------
    ndarray of bool
        The psychrometer equation ``e = es(Tw) - A p (T - Tw)`` of [WMO-8], with ``A = 6.53e-4 (1 + 0.000944 tw)`` for a
        ventilated wet bulb over water, rises with the wet bulb Tw, so its value at the limit decides. False where
        unknown.
    """
    t = floating(air_temperature)
    e = floating(relative_humidity) * saturation_vapour_pressure(t)
    return np.asarray(_psychrometer(t, limit, floating(air_pressure)) >= e)


def _psychrometer(air_temperature: Array, wet_bulb: Array | float, air_pressure: Array) -> Array:
    """Return the vapour pressure [Pa] by the psychrometer equation of [WMO-8]."""
    coefficient = 6.53e-4 * (1 + 0.000944 * (wet_bulb - MELTING_POINT))
    return np.asarray(saturation_vapour_pressure(wet_bulb) - coefficient * air_pressure * (air_temperature - wet_bulb))
