"""Cloud base above ground, from the forecast or from the humidity near the ground.

References
----------
[Romps-2017] Romps, D. M. (2017): Exact expression for the lifting condensation level. J. Atmos. Sci. 74,
    3891-3900.
[Espy] The rule of 125 m for each kelvin between temperature and dew point (Espy 1836; Lawrence 2005, Bull.
    Amer. Meteor. Soc. 86, 225-233).
"""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from wxfly.physics.air.atmosphere import relative_humidity_from_dew_point
from wxfly.physics.arrays import floating

Array = npt.NDArray[np.float64]

LOW_CLOUD_TOP = 2000.0
"""Without low cloud the base is at least this high above ground [m], the WMO's upper bound of low clouds."""
SHARE_OF_CONDENSATION_LEVEL = 0.8
"""The estimate is this share of the lifted condensation level. In one day of airport reports with cloud below 3000 m
no base was lower than 0.91 of it; the rest allows for the error of a forecast dew point."""

# Constants of [Romps-2017].
_TRIPLE_TEMPERATURE, _TRIPLE_PRESSURE, _E0V, _GRAVITY = 273.16, 611.65, 2.3740e6, 9.81
_R_DRY, _R_VAPOUR, _CV_DRY, _CV_VAPOUR, _CV_LIQUID = 287.04, 461.0, 719.0, 1418.0, 4119.0


class CloudBaseMethod(IntEnum):
    """How a cloud base was found."""

    NOT_KNOWN = 0
    FORECAST = 1
    CONDENSATION_LEVEL = 2
    NO_LOW_CLOUD = 3


class CloudBase(NamedTuple):
    """A cloud base and how it was found.

    Attributes
    ----------
    height : ndarray
        Above ground [m]; NaN unknown.
    method : ndarray of int
        `CloudBaseMethod`.
    """

    height: Array
    method: npt.NDArray[np.int8]


def lifted_condensation_level(
    air_temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike, air_pressure: npt.ArrayLike
) -> tuple[Array, Array]:
    """Return the height and the temperature at which vapour in air lifted from the ground condenses.

    Parameters
    ----------
    air_temperature : array_like
        Near the ground [K].
    relative_humidity : array_like
        Over water [1], 0 to 1; more counts as 1.
    air_pressure : array_like
        At the ground [Pa]; broadcast.

    Returns
    -------
    height, air_temperature : ndarray
        Above ground [m] and [K]; the exact expression of [Romps-2017].
    """
    t, rh, p = np.broadcast_arrays(
        np.asarray(air_temperature, dtype=float),
        np.clip(np.asarray(relative_humidity, dtype=float), 1e-6, 1.0),
        np.asarray(air_pressure, dtype=float),
    )
    cp_vapour = _CV_VAPOUR + _R_VAPOUR
    saturation = (
        _TRIPLE_PRESSURE
        * (t / _TRIPLE_TEMPERATURE) ** ((cp_vapour - _CV_LIQUID) / _R_VAPOUR)
        * np.exp(
            (_E0V - (_CV_VAPOUR - _CV_LIQUID) * _TRIPLE_TEMPERATURE) / _R_VAPOUR * (1 / _TRIPLE_TEMPERATURE - 1 / t)
        )
    )
    vapour = rh * saturation
    specific = _R_DRY * vapour / (_R_VAPOUR * p + (_R_DRY - _R_VAPOUR) * vapour)
    r_moist = (1 - specific) * _R_DRY + specific * _R_VAPOUR
    cp_moist = (1 - specific) * (_CV_DRY + _R_DRY) + specific * cp_vapour
    a = cp_moist / r_moist + (_CV_LIQUID - cp_vapour) / _R_VAPOUR
    b = -(_E0V - (_CV_VAPOUR - _CV_LIQUID) * _TRIPLE_TEMPERATURE) / (_R_VAPOUR * t)
    c = b / a
    # W(rh^(1/a) c e^c) on the lower branch, by its logarithm: w + ln(-w) = ln(rh)/a + ln(-c) + c.
    right = np.log(rh) / a + np.log(-c) + c
    w = right - np.log(-right)
    for _ in range(8):
        w = w - (w + np.log(-w) - right) / (1 + 1 / w)
    level_temperature = np.where(rh >= 1.0, t, c * t / w)
    return np.asarray(cp_moist / _GRAVITY * (t - level_temperature)), np.asarray(level_temperature)


