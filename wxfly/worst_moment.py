"""The moment of a window that asks the most of a planned sortie, and what the sortie takes then."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from wxfly.legs import Wind
from wxfly.return_leg import Sortie, budgets, deviations_of, moments_of
from wxfly.sortie import Budget


@dataclass(frozen=True)
class WorstMoment:
    """The moment of a stretch of hours that asks the most of a sortie.

    Attributes
    ----------
    moment : numpy.datetime64
        UTC.
    budget : Budget
        Numbers, in the direction held against.
    out_wind, home_wind : Wind
        Numbers.
    air_density, air_temperature, gust : float
        [kg m-3, K, m s-1]
    flight_time : float
        Of one battery, working at the place as long as it can [s]; 0 where the sortie does not come home.
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
    """Find the moment that asks the most of a sortie; one that is not known comes before all others.

    Parameters
    ----------
    flight, at_return : xarray.Dataset
        The hours of one place at flight height and at the return height.
    sortie : Sortie
        What is to be flown.
    run : numpy.datetime64
        Start of the forecast's run, UTC; NaT when not known.
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
        flight["time"].values[hour].astype("datetime64[s]") + np.timedelta64(edge, "h"),
        budget,
        out,
        home,
        float(moments.air_density[worst]),
        float(moments.air_temperature[worst]),
        float(moments.gust[worst]),
        longest if np.isfinite(longest) and budget.needed_share <= 1 else 0.0,
    )
