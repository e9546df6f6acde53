"""Forecasts kept in the pilot's cache folder and found again, the newest undamaged one of a place first.

The folder is ``WXFLY_CACHE``, else the platform's::

    forecasts/<model>/<run>/<place>.gz      forecasts/icon_eu/2026-11-25T06Z/52.2700N_6.9000E.gz
    replies/<kind>/<name>.json              last replies of small services, with the time of retrieval
    grids/<model>/<run>/<file>.<bytes>.grib2  messages of a forecast grid
    locks/<service>.lock                    one request at a time to each service
    CACHEDIR.TAG                            marks the folder as a cache, and as ours

A run that the service did not state is named ``retrieved-<hour>``. The store keeps the service's reply unchanged
(`wxfly.store.replies`), and parses it again when it is read. The file of a run is written once and never changed; every
write goes to a temporary file that is renamed. A file with a run in the future comes from a wrong clock and is used
last. Early versions of wxfly kept each forecast as ``<place>.nc``; those are read as well.
"""

from __future__ import annotations

import logging
import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC
from importlib import import_module
from pathlib import Path
from typing import cast

import numpy as np
import xarray as xr

from wxfly.cube.age import CLOCKS
from wxfly.cube.contract import check_forecast
from wxfly.cube.foreign_file import read_foreign
from wxfly.cube.netcdf import save_cube
from wxfly.errors import DamagedError, WxflyError
from wxfly.pilot.services import SERVICES
from wxfly.pilot.settings import cache_folder
from wxfly.pilot.site import Site, parse_coordinates, place_key
from wxfly.sources.reply import SAME_GROUND, PlaceReply
from wxfly.store.replies import read_reply, write_reply
from wxfly.times import as_moment, utc_now

log = logging.getLogger(__name__)

NOT_KNOWN = "retrieved-"
SUFFIX = ".gz"
EARLY_SUFFIX = ".nc"
PLACE = r"(\d+\.\d{4})([NS])_(\d+\.\d{4})([EW])"
"""Pattern of a file's name without its suffix."""
_NAME = re.compile(PLACE + r"\.(?:gz|nc)")


@dataclass(frozen=True)
class StoredForecast:
    """A forecast of one place in the store.

    Attributes
    ----------
    path : Path
        Its file.
    model, run : str
        The model, and the run as in the name of its folder.
    latitude, longitude : float
        The place [degree].
    size : int
        Size of the file [bytes].
    """

    path: Path
    model: str
    run: str
    latitude: float
    longitude: float
    size: int

    @property
    def key(self) -> tuple[float, float]:
        """Return the place, as `Site.key` states it."""
        return self.latitude, self.longitude

    @property
    def is_early(self) -> bool:
        """Return whether an early version of wxfly kept it, as netCDF."""
        return self.path.suffix == EARLY_SUFFIX


def grids_folder() -> Path:
    """Return the folder of the messages of forecast grids."""
    return cache_folder() / "grids"


def forecasts_folder() -> Path:
    """Return the folder of the forecasts."""
    return cache_folder() / "forecasts"


def file_name(latitude: float, longitude: float) -> str:
    """Return the name of the file of a place."""
    north, east = "N" if latitude >= 0 else "S", "E" if longitude >= 0 else "W"
    return f"{abs(latitude):.4f}{north}_{abs(longitude):.4f}{east}{SUFFIX}"


def run_name(cube: xr.Dataset) -> str:
    """Return the name of a cube's run in the store."""
    run = cube["forecast_reference_time"].values
    if not np.isnat(run):
        return f"{np.datetime_as_string(run, 'h')}Z"
    return f"{NOT_KNOWN}{str(cube.attrs.get('retrieved', 'not known'))[:13]}Z"


def run_of_reply(reply: PlaceReply) -> str:
    """Return the name of a reply's run in the store."""
    moment = reply.retrieved if reply.run is None else reply.run
    return f"{NOT_KNOWN if reply.run is None else ''}{moment.astimezone(UTC):%Y-%m-%dT%H}Z"


def files_below(folder: Path) -> Iterator[Path]:
    """Return the files and links below a folder; no link is followed, and a folder that is a link has none."""
    if is_link(folder):
        yield folder
        return
    for parent, folders, names in os.walk(folder, followlinks=False):
        yield from (Path(parent) / name for name in names)
        yield from (Path(parent) / name for name in folders if is_link(Path(parent) / name))


def is_link(path: Path) -> bool:
    """Return whether a path is a link, a junction of Windows included."""
    return path.is_symlink() or getattr(os.path, "isjunction", lambda _: False)(path)


