"""Replies of the Open-Meteo ensemble service: from bytes to one cube for each model, with the members side by side.

A reply names a member in its keys: ``wind_speed_10m`` is the control, ``wind_speed_10m_member01`` the first member, and
behind both stands the model when several were asked. The number of members is what the keys say. Names, units and
stamps are those of the forecast service, and a member is read as a place of it is (`wxfly.sources.open_meteo_reply`).
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from wxfly.errors import WxflyError
from wxfly.forecast import check_forecast, mark_carried
from wxfly.freshness import TOO_OLD
from wxfly.settings import Settings
from wxfly.site import Site
from wxfly.sources.download import download
from wxfly.sources.ensembles import (
    ENSEMBLES,
    TEMPERATURE_HEIGHTS,
    WIND_HEIGHTS,
    Ensemble,
    find_ensemble,
)
from wxfly.sources.native_heights import drop_rescaled_heights
from wxfly.sources.open_meteo import LARGEST_REPLY, check_ground, check_span, distance_km
from wxfly.sources.open_meteo_names import AT_HEIGHT, NAMES, our_name
from wxfly.sources.open_meteo_reply import SOURCE, UNITS, parse_forecast
from wxfly.sources.precision import are_known, sent_coordinates
from wxfly.sources.reply import Reply, SourceError, parse_json

MEMBER = "realization"
_TOLD_DAYS = 15.0  # an ensemble that reaches farther than is asked does not tell by its last hour when it began
_KEY = re.compile(
    rf"(?P<name>{'|'.join(sorted(NAMES, key=len, reverse=True))}|(?:{'|'.join(AT_HEIGHT)})_\d{{1,4}}m)"
    r"(?:_member(?P<member>\d{2,}))?(?:_(?P<model>(?!member|spread|previous)[a-z][a-z0-9_]*))?"
)
# Not asked of an ensemble: what no element needs, to keep the request light.
_NOT_ASKED = {"precipitation_probability", "roughness_length", "boundary_layer_height", "pressure_msl"}


def ensemble_names() -> list[str]:
    """Give the names that are asked of an ensemble."""
    names = [name for name in NAMES if name not in _NOT_ASKED]
    for height in WIND_HEIGHTS:
        names += [f"wind_speed_{height}m", f"wind_direction_{height}m"]
    return names + [f"temperature_{height}m" for height in TEMPERATURE_HEIGHTS]


def parse_ensemble(
    body: bytes,
    *,
    model: str | None = None,
    retrieved: datetime | None = None,
    run: datetime | None = None,
    names: Sequence[str] | None = None,
    what: str = f"{SOURCE} ensemble",
) -> list[xr.Dataset]:
    """Turn a reply into cubes, one for each model: members of different models carry different heights.

    Parameters
    ----------
    body : bytes
        The reply, of one place or of several.
    model : str, optional
        The model asked, for keys without one.
    retrieved, run, what
        As in `wxfly.sources.open_meteo_reply.parse_forecast`.
    names : sequence of str, optional
        Names of the places, in the order asked; then the cubes have the dimension ``site``.

    Returns
    -------
    list of xarray.Dataset
        Each with the dimension ``realization`` (0 is the control, when it came) and the attributes ``members`` and,
        where some are missing, ``missing_members``. The coordinate ``last_time`` is the last hour to which a member
        should reach.

    Raises
    ------
    WxflyError
        In one line.
    """
    document = parse_json(body, what)
    places = document if isinstance(document, list) else [document]
    if names is not None and len(places) != len(names):
        raise SourceError(f"{what}: {len(names)} places were asked for and {len(places)} came back")
    for place in places:
        if isinstance(place, dict) and place.get("error"):
            raise SourceError(f"{what}: the reply is an error ({str(place.get('reason', ''))[:120]})")
        if not isinstance(place, dict) or not all(isinstance(place.get(k), dict) for k in ("hourly", "hourly_units")):
            raise SourceError(f"{what}: no hourly values in it; ask the service for 'hourly' ones")
    split = [_split_keys(place["hourly"]) for place in places]
    models = list(dict.fromkeys(m for keys in split for m in keys))
    if not models:
        raise SourceError(f"{what}: nothing of an ensemble for flying in it")
    if model is not None and set(models) - {None, model}:
        raise SourceError(f"{what}: it is of the model {', '.join(str(m) for m in models)}, not of {model}")
    return [_cube_of(m, model, places, split, names, retrieved, run, what) for m in models]


def _split_keys(columns: Mapping[str, Any]) -> dict[str | None, dict[int, dict[str, str]]]:
    """Sort keys by model and member: ``{model: {member: {plain name: key}}}``. Other keys are left out."""
    found: dict[str | None, dict[int, dict[str, str]]] = {}
    for key in columns:
        match = _KEY.fullmatch(key)
        if match and our_name(match["name"]):
            members = found.setdefault(match["model"], {})
            members.setdefault(int(match["member"] or 0), {})[match["name"]] = key
    return found


def _cube_of(
    suffix: str | None,
    model: str | None,
    places: Sequence[Mapping[str, Any]],
    split: Sequence[Mapping[str | None, Mapping[int, Mapping[str, str]]]],
    names: Sequence[str] | None,
    retrieved: datetime | None,
    run: datetime | None,
    what: str,
) -> xr.Dataset:
    """Read one model's members: each is read as a place, so that one parser serves all."""
    name = suffix or model or "not known"
    members = sorted({m for keys in split for m in keys.get(suffix, {})})
    if members == [0]:
        raise SourceError(f"{what}: no member in it, only one forecast or the mean of an ensemble; ask for the members")
    alone = [
        _member_document(place, keys.get(suffix, {}).get(member, {}))
        for place, keys in zip(places, split, strict=True)
        for member in members
    ]
    left_out = _leave_out_made_up_heights(alone)
    cube = parse_forecast(
        json.dumps(alone).encode(),
        model=name,
        asked_units=False,
        retrieved=retrieved,
        run=run,
        members_reach=row.range_days if (row := ENSEMBLES.get(name)) and row.range_days <= _TOLD_DAYS else math.inf,
        what=what,
    )
    return _fold(cube, members, len(places), names, name, left_out, what)


