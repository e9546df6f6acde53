"""Replies of the Open-Meteo forecast service: from its names and bytes to a cube, for a fresh reply and a saved one.

The meaning of names, units and stamps is that of the service's documentation (open-meteo.com/en/docs); the form of
a reply that of its published source (github.com/open-meteo/open-meteo, ``JsonWriter.swift``).
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping, Sequence
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
    WIND,
    Provenance,
    finish_cube,
    mark_provided,
    provided_entries,
    with_provided,
)
from wxfly.pilot.services import SERVICES
from wxfly.sources.open_meteo.models import MODELS, NOT_KNOWN, OF_SOME_MODELS, Model, find_model
from wxfly.sources.reply import (
    OtherModelError,
    SourceError,
    is_number,
    is_unix_time,
    parse_json,
    read_column,
    retrieved_stamp,
)
from wxfly.units import UNITS, read_as

Array = npt.NDArray[np.float64]

# --- the names of columns, and heights that say something of their own ----------------------------------------

# Source name -> our name. The wind and the temperature at heights follow the pattern below.
NAMES: dict[str, str] = {
    "temperature_2m": "air_temperature",
    "dew_point_2m": "dew_point_temperature",
    "relative_humidity_2m": "relative_humidity",
    "surface_pressure": "surface_air_pressure",
    "pressure_msl": "air_pressure_at_mean_sea_level",
    "precipitation": "precipitation_amount",
    "precipitation_probability": "precipitation_probability",
    "weather_code": "weather_code",
    "cloud_cover": "cloud_area_fraction",
    "cloud_cover_low": "low_type_cloud_area_fraction",
    "cloud_cover_mid": "medium_type_cloud_area_fraction",
    "cloud_cover_high": "high_type_cloud_area_fraction",
    "visibility": "visibility_in_air",
    "wind_gusts_10m": "wind_speed_of_gust",
    "cape": "atmosphere_convective_available_potential_energy",
    "convective_inhibition": "atmosphere_convective_inhibition",
    "lifted_index": "lifted_index",
    "freezing_level_height": "freezing_level_altitude",
    "boundary_layer_height": "atmosphere_boundary_layer_thickness",
    "roughness_length": "surface_roughness_length",
}
PARTS_OF_PRECIPITATION: dict[str, float] = {"rain": 1.0, "showers": 1.0, "snowfall": 1 / 7}
"""Columns of a saved reply that are part of its precipitation, and the water in their depth [1]."""
AT_HEIGHT: dict[str, str] = {
    "wind_speed": "wind_speed",
    "wind_direction": "wind_from_direction",
    "temperature": "air_temperature_aloft",
}
_AT_HEIGHT = re.compile(r"(wind_speed|wind_direction|temperature)_(\d{1,4})m")
_WITH_SUFFIX = re.compile(
    rf"(?P<name>{'|'.join(sorted(NAMES, key=len, reverse=True))}|{_AT_HEIGHT.pattern})_(?P<rest>[a-z0-9_]+)"
)
_SECOND_THOUGHTS = re.compile(r"previous_day\d+.*|spread.*")


def hourly_names(model: Model) -> list[str]:
    """Return the names that are asked of a model: everything at the ground, and its own heights only."""
    return [*NAMES, *names_at(model.wind_heights, model.temperature_heights)]


def names_at(wind_heights: Sequence[int], temperature_heights: Sequence[int] = ()) -> list[str]:
    """Return the names of the wind, speed and direction, and of the temperature at heights [m]."""
    winds = [f"wind_{part}_{height}m" for height in wind_heights for part in ("speed", "direction")]
    return winds + [f"temperature_{height}m" for height in temperature_heights]


# A saved reply may have been asked for less than wxfly asks for: what no element needs of it is not missed. The
# probability of precipitation is, of a model that is named and has it: without it the chance would be higher.
_SELDOM_ASKED = frozenset(
    {*OF_SOME_MODELS, "surface_pressure", "cloud_cover_mid", "cloud_cover_high", "convective_inhibition"}
)
_MISSED = "precipitation_probability"


def provided_by(
    keys: Collection[str],
    levels: Mapping[str, Mapping[int, Array]],
    model: str,
    *,
    made_up: Collection[str] = (),
    is_whole: bool,
) -> dict[str, frozenset[int]]:
    """Return what the model behind a reply provides: from the table of models and from what was asked.

    Parameters
    ----------
    keys : collection of str
        Names of the service that the reply has a column or a unit for: they were asked for.
    levels : mapping
        What came at heights, by our name and height [m].
    model : str
        Model of the reply, as far as it is known.
    made_up : collection of str, optional
        Heights that came and say nothing of their own, as `native_levels` names them.
    is_whole : bool
        Whether it was asked for all that `hourly_names` gives.

    Returns
    -------
    dict
        By our name the heights [m]; none for what has no height.

    Notes
    -----
    Of a model that is not known, what did not come is lost where the heights that came leave only models that have it:
    the worst that is consistent. Heights that were asked for without any one model having them all were asked for at a
    venture, and those of them that came empty say nothing.
    """
    found = [found for key in keys if (found := our_name(key))]
    asked: dict[str, set[int]] = {name: set() for name in AT_HEIGHT.values()}
    for name, height in found:
        if height is not None and not (name in WIND and f"wind_speed_{height}m" in made_up):
            asked[name].add(height)
    wind, aloft = asked["wind_speed"] | asked["wind_from_direction"], asked["air_temperature_aloft"]
    row = MODELS.get(model)
    if row is not None:
        names = {
            n
            for n in NAMES
            if row.provides_name(n) and (is_whole or n in keys or n == _MISSED or n not in _SELDOM_ASKED)
        }
        heights = {name: set(row.wind_heights) for name in WIND}
        heights["air_temperature_aloft"] = set(row.temperature_heights) if is_whole or aloft else set()
        return _provided(names, heights)
    given = {n for n in keys if n in NAMES}
    alike = list(MODELS.values())
    if model == "best_match" or model.endswith("_seamless"):  # of any models: only the wind at 10 m is used
        heights = {name: {10} for name in WIND}
    else:
        came = {name: set(levels.get(name, {})) for name in asked}
        of_one = any(wind <= set(m.wind_heights) for m in alike)
        sure = wind if of_one else came["wind_speed"]
        alike = [m for m in alike if sure <= set(m.wind_heights)]
        shared = set.intersection(*(set(m.wind_heights) for m in alike)) if alike else set()
        heights = {"wind_speed": sure | shared}
        heights["wind_from_direction"] = sure | shared if of_one else came["wind_from_direction"]
        is_possible = any(aloft <= set(m.temperature_heights) for m in MODELS.values())
        heights["air_temperature_aloft"] = aloft if is_possible else came["air_temperature_aloft"]
        alike = alike or list(MODELS.values())
    usual = {n for n in NAMES if n not in _SELDOM_ASKED and all(m.provides_name(n) for m in alike)}
    return _provided(given | usual, heights)


def _provided(names: Collection[str], heights: Mapping[str, Collection[int]]) -> dict[str, frozenset[int]]:
    flat: dict[str, frozenset[int]] = {NAMES[n]: frozenset() for n in names}
    return flat | {name: frozenset(h) for name, h in heights.items() if h}


def our_name(source_name: str) -> tuple[str, int | None] | None:
    """Return our name and the height [m] for a name of the service; None for one that has no place in a cube."""
    if source_name in NAMES:
        return NAMES[source_name], None
    match = _AT_HEIGHT.fullmatch(source_name)
    return (AT_HEIGHT[match[1]], int(match[2])) if match and int(match[2]) > 0 else None


def choose_columns(keys: list[str], model: str | None, what: str) -> tuple[dict[str, str], str, list[str]]:
    """Find which key holds which name, for one model, and what is left over.

    The service writes the model's name behind each key when it answers for several, and leaves it out when only
    one of them covers the place: a plain key is never proof of a model.
    """
    plain: dict[str, str] = {}
    by_model: dict[str, dict[str, str]] = {}
    left: list[str] = []
    for key in keys:
        if key == "time":
            continue
        if our_name(key):
            plain[key] = key
            continue
        match = _WITH_SUFFIX.fullmatch(key)
        rest = match["rest"] if match else ""
        if rest.startswith("member"):
            raise SourceError(f"{what}: an ensemble reply (it has '{key}'); a forecast of one model is wanted")
        if match and not _SECOND_THOUGHTS.fullmatch(rest):
            by_model.setdefault(rest, {})[match["name"]] = key
        else:
            left.append(key)
    if plain and by_model:
        raise SourceError(f"{what}: keys with and without the name of a model ({', '.join(by_model)})")
    if not by_model:
        return plain, model or "not known", left
    if model in by_model:
        others = [key for m, names in by_model.items() if m != model for key in names.values()]
        return by_model[str(model)], str(model), left + others
    if model is not None:
        raise OtherModelError(
            f"{what}: it is of the model {', '.join(sorted(by_model))}, not of {model}; leave --model out"
        )
    if len(by_model) > 1:
        raise OtherModelError(f"{what}: it holds several models; name one with --model: {', '.join(sorted(by_model))}")
    (only,) = by_model
    return by_model[only], only, left


def native_levels(levels: dict[str, dict[int, Array]], model: str) -> tuple[dict[str, dict[int, Array]], list[str]]:
    """Keep the heights that say something of their own."""
    row = MODELS.get(model)
    if row is None and not (model == "best_match" or model.endswith("_seamless")):
        return drop_rescaled_heights(levels)
    wind = row.wind_heights if row else (10,)  # levels of a mixture may be of different models
    temperature = row.temperature_heights if row else ()
    kept: dict[str, dict[int, Array]] = {}
    dropped = []
    for name, by_height in levels.items():
        allowed = temperature if name == "air_temperature_aloft" else wind
        for height, column in by_height.items():
            if height in allowed:
                kept.setdefault(name, {})[height] = column
            else:
                dropped.append(f"{name}_{height}m")
    return kept, dropped


# A height -> the heights from which the service computes it when the model lacks it, in the service's order (published
# source, ``Meteorology.scaleWindFactor``). The wind at 120 m is then the wind at 100 m times a constant, with the same
# direction: such a height adds nothing and hides the true shear.
MADE_FROM: dict[int, tuple[int, ...]] = {
    80: (75, 100),
    120: (125, 150, 100),
    180: (175, 200),
    100: (70, 120),
    200: (170, 180),
}
_ROUNDING = 0.06  # replies are rounded to 0.1 km/h or 0.01 m/s [m s-1]
_FEWEST_HOURS = 3


def rescaling_factor(height: float, from_height: float) -> float:
    """Return the service's fixed ratio of the wind at `height` to that at `from_height` [m].

    It is the logarithmic profile of FAO Irrigation and Drainage Paper 56, equation 47 (Allen et al. 1998).
    """
    return math.log(67.8 * height - 5.42) / math.log(67.8 * from_height - 5.42)


def drop_rescaled_heights(
    levels: Mapping[str, Mapping[int, Array]],
) -> tuple[dict[str, dict[int, Array]], list[str]]:
    """Remove heights whose wind equals that of another height times the fixed ratio in every hour.

    Parameters
    ----------
    levels : mapping
        Columns by our name and height [m]; wind in m s-1.

    Returns
    -------
    levels : dict
        The remaining columns. A copied direction goes back to the height it came from.
    dropped : list of str
        Names of the removed columns, such as ``wind_speed_120m``.
    """
    kept = {name: dict(by_height) for name, by_height in levels.items()}
    speed = kept.get("wind_speed", {})
    direction = kept.get("wind_from_direction", {})
    dropped = []
    for height, sources in MADE_FROM.items():
        origin = next((s for s in sources if _is_rescaled(speed, height, s)), None)
        if origin is None:
            continue
        del speed[height]
        dropped.append(f"wind_speed_{height}m")
        if height in direction:
            direction.setdefault(origin, direction[height])
            del direction[height]
    return kept, dropped


def _is_rescaled(speed: Mapping[int, Array], height: int, origin: int) -> bool:
    if height not in speed or origin not in speed:
        return False
    here, there = speed[height], speed[origin]
    both = np.isfinite(here) & np.isfinite(there)
    if not np.array_equal(np.isfinite(here), np.isfinite(there)) or both.sum() < _FEWEST_HOURS:
        return False
    if there[both].max() < 1.0:
        return False  # too calm to decide
    return bool(np.all(np.abs(here[both] - rescaling_factor(height, origin) * there[both]) <= _ROUNDING))


# --- from bytes to a cube -------------------------------------------------------------------------------------


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
