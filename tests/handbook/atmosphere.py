"""Formulas for check values that wxfly itself does not use: the state of the air."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics import MELTING_POINT
from wxfly.physics.air.atmosphere import (
    _EXPONENT,
    _VAPOUR_DEFICIT,
    STANDARD_LAPSE_RATE,
    STANDARD_PRESSURE,
    STANDARD_TEMPERATURE,
    Array,
    _psychrometer,
    dew_point_from_vapour_pressure,
    frost_point_from_vapour_pressure,
    pressure_altitude,
    saturation_vapour_pressure,
)
from wxfly.physics.arrays import floating


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


def pressure_altitude_from_altimeter_setting(
    surface_altitude: npt.ArrayLike, altimeter_setting: npt.ArrayLike
) -> Array:
    """Return the pressure altitude of a field from its altitude and its QNH.

    Parameters
    ----------
    surface_altitude : array_like
        Altitude of the field [m].
    altimeter_setting : array_like
        QNH [Pa].

    Returns
    -------
    ndarray
        [m]: the sum of the field's altitude and the pressure altitude of the QNH, as in an altimeter.
    """
    return np.asarray(np.asarray(surface_altitude, dtype=float) + pressure_altitude(altimeter_setting))


def altimeter_setting(surface_air_pressure: npt.ArrayLike, surface_altitude: npt.ArrayLike) -> Array:
    """Return the QNH: the setting at which an altimeter shows the field's altitude on the ground.

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
    """Return the density altitude by the US weather service's formula.

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
        6 m above `density_altitude`, which wxfly uses. [NWS-density].
    """
    vapour_pressure = saturation_vapour_pressure(dew_point_temperature)
    celsius = virtual_temperature(air_temperature, vapour_pressure, air_pressure) - MELTING_POINT
    rankine = celsius * 1.8 + 32.0 + 459.69
    inches = np.asarray(air_pressure, dtype=float) / 3386.389
    return np.asarray(145366.0 * (1 - (17.326 * inches / rankine) ** 0.235) * 0.3048)


def density_altitude_by_rule(pressure_altitude: npt.ArrayLike, air_temperature: npt.ArrayLike) -> Array:
    """Return the density altitude by the pilots' rule of 120 ft for each kelvin above the standard atmosphere.

    Parameters
    ----------
    pressure_altitude : array_like
        [m].
    air_temperature : array_like
        [K]; broadcast.

    Returns
    -------
    ndarray
        [m] for dry air; a check by hand.
    """
    altitude = np.asarray(pressure_altitude, dtype=float)
    standard = STANDARD_TEMPERATURE - STANDARD_LAPSE_RATE * altitude
    return np.asarray(altitude + 120 * 0.3048 * (np.asarray(air_temperature, dtype=float) - standard))


def saturation_vapour_pressure_over_ice(air_temperature: npt.ArrayLike) -> Array:
    """Return the saturation vapour pressure over ice, for frost only.

    Parameters
    ----------
    air_temperature : array_like
        Any shape [K]; 193 to 273 K.

    Returns
    -------
    ndarray
        [Pa], [Buck-1996].
    """
    t = np.asarray(air_temperature, dtype=float) - MELTING_POINT
    return np.asarray(611.15 * np.exp((23.036 - t / 333.7) * t / (279.82 + t)))


def frost_point_from_relative_humidity(air_temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike) -> Array:
    """Return the frost point from air temperature and relative humidity over water.

    Parameters
    ----------
    air_temperature, relative_humidity : array_like
        [K] and [1], broadcast.

    Returns
    -------
    ndarray
        [K]: frost forms on a surface this cold in such air. Meant for results below 273.15 K. Frost on
        the ground or on a parked aircraft is not icing in flight, which needs liquid water.
    """
    return frost_point_from_vapour_pressure(
        np.asarray(relative_humidity, dtype=float) * saturation_vapour_pressure(air_temperature)
    )


def virtual_temperature(
    air_temperature: npt.ArrayLike, vapour_pressure: npt.ArrayLike, air_pressure: npt.ArrayLike
) -> Array:
    """Return the temperature at which dry air would have the density of this moist air.

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
    share = floating(vapour_pressure) / floating(air_pressure)
    return np.asarray(floating(air_temperature) / (1 - _VAPOUR_DEFICIT * share))


def dew_point_from_relative_humidity(air_temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike) -> Array:
    """Return the dew point from air temperature and relative humidity over water.

    Parameters
    ----------
    air_temperature : array_like
        [K].
    relative_humidity : array_like
        [1], above 0; broadcast with the temperature.

    Returns
    -------
    ndarray
        [K]; NaN for a humidity that is not positive.
    """
    return dew_point_from_vapour_pressure(floating(relative_humidity) * saturation_vapour_pressure(air_temperature))


def wet_bulb_temperature(
    air_temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike, air_pressure: npt.ArrayLike
) -> Array:
    """Return the temperature to which evaporation cools a wet surface in this air.

    Parameters
    ----------
    air_temperature : array_like
        [K], 230 to 323 K.
    relative_humidity : array_like
        Over water [1].
    air_pressure : array_like
        [Pa]; broadcast.

    Returns
    -------
    ndarray
        [K]. Solves the psychrometer equation ``e = es(Tw) - A p (T - Tw)`` of [WMO-8] with
        ``A = 6.53e-4 (1 + 0.000944 tw)`` for a ventilated wet bulb over water.
    """
    t, rh, p = np.broadcast_arrays(
        floating(air_temperature),
        floating(relative_humidity),
        floating(air_pressure),
    )
    e = rh * saturation_vapour_pressure(t)
    # The balance always rises with Tw, so that bisection converges.
    low, high = t - 45.0, np.where(rh > 1, t + 5.0, t)
    for _ in range(32):
        middle = (low + high) / 2
        too_warm = _psychrometer(t, middle, p) > e
        low, high = np.where(too_warm, low, middle), np.where(too_warm, middle, high)
    unknown = np.isnan(t) | np.isnan(rh) | np.isnan(p)
    return np.asarray(np.where(unknown, np.nan, (low + high) / 2))
