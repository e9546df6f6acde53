"""A plan of flight, and what flying it takes: out at flight height, work, and home at the return height.

A leg is flown at the airspeed that takes the least energy over ground against its wind. Where the wind is not
sure, each leg is held against the weaker and the stronger wind, and the one that costs more counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from wxfly.flight.energy import (
    EnergyModel,
    airspeed_range,
    flight_power,
    full_energy,
    largest_power,
    usable_energy,
    waiting_power,
)
from wxfly.flight.leg import AIRSPEEDS, Leg, Polar, Wind, fly_leg, quantile
from wxfly.physics.aircraft import battery, rotor

Array = npt.NDArray[np.float64]

BATTERY_RESERVE = 0.25
"""Share of a pack to land with; 20 to 30 % is common practice, no source."""
LAST_CHARGE = 0.1
"""Share of what the pack gives, down to which it must bear the way home: a reserve that trips the cut-off is none."""
CONFIDENCE = 0.9
"""How sure the way home must be."""


@dataclass(frozen=True)
class Plan:
    """What the pilot means to fly.

    Attributes
    ----------
    height, return_height : float
        Of the way out and the work, and of the way home [m above ground].
    distance : float
        To the farthest point, over ground [m].
    direction : float or None
        Toward it [degree]; None stands for the most demanding direction.
    work_time : float
        At the farthest point [s].
    reserve : float
        Share of what the pack gives, to land with.
    confidence : float
        How sure energy and way home must be: 0.5 takes every value as it is, 0.9 leaves one in ten.
    cell_temperature : float or None
        Of the cells before take-off [K]; None takes the air's, as of a pack that lay in the cold.
    """

    height: float
    return_height: float
    distance: float = 0.0
    direction: float | None = None
    work_time: float = 0.0
    reserve: float = BATTERY_RESERVE
    confidence: float = CONFIDENCE
    cell_temperature: float | None = None


class Ready(NamedTuple):
    """A plan made ready in its winds and air: all that does not depend on the course; arrays of one shape.

    Attributes
    ----------
    climb, work, descent : ndarray
        [J], the model's doubt included.
    time_up, time_down : float
        [s]
    waiting_power : ndarray
        At the place [W].
    usable : ndarray
        [J]
    consumption_factor : float
        The factor of the model's doubt [1].
    fastest : ndarray
        Airspeed [m s-1].
    pack_holds : ndarray of bool
        Whether the pack bears climb and waiting without falling to its cut-off.
    out_wind, home_wind : Wind
        As given.
    polar : Polar
        Power over the airspeeds.
    power_out, power_home : ndarray
        That the pack bears on each leg [W].
    """

    climb: Array
    work: Array
    descent: Array
    time_up: float
    time_down: float
    waiting_power: Array
    usable: Array
    consumption_factor: float
    fastest: Array
    pack_holds: npt.NDArray[np.bool_]
    out_wind: Wind
    home_wind: Wind
    polar: Polar
    power_out: Array
    power_home: Array


def make_ready(
    model: EnergyModel,
    plan: Plan,
    out_wind: Wind,
    home_wind: Wind,
    rho: Array,
    temperature: Array,
    *,
    airspeeds: int = AIRSPEEDS,
) -> Ready:
    """Make a plan ready: climb and work in the wind of the flight height, the rest in that of the return height.

    The change from flight height to return height is counted with the descent: it belongs to the way home.
    The cold full pack must bear the climb and the way out; at the end, warmed by use, the last of its charge must
    bear the way home. The climb to a higher return height comes before, and a weak pack climbs slower.
    """
    factor = _consumption_factor(plan.confidence)
    fastest = airspeed_range(model, rho)[1]
    out_speed = np.minimum(np.asarray(out_wind.speed, float) + np.asarray(out_wind.doubt, float), fastest)
    home_speed = np.minimum(np.asarray(home_wind.speed, float) + np.asarray(home_wind.doubt, float), fastest)
    waiting, waiting_home = waiting_power(model, out_speed, rho), waiting_power(model, home_speed, rho)
    climbing = waiting + _climb_surplus(model, out_speed, rho)
    climbing_home = waiting_home + _climb_surplus(model, home_speed, rho)

    cells = temperature if plan.cell_temperature is None else np.full_like(temperature, plan.cell_temperature)
    usable = usable_energy(model, cells, temperature)
    at_start = largest_power(model, 1.0, cells) / factor
    last_charge = charge_to_leave(model, usable, np.zeros_like(usable), LAST_CHARGE)
    at_end = largest_power(model, last_charge, battery.flight_cell_temperature(cells, temperature)) / factor

    time_up = plan.height / model.climb_speed
    further_up = max(plan.return_height - plan.height, 0.0) / model.climb_speed
    down = (plan.return_height + max(plan.height - plan.return_height, 0.0)) / model.descent_speed
    return Ready(
        factor * climbing * time_up,
        factor * waiting * plan.work_time,
        factor * (climbing_home * further_up + waiting_home * down),
        time_up,
        further_up + down,
        waiting,
        usable,
        factor,
        fastest,
        (climbing <= at_start) & (waiting_home <= at_end),
        out_wind,
        home_wind,
        Polar(model, rho, airspeeds),
        at_start,
        at_end,
    )


def fly_legs(ready: Ready, course: npt.ArrayLike) -> tuple[Leg, Leg]:
    """Fly out on a course and home on the opposite one; energies without the model's doubt."""
    toward = np.asarray(course, dtype=float)
    return (
        fly_leg(ready.polar, toward, ready.out_wind, largest_power=ready.power_out),
        fly_leg(ready.polar, toward + 180.0, ready.home_wind, largest_power=ready.power_home),
    )


def _climb_surplus(model: EnergyModel, airspeed: Array, rho: Array) -> Array:
    speed = np.maximum(airspeed, airspeed_range(model, rho)[0])
    return flight_power(model, speed, rho, model.climb_speed) - flight_power(model, speed, rho)


def charge_to_leave(model: EnergyModel, usable: Array, way_home: Array, reserve: float) -> Array:
    """Return the charge shown when what is left just pays the way home and the reserve.

    A charge is shown of the full pack; the part that the cold keeps is shown too, and cannot be drawn.
    """
    return np.asarray(1.0 - (usable * (1.0 - reserve) - way_home) / full_energy(model))


def _consumption_factor(confidence: float) -> float:
    """Return the factor by which the model's power may be too low at a confidence."""
    return 1.0 + quantile(confidence) * rotor.MODEL_DEVIATION
