"""How gusts, their duration and the averaging period hang together: peak factors, turbulence, published tables.

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
"""Terrain category: roughness length and smallest height [m], [EN1991-1-4] table 4.1."""
IFS_GUST_COEFFICIENT = {0.25: 8.23, 0.5: 7.71, 0.75: 7.26}
"""Chance that the 3 s gust of 100 min exceeds it: times the friction velocity above the mean, [IFS]."""

_GRAVITY = 9.81
_SPECIFIC_HEAT_OF_AIR = 1005.0


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
    """Return the largest gust of a period over the mean wind of that period.

    Parameters
    ----------
    turbulence_intensity : array_like
        Standard deviation over mean wind [1]: 0.25 in-land, 0.2 off-land, 0.15 off-sea, 0.1 at sea ([WMO-1555]
        table 1.1).
    gust_duration : array_like, optional
        [s], 1 to 600, shorter than the period.
    reference_period : array_like, optional
        Over which the mean is taken [s], 60 to 3600.
    height : array_like, optional
        [m].

    Returns
    -------
    ndarray
        [1], at least 1. ``G(t, T) = [0.2193 ln(log10 T) + 0.7242] (1 + g I)``, [WMO-1555].
    """
    period = np.asarray(reference_period, dtype=float)
    share = 0.2193 * np.log(np.log10(period)) + 0.7242
    # The published fit gives 1.002 at one hour, where it is 1 by definition.
    share = np.minimum(share, 1.0)
    of_hour = 1.0 + peak_factor(height, gust_duration=gust_duration) * np.asarray(turbulence_intensity, float)
    return np.asarray(np.maximum(share * of_hour, 1.0))


def durst_factor(averaging_period: npt.ArrayLike) -> Array:
    """Return the highest mean over a short period over the hourly mean, open land.

    Parameters
    ----------
    averaging_period : array_like
        [s], 1 to 36 000.

    Returns
    -------
    ndarray
        [1]; 1 at one hour, below 1 beyond. The fit of [CEM].
    """
    t = np.asarray(averaging_period, dtype=float)
    short = 1.277 + 0.296 * np.tanh(0.9 * np.log10(45.0 / t))
    return np.asarray(np.where(t <= HOUR, short, 1.5334 - 0.15 * np.log10(t)))


def expected_largest_peak(number_of_peaks: npt.ArrayLike) -> Array:
    """Return the expected largest of a number of independent peaks of a narrow-band signal, in standard deviations.

    Parameters
    ----------
    number_of_peaks : array_like
        At least 1.

    Returns
    -------
    ndarray
        [1]. The mean of the largest of N Rayleigh variables, integrated; Davenport's
        ``sqrt(2 ln N) + 0.5772/sqrt(2 ln N)`` ([Davenport-1964]) lies 0.3 to 2 % above it.
    """
    number = np.asarray(number_of_peaks, dtype=float)
    x = np.linspace(0.0, 12.0, 6001)
    with np.errstate(divide="ignore"):
        log_below = np.log1p(-np.exp(-0.5 * x**2))
    beyond = 1.0 - np.exp(number[..., None] * log_below)
    return np.asarray(np.sum((beyond[..., 1:] + beyond[..., :-1]) / 2, axis=-1) * (x[1] - x[0]))


def turbulence_intensity(
    height: npt.ArrayLike, roughness_length: npt.ArrayLike, *, smallest_height: npt.ArrayLike = 0.0
) -> Array:
    """Return the standard deviation of the along-wind turbulence over the mean wind, strong wind on flat land.

    Parameters
    ----------
    height : array_like
        Above ground [m], up to 200.
    roughness_length : array_like
        [m].
    smallest_height : array_like, optional
        Below it the value is that at it [m]; of `EN_CATEGORIES`.

    Returns
    -------
    ndarray
        ``1 / ln(z/z0)``, [EN1991-1-4] 4.4 with factors of 1, at most 1.
    """
    z0 = np.asarray(roughness_length, dtype=float)
    z = np.maximum(np.maximum(np.asarray(height, dtype=float), np.asarray(smallest_height, dtype=float)), z0)
    return np.asarray(1.0 / np.maximum(np.log(z / z0), 1.0))


def roughness_factor(
    height: npt.ArrayLike, roughness_length: npt.ArrayLike, *, smallest_height: npt.ArrayLike = 0.0
) -> Array:
    """Return the mean wind over the basic wind (10 m, category II), strong wind on flat land.

    Parameters
    ----------
    height, roughness_length, smallest_height : array_like
        As in `turbulence_intensity` [m].

    Returns
    -------
    ndarray
        ``0.19 (z0/0.05)**0.07 ln(z/z0)``, [EN1991-1-4] 4.3.2.
    """
    z0 = np.asarray(roughness_length, dtype=float)
    z = np.maximum(np.asarray(height, dtype=float), np.asarray(smallest_height, dtype=float))
    return np.asarray(0.19 * (z0 / 0.05) ** 0.07 * np.log(z / z0))


def turbulence_intensity_at_hub(wind_speed: npt.ArrayLike, reference_intensity: npt.ArrayLike) -> Array:
    """Return the turbulence intensity of the wind-turbine standard, a high one (the 90 % quantile).

    Parameters
    ----------
    wind_speed : array_like
        Ten-minute mean at hub height [m s-1], above 0.
    reference_intensity : array_like
        0.16, 0.14 or 0.12 for the classes A, B, C.

    Returns
    -------
    ndarray
        ``Iref (0.75 U + 5.6) / U``, [IEC-61400-1].
    """
    speed = np.asarray(wind_speed, dtype=float)
    return np.asarray(np.asarray(reference_intensity, dtype=float) * (0.75 + 5.6 / speed))


def convective_velocity_scale(
    heat_flux: npt.ArrayLike, air_density: npt.ArrayLike, air_temperature: npt.ArrayLike, boundary_layer: npt.ArrayLike
) -> Array:
    """Return the velocity scale of the updraughts of a convective boundary layer.

    Parameters
    ----------
    heat_flux : array_like
        Sensible heat from ground to air [W m-2]; without any the result is 0.
    air_density : array_like
        [kg m-3].
    air_temperature : array_like
        [K].
    boundary_layer : array_like
        Its height above ground [m].

    Returns
    -------
    ndarray
        ``(g/T H/(rho cp) zi)**(1/3)`` [m s-1], [Deardorff-1970]. The wind's standard deviation is about 0.6 of it.
    """
    flux = np.maximum(np.asarray(heat_flux, dtype=float), 0.0)
    buoyancy = _GRAVITY / np.asarray(air_temperature, float) * flux / np.asarray(air_density, float)
    return np.asarray(np.cbrt(buoyancy / _SPECIFIC_HEAT_OF_AIR * np.asarray(boundary_layer, dtype=float)))


def wind_standard_deviation(
    friction_velocity: npt.ArrayLike, obukhov_length: npt.ArrayLike, boundary_layer: npt.ArrayLike = 1000.0
) -> Array:
    """Return the standard deviation of the horizontal wind near the ground.

    Parameters
    ----------
    friction_velocity : array_like
        [m s-1].
    obukhov_length : array_like
        [m]; infinite neutral, positive stable.
    boundary_layer : array_like, optional
        Its height [m].

    Returns
    -------
    ndarray
        ``u* (12 - 0.5 zi/L)**(1/3)`` [m s-1], in stable air as in neutral, [Panofsky-1977].
    """
    inverse = np.minimum(1.0 / np.asarray(obukhov_length, dtype=float), 0.0)
    return np.asarray(
        np.asarray(friction_velocity, float) * np.cbrt(12.0 - 0.5 * np.asarray(boundary_layer, float) * inverse)
    )


def gust_from_friction_velocity(
    wind_speed: npt.ArrayLike,
    friction_velocity: npt.ArrayLike,
    boundary_layer_over_obukhov_length: npt.ArrayLike = 0.0,
    *,
    chance: float = 0.5,
) -> Array:
    """Return the 3 s gust at 10 m as the ECMWF model works it out.

    Parameters
    ----------
    wind_speed : array_like
        At 10 m [m s-1].
    friction_velocity : array_like
        [m s-1].
    boundary_layer_over_obukhov_length : array_like, optional
        zi/L with zi = 1000 m [1]; positive counts as neutral.
    chance : {0.25, 0.5, 0.75}
        Chance that the gust is exceeded.

    Returns
    -------
    ndarray
        ``U + c u* (1 - 0.5/12 zi/L)**(1/3)`` [m s-1], [IFS].

    Raises
    ------
    ValueError
        For a chance that is not tabulated.
    """
    if chance not in IFS_GUST_COEFFICIENT:
        raise ValueError(f"chance {chance} is not one of {', '.join(map(str, IFS_GUST_COEFFICIENT))}")
    unstable = np.minimum(np.asarray(boundary_layer_over_obukhov_length, dtype=float), 0.0)
    increment = IFS_GUST_COEFFICIENT[chance] * np.asarray(friction_velocity, dtype=float)
    return np.asarray(np.asarray(wind_speed, dtype=float) + increment * np.cbrt(1.0 - 0.5 / 12.0 * unstable))
