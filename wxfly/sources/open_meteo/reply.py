"""Replies of the Open-Meteo forecast service: from bytes to a cube, for a fresh reply and for a saved one.

The meaning of names, units and stamps is that of the service's documentation (open-meteo.com/en/docs); the form of
a reply that of its published source (github.com/open-meteo/open-meteo, ``JsonWriter.swift``).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly import __version__
from wxfly.cube.consistency import hide_contradictions
from wxfly.cube.contract import (
    ENSEMBLE,
    PROVIDED,
    VARIABLES,
    Provenance,
    finish_cube,
    mark_provided,
    provided_entries,
    with_provided,
)
from wxfly.pilot.services import SERVICES
from wxfly.sources.open_meteo.models import MODELS, NOT_KNOWN, find_model
from wxfly.sources.open_meteo.names import (
    PARTS_OF_PRECIPITATION,
    choose_columns,
    hourly_names,
    native_levels,
    our_name,
    provided_by,
)
from wxfly.sources.reply import SourceError, is_number, is_unix_time, parse_json, read_column, retrieved_stamp
from wxfly.units import UNITS, read_as

Array = npt.NDArray[np.float64]

SOURCE, ATTRIBUTION = SERVICES["forecast"].source, SERVICES["forecast"].attribution
LOWEST_GROUND, HIGHEST_GROUND = -450.0, 8900.0
"""Ground on Earth [m]: the shore of the Dead Sea and the highest mountain, with room for models (common practice)."""

WANTED_UNITS = {
    "m s-1": "m/s", "degree": "°", "K": "°C", "1": "%", "Pa": "hPa", "kg m-2": "mm", "m": "m", "J kg-1": "J/kg",
}  # fmt: skip
"""How the service spells the unit that it is asked for, by ours."""
# Two are not what their SI unit suggests: a code, and a difference of temperatures without unit.
_BARE = {"weather_code": ("wmo code",), "lifted_index": ("", "K")}
UNDEFINED = "undefined"


def parse_forecast(
    body: bytes,
    *,
    model: str | None,
    asked_units: bool,
    retrieved: datetime | None = None,
    run: datetime | None = None,
    names: Sequence[str] | None = None,
    asked: Sequence[str] | None = None,
    what: str = SOURCE,
) -> xr.Dataset:
    """Turn a reply into a cube.

    Parameters
    ----------
    body : bytes
        The reply: an object for one place, a list of objects for several.
    model : str or None
        The model asked; None when it is not known.
    asked_units : bool
        True for a reply to our own question: a unit other than the one asked for is an error, and so is a name
        that was asked for and did not come. False for a saved reply: known units are converted.
    retrieved, run : datetime, optional
        When it came, and the run of the model; None when not known.
    names : sequence of str, optional
        Names of the places, in the order asked; then the cube has the dimension ``site``, also for one place.
    asked : sequence of str, optional
        The hourly names that were asked for; by default those that are asked of the model today.
    what : str, optional
        Source and place, for errors.

    Returns
    -------
    xarray.Dataset
        A cube; `check_forecast` has passed it. Its attribute ``not_used`` lists columns that have no place in it.

    Raises
    ------
    WxflyError
        In one line.
    """
    document = parse_json(body, what)
    if asked_units and asked is None:
        asked = hourly_names(find_model(str(model)))
    return parse_places(
        document if isinstance(document, list) else [document], model=model, asked=asked if asked_units else None,
        retrieved=retrieved, run=run, names=names, is_list=isinstance(document, list), what=what,
    )  # fmt: skip


def parse_places(
    places: Sequence[Any],
    *,
    model: str | None,
    asked: Sequence[str] | None,
    retrieved: datetime | None,
    run: datetime | None,
    names: Sequence[str] | None,
    is_list: bool,
    what: str,
    members: Sequence[int] = (),
    members_reach: float = math.inf,
) -> xr.Dataset:
    """Turn the documents of a reply into a cube, one document for each place.

    Parameters
    ----------
    places : sequence
        Documents as they came; or with `members`, their columns as arrays over time and member.
    asked : sequence of str or None
        The hourly names and the units that were asked for; None for a reply to another's question.
    is_list : bool
        Whether the documents came as a list, which makes the dimension ``site``.
    members : sequence of int, optional
        Numbers of the members, in the order of the arrays; they make the dimension ``realization``. What none of them
        brought is taken for what the ensemble does not carry.
    members_reach : float, optional
        How far the ensemble reaches [d], infinite where that is not known.
    model, retrieved, run, names, what
        As in `parse_forecast`.
    """
    if names is not None and len(places) != len(names):
        raise SourceError(f"{what}: {len(names)} places were asked for and {len(places)} came back")
    if not places:
        raise SourceError(f"{what}: a list without places")
    for position, place in enumerate(places if len(places) > 1 else ()):
        if isinstance(place, dict) and place.get("location_id", position) != position:
            raise SourceError(f"{what}: the places came back in another order")
    parts = [_parse_place(place, model, asked, members, what) for place in places]
    if any(not np.array_equal(part["time"].values, parts[0]["time"].values) for part in parts):
        raise SourceError(f"{what}: the hours differ from place to place")
    if names is None and not is_list:
        cube = parts[0]
    else:
        cube = xr.concat(
            [part.drop_vars(PROVIDED).expand_dims("site").assign_coords(_with_site(part)) for part in parts],
            "site",
            data_vars="all",
            coords="minimal",
            compat="override",
            join="outer",
            combine_attrs="override",
        )
        cube = cube.transpose("time", "site", ...)
        cube = with_provided(cube, (entry for part in parts for entry in provided_entries(part)))
        if names is not None:
            cube = cube.assign_coords(site=np.array([str(n) for n in names], dtype=object))
    return _finish(cube, retrieved, run, members_reach if members else None, what)


def _with_site(part: xr.Dataset) -> dict[str, Any]:
    """Return the coordinates of one place the dimension of the places, whether or not they differ."""
    names = ("latitude", "longitude", "surface_altitude")
    return {name: ("site", [part[name].item()]) for name in names}


def _finish(
    cube: xr.Dataset, retrieved: datetime | None, run: datetime | None, members_reach: float | None, what: str
) -> xr.Dataset:
    """State the origin of a cube, and check it."""
    name = str(cube.attrs["model"])
    row = MODELS.get(name)
    reach = members_reach if row is None else row.range_days
    stamp = retrieved_stamp(retrieved)
    reference = _stamp(run) if run else np.datetime64("NaT", "ns")
    provenance = Provenance(
        model=name,
        title=f"Hourly forecast of the model {name}",
        source=f"{SOURCE} forecast service, model {name}",
        institution=row.institution if row else "not known",
        license=row.license if row else "CC BY 4.0",
        attribution=ATTRIBUTION,
        history=f"{stamp} retrieved; read by wxfly {__version__}",
        retrieved=stamp,
    )
    oldest = _oldest_run(cube, reach, retrieved, run)
    cube = cube.assign_coords(forecast_reference_time=reference, oldest_run=oldest).drop_vars("day_began")
    spans = {"wind_speed_of_gust": row.gust_covers_hours if row else NOT_KNOWN}
    return hide_contradictions(finish_cube(cube, provenance, spans=spans, place=what))


def _stamp(time: datetime) -> np.datetime64:
    return np.datetime64(time.astimezone(UTC).replace(tzinfo=None), "ns")


def _oldest_run(
    cube: xr.Dataset, reach: float | None, retrieved: datetime | None, run: datetime | None
) -> np.datetime64:
    """Return the oldest start of a run that is consistent with a reply.

    A forecast is never called newer than it may be. Where the run is known it is that. Else a model's forecast ends
    its range after the start of its run, so its last hour gives the start. Of a model that is not
    known only the hours show it: replies begin with a whole day of their own clock, so one that does not has been
    cut, and may be as old as the longest forecast is long.
    """
    if run is not None:
        return _stamp(run)
    time: npt.NDArray[np.datetime64] = cube["time"].values
    began: npt.NDArray[np.datetime64] = cube["day_began"].values
    longest = np.timedelta64(int(24 * max(m.range_days for m in MODELS.values())), "h")
    moments = [time[0] - longest if np.isnat(began) else time[0]]
    if retrieved is not None:
        came = _stamp(retrieved)
        if reach is None:
            moments.append(came)
        elif np.isinf(reach):
            moments = [came]
        else:
            known = np.zeros(time.size, dtype=bool)
            if "wind_speed" in cube:
                known = cube["wind_speed"].notnull().any([d for d in cube["wind_speed"].dims if d != "time"]).values
            last = time[np.flatnonzero(known)[-1]] if known.any() else time[0]
            moments = [came, last - np.timedelta64(int(24 * reach), "h")]
    return np.datetime64(str(min(moments)), "ns")


def _parse_place(
    place: Any, model: str | None, asked: Sequence[str] | None, members: Sequence[int], what: str
) -> xr.Dataset:
    """Read the object of one place."""
    if not isinstance(place, dict):
        raise SourceError(f"{what}: not a reply of the forecast service")
    if place.get("error"):
        raise SourceError(f"{what}: the reply is an error ({str(place.get('reason', ''))[:120]})")
    on_earth = _on_earth(place, what)
    columns, units = place.get("hourly"), place.get("hourly_units")
    if not isinstance(columns, dict) or not isinstance(units, dict):
        raise SourceError(f"{what}: no hourly values in it; ask the service for 'hourly' ones")
    asked_units = asked is not None
    time = _time(columns.get("time"), units.get("time"), place.get("utc_offset_seconds"), asked_units, what)
    _check_offset(place, units.get("time"), time, what)
    offset = np.timedelta64(int(_number(place.get("utc_offset_seconds"), what, missing=0.0)), "s")
    is_whole_day = ((time[0] + offset).astype("datetime64[D]") == time[0] + offset).item()
    chosen, chosen_model, not_used = choose_columns(list(columns), model, what)
    named = {*chosen, *choose_columns([str(key) for key in units], model, what)[0]}
    if lost := [name for name in asked or () if name not in chosen]:
        raise SourceError(f"{what}: {lost[0]} was asked for and did not come")
    flat, levels = _read_columns(chosen, columns, units, time.size, asked_units, what)
    whole = "precipitation_amount"
    parts = _parts_of_precipitation(columns, units, chosen_model, time.size, what) if whole in flat else {}
    for part in parts.values():
        flat[whole] = np.maximum(flat[whole], part)  # NaN in either stays NaN
    not_used = [key for key in not_used if key not in parts]
    levels, dropped = native_levels(levels, chosen_model)
    if not flat and not levels:
        raise SourceError(f"{what}: nothing of a forecast for flying in it (its columns: {', '.join(columns)[:120]})")
    heights = sorted({h for column in levels.values() for h in column})
    dims = ("time", ENSEMBLE) if members else ("time",)
    data: dict[str, Any] = {ours: (dims, column) for ours, column in flat.items()}
    empty = np.full((time.size, len(members)) if members else time.size, np.nan)
    for ours, by_height in levels.items():
        data[ours] = ((*dims, "height"), np.stack([by_height.get(h, empty) for h in heights], axis=-1))
    coords: dict[str, Any] = {
        "time": time,
        **on_earth,
        "day_began": time[0] if is_whole_day else np.datetime64("NaT", "ns"),
    }
    if heights:
        coords["height"] = np.array(heights, dtype=float)
    cube = xr.Dataset(data, coords=coords, attrs={"model": chosen_model})
    unused = [*not_used, *dropped]
    is_whole = asked is not None and set(asked) >= set(hourly_names(find_model(str(model))))
    also = provided_by(named, levels, chosen_model, made_up=dropped, is_whole=is_whole)
    cube = mark_provided(cube, None if members else also)
    return cube.assign_attrs(not_used=" ".join(unused)) if unused else cube


def _on_earth(place: Mapping[str, Any], what: str) -> dict[str, float]:
    """Return where a place is, and how high its ground."""
    latitude, longitude = (_number(place.get(k), f"{what}: {k}") for k in ("latitude", "longitude"))
    if not (abs(latitude) <= 90 and abs(longitude) <= 180):
        raise SourceError(f"{what}: no place on Earth in it; the model may not cover the place")
    altitude = _number(place.get("elevation"), f"{what}: elevation", missing=math.nan)
    if not (math.isnan(altitude) or LOWEST_GROUND <= altitude <= HIGHEST_GROUND):
        raise SourceError(f"{what}: its ground is at {altitude:.0f} m, where there is none on Earth")
    return {"latitude": latitude, "longitude": longitude, "surface_altitude": altitude}


def _read_columns(
    chosen: Mapping[str, str],
    columns: Mapping[str, Any],
    units: Mapping[str, Any],
    size: int,
    asked_units: bool,
    what: str,
) -> tuple[dict[str, Array], dict[str, dict[int, Array]]]:
    """Return columns by our names, and those of heights by name and height [m]."""
    flat: dict[str, Array] = {}
    levels: dict[str, dict[int, Array]] = {}
    first_of_kind: dict[str, str] = {}
    for name, key in chosen.items():
        ours, height = our_name(name) or ("", None)
        column = _column(columns[key], units.get(key), ours, size, asked_units, f"{what}: {key}")
        if column is None:
            continue
        # The service writes all of a kind in the unit that was asked for: another one among them is damage.
        like = first_of_kind.setdefault(VARIABLES[ours].units, key) if ours not in _BARE else key
        if units[like] != units[key]:
            raise SourceError(f"{what}: {like} came in '{units[like]}' and {key} in '{units[key]}', wanted one unit")
        if height is None:
            flat[ours] = column
        else:
            levels.setdefault(ours, {})[height] = column
    return flat, levels


def _parts_of_precipitation(
    columns: Mapping[str, Any], units: Mapping[str, Any], model: str, size: int, what: str
) -> dict[str, Array]:
    """Return the water of the columns that are part of the precipitation, by their keys [kg m-2].

    No part is more than the whole: where one says more, the two contradict each other and the worse counts. A column
    without a unit is one that the model does not carry.
    """
    found: dict[str, Array] = {}
    for name, water in PARTS_OF_PRECIPITATION.items():
        for key in (name, f"{name}_{model}"):
            if key not in columns and key not in units:
                continue
            unit, per_unit = ("mm", 10 * water) if units.get(key) == "cm" else (units.get(key), water)
            values = columns.get(key, [None] * size)
            part = _column(values, unit, "precipitation_amount", size, False, f"{what}: {key}")
            found |= {} if part is None else {key: per_unit * part}
    return found


def _time(values: Any, unit: Any, offset: Any, asked_units: bool, what: str) -> npt.NDArray[np.datetime64]:
    """Read the stamps as UTC; local ones by the one offset that the whole reply was written with."""
    if not isinstance(values, list) or not values:
        raise SourceError(f"{what}: there are no hours in it")
    if unit == "unixtime":
        if not all(map(is_unix_time, values)):
            raise SourceError(f"{what}: time is not in whole seconds since 1970")
        return np.array(values, dtype="datetime64[s]").astype("datetime64[ns]")
    if asked_units or unit != "iso8601":
        raise SourceError(f"{what}: time came as '{str(unit)[:20]}', wanted unixtime")
    seconds = _number(offset, f"{what}: utc_offset_seconds")
    if not (abs(seconds) <= 50_400 and seconds == int(seconds)):
        raise SourceError(f"{what}: utc_offset_seconds {seconds:g} is not an offset of a clock on Earth")
    if not all(isinstance(v, str) and re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d", v) for v in values):
        raise SourceError(f"{what}: a time is not of the form 2026-03-10T14:00")
    try:
        local = np.array(values, dtype="datetime64[s]")
    except ValueError:
        raise SourceError(f"{what}: a time is not on the calendar") from None
    return (local - np.timedelta64(int(seconds), "s")).astype("datetime64[ns]")


def _check_offset(place: dict[str, Any], unit: Any, time: npt.NDArray[np.datetime64], what: str) -> None:
    """Refuse local hours whose offset the time zone that the reply names never has in that year: all would be wrong.

    The service writes the offset of the day on which it was asked, in summer also for hours of winter.
    """
    if unit != "iso8601" or not isinstance(place.get("timezone"), str):
        return
    try:
        zone = ZoneInfo(place["timezone"])
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return
    year = int(str(time[0])[:4])
    offsets = {datetime(year, month, 1, tzinfo=zone).utcoffset() for month in range(1, 13)}
    if timedelta(seconds=place["utc_offset_seconds"]) not in offsets:
        raise SourceError(f"{what}: utc_offset_seconds {place['utc_offset_seconds']} is not of {place['timezone']}")


def column_of_unit(values: Any, unit: Any, size: int, what: str) -> Array:
    """Return a column in the unit in which it came; a column without a unit must be without values."""
    column = read_column(values, size, what)
    if unit == UNDEFINED and not np.isnan(column).all():
        raise SourceError(f"{what} has values and no unit")
    return column


def _column(values: Any, unit: Any, ours: str, size: int, asked_units: bool, what: str) -> Array | None:
    """Read a column into SI; None when the model does not carry it."""
    column = column_of_unit(values, unit, size, what)
    if unit == UNDEFINED:
        return None
    bare = _BARE.get(ours, ())
    wanted = bare[0] if bare else WANTED_UNITS[VARIABLES[ours].units]
    read = (UNITS["1"] if unit in bare else None) if bare else read_as(unit, wanted)
    if read is None or (asked_units and unit != wanted):
        raise SourceError(f"{what} came in '{str(unit)[:20]}', wanted '{wanted}'")
    with np.errstate(over="ignore"):  # infinite is refused with the other magnitudes
        return read.to_si(column)


def _number(value: Any, what: str, missing: float | None = None) -> float:
    if value is None and missing is not None:
        return missing
    if not is_number(value):
        raise SourceError(f"{what} is missing or not a number; the model may not cover the place")
    return float(value)