def list_forecasts() -> list[StoredForecast]:
    """Return our forecasts in the store, by model, newest run first, north to south."""
    found = []
    for path in files_below(forecasts_folder()):
        match = _NAME.fullmatch(path.name)
        if not match or path.parent.parent.parent != forecasts_folder():
            continue
        latitude = float(match[1]) * (1 if match[2] == "N" else -1)
        longitude = float(match[3]) * (1 if match[4] == "E" else -1)
        try:
            size = path.stat().st_size
        except OSError:
            continue  # another process removed it
        found.append(StoredForecast(path, path.parent.parent.name, path.parent.name, latitude, longitude, size))
    found.sort(key=lambda f: (f.run.removeprefix(NOT_KNOWN), f.latitude, f.longitude, not f.is_early), reverse=True)
    return sorted(found, key=lambda f: f.model)


# --- kept, found and read ---------------------------------------------------------------------------------------


def newest_stored(site: Site, model: str) -> xr.Dataset | None:
    """Return the newest stored forecast of a site and a model.

    Parameters
    ----------
    site : Site
        The place.
    model : str
        The only model accepted.

    Returns
    -------
    xarray.Dataset or None
        With the dimension ``site``. A run in the future comes from a wrong clock or a wrong reply; it is returned only
        where there is no other.
    """
    latest = f"{as_moment(utc_now()) + CLOCKS!s:.13}Z"
    of_place = [f.run for f in list_forecasts() if (f.model, f.key) == (model, site.key)]
    runs = sorted(dict.fromkeys(of_place), key=lambda run: run.removeprefix(NOT_KNOWN) > latest)
    for run in runs:  # newest first
        cube = find_forecast(*site.key, model, surface_altitude=site.surface_altitude, run=run)
        if cube is not None:
            return cube
    return None


def keep_forecasts(replies: Iterable[PlaceReply]) -> list[Path]:
    """Keep the replies of a service, one file for each place.

    Returns
    -------
    list of Path
        The files, in the order of the replies.

    Raises
    ------
    WxflyError
        When one cannot be written; those before it stay.
    """
    paths = []
    for reply in replies:
        place = file_name(reply.latitude, reply.longitude)
        path = forecasts_folder() / reply.model / run_of_reply(reply) / place
        write_reply(reply, path)
        _tell("kept", path)
        paths.append(path)
    return paths


def _parser_of(service: str) -> Callable[[PlaceReply], xr.Dataset] | None:
    """Return the function that turns a reply of this service into a cube: the reader in its row."""
    reader = next((row.reader for row in SERVICES.values() if row.kept_as == service and row.reader), None)
    return None if reader is None else cast(Callable[[PlaceReply], xr.Dataset], import_module(reader).parse_kept)


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
        The place [degree]; must match to 4 decimals.
    model : str
        The only model accepted.
    surface_altitude : float, optional
        Height of the ground [m]; a cube for another height is not accepted. NaN accepts any.
    run : str, optional
        The only run accepted, as named by `run_name`.

    Returns
    -------
    xarray.Dataset or None
        With the dimension ``site``. An unusable file is skipped, and the log states why.
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
        for one in (path, path.with_suffix(EARLY_SUFFIX)):
            if not one.is_file():
                continue
            try:
                cube = open_forecast(StoredForecast(one, model, name, *place_key(latitude, longitude), size=0))
            except WxflyError as fault:
                log.info("passed over: %s", fault)
                continue
            if _is_for_ground(cube, surface_altitude):
                _tell("found in the store", one)
                return cube
    return None


def why_unused(latitude: float, longitude: float, model: str, *, surface_altitude: float = np.nan) -> str:
    """Return why the newest stored forecast of a place and a model is not used, and the way out.

    Empty when none is stored, or when it is used.
    """
    place = place_key(latitude, longitude)
    stored = next((s for s in list_forecasts() if (s.model, s.key) == (model, place)), None)
    if stored is None:
        return ""
    try:
        cube = open_forecast(stored)
    except DamagedError as fault:
        return f"{_words(fault, stored)}; clear it with: wxfly store prune --damaged"
    except WxflyError as fault:
        return f"{_words(fault, stored)}; fetch one while online"
    if _is_for_ground(cube, surface_altitude):
        return ""
    return (
        f"it is for ground at {_ground(cube):.0f} m, the site's is at {surface_altitude:.0f} m; fetch one while online"
    )


def _ground(cube: xr.Dataset) -> float:
    return float(cube["surface_altitude"].values[0])


def _is_for_ground(cube: xr.Dataset, surface_altitude: float) -> bool:
    away = abs(_ground(cube) - surface_altitude)
    return bool(np.isnan(away) or away <= SAME_GROUND)


