"""Replies of the Open-Meteo ensemble service: from bytes to one cube for each model, with all its members.

A reply names a member in its keys: ``wind_speed_10m`` is the control, ``wind_speed_10m_member01`` the first member. The
name of the model follows when several were requested. The keys give the number of members. Names, units and stamps are
those of the forecast service, and a member is read like one of its places (`wxfly.sources.open_meteo.reply`).
"""

from __future__ import annotations

import io
import json
import math
import re
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.cube.age import TOO_OLD
from wxfly.cube.contract import (
    ENSEMBLE,
    VARIABLES,
    check_forecast,
    describe_coordinates,
    mark_provided,
    state_spans,
    with_lost_members,
)
from wxfly.pilot.services import SERVICES
from wxfly.pilot.settings import Settings
from wxfly.pilot.site import Site
from wxfly.sources.open_meteo.forecast import (
    ask,
    at_sites,
    check_ground,
    check_places,
    check_span,
    positions_of,
    query_for,
    words_for,
)
from wxfly.sources.open_meteo.models import (
    ENSEMBLES,
    NOT_KNOWN,
    TEMPERATURE_HEIGHTS,
    WIND_HEIGHTS,
    Ensemble,
    call_weight,
    find_ensemble,
)
from wxfly.sources.open_meteo.reply import (
    AT_HEIGHT,
    NAMES,
    SOURCE,
    UNDEFINED,
    column_of_unit,
    names_at,
    our_name,
    parse_places,
)
from wxfly.sources.reply import OtherModelError, PlaceReply, Reply, SourceError, parse_json, read_saved

Array = npt.NDArray[np.float64]

_OF_PLACE = ("latitude", "longitude", "elevation", "utc_offset_seconds")
_MOST_DIGITS = 4
_MISSING = np.iinfo(np.int32).min
_LARGEST = float(np.iinfo(np.int32).max)


@dataclass(frozen=True, eq=False)
class MembersAtPlace:
    """The values of one model at one place, from a reply.

    Attributes
    ----------
    head : mapping
        The place, its hours and the units of the names, unchanged.
    names : tuple of str
        Names of the service, without member and model.
    members : tuple of int
        Numbers of the members; 0 is the control.
    values : ndarray, shape (names, members, hours)
        Values in the units of the reply; NaN for null and for a missing column.
    """

    head: Mapping[str, Any]
    names: tuple[str, ...]
    members: tuple[int, ...]
    values: Array

    @classmethod
    def fold(
        cls, place: Mapping[str, Any], keys: Mapping[int, Mapping[str, str]], members: tuple[int, ...], what: str
    ) -> MembersAtPlace:
        """Fold the columns of a place.

        Parameters
        ----------
        place : mapping
            The document of one place.
        keys : mapping
            ``{member: {name: key of its column}}``.
        members : tuple of int
            All members of the reply; one that this place lacks has no values.
        what : str
            Source and place, for errors.

        Raises
        ------
        SourceError
            When a column does not have the length of the hours or has a value that is not a number, or when the
            members of a name have several units.
        """
        columns, units = place["hourly"], place["hourly_units"]
        hours = columns.get("time")
        if not isinstance(hours, list) or not hours:
            raise SourceError(f"{what}: there are no hours in it")
        names = tuple(dict.fromkeys(name for member in members for name in keys.get(member, {})))
        values = np.full((len(names), len(members), len(hours)), np.nan)
        for row, name in enumerate(names):
            for position, member in enumerate(members):
                key = keys.get(member, {}).get(name)
                if key is not None:
                    values[row, position] = column_of_unit(columns[key], units.get(key), len(hours), f"{what}: {key}")
        head = {key: place.get(key) for key in _OF_PLACE} | {
            "time": hours, "time_unit": units.get("time"),
            "units": {name: _unit(name, keys, units, what) for name in names},
        }  # fmt: skip
        return cls(head, names, members, values)

    def document(self) -> dict[str, Any]:
        """Return the place as input of `wxfly.sources.open_meteo.reply.parse_places`, columns by hour and member."""
        hourly: dict[str, Any] = {"time": self.head["time"]}
        hourly |= {name: values.T for name, values in zip(self.names, self.values, strict=True)}
        units = {"time": self.head["time_unit"], **self.head["units"]}
        return {key: self.head[key] for key in _OF_PLACE} | {"hourly": hourly, "hourly_units": units}

    def pack(self) -> bytes:
        """Return the bytes of an ``.npz`` file, in which values with few decimals are exact whole numbers."""
        digits = [_digits(values) for values in self.values]
        values: npt.NDArray[Any] = self.values
        if None not in digits:
            scaled = np.rint(self.values * 10.0 ** np.array(digits, dtype=float)[:, None, None])
            whole = np.where(np.isnan(scaled), _MISSING, scaled).astype(np.int32)
            values = np.diff(whole, axis=-1, prepend=np.int32(0))  # hourly differences compress to half the size
        head = {**self.head, "names": self.names, "members": self.members, "digits": digits}
        buffer = io.BytesIO()
        np.savez(buffer, head=np.frombuffer(json.dumps(head).encode(), dtype=np.uint8), values=values)
        return buffer.getvalue()

    @classmethod
    def unpack(cls, body: bytes, what: str) -> MembersAtPlace:
        """Read what `pack` wrote.

        Raises
        ------
        SourceError
            When it has another form.
        """
        try:
            with np.load(io.BytesIO(body), allow_pickle=False) as packed:
                head, coded = json.loads(packed["head"].tobytes()), packed["values"]
            names, members = tuple(head.pop("names")), tuple(head.pop("members"))
            digits = head.pop("digits")
            if coded.shape != (len(names), len(members), len(head["time"])):
                raise ValueError("shape")
            if coded.dtype == np.int32:
                whole = np.cumsum(coded, axis=-1, dtype=np.int32)
                scale = 10.0 ** np.array(digits, dtype=float)[:, None, None]
                values = np.where(whole == _MISSING, np.nan, whole / scale)
            else:
                values = coded.astype(float)
            complete = {*_OF_PLACE, "time_unit", "units"} <= set(head) and set(names) == set(head["units"])
        except (ValueError, KeyError, TypeError, AttributeError, EOFError, zipfile.BadZipFile):
            complete = False
        if not complete:
            raise SourceError(f"{what}: the members are not in a form that this wxfly reads")
        return cls(head, names, members, values)


