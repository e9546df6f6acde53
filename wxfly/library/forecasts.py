"""Forecast cubes for a program: of a site, or of a file."""

from __future__ import annotations

import logging
from pathlib import Path

import numpy as np
import xarray as xr

from wxfly.assessment.hours import HOUR
from wxfly.library.words import Moment, read_as_of
from wxfly.pilot.settings import sites_file
from wxfly.pilot.site import read_sites
from wxfly.retrieval.files import open_forecast
from wxfly.retrieval.forecast import obtain
from wxfly.retrieval.origin import Obtained

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
    """Return the forecast of a file: a saved reply of the forecast service (.json) or a cube (.nc).

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
    >>> from wxfly.retrieval.demonstration import shipped_folder
    >>> cube = wxfly.read_forecast(shipped_folder() / "late-winter.nc")
    >>> cube["site"].values.tolist()
    ['Kelderness', 'Valdrenna', 'Whistlebrush']
    """
    saved = read_sites(sites_file())
    return _cube_of(open_forecast(Path(path), saved=saved, model=model, now=read_as_of(as_of)))


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
