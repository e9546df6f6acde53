"""The wind triangle as vectors, and its limits. Published values: tests/reference/rotor.csv."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from tests.handbook import wind_triangle as handbook_wind_triangle
from wxfly.physics.aircraft import wind_triangle

angles = st.floats(0.0, 360.0)
airspeeds = st.floats(1.0, 40.0)
winds = st.floats(0.0, 30.0)


@given(angles, airspeeds, winds, angles)
def test_heading_and_wind_add_up_to_the_course(course: float, v: float, w: float, direction: float) -> None:
    """Through the air on the heading, carried by the wind: what comes of it lies on the course."""
    made_good = float(wind_triangle.ground_speed(course, v, w, direction))
    heading = float(wind_triangle.heading(course, v, w, direction))
    if np.isnan(heading):
        assert made_good == 0.0
        return
    assume(made_good > 0)
    wind = -w * np.array([np.sin(np.deg2rad(direction)), np.cos(np.deg2rad(direction))])
    over_ground = v * np.array([np.sin(np.deg2rad(heading)), np.cos(np.deg2rad(heading))]) + wind
    along = np.array([np.sin(np.deg2rad(course)), np.cos(np.deg2rad(course))])
    assert over_ground == pytest.approx(made_good * along, abs=1e-6)


@given(angles, airspeeds, winds, angles, angles)
def test_only_the_angle_between_counts(course: float, v: float, w: float, direction: float, turn: float) -> None:
    once = wind_triangle.ground_speed(course, v, w, direction)
    turned = wind_triangle.ground_speed(course + turn, v, w, direction + turn)
    assert float(turned) == pytest.approx(float(once), abs=1e-5)
    mirrored = wind_triangle.ground_speed(-course, v, w, -direction)
    assert float(mirrored) == pytest.approx(float(once), abs=1e-5)


@given(airspeeds, angles, st.floats(1.0, 2.0))
def test_a_wind_at_the_airspeed_or_above_leaves_no_way_against_it(v: float, course: float, times: float) -> None:
    assert wind_triangle.ground_speed(course, v, v * times, course) == 0.0
    assert handbook_wind_triangle.out_and_back_radius(v, v * times, 0.0, 900.0) == 0.0


@given(airspeeds, st.floats(0.0, 0.95), angles, st.floats(60.0, 3600.0))
def test_the_radius_takes_just_the_time(v: float, share: float, course: float, time: float) -> None:
    w = v * share
    radius = handbook_wind_triangle.out_and_back_radius(v, w, course, time)
    out = wind_triangle.ground_speed(course, v, w, 0.0)
    home = wind_triangle.ground_speed(course + 180, v, w, 0.0)
    assert float(radius / out + radius / home) == pytest.approx(time, rel=1e-6)
    turn = handbook_wind_triangle.point_of_no_return_time(time, out, home)
    assert float(turn * out) == pytest.approx(float(radius), rel=1e-6)


def test_a_calm_needs_no_direction_and_a_wind_does() -> None:
    assert wind_triangle.ground_speed(90.0, 12.0, 0.0, np.nan) == 12.0
    assert np.isnan(wind_triangle.ground_speed(90.0, 12.0, 5.0, np.nan))
    assert np.isnan(wind_triangle.ground_speed(90.0, 12.0, np.nan, 270.0))
    assert np.isnan(wind_triangle.ground_speed(90.0, np.nan, 5.0, 270.0))


def test_signs() -> None:
    """Flying east with the wind from the north: nose to the left; from the east: it stands against."""
    assert float(wind_triangle.wind_correction_angle(90.0, 10.0, 5.0, 0.0)) == pytest.approx(-30.0)
    assert float(wind_triangle.crosswind(90.0, 5.0, 180.0)) == pytest.approx(5.0)
    assert float(wind_triangle.headwind(90.0, 5.0, 90.0)) == pytest.approx(5.0)
    assert float(wind_triangle.headwind(90.0, 5.0, 270.0)) == pytest.approx(-5.0)


def test_the_time_to_keep_for_the_way_home() -> None:
    """600 m against 8 m/s at 12 m/s take 150 s, in a calm 50 s: the distance over what is made good."""
    assert 600.0 / float(wind_triangle.ground_speed(90.0, 12.0, 8.0, 90.0)) == pytest.approx(150.0)
    assert 600.0 / float(wind_triangle.ground_speed(90.0, 12.0, 0.0, 90.0)) == pytest.approx(50.0)
