"""Gusts at flight height: converted from 10 m, or estimated where a forecast has none.

References
----------
[Brasseur-2001] Brasseur, O. (2001): Development and application of a physical approach to estimating wind gusts.
    Mon. Weather Rev. 129, 5-25: gusts at the ground are winds mixed down from within the boundary layer.
[EN1991-1-4] EN 1991-1-4:2005, 4.4: the standard deviation of turbulence does not change with height.
[Masts] Means and maxima at 40, 60, 80 m and at 20, 30, 40 m, see the evidence page on wind.
[WMO-1555] WMO/TD-No. 1555, appendix D (after ESDU 83045), see `wxfly.physics.wind.turbulence`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.precision import at_least, floating
from wxfly.physics.wind.log_law import OPEN_GROUND_ROUGHNESS_LENGTH
from wxfly.physics.wind.turbulence import peak_factor, turbulence_intensity

Array = npt.NDArray[np.float64]

CONVECTIVE_SHARE = 0.6
"""Ratio of the standard deviation of the horizontal wind to the convective velocity scale, mixed layer (textbook
value)."""


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
    gust_duration: float = 3.0,
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
    gust_duration : float, optional
        [s].

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
    return np.asarray(mean + peak_factor(wanted_height, gust_duration=gust_duration) * sigma)
