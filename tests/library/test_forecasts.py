"""Cubes for a program: hours from now on, without what is too old, and what must be known first."""

import numpy as np
import pytest
import xarray as xr

import wxfly
from wxfly.errors import WxflyError


def test_a_cube_of_a_site_has_no_dimension_of_sites_and_says_that_it_is_invented():
    cube = wxfly.get_forecast()
    assert isinstance(cube, xr.Dataset)
    assert cube["wind_speed"].dims == ("time", "height")
    assert "invented" in cube.attrs["comment"]


def test_hours_that_are_over_are_left_out():
    cube = wxfly.get_forecast("Kelderness", as_of="2026-03-15T09:30Z")
    assert cube["time"].to_numpy()[0] == np.datetime64("2026-03-15T09:00")


@pytest.mark.thorough
def test_a_cube_that_was_saved_is_read_again(tmp_path):
    cube = wxfly.get_forecast("Kelderness")
    cube.to_netcdf(tmp_path / "own.nc", engine="h5netcdf")
    again = wxfly.read_forecast(tmp_path / "own.nc")
    xr.testing.assert_allclose(again["wind_speed"], cube["wind_speed"])
    assert "answered from the file own.nc" in again.attrs["comment"]


def test_a_forecast_of_a_service(server):
    cube = wxfly.get_forecast("52.1,6.9")
    assert np.isfinite(cube["wind_speed"].to_numpy()).any()
    assert cube["site"].item() == "52.1000, 6.9000"


@pytest.mark.parametrize("name", ["none.nc", "none.json"])
def test_a_file_that_is_not_there_is_told(tmp_path, name):
    with pytest.raises(WxflyError, match=name):
        wxfly.read_forecast(tmp_path / name)


def test_nobody_is_asked_offline():
    with pytest.raises(WxflyError):
        wxfly.get_forecast("52.1,6.9", offline=True)
