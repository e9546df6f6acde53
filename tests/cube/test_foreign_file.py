"""A netCDF file of a stranger: read within limits by a process of its own, which an interrupt ends at once.

Every attribute and coordinate is of the right type, or one line names it.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import h5py
import numpy as np
import pytest
import xarray as xr

from tests.cubes import quiet_cube
from tests.halves import spread
from wxfly.cube import foreign_file
from wxfly.cube.contract import from_file, span_coordinates, spans_of, state_spans, to_file
from wxfly.cube.foreign_file import OF_CUBE, OF_VARIABLE, check_contents, read_foreign
from wxfly.cube.netcdf import load_cube, save_cube
from wxfly.errors import DamagedError, WxflyError
from wxfly.retrieval import files
from wxfly.retrieval.places import load_manifest, shipped_folder

ROOT = Path(__file__).resolve().parents[2]
has_limits = pytest.mark.skipif(os.name != "posix", reason="this system limits no process")


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Return a sound file, which a test copies before it changes it."""
    path = tmp_path_factory.mktemp("whole") / "a.nc"
    cube = quiet_cube(hours=30).expand_dims(site=np.array(["Kèl der/ness <b>"], dtype=object), axis=1)
    places = {name: ("site", [cube[name].item()]) for name in ("latitude", "longitude", "surface_altitude")}
    cube = cube.assign_coords(places)
    save_cube(cube, path)
    return path


@pytest.fixture
def path(whole, tmp_path):
    return Path(shutil.copy(whole, tmp_path))


@pytest.fixture
def endless(path):
    """Zero a block of the texts that HDF5 keeps together: the library then looks for the next text for ever."""
    content = path.read_bytes()
    start = content.index(b"GCOL") + 512
    path.write_bytes(content[:start] + bytes(512) + content[start + 512 :])
    return path


@pytest.mark.thorough
def test_it_is_read_as_the_file_of_a_friend_is(path):
    xr.testing.assert_identical(read_foreign(path, ours=True), load_cube(path))


def test_packed_and_missing_values_come_back(tmp_path, read_here):
    cube = quiet_cube(hours=5).assign_coords(forecast_reference_time=np.datetime64("NaT", "ns"))
    cube["wind_speed_of_gust"][2] = np.nan
    packed = {"dtype": "int16", "scale_factor": 0.01, "_FillValue": -32768}
    cube.to_netcdf(tmp_path / "a.nc", engine="h5netcdf", encoding={"wind_speed_of_gust": packed})
    back = read_foreign(tmp_path / "a.nc")
    assert np.allclose(back["wind_speed_of_gust"], cube["wind_speed_of_gust"], atol=0.006, equal_nan=True)
    assert np.isnat(back["forecast_reference_time"])


@pytest.mark.thorough
@has_limits
def test_a_file_that_is_never_read_to_its_end_meets_a_limit_and_is_not_called_damaged(endless, monkeypatch):
    monkeypatch.setattr(foreign_file, "PROCESSOR_SECONDS", 2)
    with pytest.raises(WxflyError, match="took more than 2 s of processor time and was stopped") as caught:
        read_foreign(endless)
    assert "damaged" not in str(caught.value)
    assert "remove" not in str(caught.value)
    assert endless.is_file()


@pytest.mark.thorough
def test_without_limits_of_the_system_the_clock_ends_it(endless, monkeypatch):
    monkeypatch.setattr(foreign_file, "WALL_SECONDS", 2.0)
    with pytest.raises(WxflyError, match="took more than 2 s and was stopped") as caught:
        read_foreign(endless)
    assert "damaged" not in str(caught.value)


@pytest.mark.thorough
@has_limits
def test_a_small_file_that_wants_gigabytes_meets_a_limit(tmp_path):
    with h5py.File(tmp_path / "a.nc", "w") as file:
        for name in ("time", "wind_speed"):
            file.create_dataset(name, shape=(400_000_000,), dtype="f8", chunks=(1000,))
        file["time"].make_scale("time")
        file["wind_speed"].dims[0].attach_scale(file["time"])
    assert (tmp_path / "a.nc").stat().st_size < 20_000
    with pytest.raises(WxflyError, match="needs more than 1000 MB of memory") as caught:
        read_foreign(tmp_path / "a.nc")
    assert "damaged" not in str(caught.value)