def _unit(name: str, keys: Mapping[int, Mapping[str, str]], units: Mapping[str, Any], what: str) -> Any:
    """Return the one unit of all members; a member without any value may be without a unit."""
    came = [units.get(columns[name]) for columns in keys.values() if name in columns]
    others = [unit for unit in came if unit != UNDEFINED]
    if any(unit != others[0] for unit in others):
        written = ", ".join(dict.fromkeys(f"'{str(unit)[:20]}'" for unit in others))
        raise SourceError(f"{what}: the members of {name} came in several units ({written[:80]})")
    return others[0] if others else UNDEFINED


def _digits(values: Array) -> int | None:
    """Return the number of decimals that represents all values exactly; None where a few decimals are not enough."""
    known = values[np.isfinite(values)]
    if np.isinf(values).any():
        return None
    for digits in range(_MOST_DIGITS + 1):
        scaled = np.rint(known * 10.0**digits)
        if (np.abs(scaled) >= _LARGEST).any():
            return None
        if (scaled / 10.0**digits == known).all():
            return digits
    return None


SERVICE = SERVICES["ensemble"].kept_as
"""Name of the service, stored with kept members."""
_REPORTED_DAYS = 15.0  # the last hour shows the start of an ensemble only if it is not longer than the request
_KEY = re.compile(
    rf"(?P<name>{'|'.join(sorted(NAMES, key=len, reverse=True))}|(?:{'|'.join(AT_HEIGHT)})_\d{{1,4}}m)"
    r"(?:_member(?P<member>\d{2,}))?(?:_(?P<model>(?!member|spread|previous)[a-z][a-z0-9_]*))?"
)
# Not requested from an ensemble, to keep the request small: names that no element needs, or that members seldom have.
_NOT_ASKED = {
    "precipitation_probability",
    "roughness_length",
    "boundary_layer_height",
    "pressure_msl",
    "convective_inhibition",
}


def ensemble_names() -> list[str]:
    """Return the names that are requested from an ensemble."""
    at_ground = (name for name in NAMES if name not in _NOT_ASKED)
    return [*at_ground, *names_at(WIND_HEIGHTS, TEMPERATURE_HEIGHTS)]