def open_forecast(stored: StoredForecast) -> xr.Dataset:
    """Read a stored forecast, and check that its place, model and run match its name.

    Returns
    -------
    xarray.Dataset
        With the dimension ``site``, for one place.

    Raises
    ------
    DamagedError
        When there is evidence that the file is damaged.
    WxflyError
        When it cannot be read, its place, model or run does not match its name, or this wxfly no longer accepts it.
    """
    of_name = (stored.key, stored.model, stored.run)
    if stored.is_early:
        return _open_early(stored, of_name)
    reply = read_reply(stored.path)
    if (place_key(reply.latitude, reply.longitude), reply.model, run_of_reply(reply)) != of_name:
        raise WxflyError(f"{stored.path}: its place, model or run does not match its name")
    parse = _parser_of(reply.service)
    if parse is None:
        raise WxflyError(f"{stored.path}: from a service that this wxfly does not know ('{reply.service[:40]}')")
    try:
        return parse(reply)
    except WxflyError as fault:
        raise WxflyError(f"{stored.path}: undamaged, but this wxfly does not accept it: {fault}") from None


def _open_early(stored: StoredForecast, of_name: object) -> xr.Dataset:
    """Read a netCDF file kept by an early version of wxfly."""
    cube = check_forecast(read_foreign(stored.path, ours=True), place=str(stored.path))
    one = ("latitude", "longitude", "surface_altitude")
    if not all(name in cube and cube[name].dims == ("site",) and cube[name].size == 1 for name in one):
        raise WxflyError(f"{stored.path}: not the forecast of one place")
    place = place_key(*(float(cube[name].values[0]) for name in one[:2]))
    if (place, cube.attrs.get("model"), run_name(cube)) != of_name:
        raise WxflyError(f"{stored.path}: its place, model or run does not match its name")
    return cube


def fault_of(stored: StoredForecast) -> str:
    """Return, in a few words, why a stored forecast cannot be used; empty when it can."""
    fault = _opening_fault(stored)
    return "" if fault is None else _words(fault, stored)


def damage_of(stored: StoredForecast) -> str:
    """Return, in a few words, the evidence that a stored forecast is damaged; empty when there is none."""
    fault = _opening_fault(stored)
    return _words(fault, stored) if isinstance(fault, DamagedError) else ""


def _opening_fault(stored: StoredForecast) -> WxflyError | None:
    try:
        open_forecast(stored)
    except WxflyError as fault:
        return fault
    return None


def _words(fault: WxflyError, stored: StoredForecast) -> str:
    return str(fault).removeprefix(f"{stored.path}: ")


def stored_at(
    site: str, saved: Mapping[str, Site], *, model: str | None, run: str | None = None
) -> list[StoredForecast]:
    """Return what is stored of a place, the newest run first.

    Parameters
    ----------
    site : str
        A saved site or ``LATITUDE,LONGITUDE``.
    saved : mapping
        The pilot's saved sites.
    model, run : str or None
        Only of this model, of this run as the list writes it.

    Raises
    ------
    WxflyError
        For an unknown place, and when none is stored.
    """
    name = next((n for n in saved if n.casefold() == site.strip().casefold()), None)
    coordinates = parse_coordinates(site)
    if name is None and coordinates is None:
        known = ", ".join(saved) or "none"
        raise WxflyError(
            f"'{site}' is no saved site (saved: {known}) and not LATITUDE,LONGITUDE; save it: wxfly sites add"
        )
    key = saved[name].key if name is not None else place_key(*(coordinates or (np.nan, np.nan)))
    here = [s for s in list_forecasts() if s.key == key]
    fitting = [s for s in here if model in (None, s.model) and run in (None, s.run)]
    if not fitting:
        others = ", ".join(f"{s.model} {s.run}" for s in here)
        hint = f"; stored for it are: {others}" if here else "; see: wxfly store list"
        raise WxflyError(f"no such forecast for {site} is in the store{hint}")
    return sorted(fitting, key=lambda s: s.run.removeprefix(NOT_KNOWN), reverse=True)


def export_newest(folder: Path, sites: Sequence[str], saved: Mapping[str, Site], *, model: str | None) -> list[Path]:
    """Copy the newest forecast of each site and model into a folder as CF netCDF, and return the files.

    Parameters
    ----------
    folder : Path
        Made where it is missing; a file there of the same name is never written over.
    sites : sequence of str
        As `stored_at` takes them; none for every place of the store.
    saved, model
        As in `stored_at`.

    Raises
    ------
    WxflyError
        When a named site has none, a file is in the way or cannot be written.
    """
    chosen = [stored for site in sites for stored in stored_at(site, saved, model=model)]
    if not sites:
        chosen = [stored for stored in list_forecasts() if model in (None, stored.model)]
    newest: dict[tuple[str, tuple[float, float]], StoredForecast] = {}
    for stored in chosen:
        newest.setdefault((stored.model, stored.key), stored)
    paths = []
    for stored in newest.values():
        path = folder / f"{stored.path.stem}_{stored.model}_{stored.run}.nc"
        if path.exists():
            raise WxflyError(f"{path} is there already; nothing is written over, give another folder")
        save_cube(open_forecast(stored), path)
        paths.append(path)
    return paths
