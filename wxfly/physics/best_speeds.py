"""The best airspeeds of any curve of power: for the longest flight and for the farthest."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

Power = Callable[[Array], Array]
_SPEEDS = 401


def best_endurance_speed(power: Power, highest_speed: float, lowest_speed: float = 0.0) -> float:
    """Give the airspeed of least power [m s-1].

    Parameters
    ----------
    power : callable
        From airspeeds [m s-1] to powers [W], such as a call of `wxfly.physics.rotor.flight_power`.
    highest_speed, lowest_speed : float
        Bounds [m s-1].
    """
    return _least(power, lowest_speed, highest_speed)


def best_range_speed(power: Power, highest_speed: float, lowest_speed: float = 0.0, *, headwind: float = 0.0) -> float:
    """Give the airspeed of least energy over ground, against a headwind: the least ``P(V) / (V - w)`` [m s-1].

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


def _least(function: Power, low: float, high: float) -> float:
    """Give where a function of one minimum is least: a grid, made finer round the best point."""
    for _ in range(4):
        grid = np.linspace(low, high, _SPEEDS)
        at = int(np.argmin(function(grid)))
        low, high = float(grid[max(at - 1, 0)]), float(grid[min(at + 1, _SPEEDS - 1)])
    return (low + high) / 2