def weight_of(row: Ensemble, places: int) -> float:
    """Return the weighted calls that a request for the members at so many places costs."""
    return call_weight(query_for([(0.0, 0.0)] * places, row, ensemble_names()), row.members)


def parse_ensemble(
    body: bytes,
    *,
    model: str | None = None,
    retrieved: datetime | None = None,
    run: datetime | None = None,
    names: Sequence[str] | None = None,
    what: str = f"{SOURCE} ensemble",
) -> list[xr.Dataset]:
    """Turn a reply into cubes, one for each model: members of different models have different heights.

    Parameters
    ----------
    body : bytes
        The reply, for one or more places.
    model : str, optional
        The requested model, for keys without one.
    retrieved, run, what
        As in `wxfly.sources.open_meteo.reply.parse_forecast`.
    names : sequence of str, optional
        Names of the places, in the order requested; then the cubes have the dimension ``site``.

    Returns
    -------
    list of xarray.Dataset
        Each with the dimension ``realization`` (0 is the control, if the reply has it). Members missing from the reply
        are included without values. The coordinate ``last_time`` is the last hour that a member should reach.

    Raises
    ------
    WxflyError
        One line with the fault.
    """
    return [
        _cube_of(name, places, names, retrieved, run, what)
        for name, places in fold_ensemble(body, model=model, count=None if names is None else len(names), what=what)
    ]


def fold_ensemble(
    body: bytes, *, model: str | None, count: int | None, what: str
) -> list[tuple[str, list[MembersAtPlace]]]:
    """Fold a reply: for each model its name, and its members at each place.

    Parameters
    ----------
    body, model, what
        As in `parse_ensemble`.
    count : int or None
        Number of places requested.

    Raises
    ------
    WxflyError
        One line with the fault.
    """
    document = parse_json(body, what)
    places = document if isinstance(document, list) else [document]
    if count is not None and len(places) != count:
        raise SourceError(f"{what}: {count} places were asked for and {len(places)} came back")
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
        raise OtherModelError(
            f"{what}: it is of the model {', '.join(str(m) for m in models)}, not of {model}; leave --model out"
        )
    folded = []
    for suffix in models:
        members = tuple(sorted({m for keys in split for m in keys.get(suffix, {})}))
        if members == (0,):
            raise SourceError(
                f"{what}: no member in it, only one forecast or the mean of an ensemble; ask for the members"
            )
        at_places = [
            MembersAtPlace.fold(place, keys.get(suffix, {}), members, what)
            for place, keys in zip(places, split, strict=True)
        ]
        folded.append((suffix or model or "not known", at_places))
    return folded


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
    name: str,
    places: Sequence[MembersAtPlace],
    names: Sequence[str] | None,
    retrieved: datetime | None,
    run: datetime | None,
    what: str,
) -> xr.Dataset:
    """Return the cube of one model; its members are read like the columns of a forecast."""
    members, row = places[0].members, ENSEMBLES.get(name)
    cube = parse_places(
        [place.document() for place in places], model=name, asked=None, retrieved=retrieved, run=run, names=names,
        is_list=len(places) > 1, what=what, members=members,
        members_reach=row.range_days if row and row.range_days <= _REPORTED_DAYS else math.inf,
    )  # fmt: skip
    cube = cube.assign_coords({ENSEMBLE: np.array(members)})
    cube = cube.assign_coords(last_time=(ENSEMBLE, np.full(len(members), _last_time(cube, row))))
    cube = cube.assign_attrs(_provenance(cube.attrs, row, name))
    there = row.members if row else max(members) + 1 - min(1, min(members))
    cube = with_lost_members(cube, max(there - len(members), 0))
    cube = state_spans(describe_coordinates(cube), {"wind_speed_of_gust": row.gust_covers_hours} if row else None)
    return check_forecast(
        mark_provided(cube, _provided_by(row, places, str(cube.attrs.get("not_used", "")))), place=what
    )


