"""Make the shipped demonstration forecasts: ``python cached_forecasts/generate.py``.

Everything in them is invented: the places, the weather and the run. The same seed gives the same values, so a test
can make them again and compare.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
from scenarios import PLACES, SCENARIOS, Scenario
from weather import HEIGHTS, Array, make_weather

from wxfly.cube.contract import VARIABLES, Provenance, finish_cube
from wxfly.cube.netcdf import save_cube

GENERATOR_VERSION = "1"
MADE = "2026-11-25"
HOURS = 384
LICENSE = "CC0-1.0"
DEFAULT_FILE = "late-winter.nc"

HERE = Path(__file__).resolve().parent


def make_cube(scenario: Scenario) -> xr.Dataset:
    """Make the cube of one scenario, with the places along ``site``."""
    run = np.datetime64(scenario.run, "ns")
    times = run + np.arange(HOURS) * np.timedelta64(1, "h")
    season = scenario.season
    streams = np.random.default_rng(scenario.seed).spawn(len(PLACES))
    by_place = [
        make_weather(times, place.ground[season], scenario.large_scale[place.name], scenario.spells[place.name], stream)
        for place, stream in zip(PLACES, streams, strict=True)
    ]
    variables: dict[str, Any] = {}
    for name, row in VARIABLES.items():
        if name == "kp_index":
            variables[name] = (("time",), kp_of_hours(times, scenario))
            continue
        if name not in by_place[0]:  # few sources have it
            continue
        dims = ("time", "site", "height") if row.has_height else ("time", "site")
        values = np.stack([weather[name] for weather in by_place], axis=1)
        variables[name] = (dims, values)
    cube = xr.Dataset(variables, coords=_coordinates(times, run, season))
    return finish_cube(cube, _provenance(scenario), place=scenario.file)


def kp_of_hours(times: Any, scenario: Scenario) -> Array:
    """Return Kp for each hour: the three-hourly forecast, then the largest value of each day."""
    start = times[0].astype("datetime64[D]").astype(times.dtype)
    hour = ((times - start) / np.timedelta64(1, "h")).astype(int)
    forecast = np.array(scenario.kp)
    largest = np.array(scenario.kp_largest_of_day)
    days_forecast = forecast.size // 8
    block = np.minimum(hour // 3, forecast.size - 1)
    day = np.clip(hour // 24 - days_forecast, 0, largest.size - 1)
    return np.where(hour < 24 * days_forecast, forecast[block], largest[day]).astype(float)


def _coordinates(times: Any, run: np.datetime64, season: str) -> dict[str, Any]:
    ground = [place.ground[season] for place in PLACES]
    return {
        "time": times,
        "height": HEIGHTS,
        "site": np.array([place.name for place in PLACES], dtype=object),
        "latitude": ("site", np.array([g.latitude for g in ground])),
        "longitude": ("site", np.array([g.longitude for g in ground])),
        "surface_altitude": ("site", np.array([float(g.surface_altitude) for g in ground])),
        "time_zone": ("site", np.array([place.time_zone for place in PLACES], dtype=object)),
        "forecast_reference_time": run,
    }


def _provenance(scenario: Scenario) -> Provenance:
    return Provenance(
        model="invented",
        title=scenario.title,
        source="invented by the wxfly demonstration generator",
        institution="wxfly",
        license=LICENSE,
        attribution="Invented weather, made by the wxfly demonstration generator; no place on Earth had it",
        history=f"{MADE} invented by cached_forecasts/generate.py, version {GENERATOR_VERSION}, seed {scenario.seed}",
    )


def _entry(scenario: Scenario, path: Path) -> dict[str, Any]:
    season = scenario.season
    return {
        "file": scenario.file,
        "title": scenario.title,
        "invented": True,
        "default": scenario.file == DEFAULT_FILE,
        "forecast_reference_time": f"{scenario.run}:00:00Z",
        "hours": HOURS,
        "made": MADE,
        "generator": "cached_forecasts/generate.py",
        "generator_version": GENERATOR_VERSION,
        "seed": scenario.seed,
        "license": LICENSE,
        "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        "sites": [
            {
                "name": place.name,
                "description": place.line,
                "latitude": place.ground[season].latitude,
                "longitude": place.ground[season].longitude,
                "surface_altitude": place.ground[season].surface_altitude,
                "time_zone": place.time_zone,
                "surface_cover": place.surface_cover,
            }
            for place in PLACES
        ],
    }


def main() -> None:
    """Write every scenario and the manifest."""
    parser = argparse.ArgumentParser(description="Make the shipped demonstration forecasts.")
    parser.add_argument("--folder", type=Path, default=HERE, help="where to write (default: beside this file)")
    folder: Path = parser.parse_args().folder
    folder.mkdir(parents=True, exist_ok=True)
    entries = []
    for scenario in SCENARIOS:
        path = folder / scenario.file
        save_cube(make_cube(scenario), path)
        entries.append(_entry(scenario, path))
    manifest = {
        "note": "Everything here is invented. Coordinates are only a setting for sun and clock.",
        "files": entries,
    }
    (folder / "manifest.json").write_text(json.dumps(manifest, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
