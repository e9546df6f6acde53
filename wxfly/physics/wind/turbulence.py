"""How gusts depend on their duration and on the averaging period: peak factors, turbulence, published tables.

References
----------
[CEM] US Army Corps of Engineers, Coastal Engineering Manual, part II chapter 2: fit of the curve of Durst (1960).
[Davenport-1964] Davenport, A. G. (1964): Note on the distribution of the largest value of a random function with
    application to gust loading. Proc. Inst. Civ. Eng. 28, 187-196; after Cartwright and Longuet-Higgins (1956).
[Deardorff-1970] Deardorff, J. W. (1970): Convective velocity and temperature scales for the unstable planetary
    boundary layer and for Rayleigh convection. J. Atmos. Sci. 27, 1211-1213.
[EN1991-1-4] EN 1991-1-4:2005, 4.3.2, 4.4 and table 4.1.
[IEC-61400-1] IEC 61400-1 edition 3, equation 11.
[IFS] ECMWF, IFS documentation part IV, gusts (3 s in the time step), and its published source.
[Panofsky-1977] Panofsky, H. A. and others (1977): The characteristics of turbulent velocity components in the
    surface layer under convective conditions. Boundary-Layer Meteorol. 11, 355-361.
[WMO-1555] Harper, B. A., Kepert, J. D. and Ginger, J. D. (2010): Guidelines for converting between various wind
    averaging periods in tropical cyclone conditions. WMO/TD-No. 1555, appendix D (after ESDU 83045).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

HOUR = 3600.0
"""[s]."""
EN_CATEGORIES: dict[str, tuple[float, float]] = {
    "0": (0.003, 1.0),
    "I": (0.01, 1.0),
    "II": (0.05, 2.0),
    "III": (0.3, 5.0),
    "IV": (1.0, 10.0),
}
"""Roughness length and smallest height of each terrain category [m], [EN1991-1-4] table 4.1."""


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
    gust_duration: npt.ArrayLike = 3.0,
    reference_period: npt.ArrayLike = HOUR,
    height: npt.ArrayLike = 10.0,
) -> Array:
    """Return the ratio of the largest gust of a period to the mean wind of that period.

    Parameters
    ----------
    turbulence_intensity : array_like
        Ratio of standard deviation to mean wind [1]: 0.25 in-land, 0.2 off-land, 0.15 off-sea, 0.1 at sea
        ([WMO-1555] table 1.1).
    gust_duration : array_like, optional
        [s], 1 to 600, shorter than the period.
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
    of_hour = 1.0 + peak_factor(height, gust_duration=gust_duration) * np.asarray(turbulence_intensity, float)
    return np.asarray(np.maximum(share * of_hour, 1.0))


def turbulence_intensity(
    height: npt.ArrayLike, roughness_length: npt.ArrayLike, *, smallest_height: npt.ArrayLike = 0.0
) -> Array:
    """Return the ratio of the standard deviation along the wind to the mean wind, in strong wind on flat land.

    Parameters
    ----------
    height : array_like
        Above ground [m], up to 200.
    roughness_length : array_like
        [m].
    smallest_height : array_like, optional
        Below this height the value stays constant [m]; see `EN_CATEGORIES`.

    Returns
    -------
    ndarray
        ``1 / ln(z/z0)``, [EN1991-1-4] 4.4 with factors of 1, at most 1.
    """
    z0 = np.asarray(roughness_length, dtype=float)
    z = np.maximum(np.maximum(np.asarray(height, dtype=float), np.asarray(smallest_height, dtype=float)), z0)
    return np.asarray(1.0 / np.maximum(np.log(z / z0), 1.0))
