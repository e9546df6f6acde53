"""The sortie: out at flight height, work, and home at the return height, each in its own wind.

A leg is flown at the airspeed that takes the least energy over ground against its wind. Where the wind is not
sure, each leg is held against the weaker and the stronger wind, and the dearer one counts. Energy is paid from
what one pack gives in the cold, less the reserve. What is not known stays not known.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from wxfly.energy import (
    EnergyModel,
    airspeed_range,
    flight_power,
    full_energy,
    largest_power,
    usable_energy,
    waiting_power,
)
from wxfly.legs import Leg, Wind, fly_leg, quantile
from wxfly.physics import battery, rotor

Array = npt.NDArray[np.float64]

BATTERY_RESERVE = 0.25
"""Share of a pack to land with; 20 to 30 % is common practice, no source."""
LAST_CHARGE = 0.1
"""Share of what the pack gives, down to which it must bear the way home: a reserve that trips the cut-off is none."""
DIRECTION_STEP = 15.0
"""Of the directions of which the dearest is looked for [degree]."""
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
        Toward it [degree]; None stands for the dearest of all directions.
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


class Refusal(IntEnum):
    """Why a sortie cannot be flown at all, whatever the energy."""

    NONE = 0
    GUST = 1
    WIND = 2
    COLD_PACK = 3

    @property
    def words(self) -> str:
        """The reason as reports write it."""
        return (
            "",
            "a gust is as fast as the aircraft",
            "the wind is more than the aircraft makes good",
            "the voltage of the cold pack falls to the cut-off",
        )[self]


class Budget(NamedTuple):
    """What a sortie takes, arrays of one shape; energies [J], times [s].

    Attributes
    ----------
    climb, out, work, home, descent : ndarray
        Energy of each part, the model's doubt included; infinite where it cannot be flown.
    usable : ndarray
        What the pack gives down to its cut-off.
    needed_share : ndarray
        Everything and the reserve over `usable`: above 1 the sortie does not come home with its reserve.
        Infinite where it cannot be flown.
    charge_at_turn : ndarray
        Charge that must be shown when leaving for home, of the pack's charge when full [1].
    time_out, time_home, time : ndarray
        Climb and way out; way home and descent; all of it.
    latest_turn : ndarray
        Time after take-off at which the aircraft, working at the place as long as it can, must leave for home.
    direction : ndarray
        The direction held against [degree].
    refusal : ndarray
        Codes of `Refusal`.
    """

    climb: Array
    out: Array
    work: Array
    home: Array
    descent: Array
    usable: Array
    needed_share: Array
    charge_at_turn: Array
    time_out: Array
    time_home: Array
    time: Array
    latest_turn: Array
    direction: Array
    refusal: Array


def sortie_budget(
    model: EnergyModel,
    plan: Plan,
    out_wind: Wind,
    home_wind: Wind,
    air_density: npt.ArrayLike,
    air_temperature: npt.ArrayLike,
    *,
    gust: npt.ArrayLike = 0.0,
) -> Budget:
    """Add up what a planned sortie takes.

    Parameters
    ----------
    model : EnergyModel
        From `wxfly.energy.energy_model`.
    plan : Plan
        With the distance.
    out_wind, home_wind : Wind
        At flight height and at the return height.
    air_density, air_temperature : array_like
        At flight height [kg m-3, K].
    gust : array_like, optional
        Strongest of both heights [m s-1]: at or above the top speed the sortie is refused. All broadcast.
    """
    given = [*out_wind, *home_wind, air_density, air_temperature, gust]
    arrays = list(np.broadcast_arrays(*(np.asarray(a, dtype=float) for a in given)))
    if plan.direction is not None:
        return _budget(model, plan, np.asarray(float(plan.direction)), arrays)
    # One direction after the other: all at once would hold a large ensemble two dozen times.
    worst: Budget | None = None
    for direction in np.arange(0.0, 360.0, DIRECTION_STEP):
        here = _budget(model, plan, np.asarray(direction), arrays)
        if worst is None:
            worst = here
            continue
        dearer = (here.needed_share > worst.needed_share) | np.isnan(here.needed_share)
        worst = Budget(*(np.where(dearer, new, old) for new, old in zip(here, worst, strict=True)))
    assert worst is not None
    return worst


def _budget(model: EnergyModel, plan: Plan, course: Array, arrays: list[Array]) -> Budget:
    rho, temperature, gust = arrays[6:]
    flown = fly_plan(model, plan, course, Wind(*arrays[:3]), Wind(*arrays[3:6]), rho, temperature)
    energy_out = _times(flown.dearer * plan.distance, flown.out.energy_per_metre)
    energy_home = _times(flown.dearer * plan.distance, flown.home.energy_per_metre)
    used = flown.climb + energy_out + flown.work + energy_home + flown.descent
    refusal = np.select(
        [gust >= flown.fastest, ~flown.pack_holds, np.isinf(used)],
        [int(Refusal.GUST), int(Refusal.COLD_PACK), int(Refusal.WIND)],
        int(Refusal.NONE),
    )
    share = np.where(refusal > 0, np.inf, used / flown.usable + plan.reserve)
    share = np.where(np.isnan(gust + used + flown.usable), np.nan, share)
    time_out = flown.time_up + _over(plan.distance, flown.out.ground_speed)
    time_home = flown.time_down + _over(plan.distance, flown.home.ground_speed)
    left = flown.usable * (1.0 - plan.reserve) - (used - flown.work)
    return Budget(
        *np.broadcast_arrays(
            flown.climb,
            energy_out,
            flown.work,
            energy_home,
            flown.descent,
            flown.usable,
            share,
            charge_to_leave(model, flown.usable, energy_home + flown.descent, plan.reserve),
            time_out,
            time_home,
            time_out + plan.work_time + time_home,
            time_out + np.maximum(left, 0.0) / (flown.dearer * flown.waiting_power),
            np.mod(course, 360.0),
            refusal.astype(float),
        )
    )


class Flown(NamedTuple):
    """A plan flown on given courses: the energy of parts that do not grow with the distance, and the legs that do.

    Attributes
    ----------
    climb, work, descent : ndarray
        [J], the model's doubt included.
    time_up, time_down : float
        [s]
    waiting_power : ndarray
        At the place [W].
    out, home : Leg
        Without the model's doubt.
    usable : ndarray
        [J]
    dearer : float
        The factor of the model's doubt [1].
    fastest : ndarray
        Airspeed [m s-1].
    pack_holds : ndarray of bool
        Whether the pack bears climb and waiting without falling to its cut-off.
    """

    climb: Array
    work: Array
    descent: Array
    time_up: float
    time_down: float
    waiting_power: Array
    out: Leg
    home: Leg
    usable: Array
    dearer: float
    fastest: Array
    pack_holds: npt.NDArray[np.bool_]


def fly_plan(
    model: EnergyModel, plan: Plan, course: Array, out_wind: Wind, home_wind: Wind, rho: Array, temperature: Array
) -> Flown:
    """Fly a plan: climb and work in the wind of the flight height, the rest in that of the return height.

    The change from flight height to return height is counted with the descent: it belongs to the way home.
    The cold full pack must bear the climb and the way out; at the end, warmed by use, the last of its charge must
    bear the way home. The climb to a higher return height comes before, and a weak pack climbs slower.
    """
    dearer = _dearer_by(plan.confidence)
    fastest = airspeed_range(model, rho)[1]
    out_speed = np.minimum(np.asarray(out_wind.speed, float) + np.asarray(out_wind.doubt, float), fastest)
    home_speed = np.minimum(np.asarray(home_wind.speed, float) + np.asarray(home_wind.doubt, float), fastest)
    waiting, waiting_home = waiting_power(model, out_speed, rho), waiting_power(model, home_speed, rho)
    climbing = waiting + _climb_surplus(model, out_speed, rho)
    climbing_home = waiting_home + _climb_surplus(model, home_speed, rho)

    cells = temperature if plan.cell_temperature is None else np.full_like(temperature, plan.cell_temperature)
    usable = usable_energy(model, cells, temperature)
    at_start = largest_power(model, 1.0, cells) / dearer
    last_charge = charge_to_leave(model, usable, np.zeros_like(usable), LAST_CHARGE)
    at_end = largest_power(model, last_charge, battery.flight_cell_temperature(cells, temperature)) / dearer

    time_up = plan.height / model.climb_speed
    further_up = max(plan.return_height - plan.height, 0.0) / model.climb_speed
    down = (plan.return_height + max(plan.height - plan.return_height, 0.0)) / model.descent_speed
    return Flown(
        dearer * climbing * time_up,
        dearer * waiting * plan.work_time,
        dearer * (climbing_home * further_up + waiting_home * down),
        time_up,
        further_up + down,
        waiting,
        fly_leg(model, course, out_wind, rho, largest_power=at_start),
        fly_leg(model, course + 180.0, home_wind, rho, largest_power=at_end),
        usable,
        dearer,
        fastest,
        (climbing <= at_start) & (waiting_home <= at_end),
    )


def _climb_surplus(model: EnergyModel, airspeed: Array, rho: Array) -> Array:
    speed = np.maximum(airspeed, airspeed_range(model, rho)[0])
    return flight_power(model, speed, rho, model.climb_speed) - flight_power(model, speed, rho)


def charge_to_leave(model: EnergyModel, usable: Array, way_home: Array, reserve: float) -> Array:
    """Give the charge shown when what is left just pays the way home and the reserve.

    A charge is shown of the full pack; the part that the cold keeps is shown too, and cannot be drawn.
    """
    return np.asarray(1.0 - (usable * (1.0 - reserve) - way_home) / full_energy(model))


def _times(distance: float, energy_per_metre: Array) -> Array:
    """Multiply so that no distance takes nothing, even where no way is made."""
    with np.errstate(invalid="ignore"):
        product = distance * energy_per_metre
    return np.asarray(np.where((distance == 0) & np.isinf(energy_per_metre), 0.0, product))


def _over(distance: float, speed: Array) -> Array:
    never = np.inf if distance > 0 else 0.0
    return np.asarray(np.where(speed == 0, never, distance / np.where(speed == 0, 1.0, speed)))


def _dearer_by(confidence: float) -> float:
    """Give the factor by which the model's power may be too low at a confidence."""
    return 1.0 + quantile(confidence) * rotor.MODEL_DEVIATION
