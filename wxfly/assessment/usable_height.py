"""Usable height: how high an aircraft may go in each hour before wind, gust, wind difference or cloud stops it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.conditions import derive_heights
from wxfly.assessment.hours import HourValues
from wxfly.physics.wind.error import error_factor
from wxfly.pilot.elements import BY_NAME
from wxfly.pilot.limits import Limits
from wxfly.pilot.site import Site

Array = npt.NDArray[np.float64]

HEIGHT_LIMIT = "height_limit"
"""What ends a climb at its top, in place of an element."""
STEP = 5.0
"""Heights are tried in steps of this [m]."""


def find_usable_heights(
    cube: xr.Dataset | HourValues,
    conditions: xr.Dataset,
    limits: Limits,
    *,
    site: Site | None = None,
) -> xr.Dataset:
    """Find the highest usable height of every hour, in steps of 5 m up to the height limit.

    A height is usable when wind, gust and wind difference hold there **and at every step below**, for the aircraft has
    to climb through them, and when the distance to the cloud base is kept where the base is known. A step at which
    something is not known, or has lost an input, ends the climb.

    Parameters
    ----------
    cube : xarray.Dataset or HourValues
        A forecast cube, or its hours made ready by `wxfly.assessment.conditions.hours_of`.
    conditions : xarray.Dataset
        The same hours, as `wxfly.assessment.conditions.derive` returns them.
    limits : Limits
        What the heights are compared with.
    site : Site, optional
        As in `wxfly.assessment.conditions.derive`.

    Returns
    -------
    xarray.Dataset
        ``share_of_limit`` (time, ..., height): the largest share that wind, gust or wind difference takes of its
        limit [1], NaN where not known; ``usable_height`` (time, ...) [m]: 0 where not even the lowest step holds, NaN
        where the lowest step is not known; ``usable_height_ends_by`` (time, ...): the element that ends the climb,
        `HEIGHT_LIMIT` at the top; ``cloud_base_is_known`` (time, ...): where not, cloud may end the climb earlier.
    """
    heights = steps_to(limits.height_limit)
    profile = derive_heights(cube, heights, site=site)
    uncertainty = dict.fromkeys(("wind", "gust"), np.asarray(0.0))
    if limits.confidence > 0.5:
        factor = error_factor(limits.confidence)
        uncertainty = {name: factor * profile[f"{name}_standard_deviation"].values for name in uncertainty}
    margins = {
        "wind": BY_NAME["wind"].margin(profile["wind_speed"].values + uncertainty["wind"], limits.maximum_wind),
        "gust": BY_NAME["gust"].margin(profile["wind_speed_of_gust"].values + uncertainty["gust"], limits.maximum_gust),
        "wind_difference": BY_NAME["wind_difference"].margin(
            profile["wind_difference"].values, limits.maximum_wind_difference
        ),
    }
    if limits.maximum_gust_at_launch is not None:
        at_launch = _launch_margin(conditions, limits, profile["wind_speed"].values[..., 0])
        margins["gust"] = np.minimum(margins["gust"], at_launch[..., None])
    stacked = np.stack(list(margins.values()))
    smallest = stacked.min(axis=0)  # NaN in any stays NaN
    base = conditions["cloud_base_height"].min("edge").values[..., None]
    cloud = np.where(np.isnan(base), np.inf, base - limits.cloud_separation) - heights
    if "input_is_lost" in conditions:  # cloud that was forecast and is lost may end the climb at any step
        cloud[conditions["input_is_lost"].sel(element="cloud_base").values] = np.nan
    usable, stop = climb(smallest, cloud, heights)
    names = np.array([*margins, "cloud_base", HEIGHT_LIMIT], dtype=object)
    ends_by = names[_which_ends(stacked, cloud, stop)]
    ends_by = np.where(np.isnan(usable), "", ends_by)
    dims = profile["wind_speed"].dims
    return xr.Dataset(
        {
            "share_of_limit": (dims, 1.0 - smallest, {"units": "1", "long_name": "largest share of a wind limit"}),
            "usable_height": (dims[:-1], usable, {"units": "m", "long_name": "highest usable height above ground"}),
            "usable_height_ends_by": (dims[:-1], ends_by.astype(object)),
            "cloud_base_is_known": (dims[:-1], ~np.isnan(base[..., 0])),
        },
        coords=profile.coords,
    )


def _launch_margin(conditions: xr.Dataset, limits: Limits, like: Array) -> Array:
    """Return what launching leaves of its own gust limit: the aircraft has to come up from there to any height."""
    if "largest_gust_at_launch" not in conditions:
        return np.full(like.shape, np.nan)
    gust = conditions["largest_gust_at_launch"].max("edge", skipna=False).values
    if limits.confidence > 0.5:
        uncertainty = conditions["gust_standard_deviation_at_launch"].max("edge", skipna=False).values
        gust = gust + error_factor(limits.confidence) * uncertainty
    return BY_NAME["gust"].margin(gust, float(limits.maximum_gust_at_launch or 0.0))


def lower_of(one: xr.Dataset, other: xr.Dataset) -> xr.Dataset:
    """Return the lower usable height of two findings of the same hours, not known where either is not."""
    takes_other = ~(other["usable_height"] >= one["usable_height"]) & ~np.isnan(one["usable_height"])
    lower = {name: one[name].where(~takes_other, other[name]) for name in ("usable_height", "usable_height_ends_by")}
    share = np.maximum(one["share_of_limit"].values, other["share_of_limit"].values)  # NaN in either stays NaN
    return one.assign(lower | {"share_of_limit": one["share_of_limit"].copy(data=share)})


def steps_to(height_limit: float) -> Array:
    """Return the heights that are tried [m]: every 5 m up to the height limit, which is the last."""
    heights = np.arange(STEP, height_limit + 1e-9, STEP)
    return heights if heights.size and np.isclose(heights[-1], height_limit) else np.append(heights, height_limit)


def climb(smallest_margin: Array, cloud_clearance: Array, heights: Array) -> tuple[Array, npt.NDArray[np.intp]]:
    """Climb step by step until something stops it.

    Parameters
    ----------
    smallest_margin, cloud_clearance : ndarray
        Shape ``[..., height]`` [1] and [m]: negative stops, NaN stops too.
    heights : ndarray
        [m], increasing.

    Returns
    -------
    usable_height : ndarray
        ``[...]`` [m]; 0 where the first step is known to stop it, NaN where the first step is not known.
    stop : ndarray of int
        ``[...]``: position of the step that ends the climb, the number of steps at the height limit.
    """
    holds = (smallest_margin >= 0) & (cloud_clearance >= 0)
    stop = np.where(holds.all(axis=-1), heights.size, (~holds).argmax(axis=-1))
    usable = np.where(stop > 0, heights[np.maximum(stop - 1, 0)], 0.0)
    first_unknown = np.isnan(smallest_margin[..., 0]) & ~(cloud_clearance[..., 0] < 0)
    first_unknown |= np.isnan(cloud_clearance[..., 0]) & ~(smallest_margin[..., 0] < 0)
    return np.where((stop == 0) & first_unknown, np.nan, usable), stop


def _which_ends(margins: Array, cloud: Array, stop: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """Return which of the margins ends the climb at its step, after them cloud, after it the height limit."""
    count = margins.shape[0]
    at = np.minimum(stop, margins.shape[-1] - 1)[..., None]
    there = np.take_along_axis(margins, np.broadcast_to(at, (count, *at.shape)), axis=-1)[..., 0]
    worst = np.where(np.isnan(there), -np.inf, there).argmin(axis=0)
    under_cloud = np.take_along_axis(np.broadcast_to(cloud, margins.shape[1:]), at, axis=-1)[..., 0]
    held = there.min(axis=0) >= 0
    ends = np.where(held & (under_cloud < 0), count, worst)
    at_height_limit = stop == margins.shape[-1]
    return np.asarray(np.where(at_height_limit, count + 1, ends), dtype=np.intp)
