"""Where forecasts are kept and found: the pilot's cache folder.

The folder (``WXFLY_CACHE``, else the platform's) is laid out as `wxfly.store_layout` says. A file of a run is written
once and never changed; every write goes beside and is renamed.
"""

from __future__ import annotations

import logging
from pathlib import Path

import numpy as np
import xarray as xr

from wxfly.errors import WxflyError
from wxfly.forecast import check_forecast
from wxfly.kept_replies import KeptReply, keep_reply, kept_reply
from wxfly.netcdf import load_cube, save_cube
from wxfly.shipped import load_manifest, shipped_folder, shipped_forecast
from wxfly.site import place_key
from wxfly.store_layout import (
    NOT_KNOWN,
    StoredForecast,
    file_name,
    forecasts_folder,
    list_forecasts,
    run_name,
)
from wxfly.store_marks import claim_store, foreign_files, is_ours, remove_ours
from wxfly.store_pruning import clear_store, prune_store, too_old_or_much

__all__ = [
    "KeptReply",
    "StoredForecast",
    "claim_store",
    "clear_store",
    "export_forecast",
    "fault_of",
    "find_forecast",
    "foreign_files",
    "is_ours",
    "keep_forecast",
    "keep_reply",
    "kept_reply",
    "list_forecasts",
    "load_cube",
    "load_manifest",
    "prune_store",
    "remove_ours",
    "run_name",
    "save_cube",
    "shipped_folder",
    "shipped_forecast",
    "too_old_or_much",
    "why_unused",
]  # fmt: skip

log = logging.getLogger(__name__)

_SAME_GROUND = 5.0  # a cube serves a site whose ground is known to differ by no more than this [m]


def keep_forecast(cube: xr.Dataset) -> list[Path]:
    """Keep a cube, one file for each of its sites.

    Returns
    -------
    list of Path
        The files, in the order of the sites.
    """
    paths = []
    for position in range(cube.sizes["site"]):
        one = cube.isel(site=[position])
        place = file_name(float(one["latitude"].values[0]), float(one["longitude"].values[0]))
        path = forecasts_folder() / str(cube.attrs["model"]) / run_name(cube) / place
        save_cube(one, path, private=True)
        _tell("kept", path)
        paths.append(path)
    return paths


def _tell(what: str, path: Path) -> None:
    place, run, model = path.stem, path.parent.name, path.parent.parent.name
    facts = {"place": place, "model": model, "run": run}
    log.info("%s: %s of %s, run %s", what, place, model, run, extra={"facts": facts})


def find_forecast(
    latitude: float, longitude: float, model: str, *, surface_altitude: float = np.nan, run: str | None = None
) -> xr.Dataset | None:
    """Find the newest readable cube of a place and a model.

    Parameters
    ----------
    latitude, longitude : float
        The place [degree]; only this place, to 4 decimals, will do.
    model : str
        Only this model will do.
    surface_altitude : float, optional
        Ground [m]; a cube for ground at another height will not do. NaN takes any.
    run : str, optional
        Only this run, as `run_name` writes it.

    Returns
    -------
    xarray.Dataset or None
        With the dimension ``site``. A damaged file is passed over.
    """
    folder = forecasts_folder() / model
    try:
        runs = (
            [run]
            if run
            else sorted((p.name for p in folder.iterdir()), key=lambda n: n.removeprefix(NOT_KNOWN), reverse=True)
        )
    except OSError:
        return None
    for name in runs:
        path = folder / name / file_name(latitude, longitude)
        if not path.is_file():
            continue
        try:
            cube = _open(StoredForecast(path, model, name, *place_key(latitude, longitude), size=0))
        except WxflyError as fault:
            log.info("%s", fault)
            continue
        if _is_for_ground(cube, surface_altitude):
            _tell("found in the store", path)
            return cube
    return None


def why_unused(latitude: float, longitude: float, model: str, *, surface_altitude: float = np.nan) -> str:
    """Say why the newest stored forecast of a place and a model is not answered from, and the way out.

    Empty when none is stored, or it is answered from.
    """
    place = place_key(latitude, longitude)
    stored = next((s for s in list_forecasts() if (s.latitude, s.longitude) == place and s.model == model), None)
    if stored is None:
        return ""
    try:
        cube = _open(stored)
    except WxflyError:
        return f"{fault_of(stored)}; clear it with: wxfly store prune --damaged"
    if _is_for_ground(cube, surface_altitude):
        return ""
    return f"it is for ground at {_ground(cube):.0f} m, the site's is at {surface_altitude:.0f} m"


def _ground(cube: xr.Dataset) -> float:
    return float(cube["surface_altitude"].values[0])


def _is_for_ground(cube: xr.Dataset, surface_altitude: float) -> bool:
    away = abs(_ground(cube) - surface_altitude)
    return bool(np.isnan(away) or away <= _SAME_GROUND)


def _open(stored: StoredForecast) -> xr.Dataset:
    """Read a stored forecast, once it is seen to be whole and of the place, model and run that its name says."""
    cube = load_cube(stored.path, verify=True)
    check_forecast(cube, place=str(stored.path))
    one = ("latitude", "longitude", "surface_altitude")
    if not all(name in cube and cube[name].dims == ("site",) and cube[name].size == 1 for name in one):
        raise WxflyError(f"{stored.path}: not the forecast of one place")
    place = place_key(*(float(cube[name].values[0]) for name in one[:2]))
    inside = (place, cube.attrs.get("model"), run_name(cube))
    if inside != ((stored.latitude, stored.longitude), stored.model, stored.run):
        raise WxflyError(f"{stored.path}: of another place, model or run than its name says")
    return cube


def fault_of(stored: StoredForecast) -> str:
    """Say in a few words what is wrong with a stored forecast, and nothing when it is whole and what its name says."""
    try:
        _open(stored)
    except WxflyError as fault:
        return str(fault).removeprefix(f"{stored.path}: ").split(";")[0]
    return ""


def export_forecast(stored: StoredForecast, path: Path) -> None:
    """Copy a stored forecast to a file of the pilot's choice, once it is seen to be whole."""
    save_cube(load_cube(stored.path, verify=True), path)
