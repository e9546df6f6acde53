"""Formulas for check values that wxfly itself does not use: cloud."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics import STANDARD_GRAVITY
from wxfly.physics.air import atmosphere
from wxfly.physics.air.atmosphere import saturation_vapour_pressure
from wxfly.physics.air.cloud import Array, lifted_condensation_level


def lifted_condensation_level_temperature(
    air_temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike, air_pressure: npt.ArrayLike
) -> Array:
    """Return the temperature at which vapour in air lifted from the ground condenses [K]; [Romps-2017]."""
    return lifted_condensation_level(air_temperature, relative_humidity, air_pressure)[1]


def base_by_spread(air_temperature: npt.ArrayLike, dew_point_temperature: npt.ArrayLike) -> Array:
    """Return the condensation level from 125 m for each kelvin of spread [m]; a check by hand [Espy]."""
    spread = np.asarray(air_temperature, dtype=float) - np.asarray(dew_point_temperature, dtype=float)
    return np.asarray(125.0 * np.maximum(spread, 0.0))


def adiabatic_liquid_water_content(
    cloud_base_temperature: npt.ArrayLike, cloud_base_pressure: npt.ArrayLike, height_above_base: npt.ArrayLike
) -> Array:
    """Return the most liquid water that a cloud can hold at a height above its base.

    Parameters
    ----------
    cloud_base_temperature : array_like
        [K].
    cloud_base_pressure : array_like
        [Pa].
    height_above_base : array_like
        [m], up to about 500 m. Broadcast.

    Returns
    -------
    ndarray
        [kg m-3], the water that condenses in saturated air as it rises without mixing. Real cloud near the
        ground holds less.
    """
    t, p, z = np.broadcast_arrays(
        *(np.asarray(v, dtype=float) for v in (cloud_base_temperature, cloud_base_pressure, height_above_base))
    )
    latent_heat, heat_capacity, ratio = 2.501e6, 1005.7, 0.622
    steps = 10
    warm, press = t.copy(), p.copy()

    def mixing_ratio(temperature: Array, pressure: Array) -> Array:
        e = saturation_vapour_pressure(temperature)
        return np.asarray(ratio * e / (pressure - e))

    at_base = mixing_ratio(t, p)
    gas = atmosphere.GAS_CONSTANT_OF_DRY_AIR
    for _ in range(steps):
        r = mixing_ratio(warm, press)
        lapse = (
            STANDARD_GRAVITY
            * (1 + latent_heat * r / (gas * warm))
            / (heat_capacity + latent_heat**2 * r * ratio / (gas * warm**2))
        )
        press = press * np.exp(-STANDARD_GRAVITY * (z / steps) / (gas * warm))
        warm = warm - lapse * (z / steps)
    return np.asarray((at_base - mixing_ratio(warm, press)) * press / (gas * warm))
