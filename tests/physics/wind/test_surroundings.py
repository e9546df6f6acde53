"""Ground by sector, other ground, hills, jets, the highest height, and the stated error."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.handbook.error import exceedance_probability
from tests.handbook.hills import orography_factor
from wxfly.physics.wind.error import error_factor
from wxfly.physics.wind.exposure import displacement_height, roughness_length_upwind, wind_over_other_ground
from wxfly.physics.wind.hills import SHAPES, hill_speed_up
from wxfly.physics.wind.log_law import log_law_wind_speed, surface_layer_wind_speed
from wxfly.physics.wind.shear import low_level_jet

COAST = [0.03, 0.03, 0.5, 0.5, 0.1, 0.0002, 0.0002, 0.0002]


def test_sea_to_the_west_and_wood_to_the_east():
    assert roughness_length_upwind([270, 90, 0], COAST) == pytest.approx([0.0002, 0.5, 0.03])
    assert roughness_length_upwind(np.nan, COAST) == 0.0002
    assert roughness_length_upwind(337.5, COAST) == pytest.approx(np.sqrt(0.03 * 0.0002))


@given(st.floats(0, 360))
def test_ground_by_sector_has_no_jump(direction):
    low, high = roughness_length_upwind([direction, direction + 0.01], COAST)
    assert abs(np.log(high / low)) < 0.01
    assert 0.0002 - 1e-12 <= low <= 0.5 + 1e-12


def test_eight_positive_sectors_are_wanted():
    with pytest.raises(ValueError, match="eight"):
        roughness_length_upwind(10, [0.03] * 7)
    with pytest.raises(ValueError, match="eight"):
        roughness_length_upwind(10, [0.0] * 8)


@given(st.floats(0, 30), st.sampled_from([0.0002, 0.03, 0.1, 0.5]), st.floats(10, 150))
def test_other_ground(v, z0, z):
    careful = wind_over_other_ground(v, 10, 0.03, z0, z)
    own = log_law_wind_speed(v, 10, z, 0.03)
    assert careful >= own - 1e-9
    true = wind_over_other_ground(v, 10, 0.03, z0, z, never_lower=False)
    if z >= 60:
        assert true == pytest.approx(own)
    elif v > 0.1:
        assert (true >= own) == (z0 <= 0.03) or true == pytest.approx(own)


def test_other_ground_by_hand():
    """5 m/s over grass, to 10 m over the sea by 60 m: 5 ln(2000)/ln(333.3) ln(50000)/ln(300000)."""
    by_hand = 5 * np.log(60 / 0.03) / np.log(10 / 0.03) * np.log(10 / 0.0002) / np.log(60 / 0.0002)
    assert wind_over_other_ground(5, 10, 0.03, 0.0002, 10) == pytest.approx(by_hand)
    assert displacement_height(10) == 7


@given(st.sampled_from(SHAPES), st.floats(1, 200), st.floats(50, 1000), st.floats(0, 150), st.floats(0, 2000))
def test_hills(shape, h, length, z, away):
    crest = hill_speed_up(shape, h, length, z, wind_speed=10)
    aside = hill_speed_up(shape, h, length, z, wind_speed=10, distance_from_crest=away)
    assert 1 <= aside.factor <= crest.factor <= 1.6
    assert bool(crest.in_range) == (h / (2 * length) <= 0.3)
    if not crest.in_range:
        assert crest.factor == 1.6
    assert hill_speed_up(shape, h, length, z + 10, wind_speed=10).factor <= crest.factor


def test_hill_range_and_faults():
    assert not hill_speed_up("ridge", 30, 200, 50, wind_speed=3).in_range
    assert not hill_speed_up("ridge", 30, 2000, 50).in_range
    assert np.isnan(hill_speed_up("ridge", np.nan, 200, 50).factor)
    with pytest.raises(ValueError, match="round_hill"):
        hill_speed_up("dome", 30, 200, 50)
    with pytest.raises(ValueError, match="positive"):
        hill_speed_up("ridge", 30, 0, 50)


@given(st.floats(0, 200), st.floats(50, 2000), st.floats(1, 150), st.floats(-3000, 0))
def test_orography_factor_is_between_one_and_the_steep_limit(h, length, z, x):
    value = orography_factor(h, length, z, distance_from_crest=x)
    assert 1 <= value <= 1.62
    assert value <= orography_factor(h, length, z) + 1e-9


def test_jets():
    z = [10.0, 80.0, 120.0, 180.0]
    v = [[3.0, 8.0, 9.0, 9.5], [8.0, 10.5, 11.0, 11.5], [2.0, 3.0, 3.5, 4.0], [3.0, np.nan, 9.0, 9.5]]
    jet = low_level_jet(v, z)
    assert jet.flag[:3].tolist() == [1, 0, 0]
    assert np.isnan(jet.flag[3])
    assert jet.core_height[0] == 180
    assert np.isnan(jet.core_height[1])
    assert np.isnan(low_level_jet([[3.0, 5.0]], [10.0, 30.0]).flag).all()
    nose = low_level_jet([[8.0, 12.0, 13.0, 7.0]], z)
    assert (nose.flag[0], nose.core_height[0], nose.core_speed[0]) == (1, 120, 13)


@given(st.floats(0.01, 0.99))
def test_error_factor_and_chance_are_inverse(confidence):
    factor = error_factor(confidence)
    assert exceedance_probability(8.0, 0.7, 8.0 + factor * 0.7) == pytest.approx(1 - confidence)


def test_error_factor_holds_68_percent_within_one():
    assert error_factor(0.5) == 0
    assert error_factor(0.5 + 0.6826894921 / 2) == pytest.approx(1)
    with pytest.raises(ValueError, match="between"):
        error_factor(1.0)
    assert exceedance_probability([8, 8, 8, np.nan], [0, 0, 1, 1], [7.9, 8, 8, 8]).tolist()[:3] == [1, 0, 0.5]
    assert np.isnan(exceedance_probability(np.nan, 1, 8))


@given(st.floats(0.5, 20), st.floats(5, 500), st.floats(5, 500))
def test_more_stable_air_up_to_decoupling_has_more_wind_aloft(v, a, b):
    """10 m/L below 0.1: there the answer has not yet gone over to the power law."""
    low, high = sorted((a + 100, b + 100))
    assert surface_layer_wind_speed(v, 10, 80, obukhov_length=low) >= surface_layer_wind_speed(
        v, 10, 80, obukhov_length=high
    )
