"""Chance as plain functions: against scipy, and what must hold for any input."""

from __future__ import annotations

import numpy as np
import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st

from tests.handbook import probability as handbook_probability
from wxfly.physics import probability

SPEED = st.floats(0, 40)
DEVIATION = st.floats(0.05, 10)
CHANCE = st.floats(0.001, 0.999)


def test_normal_probability_is_scipys_one_by_one_and_in_bulk():
    values = np.linspace(-12, 12, 50_001)
    expected = scipy.stats.norm.cdf(values)
    assert np.abs(probability.normal_probability(values) - expected).max() < 1e-12
    assert probability.normal_probability(np.array([-np.inf, 0.0, np.inf, np.nan])) == pytest.approx(
        [0, 0.5, 1, np.nan], nan_ok=True
    )
    bulk = np.concatenate((values, [np.nan, np.inf, -np.inf]))
    assert probability.normal_probability(bulk)[-3:] == pytest.approx([np.nan, 1, 0], nan_ok=True)


def test_normal_probability_of_single_precision_is_that_of_double_within_a_millionth():
    values = np.linspace(-12.0, 12.0, 50_001).astype(np.float32)
    single, double = probability.normal_probability(values), probability.normal_probability(values.astype(float))
    assert single.dtype == np.float32
    assert np.abs(single - double).max() < 1.5e-6
    assert (np.diff(single) >= -1e-6).all()


@given(CHANCE)
def test_quantile_turns_probability_round(chance):
    assert probability.normal_probability(probability.normal_quantile(chance)) == pytest.approx(chance, abs=3e-3)
    assert np.isnan(probability.normal_quantile(np.nan))


@given(SPEED, DEVIATION, SPEED)
def test_truncated_normal_is_scipys(location, scale, limit):
    expected = scipy.stats.truncnorm(-location / scale, np.inf, loc=location, scale=scale).sf(limit)
    assert handbook_probability.truncated_normal_exceedance(location, scale, limit) == pytest.approx(expected, abs=1e-9)


@given(SPEED, DEVIATION, CHANCE)
def test_truncated_quantile_has_its_chance(location, scale, chance):
    value = handbook_probability.truncated_normal_quantile(location, scale, chance)
    assert value >= 0
    assert handbook_probability.truncated_normal_exceedance(location, scale, value) == pytest.approx(
        1 - chance, abs=1e-7
    )


@given(st.lists(SPEED, min_size=1, max_size=30), DEVIATION, SPEED)
def test_dressing_is_the_mean_over_members_and_knows_no_order(members, deviation, limit):
    members = np.array(members)
    chance = handbook_probability.dressed_exceedance(members, deviation, limit)
    assert chance == pytest.approx(scipy.stats.norm.sf(limit, members, deviation).mean(), abs=1e-9)
    assert handbook_probability.dressed_exceedance(members[::-1], deviation, limit) == pytest.approx(chance)
    assert handbook_probability.dressed_exceedance(np.tile(members, 2), deviation, limit) == pytest.approx(chance)
    assert handbook_probability.dressed_exceedance(members, 0.0, limit) == pytest.approx(np.mean(members > limit))
    assert handbook_probability.dressed_exceedance(members, deviation, limit + 1.0) <= chance + 1e-12


@given(DEVIATION, DEVIATION, st.floats(0.01, 1))
def test_dressing_never_counts_the_spread_twice(error, spread, floor):
    left = probability.dressing_deviation(error, spread, floor)
    assert left >= floor * (1 - 1e-12)
    if error**2 - spread**2 > floor**2:
        assert left**2 + spread**2 == pytest.approx(error**2)


def test_members_needed_for_a_bar_of_a_twentieth():
    assert min(m for m in range(1, 100) if probability.least_chance(m) <= 0.05) == 18


@pytest.mark.parametrize(("correlation", "expected"), [(0.0, 0.729), (0.8, 0.820), (0.95, 0.861), (1.0, 0.9)])
def test_three_hours_of_nine_in_ten(correlation, expected):
    room = np.full(3, probability.normal_quantile(0.9))
    assert probability.stretch_probability(room, correlation) == pytest.approx(expected, abs=1.5e-3)


@pytest.mark.parametrize("correlation", [0.3, 0.8, 0.97])
def test_stretch_is_scipys_multivariate_normal(correlation):
    room = np.array([0.4, 1.5, -0.3, 2.0])
    hours = np.arange(4)
    link = correlation ** np.abs(hours[:, None] - hours)
    expected = scipy.stats.multivariate_normal(np.zeros(4), link).cdf(room)
    assert probability.stretch_probability(room, correlation) == pytest.approx(expected, abs=3e-3)


@given(st.lists(st.floats(-5, 5), min_size=1, max_size=6), st.floats(0, 1))
def test_stretch_lies_between_its_bounds(room, correlation):
    room = np.array(room)
    each = probability.normal_probability(room)
    chance = probability.stretch_probability(room, correlation)
    assert each.prod() - 0.01 <= chance <= each.min() + 1e-9  # a product is the least that linked hours allow
    assert chance >= max(0.0, each.sum() - room.size + 1) - 0.01
    # Below a chance of 1e-4 the worst hour alone is taken, which is no more than that too high.
    assert probability.stretch_probability(room + 0.5, correlation) >= chance - 1e-4
    assert probability.stretch_probability(np.append(room, np.inf), correlation) == pytest.approx(chance, abs=3e-3)


def test_missing_stays_missing():
    room = np.array([[1.0, np.nan], [1.0, 2.0]])
    assert np.isnan(probability.stretch_probability(room, 0.8)).tolist() == [False, True]
    assert np.isnan(handbook_probability.normal_exceedance([np.nan, 1, 1], [1, np.nan, 1], [1, 1, np.nan])).all()
    assert np.isnan(
        handbook_probability.truncated_normal_exceedance([np.nan, 1, 1], [1, np.nan, 1], [1, 1, np.nan])
    ).all()
    assert np.isnan(handbook_probability.dressed_exceedance([1.0, np.nan], 1.0, 2.0))


def test_a_correlation_is_a_correlation():
    with pytest.raises(ValueError, match="between 0 and 1"):
        probability.stretch_probability(np.ones(2), 1.2)
