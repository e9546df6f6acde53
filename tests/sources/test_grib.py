"""Grids from GRIB2 files: messages written here, served by ranges, and no more of them fetched than a cube needs."""

from __future__ import annotations

import json
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from tests.server import FileServer
from tests.shared import SHARED
from wxfly.assessment.grid import assess_grid
from wxfly.assessment.suitability import State
from wxfly.cube.contract import covers_hours, provided_entries
from wxfly.cube.netcdf import load_cube, save_cube
from wxfly.errors import WxflyError
from wxfly.library.hours import limits_for
from wxfly.pilot.settings import Settings
from wxfly.sources.grib import Entry, get_grid, joined_ranges, parse_idx, parse_index, read_grib
from wxfly.sources.open_meteo.grids import Box
from wxfly.sources.reply import SourceError

eccodes = pytest.importorskip("eccodes", reason="GRIB files need eccodes")
pyproj = pytest.importorskip("pyproj", reason="GRIB files need pyproj")

NAM = SHARED / "data/grib/nam.t00z.awp21100.tm00.grib2"
needs_nam = pytest.mark.skipif(not NAM.is_file(), reason="the measured data is not here")

NOW = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
ROWS, COLUMNS = 5, 7
LAMBERT = {
    "gridType": "lambert", "Nx": COLUMNS, "Ny": ROWS, "DxInMetres": 3000, "DyInMetres": 3000, "shapeOfTheEarth": 6,
    "latitudeOfFirstGridPointInDegrees": 39.0, "longitudeOfFirstGridPointInDegrees": 254.0, "LaDInDegrees": 38.5,
    "LoVInDegrees": 262.5, "Latin1InDegrees": 38.5, "Latin2InDegrees": 38.5, "scanningMode": 64,
    "uvRelativeToGrid": 1,
}  # fmt: skip
REGULAR = {
    "shapeOfTheEarth": 6, "Ni": 36, "Nj": 19, "latitudeOfFirstGridPointInDegrees": 90,
    "longitudeOfFirstGridPointInDegrees": 0, "latitudeOfLastGridPointInDegrees": -90,
    "longitudeOfLastGridPointInDegrees": 350, "iDirectionIncrementInDegrees": 10, "jDirectionIncrementInDegrees": 10,
}  # fmt: skip
BOX = Box(38.5, -107.0, 40.0, -105.0)

# Variable, level and time in the inventory; codes and level in the message; a value.
GROUND = (
    ("TMP", "2 m above ground", (0, 0, 0, 103, 2), 283.0),
    ("DPT", "2 m above ground", (0, 0, 6, 103, 2), 275.0),
    ("RH", "2 m above ground", (0, 1, 1, 103, 2), 58.0),
    ("GUST", "surface", (0, 2, 22, 1, 0), 7.0),
    ("PRES", "surface", (0, 3, 0, 1, 0), 84_000.0),
    ("TCDC", "entire atmosphere", (0, 6, 1, 10, 0), 25.0),
    ("VIS", "surface", (0, 19, 0, 1, 0), 20_000.0),
    ("CAPE", "surface", (0, 7, 6, 1, 0), 10.0),
    ("HGT", "surface", (0, 3, 5, 1, 0), 1600.0),
)
NOT_WANTED = ("TMP", "500 mb", (0, 0, 0, 100, 50_000), 250.0)


def message(
    codes: tuple[int, ...], value, step: str = "1", *, grid: dict = LAMBERT, member: int | None = None,
    kind: int | None = None, centre: str = "kwbc", template: int | None = None, also: dict | None = None,
) -> bytes:  # fmt: skip
    """Return a GRIB2 message of the run of 25 November 2026, 06 UTC; `kind` is the statistical process, 1 for a sum.

    What is in `also` is set last.
    """
    handle = eccodes.codes_grib_new_from_samples(grid.get("sample", "GRIB2"))
    sums = kind is not None
    if template is None:
        template = {(False, False): 0, (True, False): 8, (False, True): 1, (True, True): 11}[sums, member is not None]
    settings = {
        "centre": centre, "tablesVersion": 30, **{k: v for k, v in grid.items() if k != "sample"},
        "dataDate": 20261125, "dataTime": 600, "productDefinitionTemplateNumber": template,
        "discipline": codes[0], "parameterCategory": codes[1], "parameterNumber": codes[2],
        "typeOfFirstFixedSurface": codes[3], "scaleFactorOfFirstFixedSurface": 0,
        "scaledValueOfFirstFixedSurface": codes[4],
    }  # fmt: skip
    if member is not None:
        settings["perturbationNumber"] = member
    if sums:
        settings["typeOfStatisticalProcessing"] = kind
    settings["stepRange"] = step
    settings |= also or {}
    for name, given in settings.items():
        eccodes.codes_set(handle, name, given)
    size = eccodes.codes_get(handle, "Ni") * eccodes.codes_get(handle, "Nj")
    eccodes.codes_set(handle, "bitsPerValue", 16)
    eccodes.codes_set_values(handle, np.broadcast_to(np.asarray(value, dtype=float), size))
    written = bytes(eccodes.codes_get_message(handle))
    eccodes.codes_release(handle)
    return written


