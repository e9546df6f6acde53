"""The sortie: the energy that a plan takes from a battery, and what is left for the return leg.

The energy comes from one pack at its temperature, less the reserve. Unknown values stay unknown.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import IntEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from wxfly.flight.energy import EnergyModel
from wxfly.flight.leg import AIRSPEEDS, Plan, Ready, Wind, charge_to_leave, fly_legs, make_ready

Array = npt.NDArray[np.float64]

DIRECTION_STEP = 15.0
"""Step of the directions among which the most demanding is found [degree]."""


class Refusal(IntEnum):
    """Why a sortie cannot be flown at all, whatever the energy."""

    NONE = 0
    GUST = 1
    WIND = 2
    COLD_PACK = 3

    @property
    def words(self) -> str:
        """Return the reason, for reports."""
        return (
            "",
            "a gust is as fast as the aircraft",
            "the aircraft cannot make headway in the wind",
            "the voltage of the cold pack falls to the cut-off",
        )[self]


class Budget(NamedTuple):
    """The budget of a sortie: arrays of one shape; energies [J], times [s].

    Attributes
    ----------
    climb, out, work, home, descent : ndarray
        Energy of each part, the model's uncertainty included; infinite where it cannot be flown.
    usable : ndarray
        Energy of the pack down to its cut-off.
    needed_share : ndarray
        Total energy divided by `usable`, plus the reserve [1]: above 1 the sortie does not come home with its reserve.
        Infinite where it cannot be flown.
    charge_at_turn : ndarray
        Least charge shown at the start of the return leg, as a share of a full pack [1].
    time_out, time_home, time : ndarray
        Climb and outbound leg; return leg and descent; total.
    latest_turn : ndarray
        Latest time after take-off to start the return leg, if the aircraft works at the place as long as it can.
    direction : ndarray
        Direction for which the budget is made [degree].
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
    courses: Sequence[npt.ArrayLike] | None = None,
    airspeeds: int = AIRSPEEDS,
) -> Budget:
    """Return the budget of a planned sortie.

    Parameters
    ----------
    model : EnergyModel
        From `wxfly.flight.energy.energy_model`.
    plan : Plan
        The plan, with its distance.
    out_wind, home_wind : Wind
        Winds at flight height and at the return height.
    air_density, air_temperature : array_like
        Air at flight height [kg m-3, K].
    gust : array_like, optional
        Strongest gust at the two heights [m s-1]: at or above the top speed the sortie is refused. All broadcast.
    courses : sequence of array_like, optional
        Directions among which the most demanding is found, where the plan has none [degree]; by default every
        `DIRECTION_STEP`.
    airspeeds : int, optional
        As in `wxfly.flight.leg.Polar`.
    """
    given = [*out_wind, *home_wind, air_density, air_temperature, gust]
    arrays = list(np.broadcast_arrays(*(np.asarray(a, dtype=float) for a in given)))
    rho, temperature, strongest = arrays[6:]
    ready = make_ready(model, plan, Wind(*arrays[:3]), Wind(*arrays[3:6]), rho, temperature, airspeeds=airspeeds)
    if plan.direction is not None:
        courses = [plan.direction]
    elif courses is None:
        courses = list(np.arange(0.0, 360.0, DIRECTION_STEP))
    # One direction after the other: all at once would need two dozen copies of a large ensemble in memory.
    worst: Budget | None = None
    for course in courses:
        here = _budget(model, plan, ready, np.asarray(course, dtype=float), strongest)
        if worst is None:
            worst = here
            continue
        costs_more = (here.needed_share > worst.needed_share) | np.isnan(here.needed_share)
        worst = Budget(*(np.where(costs_more, new, old) for new, old in zip(here, worst, strict=True)))
    assert worst is not None
    return worst


def _budget(model: EnergyModel, plan: Plan, ready: Ready, course: Array, gust: Array) -> Budget:
    out, home = fly_legs(ready, course)
    energy_out = _times(ready.consumption_factor * plan.distance, out.energy_per_metre)
    energy_home = _times(ready.consumption_factor * plan.distance, home.energy_per_metre)
    used = ready.climb + energy_out + ready.work + energy_home + ready.descent
    refusal = np.select(
        [gust >= ready.fastest, ~ready.pack_holds, np.isinf(used)],
        [int(Refusal.GUST), int(Refusal.COLD_PACK), int(Refusal.WIND)],
        int(Refusal.NONE),
    )
    share = np.where(refusal > 0, np.inf, used / ready.usable + plan.reserve)
    share = np.where(np.isnan(gust + used + ready.usable), np.nan, share)
    time_out = ready.time_up + _over(plan.distance, out.ground_speed)
    time_home = ready.time_down + _over(plan.distance, home.ground_speed)
    left = ready.usable * (1.0 - plan.reserve) - (used - ready.work)
    return Budget(
        *np.broadcast_arrays(
            ready.climb,
            energy_out,
            ready.work,
            energy_home,
            ready.descent,
            ready.usable,
            share,
            charge_to_leave(model, ready.usable, energy_home + ready.descent, plan.reserve),
            time_out,
            time_home,
            time_out + plan.work_time + time_home,
            time_out + np.maximum(left, 0.0) / (ready.consumption_factor * ready.waiting_power),
            np.mod(course, 360.0),
            refusal.astype(float),
        )
    )


def _times(distance: float, energy_per_metre: Array) -> Array:
    """Return distance times energy per metre: 0 at distance 0, even where the aircraft makes no ground."""
    with np.errstate(invalid="ignore"):
        product = distance * energy_per_metre
    return np.asarray(np.where((distance == 0) & np.isinf(energy_per_metre), 0.0, product))


def _over(distance: float, speed: Array) -> Array:
    never = np.inf if distance > 0 else 0.0
    return np.asarray(np.where(speed == 0, never, distance / np.where(speed == 0, 1.0, speed)))
