"""The way home as an element of suitability: the share of the battery that a planned sortie needs in each hour.

It is judged only when a sortie is asked for, and then it is required: an hour in which it is not known is not known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.energy import EnergyModel
from wxfly.forecast_error import default_error_law, lead_time
from wxfly.legs import FORECAST_DEVIATION, Wind, wind_doubt
from wxfly.limits import Limits
from wxfly.sortie import Budget, Plan, sortie_budget
from wxfly.suitability import State, margin_at_most

Array = npt.NDArray[np.float64]

NAME = "return_leg"
CANNOT_BE_FLOWN = 10.0
"""Stands for a sortie that no battery makes: the share of the battery where it would be infinite [1]."""


@dataclass(frozen=True)
class Sortie:
    """A planned sortie of one aircraft.

    Attributes
    ----------
    model : EnergyModel
        What the aircraft takes.
    plan : Plan
        What it is to fly.
    batteries : int
        How many are charged.
    """

    model: EnergyModel
    plan: Plan
    batteries: int = 1


@dataclass(frozen=True)
class Moments:
    """Winds and air of many moments, as a sortie needs them; arrays of one shape, SI."""

    out_wind: Wind
    home_wind: Wind
    gust: Array
    air_density: Array
    air_temperature: Array


def moments_of(
    flight: xr.Dataset, at_return: xr.Dataset, plan: Plan, *, forecast_deviation: npt.ArrayLike = FORECAST_DEVIATION
) -> Moments:
    """Take what a sortie needs from the hours at flight height and at the return height.

    Parameters
    ----------
    flight, at_return : xarray.Dataset
        The same hours, as `wxfly.derived.derive` gives them.
    plan : Plan
        Its heights and confidence count.
    forecast_deviation : array_like, optional
        Standard deviation of the forecast wind's error, by time [m s-1].
    """
    deviation = _along_time(forecast_deviation, flight["wind_speed"])
    return Moments(
        _wind(flight, plan.height, plan.confidence, deviation),
        _wind(at_return, plan.return_height, plan.confidence, deviation),
        np.maximum(flight["wind_speed_of_gust"].values, at_return["wind_speed_of_gust"].values),
        flight["air_density"].values,
        # The cells lay in the air near the ground and the flight cools them in the air aloft: the colder counts.
        np.minimum(flight["air_temperature"].values, flight["air_temperature_near_ground"].values),
    )


def _along_time(values: npt.ArrayLike, like: xr.DataArray) -> Array:
    """Give values by time a shape that goes with a variable of more dimensions."""
    by_time = np.asarray(values, dtype=float)
    return by_time.reshape([-1 if d == "time" else 1 for d in like.dims]) if by_time.ndim == 1 else by_time


def _wind(conditions: xr.Dataset, height: float, confidence: float, forecast_deviation: npt.ArrayLike) -> Wind:
    speed = conditions["wind_speed"].values
    doubt = wind_doubt(
        speed,
        conditions["wind_speed_of_gust"].values,
        conditions["wind_standard_deviation"].values,
        height,
        confidence,
        forecast_deviation=forecast_deviation,
    )
    return Wind(speed, conditions["wind_from_direction"].values, doubt)


def forecast_deviations(time: npt.ArrayLike, run: np.datetime64) -> Array:
    """Give the standard deviation of the forecast wind's error at hours [m s-1], by their time after the run."""
    return default_error_law().figure("wind", "error", lead_time(time, run))


def budgets(sortie: Sortie, moments: Moments) -> Budget:
    """Work out the budget of the sortie at every moment."""
    return sortie_budget(
        sortie.model,
        sortie.plan,
        moments.out_wind,
        moments.home_wind,
        moments.air_density,
        moments.air_temperature,
        gust=moments.gust,
    )


def judge_return_leg(
    assessment: xr.Dataset,
    flight: xr.Dataset,
    at_return: xr.Dataset,
    sortie: Sortie,
    limits: Limits,
    *,
    forecast_deviation: npt.ArrayLike = FORECAST_DEVIATION,
) -> xr.Dataset:
    """Add the way home to an assessment.

    Parameters
    ----------
    assessment : xarray.Dataset
        As `wxfly.suitability.assess` gives it.
    flight, at_return : xarray.Dataset
        The same hours at flight height and at the return height; dimensions edge, time and horizontal ones.
    sortie : Sortie
        What is to be flown.
    limits : Limits
        The pilot's reserve decides what is narrow.
    forecast_deviation : array_like, optional
        Standard deviation of the forecast wind's error, by time [m s-1].

    Returns
    -------
    xarray.Dataset
        The assessment with ``return_leg_demand`` (share of the battery needed, reserve included; the worse edge
        of the hour), ``return_leg_limit`` (1), ``return_leg_margin``, and hour margin, limiting element and state
        in which it counts.
    """
    moments = moments_of(flight, at_return, sortie.plan, forecast_deviation=forecast_deviation)
    share = budgets(sortie, moments).needed_share
    demand = np.minimum(share.max(axis=0), CANNOT_BE_FLOWN)  # NaN at either edge stays NaN
    margin = margin_at_most(demand, 1.0)
    hour = assessment["hour_margin"]
    before, state = hour.values, assessment["state"].values
    decides = (margin < np.where(np.isnan(before), np.inf, before)) & (state != State.NOT_KNOWN)
    unknown = np.isnan(margin) | (state == State.NOT_KNOWN)
    smallest = np.where(unknown, np.nan, np.minimum(before, margin))
    known_state = np.where(smallest < 0, State.OUTSIDE, np.where(smallest < limits.reserve, State.NARROW, State.INSIDE))
    dims, coords = hour.dims, hour.coords
    result = assessment.assign(
        return_leg_demand=xr.DataArray(demand, dims=dims, coords=coords),
        return_leg_limit=xr.DataArray(np.ones_like(demand), dims=dims, coords=coords),
        return_leg_margin=xr.DataArray(margin, dims=dims, coords=coords),
        hour_margin=hour.copy(data=smallest),
        limiting_element=assessment["limiting_element"].copy(
            data=np.where(decides, NAME, assessment["limiting_element"].values).astype(object)
        ),
        state=assessment["state"].copy(data=np.where(unknown, State.NOT_KNOWN, known_state).astype(np.int8)),
    )
    result["state"].attrs.update(assessment["state"].attrs)
    return result
