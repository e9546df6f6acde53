"""Forecast cubes for a program: of a site, of a file, or of a box of a model's grid."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import xarray as xr

from wxfly.assessment.hours import HOUR
from wxfly.errors import WxflyError
from wxfly.library.words import Moment, read_as_of
from wxfly.pilot.settings import load_settings, sites_file
from wxfly.pilot.site import read_sites
from wxfly.retrieval.files import open_forecast
from wxfly.retrieval.forecast import obtain
from wxfly.retrieval.origin import Obtained
from wxfly.store.forecasts import grids_folder

log = logging.getLogger(__name__)


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
    cube = cube.isel(time=np.flatnonzero(cube["time"].values + HOUR > present))
    if cube.sizes["site"] == 1:
        cube = cube.isel(site=0)
    attributes = {name: value for name, value in cube.attrs.items() if name != "content_sha256"}  # of the whole file
    cube.attrs = attributes | {"comment": "; ".join((*notes, *obtained.notes))}
    return cube
