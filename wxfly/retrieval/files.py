"""Answer from a file that the pilot gives: a saved reply of the forecast service, or a cube."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import xarray as xr

from wxfly.cube.age import retrieved_of
from wxfly.cube.consistency import hide_contradictions
from wxfly.cube.contract import ENSEMBLE, check_forecast
from wxfly.cube.foreign_file import read_foreign
from wxfly.cube.notes import Note, NoteKind
from wxfly.errors import MissingExtraError, WxflyError
from wxfly.pilot.site import Site, distance_km, parse_coordinates
from wxfly.retrieval.origin import Obtained
from wxfly.retrieval.places import demo_sites, time_zone_at
from wxfly.sources.open_meteo.ensemble import read_ensemble
from wxfly.sources.open_meteo.forecast import read_forecast
from wxfly.sources.reply import OtherModelError
from wxfly.times import as_moment, utc_now

_GRIB = (".grib2", ".grb2")
_NEAR_KM = 30.0  # a file may be used for sites this close to a place in it
_NEAR_GROUND = 150.0  # ground heights of file and site may differ this much [m]: 1 or 2 K, and maps of ground differ


def open_forecast(
    path: Path,
    places: Sequence[str] = (),
    *,
    saved: Mapping[str, Site] | None = None,
    model: str | None = None,
    now: np.datetime64 | None = None,
) -> Obtained:
    """Answer from a saved reply of the forecast service (.json), a cube (.nc) or GRIB2 (.grib2); no service is asked.

    Parameters
    ----------
    path : Path
        The file.
    places : sequence of str, optional
        As in `obtain`. A place must be one that the file's forecast is for; a name that is not saved stands for the
        file's only place.
    saved : mapping, optional
        The pilot's saved sites.
    model : str, optional
        The model of a saved reply.
    now : numpy.datetime64, optional
        Time of the answer; by default the present time, or the first hour of a file that begins later or is of the
        demonstration.

    Raises
    ------
    WxflyError
        Where the file cannot be read or is of another place; where all its hours are over and no time is given.
    """
    cubes = [_with_sites(cube) for cube in _read(path, model)]
    sites, positions = _places_of_file(cubes[0], places, saved or {}, path)
    names = np.array([s.name for s in sites], dtype=object)
    cubes = [c.isel(site=positions).assign_coords(site=names).transpose("time", "site", ...) for c in cubes]
    ensembles = tuple(c for c in cubes if ENSEMBLE in c.dims)
    cube = one_of(cubes[0])
    hours = cube["time"].values.astype("datetime64[s]")
    notes: list[str] = [f"answered from the file {path.name}"]
    is_invented = _is_invented(cube)
    if is_invented:
        sites = [replace(site, is_demo=True) for site in sites]
        notes.insert(0, Note("demonstration: site and weather are invented", NoteKind.INVENTED))
    if len(set(positions)) == 1:
        here = (float(np.ravel(cube[name].values)[0]) for name in ("latitude", "longitude"))
        notes[-1] += ", whose place is {:.2f}, {:.2f}".format(*here)
    is_chosen = now is not None
    if now is None:
        now = as_moment(utc_now())
        if hours[-1] < now and not is_invented:
            raise WxflyError(
                f"{path.name}: its hours are over, they end at {str(hours[-1])[:16]}Z and now is {str(now)[:16]}Z; "
                f"fetch a new forecast, or look back with --as-of {str(hours[0])[:16]}Z"
            )
        if not hours[0] <= now <= hours[-1]:
            now, is_chosen = hours[0], is_invented
            notes.append(f"its hours are not those of today: answered as of {str(now)[:16]}Z, its first hour")
    retrieved = retrieved_of(cube)
    if np.isnat(retrieved):
        notes.append("when it was retrieved is not known")
    notes += [
        Note(
            f"the altitude of the ground at {site.name} is not known, so the forecast's cannot be compared with it",
            NoteKind.GROUND,
        )
        for site in sites
        if math.isnan(site.surface_altitude)
    ]
    if "kp_index" not in cube:
        notes.append("Kp is not known: the file has none")
    return Obtained(
        sites=tuple(sites), cube=cube, now=now, origin="file",
        notes=tuple(notes), ensembles=ensembles, is_chosen=is_chosen,
    )  # fmt: skip


def _is_invented(cube: xr.Dataset) -> bool:
    """Return whether every place of a file is one of the demonstration, whose weather is invented."""
    invented = {(site.latitude, site.longitude) for site in demo_sites().values()}
    here = zip(np.ravel(cube["latitude"].values), np.ravel(cube["longitude"].values), strict=True)
    return all((round(float(a), 4), round(float(b), 4)) in invented for a, b in here)


def _read(path: Path, model: str | None) -> list[xr.Dataset]:
    """Read the cubes of a file; of what is wrong in it, the way out is the same: another file."""
    with contextlib.suppress(OSError):  # the reader reports the fault
        if not path.is_file():
            fault = "it is not a file" if path.exists() else "there is no such file"
            raise WxflyError(f"{path}: {fault}; give the path of a forecast")
    try:
        return _cubes(path, model)
    except (MissingExtraError, OtherModelError):
        raise
    except WxflyError as fault_of_file:
        raise WxflyError(f"{fault_of_file}; mend the file or give another") from None


def _cubes(path: Path, model: str | None) -> list[xr.Dataset]:
    """Return the cubes of a file, several where a reply holds ensembles of several models."""
    if path.suffix.lower() == ".nc":
        cube = hide_contradictions(check_forecast(read_foreign(path), place=path.name))
        if model is not None and cube.attrs.get("model") != model:
            raise OtherModelError(
                f"{path.name}: it is of the model {cube.attrs.get('model')}, not of {model}; leave --model out"
            )
        return [cube]
    if path.suffix.lower() in _GRIB:
        from wxfly.sources.grib import read_grib

        return [hide_contradictions(read_grib(path))]
    try:
        holds_members = b"_member0" in path.read_bytes()
    except OSError:
        holds_members = False  # the reader reports the fault
    if holds_members:
        return read_ensemble(path, model=model)
    return [read_forecast(path, model=model)]


def _with_sites(cube: xr.Dataset) -> xr.Dataset:
    """Return a cube with the dimension of sites, whatever the layout of its places."""
    across = tuple(dict.fromkeys((*cube["latitude"].dims, *cube["longitude"].dims)))
    if len(across) == 2:
        cube = cube.stack(site=across).reset_index("site").drop_vars([d for d in ("x", "y") if d in across])
    if "site" not in cube.dims:
        cube = cube.expand_dims("site", axis=1).assign_coords(
            {k: ("site", np.atleast_1d(cube[k].values), cube[k].attrs) for k in _OF_PLACES if k in cube.coords}
        )
    return cube


def one_of(cube: xr.Dataset) -> xr.Dataset:
    """Return the control of an ensemble, or its first member, as one forecast; a single forecast stays unchanged."""
    if ENSEMBLE not in cube.dims:
        return cube
    members = list(cube[ENSEMBLE].values)
    control = cube.isel({ENSEMBLE: members.index(0) if 0 in members else 0}, drop=True)
    return control.drop_vars("last_time", errors="ignore")


_OF_PLACES = ("latitude", "longitude", "surface_altitude")


def _places_of_file(
    cube: xr.Dataset, places: Sequence[str], saved: Mapping[str, Site], path: Path
) -> tuple[list[Site], list[int]]:
    """Match the pilot's place names with the places of a file; without names, all of them."""
    count = cube.sizes["site"]
    latitude, longitude = cube["latitude"].values, cube["longitude"].values
    ground = cube["surface_altitude"].values if "surface_altitude" in cube.coords else np.full(count, np.nan)
    names = [str(n) for n in cube["site"].values] if "site" in cube.coords else []
    called = names or [f"{a:.2f}, {b:.2f}" for a, b in zip(latitude, longitude, strict=True)]

    def of_file(position: int, name: str) -> Site:
        here = float(latitude[position]), float(longitude[position])
        return Site(name, *here, float(ground[position]), time_zone_at(*here))

    if not places:
        return [of_file(i, name) for i, name in enumerate(called)], list(range(count))
    sites, positions = [], []
    for text in places:
        known = saved.get(text)
        coordinates = parse_coordinates(text)
        if known is None and coordinates:
            known = Site(f"{coordinates[0]:.4f}, {coordinates[1]:.4f}", *coordinates)
        if known is None:
            own = [i for i, n in enumerate(names) if n.casefold() == text.casefold()]
            if not own and count > 1:
                raise WxflyError(f"{path.name}: '{text}' is not among its places ({', '.join(called)[:200]})")
            position = own[0] if own else 0
            sites.append(of_file(position, text))
        else:
            away = [
                distance_km(known.latitude, known.longitude, float(a), float(b))
                for a, b in zip(latitude, longitude, strict=True)
            ]
            position = int(np.argmin(away))
            if away[position] > _NEAR_KM:
                raise WxflyError(
                    f"{path.name}: it is for {called[position]}, {away[position]:.0f} km from {known.name}; "
                    f"wanted one within {_NEAR_KM:.0f} km: name its own place, or give another file"
                )
            sites.append(_completed(known, of_file(position, known.name), path))
        positions.append(position)
    return sites, positions


def _completed(known: Site, own: Site, path: Path) -> Site:
    """Return the pilot's site with what it lacks from the place of the file; refuse another height of the ground."""
    if abs(own.surface_altitude - known.surface_altitude) > _NEAR_GROUND:
        raise WxflyError(
            f"{path.name}: it is for ground at {own.surface_altitude:.0f} m, {known.name} is at "
            f"{known.surface_altitude:.0f} m; save one for that ground"
        )
    zone = own.time_zone if known.time_zone == "UTC" else known.time_zone
    ground = own.surface_altitude if math.isnan(known.surface_altitude) else known.surface_altitude
    return replace(known, time_zone=zone, surface_altitude=ground)
