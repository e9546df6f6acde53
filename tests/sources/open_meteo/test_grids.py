"""Grids by ranges of bytes: files written here, served from this machine, and no more of them read than a box needs."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import numpy as np
import pytest

from tests.file_store import LAMBERT, REGULAR, FileStore, values_of, write_run
from wxfly.assessment.grid import assess_grid
from wxfly.errors import WxflyError
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.sources.open_meteo.grids import Box, get_grid, parse_grid_run
from wxfly.sources.open_meteo.models import MODELS
from wxfly.sources.reply import SourceError

omfiles = pytest.importorskip("omfiles", reason="grids need omfiles")
pytest.importorskip("dask", reason="grids need dask")

NOW = datetime(2026, 11, 28, 9, 0, tzinfo=UTC)
MODEL = MODELS["icon_d2"]
ROWS, COLUMNS, HOURS = 60, 80, 13
SOUTH, WEST, NORTH, EAST = 45.0, 5.0, 50.9, 12.9
SHAPE = (ROWS, COLUMNS, HOURS)
START = datetime(2026, 11, 28, 6, 0, tzinfo=UTC)


@pytest.fixture(scope="module", params=["regular", pytest.param("lambert", marks=pytest.mark.thorough)])
def store(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("store")
    write_run(folder, REGULAR.format(SOUTH, WEST, NORTH, EAST) if request.param == "regular" else LAMBERT, start=START)
    server = FileStore(folder)
    server.kind = request.param
    yield server
    server.close()


BOX = Box(46.95, 7.95, 47.65, 9.05)


def test_a_box_becomes_a_cube_on_the_grid_of_the_model(store):
    cube = get_grid(MODEL, BOX, settings=store.settings, now=NOW, heights=(10, 80), lead_hours=(2, 8))
    across = ("latitude", "longitude") if store.kind == "regular" else ("y", "x")
    assert cube["wind_speed"].dims == ("time", "height", *across)
    assert cube["height"].values.tolist() == [10.0, 80.0]
    assert cube["time"].values[0] == np.datetime64("2026-11-28T08") and cube.sizes["time"] == 7
    assert cube["forecast_reference_time"].values == np.datetime64("2026-11-28T06")
    mapping = cube["crs"].attrs["grid_mapping_name"]
    assert mapping == ("latitude_longitude" if store.kind == "regular" else "lambert_conformal_conic")
    assert cube["wind_speed"].attrs["grid_mapping"] == "crs"
    assert "air_temperature_aloft 80;" in str(cube["provided"].values)
    if store.kind == "regular":
        assert np.allclose(cube["latitude"], np.arange(47.0, 47.65, 0.1))
        assert np.allclose(cube["longitude"], np.arange(8.0, 9.05, 0.1))
        rows, columns, hours = slice(20, 27), slice(30, 41), slice(2, 9)
        part = values_of("temperature_2m", SHAPE)[rows, columns, hours].transpose(2, 0, 1) + 273.15
        assert np.abs(cube["air_temperature"].values - part).max() < 0.006
        wind = values_of("wind_u_component_80m", SHAPE)[rows, columns, hours].transpose(2, 0, 1)
        assert np.abs(cube["wind_speed"].sel(height=80.0).values - np.hypot(wind, wind)).max() < 0.02
        assert np.allclose(cube["wind_from_direction"], 225.0)  # toward north-east
    else:
        inside = BOX.holds(cube["latitude"].values, cube["longitude"].values)
        assert inside.mean() > 0.6
    assert 0.5 < float(cube["relative_humidity"].mean()) < 0.8
    assert 101_000 < float(cube["air_pressure_at_mean_sea_level"].mean()) < 102_000


def test_only_the_chunks_of_the_box_are_read(store, monkeypatch):
    monkeypatch.setattr("wxfly.sources.open_meteo.grids._TAIL", 2048)
    monkeypatch.setattr("wxfly.sources.open_meteo.grids._BLOCK", 512)
    store.sent.clear()
    cube = get_grid(MODEL, BOX, settings=store.settings, now=NOW, heights=(10, 80))
    opened = {name: sum(sizes) for name, sizes in store.sent.items()}
    cube["air_temperature"].load(scheduler="synchronous")
    read = {name: sum(sizes) - opened.get(name, 0) for name, sizes in store.sent.items()}
    whole = next(store.folder.rglob("temperature_2m.om")).stat().st_size
    assert {name for name, size in read.items() if size} == {"temperature_2m.om"}
    assert read["temperature_2m.om"] < whole / 6
    cells = cube.sizes["time"] * np.prod([cube.sizes[d] for d in cube["air_temperature"].dims[1:]])
    assert cells > 700


def test_the_cube_is_assessed_without_being_loaded(store):
    cube = get_grid(MODEL, BOX, settings=store.settings, now=NOW)
    assert all(cube[name].chunks is not None for name in cube.data_vars)
    judged = assess_grid(cube, limits_for(find_aircraft("camera-quad-250g")), height=60.0)
    one = judged.isel(dict.fromkeys(judged["state"].dims[1:], 0)).load(scheduler="synchronous")
    assert set(np.unique(one["state"].values).tolist()) <= {1, 2, 3}  # nothing that is required is unknown
    assert np.isfinite(one["margin"].sel(element="wind")).all()


@pytest.mark.parametrize(
    ("lost", "is_needed"),
    [
        ("wind_gusts_10m", True),
        *(
            pytest.param(*row, marks=pytest.mark.thorough)
            for row in (
                ("weather_code", True), ("temperature_120m", False), ("wind_u_component_80m", True),
                ("temperature_2m", True), ("precipitation", True), ("precipitation_probability", False),
                ("cloud_cover_low", False), ("visibility", False), ("cape", False), ("pressure_msl", False),
            )
        ),
    ],
)  # fmt: skip
def test_what_a_run_lacks_is_lost_and_never_improves_an_hour(store, lost, is_needed):
    if store.kind != "regular":
        return
    path = store.folder / "data_run/dwd_icon_d2/latest.json"
    whole = path.read_text()
    lacking = json.loads(whole)
    lacking["variables"] = [name for name in lacking["variables"] if name != lost]
    states = []
    for text in (json.dumps(lacking), whole):
        path.write_text(text)
        cube = get_grid(MODEL, Box(47.0, 8.0, 47.1, 8.1), settings=store.settings, now=NOW)
        judged = assess_grid(cube, limits_for(find_aircraft("camera-quad-250g")), height=60.0)
        states.append(judged["state"].load(scheduler="synchronous").values)
    assert (states[0] <= states[1]).all() and (states[1] > 0).any()
    assert not is_needed or (states[0] == 0).all()


def test_a_store_without_ranges_a_lost_file_and_a_damaged_one_are_one_line(store):
    store.knows_ranges = False
    try:
        with pytest.raises(SourceError, match="refused"):
            get_grid(MODEL, BOX, settings=store.settings, now=NOW)
    finally:
        store.knows_ranges = True
    path = next(store.folder.rglob("pressure_msl.om"))
    sound = path.read_bytes()
    try:
        path.write_bytes(sound[: len(sound) // 2])
        with pytest.raises(SourceError, match=r"pressure_msl\.om cannot be read"):
            get_grid(MODEL, BOX, settings=store.settings, now=NOW)
        path.unlink()
        with pytest.raises(SourceError, match="404"):
            get_grid(MODEL, BOX, settings=store.settings, now=NOW)
    finally:
        path.write_bytes(sound)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"box": Box(-10, 7, -9, 8)}, "none of its cells"),
        ({"heights": (10, 77)}, "no wind at 77 m"),
        ({"lead_hours": (90, 99)}, "no lead times"),
    ],
)
def test_a_wish_that_cannot_be_met_says_what_can(store, change, words):
    wish = {"box": BOX, "settings": store.settings, "now": NOW} | change
    with pytest.raises(WxflyError, match=words):
        get_grid(MODEL, wish.pop("box"), **wish)


def test_a_box_over_the_date_line_goes_from_west_to_east(tmp_path):
    write_run(tmp_path, REGULAR.format(-59, -177.75, 59, 177.75), start=START)  # 4.5 degrees from cell to cell
    server = FileStore(tmp_path)
    try:
        cube = get_grid(MODEL, Box(-5, 168, 5, -168), settings=server.settings, now=NOW, heights=(10,))
        assert np.allclose(cube["longitude"], [168.75, 173.25, 177.75, -177.75, -173.25, -168.75])
        expected = values_of("temperature_2m", SHAPE)[:, [77, 78, 79, 0, 1, 2], 0] + 273.15
        rows = np.searchsorted(np.linspace(-59, 59, ROWS), cube["latitude"].values)
        assert np.abs(cube["air_temperature"].values[0] - expected[rows]).max() < 0.006
    finally:
        server.close()


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("valid_times", []),
        ("valid_times", ["tomorrow"]),
        ("reference_time", 5),
        ("variables", "all"),
        ("crs_wkt", None),
    ],
)
def test_metadata_that_is_not_metadata_is_refused(key, value):
    sound = {
        "reference_time": "2026-11-28T06:00Z",
        "valid_times": ["2026-11-28T06:00Z", "2026-11-28T07:00Z"],
        "variables": ["temperature_2m"],
        "crs_wkt": "GEOGCRS[]",
    }
    assert parse_grid_run(json.dumps(sound).encode(), "the store").variables == ("temperature_2m",)
    with pytest.raises(SourceError, match=key):
        parse_grid_run(json.dumps(sound | {key: value}).encode(), "the store")
