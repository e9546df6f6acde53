"""The field check: down to the hand and up again, on a tower, and a reading carried into the forecast."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from tests.cubes import START, quiet_cube
from tests.validation.records import read_tower
from wxfly.assessment.conditions import derive
from wxfly.errors import WxflyError
from wxfly.flight import anemometer_reading
from wxfly.flight.anemometer_reading import MEMORY, Reading, correct_forecast, weigh
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for

TOWER = Path(__file__).resolve().parents[3] / "shared" / "data" / "tower_m5" / "m5_hourly_2012_2014.csv.gz"
LIMITS = limits_for(find_aircraft("camera-quad-250g"))
OPEN = 0.03
NOON = START + np.timedelta64(12, "h")


def levels(cube: xr.Dataset, *heights: float) -> list[xr.Dataset]:
    return [derive(cube, height=h) for h in heights]


@given(st.floats(0.1, 30.0), st.floats(0.0, 30.0), st.floats(1.0, 3.0), st.floats(10.0, 150.0))
def test_down_to_the_hand_and_up_again_is_exact(limit: float, low: float, near_ground: float, height: float) -> None:
    ratio = anemometer_reading.ratio_to_anemometer(low, 1.5 * low, near_ground, height, OPEN)
    assert ratio >= 1.0
    assert float(
        anemometer_reading.extrapolate_up(anemometer_reading.extrapolate_down(limit, ratio), ratio)
    ) == pytest.approx(limit, rel=1e-14)
    gust = anemometer_reading.gust_of_hour(anemometer_reading.gust_of_period(0.0, limit))
    assert float(gust) == pytest.approx(limit, rel=1e-14)


@pytest.mark.parametrize(("of_hour", "of_two_minutes"), [(1.75, 1.55), (1.60, 1.42), (1.45, 1.31), (1.30, 1.15)])
def test_gusts_of_two_minutes_are_those_of_the_published_table(of_hour: float, of_two_minutes: float) -> None:
    """WMO/TD-No. 1555, table 1.1: 3 s gust factors in-land, off-land, off-sea and at sea, for 3600 s and 120 s."""
    assert float(anemometer_reading.gust_of_period(0.0, of_hour)) == pytest.approx(of_two_minutes, rel=0.025)


@given(st.floats(1.0, 20.0), st.floats(1.0, 4.0), st.floats(0.55, 0.99), st.floats(0.55, 0.99))
def test_more_confidence_asks_for_a_lower_reading(limit: float, ratio: float, one: float, other: float) -> None:
    sure, surer = sorted((one, other))
    readings = [float(anemometer_reading.largest_reading(limit, ratio, 2.0, 60.0, c)) for c in (sure, surer)]
    assert 0 <= readings[1] <= readings[0] <= limit / ratio


@pytest.mark.skipif(not TOWER.exists(), reason="the tower's record is not beside the checkout")
@pytest.mark.parametrize("height", [30, 80, 122])
@pytest.mark.parametrize("limit", [6.0, 8.5, 10.7])
def test_the_rule_holds_on_a_tower(height: int, limit: float) -> None:
    """Cups at 3 m play the hand. The profile of the hour before plays the forecast, brought down from 10 m by log law.

    Counted are only readings just below the rule, from four fifths of it up, where it is put to the test.
    """
    tower = read_tower(TOWER)
    near_ground, ten, aloft = tower.speed[3], tower.speed[10], tower.speed[height]
    before = np.roll(np.stack([ten * np.log(3.0 / OPEN) / np.log(10.0 / OPEN), aloft]), 1, axis=1)
    ratio = anemometer_reading.ratio_to_anemometer(before[0], before[1], 3.0, float(height), OPEN)
    with np.errstate(invalid="ignore"):
        holds = anemometer_reading.largest_reading(limit, ratio, 3.0, float(height), 0.9)
        stop = anemometer_reading.extrapolate_down(limit, ratio)
        known = np.isfinite(near_ground + aloft + ratio)
        just_below = known & (near_ground <= holds) & (near_ground > 0.8 * holds)
        above = known & (near_ground >= stop)
    assert just_below.sum() > 500
    assert above.sum() > 500
    assert np.mean(aloft[just_below] <= limit) >= 0.9
    assert np.mean(aloft[above] > limit) >= 0.5


def test_a_rule_for_hours_is_that_of_the_strictest() -> None:
    cube = quiet_cube()
    cube["wind_speed"][10:13] = [3.0, 9.0, 10.0]  # hours with strong shear
    near_ground, flight, home = levels(cube, 2.0, 60.0, 100.0)
    both = anemometer_reading.anemometer_rule(near_ground, [flight, home], LIMITS, roughness_length=OPEN)
    low = anemometer_reading.anemometer_rule(near_ground, [flight], LIMITS, roughness_length=OPEN)
    calm = anemometer_reading.anemometer_rule(
        near_ground.isel(time=slice(0, 5)), [flight.isel(time=slice(0, 5))], LIMITS, roughness_length=OPEN
    )
    assert 0 < both.largest_mean <= low.largest_mean < calm.largest_mean
    for rule in (both, low, calm):
        assert rule.largest_mean < rule.mean_stop < LIMITS.maximum_wind
        assert rule.largest_gust < rule.gust_stop < LIMITS.maximum_gust
        assert rule.largest_mean < rule.largest_gust
        assert rule.mean_expected[0] <= rule.mean_expected[1]


def test_without_a_way_down_there_is_no_rule() -> None:
    cube = quiet_cube()
    cube["wind_speed"][5, 0] = np.nan
    near_ground, flight = levels(cube, 2.0, 60.0)
    rule = anemometer_reading.anemometer_rule(near_ground, [flight], LIMITS, roughness_length=OPEN)
    assert np.isnan([rule.largest_mean, rule.largest_gust, rule.mean_stop, rule.gust_stop]).all()


def weighed(cube: xr.Dataset, **given):
    near_ground, flight = levels(cube, 2.0, 80.0)
    reading = Reading(NOON + np.timedelta64(20, "m"), 2.0, **given)
    return weigh(reading, near_ground, flight, roughness_length=OPEN)


def test_a_reading_as_expected_changes_little_and_a_higher_one_adds() -> None:
    cube = quiet_cube()
    expected = weighed(cube, mean=1.0).expected_at_anemometer
    assert expected < 2.0  # of 2 m/s at 10 m
    correction = weighed(cube, mean=5.0, gust=7.0)
    assert 0.1 < correction.weight < 0.9
    assert correction.extrapolated_wind > 5.0
    assert 0 < correction.added_wind < correction.extrapolated_wind - correction.forecast_wind
    assert correction.added_gust > 0
    lower = weighed(quiet_cube_with_wind(6.0), mean=2.2)
    assert lower.added_wind < 0
    assert lower.added_wind > lower.weight * (lower.extrapolated_wind - lower.forecast_wind)  # a lee keeps it small


def quiet_cube_with_wind(speed: float) -> xr.Dataset:
    cube = quiet_cube()
    cube["wind_speed"][:] = [speed, 1.4 * speed, 1.5 * speed]
    cube["wind_speed_of_gust"][:] = 1.6 * speed
    return cube


def test_the_higher_the_flight_the_less_a_hand_weighs() -> None:
    cube = quiet_cube()
    near_ground = derive(cube, height=2.0)
    weights = []
    for height in (20.0, 60.0, 120.0):
        reading = Reading(NOON, 2.0, 3.0)
        weights.append(weigh(reading, near_ground, derive(cube, height=height), roughness_length=OPEN).weight)
    assert weights[0] > weights[1] > weights[2]


def test_a_correction_goes_into_every_height_and_fades() -> None:
    cube = quiet_cube()
    correction = weighed(cube, mean=5.0, temperature=287.15)
    corrected = correct_forecast(cube, correction)
    added = (corrected["wind_speed"] - cube["wind_speed"]).sel(height=80.0).values
    assert (added[:12] == 0).all()  # hours before the reading stay
    assert added[12:14] == pytest.approx(correction.added_wind)  # the whole hour of the reading, to its end
    assert (np.diff(added[13:]) < 0).all()
    later = 13 + int(MEMORY / 3600)
    assert added[later + 1] < 0.4 * correction.added_wind < added[later - 1]
    assert ((corrected["wind_speed"] - cube["wind_speed"]).values[12, 0] < added[12]).all()
    assert correction.added_temperature < 0
    for name in ("air_temperature", "air_temperature_aloft"):
        changed = (corrected[name] - cube[name]).values
        assert changed.reshape(changed.shape[0], -1)[12] == pytest.approx(correction.added_temperature)
    assert corrected["wind_speed"].attrs == cube["wind_speed"].attrs
    flight = derive(corrected, height=80.0)["wind_speed"].isel(edge=0).values[12]
    assert float(flight) == pytest.approx(correction.forecast_wind + correction.added_wind)


def test_nothing_unknown_becomes_known() -> None:
    cube = quiet_cube()
    cube["wind_speed"][15] = np.nan
    cube["wind_speed_of_gust"][16] = np.nan
    cube["air_temperature"][17] = np.nan
    corrected = correct_forecast(cube, weighed(cube, mean=0.5, gust=1.0, temperature=300.0))
    for name in ("wind_speed", "wind_speed_of_gust", "air_temperature"):
        assert (np.isnan(corrected[name]) == np.isnan(cube[name])).all()
        known = corrected[name].values[~np.isnan(corrected[name].values)]
        assert (known >= 0).all()


def test_a_reading_without_a_forecast_of_its_time_is_refused() -> None:
    cube = quiet_cube()
    cube["wind_speed"][12] = np.nan
    with pytest.raises(WxflyError, match="has no wind at"):
        weighed(cube, mean=3.0)
    with pytest.raises(WxflyError, match="out of reach"):
        anemometer_reading.check_anemometer_height(30.0)


def test_a_limit_for_the_launch_bounds_the_gust_at_the_hand() -> None:
    from dataclasses import replace

    cube = quiet_cube()
    near_ground, flight = levels(cube, 2.0, 60.0)
    free = anemometer_reading.anemometer_rule(near_ground, [flight], LIMITS, roughness_length=OPEN)
    tight = anemometer_reading.anemometer_rule(
        near_ground, [flight], replace(LIMITS, maximum_gust_at_launch=3.0), roughness_length=OPEN
    )
    assert tight.largest_gust <= 3.0
    assert tight.gust_stop <= 3.0
    assert tight.largest_gust < free.largest_gust
    assert tight.largest_mean == free.largest_mean
    far = anemometer_reading.anemometer_rule(
        near_ground, [flight], replace(LIMITS, maximum_gust_at_launch=60.0), roughness_length=OPEN
    )
    assert (far.largest_gust, far.gust_stop) == (free.largest_gust, free.gust_stop)
