"""Cubes as files: plain CF netCDF, whole or not there, refused when their checksum does not match."""

import shutil
import subprocess

import numpy as np
import pytest
import xarray as xr

from tests.cubes import quiet_cube
from tests.halves import spread
from wxfly.cube import netcdf
from wxfly.cube.contract import SCHEMA_VERSION, covers_hours, span_coordinates, spans_of
from wxfly.cube.foreign_file import read_foreign
from wxfly.cube.netcdf import content_checksum, load_cube, save_cube
from wxfly.errors import DamagedError, WxflyError


@pytest.fixture
def cube():
    """Return a cube of few variables: each takes its time in a file."""
    return quiet_cube()[["wind_speed", "wind_speed_of_gust", "visibility_in_air", "kp_index"]]


def test_a_cube_comes_back_as_it_was(cube, tmp_path):
    cube["wind_speed"][3, ...] = np.nan
    save_cube(cube, tmp_path / "a.nc")
    back = load_cube(tmp_path / "a.nc", verify=True)
    xr.testing.assert_equal(back, cube)
    assert back["wind_speed"].attrs["units"] == "m s-1"
    assert covers_hours(back, "wind_speed_of_gust") == (-1.0, 0.0)
    assert {k: back.attrs[k] for k in cube.attrs} == cube.attrs


def test_a_run_that_is_not_known_stays_so(cube, tmp_path):
    save_cube(cube.assign_coords(forecast_reference_time=np.datetime64("NaT", "ns")), tmp_path / "a.nc")
    assert np.isnat(load_cube(tmp_path / "a.nc", verify=True)["forecast_reference_time"])


@pytest.mark.parametrize(
    "encoding",
    spread(
        [{"dtype": "int16", "scale_factor": 0.01, "_FillValue": -32768}, {"dtype": "float32"}, {"_FillValue": -999.0}],
        3,
    ),
)
def test_a_file_packed_by_another_tool_is_read_too(cube, tmp_path, encoding):
    cube["wind_speed_of_gust"][2] = np.nan
    cube.to_netcdf(tmp_path / "a.nc", engine="h5netcdf", encoding={"wind_speed_of_gust": encoding})
    back = load_cube(tmp_path / "a.nc")
    assert np.allclose(back["wind_speed_of_gust"], cube["wind_speed_of_gust"], atol=0.006, equal_nan=True)


@pytest.mark.skipif(shutil.which("ncdump") is None, reason="ncdump (netcdf-bin) is not installed")
def test_any_netcdf_tool_opens_it(cube, tmp_path):
    save_cube(cube, tmp_path / "a.nc")
    header = subprocess.run(["ncdump", "-h", tmp_path / "a.nc"], capture_output=True, text=True, check=True).stdout
    assert 'standard_name = "wind_speed"' in header
    assert "seconds since 1970-01-01" in header


def test_writing_leaves_nothing_beside(cube, tmp_path):
    save_cube(cube, tmp_path / "new" / "a.nc")
    assert [p.name for p in (tmp_path / "new").iterdir()] == ["a.nc"]


def test_a_failed_write_leaves_the_old_file_and_nothing_beside(cube, tmp_path, monkeypatch):
    save_cube(cube, tmp_path / "a.nc")
    before = (tmp_path / "a.nc").read_bytes()

    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(WxflyError, match=r"could not be kept .*No space left"):
        save_cube(cube * 1.0, tmp_path / "a.nc")
    assert (tmp_path / "a.nc").read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["a.nc"]


