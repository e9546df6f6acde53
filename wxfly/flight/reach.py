"""Reach around the launch point, and the flights that a number of batteries allows in a window."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from wxfly.flight.energy import EnergyModel
from wxfly.flight.leg import Leg, Plan, Wind, charge_to_leave, fly_legs, make_ready

Array = npt.NDArray[np.float64]

SWAP_TIME = 300.0
"""Time from landing with one battery to take-off with the next [s]; common practice, no source."""

WindAt = Callable[[float, Array], Wind]
"""Wind at a height [m] and times after take-off [s], one for each direction."""


@dataclass(frozen=True, kw_only=True)
class Reach:
    """Distance that can be flown out and home again, in every direction from the launch point; arrays of one shape.

    Attributes
    ----------
    directions : ndarray
        Directions from the launch point [degree].
    by_energy : ndarray
        Distance by energy [m]; 0 where the aircraft cannot return.
    distance : ndarray
        The smallest distance by energy and the other limits [m]; NaN where one of them is unknown.
    limited_by : tuple of str
        ``energy``, or the name of the limit, by direction.
    out, home : Leg
        The two legs.
    charge_at_turn : ndarray
        Least charge shown at that distance at the start of the return leg [1].
    """

    directions: Array
    by_energy: Array
    distance: Array
    limited_by: tuple[str, ...]
    out: Leg
    home: Leg
    charge_at_turn: Array


def steady(out_wind: Wind, home_wind: Wind, plan: Plan) -> WindAt:
    """Return a wind that does not change in time, from the winds at the two heights of a plan."""

    def wind_at(height: float, seconds: Array) -> Wind:
        del seconds
        return out_wind if height == plan.height else home_wind

    return wind_at


def reach(
    model: EnergyModel,
    plan: Plan,
    wind_at: WindAt,
    air_density: float,
    air_temperature: float,
    *,
    gust: float = 0.0,
    limits: Mapping[str, float] | None = None,
    directions: npt.ArrayLike | None = None,
) -> Reach:
    """Return how far the aircraft can fly and come home with its reserve, in every direction.

    Parameters
    ----------
    model : EnergyModel
        From `wxfly.flight.energy.energy_model`.
    plan : Plan
        The plan; its distance and direction are not used, but its time of work at the farthest point is.
    wind_at : callable
        See `WindAt` and `steady`. A wind that changes in time is taken at the middle of each leg.
    air_density, air_temperature : float
        Air at flight height [kg m-3, K].
    gust : float, optional
        As in `sortie_budget`.
    limits : mapping, optional
        Other limits of the distance by name, such as sight [m].
    directions : array_like, optional
        Directions [degree]; by default every 5 degrees.
    """
    course = np.arange(0.0, 360.0, 5.0) if directions is None else np.asarray(directions, dtype=float)
    rho, temperature = np.full_like(course, air_density), np.full_like(course, air_temperature)
    middle_out, middle_home = np.zeros_like(course), np.zeros_like(course)
    # The winds depend on the time of each leg, which depends on the distance: a few iterations converge. One is enough
    # where the winds do not change.
    winds: list[Wind] = []
    for _ in range(5):
        before, winds = winds, [wind_at(plan.height, middle_out), wind_at(plan.return_height, middle_home)]
        if before and all(_is_same(a, b) for a, b in zip(before, winds, strict=True)):
            break
        out_wind, home_wind = winds
        flown = make_ready(model, plan, out_wind, home_wind, rho, temperature)
        out, home = fly_legs(flown, course)
        free = flown.usable * (1.0 - plan.reserve) - flown.climb - flown.work - flown.descent
        per_metre = flown.consumption_factor * (out.energy_per_metre + home.energy_per_metre)
        distance = np.maximum(free, 0.0) / per_metre
        time_out, time_home = (
            _over_each(distance, out.ground_speed),
            _over_each(distance, home.ground_speed),
        )
        middle_out = flown.time_up + time_out / 2
        middle_home = flown.time_up + time_out + plan.work_time + flown.time_down + time_home / 2
    refused = (gust >= flown.fastest) | ~flown.pack_holds
    by_energy = np.where(np.isnan(gust + free + per_metre), np.nan, np.where(refused, 0.0, distance))
    least, limited_by = by_energy, np.full(course.shape, "energy", dtype=object)
    for name, limit in (limits or {}).items():
        limited_by = np.where(limit < least, name, limited_by)
        least = np.minimum(least, limit)  # any NaN stays NaN
    there = least != 0
    return_leg = np.where(there, flown.consumption_factor * least * np.where(there, home.energy_per_metre, 0.0), 0.0)
    charge = charge_to_leave(model, flown.usable, return_leg + flown.descent, plan.reserve)
    return Reach(
        directions=course,
        by_energy=by_energy,
        distance=least,
        limited_by=tuple(str(n) for n in limited_by),
        out=out,
        home=home,
        charge_at_turn=charge,
    )


def _is_same(one: Wind, other: Wind) -> bool:
    return all(np.array_equal(a, b, equal_nan=True) for a, b in zip(one, other, strict=True))


def _over_each(distance: Array, speed: Array) -> Array:
    return np.asarray(distance / np.where(speed > 0, speed, 1.0))


class Flights(NamedTuple):
    """The flights that a number of batteries allows in a window: flights begun, and time in the air [s]."""

    begun: int
    time_in_air: float


def flights_in_window(window: float, flight_time: float, batteries: int, *, swap_time: float = SWAP_TIME) -> Flights:
    """Return the flights that fit into a window, one battery after the other.

    Parameters
    ----------
    window : float
        Length of the window [s].
    flight_time : float
        Time from take-off to landing with one battery [s].
    batteries : int
        Number of charged batteries.
    swap_time : float, optional
        Time between landing and the next take-off [s].

    Returns
    -------
    Flights
        A last flight may be cut short by the end of the window; one cut to less than a third is not begun.
    """
    count, in_air = 0, 0.0
    for flight in range(batteries):
        room = min(window - flight * (flight_time + swap_time), flight_time)
        if flight_time <= 0 or room < flight_time / 3:
            break
        count, in_air = count + 1, in_air + room
    return Flights(count, in_air)
