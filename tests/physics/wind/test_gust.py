"""Gusts: never below the mean wind, increments kept, every meaning with its hours."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.handbook import gust as handbook_gust
from wxfly.physics.wind import gust

winds = st.floats(0, 40)
heights = st.floats(2, 150)


@given(winds, winds, winds, heights)
def test_gust_is_at_least_the_mean_wind(g, low, high, z):
    value = gust.gust_at_height(g, low, high, z)
    assert value >= high
    if g > low:
        assert value - high >= 0.94 * (g - low)


@given(st.floats(0, 40), st.floats(0, 20), st.floats(0, 20), heights)
def test_gust_grows_with_the_gust_and_with_the_mean_wind_aloft(g, low, more, z):
    assert gust.gust_at_height(g + more, low, low, z) >= gust.gust_at_height(g, low, low, z)
    assert gust.gust_at_height(g, low, low + more, z) >= gust.gust_at_height(g, low, low, z)


@pytest.mark.parametrize("position", range(3))
def test_what_is_missing_stays_missing(position):
    values = [9.0, 5.0, 7.0]
    values[position] = np.nan
    assert np.isnan(gust.gust_at_height(*values, 80.0))
    assert np.isnan(gust.gust_without_forecast(5, np.nan, 80))
    assert np.isnan(gust.gust_without_forecast(5, 7, 80, convective_velocity=np.nan))


def test_increment_by_hand():
    """80 m: peak factor 3.0728 against 3.0041 at 10 m; 8 + 1.0229 (9 - 5)."""
    ratio = gust.peak_factor(80) / gust.peak_factor(10)
    assert ratio == pytest.approx(1.0229, abs=1e-4)
    assert gust.gust_at_height(9, 5, 8, 80) == pytest.approx(8 + ratio * 4)
    assert gust.gust_at_height(9, 5, 5, 10) == 9
    assert gust.gust_at_height(9, 5, 8, 40, gust_height=40) == 12


@given(winds, winds, heights, st.floats(0, 3))
def test_estimated_gust(low, more, z, convective):
    plain = gust.gust_without_forecast(low, low + more, z)
    assert plain >= low + more
    assert gust.gust_without_forecast(low, low + more, z, convective_velocity=convective) >= plain


def test_estimated_gust_at_10_m_is_that_of_the_gust_factor():
    intensity = gust.turbulence_intensity(10, 0.03)
    expected = 8 * gust.gust_factor(intensity)
    assert gust.gust_without_forecast(8, 8, 10, roughness_length=0.03) == pytest.approx(expected)


def test_ecmwf_chance_is_one_of_the_tabulated():
    with pytest.raises(ValueError, match=r"0\.25"):
        handbook_gust.gust_from_friction_velocity(8, 0.5, chance=0.1)


@given(st.floats(1, 300), st.floats(1, 300))
def test_shorter_gusts_are_stronger(a, b):
    short, long = sorted((a, b))
    assert gust.peak_factor(10, gust_duration=short) >= gust.peak_factor(10, gust_duration=long)
    assert handbook_gust.durst_factor(short) >= handbook_gust.durst_factor(long)


def test_convective_turbulence():
    neutral = handbook_gust.wind_standard_deviation(0.4, np.inf)
    assert neutral == pytest.approx(0.4 * 12 ** (1 / 3))
    assert handbook_gust.wind_standard_deviation(0.4, -30.0) > neutral
    assert handbook_gust.wind_standard_deviation(0.4, 30.0) == neutral


def test_calm_air_has_no_gusts():
    assert gust.gust_factor(0.0) == 1


@pytest.mark.parametrize(
    ("value", "mean", "is_none"),
    [
        (6.5, 7.0, True),
        (7.6, 7.0, True),
        (7.8, 7.0, False),
        (1.0, 2.0, False),
        (np.nan, 7.0, False),
        (6, np.nan, False),
    ],
)
def test_a_gust_near_the_mean_wind_is_none(value, mean, is_none):
    assert gust.is_no_gust(value, mean) == is_none
