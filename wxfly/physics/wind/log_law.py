"""Laws that convert a wind from one height to another, and the components of the wind.

References
----------
[Davenport-Wieringa] Wieringa, J. (1992): Updating the Davenport roughness classification. J. Wind Eng. Ind.
    Aerodyn. 41, 357-368; WMO-No. 8, Guide to Instruments and Methods of Observation, chapter 5.
[Stull-1988] Stull, R. B. (1988): An Introduction to Boundary Layer Meteorology, chapter 9: log law.
[Tower] Hourly means at ten heights of a 135 m tower (NREL, 2012-2014), see the evidence page on wind.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.precision import floating
from wxfly.physics.wind.stability import StabilitySource, momentum_stability_correction

Array = npt.NDArray[np.float64]

POWER_LAW_EXPONENT = 1 / 7
"""Exponent of the power law over open land [1]; common practice in wind engineering."""
OPEN_GROUND_ROUGHNESS_LENGTH = 0.03
"""Roughness length assumed for a 10 m wind where none is known [m]: short grass, [Davenport-Wieringa]."""

# Above the lowest tens of metres profiles bend less than surface-layer theory says. In very stable air the wind at
# flight height no longer follows the wind at 10 m at all. Fitted on [Tower]; reanalyses show the same shape. Sun and
# cloud reveal less: what they call moderately stable is often very stable, so with them the air decouples sooner.
UNSTABLE_SHARE = 0.5
STABLE_SHARE = {StabilitySource.TEMPERATURES: 0.25, StabilitySource.SUN_AND_CLOUD: 0.5}
DECOUPLED_ZETA = {StabilitySource.TEMPERATURES: 0.2, StabilitySource.SUN_AND_CLOUD: 0.075}
DECOUPLING_STEEPNESS = 4
_ZETA_HEIGHT = 10.0


def wind_components(wind_speed: npt.ArrayLike, wind_from_direction: npt.ArrayLike) -> tuple[Array, Array]:
    """Split a wind into its eastward and northward components.

    Parameters
    ----------
    wind_speed : array_like
        [m s-1], not negative.
    wind_from_direction : array_like
        Where the wind comes from, clockwise from north [degree]; broadcast against the speed.

    Returns
    -------
    eastward_wind, northward_wind : ndarray
        [m s-1]. A calm has no direction and gives 0, 0 whatever the direction.

    Notes
    -----
    ``-U sin(d)``, ``-U cos(d)``: the definition of the two components ([Stull-1988]); for any speed and angle.
    """
    speed = floating(wind_speed)
    angle = np.deg2rad(np.where(speed == 0, 0.0, floating(wind_from_direction)))
    return np.asarray(-speed * np.sin(angle)), np.asarray(-speed * np.cos(angle))


def wind_from_components(eastward_wind: npt.ArrayLike, northward_wind: npt.ArrayLike) -> tuple[Array, Array]:
    """Put a wind together from its components; the inverse of `wind_components`.

    Parameters
    ----------
    eastward_wind, northward_wind : array_like
        [m s-1], broadcast against each other.

    Returns
    -------
    wind_speed : ndarray
        [m s-1].
    wind_from_direction : ndarray
        [degree], 0 up to but not including 360; 0 for a calm.

    Notes
    -----
    ``atan2(-u, -v)``, the definition ([Stull-1988]); for any components.
    """
    east, north = floating(eastward_wind), floating(northward_wind)
    return np.asarray(np.hypot(east, north)), direction_from_components(east, north)


def direction_from_components(eastward_wind: Array, northward_wind: Array) -> Array:
    """Return the direction of `wind_from_components` alone [degree]."""
    direction = np.rad2deg(np.arctan2(-eastward_wind, -northward_wind))
    direction += np.where(direction < 0.0, 360.0, 0.0)
    is_calm = (eastward_wind == 0) & (northward_wind == 0)
    return np.asarray(np.where((direction >= 360.0) | is_calm, 0.0, direction))


def within_circle(direction: Array) -> Array:
    """Return a direction from 0 up to 360 [degree]; that of nearly every source is already, and is the same array."""
    return direction if ((direction >= 0.0) & (direction < 360.0)).all() else np.mod(direction, 360.0)


def log_law_wind_speed(
    wind_speed: npt.ArrayLike,
    height: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    roughness_length: npt.ArrayLike,
    *,
    displacement_height: npt.ArrayLike = 0.0,
    obukhov_length: npt.ArrayLike = np.inf,
) -> Array:
    """Convert a wind speed from one height to another by the textbook log law.

    Parameters
    ----------
    wind_speed : array_like
        At `height` [m s-1].
    height, wanted_height : array_like
        Above ground [m].
    roughness_length : array_like
        [m], 1e-5 to 3.
    displacement_height : array_like, optional
        Woods and towns [m]; both heights are counted from it.
    obukhov_length : array_like, optional
        [m]; infinite (neutral) by default.

    Returns
    -------
    ndarray
        [m s-1], never negative; 0 among the roughness elements. NaN where the given height is among them.

    Notes
    -----
    ``U(z)/U(zr) = [ln((z-d)/z0) - psi((z-d)/L) + psi(z0/L)] / [same at zr]``, [Stull-1988]. Valid for
    z > d + 10 z0, below about 100 m and for z/L below 1. Not capped; forecasts are converted by
    `surface_layer_wind_speed`.
    """
    z0 = floating(roughness_length)
    length = floating(obukhov_length)
    d = floating(displacement_height)
    over = _log_law_shape(floating(wanted_height) - d, z0, 1.0 / length)
    under = _log_law_shape(floating(height) - d, z0, 1.0 / length)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(under > 0, over / under, np.nan)
    return np.asarray(floating(wind_speed) * ratio)


def _log_law_shape(height: Array, z0: Array, inverse_length: Array) -> Array:
    z = np.maximum(height, z0)
    psi = momentum_stability_correction(z * inverse_length) - momentum_stability_correction(z0 * inverse_length)
    return np.asarray(np.maximum(np.log(z / z0) - psi, 0.0))


def power_law_wind_speed(
    wind_speed: npt.ArrayLike,
    height: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    exponent: npt.ArrayLike = POWER_LAW_EXPONENT,
) -> Array:
    """Convert a wind speed from one height to another by the power law.

    Parameters
    ----------
    wind_speed : array_like
        At `height` [m s-1].
    height, wanted_height : array_like
        Above ground [m].
    exponent : array_like, optional
        [1]; 1/7 by default (open land, neutral air; common practice).

    Returns
    -------
    ndarray
        ``U(zr) (z/zr)**exponent`` [m s-1]. Common practice between 10 and 150 m over open land; right on average over
        day and night, not in a single hour.
    """
    ratio = floating(wanted_height) / floating(height)
    return np.asarray(floating(wind_speed) * ratio ** floating(exponent))


def surface_layer_wind_speed(
    wind_speed: npt.ArrayLike,
    height: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    roughness_length: npt.ArrayLike = OPEN_GROUND_ROUGHNESS_LENGTH,
    *,
    obukhov_length: npt.ArrayLike = np.inf,
    displacement_height: npt.ArrayLike = 0.0,
    stability_source: StabilitySource = StabilitySource.TEMPERATURES,
) -> Array:
    """Convert a wind speed from one height to another, up or down, in line with measurements on tall towers.

    Parameters
    ----------
    wind_speed : array_like
        At `height` [m s-1].
    height, wanted_height : array_like
        Above ground [m]; 2 to 150 m.
    roughness_length : array_like, optional
        [m].
    obukhov_length : array_like, optional
        [m]; infinite (neutral) by default.
    displacement_height : array_like, optional
        Woods and towns [m].
    stability_source : StabilitySource, optional
        What the Obukhov length was estimated from.

    Returns
    -------
    ndarray
        [m s-1]; in neutral air equal to `log_law_wind_speed`. NaN where `height` is among the roughness elements.

    Notes
    -----
    The log law with weakened stability: 1/L is multiplied by 0.5 in unstable and by 0.25 in stable air. As 10 m/L
    passes 0.2, the result changes to the power law of 1/7. There the upper wind has decoupled from the wind below and
    similarity theory does not apply. With stability from sun and cloud the two numbers for stable air are 0.5 and
    0.075. Below that threshold the result errs on the high side, because [Tower] has less shear at night than flat
    land. All arguments are broadcast; the result is continuous in every one of them.
    """
    inverse = 1.0 / floating(obukhov_length)
    weakened = np.where(inverse < 0, UNSTABLE_SHARE, STABLE_SHARE[stability_source]) * inverse
    with np.errstate(divide="ignore"):
        by_log = log_law_wind_speed(
            wind_speed,
            height,
            wanted_height,
            roughness_length,
            displacement_height=displacement_height,
            obukhov_length=1.0 / weakened,
        )
    by_power = power_law_wind_speed(wind_speed, height, wanted_height)
    stable = np.maximum(inverse, 0.0) * _ZETA_HEIGHT
    coupled = 1.0 / (1.0 + (stable / DECOUPLED_ZETA[stability_source]) ** DECOUPLING_STEEPNESS)
    return np.asarray(coupled * by_log + (1.0 - coupled) * by_power)