def two_fields(first: bytes, second: bytes) -> bytes:
    """Return one message with the fields of two, as wind components often come."""
    joined = eccodes.codes_grib_multi_new()
    for given in (first, second):
        handle = eccodes.codes_new_from_message(given)
        eccodes.codes_grib_multi_append(handle, 4 if given is second else 0, joined)
        eccodes.codes_release(handle)
    with tempfile.TemporaryFile() as file:
        eccodes.codes_grib_multi_write(joined, file)
        file.seek(0)
        written = file.read()
    eccodes.codes_grib_multi_release(joined)
    return written


def wind(height: int, along_x: float, along_y: float, step: str = "1", **more) -> bytes:
    u, v = (message((0, 2, n, 103, height), s, step, **more) for n, s in ((2, along_x), (3, along_y)))
    return two_fields(u, v)


def hour_of_run(lead: int, heights=(10, 80), without=()) -> list[tuple[list[str], bytes]]:
    """Return the messages of one lead time, each with the lines of the inventory, without number and byte."""
    time = f"{lead} hour fcst"
    rows = []
    for variable, level, codes, value in (*GROUND, NOT_WANTED):
        if variable not in without:
            rows.append(([f"{variable}:{level}:{time}:"], message(codes, value, str(lead))))
    for height in heights:
        level = f"{height} m above ground:{time}:"
        rows.append(([f"UGRD:{level}", f"VGRD:{level}"], wind(height, 0.0, 5.0 + height / 20, str(lead))))
    if lead:
        total = (
            [f"APCP:surface:0-{lead} hour acc fcst:"],
            message((0, 1, 8, 1, 0), 0.5 * lead**2, f"0-{lead}", kind=1),
        )
        rows.append(total)
    return rows


