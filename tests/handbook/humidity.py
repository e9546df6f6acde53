"""Formulas for check values that wxfly itself does not use: humidity."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.air.humidity import (
    Array,
    frost_point_from_vapour_pressure,
    saturation_vapour_pressure,
)
from wxfly.physics.constants import MELTING_POINT


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
