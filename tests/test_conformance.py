"""Cubes of every origin as files, held against the CF conventions by two programs that are not ours.

The IOOS compliance checker goes through the rules of the version that a file states, and cf_xarray finds axes, bounds
and names by attributes alone. Neither is needed to work on wxfly: ``pip install '.[conformance]'`` brings both.
"""

import importlib.util
import json
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import h5py
import numpy as np
import pytest
import xarray as xr

from tests.cubes import quiet_cube, quiet_grid
from tests.shared import SHARED
from tests.sources import test_met_norway
from tests.sources.open_meteo import test_ensemble
from wxfly.cube.contract import CONVENTIONS, COORDINATES, VARIABLES, covers_hours, describe_coordinates, own_time
from wxfly.cube.netcdf import load_cube, save_cube
from wxfly.retrieval.places import shipped_folder
from wxfly.sources import met_norway
from wxfly.sources.open_meteo import ensemble
from wxfly.sources.open_meteo import reply as open_meteo_reply

pytestmark = pytest.mark.skipif(
    not all(map(importlib.util.find_spec, ("compliance_checker", "cf_xarray"))),
    reason="compliance-checker and cf_xarray are not installed: pip install '.[conformance]'",
)

RECORDED = Path(__file__).parent / "recorded"
NOW = datetime(2026, 3, 10, 6, tzinfo=UTC)
# Recommendations that a cube does not follow: it has places before heights, and says nothing of leap seconds.
NOT_FOLLOWED = ("not in the recommended order T, Z, Y, X", "it is recommended that the units_metadata attribute")


def from_open_meteo(body=None):
    body = body or (RECORDED / "SYNTHETIC_icon_eu_two_places_24h.json").read_bytes()
    return open_meteo_reply.parse_forecast(body, model="icon_eu", asked_units=False, retrieved=NOW)


def from_met_norway(body=None):
    return met_norway.parse_forecast(body or test_met_norway.body(), retrieved=NOW)


def of_members():
    reply = json.dumps(test_ensemble.make_reply("icon_d2_eps")).encode()
    (cube,) = ensemble.parse_ensemble(reply, names=["here"], retrieved=NOW)
    return cube


def on_a_grid():
    return describe_coordinates(quiet_grid(np.ones((4, 3))))


def sample(folder, name, parse):
    path = SHARED / folder / name
    if not path.is_file():
        pytest.skip("the folder shared/ with sample replies is not beside the checkout")
    return parse(path.read_bytes())


CUBES = {
    "Open-Meteo": from_open_meteo,
    "MET Norway": from_met_norway,
    "members": of_members,
    "a grid": on_a_grid,
    "late winter, shipped": lambda: load_cube(shipped_folder() / "late-winter.nc"),
    "high summer, shipped": lambda: load_cube(shipped_folder() / "high-summer.nc"),
    "gusts of four hours": lambda: quiet_cube(wind_speed_of_gust=(-3, 1)),
    "gusts of an instant": lambda: quiet_cube(wind_speed_of_gust=(0, 0)),
    "a sample of Open-Meteo": lambda: sample("data/replies", "berlin_2021-11-24_168h.json", from_open_meteo),
    "a sample of MET Norway": lambda: sample(
        "samples/metno", "complete_nordic_2024-03-08_trimmed.json", from_met_norway
    ),
}


@pytest.fixture(scope="module", params=CUBES)
def written(request, tmp_path_factory):
    """Return a cube and the file of it."""
    cube = CUBES[request.param]()
    path = tmp_path_factory.mktemp("cube") / "a.nc"
    save_cube(cube, path)
    return cube, path


def faults_of(path):
    """Return what the checker has against a file, recommendations included."""
    report = path.with_suffix(".json")
    command = [
        Path(sys.executable).with_name("compliance-checker"), f"--test=cf:{CONVENTIONS.removeprefix('CF-')}",
        "--criteria=strict", "--format=json_new", f"--output={report}", path,
    ]  # fmt: skip
    ran = subprocess.run(command, capture_output=True, text=True, check=False)
    assert report.is_file(), ran.stderr
    ((_, checked),) = [*json.loads(report.read_text())[str(path)].items()]
    rows = [*checked["high_priorities"], *checked["medium_priorities"], *checked["low_priorities"]]
    faults = [f"{row['name']}: {words}" for row in rows if row["value"][0] < row["value"][1] for words in row["msgs"]]
    broke_off = [line for line in (ran.stdout + ran.stderr).splitlines() if "check_" in line]
    return [fault for fault in faults if not any(words in fault for words in NOT_FOLLOWED)] + broke_off


def test_the_checker_has_nothing_against_it(written):
    assert faults_of(written[1]) == []


def test_attributes_alone_lead_to_axes_bounds_and_names(written):
    import cf_xarray  # noqa: F401

    cube, path = written
    with xr.open_dataset(path, engine="h5netcdf", decode_coords="all") as opened:
        for row in COORDINATES.values():
            if row.axis and row.name in cube.dims:
                assert opened.cf.axes[row.axis] == [row.name]
        assert opened.cf.coordinates["time"] == ["time"]
        assert opened.cf.coordinates["latitude"] == ["latitude"]
        assert opened.cf.coordinates["longitude"] == ["longitude"]
        assert opened.cf.coordinates.get("vertical", []) == [name for name in ("height",) if name in cube.dims]
        for name in map(str, cube.data_vars):
            assert name in opened.cf.standard_names.get(VARIABLES[name].standard_name or name, [name])
            if covers_hours(cube, name) == (0, 0):
                assert opened[name].attrs["cell_methods"] == "time: point"
                continue
            stamps = own_time(cube, name) or "time"
            assert opened[name].attrs.get("cell_methods", f"{stamps}: ").startswith(f"{stamps}: ")
            assert "point" not in opened[name].attrs.get("cell_methods", "")
            around = (opened.cf.get_bounds(stamps) - opened["time"]) / np.timedelta64(1, "h")
            assert (around == covers_hours(cube, name)).all()


BREAKS = {
    "no unit": ("wind_speed", "units", None),
    "a unit of something else": ("latitude", "units", "m"),
    "a name of no table": ("wind_speed", "standard_name", "wind_speeds"),
    "time without its name": ("time", "standard_name", None),
    "bounds that are not there": ("time", "bounds", "nowhere"),
    "neither up nor down": ("height", "positive", "sideways"),
    "no conventions": (None, "Conventions", None),
}


@pytest.mark.parametrize("what", BREAKS)
def test_the_checker_sees_a_broken_attribute(what, tmp_path):
    variable, attribute, value = BREAKS[what]
    path = tmp_path / "a.nc"
    save_cube(from_met_norway(), path)
    with h5py.File(path, "a") as file:
        attributes = (file if variable is None else file[variable]).attrs
        del attributes[attribute]
        if value is not None:
            attributes[attribute] = value
    assert faults_of(path) != []
