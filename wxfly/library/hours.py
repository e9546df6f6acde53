"""Step by step, for a program: the forecast cube, aircraft and limits, the hours at a height, the windows in them."""

from __future__ import annotations

import logging
import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from wxfly.answer import windows as holding
from wxfly.answer.windows import Window
from wxfly.assessment import suitability
from wxfly.assessment.conditions import derive, with_daylight
from wxfly.assessment.hours import HOUR
from wxfly.assessment.suitability import State
from wxfly.cube.contract import PROVIDED, PROVIDED_BY_MODEL, provided_entries, with_lost_spans
from wxfly.errors import WxflyError
from wxfly.pilot import aircraft as machines
from wxfly.pilot import limits as gathered
from wxfly.pilot.aircraft import Aircraft
from wxfly.pilot.elements import REQUIRED_BY_DEFAULT
from wxfly.pilot.limits import Limits, check_height
from wxfly.pilot.options import OPTIONS
from wxfly.pilot.rules import DEFAULT as DEFAULT_RULES
from wxfly.pilot.rules import find_rules
from wxfly.pilot.settings import load_settings, own_aircraft_file, own_rules_file, sites_file
from wxfly.pilot.site import Site, midnights, read_sites
from wxfly.pilot.work import read_work
from wxfly.retrieval.files import open_forecast
from wxfly.retrieval.forecast import obtain
from wxfly.retrieval.origin import Obtained
from wxfly.retrieval.places import demo_sites, time_zone_at
from wxfly.store.forecasts import grids_folder
from wxfly.times import read_moment
from wxfly.units import read_quantity

log = logging.getLogger(__name__)

Moment = str | datetime | np.datetime64
"""A time; UTC unless it has an offset."""
STATES = pd.CategoricalDtype([state.words for state in State], ordered=True)
"""The states of an hour in a table, from not known to inside."""
_SAME_PLACE = 0.3  # greatest distance between a cube's place and the site of its name [degree], some 30 km


# --- the forecast ----------------------------------------------------------------------------------------------------


def get_forecast(
    site: str | None = None, *, model: str | None = None, offline: bool = False, as_of: Moment | None = None
) -> xr.Dataset:
    """Return the forecast of a site, from the service, the store or the demonstration.

    Parameters
    ----------
    site : str, optional
        A saved name, ``LATITUDE,LONGITUDE`` or the name of a place; by default the first saved site, or the
        demonstration where none is saved.
    model : str, optional
        The one model to ask; by default that of the settings, else the models chosen by place, a week ahead.
    offline : bool, optional
        Whether only what is on this machine is used.
    as_of : str or datetime.datetime or numpy.datetime64, optional
        Time from which hours count, UTC; by default the present time, and for the demonstration its own time.

    Returns
    -------
    xarray.Dataset
        A cube after the CF conventions: dimensions ``time`` (hourly, UTC) and ``height`` above ground [m], SI units in
        the attribute ``units`` of each variable. Hours that are over are left out. Values that are too old to use are
        NaN. The attribute ``comment`` states what the reader must know first.

    Raises
    ------
    WxflyError
        When no forecast is available.

    Examples
    --------
    >>> import wxfly
    >>> cube = wxfly.get_forecast("Kelderness")
    >>> cube["wind_speed"].dims, cube["wind_speed"].attrs["units"]
    (('time', 'height'), 'm s-1')
    >>> cube.attrs["comment"]
    'demonstration: site and weather are invented (Invented late-winter fortnight)'
    """
    places = [] if site is None else [site]
    saved = read_sites(sites_file())
    return _cube_of(
        obtain(places, saved=saved, model=model, offline=offline, now=read_as_of(as_of), on_progress=log.info)
    )


