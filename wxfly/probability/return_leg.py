"""How sure the way back is: for every member, how far wind and consumption may err before the battery is used up.

The *standard margin*, as of the other elements, is a distance to the limit in standard deviations. Here it is found by
working the sortie out with wind and consumption both raised by none, one, two and three of their deviations, as
`Plan.confidence` raises them: it is where the need reaches the whole battery. That both err together is an estimate of
ours, on the cautious side; so is that nothing surer than three deviations is reported.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.forecast_error import MEMBER
from wxfly.flight.return_leg import CANNOT_BE_FLOWN, Moments, budgets, moments_of
from wxfly.flight.sortie import Sortie
from wxfly.pilot.elements import RETURN_LEG

Array = npt.NDArray[np.float64]

LEVELS = (0.0, 1.0, 2.0, 3.0)
"""Deviations by which wind and consumption are raised [1]."""
CANNOT_BE_FLOWN_MARGIN = -2.0
"""Standard margin where the sortie cannot be flown even as forecast, and the least that is reported [1]: an estimate of
ours."""
COURSE_STEP = 45.0
"""Courses among which the most demanding is looked for, counted from the one that comes home against the wind
[degree]."""


FEWER_AIRSPEEDS = 41
"""Number of airspeeds from which each leg takes the best; few, because many members are worked out."""


def return_leg_margins(
    flight: xr.Dataset, at_return: xr.Dataset, sortie: Sortie, forecast_deviation: npt.ArrayLike
) -> xr.Dataset:
    """Return the standard margin of the way back in every hour, for each member.

    Parameters
    ----------
    flight, at_return : xarray.Dataset
        The same hours at flight height and at the return height, dimensions edge, time and perhaps ``realization``.
    sortie : Sortie
        What is to be flown; its confidence does not count here.
    forecast_deviation : array_like
        Standard deviation of the error of the wind, of one forecast or what members leave of it, by time [m s-1].

    Returns
    -------
    xarray.Dataset
        ``standard_margin`` and ``margin`` (time, realization) [1]: the margin is that of the winds as they are
        forecast. NaN where something that a sortie needs is not known.
    """
    shares = []
    for level in LEVELS:
        plan = replace(sortie.plan, confidence=NormalDist().cdf(level))
        moments = moments_of(flight, at_return, plan, forecast_deviation=forecast_deviation)
        raised = replace(sortie, plan=plan)
        share = budgets(raised, moments, courses=_courses(moments), airspeeds=FEWER_AIRSPEEDS).needed_share
        shares.append(_by_time_and_member(share, flight))
    standard_margin, margin = (
        standard_margin_of_need(np.stack(shares)),
        RETURN_LEG.margin(np.minimum(shares[0], CANNOT_BE_FLOWN), 1.0),
    )
    result = xr.Dataset(
        {"standard_margin": (("time", MEMBER), standard_margin), "margin": (("time", MEMBER), margin)},
        coords={"time": flight["time"].values},
    )
    return result.assign_coords({n: flight[n].variable for n in (MEMBER, "last_time") if n in flight.coords})


def _courses(moments: Moments) -> Sequence[npt.ArrayLike]:
    """Return courses for each moment, the first that of a way back dead against its wind."""
    against = np.asarray(moments.home_wind.from_direction, dtype=float) + 180.0
    return [against + turn for turn in np.arange(0.0, 360.0, COURSE_STEP)]


def _by_time_and_member(share: Array, flight: xr.Dataset) -> Array:
    """Take the worse edge of the hours; the axes are time and member."""
    by_name = xr.DataArray(share, dims=flight["wind_speed"].dims).max("edge", skipna=False)
    by_name = by_name if MEMBER in by_name.dims else by_name.expand_dims(MEMBER, axis=-1)
    return np.asarray(by_name.transpose("time", MEMBER).values)


def standard_margin_of_need(shares: Array) -> Array:
    """Find at how many deviations the need reaches the whole battery.

    Parameters
    ----------
    shares : ndarray
        Share of the battery needed, reserve included, at `LEVELS` on the first axis [1]; infinite where the sortie
        cannot be flown. Not falling along the axis.

    Returns
    -------
    ndarray
        From `CANNOT_BE_FLOWN_MARGIN` to the last level [1]: linear between levels, the lower level where the next
        cannot be flown, and below the first by the first step's slope. NaN where a need is not known.
    """
    unknown = np.isnan(shares).any(axis=0)
    standard_margin = np.full(shares.shape[1:], LEVELS[-1])
    for k in range(len(LEVELS) - 2, -1, -1):
        here, above = shares[k], shares[k + 1]
        within = (above > 1.0) & ((here <= 1.0) | (k == 0))
        both = within & np.isfinite(above) & (above > here)
        step = np.where(both, above, 1.0) - np.where(both, here, 0.0)
        crossing = LEVELS[k] + np.where(both, 1.0 - here, 0.0) / step * (LEVELS[k + 1] - LEVELS[k])
        standard_margin = np.where(within, crossing, standard_margin)
    cannot = np.isinf(shares[0]) | ((shares[0] > 1.0) & np.isinf(shares[1]))
    standard_margin = np.where(cannot, CANNOT_BE_FLOWN_MARGIN, np.maximum(standard_margin, CANNOT_BE_FLOWN_MARGIN))
    return np.asarray(np.where(unknown, np.nan, standard_margin))