@pytest.mark.thorough
@has_limits
def test_an_interrupt_ends_the_question_and_the_reading_at_once(endless):
    code = (
        f"import signal, sys; sys.path.insert(0, {str(ROOT)!r})\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # a shell's background job begins without it
        "from wxfly.cli import main; main(prog_name='wxfly')"
    )
    command = [sys.executable, "-c", code, "best", "--forecast", str(endless)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT) as process:
        child = _child_of(process.pid)
        started = time.monotonic()
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=10)
        assert time.monotonic() - started < 10
    assert process.returncode != 0
    state = subprocess.run(["ps", "-o", "stat=", "-p", str(child)], capture_output=True, text=True, check=False)
    assert state.stdout.strip()[:1] in ("", "Z"), "the child reads on"


def _child_of(pid):
    for _ in range(300):
        found = subprocess.run(["ps", "-o", "pid=", "--ppid", str(pid)], capture_output=True, text=True, check=False)
        if found.stdout.strip():
            time.sleep(3)  # it is at work in the library by then
            return int(found.stdout.split()[0])
        time.sleep(0.1)
    pytest.fail("no child began to read")


@pytest.mark.parametrize("body", spread([b"\x89HDF\r\n\x1a\n" + b"\0" * 500, b"", b"not HDF5"], 3))
def test_what_is_no_netcdf_is_said_in_one_line(tmp_path, body):
    (tmp_path / "a.nc").write_bytes(body)
    with pytest.raises(WxflyError, match="not a readable netCDF file") as caught:
        read_foreign(tmp_path / "a.nc")
    assert "\n" not in str(caught.value)
    assert "remove" not in str(caught.value)


def test_an_absent_file_and_a_folder_are_said_without_a_child(tmp_path, monkeypatch):
    monkeypatch.setattr(subprocess, "run", lambda *_, **__: pytest.fail("a child was started"))
    with pytest.raises(WxflyError, match="there is no such file"):
        read_foreign(tmp_path / "a.nc")
    with pytest.raises(WxflyError, match="not a file"):
        read_foreign(tmp_path)


def test_a_fault_of_the_program_in_the_child_is_not_one_of_the_file(path, monkeypatch):
    monkeypatch.setattr(foreign_file, "_CHILD", "raise KeyError('a slip of ours')")
    with pytest.raises(RuntimeError, match="a slip of ours"):
        read_foreign(path)


@pytest.mark.thorough
def test_what_wxfly_wrote_can_be_told_from_what_was_changed_since(path, read_here):
    changed = load_cube(path)
    changed["wind_speed_of_gust"].values.flat[0] += 1.0
    changed.to_netcdf(path, engine="h5netcdf")
    read_foreign(path)
    with pytest.raises(DamagedError, match="its checksum does not match"):
        read_foreign(path, ours=True)


def _attribute(name, value, of=None):
    def change(file):
        (file if of is None else file[of]).attrs[name] = value

    return change


def _no_attribute(name, of=None):
    def change(file):
        del (file if of is None else file[of]).attrs[name]

    return change


def _times_days_apart(name):
    def change(file):
        file[name][:, 0] -= 3 * 86400

    return change


@pytest.mark.parametrize(
    ("change", "words"),
    spread(
        [
            (_attribute("model", np.array([b"a", b"b"])), "the attribute 'model' is of another kind, wanted a text"),
            (_attribute("carried", 3), "the attribute 'carried' is of another kind, wanted names"),
            (_attribute("missing_members", "many"), "the attribute 'missing_members' is 'many', wanted a whole number"),
            (_attribute("wxfly_schema", "x"), "written by a newer wxfly"),
            (
                _attribute("cell_methods", 2, of="wind_speed_of_gust"),
                "'cell_methods' is of another kind, wanted a text",
            ),
            (_times_days_apart("time_bnds"), "wind_speed_of_gust covers -73 to +0 hours around its stamp"),
            (_attribute("units", h5py.Empty("f"), of="wind_speed"), "'units' is of another kind|not a readable netCDF"),
            (_attribute("units", "fortnights since 2026", of="time"), "not a readable netCDF file|wanted times"),
            (_attribute("scale_factor", "big", of="wind_speed"), "not a readable netCDF file|holds"),
            (_no_attribute("units", of="wind_speed"), "wind_speed is in 'None', wanted 'm s-1'"),
            (_no_attribute("source"), "the attribute 'source' is missing"),
            (_attribute("hours", "all of them"), ""),  # nobody of ours wrote it, so it is left out
        ],
        2,
    ),
)
def test_a_malformed_attribute_is_one_line_of_the_command(path, change, words, wxfly, read_here):
    with h5py.File(path, "a") as file:
        change(file)
    code, _, err = wxfly("best", "--forecast", str(path))
    assert "fault of wxfly" not in err
    if words:
        assert code == 1
        (line,) = [line for line in err.splitlines() if line.startswith("Error: ")]
        assert any(w in line for w in words.split("|")), line
        assert "remove" not in line


