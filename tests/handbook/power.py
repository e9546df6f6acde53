"""Formulas for check values that wxfly itself does not use: the power of flight."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from wxfly.physics.air.atmosphere import STANDARD_DENSITY
from wxfly.physics.aircraft.power import Array

Power = Callable[[Array], Array]
_SPEEDS = 401


def _least(function: Power, low: float, high: float) -> float:
    """Return where a function with a single minimum is least, on a grid that is refined around the best point."""
    for _ in range(4):
        grid = np.linspace(low, high, _SPEEDS)
        at = int(np.argmin(function(grid)))
        low, high = float(grid[max(at - 1, 0)]), float(grid[min(at + 1, _SPEEDS - 1)])
    return (low + high) / 2


def hover_power_ratio(air_density: npt.ArrayLike, reference_density: npt.ArrayLike = STANDARD_DENSITY) -> Array:
    """Return the ratio of hover power to that in reference air, same mass and rotors: ``sqrt(rho0 / rho)`` [1]."""
    return np.asarray(np.sqrt(np.asarray(reference_density, float) / np.asarray(air_density, float)))


def induced_velocity_ratio(speed_ratio: npt.ArrayLike) -> Array:
    """Return the ratio of induced velocity in edgewise flight to that in hover.

    Parameters
    ----------
    speed_ratio : array_like
        Ratio of airspeed to `hover_induced_velocity` [1].

    Returns
    -------
    ndarray
        [1]: ``sqrt(sqrt(1 + x^4 / 4) - x^2 / 2)`` [Leishman-2006], discs level.
    """
    half = np.asarray(speed_ratio, dtype=float) ** 2 / 2.0
    # 1 / (sqrt(1 + h^2) + h) equals sqrt(1 + h^2) - h without the difference of nearly equal numbers.
    return np.asarray(np.sqrt(1.0 / (np.sqrt(1.0 + half**2) + half)))


def climb_power_ratio(climb_ratio: npt.ArrayLike) -> Array:
    """Return the ratio of power in a vertical climb to hover power, for ideal rotors.

    Parameters
    ----------
    climb_ratio : array_like
        Ratio of climb speed to `hover_induced_velocity` [1], not negative.

    Returns
    -------
    ndarray
        [1]: ``c/2 + sqrt(c^2/4 + 1)`` [Leishman-2006].
    """
    half = np.asarray(climb_ratio, dtype=float) / 2.0
    return np.asarray(half + np.sqrt(half**2 + 1.0))


def best_endurance_speed(power: Power, highest_speed: float, lowest_speed: float = 0.0) -> float:
    """Return the airspeed of least power [m s-1].

    Parameters
    ----------
    power : callable
        Power [W] as a function of airspeed [m s-1], such as a call of `wxfly.physics.aircraft.power.flight_power`.
    highest_speed, lowest_speed : float
        Bounds [m s-1].
    """
    return _least(power, lowest_speed, highest_speed)


def best_range_speed(power: Power, highest_speed: float, lowest_speed: float = 0.0, *, headwind: float = 0.0) -> float:
    """Return the airspeed of least energy per distance over the ground, in a headwind: the least ``P(V) / (V - w)``.

    Parameters
    ----------
    power, highest_speed, lowest_speed
        As in `best_endurance_speed`.
    headwind : float, optional
        Along the course, negative for a tailwind [m s-1].

    Returns
    -------
    float
        [m s-1]; NaN where the headwind is not below the highest speed.
    """
    lowest = max(lowest_speed, headwind + 1e-3)
    if not lowest < highest_speed:
        return float("nan")
    return _least(lambda v: power(v) / (v - headwind), max(lowest, 1e-3), highest_speed)


def single_rotor_power(
    airspeed: npt.ArrayLike,
    *,
    profile_power: float,
    induced_power: float,
    tip_speed: float,
    hover_velocity: float,
    drag_ratio: float,
    solidity: float,
    area: float,
    air_density: npt.ArrayLike = STANDARD_DENSITY,
) -> Array:
    """Return the power of a rotary-wing aircraft in level flight at a fixed thrust, in the form of [Zeng-2019].

    Parameters
    ----------
    airspeed : array_like
        [m s-1]
    profile_power, induced_power : float
        In hover [W].
    tip_speed : float
        Speed of the blade tips [m s-1].
    hover_velocity : float
        Mean induced velocity in hover [m s-1].
    drag_ratio : float
        Ratio of the fuselage's drag area to solidity times disc area [1].
    solidity : float
        Ratio of blade area to disc area [1].
    area : float
        Disc area [m2].
    air_density : array_like, optional
        [kg m-3]

    Returns
    -------
    ndarray
        [W], with the profile factor 3 of that paper.
    """
    v = np.asarray(airspeed, dtype=float)
    profile = profile_power * (1.0 + 3.0 * (v / tip_speed) ** 2)
    induced = induced_power * induced_velocity_ratio(v / hover_velocity)
    drag = 0.5 * drag_ratio * np.asarray(air_density, float) * solidity * area * v**3
    return np.asarray(profile + induced + drag)
