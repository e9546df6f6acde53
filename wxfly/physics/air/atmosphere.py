"""The atmosphere: temperature, pressure and density with height; pressure and density altitude; altimeter settings.

The effect of water vapour is in `wxfly.physics.air.humidity`, and can be imported from here as well.
Other published formulas for density altitude stand beside ours, as does the thrust that thin air leaves.

References
----------
[FAA-PHAK] FAA, Pilot's Handbook of Aeronautical Knowledge (FAA-H-8083-25), chapter on aircraft performance.
[ISO-2533] ISO 2533:1975 / ICAO Doc 7488: the standard atmosphere.
[NWS-density] US National Weather Service, density altitude formula.
[WMO-8] WMO-No. 8, Guide to Instruments and Methods of Observation: the height of the screen.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.air.humidity import (  # noqa: F401  found here as well
    dew_point_from_relative_humidity,
    dew_point_from_vapour_pressure,
    frost_point_from_relative_humidity,
    frost_point_from_vapour_pressure,
    relative_humidity_from_dew_point,
    saturation_vapour_pressure,
    saturation_vapour_pressure_over_ice,
    wet_bulb_temperature,
)

Array = npt.NDArray[np.float64]

STANDARD_GRAVITY = 9.80665
"""[m s-2], [ISO-2533]."""
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
"""Height above ground at which a forecast gives air temperature and humidity [m], [WMO-8]."""

_EXPONENT = STANDARD_GRAVITY / (GAS_CONSTANT_OF_DRY_AIR * STANDARD_LAPSE_RATE)
_VAPOUR_DEFICIT = 0.378  # 1 - molar mass of water / molar mass of dry air


def virtual_temperature(
    air_temperature: npt.ArrayLike, vapour_pressure: npt.ArrayLike, air_pressure: npt.ArrayLike
) -> Array:
    """Return the temperature at which dry air would be as light as this moist air.

    Parameters
    ----------
    air_temperature : array_like
        [K].
    vapour_pressure, air_pressure : array_like
        [Pa], broadcast.

    Returns
    -------
    ndarray
        [K], ``T / (1 - 0.378 e/p)``.
    """
    share = np.asarray(vapour_pressure, dtype=float) / np.asarray(air_pressure, dtype=float)
    return np.asarray(np.asarray(air_temperature, dtype=float) / (1 - _VAPOUR_DEFICIT * share))


def air_density(air_temperature: npt.ArrayLike, vapour_pressure: npt.ArrayLike, air_pressure: npt.ArrayLike) -> Array:
    """Return the density of moist air as an ideal gas.

    Parameters
    ----------
    air_temperature : array_like
        [K].
    vapour_pressure, air_pressure : array_like
        [Pa], broadcast. The pressure at the place, never the one reduced to sea level.

    Returns
    -------
    ndarray
        [kg m-3]; within 0.08 % of the real gas (ASHRAE RP-1485).
    """
    warm = virtual_temperature(air_temperature, vapour_pressure, air_pressure)
    return np.asarray(np.asarray(air_pressure, dtype=float) / (GAS_CONSTANT_OF_DRY_AIR * warm))


def pressure_at_height(
    surface_air_pressure: npt.ArrayLike,
    air_temperature: npt.ArrayLike,
    height: npt.ArrayLike,
    *,
    lapse_rate: float = STANDARD_LAPSE_RATE,
) -> Array:
    """Carry the pressure from the ground up to a height, hydrostatically.

    Parameters
    ----------
    surface_air_pressure : array_like
        At the ground [Pa].
    air_temperature : array_like
        Near the ground [K].
    height : array_like
        Above ground [m], up to about 2000 m.
    lapse_rate : float, optional
        Fall of temperature with height [K m-1].

    Returns
    -------
    ndarray
        [Pa], ``p (1 - lapse_rate z / T)^(g / (R lapse_rate))`` [ISO-2533].
    """
    p = np.asarray(surface_air_pressure, dtype=float)
    t = np.asarray(air_temperature, dtype=float)
    z = np.asarray(height, dtype=float)
    if abs(lapse_rate) < 1e-9:
        return np.asarray(p * np.exp(-STANDARD_GRAVITY * z / (GAS_CONSTANT_OF_DRY_AIR * t)))
    exponent = STANDARD_GRAVITY / (GAS_CONSTANT_OF_DRY_AIR * lapse_rate)
    return np.asarray(p * (1 - lapse_rate * z / t) ** exponent)


def surface_pressure_from_sea_level(
    air_pressure_at_mean_sea_level: npt.ArrayLike,
    air_temperature: npt.ArrayLike,
    surface_altitude: npt.ArrayLike,
) -> Array:
    """Undo the reduction to sea level.

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
        Pressure at the ground [Pa]. The column that was added is taken with the standard lapse rate
        [ISO-2533]; services differ in how they fill it, by up to about 1 % of the altitude's pressure share.
    """
    altitude = np.asarray(surface_altitude, dtype=float)
    at_sea_level = np.asarray(air_temperature, dtype=float) + STANDARD_LAPSE_RATE * altitude
    share = 1 - STANDARD_LAPSE_RATE * altitude / at_sea_level
    return np.asarray(np.asarray(air_pressure_at_mean_sea_level, dtype=float) * share**_EXPONENT)


def pressure_altitude(air_pressure: npt.ArrayLike) -> Array:
    """Return the altitude at which the standard atmosphere has this pressure.

    Parameters
    ----------
    air_pressure : array_like
        [Pa], 22 632 (11 km) and more.

    Returns
    -------
    ndarray
        Geopotential [m], [ISO-2533].
    """
    ratio = np.asarray(air_pressure, dtype=float) / STANDARD_PRESSURE
    return np.asarray(STANDARD_TEMPERATURE / STANDARD_LAPSE_RATE * (1 - ratio ** (1 / _EXPONENT)))


def pressure_at_pressure_altitude(pressure_altitude: npt.ArrayLike) -> Array:
    """Return the pressure of the standard atmosphere at an altitude; the inverse of `pressure_altitude`.

    Parameters
    ----------
    pressure_altitude : array_like
        Geopotential [m], up to 11 000 m.

    Returns
    -------
    ndarray
        [Pa], [ISO-2533].
    """
    share = 1 - STANDARD_LAPSE_RATE * np.asarray(pressure_altitude, dtype=float) / STANDARD_TEMPERATURE
    return np.asarray(STANDARD_PRESSURE * share**_EXPONENT)


def density_altitude(air_density: npt.ArrayLike) -> Array:
    """Return the altitude at which the standard atmosphere is as thin as this air.

    Parameters
    ----------
    air_density : array_like
        [kg m-3], 0.364 (11 km) and more.

    Returns
    -------
    ndarray
        Geopotential [m], exact inverse of [ISO-2533]; the US weather service's formula gives 4 to 6 m more.
    """
    ratio = np.asarray(air_density, dtype=float) / STANDARD_DENSITY
    return np.asarray(STANDARD_TEMPERATURE / STANDARD_LAPSE_RATE * (1 - ratio ** (1 / (_EXPONENT - 1))))


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
    share = 1 - STANDARD_LAPSE_RATE * np.asarray(density_altitude, dtype=float) / STANDARD_TEMPERATURE
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
        Of the levels above ground [m], increasing.
    wanted_height : array_like
        Above ground [m]; a number or an array that goes with ``[...]``.
    lapse_rate : float, optional
        Fall of temperature with height [K m-1], used above the highest level only.

    Returns
    -------
    ndarray
        [K], shape ``[...]``. Linear in height between 2 m and the levels; below 2 m the value at 2 m. A level
        that is on the axis, is needed and is missing gives NaN: not known. In an inversion the air at flight
        height is warmer than the lapse rate says, on a clear night by several kelvin.
    """
    near_ground = np.asarray(air_temperature, dtype=float)
    levels = np.asarray(heights, dtype=float).reshape(-1)
    aloft = np.asarray(air_temperature_aloft, dtype=float)
    usable = levels > SCREEN_HEIGHT
    levels, aloft = levels[usable], aloft[..., usable]
    shape = np.broadcast_shapes(near_ground.shape, aloft.shape[:-1], np.shape(wanted_height))
    wanted = np.maximum(np.broadcast_to(np.asarray(wanted_height, dtype=float), shape), SCREEN_HEIGHT)
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
    # A level of no weight is not needed, so that it may be missing.
    between = np.where(weight > 0, lower + weight * (upper - lower), lower)
    result = between - lapse_rate * beyond
    return np.asarray(np.where(np.isnan(wanted), np.nan, result))