def write_file(path: Path, rows: list[tuple[list[str], bytes]]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    lines, body = [], b""
    for number, (texts, given) in enumerate(rows, 1):
        for part, text in enumerate(texts, 1):
            name = f"{number}.{part}" if len(texts) > 1 else str(number)
            lines.append(f"{name}:{len(body)}:d=2026112506:{text}")
        body += given
    path.write_bytes(body)
    path.with_name(f"{path.name}.idx").write_text("\n".join(lines) + "\n")


def hrrr(folder: Path, lead: int) -> Path:
    return folder / f"hrrr.20261125/conus/hrrr.t06z.wrfsfcf{lead:02d}.grib2"


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("grib")
    for lead in range(4):
        write_file(hrrr(folder, lead), hour_of_run(lead))
    return folder


@pytest.fixture
def served(written, tmp_path):
    """Serve the run of 06 UTC; return the server and a function that asks for it."""
    server = FileServer(written)
    settings = Settings(patience_seconds=5.0)
    settings.addresses["noaa_hrrr"] = settings.addresses["ecmwf_open_data"] = server.address

    def ask(model="ncep_hrrr_conus", heights=(10, 80), lead_hours=(1, 3), box=BOX):
        return get_grid(
            model, box, settings=settings, folder=tmp_path / "kept", now=NOW, heights=heights, lead_hours=lead_hours
        )

    yield server, ask
    server.close()


@pytest.fixture(scope="module")
def cube(written, tmp_path_factory):
    server = FileServer(written)
    settings = Settings()
    settings.addresses["noaa_hrrr"] = server.address
    folder = tmp_path_factory.mktemp("kept")
    yield get_grid(
        "ncep_hrrr_conus", BOX, settings=settings, folder=folder, now=NOW, heights=(10, 80), lead_hours=(1, 3)
    )
    server.close()


def test_a_box_of_a_projected_grid_becomes_a_cube(cube):
    assert cube["forecast_reference_time"].values == np.datetime64("2026-11-25T06", "ns")
    assert cube["time"].values.astype("datetime64[h]").tolist() == [datetime(2026, 11, 25, h) for h in (7, 8, 9)]
    assert cube["wind_speed"].dims == ("time", "height", "y", "x")
    assert cube["latitude"].dims == cube["longitude"].dims == cube["surface_altitude"].dims == ("y", "x")
    np.testing.assert_allclose(cube["wind_speed"].sel(height=80.0), 9.0, atol=0.001)
    np.testing.assert_allclose(cube["relative_humidity"], 0.58, atol=0.001)
    np.testing.assert_allclose(cube["surface_altitude"], 1600.0, atol=0.1)
    # A wind along the y axis comes from the bearing of that axis and a half turn; by PROJ the bearing is the
    # convergence of the meridians.
    projection = pyproj.Proj("+proj=lcc +lat_1=38.5 +lat_0=38.5 +lon_0=-97.5 +R=6371229")
    convergence = projection.get_factors(cube["longitude"].values, cube["latitude"].values).meridian_convergence
    np.testing.assert_allclose(cube["wind_from_direction"][0, 0], 180.0 + convergence, atol=0.02)
    assert np.abs(convergence).min() > 4.5
    x, y = projection(cube["longitude"].values, cube["latitude"].values)
    np.testing.assert_allclose(x, np.broadcast_to(cube["x"].values, x.shape), atol=1.0)
    np.testing.assert_allclose(y, np.broadcast_to(cube["y"].values[:, None], y.shape), atol=1.0)


def test_an_hour_of_rain_is_a_total_less_that_of_the_hour_before(cube):
    np.testing.assert_allclose(cube["precipitation_amount"].mean(("y", "x")), [0.5, 1.5, 2.5], atol=0.01)
    assert covers_hours(cube, "precipitation_amount") == (-1.0, 0.0)


def test_only_the_needed_messages_are_fetched_and_each_once(served, written, monkeypatch):
    server, ask = served
    monkeypatch.setattr("wxfly.sources.grib.JOINED_ACROSS", 0)
    ask(heights=(10,), lead_hours=(2, 3))
    inventories = [row for row in server.log if not row[1]]
    # Of the runs of 9, 8 and 7 UTC the inventory of the last hour is asked for, and is not there.
    assert [row[2] for row in inventories if "t06z" not in row[0]] == [0, 0, 0]
    assert len([row for row in inventories if "t06z" in row[0]]) == 3

    def bytes_of(lead, *names):
        entries = parse_idx(hrrr(written, lead).with_name(f"{hrrr(written, lead).name}.idx").read_text(), "a file")
        size = hrrr(written, lead).stat().st_size
        wanted = {e.offset: e.length or size - e.offset for e in entries if (e.variable, e.level) in names}
        return sum(wanted.values())

    each = [(variable, level) for variable, level, *_ in GROUND if variable != "HGT"]
    each += [("UGRD", "10 m above ground"), ("APCP", "surface")]
    wanted = bytes_of(1, ("APCP", "surface")) + bytes_of(2, *each) + bytes_of(3, *each, ("HGT", "surface"))
    ranges = [row for row in server.log if row[1]]
    assert sum(row[2] for row in ranges) == wanted
    assert len(ranges) == 7  # the rain of the hour before; three stretches of each hour
    before = len(server.log)
    ask(heights=(10,), lead_hours=(2, 3))
    assert not [row for row in server.log[before:] if row[1]]


@pytest.mark.thorough
def test_what_was_fetched_is_kept_and_the_rest_is_resumed(served, tmp_path, monkeypatch):
    server, ask = served
    monkeypatch.setattr("wxfly.sources.grib.JOINED_ACROSS", 0)
    ask()
    kept = sorted((tmp_path / "kept").rglob("*f02*.grib2"))
    kept[3].write_bytes(kept[3].read_bytes()[:-7])  # cut
    kept[5].unlink()
    before = len(server.log)
    ask()
    again = [row for row in server.log[before:] if row[1]]
    assert 1 <= len(again) <= 2
    assert sum(row[2] for row in again) == kept[3].stat().st_size + kept[5].stat().st_size


def test_what_the_run_lacks_is_lost_and_no_hour_is_called_good(written, tmp_path):
    folder = tmp_path / "served"
    write_file(hrrr(folder, 0), hour_of_run(0))
    write_file(hrrr(folder, 1), hour_of_run(1))
    write_file(hrrr(folder, 3), hour_of_run(3, heights=(10,), without=("VIS",)))
    server = FileServer(folder)
    settings = Settings()
    settings.addresses["noaa_hrrr"] = server.address
    cube = get_grid(
        "ncep_hrrr_conus",
        BOX,
        settings=settings,
        folder=tmp_path / "kept",
        now=NOW,
        heights=(10, 80),
        lead_hours=(1, 3),
    )
    server.close()
    known = cube["wind_speed"].notnull().all(("y", "x"))
    assert known.values.tolist() == [[True, True], [False, False], [True, False]]
    assert cube["visibility_in_air"].notnull().all(("y", "x")).values.tolist() == [True, False, False]
    assert cube["precipitation_amount"].notnull().all(("y", "x")).values.tolist() == [True, False, False]
    carried = {entry[0]: entry[1:] for entry in provided_entries(cube)}
    assert carried["wind_speed"] == ["10", "80"]
    assert "atmosphere_boundary_layer_thickness" in carried  # in no inventory, but of every run
    limits = limits_for("camera-quad-250g")
    states = assess_grid(cube, limits, height=60.0)["state"].compute()
    assert set(states.dims) == {"time", "y", "x"}
    assert (states[1:] == State.NOT_KNOWN).all()


def test_a_damaged_message_is_named_and_what_came_before_is_kept(written, tmp_path, monkeypatch):
    monkeypatch.setattr("wxfly.sources.http.TRIES", 1)
    folder = tmp_path / "served"
    for lead in (0, 1):
        write_file(hrrr(folder, lead), hour_of_run(lead))
    whole = hrrr(folder, 1).read_bytes()
    entries = parse_idx(hrrr(folder, 1).with_name("hrrr.t06z.wrfsfcf01.grib2.idx").read_text(), "a file")
    at = next(e for e in entries if e.variable == "PRES")
    hrrr(folder, 1).write_bytes(whole[: at.offset + 8] + b"\x00" * 8 + whole[at.offset + 16 :])
    server = FileServer(folder)
    settings = Settings()
    settings.addresses["noaa_hrrr"] = server.address
    with pytest.raises(SourceError, match=r"f01\.grib2: message 5 \(PRES surface, 1 h\) .*; try again"):
        get_grid("ncep_hrrr_conus", BOX, settings=settings, folder=tmp_path / "kept", now=NOW, lead_hours=(0, 1))
    assert list((tmp_path / "kept").rglob("*f00*.grib2"))
    server.knows_ranges = False
    with pytest.raises(SourceError, match=r"does not answer ranges|larger than"):
        get_grid("ncep_hrrr_conus", BOX, settings=settings, folder=tmp_path / "new", now=NOW, lead_hours=(0, 1))
    server.close()


@pytest.mark.thorough
def test_a_message_that_is_not_what_its_inventory_says_is_an_error(tmp_path):
    rows = hour_of_run(1)
    rows[3] = (rows[3][0], message((0, 3, 0, 1, 0), 84_000.0))  # pressure where the inventory says gust
    write_file(hrrr(tmp_path, 0), hour_of_run(0))
    write_file(hrrr(tmp_path, 1), rows)
    server = FileServer(tmp_path)
    settings = Settings()
    settings.addresses["noaa_hrrr"] = server.address
    with pytest.raises(SourceError, match=r"message 4 \(GUST surface, 1 h\) is not in its bytes"):
        get_grid("ncep_hrrr_conus", BOX, settings=settings, folder=tmp_path / "kept", now=NOW, lead_hours=(0, 1))
    server.close()


@pytest.mark.parametrize(
    ("words", "fault"),
    [
        ({"model": "icon_d2"}, "model with GRIB files 'icon_d2' is not known"),
        ({"heights": (10, 75)}, "no wind at 75 m; wanted some of"),
        ({"heights": ()}, "no height was asked for"),
        ({"lead_hours": (3, 2)}, "wanted first < last"),
        ({"lead_hours": (1, 40)}, "no run since .* reaches 40 h; ask for a shorter lead time"),
        ({"box": Box(10.0, 10.0, 11.0, 11.0)}, "none of its cells lies in the box"),
    ],
)
def test_mistakes_are_told(served, words, fault):
    with pytest.raises(WxflyError, match=fault):
        served[1](**words)


def test_both_heights_of_one_file_are_there(tmp_path):
    path = tmp_path / "two.grib2"
    path.write_bytes(
        wind(10, 3.0, 0.0, grid=REGULAR) + wind(80, 6.0, 0.0, grid=REGULAR) + wind(100, 7.0, 0.0, grid=REGULAR)
    )
    cube = read_grib(path)
    assert cube["height"].values.tolist() == [10.0, 80.0, 100.0]
    np.testing.assert_allclose(cube["wind_speed"].mean(("time", "latitude", "longitude")), [3.0, 6.0, 7.0], atol=0.001)
    np.testing.assert_allclose(cube["wind_from_direction"], 270.0, atol=0.01)
    assert cube["latitude"].values[[0, -1]].tolist() == [-90.0, 90.0]
    assert cube["longitude"].values[[0, -1]].tolist() == [-180.0, 170.0]
    across = read_grib(path, box=Box(-10.0, 165.0, 10.0, -165.0))
    assert across["longitude"].values.tolist() == [170.0, -180.0, -170.0]


def test_members_lie_along_realization_and_a_lost_one_has_no_values(tmp_path):
    path = tmp_path / "members.grib2"
    parts = [wind(10, 3.0 + m, 0.0, s, grid=REGULAR, member=m) for m in (0, 1, 2) for s in "12" if (m, s) != (2, "2")]
    path.write_bytes(b"".join(parts))
    cube = read_grib(path)
    assert cube["realization"].values.tolist() == [0, 1, 2]
    speed = cube["wind_speed"].mean(("height", "latitude", "longitude"), skipna=False)
    np.testing.assert_allclose(speed.transpose("time", "realization"), [[3, 4, 5], [3, 4, np.nan]], atol=0.001)


def test_gusts_say_the_hours_that_they_are_the_largest_of(tmp_path):
    path = tmp_path / "gust.grib2"
    gusts = [message((0, 2, 22, 103, 10), 9.0, f"{a}-{a + 3}", grid=REGULAR, kind=2, centre="ecmf") for a in (0, 3)]
    path.write_bytes(b"".join(gusts))
    cube = read_grib(path)
    assert covers_hours(cube, "wind_speed_of_gust") == (-3.0, 0.0)
    assert cube["wind_speed_of_gust"].notnull().all(("latitude", "longitude")).values.tolist() == [
        True,
        False,
        False,
        True,
    ]


GUST, CAPE, RAIN = (0, 2, 22, 103, 10), (0, 7, 6, 1, 0), (0, 1, 8, 1, 0)


@pytest.fixture
def read(tmp_path):
    """Return a function that reads messages on the regular grid; each is given as arguments of `message`."""

    def read(*given: tuple[tuple, dict]) -> xr.Dataset:
        path = tmp_path / "some.grib2"
        path.write_bytes(b"".join(message(*words, grid=REGULAR, **more) for words, more in given))
        return read_grib(path)

    return read


def mean(cube: xr.Dataset, name: str) -> list:
    return cube[name].mean(("latitude", "longitude"), skipna=False).round(3).values.tolist()


DERIVED = {  # code table 4.0 of FM 92 GRIB edition 2
    "spread": (2, None, {"derivedForecast": 4}), "largest spread": (12, 2, {"derivedForecast": 4}),
    "probability": (5, None, {}), "probability over a span": (9, 2, {}),
    "percentile": (6, None, {"percentileValue": 10}), "percentile over a span": (10, 2, {"percentileValue": 10}),
}  # fmt: skip


@pytest.mark.parametrize("kind", DERIVED)
def test_what_is_derived_from_an_ensemble_is_not_the_forecast(read, kind):
    template, process, also = DERIVED[kind]
    step = "1" if process is None else "0-1"
    derived = (GUST, 3.0, step), {"template": template, "kind": process, "also": also}
    forecast = (GUST, 22.0, step), {"kind": process}
    for order in ((derived, forecast), (forecast, derived)):
        assert mean(read(*order), "wind_speed_of_gust") == [22.0]
    with pytest.raises(SourceError, match=r"nothing in it belongs in a forecast \(spread, .* are left out\)"):
        read(derived)


def test_a_value_off_the_hour_stands_at_no_hour(read):
    at = [((GUST, 4.0), {"also": {"indicatorOfUnitOfTimeRange": 0, "forecastTime": m}}) for m in (75, 90, 105)]
    assert mean(read(*at, ((GUST, 25.0, "1"), {}), ((GUST, 26.0, "2"), {})), "wind_speed_of_gust") == [25.0, 26.0]
    with pytest.raises(SourceError, match="no field in it is of a full hour"):
        read(*at)
    unit = {"indicatorOfUnitOfTimeRange": 0, "forecastTime": 0, "indicatorOfUnitForTimeRange": 0}
    odd = (RAIN, 5.5, "0-1"), {"kind": 1, "also": unit | {"lengthOfTimeRange": 105}}
    hours = [((RAIN, amount, f"0-{h}"), {"kind": 1}) for h, amount in ((1, 0.5), (2, 6.0))]
    assert mean(read(odd, *hours), "precipitation_amount") == [0.5, 5.5]


def test_a_unit_that_is_not_known_follows_from_the_code(read):
    rain, cloud = (0, 1, 193, 1, 0), (0, 6, 192, 1, 0)
    for local in (0, 1):
        ours = {"centre": "ecmf", "also": {"localTablesVersion": local}}
        assert mean(read(((rain, 0.004, "0-1"), {"kind": 1} | ours)), "precipitation_amount") == [4.0]
        assert mean(read(((cloud, 0.5), ours)), "cloud_area_fraction") == [0.5]
    other = {"centre": "ecmf", "also": {"tablesVersion": 0}}
    assert mean(read(((RAIN, 4.0, "0-1"), {"kind": 1} | other)), "precipitation_amount") == [4.0]
    assert mean(read((((0, 6, 1, 1, 0), 50.0), other)), "cloud_area_fraction") == [0.5]


@pytest.mark.parametrize("turn", [1, -1])
def test_of_several_gusts_and_cape_the_largest_counts(read, turn):
    gusts = [((GUST, 15.0), {}), (((0, 2, 22, 1, 0), 5.0), {})]
    assert mean(read(*gusts[::turn]), "wind_speed_of_gust") == [15.0]
    cape = [((CAPE, 100.0), {}), (((0, 7, 6, 17, 0), 2000.0), {})]
    assert mean(read(*cape[::turn]), "atmosphere_convective_available_potential_energy") == [2000.0]
    spans = [((GUST, 5.0, f"{h - 1}-{h}"), {"kind": 2}) for h in range(1, 7)] + [((GUST, 25.0, "0-6"), {"kind": 2})]
    cube = read(*spans[::turn], ((GUST, 9.0, "2"), {}))
    assert mean(cube, "wind_speed_of_gust") == [5.0, 9.0, 5.0, 5.0, 5.0, 25.0]
    assert covers_hours(cube, "wind_speed_of_gust") == (-6.0, 0.0)


def test_shorter_gusts_within_an_hour_raise_it(read):
    unit = {"indicatorOfUnitOfTimeRange": 0, "indicatorOfUnitForTimeRange": 0, "lengthOfTimeRange": 15}
    quarters = [
        ((GUST, value, "0-1"), {"kind": 2, "also": unit | {"forecastTime": begin}})
        for begin, value in ((0, 30.0), (15, 5.0), (30, 5.0), (45, 6.0), (60, 40.0))
    ]
    cube = read(*quarters)
    assert mean(cube, "wind_speed_of_gust") == [30.0]
    assert covers_hours(cube, "wind_speed_of_gust") == (-1.0, 0.0)


def test_where_two_messages_for_one_thing_differ_it_is_not_known(read):
    pressure = (0, 3, 0, 1, 0)
    cube = read(((pressure, 90_000.0), {}), ((pressure, 95_000.0), {}), ((RAIN, 1.0, "0-1"), {"kind": 1}))
    assert np.isnan(mean(cube, "surface_air_pressure")).all()
    assert mean(cube, "precipitation_amount") == [1.0]
    assert mean(read(*[((pressure, 90_000.0), {})] * 2), "surface_air_pressure") == [90_000.0]


def test_no_member_is_lost_among_others(read):
    beside = [((GUST, 14.0), {}), *(((GUST, 4.0 + m), {"member": m}) for m in (1, 2))]
    cube = read(*beside)
    assert cube["realization"].values.tolist() == [0, 1, 2]
    assert mean(cube, "wind_speed_of_gust") == [[14.0, 5.0, 6.0]]
    pair = [((GUST, v), {"member": 1, "also": {"typeOfEnsembleForecast": t}}) for t, v in ((3, 14.0), (2, 4.0))]
    cube = read(*pair)
    assert cube["realization"].values.tolist() == [0, 1]
    assert mean(cube, "wind_speed_of_gust") == [[4.0, 14.0]]


@pytest.mark.thorough
def test_the_inventory_of_ecmwf_is_read_and_totals_in_metres_become_millimetres(served, written):
    _, ask = served
    for lead in (0, 3, 6):
        rows = [
            ("10u", message((0, 2, 2, 103, 10), 3.0, str(lead), grid=REGULAR, centre="ecmf")),
            ("10v", message((0, 2, 3, 103, 10), 4.0, str(lead), grid=REGULAR, centre="ecmf")),
            ("2t", message((0, 0, 0, 103, 2), 280.0, str(lead), grid=REGULAR, centre="ecmf")),
        ]
        path = written / f"20261125/06z/ifs/0p25/oper/20261125060000-{lead}h-oper-fc.grib2"
        path.parent.mkdir(parents=True, exist_ok=True)
        lines, body = [], b""
        for name, given in rows:
            row = {"date": "20261125", "time": "0600", "step": str(lead), "levtype": "sfc", "param": name}
            lines.append(json.dumps(row | {"_offset": len(body), "_length": len(given)}))
            body += given
        path.write_bytes(body)
        path.with_suffix(".index").write_text("\n".join(lines))
    cube = ask("ecmwf_ifs025", heights=(10,), lead_hours=(0, 6), box=Box(40.0, 0.0, 60.0, 20.0))
    assert cube.sizes["time"] == 7
    known = cube["wind_speed"].notnull().all(("height", "latitude", "longitude")).values
    assert known.tolist() == [True, False, False, True, False, False, True]  # hours between steps are not known
    assert float(cube["wind_speed"][0].max()) == pytest.approx(5.0, abs=0.001)


GRIDS = {
    "polar stereographic": (
        {
            "sample": "polar_stereographic_sfc_grib2", "Nx": COLUMNS, "Ny": ROWS, "DxInMetres": 60_000,
            "DyInMetres": 60_000, "latitudeOfFirstGridPointInDegrees": 50.0,
            "longitudeOfFirstGridPointInDegrees": 230.0, "LaDInDegrees": 60.0,
            "orientationOfTheGridInDegrees": 249.0, "scanningMode": 64, "resolutionAndComponentFlags": 8,
        },
        "+proj=stere +lat_0=90 +lat_ts=60 +lon_0=-111 +R=6371229",
    ),
    "rotated pole": (
        {
            "sample": "rotated_ll_sfc_grib2", "Ni": COLUMNS, "Nj": ROWS, "latitudeOfFirstGridPointInDegrees": -3.0,
            "longitudeOfFirstGridPointInDegrees": 355.0, "latitudeOfLastGridPointInDegrees": 1.0,
            "longitudeOfLastGridPointInDegrees": 1.0, "iDirectionIncrementInDegrees": 1.0,
            "jDirectionIncrementInDegrees": 1.0, "latitudeOfSouthernPoleInDegrees": -40.0,
            "longitudeOfSouthernPoleInDegrees": 10.0, "scanningMode": 64, "uvRelativeToGrid": 1,
        },
        "+proj=ob_tran +o_proj=longlat +o_lat_p=40 +o_lon_p=0 +lon_0=10 +R=6371229",
    ),
}  # fmt: skip


@pytest.mark.thorough
@pytest.mark.parametrize("kind", GRIDS)
def test_other_projections_keep_their_axes_and_survive_a_file(kind, tmp_path):
    grid, text = GRIDS[kind]
    path = tmp_path / "one.grib2"
    path.write_bytes(wind(10, 0.0, 6.0, grid=grid))
    cube = read_grib(path)
    assert cube.sizes["y"] == ROWS and cube.sizes["x"] == COLUMNS
    scale = np.deg2rad(1.0) if "rotated" in kind else 1.0
    projection = pyproj.Proj(text)
    x, y = np.meshgrid(cube["x"].values * scale, cube["y"].values * scale)
    lon, lat = projection(x, y, inverse=True)
    np.testing.assert_allclose(lat, cube["latitude"], atol=1e-4)
    np.testing.assert_allclose((lon - cube["longitude"] + 180.0) % 360.0, 180.0, atol=1e-4)
    beyond = projection(x, y + 1e-4 * (cube["y"].values[1] - cube["y"].values[0]) * scale, inverse=True)
    forward, _, _ = pyproj.Geod("+a=6371229 +b=6371229").inv(lon, lat, *beyond)
    np.testing.assert_allclose(cube["wind_from_direction"][0, 0], (forward + 180.0) % 360.0, atol=0.02)
    save_cube(cube, tmp_path / "one.nc")
    again = load_cube(tmp_path / "one.nc", verify=True)
    xr.testing.assert_equal(again, cube)
    assert again["wind_speed"].attrs["grid_mapping"] == "crs"
    assert pyproj.CRS.from_cf(again["crs"].attrs) == pyproj.CRS.from_cf(cube["crs"].attrs)


@pytest.mark.thorough
def test_a_foreign_file_of_a_projected_grid_is_read(tmp_path, cube):
    from wxfly.cube.foreign_file import read_foreign

    save_cube(cube, tmp_path / "grid.nc")
    again = read_foreign(tmp_path / "grid.nc", ours=True)
    xr.testing.assert_equal(again, cube)
    assert again["x"].attrs == cube["x"].attrs
    assert again["crs"].attrs.keys() == cube["crs"].attrs.keys()


def test_a_file_that_is_cut_or_holds_two_runs_is_refused_in_one_line(tmp_path):
    path = tmp_path / "bad.grib2"
    good = wind(10, 3.0, 0.0, grid=REGULAR)
    path.write_bytes(good + wind(80, 3.0, 0.0, grid=REGULAR)[:-40])
    with pytest.raises(SourceError, match=r"bad\.grib2: message 3 cannot be read .*; fetch the file again"):
        read_grib(path)
    path.write_bytes(good + wind(80, 3.0, 0.0))
    with pytest.raises(SourceError, match="its grid is not that of the others"):
        read_grib(path)
    path.write_bytes(b"no such thing")
    with pytest.raises(SourceError, match="there is no GRIB message in"):
        read_grib(path)
    path.write_bytes(message((0, 2, 2, 103, 10), 3.0))
    with pytest.raises(SourceError, match="its other component is missing"):
        read_grib(path)


def test_a_real_inventory_is_read():
    path = SHARED / "samples/noaa/gfs_pgrb2_0p25_f001_excerpt.idx"
    if not path.is_file():
        pytest.skip("the sample inventory is not here")
    entries = parse_idx(path.read_text(), "a file")
    wind_80 = next(e for e in entries if (e.variable, e.level) == ("UGRD", "80 m above ground"))
    assert (wind_80.offset, wind_80.length, wind_80.last_hour) == (486626863, 487598457 - 486626863, 1.0)
    assert entries[-1].length is None


@pytest.mark.parametrize(
    ("time", "span"),
    [
        ("anl", (0, 0, "instant")), ("3 hour fcst", (3, 3, "instant")), ("0-1 hour acc fcst", (0, 1, "sum")),
        ("0-1 day acc fcst", (0, 24, "sum")), ("2-3 hour max fcst", (2, 3, "maximum")),
        ("2-3 hour ave fcst", (2, 3, "other")), ("15 min fcst", (0.25, 0.25, "instant")),
    ],
)  # fmt: skip
def test_times_of_an_inventory(time, span):
    entry = parse_idx(f"1:0:d=2026112506:X:surface:{time}:ENS=+3:", "a file")[0]
    assert (entry.first_hour, entry.last_hour, entry.kind, entry.member) == (*span, 3)


@pytest.mark.parametrize("text", ["", "<html>", "1:x:d=2026112506:X:surface:anl:", "1:5:d=2026119906:X:surface:anl:"])
def test_a_text_that_is_no_inventory_is_refused(text):
    for parse in (parse_idx, parse_index):
        with pytest.raises(SourceError, match=r"a file: .*inventory"):
            parse(text, "a file")


def test_ranges_near_each_other_are_joined():
    def entry(offset, length):
        return Entry("1", offset, length, np.datetime64("2026-11-25", "ns"), "X", "surface", 1.0, 1.0, "instant")

    rows = [entry(0, 100), entry(150, 100), entry(9000, 50), entry(9050, None)]
    assert [[e.offset for e in g] for g in joined_ranges(rows, across=60)] == [[0, 150], [9000, 9050]]
    assert [[e.offset for e in g] for g in joined_ranges(rows, across=0)] == [[0], [150], [9000, 9050]]
    assert len(joined_ranges([entry(0, 3_000_000), entry(3_000_000, 3_000_000)], across=0)) == 2


@needs_nam
@pytest.mark.thorough
def test_a_real_file_has_the_values_that_eccodes_finds_at_a_place():
    cube = read_grib(NAM)
    away = (cube["latitude"] - 40.0) ** 2 + (cube["longitude"] + 105.0) ** 2
    cell = cube.isel(away.argmin(...))
    found = {}
    with NAM.open("rb") as file:
        while (handle := eccodes.codes_grib_new_from_file(file)) is not None:
            if eccodes.codes_get(handle, "shortName") in ("gust", "2t", "sp"):
                near = eccodes.codes_grib_find_nearest(handle, 40.0, -105.0)[0]
                found[eccodes.codes_get(handle, "shortName")] = near
            eccodes.codes_release(handle)
    for short, name in (("gust", "wind_speed_of_gust"), ("2t", "air_temperature"), ("sp", "surface_air_pressure")):
        assert float(cell[name].squeeze()) == pytest.approx(found[short].value, rel=1e-6)
        assert float(cell["latitude"]) == pytest.approx(found[short].lat, abs=1e-6)


@pytest.mark.thorough
def test_the_library_asks_for_a_grid_and_the_store_is_cleared_of_it(written, monkeypatch, tmp_path):
    import wxfly
    from wxfly.store.forecasts import grids_folder
    from wxfly.store.pruning import clear_store

    server = FileServer(written)
    monkeypatch.setenv("WXFLY_NOAA_HRRR_URL", server.address)
    monkeypatch.setenv("WXFLY_CACHE", str(tmp_path / "cache"))
    asked = {"south": 38.5, "west": -107.0, "north": 40.0, "east": -105.0, "heights": (10,), "lead_hours": (2, 3)}
    cube = wxfly.forecast_grid("ncep_hrrr_conus", **asked, as_of="2026-11-25T09:30Z")
    server.close()
    assert cube.sizes["time"] == 2 and cube.sizes["height"] == 1
    with pytest.raises(WxflyError, match="the forecast has several places"):
        wxfly.conditions(cube, height=60.0)
    assert wxfly.conditions(cube.isel(y=0, x=0), height=60.0).sizes["time"] == 1
    with pytest.raises(WxflyError, match="wanted south < north"):
        wxfly.forecast_grid("ncep_hrrr_conus", **(asked | {"south": 41.0}))
    assert clear_store()
    assert not list(grids_folder().rglob("*.grib2"))
