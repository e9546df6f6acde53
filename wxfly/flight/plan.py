"""A flight plan and the energy for it: out at flight height, work, and home at the return height.

A leg is flown at the airspeed of least energy per ground distance in its wind. Where the wind is uncertain, each leg is
computed for the weaker and the stronger wind, and the one that costs more counts.
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
"""Share of the usable energy down to which the pack must supply the return leg without reaching its cut-off."""
CONFIDENCE = 0.9
"""Confidence required for the return leg."""


@dataclass(frozen=True)
class Plan:
    """A planned flight.

    Attributes
    ----------
    height, return_height : float
        Heights of the outbound leg and the work, and of the return leg [m above ground].
    distance : float
        Ground distance to the farthest point [m].
    direction : float or None
        Direction toward it [degree]; None stands for the most demanding direction.
    work_time : float
        Time at the farthest point [s].
    reserve : float
        Share of the usable energy to land with.
    confidence : float
        Confidence required for energy and return leg: 0.5 takes the estimates themselves; at 0.9 one in ten may fail.
    cell_temperature : float or None
        Battery temperature before take-off [K]; None takes that of the air, for a pack that was left in the cold.
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
    """All parts of a plan that do not depend on the course, for its winds and air; arrays of one shape.

    Attributes
    ----------
    climb, work, descent : ndarray
        Energy of each part, the model's uncertainty included [J].
    time_up, time_down : float
        Times of climb and descent [s].
    waiting_power : ndarray
        Power of staying at the place [W].
    usable : ndarray
        Usable energy of the pack [J].
    consumption_factor : float
        Factor for the model's uncertainty [1].
    fastest : ndarray
        Fastest airspeed [m s-1].
    pack_holds : ndarray of bool
        Whether the pack supplies climb and waiting without reaching its cut-off.
    out_wind, home_wind : Wind
        The given winds.
    polar : Polar
        Power at the airspeeds.
    power_out, power_home : ndarray
        Largest power of the pack on each leg [W].
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
    """Prepare a plan: climb and work in the wind at flight height, the rest in the wind at the return height.

    The change from flight height to return height counts with the descent, because it belongs to the return leg.
    The full pack, still cold, must supply the climb and the outbound leg. At the end, warmed by use, its last charge
    must supply the return leg. The climb to a higher return height comes before that, and a weak pack climbs more
    slowly.
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
    """Return the legs out on a course and home on the opposite one; energies without the model's uncertainty."""
    toward = np.asarray(course, dtype=float)
    return (
        fly_leg(ready.polar, toward, ready.out_wind, largest_power=ready.power_out),
        fly_leg(ready.polar, toward + 180.0, ready.home_wind, largest_power=ready.power_home),
    )


def _climb_surplus(model: EnergyModel, airspeed: Array, rho: Array) -> Array:
    speed = np.maximum(airspeed, airspeed_range(model, rho)[0])
    return flight_power(model, speed, rho, model.climb_speed) - flight_power(model, speed, rho)


def charge_to_leave(model: EnergyModel, usable: Array, way_home: Array, reserve: float) -> Array:
    """Return the charge shown when the energy left is just enough for the return leg and the reserve.

    The charge shown is a share of the full pack. It includes the part that cannot be drawn in the cold.
    """
    return np.asarray(1.0 - (usable * (1.0 - reserve) - way_home) / full_energy(model))


def _consumption_factor(confidence: float) -> float:
    """Return the factor by which the model's power may be too low, at a confidence."""
    return 1.0 + quantile(confidence) * rotor.MODEL_DEVIATION
