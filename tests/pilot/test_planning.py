"""Planning rules of other trades, each with the value that it is known by."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wxfly.pilot import work
from wxfly.probability import chance

FLAGS = st.lists(st.booleans(), min_size=1, max_size=24)


@pytest.mark.parametrize(
    ("lead", "planned"), [(6, 9.6), (24, 9.6), (25, 9.0), (48, 9.0), (72, 8.4)]
)  # DNV-OS-H101 table 4-6, as transcribed
def test_a_limit_of_12_planned_ahead(lead, planned):
    assert work.derate(lead) * 12 == pytest.approx(planned)


def test_past_three_days_is_an_outlook_only():
    assert work.derate(72.1) is None


def test_reference_period():
    assert work.reference_period(45) == 90
    assert work.reference_period(45, 15) == 60


@pytest.mark.parametrize(("start", "minutes", "hours"), [(0, 60, 1), (0, 80, 2), (45, 80, 3), (45, 25, 2), (45, 15, 1)])
def test_hours_touched(start, minutes, hours):
    assert work.hours_touched(start, minutes) == hours


OK = [1, 1, 0, 1, 1, 1, 0, 1]


@given(FLAGS, st.integers(1, 24))
def test_interrupted_work_uses_only_hours_that_hold(flags, hours):
    stretches = work.interrupted_work(flags, hours)
    if sum(flags) < hours:
        assert stretches is None
        return
    assert sum(s.hours for s in stretches if s.is_work) == hours
    assert all(flags[i] for s in stretches if s.is_work for i in range(s.first, s.first + s.hours))
    assert stretches[0].is_work
    assert stretches[-1].is_work


def test_hold_after_a_break():
    held = work.wait_after_break([1, 1, 0, 1, 1, 1, 0, 1, 1])
    assert held.astype(int).tolist() == [1, 1, 0, 0, 1, 1, 0, 0, 1]


@given(FLAGS, st.integers(0, 4))
def test_a_hold_never_adds_an_hour(flags, hours):
    held = work.wait_after_break(flags, hours)
    assert not (held & ~np.array(flags)).any()
    assert (work.wait_after_break(flags, hours + 1) <= held).all()


def test_two_decisions_have_two_thresholds():
    given = work.Costs(driving_out=30, value_of_flight=100, damage=2000)
    assert given.least_chance_to_drive == pytest.approx(0.30)
    assert given.largest_risk_to_take_off == pytest.approx(0.05)
    assert given.members_needed == 18
    assert work.drives_out(0.4, given)
    assert not work.drives_out(0.3, given)
    assert not work.takes_off(0.9, given)
    assert work.takes_off(0.96, given)
    assert not work.drives_out(math.nan, given)
    assert not work.takes_off(math.nan, given)


def test_the_chosen_window_is_kept():
    assert chance.keeps_choice(0.70, 0.78)
    assert not chance.keeps_choice(0.70, 0.85)
    assert not chance.keeps_choice(math.nan, 0.5)


@pytest.mark.parametrize(("values", "expected"), [([0.2, 0.8, 0.3, 0.7], 0.45), ([0.2, 0.3, 0.5, 0.7], 0.0)])
def test_jumpiness(values, expected):
    assert chance.jumpiness(values) == pytest.approx(expected)


@given(st.lists(st.floats(0, 1), min_size=3, max_size=9))
def test_jumpiness_is_that_of_the_library(values):
    import xarray as xr
    from scores.continuous import flip_flop_index

    expected = float(flip_flop_index(xr.DataArray(values, dims="run"), "run"))
    assert chance.jumpiness(values) == pytest.approx(expected, abs=1e-12)


def test_jumpiness_of_two_is_not_known():
    assert math.isnan(chance.jumpiness([0.2, 0.8]))
