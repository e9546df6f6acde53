"""The phases of a flight at heights of their own: launching and landing at the hand, the way home at its height.

A phase takes less than an hour and a forecast comes by the hour, so every phase of a flight meets the demand of the
same hour: each is held against its own limit, and the tightest counts (`wxfly.suitability.assess`). Over several hours
there is a launch and a landing in every one of them, with each change of the battery.
"""

from __future__ import annotations

import xarray as xr

from wxfly.derived import derive
from wxfly.hours import Taker
from wxfly.limits import HEIGHT_OF_LAUNCH, Limits
from wxfly.site import Site

_AT_HEIGHT = ("largest_wind_speed", "largest_gust", "wind_standard_deviation", "gust_standard_deviation")


def derive_flight(
    hours: Taker, *, height: float, site: Site, limits: Limits, return_height: float | None = None
) -> xr.Dataset:
    """Work out what each hour asks of an aircraft at flight height, and in the other phases of its flight.

    Parameters
    ----------
    hours : Taker
        As `wxfly.derived.hours_of` gives it.
    height : float
        Flight height above ground [m].
    site : Site
        Whose ground counts.
    limits : Limits
        Its rule of daylight counts, and whether it has a limit of its own for the launch.
    return_height : float, optional
        Of the way home above ground [m]. Up to the flight height the climb is held against the limits already.

    Returns
    -------
    xarray.Dataset
        As `wxfly.derived.derive` gives it, with ``largest_gust_at_launch`` where there is a limit for it, and
        ``largest_wind_speed_at_return`` and ``largest_gust_at_return`` where the way home is higher; each with its
        standard deviation, and the height of each phase as attribute ``phase_heights`` [m].
    """
    conditions = derive(hours, height=height, site=site, daylight_rule=limits.daylight_rule)
    heights: dict[str, float] = {}
    if limits.maximum_gust_at_launch is not None:
        at_hand = derive(hours, height=HEIGHT_OF_LAUNCH, site=site, daylight_rule=limits.daylight_rule)
        conditions = conditions.assign(
            largest_gust_at_launch=at_hand["wind_speed_of_gust"],
            gust_standard_deviation_at_launch=at_hand["gust_standard_deviation"],
        )
        heights["launch"] = HEIGHT_OF_LAUNCH
    if return_height is not None and return_height > height:
        higher = derive(hours, height=return_height, site=site, daylight_rule=limits.daylight_rule)
        conditions = conditions.assign({f"{name}_at_return": higher[name] for name in _AT_HEIGHT})
        heights["return"] = return_height
    return conditions.assign_attrs(phase_heights=heights) if heights else conditions
