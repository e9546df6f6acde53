"""Step by step gives what the answer gives: cube, conditions, assessment, windows; a cube has hours from now on."""

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

import wxfly
from wxfly.assessment.conditions import derive
from wxfly.errors import WxflyError
from wxfly.retrieval.places import shipped_folder


@pytest.fixture(scope="module")
def cube():
    return wxfly.get_forecast("Kelderness")


@pytest.mark.parametrize("aircraft", ["camera-quad-250g", "cine-hexacopter"])
def test_the_steps_find_what_the_answer_finds(cube, aircraft):
    answer = wxfly.best("Kelderness", height=80.0, aircraft=aircraft).briefing.answers[0]
    hours = wxfly.conditions(cube, height=80.0)
    judged = wxfly.assess(hours, wxfly.limits_for(aircraft))
    of_answer = judged.sel(time=answer.assessment["time"])
    for name in ("demand", "limit", "margin", "state", "hour_margin"):
        np.testing.assert_array_equal(of_answer[name].to_numpy(), answer.assessment[name].to_numpy())
    windows = wxfly.find_windows(judged, start=answer.start, end=answer.end)
    assert {(w.start, w.end, w.margin) for w in windows} == {(w.start, w.end, w.margin) for w in answer.windows}


def test_a_limit_for_the_launch_is_judged(cube):
    limits = replace(wxfly.limits_for("cine-hexacopter"), maximum_gust_at_launch=3.0)
    answer = wxfly.best("Kelderness", aircraft="cine-hexacopter", launch_limit=3.0).briefing.answers[0]
    judged = wxfly.assess(wxfly.conditions(cube, height=60.0), limits).sel(time=answer.assessment["time"])
    np.testing.assert_array_equal(judged["margin"].to_numpy(), answer.assessment["margin"].to_numpy())
    assert (judged["phase_height"].sel(element="gust") == 2.0).any()


@pytest.mark.parametrize("rule", ["sun_up", "half_hour", "civil_twilight"])
def test_the_rule_of_daylight_is_that_of_the_limits(cube, rule):
    limits = replace(wxfly.limits_for("cine-hexacopter"), daylight_rule=rule)
    judged = wxfly.assess(wxfly.conditions(cube, height=60.0), limits)
    expected = derive(cube, height=60.0, daylight_rule=rule)
    np.testing.assert_array_equal(judged["usable_start"].to_numpy(), expected["usable_start"].to_numpy())


def test_a_height_is_metres_or_has_its_unit(cube):
    one, other = wxfly.conditions(cube, height=60.96), wxfly.conditions(cube, height="200ft")
    xr.testing.assert_allclose(one["wind_speed"], other["wind_speed"])


@pytest.mark.parametrize(
    ("height", "told"), [(0.0, "not above the ground"), ("high", "not a length"), (float("inf"), "is not understood")]
)
def test_a_height_that_cannot_be_is_refused(cube, height, told):
    with pytest.raises(WxflyError, match=told):
        wxfly.conditions(cube, height=height)


def test_a_height_that_the_rules_do_not_allow_is_refused(cube):
    hours = wxfly.conditions(cube, height=150.0)
    with pytest.raises(WxflyError, match="above the height limit of 120 m"):
        wxfly.assess(hours, wxfly.limits_for("cine-hexacopter"))


@pytest.mark.thorough
def test_of_several_places_one_is_chosen():
    cube = wxfly.read_forecast(shipped_folder() / "late-winter.nc")
    with pytest.raises(WxflyError, match=r"several places \(Kelderness, .*cube.isel\(site=0\)"):
        wxfly.conditions(cube, height=60.0)
    own = wxfly.conditions(cube.isel(site=0), height=60.0)
    xr.testing.assert_allclose(
        own["wind_speed"], wxfly.conditions(wxfly.get_forecast("Kelderness"), height=60.0)["wind_speed"]
    )


def test_nothing_that_is_lost_makes_a_window(cube):
    lost = cube.assign(wind_speed_of_gust=cube["wind_speed_of_gust"] * np.nan)
    judged = wxfly.assess(wxfly.conditions(lost, height=60.0), wxfly.limits_for("cine-hexacopter"))
    assert (judged["state"] == 0).all()
    assert wxfly.find_windows(judged) == []


def test_an_empty_list_of_windows_has_its_table(cube):
    frame = wxfly.find_windows(
        wxfly.assess(wxfly.conditions(cube, height=60.0), wxfly.limits_for("cine-hexacopter")),
        end=np.datetime64("2026-03-14T07:00"),
    ).to_frame()
    assert frame.empty
    assert list(frame.columns[:2]) == ["start", "end"]


# --- the cube ----------------------------------------------------------------------------------------------------


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