def lifted_condensation_level_height(
    air_temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike, air_pressure: npt.ArrayLike
) -> Array:
    """Return the height of `lifted_condensation_level` alone [m]; [Romps-2017]."""
    return lifted_condensation_level(air_temperature, relative_humidity, air_pressure)[0]


def cloud_base(
    forecast_cloud_base_height: npt.ArrayLike,
    air_temperature: npt.ArrayLike,
    dew_point_temperature: npt.ArrayLike,
    surface_air_pressure: npt.ArrayLike,
    low_cloud_fraction: npt.ArrayLike,
    *,
    base_is_forecast: bool = False,
) -> CloudBase:
    """Return the cloud base above ground: the forecast's value, else a cautious estimate.

    Parameters
    ----------
    forecast_cloud_base_height : array_like
        Base in the forecast above ground [m]; NaN where it has none.
    air_temperature, dew_point_temperature : array_like
        Near the ground [K].
    surface_air_pressure : array_like
        [Pa]; a missing value is replaced by the pressure that gives the lowest base.
    low_cloud_fraction : array_like
        Cover of low cloud [1]; where it is missing, low cloud is assumed.
    base_is_forecast : bool, optional
        Whether the source provides cloud bases at all. If so, a missing one is estimated only where there is no
        low cloud; elsewhere it is unknown.

    Returns
    -------
    CloudBase
        The estimate is a share of the lifted condensation level, lower than most bases; without low cloud it
        is at least 2000 m. Stratus does not follow the condensation level. Cloud that drifts in from elsewhere may
        be lower than any estimate: look before take-off.

    Notes
    -----
    Monotone under deletion for inputs that are *physically coherent*: a forecast base is not below the
    estimate, and not below 2000 m without low cloud. With `base_is_forecast` the first condition is not needed.
    """
    given, t, dew_point, p, low = np.broadcast_arrays(
        *(
            floating(v)
            for v in (
                forecast_cloud_base_height,
                air_temperature,
                dew_point_temperature,
                surface_air_pressure,
                low_cloud_fraction,
            )
        )
    )
    estimate = np.full(given.shape, np.nan, dtype=given.dtype)
    wanted = np.isnan(given)
    if wanted.any():
        level = _condensation_level(t[wanted], dew_point[wanted], p[wanted])
        estimate[wanted] = SHARE_OF_CONDENSATION_LEVEL * level
    no_low_cloud = low <= 0  # saturated air near the ground then counts as fog, not as cloud
    if base_is_forecast:
        estimate = np.where(low <= 0, estimate, np.nan)
    estimate = np.where(no_low_cloud, np.fmax(estimate, LOW_CLOUD_TOP), estimate)
    height = np.where(np.isnan(given), estimate, given)
    method = np.where(
        ~np.isnan(given),
        CloudBaseMethod.FORECAST,
        np.where(no_low_cloud, CloudBaseMethod.NO_LOW_CLOUD, CloudBaseMethod.CONDENSATION_LEVEL),
    )
    method = np.where(np.isnan(height), CloudBaseMethod.NOT_KNOWN, method)
    return CloudBase(np.asarray(height), method.astype(np.int8))


def _condensation_level(air_temperature: Array, dew_point_temperature: Array, air_pressure: Array) -> Array:
    """Return the height of the lifted condensation level [m]; without a pressure the lowest of any."""
    humidity = relative_humidity_from_dew_point(air_temperature, dew_point_temperature)
    level = lifted_condensation_level_height(air_temperature, humidity, air_pressure)
    lost = np.isnan(air_pressure)
    if lost.any():
        ends = [
            lifted_condensation_level_height(air_temperature[lost], humidity[lost], p) for p in (40_000.0, 110_000.0)
        ]
        level[lost] = np.minimum(*ends)
    return level