def read_forecast(path: str | Path, *, model: str | None = None, as_of: Moment | None = None) -> xr.Dataset:
    """Return the forecast of a file: a saved reply of the forecast service (.json), a cube (.nc) or GRIB2 (.grib2).

    Parameters
    ----------
    path : str or Path
        The file.
    model : str, optional
        The model of a saved reply.
    as_of : str or datetime.datetime or numpy.datetime64, optional
        Time from which hours count, UTC; by default the present time where the file covers it, else its first hour.

    Returns
    -------
    xarray.Dataset
        As `wxfly.get_forecast` returns it; a file of several places has the dimension ``site`` as well.

    Raises
    ------
    WxflyError
        When the file cannot be read, or is not a forecast.

    Examples
    --------
    >>> import wxfly
    >>> from wxfly.retrieval.places import shipped_folder
    >>> cube = wxfly.read_forecast(shipped_folder() / "late-winter.nc")
    >>> cube["site"].values.tolist()
    ['Kelderness', 'Valdrenna', 'Whistlebrush']
    """
    saved = read_sites(sites_file())
    return _cube_of(open_forecast(Path(path), saved=saved, model=model, now=read_as_of(as_of)))


def forecast_grid(
    model: str,
    *,
    south: float,
    west: float,
    north: float,
    east: float,
    heights: Sequence[int] | None = None,
    lead_hours: tuple[int, int] = (0, 24),
    as_of: Moment | None = None,
) -> xr.Dataset:
    """Return a box of the newest run of a model, on the grid of the model, from the GRIB2 files of its weather service.

    Only the messages of the wanted quantities, heights and hours are fetched, each for the whole grid; they are kept in
    the store, so the same box or another one of that run costs no further bytes.

    Parameters
    ----------
    model : str
        ``ncep_gfs_global``, ``ncep_hrrr_conus`` or ``ecmwf_ifs025``.
    south, west, north, east : float
        The box [degree]; where `west` is larger than `east`, it goes over the date line.
    heights : sequence of int, optional
        Heights of the wind above ground [m], among those of the model; by default 10 m and all from 80 m.
    lead_hours : tuple of int, optional
        First and last hour after the start of the run. The run is the newest that has the last one.
    as_of : str or datetime.datetime or numpy.datetime64, optional
        Time of the question, UTC: no later run is used. By default the present time.

    Returns
    -------
    xarray.Dataset
        A cube as `wxfly.get_forecast` returns it, hourly. Its places have the dimensions ``latitude`` and
        ``longitude``, or on a projected grid ``y`` and ``x`` with latitude and longitude of every cell; the coordinate
        ``crs`` is the CF grid mapping. Winds are from true north. What the run lacks has no value.

    Raises
    ------
    WxflyError
        Without the extra ``grib``; for a model, height or hours that there are not; when nothing can be fetched.

    Examples
    --------
    The model must be one whose files are read:

    >>> import wxfly
    >>> cube = wxfly.forecast_grid("hrrr", south=39.5, west=-105.5, north=40.5, east=-104.5)
    Traceback (most recent call last):
    wxfly.errors.WxflyError: ...
    """
    from wxfly.sources.grib import get_grid
    from wxfly.sources.open_meteo.grids import Box

    if not (-90.0 <= south < north <= 90.0 and abs(west) <= 180.0 and abs(east) <= 180.0 and west != east):
        raise WxflyError(
            f"the box {south:g}, {west:g}, {north:g}, {east:g} is not south, west, north and east in degrees; "
            "wanted south < north, and west and east from -180 to 180"
        )
    moment = read_as_of(as_of)
    now = datetime.now(UTC) if moment is None else moment.astype("datetime64[s]").item().replace(tzinfo=UTC)
    return get_grid(
        model, Box(south, west, north, east), settings=load_settings(), folder=grids_folder(), now=now,
        heights=heights, lead_hours=lead_hours,
    )  # fmt: skip


def _cube_of(obtained: Obtained) -> xr.Dataset:
    """Return the cube from the present hour on, without values that are too old, and without `site` for one place."""
    cube, notes = obtained.fresh()
    present = obtained.now.astype("datetime64[h]")
    cube = cube.isel(time=np.flatnonzero(cube["time"].to_numpy() + HOUR > present))
    if cube.sizes["site"] == 1:
        cube = cube.isel(site=0)
    attributes = {name: value for name, value in cube.attrs.items() if name != "content_sha256"}  # of the whole file
    cube.attrs = attributes | {"comment": "; ".join((*notes, *obtained.notes))}
    return cube