_MELTING_POINT = 273.15


def pressure_altitude_from_altimeter_setting(
    surface_altitude: npt.ArrayLike, altimeter_setting: npt.ArrayLike
) -> Array:
    """Return the pressure altitude of a field from its altitude and its QNH.

    Parameters
    ----------
    surface_altitude : array_like
        Of the field [m].
    altimeter_setting : array_like
        QNH [Pa].

    Returns
    -------
    ndarray
        [m]: the field's altitude and the pressure altitude of the QNH, as an altimeter adds them.
    """
    return np.asarray(np.asarray(surface_altitude, dtype=float) + pressure_altitude(altimeter_setting))


def altimeter_setting(surface_air_pressure: npt.ArrayLike, surface_altitude: npt.ArrayLike) -> Array:
    """Return the QNH: what an altimeter is set to so that it shows the field's altitude on the ground.

    Parameters
    ----------
    surface_air_pressure : array_like
        [Pa].
    surface_altitude : array_like
        [m].

    Returns
    -------
    ndarray
        [Pa].
    """
    return pressure_at_pressure_altitude(
        pressure_altitude(surface_air_pressure) - np.asarray(surface_altitude, dtype=float)
    )


def density_altitude_by_weather_service(
    air_temperature: npt.ArrayLike, dew_point_temperature: npt.ArrayLike, air_pressure: npt.ArrayLike
) -> Array:
    """Return density altitude by the US weather service's formula, for comparison with other displays.

    Parameters
    ----------
    air_temperature, dew_point_temperature : array_like
        [K].
    air_pressure : array_like
        At the place [Pa]; broadcast.

    Returns
    -------
    ndarray
        [m]: ``145366 (1 - (17.326 p / Tv)^0.235)`` ft with inches of mercury and degrees Rankine. It is 4 to
        6 m above `density_altitude`, which wxfly uses.
    """
    vapour_pressure = saturation_vapour_pressure(dew_point_temperature)
    celsius = virtual_temperature(air_temperature, vapour_pressure, air_pressure) - _MELTING_POINT
    rankine = celsius * 1.8 + 32.0 + 459.69
    inches = np.asarray(air_pressure, dtype=float) / 3386.389
    return np.asarray(145366.0 * (1 - (17.326 * inches / rankine) ** 0.235) * 0.3048)


