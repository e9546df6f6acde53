"""Formulas for check values that wxfly itself does not use: the surface layer."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics import STANDARD_GRAVITY
from wxfly.physics.wind.surface_layer import DRY_ADIABATIC_LAPSE_RATE, Array


def bulk_richardson_number(
    wind_speed: npt.ArrayLike,
    wind_speed_above: npt.ArrayLike,
    air_temperature: npt.ArrayLike,
    air_temperature_above: npt.ArrayLike,
    height: npt.ArrayLike,
    height_above: npt.ArrayLike,
) -> Array:
    """Return the bulk Richardson number of a layer from wind and temperature at its bottom and top.

    Parameters
    ----------
    wind_speed, wind_speed_above : array_like
        [m s-1]; without veer. With veer pass 0 and the length of the vector difference.
    air_temperature, air_temperature_above : array_like
        [K].
    height, height_above : array_like
        Above ground [m].

    Returns
    -------
    ndarray
        [1]; negative in unstable air. Above about 0.25 turbulence dies out ([Stull-1988], 5.6). NaN without shear.

    Notes
    -----
    ``g/theta * dtheta * dz / dU**2`` with dtheta = dT + 0.0098 dz and theta the mean temperature.
    """
    low, high = np.asarray(air_temperature, dtype=float), np.asarray(air_temperature_above, dtype=float)
    depth = np.asarray(height_above, dtype=float) - np.asarray(height, dtype=float)
    shear = np.asarray(wind_speed_above, dtype=float) - np.asarray(wind_speed, dtype=float)
    difference = high - low + DRY_ADIABATIC_LAPSE_RATE * depth
    mean = (low + high + DRY_ADIABATIC_LAPSE_RATE * depth) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        number = STANDARD_GRAVITY / mean * difference * depth / shear**2
    return np.asarray(np.where(shear == 0, np.nan, number))


_WIND_BOUNDS = np.array([0.75, 1.85, 2.85, 3.35, 3.85, 4.85, 5.45, 5.95])  # between the table's rows [m s-1]
_TURNER = np.array(
    # net radiation index: 4, 3, 2, 1, 0, -1, -2
    [
        [1, 1, 2, 3, 4, 6, 7],
        [1, 2, 2, 3, 4, 6, 7],
        [1, 2, 3, 4, 4, 5, 6],
        [2, 2, 3, 4, 4, 5, 6],
        [2, 2, 3, 4, 4, 4, 5],
        [2, 3, 3, 4, 4, 4, 5],
        [3, 3, 4, 4, 4, 4, 5],
        [3, 3, 4, 4, 4, 4, 4],
        [3, 4, 4, 4, 4, 4, 4],
    ]
)
_GOLDER = np.array(
    [
        [-0.096, 0.029],
        [-0.037, 0.029],
        [-0.002, 0.018],
        [0.0, 0.0],
        [0.004, -0.018],
        [0.035, -0.036],
        [0.035, -0.036],
    ]
)
_EXPONENTS = {
    "rural": np.array([0.07, 0.07, 0.10, 0.15, 0.35, 0.55, 0.55]),
    "urban": np.array([0.15, 0.15, 0.20, 0.25, 0.30, 0.30, 0.30]),
}


def net_radiation_index(
    solar_elevation: npt.ArrayLike, cloud_area_fraction: npt.ArrayLike, ceiling: npt.ArrayLike = np.inf
) -> Array:
    """Return Turner's net radiation index from sun and cloud.

    Parameters
    ----------
    solar_elevation : array_like
        [degree].
    cloud_area_fraction : array_like
        0 to 1.
    ceiling : array_like, optional
        Height of the lowest broken or overcast cloud above ground [m]; none by default.

    Returns
    -------
    ndarray
        -2 (clear night) to 4 (high sun, clear). NaN where sun or cloud is unknown.

    Notes
    -----
    [EPA-454-R-99-005] 6.4.1. The insolation class is 4, 3, 2 above 60, 35, 15 degrees and 1 below. At night the index
    is -2 with up to 4/10 of cloud, else -1. Overcast below 7000 ft gives 0 by day and night. By day more than 5/10 of
    cloud lowers the class by 2 if it is below 7000 ft and by 1 if below 16000 ft. Overcast higher up lowers it by 1.
    The class never falls below 1 (these steps from memory).
    """
    elevation = np.asarray(solar_elevation, dtype=float)
    cloud = np.asarray(cloud_area_fraction, dtype=float)
    base = np.asarray(ceiling, dtype=float)
    low, middle = 7000 * 0.3048, 16000 * 0.3048
    day = 1.0 + (elevation > 15) + (elevation > 35) + (elevation > 60)
    lowered = np.where(cloud > 0.5, np.select([base < low, base < middle], [2.0, 1.0], 0.0), 0.0)
    lowered = np.where((cloud >= 0.995) & (lowered == 0), 1.0, lowered)
    index = np.where(elevation > 0, np.maximum(day - lowered, 1.0), np.where(cloud <= 0.4, -2.0, -1.0))
    index = np.where((cloud >= 0.995) & (base < low), 0.0, index)
    return np.where(np.isnan(elevation + cloud), np.nan, index)


def turner_stability_class(wind_speed: npt.ArrayLike, net_radiation_index: npt.ArrayLike) -> Array:
    """Return the stability class by Turner's table.

    Parameters
    ----------
    wind_speed : array_like
        At 10 m [m s-1].
    net_radiation_index : array_like
        -2 to 4.

    Returns
    -------
    ndarray
        1 (A, very unstable) to 7 (G, very stable); NaN where an input is. [EPA-454-R-99-005] table 6-4.
    """
    speed, index = np.broadcast_arrays(
        np.asarray(wind_speed, dtype=float), np.asarray(net_radiation_index, dtype=float)
    )
    known = ~np.isnan(speed + index)
    row = np.digitize(np.where(known, speed, 0.0), _WIND_BOUNDS)
    column = np.clip(4 - np.rint(np.where(known, index, 0.0)), 0, 6).astype(int)
    return np.where(known, _TURNER[row, column], np.nan)


def obukhov_length_from_class(stability_class: npt.ArrayLike, roughness_length: npt.ArrayLike) -> Array:
    """Return the Obukhov length of a stability class.

    Parameters
    ----------
    stability_class : array_like
        1 (A) to 7 (G, as F).
    roughness_length : array_like
        [m], 0.001 to 1.

    Returns
    -------
    ndarray
        [m]; infinite for class D. ``1/L = a + b log10(z0)``, [Golder-1972]; accurate to about 50 %.
    """
    given = np.asarray(stability_class, dtype=float)
    row = np.clip(np.where(np.isnan(given), 4, given) - 1, 0, 6).astype(int)
    inverse = _GOLDER[row, 0] + _GOLDER[row, 1] * np.log10(np.asarray(roughness_length, dtype=float))
    with np.errstate(divide="ignore"):
        length = np.where(inverse == 0, np.inf, 1.0 / inverse)
    return np.where(np.isnan(given), np.nan, length)


def power_law_exponent_of_class(stability_class: npt.ArrayLike, *, surroundings: str = "rural") -> Array:
    """Return the exponent of the power law for a stability class.

    Parameters
    ----------
    stability_class : array_like
        1 (A) to 7 (G, as F).
    surroundings : {"rural", "urban"}
        Kind of surface.

    Returns
    -------
    ndarray
        [1], [EPA-454-R-99-005] 6.2.5.

    Raises
    ------
    ValueError
        For other surroundings.
    """
    if surroundings not in _EXPONENTS:
        raise ValueError(f"surroundings {surroundings!r} are not one of {', '.join(_EXPONENTS)}")
    given = np.asarray(stability_class, dtype=float)
    row = np.clip(np.where(np.isnan(given), 4, given) - 1, 0, 6).astype(int)
    return np.where(np.isnan(given), np.nan, _EXPONENTS[surroundings][row])


def turning_with_height(wind_from_direction: npt.ArrayLike, wind_from_direction_above: npt.ArrayLike) -> Array:
    """Return by how much the wind turns between two heights, the shorter way round.

    Parameters
    ----------
    wind_from_direction, wind_from_direction_above : array_like
        [degree].

    Returns
    -------
    ndarray
        [degree], -180 up to but not including 180; positive where the wind veers (turns clockwise going up), negative
        where it backs. By definition; for any angles.
    """
    turn = np.asarray(wind_from_direction_above, dtype=float) - np.asarray(wind_from_direction, dtype=float)
    return np.asarray(np.mod(turn + 180.0, 360.0) - 180.0)


def interpolate_in_log_height(
    value: npt.ArrayLike,
    height: npt.ArrayLike,
    value_above: npt.ArrayLike,
    height_above: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
) -> Array:
    """Interpolate or extrapolate a quantity linearly in the logarithm of height from two levels.

    Parameters
    ----------
    value, value_above : array_like
        A wind speed or a component of the wind; any unit.
    height, height_above, wanted_height : array_like
        Above ground [m], positive, the first two different.

    Returns
    -------
    ndarray
        ``v1 + (v2 - v1) ln(z/z1) / ln(z2/z1)``: the neutral profile of any roughness ([Stull-1988]).
    """
    low, high = np.asarray(value, dtype=float), np.asarray(value_above, dtype=float)
    z1 = np.asarray(height, dtype=float)
    weight = np.log(np.asarray(wanted_height, dtype=float) / z1) / np.log(np.asarray(height_above, float) / z1)
    return np.asarray(low + weight * (high - low))
