"""Grids by ranges of bytes: files written here, served from this machine, and no more of them read than a box needs."""

from __future__ import annotations

import json
import re
import threading
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import numpy as np
import pytest

from wxfly.assessment.blocks import assess_grid
from wxfly.errors import WxflyError
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.pilot.settings import Settings
from wxfly.sources.open_meteo.grids import Box, get_grid, parse_grid_run
from wxfly.sources.open_meteo.models import MODELS
from wxfly.sources.reply import SourceError

omfiles = pytest.importorskip("omfiles", reason="grids need omfiles")
pytest.importorskip("dask", reason="grids need dask")

NOW = datetime(2026, 11, 28, 9, 0, tzinfo=UTC)
MODEL = MODELS["icon_d2"]
ROWS, COLUMNS, HOURS = 60, 80, 13
SOUTH, WEST, NORTH, EAST = 45.0, 5.0, 50.9, 12.9
REGULAR = (
    'GEOGCRS["Made up", DATUM["World Geodetic System 1984", ELLIPSOID["WGS 84",6378137,298.257223563]],'
    ' CS[ellipsoidal,2], AXIS["latitude",north], AXIS["longitude",east], ANGLEUNIT["degree",0.0174532925199433],'
    ' USAGE[SCOPE["grid"], BBOX[{},{},{},{}]]]'
)
LAMBERT = (
    'PROJCRS["Made up", BASEGEOGCRS["Sphere", DATUM["Sphere", ELLIPSOID["Sphere",6371229,0]]],'
    ' CONVERSION["Lambert", METHOD["Lambert Conic Conformal (1SP)"],'
    ' PARAMETER["Latitude of natural origin",48], PARAMETER["Longitude of natural origin",9],'
    ' PARAMETER["Scale factor at natural origin",1], PARAMETER["False easting",0], PARAMETER["False northing",0]],'
    ' CS[Cartesian,2], AXIS["x",east], AXIS["y",north], LENGTHUNIT["metre",1],'
    ' USAGE[SCOPE["grid"], BBOX[45,5,50.9,12.9]]]'
)


def values_of(name: str) -> np.ndarray:
    """Return values of a file in the units of the store; each cell and hour has its own."""
    row, column, hour = np.meshgrid(np.arange(ROWS), np.arange(COLUMNS), np.arange(HOURS), indexing="ij")
    place = row / 10 + column / 100 + hour / 10
    return np.round(
        {
            "temperature": 12.0 + place / 10,
            "relative": 60.0 + place,
            "pressure": 1010.0 + place,
            "cloud": 30.0 + place,
            "precipitation": 0.0 * place,
            "wind": 3.0 + place / 4,
        }[name.split("_")[0]],
        2,
    ).astype(np.float32)


NAMES = (
    "temperature_2m", "relative_humidity_2m", "pressure_msl", "cloud_cover", "precipitation", "wind_gusts_10m",
    "temperature_80m", "temperature_120m",
    *(f"wind_{c}_component_{h}m" for h in (10, 80, 120) for c in "uv"),
)  # fmt: skip


class Store(ThreadingHTTPServer):
    """Serve a folder by ranges, and count the bytes of each file that went out."""

    daemon_threads = True

    def __init__(self, folder: Path) -> None:
        self.folder, self.sent, self.knows_ranges = folder, {}, True
        super().__init__(("127.0.0.1", 0), Handler)
        threading.Thread(target=self.serve_forever, daemon=True).start()

    @property
    def settings(self) -> Settings:
        settings = Settings()
        settings.addresses["grids"] = f"http://127.0.0.1:{self.server_port}"
        return settings


class Handler(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        path = self.server.folder / self.path.lstrip("/")
        if not path.is_file():
            self.send_error(404)
            return
        body = path.read_bytes()
        wanted = re.fullmatch(r"bytes=(\d*)-(\d*)", self.headers.get("Range", ""))
        if wanted and self.server.knows_ranges:
            first, last = wanted.groups()
            begin = int(first) if first else max(len(body) - int(last), 0)
            end = min(int(last) + 1, len(body)) if first and last else len(body)
            self.send_response(206)
            self.send_header("Content-Range", f"bytes {begin}-{end - 1}/{len(body)}")
            body = body[begin:end]
        else:
            self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)
        self.server.sent.setdefault(path.name, []).append(len(body))

    def log_message(self, *_: object) -> None:
        pass


def write_run(folder: Path, projection: str) -> None:
    run = folder / "data_run/dwd_icon_d2/2026/11/28/0600Z"
    run.mkdir(parents=True)
    times = [f"2026-11-28T{6 + k:02d}:00Z" for k in range(HOURS)]
    meta = {"reference_time": times[0], "valid_times": times, "variables": NAMES, "crs_wkt": projection}
    (run.parents[3] / "latest.json").write_text(json.dumps(meta))
    for name in NAMES:
        writer = omfiles.OmFileWriter(str(run / f"{name}.om"))
        values = values_of(name)
        writer.close(writer.write_array(values, chunks=[4, 4, HOURS], scale_factor=100.0, name=""))


@pytest.fixture(scope="module", params=["regular", pytest.param("lambert", marks=pytest.mark.thorough)])
def store(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("store")
    write_run(folder, REGULAR.format(SOUTH, WEST, NORTH, EAST) if request.param == "regular" else LAMBERT)
    server = Store(folder)
    server.kind = request.param
    yield server
    server.shutdown()
    server.server_close()


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
    assert "air_temperature_aloft 80;" in cube.attrs["carried"]
    if store.kind == "regular":
        assert np.allclose(cube["latitude"], np.arange(47.0, 47.65, 0.1))
        assert np.allclose(cube["longitude"], np.arange(8.0, 9.05, 0.1))
        rows, columns, hours = slice(20, 27), slice(30, 41), slice(2, 9)
        part = values_of("temperature_2m")[rows, columns, hours].transpose(2, 0, 1) + 273.15
        assert np.abs(cube["air_temperature"].values - part).max() < 0.006
        wind = values_of("wind_u_component_80m")[rows, columns, hours].transpose(2, 0, 1)
        assert np.abs(cube["wind_speed"].sel(height=80.0).values - np.hypot(wind, wind)).max() < 0.02
        assert np.allclose(cube["wind_from_direction"], 225.0)  # toward north-east
    else:
        inside = BOX.holds(cube["latitude"].values, cube["longitude"].values)
        assert inside.mean() > 0.6
    assert 0.5 < float(cube["relative_humidity"].mean()) < 0.8
    assert 100_900 < float(cube["air_pressure_at_mean_sea_level"].mean()) < 102_000


def test_only_the_chunks_of_the_box_are_read(store, monkeypatch):
    monkeypatch.setattr("wxfly.sources.open_meteo.grids._TAIL", 2048)
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
    write_run(tmp_path, REGULAR.format(-59, -177.75, 59, 177.75))  # all around: 4.5 degrees from cell to cell
    server = Store(tmp_path)
    try:
        cube = get_grid(MODEL, Box(-5, 168, 5, -168), settings=server.settings, now=NOW, heights=(10,))
        assert np.allclose(cube["longitude"], [168.75, 173.25, 177.75, -177.75, -173.25, -168.75])
        expected = values_of("temperature_2m")[:, [77, 78, 79, 0, 1, 2], 0] + 273.15
        rows = np.searchsorted(np.linspace(-59, 59, ROWS), cube["latitude"].values)
        assert np.abs(cube["air_temperature"].values[0] - expected[rows]).max() < 0.006
    finally:
        server.shutdown()
        server.server_close()


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
