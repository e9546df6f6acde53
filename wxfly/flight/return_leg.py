"""The return leg as an element of suitability: the share of the battery that a planned sortie needs in each hour.

It is judged only when a sortie is asked for, and is then required: an hour without it is *not known*. The most
demanding time of a window is reported, with the needs of the sortie at that time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.conditions import derive
from wxfly.assessment.forecast_error import default_error_law, hours_of_models, lead_time
from wxfly.assessment.hours import HourValues
from wxfly.assessment.suitability import JUDGED, REQUIRED, State, names_of, state_of
from wxfly.flight.sortie import (
    AIRSPEEDS,
    FORECAST_DEVIATION,
    Budget,
    Plan,
    Sortie,
    Wind,
    sortie_budget,
    wind_uncertainty,
)
from wxfly.pilot.elements import RETURN_LEG
from wxfly.pilot.limits import Limits
from wxfly.pilot.site import Site

Array = npt.NDArray[np.float64]

NAME = RETURN_LEG.name
CANNOT_BE_FLOWN = 10.0
"""Share of the battery that stands for infinity, where no battery is enough for the sortie [1]."""


@dataclass(frozen=True)
class Moments:
    """Winds and air at many times, as inputs of a sortie; arrays of one shape, in SI units."""

    out_wind: Wind
    home_wind: Wind
    gust: Array
    air_density: Array
    air_temperature: Array


def moments_of(
    flight: xr.Dataset, at_return: xr.Dataset, plan: Plan, *, forecast_deviation: npt.ArrayLike = FORECAST_DEVIATION
) -> Moments:
    """Return the inputs of a sortie from the hours at flight height and at the return height.

    Parameters
    ----------
    flight, at_return : xarray.Dataset
        The same hours, from `wxfly.assessment.conditions.derive`.
    plan : Plan
        The plan; its heights and confidence are used.
    forecast_deviation : array_like, optional
        Standard deviation of the forecast wind's error, by time [m s-1].
    """
    deviation = _along_time(forecast_deviation, flight["wind_speed"])
    return Moments(
        _wind(flight, plan.height, plan.confidence, deviation),
        _wind(at_return, plan.return_height, plan.confidence, deviation),
        np.maximum(_values(flight, "wind_speed_of_gust"), _values(at_return, "wind_speed_of_gust")),
        _values(flight, "air_density"),
        # The battery starts at the temperature near the ground and cools at flight height: the colder counts.
        np.minimum(_values(flight, "air_temperature"), _values(flight, "air_temperature_near_ground")),
    )


def _values(conditions: xr.Dataset, name: str) -> Array:
    """Return values with the axes of the wind: values common to all members may lack that of members."""
    like, values = conditions["wind_speed"], conditions[name]
    if values.dims != like.dims:
        values = values.broadcast_like(like).transpose(*like.dims)
    return np.asarray(values.values, dtype=float)


def _along_time(values: npt.ArrayLike, like: xr.DataArray) -> Array:
    """Return values by time, reshaped to broadcast with a variable of more dimensions."""
    by_time = np.asarray(values, dtype=float)
    return by_time.reshape([-1 if d == "time" else 1 for d in like.dims]) if by_time.ndim == 1 else by_time


def _wind(conditions: xr.Dataset, height: float, confidence: float, forecast_deviation: npt.ArrayLike) -> Wind:
    speed = _values(conditions, "wind_speed")
    uncertainty = wind_uncertainty(
        speed,
        _values(conditions, "wind_speed_of_gust"),
        _values(conditions, "wind_standard_deviation"),
        height,
        confidence,
        forecast_deviation=forecast_deviation,
    )
    return Wind(speed, _values(conditions, "wind_from_direction"), uncertainty)


def forecast_deviations(time: npt.ArrayLike, run: np.datetime64, model: str, height: float) -> Array:
    """Return the standard deviation of the forecast wind's error by hour [m s-1].

    Parameters
    ----------
    time : array_like
        Times, UTC.
    run : numpy.datetime64
        Start of the run, UTC; NaT when unknown.
    model : str
        Model of the forecast.
    height : float
        Height above ground [m].
    """
    return default_error_law().of_forecast([model], height, 1).figure("wind", "error", lead_time(time, run))


def deviations_of(flight: xr.Dataset, plan: Plan, run: np.datetime64) -> Array:
    """Return the same for the hours of a flight, at the higher of its two heights."""
    time, height = flight["time"].values, max(plan.height, plan.return_height)
    deviations = np.empty(time.size)
    for model, here in hours_of_models(flight).items():
        deviations[here] = forecast_deviations(time[here], run, model, height)
    return deviations


def budgets(
    sortie: Sortie,
    moments: Moments,
    *,
    courses: Sequence[npt.ArrayLike] | None = None,
    airspeeds: int = AIRSPEEDS,
) -> Budget:
    """Return the budget of the sortie at every time; `courses` and `airspeeds` as in `sortie_budget`."""
    return sortie_budget(
        sortie.model,
        sortie.plan,
        moments.out_wind,
        moments.home_wind,
        moments.air_density,
        moments.air_temperature,
        gust=moments.gust,
        courses=courses,
        airspeeds=airspeeds,
    )


def add_return_leg(
    assessment: xr.Dataset,
    flight: xr.Dataset,
    hours: xr.Dataset | HourValues,
    sortie: Sortie,
    limits: Limits,
    *,
    site: Site,
    run: np.datetime64,
) -> tuple[xr.Dataset, xr.Dataset]:
    """Add the return leg to the assessment of one place's hours.

    Parameters
    ----------
    assessment, flight : xarray.Dataset
        As in `judge_return_leg`.
    hours : xarray.Dataset or HourValues
        The same hours of the forecast, as input of `wxfly.assessment.conditions.derive`.
    sortie, limits
        As in `judge_return_leg`.
    site : Site
        The site.
    run : numpy.datetime64
        Start of the forecast's run, UTC: the forecast's error grows with lead time.

    Returns
    -------
    assessment : xarray.Dataset
        As in `judge_return_leg`.
    at_return : xarray.Dataset
        The hours at the return height.
    """
    at_return = derive(hours, height=sortie.plan.return_height, site=site, daylight_rule=limits.daylight_rule)
    deviation = deviations_of(flight, sortie.plan, run)
    return (
        judge_return_leg(assessment, flight, at_return, sortie, limits, forecast_deviation=deviation),
        at_return,
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
    """Add the return leg to an assessment.

    Parameters
    ----------
    assessment : xarray.Dataset
        From `wxfly.assessment.suitability.assess`.
    flight, at_return : xarray.Dataset
        The same hours at flight height and at the return height; dimensions edge, time and horizontal ones.
    sortie : Sortie
        The planned sortie.
    limits : Limits
        Limits; the pilot's reserve decides which hours are narrow.
    forecast_deviation : array_like, optional
        Standard deviation of the forecast wind's error, by time [m s-1].

    Returns
    -------
    xarray.Dataset
        The assessment with a last row ``return_leg``, which is required. Its demand is the share of the battery
        needed, reserve included, at the worse edge of the hour; its limit is 1. Hour margin, limiting element and
        state include it.
    """
    moments = moments_of(flight, at_return, sortie.plan, forecast_deviation=forecast_deviation)
    share = budgets(sortie, moments).needed_share
    demand = np.minimum(share.max(axis=0), CANNOT_BE_FLOWN)  # NaN at either edge stays NaN
    margin = RETURN_LEG.margin(demand, 1.0)
    hour = assessment["hour_margin"]
    before, state = hour.values, assessment["state"].values
    decides = (margin < np.where(np.isnan(before), np.inf, before)) & (state != State.NOT_KNOWN)
    unknown = np.isnan(margin) | (state == State.NOT_KNOWN)
    smallest = np.where(unknown, np.nan, np.minimum(before, margin))
    # Never better than before: an hour with a grade of "possible" stays narrow, whatever its margin.
    known_state = np.minimum(state_of(smallest, limits.reserve), state)
    result = _with_row(assessment, demand, np.ones_like(demand), margin, is_judged=True).assign(
        hour_margin=hour.copy(data=smallest),
        limiting_element=assessment["limiting_element"].copy(
            data=np.where(decides, NAME, assessment["limiting_element"].values).astype(object)
        ),
        state=assessment["state"].copy(data=np.where(unknown, State.NOT_KNOWN, known_state).astype(np.int8)),
    )
    result["state"].attrs.update(assessment["state"].attrs)
    return result


def without_figures(assessment: xr.Dataset) -> xr.Dataset:
    """Add the return leg as not judged: it was asked for, but the aircraft lacks the figures for it."""
    nothing = np.full(assessment["hour_margin"].shape, np.nan)
    return _with_row(assessment, nothing, nothing, nothing, is_judged=False)


def _with_row(assessment: xr.Dataset, demand: Array, limit: Array, margin: Array, *, is_judged: bool) -> xr.Dataset:
    """Return an assessment with one more row of demand, limit and margin, after the others; required where judged."""
    given = {"demand": demand, "limit": limit, "margin": margin}
    rows = {}
    for name in (str(n) for n in assessment.data_vars if "element" in assessment[n].dims):
        old = assessment.variables[name]  # the new row has no values of wind and gust in other phases
        blank = np.zeros(demand.shape, dtype=bool) if name == "lost" else np.full_like(demand, np.nan)
        rows[name] = (old.dims, np.concatenate([old.values, given.get(name, blank)[None]]))
    flags = {name: ("element", [*assessment[name].values.tolist(), is_judged]) for name in (REQUIRED, JUDGED)}
    kept = assessment.drop_vars([*rows, *flags, "element"])
    return kept.assign(rows).assign_coords({"element": [*names_of(assessment), NAME], **flags})


@dataclass(frozen=True, kw_only=True)
class WorstMoment:
    """The most demanding time for a sortie in a period of hours.

    Attributes
    ----------
    moment : numpy.datetime64
        The time, UTC.
    budget : Budget
        The budget, as numbers, in the direction for which it is made.
    out_wind, home_wind : Wind
        The winds, as numbers.
    air_density, air_temperature, gust : float
        Air at flight height, and strongest gust [kg m-3, K, m s-1].
    flight_time : float
        Flight time of one battery, working at the place as long as it can [s]; 0 where the sortie does not come home.
    """

    moment: np.datetime64
    budget: Budget
    out_wind: Wind
    home_wind: Wind
    air_density: float
    air_temperature: float
    gust: float
    flight_time: float


def worst_moment(flight: xr.Dataset, at_return: xr.Dataset, sortie: Sortie, run: np.datetime64) -> WorstMoment:
    """Return the most demanding time for a sortie; a time with an unknown budget comes before all others.

    Parameters
    ----------
    flight, at_return : xarray.Dataset
        The hours of one place at flight height and at the return height.
    sortie : Sortie
        The planned sortie.
    run : numpy.datetime64
        Start of the forecast's run, UTC; NaT when unknown.
    """
    deviation = deviations_of(flight, sortie.plan, run)
    moments = moments_of(flight, at_return, sortie.plan, forecast_deviation=deviation)
    every = budgets(sortie, moments)
    share = every.needed_share
    worst = np.unravel_index(int(np.argmax(np.where(np.isnan(share), np.inf, share))), share.shape)
    budget = Budget(*(v[worst] for v in every))
    edge, hour = int(worst[0]), int(worst[1])
    out, home = (
        Wind(*(np.broadcast_to(np.asarray(v), share.shape)[worst] for v in w))
        for w in (moments.out_wind, moments.home_wind)
    )
    longest = float(budget.latest_turn + budget.time_home)
    return WorstMoment(
        moment=flight["time"].values[hour].astype("datetime64[s]") + np.timedelta64(edge, "h"),
        budget=budget,
        out_wind=out,
        home_wind=home,
        air_density=float(moments.air_density[worst]),
        air_temperature=float(moments.air_temperature[worst]),
        gust=float(moments.gust[worst]),
        flight_time=longest if np.isfinite(longest) and budget.needed_share <= 1 else 0.0,
    )