# --- aircraft and limits ---------------------------------------------------------------------------------------------


def find_aircraft(name: str) -> Aircraft:
    """Return an aircraft by its name: one of the pilot's own, or a shipped class.

    Parameters
    ----------
    name : str
        A name from the list of ``wxfly aircraft``.

    Returns
    -------
    Aircraft
        The aircraft, in SI units: winds [m s-1], temperatures [K], masses [kg], energy [J].

    Raises
    ------
    WxflyError
        For a name that is unknown, with the nearest one.

    Examples
    --------
    >>> import wxfly
    >>> wxfly.find_aircraft("camera-quad-250g").maximum_gust
    10.7
    """
    return machines.find_aircraft(name, own_aircraft_file())


def limits_for(
    aircraft: Aircraft | str,
    rules: str = DEFAULT_RULES,
    *,
    reserve: float = 0.2,
    confidence: float = 0.5,
    required: tuple[str, ...] = REQUIRED_BY_DEFAULT,
) -> Limits:
    """Return the limits of an aircraft under a rule set.

    Parameters
    ----------
    aircraft : Aircraft or str
        The aircraft, or its name.
    rules : str, optional
        Name of a rule set from the list of ``wxfly rules``: height limit, visibility, distance from cloud, daylight.
    reserve : float, optional
        Share of every limit to keep in reserve, 0 to below 1; an hour with less left is *narrow*.
    confidence : float, optional
        Probability that wind and gust at flight height are not above the compared value, 0.5 to below 1.
    required : tuple of str, optional
        Elements without which an hour is not known; the others are advised.

    Returns
    -------
    Limits
        In SI units. To set other limits: ``dataclasses.replace(limits, maximum_gust=7.0)``.

    Raises
    ------
    WxflyError
        For a name that is unknown, with the nearest one, or a share out of its range.

    Examples
    --------
    >>> import wxfly
    >>> wxfly.limits_for("camera-quad-250g").height_limit
    120.0
    """
    machine = find_aircraft(aircraft) if isinstance(aircraft, str) else aircraft
    limits = gathered.limits_for(machine, find_rules(rules, own_rules_file()), reserve=reserve, required=required)
    return replace(limits, confidence=confidence)


# --- hours and windows -----------------------------------------------------------------------------------------------


class Windows(list[Window]):
    """Windows of one place, the best first; a list with a table."""

    def to_frame(self) -> pd.DataFrame:
        """Return the windows as a table.

        Returns
        -------
        pandas.DataFrame
            Index ``rank`` from 1. Columns: ``start`` and ``end`` (UTC), ``state``, ``margin`` (a share),
            ``limiting_element``, ``chance`` (a share; NaN where it was not computed), ``unknown`` (advised elements
            without a value, in one text).
        """
        return pd.DataFrame(
            {
                "start": times_column([w.start for w in self]),
                "end": times_column([w.end for w in self]),
                "state": pd.Categorical([w.state.words for w in self], dtype=STATES),
                "margin": np.array([w.margin for w in self], dtype=float),
                "limiting_element": pd.array([w.limiting_element for w in self], dtype="string"),
                "chance": np.array([np.nan if w.chance is None else w.chance.value for w in self], dtype=float),
                "unknown": pd.array([" ".join(w.unknown) for w in self], dtype="string"),
            },
            index=pd.RangeIndex(1, len(self) + 1, name="rank"),
        )

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
    metres = read_quantity(OPTIONS["height"].kind.read("height", height), "length", "metric")
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
    work = read_work(duration=None if duration is None else OPTIONS["duration"].kind.read("duration", duration))
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


def read_as_of(value: Moment | None) -> np.datetime64 | None:
    """Return a time, UTC [s]; None for None."""
    return None if value is None else read_moment(OPTIONS["as_of"].kind.read("as_of", value))


def times_column(values: Any) -> pd.DatetimeIndex:
    """Return times as a column of a table, UTC."""
    return pd.DatetimeIndex(pd.to_datetime(values, utc=True)).as_unit("ns")
