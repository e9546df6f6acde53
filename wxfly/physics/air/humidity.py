"""Humidity: vapour pressure, dew point, frost point and wet bulb.

References
----------
[Buck-1996] Buck Research CR-1A User's Manual, appendix 1 (1996): saturation vapour pressure over water and
    ice, revised from Buck (1981), J. Appl. Meteorol. 20, 1527-1532.
[WMO-8] WMO-No. 8, Guide to Instruments and Methods of Observation, annex 4.B: vapour pressure.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.constants import MELTING_POINT
from wxfly.physics.precision import floating

Array = npt.NDArray[np.float64]


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


def is_wet_bulb_at_most(
    limit: float, air_temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike, air_pressure: npt.ArrayLike
) -> npt.NDArray[np.bool_]:
    """Return where the wet bulb is no warmer than a limit, without working it out.

    Parameters
    ----------
    limit : float
        [K].
    air_temperature, relative_humidity, air_pressure : array_like
        As in `wet_bulb_temperature`.

    Returns
    -------
    ndarray of bool
        The psychrometer equation rises with the wet bulb, so its value at the limit decides. False where unknown.
    """
    t = floating(air_temperature)
    e = floating(relative_humidity) * saturation_vapour_pressure(t)
    return np.asarray(_psychrometer(t, limit, floating(air_pressure)) >= e)


def _psychrometer(air_temperature: Array, wet_bulb: Array | float, air_pressure: Array) -> Array:
    """Return the vapour pressure [Pa] by the psychrometer equation of [WMO-8]."""
    coefficient = 6.53e-4 * (1 + 0.000944 * (wet_bulb - MELTING_POINT))
    return np.asarray(saturation_vapour_pressure(wet_bulb) - coefficient * air_pressure * (air_temperature - wet_bulb))
