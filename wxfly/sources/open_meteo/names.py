"""Which column of an Open-Meteo reply is what: the service's names and ours, models behind a name, native heights.

The names are those of the service's documentation (open-meteo.com/en/docs).
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping

import numpy as np
import numpy.typing as npt

from wxfly.cube.contract import WIND
from wxfly.sources.open_meteo.models import MODELS, OF_SOME_MODELS, Model, drop_rescaled_heights
from wxfly.sources.reply import OtherModelError, SourceError

Array = npt.NDArray[np.float64]

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
    names = list(NAMES)
    for height in model.wind_heights:
        names += [f"wind_speed_{height}m", f"wind_direction_{height}m"]
    return names + [f"temperature_{height}m" for height in model.temperature_heights]


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
