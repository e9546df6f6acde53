"""Formulas of the check values that wxfly itself does not need: wind triangle."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.aircraft.wind_triangle import Array


def out_and_back_radius(
    airspeed: npt.ArrayLike,
    wind_speed: npt.ArrayLike,
    angle: npt.ArrayLike,
    time: npt.ArrayLike,
) -> Array:
    """Return how far out a flight can turn to be back in time, in one steady wind.

    Parameters
    ----------
    airspeed, wind_speed : array_like
        [m s-1]
    angle : array_like
        Between course and wind [degree]; 0 or 180 is along the wind, 90 across it.
    time : array_like
        Out and back together [s]; all broadcast.

    Returns
    -------
    ndarray
        [m]: ``t (V^2 - w^2) / (2 sqrt(V^2 - w^2 sin^2))``, from the wind triangle out and back; 0 where the wind
        is as fast as the aircraft.
    """
    v, w = np.asarray(airspeed, dtype=float), np.asarray(wind_speed, dtype=float)
    across = w * np.sin(np.deg2rad(angle))
    room = np.maximum(v**2 - w**2, 0.0)
    under = np.where(room > 0, v**2 - across**2, 1.0)
    return np.asarray(np.asarray(time, dtype=float) * room / (2.0 * np.sqrt(np.where(under > 0, under, 1.0))))


def point_of_no_return_time(
    endurance: npt.ArrayLike, ground_speed_out: npt.ArrayLike, ground_speed_home: npt.ArrayLike
) -> Array:
    """Return how long a flight may go out before it must turn for home: ``E H / (O + H)``.

    Parameters
    ----------
    endurance : array_like
        Out and home together, without the reserve [s, or any unit of time].
    ground_speed_out, ground_speed_home : array_like
        [m s-1], or any unit of speed; all broadcast.

    Returns
    -------
    ndarray
        In the unit of `endurance`; 0 where no way home is made.
    """
    out, home = np.asarray(ground_speed_out, dtype=float), np.asarray(ground_speed_home, dtype=float)
    total = out + home
    return np.asarray(np.asarray(endurance, float) * home / np.where(total == 0, 1.0, total))
