import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.cubes import quiet_cube, without
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import State, assess
from wxfly.assessment.usable_height import climb, find_usable_heights, steps_to
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.limits import limits_for

LIMITS = limits_for(load_aircraft()["camera-quad-250g"])


def found(cube, limits=LIMITS):
    return find_usable_heights(cube, derive(cube, height=60.0), limits)


def test_a_quiet_day_is_usable_to_the_ceiling():
    heights = found(quiet_cube())
    assert (heights["usable_height"] == 120.0).all()
    assert set(heights["usable_height_ends_by"].values) == {"height_limit"}


def test_wind_aloft_ends_the_climb_where_it_reaches_the_limit():
    cube = quiet_cube()
    cube["wind_speed"].values[:] = (5.0, 9.0, 10.0)
    cube["wind_speed_of_gust"][:] = 5.5
    heights = found(cube)
    usable = float(heights["usable_height"][8])
    assert 10 < usable < 80
    assert heights["usable_height_ends_by"].values[8] == "wind"
    # The hour judged at the usable height holds, and one step higher it does not.
    assert assess(derive(cube, height=usable), LIMITS)["state"].values[8] >= State.NARROW
    assert assess(derive(cube, height=usable + 5), LIMITS)["state"].values[8] == State.OUTSIDE


def test_a_jet_below_is_not_jumped_over():
    cube = quiet_cube()
    cube["wind_speed"].values[:] = (3.0, 12.0, 4.0)
    assert float(found(cube)["usable_height"][8]) < 80


def test_cloud_lowers_it():
    cube = quiet_cube()
    cube["cloud_base_altitude"][:] = 30.0 + 230.0  # base 230 m above ground, 150 m to be kept
    heights = found(cube)
    assert float(heights["usable_height"][8]) == pytest.approx(80, abs=5)
    assert heights["usable_height_ends_by"].values[8] == "cloud_base"


def test_a_cloud_base_over_ground_that_is_lost_leaves_no_height_known():
    cube = quiet_cube()
    cube["cloud_base_altitude"][:] = 120.0
    assert (found(cube)["usable_height"] == 0.0).all()
    assert np.isnan(found(cube.assign_coords(surface_altitude=np.nan))["usable_height"]).all()


def test_too_much_at_the_ground_is_no_height_at_all():
    cube = quiet_cube()
    cube["wind_speed_of_gust"][:] = 20.0
    heights = found(cube)
    assert (heights["usable_height"] == 0).all()
    assert set(heights["usable_height_ends_by"].values) == {"gust"}


def test_not_known_at_the_ground_is_not_known():
    cube = quiet_cube()
    cube["wind_speed_of_gust"][5:8] = np.nan
    usable = found(cube)["usable_height"].values
    assert np.isnan(usable[5:7]).all()
    assert not np.isnan(usable[12])


def test_a_level_lost_aloft_ends_the_climb_below_it():
    cube = quiet_cube()
    cube["wind_speed"][:, 2] = np.nan
    assert (found(cube)["usable_height"] == 80.0).all()


def test_a_lost_roughness_leaves_no_height_known_where_the_gust_hangs_on_it():
    cube = without(quiet_cube(), "wind_speed_of_gust")
    cube["wind_speed"].values[:] = (4.2, 4.6, 4.8)
    cube["surface_roughness_length"].values[:] = 1.0
    before = found(cube)
    cube["surface_roughness_length"].values[12] = np.nan
    after = found(cube)
    assert (before["usable_height"].values[6:18] == 0.0).all()  # gusts of a sunny day
    assert np.isnan(after["usable_height"].values[11:13]).all()
    assert np.isnan(after["share_of_limit"].values[11:13]).all()
    assert (after["usable_height"].values[13:18] == 0.0).all()


@pytest.mark.parametrize("name", ["surface_roughness_length", "cloud_area_fraction", "wind_from_direction"])
def test_a_height_is_known_where_an_hour_at_it_has_lost_nothing(name):
    cube = without(quiet_cube(), "wind_speed_of_gust", "air_temperature_aloft")
    cube[name].values[12] = np.nan
    usable = found(cube)["usable_height"].values
    for height in (5.0, 60.0, 120.0):
        hours = assess(derive(cube, height=height), LIMITS)
        of_wind = hours["margin"].sel(element=["wind", "gust", "wind_difference"]).values
        assert np.isnan(of_wind[:, 11:13]).any(axis=0).all()
    assert np.isnan(usable[11:13]).all()
    assert np.isfinite(usable[13:]).all()


def test_steps_reach_the_ceiling():
    assert list(steps_to(20.0)) == [5, 10, 15, 20]
    assert list(steps_to(121.92))[-2:] == [120.0, 121.92]
    assert list(steps_to(3.0)) == [3.0]


def test_a_ceiling_in_feet_is_kept():
    limits = dataclasses.replace(LIMITS, height_limit=121.92)
    assert (found(quiet_cube(), limits)["usable_height"] == 121.92).all()


margins = st.lists(st.one_of(st.floats(-1, 1), st.just(float("nan"))), min_size=4, max_size=4)


@given(margins=margins, lost=st.integers(0, 3), clearance=st.floats(-50, 50))
def test_taking_a_step_away_never_lifts_it(margins, lost, clearance):
    heights = steps_to(20.0)
    cloud = clearance - heights
    before, _ = climb(np.array([margins]), cloud[None], heights)
    holed = list(margins)
    holed[lost] = float("nan")
    after, _ = climb(np.array([holed]), cloud[None], heights)
    assert np.isnan(after[0]) or after[0] <= np.nan_to_num(before[0], nan=0.0)
