"""The sortie: its legs in wind, the energy that it takes from a battery, and reach around the launch point.

A leg is flown at the airspeed of least energy per ground distance, in a wind with its uncertainty. The energy comes
from one pack at its temperature, less the reserve. Unknown values stay unknown.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum
from statistics import NormalDist
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
from wxfly.physics.aircraft import battery, power, wind_triangle
from wxfly.physics.wind.gust import peak_factor

Array = npt.NDArray[np.float64]

FORECAST_DEVIATION = 1.6
"""Standard deviation of the error of a next-day wind forecast [m s-1]: fine models have a root mean square error of
about 1.5 m/s at 10 m at stations (published comparisons); value rounded from memory."""
LEG_DEVIATION = 0.5
"""Standard deviation of the mean wind over a leg of some minutes, as a multiple of that of the turbulence [1]; common
practice, no source."""
AIRSPEEDS = 121
"""Number of airspeeds, from the slowest to the fastest, among which the one of least energy is found."""
_NO_WAY = 0.1
"""Ground speed below which the aircraft counts as making no ground [m s-1]."""


class Wind(NamedTuple):
    """Wind on a leg, arrays of one shape: speed [m s-1], direction it comes from [degree], uncertainty [m s-1]."""

    speed: npt.ArrayLike
    from_direction: npt.ArrayLike
    uncertainty: npt.ArrayLike = 0.0


class Leg(NamedTuple):
    """One leg, arrays of one shape.

    Attributes
    ----------
    energy_per_metre : ndarray
        Energy per ground distance [J m-1]; infinite where no airspeed makes the course good.
    airspeed, ground_speed : ndarray
        Speeds of least energy [m s-1].
    power : ndarray
        Power drawn [W].
    """

    energy_per_metre: Array
    airspeed: Array
    ground_speed: Array
    power: Array


class Polar:
    """Power at the airspeeds that an aircraft can fly, along a separate last axis.

    Parameters
    ----------
    model : EnergyModel
        From `wxfly.flight.energy.energy_model`.
    air_density : array_like
        Air density [kg m-3].
    airspeeds : int, optional
        Number of airspeeds; a third of the default finds the least energy within 1 %, in a third of the time.
    """

    def __init__(self, model: EnergyModel, air_density: npt.ArrayLike, airspeeds: int = AIRSPEEDS) -> None:
        density = np.asarray(air_density, dtype=float)
        slowest, fastest = airspeed_range(model, density)
        slowest = np.maximum(slowest, 0.02 * fastest)
        share = np.linspace(0.0, 1.0, airspeeds)
        self.airspeed = slowest[..., None] + (fastest - slowest)[..., None] * share
        self.power = flight_power(model, self.airspeed, density[..., None])

    def best(
        self, course: npt.ArrayLike, speed: Array, from_direction: npt.ArrayLike, too_much: npt.NDArray[np.bool_]
    ) -> Leg:
        """Return the airspeed of least energy per ground distance among those with a power within the limit."""
        made_good = wind_triangle.ground_speed(
            np.asarray(course, float)[..., None],
            self.airspeed,
            speed[..., None],
            np.asarray(from_direction, float)[..., None],
        )
        made_good = np.where(made_good < _NO_WAY, 0.0, made_good)
        cost = self.power / np.where(made_good == 0, 1.0, made_good)
        cost = np.where((made_good == 0) | too_much, np.inf, cost)
        best = np.argmin(cost, axis=-1)[..., None]  # argmin finds a NaN first, so it stays
        return Leg(
            *(
                np.take_along_axis(np.broadcast_to(values, cost.shape), best, axis=-1)[..., 0]
                for values in (cost, self.airspeed, made_good, self.power)
            )
        )


def fly_leg(
    polar: Polar,
    course: npt.ArrayLike,
    wind: Wind,
    *,
    largest_power: npt.ArrayLike = np.inf,
) -> Leg:
    """Return the airspeed of least energy per ground distance on a course, and its energy.

    Parameters
    ----------
    polar : Polar
        Polar of the aircraft, in the air of the leg.
    course : array_like
        Course over ground [degree].
    wind : Wind
        Wind of the leg; where it is uncertain, the weaker or the stronger wind counts, whichever costs more.
    largest_power : array_like, optional
        Largest power of the pack [W]; all broadcast.
    """
    speed, uncertainty = np.asarray(wind.speed, dtype=float), np.asarray(wind.uncertainty, dtype=float)
    too_much = polar.power > np.asarray(largest_power, dtype=float)[..., None]
    if not np.any(uncertainty > 0) and not np.any(np.isnan(uncertainty)):
        return polar.best(course, speed, wind.from_direction, too_much)
    strong = polar.best(course, speed + uncertainty, wind.from_direction, too_much)
    weak = polar.best(course, np.maximum(speed - uncertainty, 0.0), wind.from_direction, too_much)
    costs_more = strong.energy_per_metre >= weak.energy_per_metre
    costs_more |= np.isnan(strong.energy_per_metre)
    return Leg(*(np.where(costs_more, a, b) for a, b in zip(strong, weak, strict=True)))


def wind_uncertainty(
    wind_speed: npt.ArrayLike,
    gust: npt.ArrayLike,
    extrapolation_deviation_of: npt.ArrayLike,
    height: float,
    confidence: float,
    *,
    forecast_deviation: npt.ArrayLike = FORECAST_DEVIATION,
) -> Array:
    """Return the difference by which the mean wind of a leg may differ from the forecast, at a confidence.

    Parameters
    ----------
    wind_speed, gust : array_like
        Wind and gust at the height [m s-1].
    extrapolation_deviation_of : array_like
        Standard deviation of the extrapolation of the wind to the height [m s-1].
    height : float
        Height above ground [m].
    confidence : float
        One-sided confidence, 0.5 to below 1.
    forecast_deviation : array_like, optional
        Standard deviation of the forecast's own error [m s-1]; it grows with lead time.

    Returns
    -------
    ndarray
        The normal quantile times the root sum of squares of three parts [m s-1]: the forecast's error, the
        extrapolation, and `LEG_DEVIATION` times the turbulence that follows from the gust.
    """
    wind = np.asarray(wind_speed, dtype=float)
    turbulence = np.maximum(np.asarray(gust, dtype=float) - wind, 0.0) / peak_factor(height)
    parts = (
        np.asarray(forecast_deviation, float) ** 2
        + np.asarray(extrapolation_deviation_of, float) ** 2
        + (LEG_DEVIATION * turbulence) ** 2
    )
    return np.asarray(quantile(confidence) * np.sqrt(parts))


def quantile(confidence: float) -> float:
    """Return the normal quantile of a one-sided confidence; 0 at 0.5 and below."""
    return 0.0 if confidence <= 0.5 else NormalDist().inv_cdf(confidence)


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


@dataclass(frozen=True)
class Sortie:
    """A planned sortie of one aircraft.

    Attributes
    ----------
    model : EnergyModel
        Energy model of the aircraft.
    plan : Plan
        The planned flight.
    batteries : int
        Number of charged batteries.
    """

    model: EnergyModel
    plan: Plan
    batteries: int = 1


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
    out_speed = np.minimum(np.asarray(out_wind.speed, float) + np.asarray(out_wind.uncertainty, float), fastest)
    home_speed = np.minimum(np.asarray(home_wind.speed, float) + np.asarray(home_wind.uncertainty, float), fastest)
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
        climb=factor * climbing * time_up,
        work=factor * waiting * plan.work_time,
        descent=factor * (climbing_home * further_up + waiting_home * down),
        time_up=time_up,
        time_down=further_up + down,
        waiting_power=waiting,
        usable=usable,
        consumption_factor=factor,
        fastest=fastest,
        pack_holds=(climbing <= at_start) & (waiting_home <= at_end),
        out_wind=out_wind,
        home_wind=home_wind,
        polar=Polar(model, rho, airspeeds),
        power_out=at_start,
        power_home=at_end,
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


def charge_to_leave(model: EnergyModel, usable: Array, return_leg: Array, reserve: float) -> Array:
    """Return the charge shown when the energy left is just enough for the return leg and the reserve.

    The charge shown is a share of the full pack. It includes the part that cannot be drawn in the cold.
    """
    return np.asarray(1.0 - (usable * (1.0 - reserve) - return_leg) / full_energy(model))


def _consumption_factor(confidence: float) -> float:
    """Return the factor by which the model's power may be too low, at a confidence."""
    return 1.0 + quantile(confidence) * power.MODEL_DEVIATION


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
        As in `Polar`.
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


