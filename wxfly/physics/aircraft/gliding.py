"""Power of fixed-wing aircraft, from glide ratio and best glide speed.

References
----------
[Anderson-1999] Anderson, J. D. (1999): Aircraft Performance and Design, chapter 5: parabolic drag polar, best glide
    at equal shares of parasitic and induced drag.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.air.atmosphere import STANDARD_DENSITY

Array = npt.NDArray[np.float64]


def glide_drag(
    weight: npt.ArrayLike,
    airspeed: npt.ArrayLike,
    air_density: npt.ArrayLike,
    *,
    glide_ratio: npt.ArrayLike,
    best_glide_speed: npt.ArrayLike,
) -> Array:
    """Return the drag in level flight.

    Parameters
    ----------
    weight : array_like
        [N]
    airspeed : array_like
        True airspeed [m s-1], above the stall.
    air_density : array_like
        [kg m-3]
    glide_ratio : array_like
        Best ratio of lift to drag [1].
    best_glide_speed : array_like
        At this weight, in standard air at sea level [m s-1]; all broadcast.

    Returns
    -------
    ndarray
        [N]: ``W / (2 E) (q + 1/q)``, where q is the square of equivalent airspeed over best glide speed
        [Anderson-1999].
    """
    v, best = np.asarray(airspeed, dtype=float), np.asarray(best_glide_speed, dtype=float)
    q = np.asarray(air_density, dtype=float) / STANDARD_DENSITY * (v / best) ** 2
    return np.asarray(np.asarray(weight, float) / (2.0 * np.asarray(glide_ratio, float)) * (q + 1.0 / q))


def cruise_power(
    weight: npt.ArrayLike,
    airspeed: npt.ArrayLike,
    air_density: npt.ArrayLike,
    *,
    glide_ratio: npt.ArrayLike,
    best_glide_speed: npt.ArrayLike,
    drive_efficiency: npt.ArrayLike,
    climb_speed: npt.ArrayLike = 0.0,
) -> Array:
    """Return the electric power of a fixed wing's drive in level flight or climb.

    Parameters
    ----------
    weight, airspeed, air_density, glide_ratio, best_glide_speed
        As in `glide_drag`.
    drive_efficiency : array_like
        Propeller, motor and controller together [1], see `drive_efficiency_from_cruise`.
    climb_speed : array_like, optional
        [m s-1]; a descent counts as level flight. All broadcast.

    Returns
    -------
    ndarray
        [W]
    """
    drag = glide_drag(weight, airspeed, air_density, glide_ratio=glide_ratio, best_glide_speed=best_glide_speed)
    climb = np.maximum(np.asarray(climb_speed, dtype=float), 0.0)
    work = drag * np.asarray(airspeed, dtype=float) + np.asarray(weight, dtype=float) * climb
    return np.asarray(work / np.asarray(drive_efficiency, dtype=float))


def drive_efficiency_from_cruise(
    power: npt.ArrayLike,
    weight: npt.ArrayLike,
    airspeed: npt.ArrayLike,
    *,
    glide_ratio: npt.ArrayLike,
    best_glide_speed: npt.ArrayLike,
    air_density: npt.ArrayLike = STANDARD_DENSITY,
) -> Array:
    """Return the efficiency [1] at which `cruise_power` equals a known power [W] at a known airspeed."""
    drag = glide_drag(weight, airspeed, air_density, glide_ratio=glide_ratio, best_glide_speed=best_glide_speed)
    return np.asarray(drag * np.asarray(airspeed, dtype=float) / np.asarray(power, dtype=float))
