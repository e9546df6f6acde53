"""Stability: signs, smoothness, inverse of its own table, and the published classes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.halves import spread
from tests.handbook.surface_layer import (
    net_radiation_index,
    obukhov_length_from_class,
    power_law_exponent_of_class,
    turner_stability_class,
)
from wxfly.physics.wind.surface_layer import (
    heat_stability_correction,
    momentum_stability_correction,
    obukhov_length_from_sun_and_cloud,
    obukhov_length_from_temperatures,
)

winds = st.floats(0, 30)


@given(st.floats(-15, 15), st.floats(0.001, 0.2))
def test_psi_falls_as_stability_grows(zeta, step):
    for correction in (momentum_stability_correction, heat_stability_correction):
        assert correction(zeta + step) <= correction(zeta) + 1e-12
        assert correction(0.0) == 0


@given(winds, st.floats(-3, 8))
def test_length_has_the_sign_of_the_temperature_difference(v, difference):
    length = obukhov_length_from_temperatures(v, 10, 285.0, 2, 285.0 + difference - 0.0098 * 78, 80)
    assert not np.isnan(length)
    if abs(difference) > 1e-6:
        assert np.sign(length) == np.sign(difference)


@given(st.floats(1.5, 20), st.floats(-1.5, 1.5))
def test_length_gives_back_the_temperature_difference(v, difference):
    """Similarity theory turned round: from L to friction velocity, temperature scale and the difference."""
    low, high, z0 = 2.0, 80.0, 0.03
    t2 = 285.0 + difference - 0.0098 * (high - low)
    length = float(obukhov_length_from_temperatures(v, 10, 285.0, low, t2, high, roughness_length=z0))
    if not (np.isfinite(length) and abs(10 / length) < 19):
        return
    psi = momentum_stability_correction
    friction = 0.4 * v / (np.log(10 / z0) - psi(10 / length) + psi(z0 / length))
    scale = friction**2 * (285.0 + t2) / 2 / (0.4 * 9.81 * length)
    heat = heat_stability_correction
    back = scale / 0.4 * (np.log(high / low) - heat(high / length) + heat(low / length))
    assert back == pytest.approx(difference, rel=0.02, abs=2e-3)


@given(winds, st.floats(-90, 90), st.floats(0, 1), st.floats(250, 310), st.sampled_from([0.005, 0.03, 0.5]))
def test_sun_and_cloud_always_give_a_length(v, sun, cloud, temperature, z0):
    length = obukhov_length_from_sun_and_cloud(v, 10.0, sun, cloud, temperature, roughness_length=z0)
    assert not np.isnan(length)
    assert abs(10.0 / length) <= 20.0 + 1e-9


def test_day_is_unstable_night_is_stable_and_wind_and_cloud_bring_both_to_neutral():
    def zeta(v, sun, cloud):
        return 10.0 / float(obukhov_length_from_sun_and_cloud(v, 10.0, sun, cloud))

    assert zeta(3, 60, 0) < zeta(3, 60, 1) < 0.05
    assert zeta(3, 60, 0) < zeta(12, 60, 0) < 0
    assert zeta(3, -30, 0) > zeta(3, -30, 1) > 0
    assert zeta(3, -30, 0) > zeta(12, -30, 0) > 0


@pytest.mark.thorough
@pytest.mark.parametrize("v", spread((2.0, 5.0, 10.0), 3))
def test_dusk_has_no_jump(v):
    """In light wind it is steep, as a square root at its end, so the largest step shrinks with the root of the step."""
    coarse, fine = (
        np.abs(np.diff(10.0 / obukhov_length_from_sun_and_cloud(v, 10.0, np.linspace(-20, 40, n), 0.2))).max()
        for n in (6001, 600_001)
    )
    assert fine < 0.25 * coarse
    assert fine < 0.02


def test_what_is_not_known_stays_so_and_what_may_be_guessed_is():
    assert np.isnan(obukhov_length_from_temperatures(5, 10, np.nan, 2, 284, 80))
    assert np.isnan(obukhov_length_from_sun_and_cloud(np.nan, 10, 30))
    assert np.isnan(obukhov_length_from_sun_and_cloud(5, 10, np.nan))
    half = obukhov_length_from_sun_and_cloud(5, 10, 30, 0.5)
    assert obukhov_length_from_sun_and_cloud(5, 10, 30) == half
    assert obukhov_length_from_sun_and_cloud(5, 10, 30, np.nan, np.nan) == half


def test_wrong_heights_are_refused():
    with pytest.raises(ValueError, match="increasing"):
        obukhov_length_from_temperatures(5, 10, 285, 80, 284, 2)


def test_net_radiation_index():
    assert net_radiation_index([70, 50, 20, 5], 0).tolist() == [4, 3, 2, 1]
    assert net_radiation_index(-10, [0.2, 0.8, 1.0], [np.inf, np.inf, 500]).tolist() == [-2, -1, 0]
    assert net_radiation_index(70, [0.7, 0.7, 1.0], [500, 3000, 9000]).tolist() == [2, 3, 3]
    assert np.isnan(net_radiation_index(np.nan, 0.1))


@given(winds, st.integers(-2, 3))
def test_turner_is_monotone(v, index):
    assert turner_stability_class(v, index + 1) <= turner_stability_class(v, index)
    assert np.isnan(turner_stability_class(np.nan, index))


def test_classes_to_lengths_and_exponents():
    lengths = obukhov_length_from_class([1, 2, 3, 4, 5, 6, 7], 0.1)
    assert np.isinf(lengths[3])
    assert (lengths[:3] < 0).all()
    assert (lengths[4:] > 0).all()
    assert np.isnan(obukhov_length_from_class(np.nan, 0.1))
    assert np.isnan(power_law_exponent_of_class(np.nan))
    with pytest.raises(ValueError, match="rural"):
        power_law_exponent_of_class(4, surroundings="suburb")