@pytest.mark.thorough
@pytest.mark.parametrize(
    "gust", [(0, 0), (-3, 1), *(pytest.param(span, marks=pytest.mark.thorough) for span in ((-1, 0), (-0.5, 0)))]
)
def test_spans_come_back_and_no_variable_lists_the_times_of_another(tmp_path, gust):
    cube = quiet_cube(wind_speed_of_gust=gust)
    save_cube(cube, tmp_path / "a.nc")
    assert spans_of(load_cube(tmp_path / "a.nc")) == spans_of(cube)
    plain = xr.open_dataset(tmp_path / "a.nc", engine="h5netcdf", decode_coords=False)
    assert "_time" not in plain["wind_speed"].attrs["coordinates"].replace("forecast_reference_time", "")
    is_own = gust in ((-3, 1), (-0.5, 0))
    assert ("wind_speed_of_gust_time" in plain["wind_speed_of_gust"].attrs["coordinates"]) == is_own
    assert "_FillValue" not in plain["height"].encoding
    assert "coordinates" not in plain.attrs


@pytest.mark.thorough
@pytest.mark.parametrize("read", spread([load_cube, read_foreign], 2))
def test_the_spans_of_a_file_of_an_early_wxfly_are_read(read, tmp_path, monkeypatch):
    cube = quiet_cube(wind_speed_of_gust=(0, 0), precipitation_amount=(0, 1), kp_index=(-3, 0))
    early = cube.drop_vars(span_coordinates(cube)).copy()
    for name, span in spans_of(cube).items():
        early[name].attrs["covers_hours"] = np.array(span)
    early["wind_speed_of_gust"].attrs["cell_methods"] = "time: maximum"
    monkeypatch.setattr(netcdf, "SCHEMA_VERSION", 1)
    save_cube(early, tmp_path / "a.nc")
    monkeypatch.undo()
    load_cube(tmp_path / "a.nc", verify=True)
    xr.testing.assert_identical(read(tmp_path / "a.nc").drop_attrs(), cube.drop_attrs())
    assert spans_of(read(tmp_path / "a.nc")) == spans_of(cube)
    early["wind_speed_of_gust"].attrs["covers_hours"] = np.array([1.0, 2.0, 3.0])
    save_cube(early, tmp_path / "a.nc")
    with pytest.raises(WxflyError, match="'covers_hours' of wind_speed_of_gust is not two numbers of hours"):
        read(tmp_path / "a.nc")


def test_a_newer_schema_is_refused_by_name(cube, tmp_path, monkeypatch):
    monkeypatch.setattr(netcdf, "SCHEMA_VERSION", SCHEMA_VERSION + 1)
    save_cube(cube, tmp_path / "a.nc")
    monkeypatch.undo()
    with pytest.raises(WxflyError, match="written by a newer wxfly"):
        load_cube(tmp_path / "a.nc")


def test_a_foreign_file_is_refused_in_the_store(cube, tmp_path, read_here):
    cube.to_netcdf(tmp_path / "a.nc", engine="h5netcdf")
    for read in (load_cube, read_foreign):
        xr.testing.assert_equal(read(tmp_path / "a.nc")["provided"], cube["provided"])
    with pytest.raises(WxflyError, match="not written by wxfly"):
        load_cube(tmp_path / "a.nc", verify=True)


@pytest.mark.parametrize("body", [b"", b"not HDF5", b"\x89HDF\r\n\x1a\n" + b"\0" * 500])
def test_what_is_no_netcdf_is_refused_in_one_line(tmp_path, body):
    (tmp_path / "a.nc").write_bytes(body)
    with pytest.raises(WxflyError, match=r"not a readable netCDF file") as caught:
        load_cube(tmp_path / "a.nc")
    assert "\n" not in str(caught.value)
    assert "remove" not in str(caught.value)


def test_an_absent_file_and_a_folder_are_refused_in_one_line(tmp_path):
    with pytest.raises(WxflyError, match="there is no such file"):
        load_cube(tmp_path / "a.nc")
    with pytest.raises(WxflyError, match="not a readable"):
        load_cube(tmp_path)


