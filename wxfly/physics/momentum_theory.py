"""Momentum theory: what rotor discs do to the air in hover, climb and forward flight, and the ideal power of it.

In hover the rotors throw air down at the induced velocity; in forward flight they meet more air and need less of it.

References
----------
[Leishman-2006] Leishman, J. G. (2006): Principles of Helicopter Aerodynamics, 2nd ed., chapters 2 and 5: momentum
    theory in hover, climb and forward flight (Glauert), figure of merit.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

STANDARD_DENSITY = 1.225
"""Of air at sea level in the standard atmosphere [kg m-3]."""
FIGURE_OF_MERIT = 0.6
"""Ideal over real rotor power in hover, small rotors [1]; 0.5 to 0.7, value from memory."""


def disc_area(rotor_diameter: npt.ArrayLike, rotor_count: npt.ArrayLike) -> Array:
    """Give the area that all rotors sweep [m2]: diameter [m] of each, and how many."""
    return np.asarray(np.asarray(rotor_count, float) * np.pi * np.asarray(rotor_diameter, float) ** 2 / 4)


def hover_induced_velocity(thrust: npt.ArrayLike, area: npt.ArrayLike, air_density: npt.ArrayLike) -> Array:
    """Give the velocity at which rotors in hover throw air through their discs.

    Parameters
    ----------
    thrust : array_like
        [N]; in hover the weight.
    area : array_like
        Of all discs [m2].
    air_density : array_like
        [kg m-3]; all broadcast.

    Returns
    -------
    ndarray
        [m s-1]: ``sqrt(T / (2 rho A))`` [Leishman-2006].
    """
    t, a, rho = (np.asarray(x, dtype=float) for x in (thrust, area, air_density))
    return np.asarray(np.sqrt(t / (2.0 * rho * a)))


def hover_ideal_power(thrust: npt.ArrayLike, area: npt.ArrayLike, air_density: npt.ArrayLike) -> Array:
    """Give the least power that hover could take [W]: thrust times `hover_induced_velocity`; its arguments."""
    return np.asarray(np.asarray(thrust, dtype=float) * hover_induced_velocity(thrust, area, air_density))


def hover_power_ratio(air_density: npt.ArrayLike, reference_density: npt.ArrayLike = STANDARD_DENSITY) -> Array:
    """Give hover power over that in air of another density, same mass and rotors: ``sqrt(rho0 / rho)`` [1]."""
    return np.asarray(np.sqrt(np.asarray(reference_density, float) / np.asarray(air_density, float)))


def induced_velocity_ratio(speed_ratio: npt.ArrayLike) -> Array:
    """Give induced velocity in edgewise flight over that in hover.

    Parameters
    ----------
    speed_ratio : array_like
        Airspeed over `hover_induced_velocity` [1].

    Returns
    -------
    ndarray
        [1]: ``sqrt(sqrt(1 + x^4 / 4) - x^2 / 2)`` [Leishman-2006], discs level.
    """
    half = np.asarray(speed_ratio, dtype=float) ** 2 / 2.0
    # 1 / (sqrt(1 + h^2) + h) is sqrt(1 + h^2) - h without the difference of near numbers.
    return np.asarray(np.sqrt(1.0 / (np.sqrt(1.0 + half**2) + half)))


def induced_velocity(
    hover_velocity: npt.ArrayLike,
    airspeed: npt.ArrayLike,
    disc_tilt: npt.ArrayLike = 0.0,
    climb_speed: npt.ArrayLike = 0.0,
) -> Array:
    """Give the induced velocity in forward flight with tilted discs, and in climb (Glauert).

    Parameters
    ----------
    hover_velocity : array_like
        `hover_induced_velocity` at the same thrust [m s-1], above 0.
    airspeed : array_like
        Horizontal [m s-1], not negative.
    disc_tilt : array_like, optional
        Of the discs, forward side down [degree], 0 to 90.
    climb_speed : array_like, optional
        [m s-1]. A descent is taken as level flight: momentum theory does not hold in it, and power falls no
        further than that; all broadcast.

    Returns
    -------
    ndarray
        [m s-1], the root of ``vi = vh^2 / sqrt((V cos a)^2 + (V sin a + Vc cos a + vi)^2)`` [Leishman-2006].
    """
    vh, v = np.asarray(hover_velocity, dtype=float), np.asarray(airspeed, dtype=float)
    angle = np.deg2rad(np.asarray(disc_tilt, dtype=float))
    climb = np.maximum(np.asarray(climb_speed, dtype=float), 0.0)
    in_plane = v * np.cos(angle) - climb * np.sin(angle)
    through = v * np.sin(angle) + climb * np.cos(angle)
    # In units of vh. The left side minus the right side grows with vi, and its root lies between 0 and 1.
    x, y = in_plane / vh, through / vh
    ratio = 1.0 / np.sqrt(1.0 + x**2 + y**2)
    for _ in range(40):
        flow = np.sqrt(x**2 + (y + ratio) ** 2)
        value = ratio * flow - 1.0
        slope = flow + ratio * (y + ratio) / flow
        step = value / slope
        ratio = ratio - step
        if np.all((np.abs(step) < 1e-13) | np.isnan(step)):
            break
    return np.asarray(vh * ratio)


def climb_power_ratio(climb_ratio: npt.ArrayLike) -> Array:
    """Give power in a vertical climb over hover power, ideal rotors.

    Parameters
    ----------
    climb_ratio : array_like
        Climb speed over `hover_induced_velocity` [1], not negative.

    Returns
    -------
    ndarray
        [1]: ``c/2 + sqrt(c^2/4 + 1)`` [Leishman-2006].
    """
    half = np.asarray(climb_ratio, dtype=float) / 2.0
    return np.asarray(half + np.sqrt(half**2 + 1.0))


def thrust_to_weight(
    at_reference: npt.ArrayLike,
    air_density: npt.ArrayLike,
    reference_density: npt.ArrayLike = STANDARD_DENSITY,
) -> Array:
    """Give the largest thrust over weight in air of another density, the same largest rpm: in proportion to it.

    Parameters
    ----------
    at_reference : array_like
        Thrust over weight at `reference_density` [1].
    air_density, reference_density : array_like
        [kg m-3]; all broadcast.
    """
    rho, reference = np.asarray(air_density, dtype=float), np.asarray(reference_density, dtype=float)
    return np.asarray(np.asarray(at_reference, dtype=float) * rho / reference)


def power_limited_thrust(shaft_power: npt.ArrayLike, area: npt.ArrayLike, air_density: npt.ArrayLike) -> Array:
    """Give the thrust in hover that a shaft power [W] sustains [N]: ``(2 rho A)^(1/3) (FM P)^(2/3)``."""
    p, a, rho = (np.asarray(x, dtype=float) for x in (shaft_power, area, air_density))
    return np.asarray((2.0 * rho * a) ** (1 / 3) * (FIGURE_OF_MERIT * p) ** (2 / 3))
