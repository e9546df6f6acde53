"""Past forecasts from the Open-Meteo service: the forecast for an hour one day before it, two days before, and so on.

A reply has a column for each lead time: ``wind_speed_10m_previous_day2`` is the forecast of the run 48 hours before.
The reply has only what the service keeps (open-meteo.com/en/docs/previous-runs-api).
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import xarray as xr

from wxfly.pilot.settings import Settings
from wxfly.pilot.site import Site
from wxfly.sources.http import download
from wxfly.sources.open_meteo.forecast import LARGEST_REPLY
from wxfly.sources.open_meteo.models import Model, call_weight, find_model
from wxfly.sources.open_meteo.names import our_name
from wxfly.sources.open_meteo.reply import SOURCE, parse_forecast
from wxfly.sources.reply import Reply, SourceError, parse_json, sent_coordinates

DAYS = 5
"""Number of lead times that are requested [d]."""
PAST_DAYS = 92
_KEY = re.compile(r"(?P<name>.+?)_previous_day(?P<day>\d+)(?:_(?P<model>[a-z][a-z0-9_]*))?")


def past_names(model: Model) -> list[str]:
    """Return the requested names: those that the service keeps for wind, gust, temperature and air."""
    names = ["temperature_2m", "relative_humidity_2m", "wind_gusts_10m"]
    for height in model.wind_heights:
        names += [f"wind_speed_{height}m", f"wind_direction_{height}m"]
    return names


def parse_previous_runs(body: bytes, *, model: str, what: str = f"{SOURCE} past forecasts") -> dict[float, xr.Dataset]:
    """Turn a reply into a cube for each lead time.

    Parameters
    ----------
    body : bytes
        The reply, for one place.
    model : str
        The requested model.
    what : str, optional
        Name of the reply in errors.

    Returns
    -------
    dict
        Lead time [h] -> cube of the hours forecast with that lead time. The hours forecast on the same day are left
        out, because their lead time is unknown.

    Raises
    ------
    WxflyError
        One line with the fault.
    """
    document = parse_json(body, what)
    if not isinstance(document, dict) or not isinstance(document.get("hourly"), dict):
        raise SourceError(f"{what}: no hourly values in it")
    units = document.get("hourly_units")
    if not isinstance(units, dict):
        raise SourceError(f"{what}: no units in it")
    by_day: dict[int, dict[str, str]] = {}
    for key in document["hourly"]:
        match = _KEY.fullmatch(key)
        if match and our_name(match["name"]) and match["model"] in (None, model):
            by_day.setdefault(int(match["day"]), {})[match["name"]] = key
    by_day.pop(0, None)
    cubes = {}
    for day, keys in sorted(by_day.items()):
        plain = _plain(document, units, keys)
        if all(v is None for name, column in plain["hourly"].items() if name != "time" for v in column):
            continue
        cubes[24.0 * day] = parse_forecast(json.dumps(plain).encode(), model=model, asked_units=False, what=what)
    if not cubes:
        raise SourceError(f"{what}: no past forecast in it")
    return cubes


def _plain(document: Mapping[str, Any], units: Mapping[str, Any], keys: Mapping[str, str]) -> dict[str, Any]:
    """Return one lead time as a separate reply, with plain names."""
    shared = {k: document.get(k) for k in ("latitude", "longitude", "elevation", "utc_offset_seconds")}
    return shared | {
        "hourly": {"time": document["hourly"].get("time")} | {n: document["hourly"][k] for n, k in keys.items()},
        "hourly_units": {"time": units.get("time")} | {n: units.get(k) for n, k in keys.items()},
    }


def get_previous_runs(
    site: Site, model: str, *, settings: Settings, past_days: int = PAST_DAYS
) -> dict[float, xr.Dataset]:
    """Request the past forecasts of one model at a place.

    Parameters
    ----------
    site : Site
        The place.
    model : str
        Name of a model of `wxfly.sources.open_meteo.models.MODELS`.
    settings : Settings
        Address, User-Agent and patience.
    past_days : int, optional
        Length of the record, up to 92 [d].

    Raises
    ------
    SourceError
        States source, place (rounded) and fault.
    """
    row = find_model(model)
    what = f"{SOURCE} past forecasts of {model} for {site.latitude:.2f}, {site.longitude:.2f}"
    # Only wind is requested, which does not depend on the height of the ground.
    latitude, longitude = sent_coordinates([(site.latitude, site.longitude)], row.resolution_km, ground_known=True)
    parameters = {
        "latitude": latitude,
        "longitude": longitude,
        "models": model,
        "hourly": ",".join(f"{name}_previous_day{day}" for day in range(1, DAYS + 1) for name in past_names(row)),
        "past_days": str(past_days),
        "forecast_days": "1",
        "timeformat": "unixtime",
        "timezone": "GMT",
        "wind_speed_unit": "ms",
    }

    def parse(reply: Reply) -> dict[float, xr.Dataset]:
        return parse_previous_runs(reply.body, model=model, what=what)

    found: dict[float, xr.Dataset] = download(
        settings.addresses["previous_runs"], parameters, parse, settings=settings, what=what,
        maximum_bytes=LARGEST_REPLY, weight=call_weight(parameters),
    )  # fmt: skip
    now = f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"
    return {lead: cube.assign_attrs(retrieved=now) for lead, cube in found.items()}