def _member_document(place: Mapping[str, Any], keys: Mapping[str, str]) -> dict[str, Any]:
    """Give a member as a reply of its own, with plain names."""
    columns, units = place["hourly"], place["hourly_units"]
    shared = {k: place.get(k) for k in ("latitude", "longitude", "elevation", "utc_offset_seconds")}
    return shared | {
        "hourly": {"time": columns.get("time")} | {plain: columns[key] for plain, key in keys.items()},
        "hourly_units": {"time": units.get("time")} | {plain: units.get(key) for plain, key in keys.items()},
    }


def _leave_out_made_up_heights(documents: list[dict[str, Any]]) -> list[str]:
    """Take away, from all members alike, heights that are another height times a fixed ratio in every member."""
    speeds: dict[int, list[float]] = {}
    for key in documents[0]["hourly"]:
        ours, height = our_name(key) or ("", None)
        if ours == "wind_speed" and height is not None and all(key in d["hourly"] for d in documents):
            columns = [d["hourly"][key] for d in documents]
            if all(isinstance(c, list) and all(isinstance(v, int | float | None) for v in c) for c in columns):
                speeds[height] = [math.nan if v is None else float(v) for c in columns for v in c]
    unit = documents[0]["hourly_units"].get("wind_speed_10m")
    factor = next((to_si for name, (to_si, _) in UNITS["m s-1"].items() if name == unit), None)
    if factor is None:
        return []
    levels = {"wind_speed": {height: np.array(values) * factor for height, values in speeds.items()}}
    _, dropped = drop_rescaled_heights(levels)
    for name in dropped:
        for key in (name, name.replace("wind_speed", "wind_direction")):
            for document in documents:
                document["hourly"].pop(key, None)
                document["hourly_units"].pop(key, None)
    return dropped


def _fold(
    cube: xr.Dataset,
    members: Sequence[int],
    places: int,
    names: Sequence[str] | None,
    name: str,
    left_out: Sequence[str],
    what: str,
) -> xr.Dataset:
    """Fold places-times-members, in the order of the places, into ``site`` and ``realization``."""
    shape = (places, len(members))
    folded = xr.Dataset(attrs=cube.attrs)
    for variable_name, variable in cube.data_vars.items():
        axis = variable.dims.index("site")
        values = variable.values.reshape(*variable.shape[:axis], *shape, *variable.shape[axis + 1 :])
        dims = (*variable.dims[:axis], "site", MEMBER, *variable.dims[axis + 1 :])
        folded[str(variable_name)] = (dims, values, variable.attrs)
    folded = folded.assign_coords({str(k): c for k, c in cube.coords.items() if "site" not in c.dims})
    for coordinate in ("latitude", "longitude", "surface_altitude"):
        first = cube[coordinate].values.reshape(shape)[:, 0]
        folded = folded.assign_coords({coordinate: ("site", first, cube[coordinate].attrs)})
    folded = folded.assign_coords({MEMBER: (MEMBER, np.array(members), {"standard_name": "realization", "units": "1"})})
    folded = folded.assign_coords(last_time=(MEMBER, _last_times(folded)))
    if names is None and places == 1:
        folded = folded.isel(site=0)
    elif names is not None:
        folded = folded.assign_coords(site=np.array([str(n) for n in names], dtype=object))
    row = ENSEMBLES.get(name)
    if row is not None:  # as far as it reaches at the least: an old run is not used, and hours within are lost
        reach = folded["time"].values[0] + np.timedelta64(int(24 * row.range_days), "h") - TOO_OLD
        reach = min(reach, folded["time"].values[-1])
        folded = folded.assign_coords(last_time=(MEMBER, np.maximum(folded["last_time"].values, reach)))
    folded = folded.assign_attrs(_provenance(folded.attrs, row, name) | {"members": len(members)})
    there = row.members if row else max(members) + 1 - min(1, min(members))
    if there > len(members):
        folded.attrs["missing_members"] = there - len(members)
    if left_out:
        folded.attrs["not_used"] = " ".join([str(folded.attrs.get("not_used", "")), *left_out]).strip()
    if row and "wind_speed_of_gust" in folded:
        folded["wind_speed_of_gust"].attrs["covers_hours"] = np.array(row.gust_covers_hours)
    return check_forecast(mark_carried(folded), place=what)


