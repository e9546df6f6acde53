"""Arithmetic and joining drop attributes: no hour becomes better by it, and none less known."""

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

import wxfly
from tests.cubes import quiet_cube
from wxfly.answer.windows import find_windows
from wxfly.assessment.conditions import derive, pressure_note
from wxfly.assessment.forecast_error import standard_margins
from wxfly.assessment.suitability import add_waiting_hours, assess, counts_as_required, not_judged, unknown_elements
from wxfly.cube.contract import provided_entries, restore_provided
from wxfly.errors import WxflyError
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for

_OF_AIRCRAFT = limits_for(find_aircraft("camera-quad-250g"), required=("wind", "gust", "visibility"))
LIMITS = replace(_OF_AIRCRAFT, maximum_density_altitude=None)


def without_attributes(dataset):
    """Return numbers and flags after arithmetic, everything without attributes."""
    numbers = {name: value * 1 for name, value in dataset.data_vars.items() if value.dtype.kind in "bif"}
    return dataset.assign(numbers).map(lambda value: value, keep_attrs=False)


def joined(dataset):
    parts = [without_attributes(dataset.isel(time=slice(*ends))) for ends in ((0, 10), (10, None))]
    parts[1].attrs = {"required": [], "not_judged": ["wind", "gust"]}
    return xr.concat(parts, "time", data_vars="minimal", combine_attrs="drop")


@pytest.fixture(scope="module")
def conditions():
    cube = quiet_cube(36)
    cube["wind_speed_of_gust"].values[14:16] = np.nan
    cube["visibility_in_air"].values[20:] = np.nan
    cube["air_temperature"].values[23] = np.nan
    return derive(cube.assign_coords(surface_altitude=1500.0), height=60.0)


@pytest.mark.parametrize("lose", [without_attributes, joined])
def test_an_assessment_without_attributes_says_the_same(conditions, lose):
    judged = assess(conditions, LIMITS)
    lost = lose(judged)
    assert not lost.attrs
    assert not_judged(lost) == not_judged(judged)
    for required in (False, True):
        assert unknown_elements(lost, required=required) == unknown_elements(judged, required=required) != ()
    np.testing.assert_array_equal(counts_as_required(lost), counts_as_required(judged))
    hour = np.timedelta64(1, "h")
    assert find_windows(lost, minimum_duration=hour) == find_windows(judged, minimum_duration=hour)
    waited = [add_waiting_hours(one, 2)["state"].values for one in (lost, judged)]
    np.testing.assert_array_equal(*waited)
    rooms = [standard_margins(one, np.zeros(judged.sizes["time"])).values for one in (lost, judged)]
    np.testing.assert_array_equal(*rooms)


@pytest.mark.parametrize("lose", [without_attributes, joined])
def test_conditions_without_attributes_are_judged_the_same(conditions, lose):
    lost = lose(conditions)
    assert pressure_note(lost) == pressure_note(conditions)
    for name in ("state", "hour_margin", "margin", "lost", "required", "judged"):
        np.testing.assert_array_equal(assess(lost, LIMITS)[name], assess(conditions, LIMITS)[name], name)


def test_a_forecast_that_has_lost_what_its_source_provides_is_refused():
    cube = wxfly.get_forecast("Kelderness")
    cube["visibility_in_air"].values[5] = np.nan
    xr.testing.assert_equal(*(wxfly.conditions(one, height=80.0) for one in (cube, cube.drop_attrs(deep=False))))
    with pytest.raises(WxflyError, match="has lost its coordinate 'provided', so what is missing in it is unknown"):
        wxfly.conditions(cube.drop_vars("provided"), height=80.0)


@pytest.mark.parametrize("span", [(0, 0), (-1, 0)])
def test_a_forecast_without_attributes_is_no_better(span):
    cube = quiet_cube(36, wind_speed_of_gust=span)
    cube["wind_speed_of_gust"].values[10:14] = [9.0, 12.0, 7.0, np.nan]
    whole, lost = (assess(wxfly.conditions(one, height=60.0), LIMITS) for one in (cube, without_attributes(cube)))
    assert (lost["state"] <= whole["state"]).all()
    better = lost["hour_margin"] > whole["hour_margin"]
    assert not better.any()
    assert (lost["state"] > 0).any()


@pytest.mark.parametrize("work", [lambda cube: cube * 1, lambda cube: cube.map(lambda v: v, keep_attrs=False)])
def test_what_the_source_provides_outlives_arithmetic(work):
    cube = quiet_cube(12)
    lost = work(cube).drop_vars("visibility_in_air").drop_attrs()
    assert provided_entries(lost) == provided_entries(cube)
    assert "visibility_in_air" in restore_provided(lost)
