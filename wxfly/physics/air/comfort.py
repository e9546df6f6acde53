"""Cold and heat for the pilot: advice, never part of the verdict.

References
----------
[EC-windchill] Environment Canada, wind chill index of 2001 and its chart of effects.
[WPC-heat] US Weather Prediction Center, the heat index equation: simple formula, Rothfusz regression, two
    adjustments.
[WMO-Beaufort] WMO Beaufort scale of wind force, equivalent speeds at 10 m.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

from wxfly.physics import MELTING_POINT

Array = npt.NDArray[np.float64]

_BEAUFORT = np.array([0.3, 1.6, 3.4, 5.5, 8.0, 10.8, 13.9, 17.2, 20.8, 24.5, 28.5, 32.7])


def wind_chill(air_temperature: npt.ArrayLike, wind_speed_at_10m: npt.ArrayLike) -> Array:
    """Return the wind chill: the temperature at which still air would cool a bare face just as fast.

    Parameters
    ----------
    air_temperature : array_like
        [K]; the index is meant for 10 degC and below.
    wind_speed_at_10m : array_like
        [m s-1]; meant for 1.33 m/s (4.8 km/h) and above. Broadcast.

    Returns
    -------
    ndarray
        [K] [EC-windchill]; outside the range the air temperature itself, NaN where an input is missing.
    """
    t, v = np.broadcast_arrays(
        np.asarray(air_temperature, dtype=float) - MELTING_POINT,
        np.asarray(wind_speed_at_10m, dtype=float) * 3.6,
    )
    power = np.maximum(v, 0.0) ** 0.16
    chill = 13.12 + 0.6215 * t - 11.37 * power + 0.3965 * t * power
    applies = (t <= 10.0) & (v >= 4.8)
    result = np.where(applies, np.minimum(chill, t), t)
    return np.asarray(np.where(np.isnan(t) | np.isnan(v), np.nan, result) + MELTING_POINT)


def describe_cold(wind_chill: float) -> str:
    """Return advice for bare hands on the sticks.

    Parameters
    ----------
    wind_chill : float
        [K].

    Returns
    -------
    str
        By the bounds of [EC-windchill] (-27 degC: risk of frostbite, -35 degC: within 10 to 15 minutes); the caution
        from -10 degC down is common practice. Empty when no advice is needed.
    """
    t = wind_chill - MELTING_POINT
    if np.isnan(t) or t > -10:
        return ""
    if t > -27:
        return "cold hands: thin gloves, and warm up between flights"
    if t > -35:
        return "bare skin may freeze in a longer exposure"
    return "bare skin may freeze within 10 to 15 minutes"


def heat_index(
    air_temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike, *, formula: Literal["wpc", "rothfusz"] = "wpc"
) -> Array:
    """Return the heat index: how hot the air feels in the shade and in a light wind.

    Parameters
    ----------
    air_temperature : array_like
        [K]; meant for 27 degC (80 degF) and above.
    relative_humidity : array_like
        [1]; broadcast.
    formula : {"wpc", "rothfusz"}
        ``wpc``: the complete algorithm of [WPC-heat]; ``rothfusz``: the regression alone, from which the weather
        service's printed chart was made.

    Returns
    -------
    ndarray
        [K].

    Raises
    ------
    ValueError
        For another formula.
    """
    if formula not in ("wpc", "rothfusz"):
        raise ValueError(f"heat index formula '{formula}' is not known; wanted wpc or rothfusz")
    t, rh = np.broadcast_arrays(
        (np.asarray(air_temperature, dtype=float) - MELTING_POINT) * 1.8 + 32.0,
        np.asarray(relative_humidity, dtype=float) * 100.0,
    )
    full = (
        -42.379 + 2.04901523 * t + 10.14333127 * rh - 0.22475541 * t * rh - 6.83783e-3 * t**2
        - 5.481717e-2 * rh**2 + 1.22874e-3 * t**2 * rh + 8.5282e-4 * t * rh**2 - 1.99e-6 * t**2 * rh**2
    )  # fmt: skip
    if formula == "wpc":
        dry = (rh < 13) & (t >= 80) & (t <= 112)
        drop = (13 - rh) / 4 * np.sqrt(np.maximum(17 - np.abs(t - 95), 0) / 17)
        damp = (rh > 85) & (t >= 80) & (t <= 87)
        rise = (rh - 85) / 10 * (87 - t) / 5
        simple = (0.5 * (t + 61 + (t - 68) * 1.2 + rh * 0.094) + t) / 2
        full = np.where(simple < 80, simple, full - np.where(dry, drop, 0.0) + np.where(damp, rise, 0.0))
    return np.asarray((full - 32.0) / 1.8 + MELTING_POINT)


def describe_heat(heat_index: float) -> str:
    """Return advice for a hot day.

    Parameters
    ----------
    heat_index : float
        [K].

    Returns
    -------
    str
        By the US weather service's bounds of caution (27 degC), extreme caution (32 degC) and danger (41 degC). Empty
        when no advice is needed.
    """
    t = heat_index - MELTING_POINT
    if np.isnan(t) or t < 27:
        return ""
    if t < 32:
        return "warm: water and shade for pilot and batteries"
    if t < 41:
        return "hot: heat cramps are possible; keep batteries out of the sun"
    return "dangerous heat: short flights, shade, water; batteries may be above their limit before take-off"


def beaufort_force(wind_speed: npt.ArrayLike) -> Array:
    """Return the Beaufort force of the wind at 10 m.

    Parameters
    ----------
    wind_speed : array_like
        Ten-minute mean [m s-1].

    Returns
    -------
    ndarray
        0 to 12 [WMO-Beaufort], NaN for NaN.
    """
    v = np.asarray(wind_speed, dtype=float)
    return np.asarray(np.where(np.isnan(v), np.nan, np.searchsorted(_BEAUFORT, v, side="right")))
