"""One leg of a flight in wind: the airspeed of least energy per ground distance, and the uncertainty of the wind."""

from __future__ import annotations

from dataclasses import dataclass
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