def _last_times(cube: xr.Dataset) -> np.ndarray:
    """Give, for each member, the last hour at which any says anything: members of one model reach equally far."""
    known = np.zeros((cube.sizes["time"], cube.sizes[MEMBER]), dtype=bool)
    for variable in cube.data_vars.values():
        others = [d for d in variable.dims if d not in ("time", MEMBER)]
        known |= variable.notnull().any(others).transpose("time", MEMBER).values
    last = cube.sizes["time"] - 1 - known[::-1].argmax(axis=0)
    ends = np.where(known.any(axis=0), cube["time"].values[last], cube["time"].values[0])
    return np.full(ends.shape, ends.max())


def _provenance(attrs: Mapping[Any, Any], row: Ensemble | None, name: str) -> dict[str, Any]:
    return {**attrs, "source": f"{SOURCE} ensemble service, model {name}"} | (
        {"institution": row.institution, "license": row.license} if row else {}
    )


def read_ensemble(path: Path, *, model: str | None = None, name: str | None = None) -> list[xr.Dataset]:
    """Open a reply of the ensemble service that was saved in a file.

    Parameters
    ----------
    path : Path
        The reply as it came, JSON.
    model : str, optional
        The model it was asked of, where its keys do not say.
    name : str, optional
        What to call the place.
    """
    try:
        body = path.read_bytes()
    except OSError as fault:
        raise WxflyError(f"{path}: cannot be read ({fault.strerror})") from None
    return parse_ensemble(body, model=model, names=[name] if name else None, what=path.name)


def _at_sites(cube: xr.Dataset, sites: Sequence[Site], row: Ensemble, what: str) -> xr.Dataset:
    """Put the cube at the sites' own coordinates, once the ensemble's cells are seen to be near them."""
    check_ground(cube, sites, what)
    for site, latitude, longitude in zip(sites, cube["latitude"].values, cube["longitude"].values, strict=True):
        away = distance_km(site.latitude, site.longitude, float(latitude), float(longitude))
        if away > 3 * row.resolution_km + 5.0:
            raise SourceError(f"{what}: the answer is for a place {away:.0f} km away")
    return cube.assign_coords(
        latitude=("site", np.array([s.latitude for s in sites]), cube["latitude"].attrs),
        longitude=("site", np.array([s.longitude for s in sites]), cube["longitude"].attrs),
    )


def get_ensemble(sites: Sequence[Site], model: str, *, settings: Settings, run: datetime | None = None) -> xr.Dataset:
    """Ask for the members of one ensemble at places, all in one request.

    Parameters
    ----------
    sites : sequence of Site
        One or more places.
    model : str
        Name of an ensemble of `wxfly.sources.ensembles.ENSEMBLES`.
    settings : Settings
        Address, User-Agent and patience.
    run : datetime, optional
        The run, when it is known.

    Returns
    -------
    xarray.Dataset
        With the dimensions ``site``, in the order asked, and ``realization``.

    Raises
    ------
    SourceError
        Naming source, place (rounded) and fault.
    """
    row = find_ensemble(model)
    where = f"{sites[0].latitude:.2f}, {sites[0].longitude:.2f}"
    what = f"{SOURCE} ensemble {model} for {where}" + (f" and {len(sites) - 1} more" if len(sites) > 1 else "")
    known = are_known([s.surface_altitude for s in sites])
    places = [(s.latitude, s.longitude) for s in sites]
    latitudes, longitudes = sent_coordinates(places, row.resolution_km, ground_known=known)
    parameters = {
        "latitude": latitudes,
        "longitude": longitudes,
        "models": row.name,
        "hourly": ",".join(ensemble_names()),
        "forecast_days": str(min(16, math.ceil(row.range_days) + 1)),
        "timeformat": "unixtime",
        "timezone": "GMT",
        "wind_speed_unit": "ms",
    }
    if known:
        parameters["elevation"] = ",".join(f"{s.surface_altitude:.0f}" for s in sites)

    def parse(reply: Reply) -> xr.Dataset:
        now = datetime.now(UTC)
        cubes = parse_ensemble(
            reply.body, model=model, retrieved=now, run=run, names=[s.name for s in sites], what=what
        )
        check_span(cubes[0], now, what)
        return _at_sites(cubes[0], sites, row, what)

    return download(
        settings.addresses["ensemble"], parameters, parse, settings=settings, what=what,
        maximum_bytes=LARGEST_REPLY,
    )  # fmt: skip
