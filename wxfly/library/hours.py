"""The hours of a forecast for a program: conditions at a height, compared with limits, and the windows in them."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import xarray as xr

from wxfly.answer import windows as holding
from wxfly.answer.windows import Window
from wxfly.assessment import suitability
from wxfly.assessment.conditions import derive, with_daylight
from wxfly.assessment.hours import HOUR
from wxfly.cube.contract import PROVIDED, PROVIDED_BY_MODEL, provided_entries, with_lost_spans
from wxfly.errors import WxflyError
from wxfly.library.frames import windows_frame
from wxfly.library.words import Moment, read_as_of, text_of
from wxfly.pilot.limits import Limits, check_height
from wxfly.pilot.settings import sites_file
from wxfly.pilot.site import Site, midnights, read_sites
from wxfly.pilot.work import read_work
from wxfly.retrieval.places import demo_sites, time_zone_at
from wxfly.units import read_quantity

_SAME_PLACE = 0.3  # greatest distance between a cube's place and the site of its name [degree], some 30 km


class Windows(list[Window]):
    """Windows of one place, the best first; a list with a table."""

    def to_frame(self) -> pd.DataFrame:
        """Return the windows as a table, one row each: times in UTC, margin and chance as shares."""
        return windows_frame(self)

    def _repr_html_(self) -> str:
        """Return the table as a notebook shows it."""
        return str(self.to_frame().to_html())


def conditions(cube: xr.Dataset, *, height: float | str, site: Site | None = None) -> xr.Dataset:
    """Return the conditions at flight height in each hour of a forecast.

    Parameters
    ----------
    cube : xarray.Dataset
        Forecast of one place, from `wxfly.get_forecast`.
    height : float or str
        Flight height above ground: a number is metres, a text has its unit, such as ``"260ft"``; above 0 m.
    site : Site, optional
        Site whose ground is used; by default the saved site of the cube's name and place, where there is one.

    Returns
    -------
    xarray.Dataset
        Dimensions ``time`` (start of the hour, UTC), and ``edge`` (its start and its end) for instants: wind, gust,
        temperature, density altitude, icing risk, cloud base, light and the rest, SI units in the attribute ``units``
        of each. NaN means unknown.

    Raises
    ------
    WxflyError
        For a height that cannot be read, a cube of several places, or one that has lost what its source provides.

    Examples
    --------
    >>> import wxfly
    >>> hours = wxfly.conditions(wxfly.get_forecast("Kelderness"), height=80.0)
    >>> float(hours["wind_speed_of_gust"].max("edge")[0].round(1))
    18.2
    """
    metres = read_quantity(text_of("height", height), "length", "metric")
    if not metres > 0:
        raise WxflyError(f"a flight height of {metres:g} m is not above the ground; wanted more than 0 m")
    if "site" in cube.dims or cube["latitude"].ndim or cube["longitude"].ndim:
        names = (
            ", ".join(str(name) for name in np.atleast_1d(cube["site"].values)) if "site" in cube.coords else "a grid"
        )
        raise WxflyError(f"the forecast has several places ({names}); choose one, such as cube.isel(site=0)")
    if not provided_entries(cube):
        raise WxflyError(
            "the forecast has lost its coordinate 'provided', so what is missing in it is unknown; keep its coordinates"
        )
    place = _site_of(cube) if site is None else site
    hours = derive(with_lost_spans(cube), height=metres, site=place, with_launch=True)
    return hours.drop_vars([PROVIDED, PROVIDED_BY_MODEL], errors="ignore")  # of the forecast, not of its hours


def assess(hours: xr.Dataset, limits: Limits) -> xr.Dataset:
    """Return every hour compared with the limits.

    Parameters
    ----------
    hours : xarray.Dataset
        From `wxfly.conditions`.
    limits : Limits
        From `wxfly.limits_for`; their rule of daylight is used.

    Returns
    -------
    xarray.Dataset
        ``demand``, ``limit`` and ``margin`` (element, time), SI and shares; ``hour_margin``, ``limiting_element`` and
        ``state`` (time): 0 not known, 1 outside, 2 narrow, 3 inside.

    Raises
    ------
    WxflyError
        For a flight height that the limits do not allow.

    Examples
    --------
    >>> import wxfly
    >>> hours = wxfly.conditions(wxfly.get_forecast("Kelderness"), height=80.0)
    >>> judged = wxfly.assess(hours, wxfly.limits_for("camera-quad-250g"))
    >>> int(judged["state"][0]), str(judged["limiting_element"].values[0])
    (1, 'gust')
    """
    check_height(float(hours["height"]), limits)
    return suitability.assess(with_daylight(hours, limits.daylight_rule), limits)


def find_windows(
    judged: xr.Dataset,
    *,
    duration: float | str | None = None,
    start: Moment | None = None,
    end: Moment | None = None,
) -> Windows:
    """Return the windows of one place, the best first.

    Parameters
    ----------
    judged : xarray.Dataset
        From `wxfly.assess`.
    duration : float or str, optional
        Shortest useful window: a number is seconds, a text has its unit, such as ``"2h"``; by default 45 min.
    start, end : str or datetime.datetime or numpy.datetime64, optional
        Bounds, UTC; nothing outside counts.

    Returns
    -------
    Windows
        A list of `wxfly.answer.windows.Window`, with ``to_frame()`` for pandas; empty where no stretch of hours within
        all limits is long enough. The chance of a window is computed only by `wxfly.best` and `wxfly.week`.

    Raises
    ------
    WxflyError
        For a duration or a time that cannot be read.

    Examples
    --------
    >>> import wxfly
    >>> hours = wxfly.conditions(wxfly.get_forecast("Kelderness"), height=60.0)
    >>> windows = wxfly.find_windows(wxfly.assess(hours, wxfly.limits_for("camera-quad-250g")), duration="1h")
    >>> windows[0].limiting_element, windows[0].state.words
    ('gust', 'inside')
    >>> windows.to_frame().columns.tolist()[:4]
    ['start', 'end', 'state', 'margin']
    """
    work = read_work(duration=None if duration is None else text_of("duration", duration))
    first, last = read_as_of(start), read_as_of(end)
    times = judged["time"].to_numpy().astype("datetime64[s]")
    # Where the sun does not set, a window ends at midnight, as in the answers.
    breaks = midnights(_site_of(judged), times[0], times[-1] + HOUR) if times.size else []
    found = holding.find_windows(judged, minimum_duration=work.reference_period, start=first, end=last, breaks=breaks)
    return Windows(found)


def _site_of(cube: xr.Dataset) -> Site:
    """Return the saved or demonstration site of a cube's name and place; else its place without ground cover."""
    latitude, longitude = float(cube["latitude"]), float(cube["longitude"])
    name = str(cube["site"].values) if "site" in cube.coords else f"{latitude:.4f}, {longitude:.4f}"
    for sites in (read_sites(sites_file()), demo_sites()):
        known = sites.get(name)
        if known is not None and math.dist((known.latitude, known.longitude), (latitude, longitude)) < _SAME_PLACE:
            return known
    ground = float(cube["surface_altitude"]) if "surface_altitude" in cube.coords else math.nan
    return Site(name, latitude, longitude, ground, time_zone_at(latitude, longitude))