def density_altitude_by_rule(pressure_altitude: npt.ArrayLike, air_temperature: npt.ArrayLike) -> Array:
    """Return density altitude by the pilots' rule of 120 ft for each kelvin above the standard atmosphere.

    Parameters
    ----------
    pressure_altitude : array_like
        [m].
    air_temperature : array_like
        [K]; broadcast.

    Returns
    -------
    ndarray
        [m], for dry air; for a check by hand.
    """
    altitude = np.asarray(pressure_altitude, dtype=float)
    standard = STANDARD_TEMPERATURE - STANDARD_LAPSE_RATE * altitude
    return np.asarray(altitude + 120 * 0.3048 * (np.asarray(air_temperature, dtype=float) - standard))


def thrust_in_hand(air_density: npt.ArrayLike, maximum_takeoff_altitude: npt.ArrayLike) -> Array:
    """Return the thrust left over, compared with the highest take-off altitude that the maker allows.

    Parameters
    ----------
    air_density : array_like
        [kg m-3].
    maximum_takeoff_altitude : array_like
        Of the aircraft [m], taken as an altitude of the standard atmosphere; broadcast.

    Returns
    -------
    ndarray
        [1]: at equal speed of the rotors thrust goes with density, so this is ``density / density at that
        altitude - 1``. 0 is the maker's own limit, below it the air is thinner than the maker allows.
        Comparing the density altitude with that altitude says the same.
    """
    return np.asarray(np.asarray(air_density, dtype=float) / density_at_density_altitude(maximum_takeoff_altitude) - 1)
