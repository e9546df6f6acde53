"""The bearing of a projection's y axis, against Snyder's worked example and against steps along that axis in PROJ."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wxfly.physics.wind.components import (
    bearing_on_cone,
    bearing_to_rotated_pole,
    cone_constant,
    turn_to_true_north,
)

pyproj = pytest.importorskip("pyproj", reason="the projections are those of PROJ")


def test_the_cone_of_snyders_worked_example():
    # Snyder (1987), numerical examples of the Lambert conformal conic on the sphere, figures from memory:
    # parallels 33 N and 45 N, central meridian 96 W, a point at 75 W: n = 0.6304777, theta = 13.2400316 degrees.
    constant = cone_constant(33.0, 45.0)
    assert constant == pytest.approx(0.6304777, abs=5e-8)
    assert bearing_on_cone(-75.0, -96.0, constant) == pytest.approx(13.2400316, abs=1e-6)


CASES = {
    "cone with two parallels": (
        "+proj=lcc +lat_1=33 +lat_2=45 +lat_0=39 +lon_0=-96 +R=6371229", (25.0, 55.0), (-130.0, -60.0),
        lambda lat, lon: bearing_on_cone(lon, -96.0, cone_constant(33.0, 45.0)),
    ),
    "cone of the south": (
        "+proj=lcc +lat_1=-40 +lat_0=-40 +lon_0=150 +R=6371229", (-60.0, -20.0), (-230.0, -170.0),
        lambda lat, lon: bearing_on_cone(lon, 150.0, cone_constant(-40.0, -40.0)),
    ),
    "north polar": (
        "+proj=stere +lat_0=90 +lat_ts=60 +lon_0=-105 +R=6371229", (20.0, 85.0), (-180.0, 180.0),
        lambda lat, lon: bearing_on_cone(lon, -105.0, 1.0),
    ),
    "south polar": (
        "+proj=stere +lat_0=-90 +lat_ts=-71 +lon_0=0 +R=6371229", (-85.0, -20.0), (-180.0, 180.0),
        lambda lat, lon: bearing_on_cone(lon, 0.0, -1.0),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_the_bearing_is_that_of_a_step_along_the_y_axis(name):
    text, lat_range, lon_range, bearing = CASES[name]
    draw = np.random.default_rng(5)
    lat, lon = draw.uniform(*lat_range, 200), draw.uniform(*lon_range, 200)
    projection, globe = pyproj.Proj(text), pyproj.Geod("+a=6371229 +b=6371229")
    x, y = projection(lon, lat)
    there = projection(x, y + 10.0, inverse=True)
    forward, _, _ = globe.inv(lon, lat, *there)
    difference = (bearing(lat, lon) - forward + 180.0) % 360.0 - 180.0
    assert np.abs(difference).max() < 0.001


def test_the_bearing_on_a_rotated_grid_is_that_of_a_step_to_its_north():
    # Pole of the rotated grids of Central Europe: 40 N, 170 W (common practice, no source).
    rotated = pyproj.Proj("+proj=ob_tran +o_proj=longlat +o_lat_p=40 +o_lon_p=0 +lon_0=10 +R=6371229")
    globe = pyproj.Geod("+a=6371229 +b=6371229")
    draw = np.random.default_rng(6)
    lat, lon = draw.uniform(35.0, 70.0, 200), draw.uniform(-20.0, 40.0, 200)
    x, y = (np.rad2deg(v) for v in rotated(lon, lat))
    there = rotated(np.deg2rad(x), np.deg2rad(y + 1e-4), inverse=True)
    forward, _, _ = globe.inv(lon, lat, *there)
    difference = (bearing_to_rotated_pole(lat, lon, 40.0, -170.0) - forward + 180.0) % 360.0 - 180.0
    assert np.abs(difference).max() < 0.001


_winds = st.floats(-60.0, 60.0)


@given(_winds, _winds, st.floats(-180.0, 180.0))
def test_turning_keeps_the_speed_and_adds_the_bearing_to_the_direction(x, y, bearing):
    east, north = turn_to_true_north(x, y, bearing)
    assert np.hypot(east, north) == pytest.approx(np.hypot(x, y), abs=1e-9)
    if np.hypot(x, y) > 0.01:
        turned = np.rad2deg(np.arctan2(east, north) - np.arctan2(x, y)) - bearing
        assert abs((turned + 180.0) % 360.0 - 180.0) < 1e-6
    assert np.isnan(turn_to_true_north(np.nan, y, bearing)[0])