SWAP_TIME = 300.0
"""Time from landing with one battery to take-off with the next [s]; common practice, no source."""


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


def reach(
    model: EnergyModel,
    plan: Plan,
    out_wind: Wind,
    home_wind: Wind,
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
    out_wind, home_wind : Wind
        Winds at flight height and at the return height.
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
    flown = make_ready(model, plan, out_wind, home_wind, rho, temperature)
    out, home = fly_legs(flown, course)
    free = flown.usable * (1.0 - plan.reserve) - flown.climb - flown.work - flown.descent
    per_metre = flown.consumption_factor * (out.energy_per_metre + home.energy_per_metre)
    distance = np.maximum(free, 0.0) / per_metre
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


class Flights(NamedTuple):
    """The flights that a number of batteries allows in a window: flights begun, and time in the air [s]."""

    begun: int
    time_in_air: float


def flights_in_window(window: float, flight_time: float, batteries: int) -> Flights:
    """Return the flights that fit into a window, one battery after the other.

    Parameters
    ----------
    window : float
        Length of the window [s].
    flight_time : float
        Time from take-off to landing with one battery [s].
    batteries : int
        Number of charged batteries; `SWAP_TIME` lies between two flights.

    Returns
    -------
    Flights
        A last flight may be cut short by the end of the window; one cut to less than a third is not begun.
    """
    count, in_air = 0, 0.0
    for flight in range(batteries):
        left = min(window - flight * (flight_time + SWAP_TIME), flight_time)
        if flight_time <= 0 or left < flight_time / 3:
            break
        count, in_air = count + 1, in_air + left
    return Flights(count, in_air)
