"""Formulas for check values that wxfly itself does not use: atmosphere."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.air.atmosphere import (
    _EXPONENT,
    STANDARD_LAPSE_RATE,
    STANDARD_PRESSURE,
    STANDARD_TEMPERATURE,
    Array,
    pressure_altitude,
    virtual_temperature,
)
from wxfly.physics.air.humidity import saturation_vapour_pressure
from wxfly.physics.constants import MELTING_POINT


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
