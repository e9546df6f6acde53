"""The runs of a model: the newest one, and what earlier ones forecast for an hour.

A forecast reply does not state its run, so the run is requested separately (open-meteo.com/en/docs/model-updates) and
noted with the forecast.

A reply with past forecasts has a column for each lead time: ``wind_speed_10m_previous_day2`` is the forecast of the run
48 hours before. It has only what the service keeps (open-meteo.com/en/docs/previous-runs-api).
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import xarray as xr

from wxfly.pilot.settings import Settings
from wxfly.pilot.site import Site
from wxfly.sources.http import download
from wxfly.sources.open_meteo.forecast import ask, positions_of, query_for, words_for
from wxfly.sources.open_meteo.models import Model, find_model
from wxfly.sources.open_meteo.reply import SOURCE, names_at, our_name, parse_forecast
from wxfly.sources.reply import Reply, SourceError, is_unix_time, parse_json

# Time until all servers have a run after it becomes available (service's documentation).
SETTLING = timedelta(minutes=10)
LONGEST_INTERVAL = timedelta(hours=48)
_CLOCKS = timedelta(hours=1)  # largest difference allowed between a service's clock and ours


@dataclass(frozen=True)
class ModelRun:
    """The newest run of a model.

    Attributes
    ----------
    run : datetime
        Start of the run, UTC.
    available : datetime
        Time since which the service has it, UTC.
    interval : timedelta
        Time between runs.
    """

    run: datetime
    available: datetime
    interval: timedelta

    def certain_at(self, now: datetime) -> datetime:
        """Return the run that a forecast requested at `now` has, or an earlier one.

        Until all servers have the newest run, this is the run before: a forecast is never reported as newer than it
        is.
        """
        return self.run if now >= self.available + SETTLING else self.run - self.interval

    def next_expected(self) -> datetime:
        """Return the time before which another request is useless."""
        return max(self.available + self.interval, self.available + SETTLING)


def parse_model_run(body: bytes, what: str, now: datetime) -> ModelRun:
    """Read the metadata of one model.

    Parameters
    ----------
    body : bytes
        The reply.
    what : str
        Source, for errors.
    now : datetime
        Present time. A later run is refused: every forecast of today would count as older than it.

    Raises
    ------
    SourceError
        When a key is missing or not a valid time, or the run is impossible at `now`.
    """
    document = parse_json(body, what)
    if not isinstance(document, dict):
        raise SourceError(f"{what}: not the metadata of a model")
    keys = ("last_run_initialisation_time", "last_run_availability_time", "update_interval_seconds")
    numbers = [document.get(key) for key in keys]
    for key, number in zip(keys, numbers, strict=True):
        if not is_unix_time(number):
            raise SourceError(f"{what}: {key} is missing or not whole seconds")
    start, available, interval = (int(n) for n in numbers if isinstance(n, int))
    if available < start:
        raise SourceError(f"{what}: a run that was available before it started")
    run = ModelRun(
        datetime.fromtimestamp(start, UTC), datetime.fromtimestamp(available, UTC), timedelta(seconds=interval)
    )
    if run.available > now + _CLOCKS:
        raise SourceError(f"{what}: its newest run is of {run.available:%Y-%m-%d %H:%M}Z, which is in the future")
    if run.interval > LONGEST_INTERVAL:
        raise SourceError(f"{what}: {interval} s between two runs is not a plausible interval")
    return run


def get_model_run(model: Model, *, settings: Settings, now: datetime) -> ModelRun:
    """Request the newest run; for a model made of two parts, the older of their runs.

    Raises
    ------
    SourceError
        When the service does not state it, or publishes none for this model.
    """
    if not model.domains:
        raise SourceError(f"the run of {model.name} is not published")
    runs = []
    for domain in model.domains:
        what = f"Open-Meteo run metadata of {domain}"

        def parse(reply: Reply, what: str = what) -> ModelRun:
            return parse_model_run(reply.body, what, now)

        url = f"{settings.addresses['metadata']}/{domain}/static/meta.json"
        runs.append(download(url, {}, parse, settings=settings, what=what, maximum_bytes=100_000))
    return min(runs, key=lambda r: (r.run, r.available))


# --- what earlier runs forecast -------------------------------------------------------------------------------


DAYS = 5
"""Number of lead times that are requested [d]."""
PAST_DAYS = 92
"""Length of the requested record, the longest that the service gives [d]."""
_KEY = re.compile(r"(?P<name>.+?)_previous_day(?P<day>\d+)(?:_(?P<model>[a-z][a-z0-9_]*))?")


def past_names(model: Model) -> list[str]:
    """Return the requested names: those that the service keeps for wind, gust, temperature and air."""
    return ["temperature_2m", "relative_humidity_2m", "wind_gusts_10m", *names_at(model.wind_heights)]


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


def get_previous_runs(site: Site, model: str, *, settings: Settings) -> dict[float, xr.Dataset]:
    """Request the past forecasts of one model at a place.

    Parameters
    ----------
    site : Site
        The place.
    model : str
        Name of a model of `wxfly.sources.open_meteo.models.MODELS`.
    settings : Settings
        Address, User-Agent and patience.

    Raises
    ------
    SourceError
        States source, place (rounded) and fault.
    """
    row = find_model(model)
    what = f"{SOURCE} past forecasts of {model} for {words_for(positions_of([site]))}"
    names = [f"{name}_previous_day{day}" for day in range(1, DAYS + 1) for name in past_names(row)]
    # Only wind is requested, which does not depend on the height of the ground.
    query = query_for(positions_of([site]), row, names, ground_matters=False)
    query |= {"past_days": str(PAST_DAYS), "forecast_days": "1"}

    def parse(reply: Reply) -> dict[float, xr.Dataset]:
        return parse_previous_runs(reply.body, model=model, what=what)

    found = ask("previous_runs", query, parse, settings=settings, what=what)
    now = f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"
    return {lead: cube.assign_attrs(retrieved=now) for lead, cube in found.items()}