ODD = {
    "a text": "x", "an empty text": "", "a number": 3.5, "a large number": 10**12, "not a number": np.nan,
    "numbers": np.array([1.0, 2.0, 3.0]), "a pair": np.array([5.0, -5.0]), "an endless pair": np.array([-np.inf, 1.0]),
    "nothing": None, "no numbers": np.array([]), "control letters": "\x1b[31mred\x00",
}  # fmt: skip


@pytest.fixture
def cube():
    """Return a cube as a file has it."""
    return to_file(quiet_cube(hours=30)).expand_dims(site=np.array(["here"], dtype=object), axis=1).assign_coords(
        latitude=("site", [52.0]), longitude=("site", [6.0]), surface_altitude=("site", [30.0])
    )  # fmt: skip


def test_a_sound_cube_passes_as_it_is(cube):
    xr.testing.assert_identical(check_contents(cube, "a.nc"), from_file(cube))
    for entry in load_manifest()["files"]:
        shipped = load_cube(shipped_folder() / entry["file"])
        checked = check_contents(to_file(shipped), "a.nc")
        xr.testing.assert_equal(checked, shipped)
        assert checked.attrs == shipped.attrs


@pytest.mark.parametrize("odd", spread(ODD, 3))
def test_an_odd_attribute_is_one_line_that_names_it(cube, odd):
    for name in OF_CUBE:
        _one_line(cube.assign_attrs({name: ODD[odd]}), name)
    for variable in ("wind_speed", "kp_index", "latitude", "height"):
        for name in OF_VARIABLE:
            changed = cube.copy()
            changed[variable].attrs[name] = ODD[odd]
            _one_line(changed, name)


@pytest.mark.thorough
@pytest.mark.parametrize("odd", spread(ODD, 11))
def test_odd_attributes_are_no_traceback_of_the_command(cube, odd, wxfly, monkeypatch, tmp_path):
    """All that the door lets through at once, and what it does not know, through the whole of a question."""
    let_through = cube.assign_attrs(hours=ODD[odd], phase_heights=ODD[odd], required=ODD[odd])
    for name in (n for n in OF_CUBE if n not in ("source", "institution", "license", "attribution")):
        let_through = _if_let_through(let_through, None, name, ODD[odd])
    for variable in (*cube.data_vars, *cube.coords):
        for name in (n for n in OF_VARIABLE if n != "units"):
            let_through = _if_let_through(let_through, variable, name, ODD[odd])
    monkeypatch.setattr(files, "read_foreign", lambda path: check_contents(let_through, path.name))
    code, out, err = wxfly("best", "--forecast", str(tmp_path / "a.nc"))
    assert code in (0, 1), err
    assert "fault of wxfly" not in err
    assert "\x1b" not in out + err


def _if_let_through(cube, variable, name, value):
    changed = cube.copy()
    (changed if variable is None else changed[variable]).attrs[name] = value
    try:
        check_contents(changed if variable is None else changed[[variable]], "a.nc")
    except WxflyError:
        return cube
    return changed


