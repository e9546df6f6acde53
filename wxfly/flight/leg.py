"""One leg of a flight in wind: the airspeed that takes the least energy over ground, and how sure the wind is."""

from __future__ import annotations

from statistics import NormalDist
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from wxfly.flight.energy import EnergyModel, airspeed_range, flight_power
from wxfly.physics.aircraft import wind_triangle
from wxfly.physics.wind.turbulence import peak_factor

Array = npt.NDArray[np.float64]

FORECAST_DEVIATION = 1.6
"""Of a forecast wind of the next day from the wind that blows [m s-1]: fine models have a root mean square error of
about 1.5 m/s at 10 m against stations (published comparisons); value rounded from memory."""
LEG_DEVIATION = 0.5
"""Of the mean over a leg of some minutes, in standard deviations of the turbulence [1]; common practice, no source."""
AIRSPEEDS = 121
"""Among which the one of least energy is looked for, from the slowest to the fastest."""
_NO_WAY = 0.1
"""Slower over ground is no way made [m s-1]."""


class Wind(NamedTuple):
    """Wind on a leg, arrays of one shape: speed [m s-1], direction it comes from [degree], doubt of it [m s-1]."""

    speed: npt.ArrayLike
    from_direction: npt.ArrayLike
    doubt: npt.ArrayLike = 0.0


class Leg(NamedTuple):
    """One leg, arrays of one shape.

    Attributes
    ----------
    energy_per_metre : ndarray
        Over ground [J m-1]; infinite where no airspeed makes the course good.
    airspeed, ground_speed : ndarray
        Of the least energy [m s-1].
    power : ndarray
        Drawn [W].
    """

    energy_per_metre: Array
    airspeed: Array
    ground_speed: Array
    power: Array


class Polar:
    """Power over the airspeeds that an aircraft can fly, on a last axis of its own.

    Parameters
    ----------
    model : EnergyModel
        From `wxfly.flight.energy.energy_model`.
    air_density : array_like
        [kg m-3]
    airspeeds : int, optional
        How many; a third of them finds the least energy within 1 %, in a third of the time.
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
        """Find the airspeed of least energy over ground among those whose power is not too much."""
        made_good = wind_triangle.ground_speed(
            np.asarray(course, float)[..., None],
            self.airspeed,
            speed[..., None],
            np.asarray(from_direction, float)[..., None],
        )
        made_good = np.where(made_good < _NO_WAY, 0.0, made_good)
        cost = self.power / np.where(made_good == 0, 1.0, made_good)
        cost = np.where((made_good == 0) | too_much, np.inf, cost)
        best = np.argmin(cost, axis=-1)[..., None]  # a NaN anywhere is found first, and stays
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
    """Find the airspeed of least energy over ground on a course, and what it takes.

    Parameters
    ----------
    polar : Polar
        Of the aircraft, in the air of the leg.
    course : array_like
        Over ground [degree].
    wind : Wind
        With a doubt, the weaker or the stronger wind counts, whichever costs more.
    largest_power : array_like, optional
        That the pack can give [W]; all broadcast.
    """
    speed, doubt = np.asarray(wind.speed, dtype=float), np.asarray(wind.doubt, dtype=float)
    too_much = polar.power > np.asarray(largest_power, dtype=float)[..., None]
    if not np.any(doubt > 0) and not np.any(np.isnan(doubt)):
        return polar.best(course, speed, wind.from_direction, too_much)
    strong = polar.best(course, speed + doubt, wind.from_direction, too_much)
    weak = polar.best(course, np.maximum(speed - doubt, 0.0), wind.from_direction, too_much)
    costs_more = strong.energy_per_metre >= weak.energy_per_metre
    costs_more |= np.isnan(strong.energy_per_metre)
    return Leg(*(np.where(costs_more, a, b) for a, b in zip(strong, weak, strict=True)))


def wind_doubt(
    wind_speed: npt.ArrayLike,
    gust: npt.ArrayLike,
    carrying_deviation: npt.ArrayLike,
    height: float,
    confidence: float,
    *,
    forecast_deviation: npt.ArrayLike = FORECAST_DEVIATION,
) -> Array:
    """Return how far the mean wind of a leg may be from the forecast, at a confidence.

    Parameters
    ----------
    wind_speed, gust : array_like
        At the height [m s-1].
    carrying_deviation : array_like
        Standard deviation of carrying the wind to the height [m s-1].
    height : float
        [m]
    confidence : float
        0.5 to below 1: one-sided.
    forecast_deviation : array_like, optional
        Of the forecast's own error [m s-1]; it grows with lead time.

    Returns
    -------
    ndarray
        [m s-1]: the normal quantile times the root of the squares of the forecast's error, the carrying, and
        `LEG_DEVIATION` times the turbulence that the gust speaks for.
    """
    wind = np.asarray(wind_speed, dtype=float)
    turbulence = np.maximum(np.asarray(gust, dtype=float) - wind, 0.0) / peak_factor(height)
    parts = (
        np.asarray(forecast_deviation, float) ** 2
        + np.asarray(carrying_deviation, float) ** 2
        + (LEG_DEVIATION * turbulence) ** 2
    )
    return np.asarray(quantile(confidence) * np.sqrt(parts))


def quantile(confidence: float) -> float:
    """Return the normal quantile of a one-sided confidence; 0 at 0.5 and below."""
    return 0.0 if confidence <= 0.5 else NormalDist().inv_cdf(confidence)