def test_every_change_changes_the_checksum(cube):
    reference = content_checksum(cube)
    assert content_checksum(cube.copy(deep=True)) == reference
    changed = cube.copy(deep=True)
    changed["wind_speed_of_gust"].values.flat[5] += 0.001
    others = [
        changed,
        cube.drop_vars("kp_index"),
        cube.assign_attrs(model="another"),
        cube.assign_coords(time=cube["time"] + np.timedelta64(1, "h")),
        cube.assign(visibility_in_air=cube["visibility_in_air"].assign_attrs(units="km")),
        cube.assign_coords(forecast_reference_time=np.datetime64("NaT", "ns")),
    ]
    sums = [content_checksum(other) for other in others]
    assert reference not in sums
    assert len(set(sums)) == len(sums)


def test_a_cube_that_was_changed_is_told_by_the_checksum_in_it(cube, tmp_path):
    save_cube(cube, tmp_path / "a.nc")
    changed = load_cube(tmp_path / "a.nc")
    changed["wind_speed_of_gust"].values.flat[0] += 1.0
    changed.to_netcdf(tmp_path / "a.nc", engine="h5netcdf")
    with pytest.raises(DamagedError, match="damaged, its checksum does not match"):
        load_cube(tmp_path / "a.nc", verify=True)


def test_a_fault_of_the_program_is_not_called_one_of_the_file(cube, tmp_path, monkeypatch):
    save_cube(cube, tmp_path / "a.nc")

    def broken(_):
        raise KeyError("a slip of ours")

    monkeypatch.setattr(netcdf, "content_checksum", broken)
    with pytest.raises(KeyError, match="a slip of ours"):
        load_cube(tmp_path / "a.nc", verify=True)
    assert (tmp_path / "a.nc").is_file()


@pytest.mark.parametrize(
    ("stated", "hidden"),
    [
        ({"valid_max": 80_000.0}, [99_999.0]),
        ({"valid_range": np.array([50.0, 80_000.0])}, [20.0, 99_999.0]),
        ({"valid_min": 50.0}, [20.0]),
        ({"valid_min": 20.0, "valid_max": 99_999.0}, []),
    ],
)
def test_values_outside_the_valid_range_of_a_file_are_missing(tmp_path, read_here, stated, hidden):
    cube = quiet_cube(hours=5)
    given = [20.0, 99_999.0, 80_000.0, 50.0, 500.0]
    cube["visibility_in_air"].values[:] = given
    cube["visibility_in_air"].attrs |= stated
    cube.to_netcdf(tmp_path / "a.nc", engine="h5netcdf")
    for back in (read_foreign(tmp_path / "a.nc"), load_cube(tmp_path / "a.nc")):
        assert back["visibility_in_air"].values.tolist() == pytest.approx(
            [np.nan if v in hidden else v for v in given], nan_ok=True
        )


@pytest.mark.parametrize("largest", [np.int16(800), 80_000.0])
def test_a_valid_range_of_packed_values_is_one_of_their_type(tmp_path, read_here, largest):
    cube = quiet_cube(hours=3)
    cube["visibility_in_air"].values[:] = 99_900.0, 80_000.0, 500.0
    packed = {"dtype": "int16", "scale_factor": 100.0, "_FillValue": -1}
    cube["visibility_in_air"].attrs["valid_max"] = largest
    cube.to_netcdf(tmp_path / "a.nc", engine="h5netcdf", encoding={"visibility_in_air": packed})
    back = read_foreign(tmp_path / "a.nc")["visibility_in_air"].values
    assert np.isnan(back[0])
    assert back[1:].tolist() == [80_000.0, 500.0]


@pytest.mark.parametrize("odd", ["eighty", np.array([1.0, 2.0, 3.0])])
def test_a_valid_range_that_is_none_is_refused(tmp_path, read_here, odd):
    cube = quiet_cube(hours=3)
    cube["visibility_in_air"].attrs["valid_range"] = odd
    cube.to_netcdf(tmp_path / "a.nc", engine="h5netcdf")
    with pytest.raises(WxflyError, match="valid_range of visibility_in_air is not 2 numbers"):
        read_foreign(tmp_path / "a.nc")
