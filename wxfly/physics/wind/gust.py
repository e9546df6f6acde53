"""Gusts: how they depend on duration, averaging period and turbulence, and the gust at flight height.

References
----------
[Brasseur-2001] Brasseur, O. (2001): Development and application of a physical approach to estimating wind gusts.
    Mon. Weather Rev. 129, 5-25: gusts at the ground are winds mixed down from within the boundary layer.
[EN1991-1-4] EN 1991-1-4:2005, 4.4: the standard deviation of turbulence does not change with height.
[Masts] Means and maxima at 40, 60, 80 m and at 20, 30, 40 m, see the evidence page on wind.
[WMO-1555] Harper, B. A., Kepert, J. D. and Ginger, J. D. (2010): Guidelines for converting between various wind
    averaging periods in tropical cyclone conditions. WMO/TD-No. 1555, appendix D (after ESDU 83045).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.arrays import at_least, floating
from wxfly.physics.wind.surface_layer import OPEN_GROUND_ROUGHNESS_LENGTH

Array = npt.NDArray[np.float64]

HOUR = 3600.0
"""[s]."""


def peak_factor(height: npt.ArrayLike, *, gust_duration: npt.ArrayLike = 3.0) -> Array:
    """Return the number of standard deviations by which the largest gust of an hour exceeds the hour's mean.

    Parameters
    ----------
    height : array_like
        Above ground [m], 2 to 300.
    gust_duration : array_like, optional
        Time over which the gust is averaged [s], 1 to 600.

    Returns
    -------
    ndarray
        [1], about 3 for 3 s. [WMO-1555].
    """
    scale = 3.13 * np.asarray(height, dtype=float) ** 0.2
    relative = scale / np.asarray(gust_duration, dtype=float)
    rate = (0.007 + 0.213 * relative**0.654) / scale
    smoothing = 1.0 - 0.193 * (relative + 0.1) ** -0.68
    cycles = np.sqrt(2.0 * np.log(HOUR * rate))
    return np.asarray((cycles + 0.577 / cycles) * smoothing)


def gust_factor(
    turbulence_intensity: npt.ArrayLike,
    *,
    reference_period: npt.ArrayLike = HOUR,
    height: npt.ArrayLike = 10.0,
) -> Array:
    """Return the ratio of the largest 3 s gust of a period to the mean wind of that period.

    Parameters
    ----------
    turbulence_intensity : array_like
        Ratio of standard deviation to mean wind [1]: 0.25 in-land, 0.2 off-land, 0.15 off-sea, 0.1 at sea
        ([WMO-1555] table 1.1).
    reference_period : array_like, optional
        Averaging period of the mean wind [s], 60 to 3600.
    height : array_like, optional
        [m].

    Returns
    -------
    ndarray
        [1], at least 1. ``G(t, T) = [0.2193 ln(log10 T) + 0.7242] (1 + g I)``, [WMO-1555].
    """
    period = np.asarray(reference_period, dtype=float)
    share = 0.2193 * np.log(np.log10(period)) + 0.7242
    # At one hour the published fit gives 1.002; by definition it is 1.
    share = np.minimum(share, 1.0)
    of_hour = 1.0 + peak_factor(height) * np.asarray(turbulence_intensity, float)
    return np.asarray(np.maximum(share * of_hour, 1.0))


def turbulence_intensity(height: npt.ArrayLike, roughness_length: npt.ArrayLike) -> Array:
    """Return the ratio of the standard deviation along the wind to the mean wind, in strong wind on flat land.

    Parameters
    ----------
    height : array_like
        Above ground [m], up to 200.
    roughness_length : array_like
        [m].

    Returns
    -------
    ndarray
        ``1 / ln(z/z0)``, [EN1991-1-4] 4.4 with factors of 1, at most 1.
    """
    z0 = np.asarray(roughness_length, dtype=float)
    z = np.maximum(np.asarray(height, dtype=float), z0)
    return np.asarray(1.0 / np.maximum(np.log(z / z0), 1.0))


LEAST_GUST_FACTOR = 1.1
"""A gust below this, as a ratio to the mean wind, is none: gust factors of 3 s over open land are 1.2 to 1.7
(WMO/TD-No. 1555, from memory)."""
MOVING_AIR = 2.0
"""In a mean wind up to this [m s-1] the ratio tells nothing; common practice, no source."""
CONVECTIVE_SHARE = 0.6
"""Ratio of the standard deviation of the horizontal wind to the convective velocity scale, mixed layer (textbook
value)."""


def is_no_gust(gust_at_10m: npt.ArrayLike, wind_speed_at_10m: npt.ArrayLike) -> npt.NDArray[np.bool_]:
    """Return where a gust is so near to the mean wind, or below it, that it is none; not where either is unknown.

    Parameters
    ----------
    gust_at_10m, wind_speed_at_10m : array_like
        [m s-1]; broadcast.

    Examples
    --------
    >>> is_no_gust([6.5, 9.0, 1.0], [7.0, 7.0, 1.0]).tolist()
    [True, False, False]
    """
    mean = floating(wind_speed_at_10m)
    return np.asarray((mean > MOVING_AIR) & (floating(gust_at_10m) < LEAST_GUST_FACTOR * mean))


def gust_at_height(
    gust_at_10m: npt.ArrayLike,
    wind_speed_at_10m: npt.ArrayLike,
    wind_speed_at_height: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    *,
    gust_height: npt.ArrayLike = 10.0,
) -> Array:
    """Return the gust at flight height: the mean wind grows, and the gust's increment over it stays.

    Parameters
    ----------
    gust_at_10m : array_like
        Largest short gust at 10 m, or at `gust_height` [m s-1].
    wind_speed_at_10m, wind_speed_at_height : array_like
        Mean wind at 10 m (`gust_height`) and at the wanted height [m s-1].
    wanted_height : array_like
        Above ground [m], 2 to 150.
    gust_height : array_like, optional
        Height of the gust and of the first mean wind [m].

    Returns
    -------
    ndarray
        [m s-1], at least the mean wind at that height; NaN where any of the three is unknown. All are broadcast.

    Notes
    -----
    ``gust(z) = U(z) + [g(z)/g(10)] (gust(10) - U(10))``: the standard deviation of the turbulence hardly changes
    with height ([EN1991-1-4]). The peak factor g grows by 2.5 % from 10 m to 120 m ([WMO-1555]). A constant ratio of
    gust to mean would overstate the gust at flight height. On [Masts] the increment shrinks by 4 % from 40 to 80 m, so
    the formula is slightly cautious. A gust below its own mean wind counts as equal to it.
    """
    mean = floating(wind_speed_at_height)
    increment = floating(gust_at_10m) - floating(wind_speed_at_10m)
    growth = np.asarray(peak_factor(wanted_height) / peak_factor(gust_height), dtype=increment.dtype)
    return np.asarray(mean + growth * at_least(increment, 0.0))


def gust_without_forecast(
    wind_speed_at_10m: npt.ArrayLike,
    wind_speed_at_height: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    *,
    roughness_length: npt.ArrayLike = OPEN_GROUND_ROUGHNESS_LENGTH,
    convective_velocity: npt.ArrayLike = 0.0,
) -> Array:
    """Estimate the gust at flight height from mean winds alone.

    Parameters
    ----------
    wind_speed_at_10m, wind_speed_at_height : array_like
        Mean winds [m s-1].
    wanted_height : array_like
        Above ground [m].
    roughness_length : array_like, optional
        Surface upwind [m].
    convective_velocity : array_like, optional
        Velocity scale w* of the convective boundary layer [m s-1]; 1 to 2.5 on a sunny day. NaN gives NaN.

    Returns
    -------
    ndarray
        [m s-1]; at least the mean wind at the height. Not valid in thunderstorms, whose gusts do not come from the
        mean wind, nor in the lee of mountains.

    Notes
    -----
    Mechanical turbulence has ``sigma = U(10) / ln(10/z0)`` at every height ([EN1991-1-4]); the square of ``0.6 w*``
    from convection adds to its square. The gust is ``U + g sigma`` with the peak factor of [WMO-1555], which is that of
    an hour: in a shorter period the largest gust is smaller.
    """
    mean = np.asarray(wind_speed_at_height, dtype=float)
    intensity = turbulence_intensity(10.0, roughness_length)
    mechanical = intensity * np.asarray(wind_speed_at_10m, dtype=float)
    sigma = np.hypot(mechanical, CONVECTIVE_SHARE * np.asarray(convective_velocity, dtype=float))
    return np.asarray(mean + peak_factor(wanted_height) * sigma)
