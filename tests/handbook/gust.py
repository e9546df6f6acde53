"""Formulas for check values that wxfly itself does not use: gusts."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.wind.gust import HOUR, Array

_GRAVITY = 9.81

EN_CATEGORIES: dict[str, tuple[float, float]] = {
    "0": (0.003, 1.0),
    "I": (0.01, 1.0),
    "II": (0.05, 2.0),
    "III": (0.3, 5.0),
    "IV": (1.0, 10.0),
}
"""Roughness length and smallest height of each terrain category [m], [EN1991-1-4] table 4.1."""
IFS_GUST_COEFFICIENT = {0.25: 8.23, 0.5: 7.71, 0.75: 7.26}
"""Increment of the 3 s gust of 100 min over the mean wind, in friction velocities, by the probability that the gust
exceeds it, [IFS]."""
_SPECIFIC_HEAT_OF_AIR = 1005.0


def durst_factor(averaging_period: npt.ArrayLike) -> Array:
    """Return the ratio of the highest mean of a short period to the hourly mean, over open land.

    Parameters
    ----------
    averaging_period : array_like
        [s], 1 to 36 000.

    Returns
    -------
    ndarray
        [1]; 1 at one hour, less for longer periods. The fit of [CEM].
    """
    t = np.asarray(averaging_period, dtype=float)
    short = 1.277 + 0.296 * np.tanh(0.9 * np.log10(45.0 / t))
    return np.asarray(np.where(t <= HOUR, short, 1.5334 - 0.15 * np.log10(t)))


def expected_largest_peak(number_of_peaks: npt.ArrayLike) -> Array:
    """Return the expected largest of several independent peaks of a narrow-band signal, in standard deviations.

    Parameters
    ----------
    number_of_peaks : array_like
        At least 1.

    Returns
    -------
    ndarray
        [1]; the mean of the largest of N Rayleigh variables, by integration. Davenport's
        ``sqrt(2 ln N) + 0.5772/sqrt(2 ln N)`` ([Davenport-1964]) is 0.3 to 2 % higher.
    """
    number = np.asarray(number_of_peaks, dtype=float)
    x = np.linspace(0.0, 12.0, 6001)
    with np.errstate(divide="ignore"):
        log_below = np.log1p(-np.exp(-0.5 * x**2))
    beyond = 1.0 - np.exp(number[..., None] * log_below)
    return np.asarray(np.sum((beyond[..., 1:] + beyond[..., :-1]) / 2, axis=-1) * (x[1] - x[0]))


def roughness_factor(height: npt.ArrayLike, roughness_length: npt.ArrayLike) -> Array:
    """Return the ratio of the mean wind to the basic wind (10 m, category II), in strong wind on flat land.

    Parameters
    ----------
    height, roughness_length : array_like
        As in `turbulence_intensity` [m].

    Returns
    -------
    ndarray
        ``0.19 (z0/0.05)**0.07 ln(z/z0)``, [EN1991-1-4] 4.3.2.
    """
    z0 = np.asarray(roughness_length, dtype=float)
    z = np.asarray(height, dtype=float)
    return np.asarray(0.19 * (z0 / 0.05) ** 0.07 * np.log(z / z0))


def turbulence_intensity_at_hub(wind_speed: npt.ArrayLike, reference_intensity: npt.ArrayLike) -> Array:
    """Return the turbulence intensity of the wind-turbine standard, its 90 % quantile.

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
        Sensible heat from ground to air [W m-2]; the result is 0 where it is not positive.
    air_density : array_like
        [kg m-3].
    air_temperature : array_like
        [K].
    boundary_layer : array_like
        Height of the boundary layer above ground [m].

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
        Height of the boundary layer [m].

    Returns
    -------
    ndarray
        ``u* (12 - 0.5 zi/L)**(1/3)`` [m s-1]; stable air counts as neutral, [Panofsky-1977].
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
    """Return the 3 s gust at 10 m as the ECMWF model computes it.

    Parameters
    ----------
    wind_speed : array_like
        At 10 m [m s-1].
    friction_velocity : array_like
        [m s-1].
    boundary_layer_over_obukhov_length : array_like, optional
        zi/L with zi = 1000 m [1]; positive counts as neutral.
    chance : {0.25, 0.5, 0.75}
        Probability that the gust is exceeded.

    Returns
    -------
    ndarray
        ``U + c u* (1 - 0.5/12 zi/L)**(1/3)`` [m s-1], [IFS].

    Raises
    ------
    ValueError
        For a probability that is not tabulated.
    """
    if chance not in IFS_GUST_COEFFICIENT:
        raise ValueError(f"chance {chance} is not one of {', '.join(map(str, IFS_GUST_COEFFICIENT))}")
    unstable = np.minimum(np.asarray(boundary_layer_over_obukhov_length, dtype=float), 0.0)
    increment = IFS_GUST_COEFFICIENT[chance] * np.asarray(friction_velocity, dtype=float)
    return np.asarray(np.asarray(wind_speed, dtype=float) + increment * np.cbrt(1.0 - 0.5 / 12.0 * unstable))
