"""Gusts carried to flight height.

References
----------
[ESDU] Harper, B. A., Kepert, J. D. and Ginger, J. D. (2010): Guidelines for converting between various wind
    averaging periods in tropical cyclone conditions. WMO/TD-No. 1555, appendix D (after ESDU 83045).
[EN1991-1-4] EN 1991-1-4:2005, 4.4: the standard deviation of turbulence does not change with height.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def gust_at_height(
    gust_at_10m: npt.ArrayLike,
    wind_speed_at_10m: npt.ArrayLike,
    wind_speed_at_height: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
) -> Array:
    """Carry a gust to flight height: the increment over the mean wind stays, the mean wind grows.

    Parameters
    ----------
    gust_at_10m : array_like
        Largest short gust at 10 m [m s-1].
    wind_speed_at_10m, wind_speed_at_height : array_like
        Mean wind at 10 m and at the wanted height [m s-1].
    wanted_height : array_like
        Above ground [m].

    Returns
    -------
    ndarray
        [m s-1], at least the mean wind at the height; NaN where any of the three is not known.

    Notes
    -----
    ``gust(z) = U(z) + [g(z)/g(10)] (gust(10) - U(10))``: the standard deviation of the turbulence hardly changes
    with height ([EN1991-1-4]) and the peak factor g grows by 2.5 % from 10 m to 120 m ([ESDU]). Keeping the ratio
    of gust to mean instead overstates the gust aloft.
    """
    mean = np.asarray(wind_speed_at_height, dtype=float)
    increment = np.maximum(np.asarray(gust_at_10m, dtype=float) - np.asarray(wind_speed_at_10m, float), 0.0)
    return np.asarray(mean + increment * peak_factor(wanted_height) / peak_factor(10.0))


def peak_factor(height: npt.ArrayLike, *, gust_duration: float = 3.0) -> Array:
    """Give the number of standard deviations by which the largest gust of an hour exceeds the mean wind.

    Parameters
    ----------
    height : array_like
        Above ground [m], 2 to 300.
    gust_duration : float, optional
        [s], 1 to 600.

    Returns
    -------
    ndarray
        [1], [ESDU].
    """
    time_scale = 3.13 * np.asarray(height, dtype=float) ** 0.2
    rate = (0.007 + 0.213 * (time_scale / gust_duration) ** 0.654) / time_scale
    smoothing = 1.0 - 0.193 * (time_scale / gust_duration + 0.1) ** -0.68
    cycles = np.sqrt(2.0 * np.log(3600.0 * rate))
    return np.asarray((cycles + 0.577 / cycles) * smoothing)