def _provided_by(row: Ensemble | None, places: Sequence[MembersAtPlace], not_used: str) -> dict[str, set[float]]:
    """Return what every member surely has, by our name its heights [m]; what all members lack of it is lost.

    That is what came with a unit, and what every ensemble has. What else comes empty for all members, and without a
    unit, the ensemble may lack: it is taken from the one forecast.
    """
    always = {"temperature_2m", "precipitation", "wind_speed_10m", "wind_direction_10m"} if row else set()
    always |= {"wind_gusts_10m"} if row and row.gust_covers_hours != NOT_KNOWN else set()
    provided: dict[str, set[float]] = {}
    for place in places:
        for name in place.names:
            if (name in always or place.head["units"][name] != UNDEFINED) and (found := our_name(name)):
                of_name = provided.setdefault(found[0], set())
                if found[1] is not None and not {name, name.replace("direction", "speed")} & set(not_used.split()):
                    of_name.add(float(found[1]))
    return {name: heights for name, heights in provided.items() if heights or not VARIABLES[name].has_height}


def _last_time(cube: xr.Dataset, row: Ensemble | None) -> np.datetime64:
    """Return the last hour that every member should reach: members of one model have the same length.

    This is the last hour at which any member has a value, but not before the end of the ensemble's oldest run that is
    still usable: earlier hours without values are lost.
    """
    known = np.zeros(cube.sizes["time"], dtype=bool)
    for variable in cube.data_vars.values():
        known |= variable.notnull().any([d for d in variable.dims if d != "time"]).values
    time: np.ndarray = cube["time"].values
    last = time[np.flatnonzero(known)[-1]] if known.any() else time[0]
    if row is not None:
        reach = time[0] + np.timedelta64(int(24 * row.range_days), "h") - TOO_OLD
        last = max(last, min(reach, time[-1]))
    return np.datetime64(last, "ns")


def _provenance(attrs: Mapping[Any, Any], row: Ensemble | None, name: str) -> dict[str, Any]:
    own = {"title": f"Members of the ensemble {name}", "source": f"{SOURCE} ensemble service, model {name}"}
    return {**attrs, **own} | ({"institution": row.institution, "license": row.license} if row else {})


def read_ensemble(path: Path, *, model: str | None = None, name: str | None = None) -> list[xr.Dataset]:
    """Open a reply of the ensemble service that was saved in a file.

    Parameters
    ----------
    path : Path
        The unchanged reply, JSON.
    model : str, optional
        The requested model, where the keys do not name it.
    name : str, optional
        Name for the place.
    """
    return parse_ensemble(read_saved(path), model=model, names=[name] if name else None, what=path.name)


def parse_kept(reply: PlaceReply) -> xr.Dataset:
    """Turn kept members into the same cube as at their retrieval.

    Raises
    ------
    WxflyError
        When this wxfly no longer accepts them.
    """
    members = MembersAtPlace.unpack(reply.body, reply.what)
    cube = _cube_of(reply.model, [members], [reply.site], reply.retrieved, reply.run, reply.what)
    return at_sites(cube, [reply.place])


def get_ensemble(
    sites: Sequence[Site],
    model: str,
    *,
    settings: Settings,
    run: datetime | None = None,
    keep: Callable[[list[PlaceReply]], object] | None = None,
) -> xr.Dataset:
    """Request the members of one ensemble at one or more places, in one request.

    Parameters
    ----------
    model : str
        Name of an ensemble of `wxfly.sources.open_meteo.models.ENSEMBLES`.
    sites, settings, run, keep
        As `wxfly.sources.open_meteo.forecast.get_forecast` takes them.

    Returns
    -------
    xarray.Dataset
        With the dimensions ``site``, in the order requested, and ``realization``.

    Raises
    ------
    SourceError
        States source, place (rounded) and fault.
    """
    row = find_ensemble(model)
    places = positions_of(sites)
    what = f"{SOURCE} ensemble {model} for {words_for(places)}"

    def parse(reply: Reply) -> xr.Dataset:
        now = datetime.now(UTC)
        _, members = fold_ensemble(reply.body, model=model, count=len(sites), what=what)[0]
        cube = _cube_of(model, members, [s.name for s in sites], now, run, what)
        check_span(cube, now, what)
        check_places(cube, places, row, what)
        check_ground(cube, sites, what)
        if keep is not None:
            keep(
                [
                    PlaceReply.at(site, at_site.pack(), service=SERVICE, model=model, retrieved=now, run=run)
                    for site, at_site in zip(sites, members, strict=True)
                ]
            )
        return at_sites(cube, sites)

    query = query_for(places, row, ensemble_names(), altitudes=[s.surface_altitude for s in sites])
    return ask("ensemble", query, parse, settings=settings, what=what, members=row.members)