def _at(name, values, dims=None):
    def change(cube):
        return cube.drop_vars(name).assign_coords({name: (cube[name].dims if dims is None else dims, values)})

    return change


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (_at("latitude", ["north"]), "latitude holds .*, wanted numbers"),
        (_at("latitude", [95.0]), "latitude 95 is not between -90 and 90"),
        (_at("longitude", [250.0]), "longitude 250 is not between -180 and 180"),
        (_at("surface_altitude", [99_999.0]), "surface_altitude 99999 is not between"),
        (_at("latitude", 52.0 + np.zeros(30), ("time",)), r"latitude has the dimensions \(time\), wanted \(site\)"),
        (_at("time", np.arange(30), ("time",)), "time holds int64, wanted times"),
        (_at("forecast_reference_time", "today", ()), "forecast_reference_time holds .*, wanted times"),
        (_at("height", [b"a", b"b", b"c"]), "height holds .*, wanted numbers"),
        (_at("site", [3.0]), "site holds float64, wanted texts"),
        (_at("time_bnds", np.zeros((30, 2))), "time_bnds holds float64, wanted times"),
        (
            _at("time_bnds", np.zeros(30, "M8[ns]"), ("time",)),
            r"time_bnds has the shape \(30,\), wanted \(time, bnds\)",
        ),
        (lambda cube: cube.reset_coords("time_bnds"), "time_bnds is not a coordinate of it"),
        (lambda cube: cube.isel(site=slice(0, 0)), "there is no site in it"),
        (_at("latitude", 52.0, ()), r"latitude has the dimensions \(\), wanted \(site\)"),
        (_at("surface_altitude", 30.0, ()), r"surface_altitude has the dimensions \(\), wanted \(site\)"),
        (
            lambda cube: cube.isel(site=0).expand_dims("latitude"),
            r"its places have the dimensions \(latitude\), wanted \(site\)",
        ),
        (lambda cube: cube.reset_coords("latitude"), "latitude is not a coordinate of it"),
        (
            lambda cube: cube.expand_dims(realization=[0.5]),
            "realization holds something that is not a whole number",
        ),
        (
            lambda cube: cube.assign_attrs(carried="wind_speed ten"),
            "the attribute 'carried' is 'wind_speed ten', wanted",
        ),
        (
            lambda cube: cube.assign_attrs(missing_members="many"),
            "the attribute 'missing_members' is 'many', wanted a whole number",
        ),
        (lambda cube: cube.assign_attrs(model=7), "the attribute 'model' is of another kind, wanted a text"),
    ],
)
def test_a_coordinate_or_attribute_of_a_wrong_kind_is_one_line(cube, change, words):
    with pytest.raises(WxflyError, match=f"^a.nc: {words}") as caught:
        check_contents(change(cube), "a.nc")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("span", [(-1, 0), (-3, 0), (-0.5, 0), (0, 1)])
def test_bounds_of_another_name_say_what_a_value_covers(cube, span):
    made = state_spans(cube, dict.fromkeys(("precipitation_amount", "wind_speed_of_gust", "wind_speed"), span))
    given = made.rename(time_bnds="bounds_of_time", bnds="nv")
    given["time"].attrs["bounds"] = "bounds_of_time"
    back = check_contents(given, "a.nc")
    assert spans_of(back) == spans_of(made)
    assert spans_of(back)["wind_speed"] == span
    assert back["wind_speed"].attrs["cell_methods"] == "time: mean"
    xr.testing.assert_identical(back, from_file(made))


def _one_line(cube, name):
    try:
        back = check_contents(cube, "a.nc")
    except WxflyError as fault:
        assert f"the attribute '{name}' is" in str(fault)
        assert "wanted" in str(fault)
        assert "\n" not in str(fault)
        assert str(fault).isprintable()
    else:
        assert all(v.isprintable() for v in back.attrs.values() if isinstance(v, str))


@pytest.mark.parametrize(
    ("name", "method", "wanted"),
    [
        ("wind_speed", "minimum", "point or mean or maximum"),
        ("wind_speed", "standard_deviation", "point or mean or maximum"),
        ("wind_speed_of_gust", "mean", "point or maximum"),
        ("precipitation_amount", "mean", "point or sum or maximum"),
        ("visibility_in_air", "maximum", "point or mean or minimum"),
        ("air_temperature", "variance", "point or mean or maximum or minimum"),
    ],
)
def test_a_value_that_hides_the_worst_of_its_span_is_refused(cube, name, method, wanted):
    for text in (f"time: {method}", f"area: mean time: lat: lon: {method} (interval: 1 hour)"):
        changed = cube.copy()
        changed[name].attrs["cell_methods"] = text
        with pytest.raises(WxflyError) as caught:
            check_contents(changed, "a.nc")
        assert str(caught.value) == f"a.nc: {name} is the {method} over its time (cell_methods), wanted {wanted}"


def test_a_span_that_is_not_stated_is_as_wide_as_it_may_be(cube):
    bare = cube.drop_vars(span_coordinates(cube)).copy(deep=True)
    bare["time"].attrs.pop("bounds", None)
    for variable in bare.data_vars.values():
        variable.attrs.pop("cell_methods", None)
    back = spans_of(check_contents(bare, "a.nc"))
    assert back["wind_speed_of_gust"] == back["precipitation_amount"] == (-1.0, 1.0)
    assert back["wind_speed"] == (0.0, 0.0)
    assert spans_of(check_contents(cube, "a.nc"))["wind_speed_of_gust"] == (-1.0, 0.0), "a span that is stated"
