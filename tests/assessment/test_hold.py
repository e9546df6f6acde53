"""The hold after a break: never better, told by its cause, and not known where the hour before is not."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.cubes import START, quiet_cube
from tests.report.briefings import brief, hour_words, with_values
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import State, add_waiting_hours, assess
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.pilot.work import PlannedWork

LIMITS = limits_for(find_aircraft("camera-quad-250g"))
WAIT = PlannedWork(wait_hours=1)


def assessed(gusts):
    """Judge hours from 8 UTC with these gusts."""
    cube = quiet_cube(24)
    for i, gust in enumerate(gusts):
        cube["wind_speed_of_gust"].values[9 + i] = gust
    conditions = derive(
        cube, height=60.0, start=START + 8 * np.timedelta64(1, "h"), end=START + np.timedelta64(17, "h")
    )
    return assess(conditions, LIMITS)


def earlier():
    end = START + np.timedelta64(8, "h")
    return assess(derive(quiet_cube(24), height=60.0, start=end - np.timedelta64(4, "h"), end=end), LIMITS)


def test_the_value_the_rule_is_known_by():
    # 1,1,0,1,1,1,0,1,1 -> 1,1,0,0,1,1,0,0,1
    gusts = [4, 4, 30, 4, 4, 4, 30, 4, 4]
    held = add_waiting_hours(assessed(gusts), 1, earlier())
    assert (held["state"].values >= State.NARROW).astype(int).tolist() == [1, 1, 0, 0, 1, 1, 0, 0, 1]
    assert held["waiting_after"].values.tolist() == ["", "", "", "gust", "", "", "", "gust", ""]
    assert held["hour_margin"].values[3] == assessed(gusts)["hour_margin"].values[2] < 0


def test_no_hold_changes_nothing():
    before = assessed([4, 30, 4])
    assert add_waiting_hours(before, 0) is before


GUSTS = st.lists(st.one_of(st.floats(0, 25), st.just(np.nan)), min_size=9, max_size=9)


@pytest.mark.thorough
@given(GUSTS, st.integers(1, 3))
def test_a_hold_never_makes_an_hour_better(gusts, hours):
    before = assessed(gusts)
    after = add_waiting_hours(before, hours, earlier())
    margins = (np.nan_to_num(a["hour_margin"].values, nan=-2.0) for a in (before, after))
    assert np.greater_equal(*margins).all()
    assert ((after["state"].values >= State.NARROW) <= (before["state"].values >= State.NARROW)).all()


def test_what_is_not_known_of_the_hour_before_leaves_the_hour_not_known():
    held = add_waiting_hours(assessed([4, np.nan, 4, 4]), 1, earlier())
    assert held["state"].values[:4].tolist() == [State.INSIDE, State.NOT_KNOWN, State.NOT_KNOWN, State.INSIDE]
    assert np.isnan(held["hour_margin"].values[2])
    first = add_waiting_hours(assessed([4, 4]), 1)  # no hour before is given
    assert first["state"].values[:2].tolist() == [State.NOT_KNOWN, State.INSIDE]


def test_an_hour_outside_by_itself_stays_outside_after_one_not_known():
    held = add_waiting_hours(assessed([4, np.nan, 30, 4]), 1, earlier())
    assert held["state"].values[2] == State.OUTSIDE


def test_the_answer_holds_back_and_says_so():
    cube = with_values(quiet_cube(36), "wind_speed_of_gust", 30.0, 12, 12)  # the hour from 11 to 12 UTC
    free, held = brief(cubes=[cube]).answers[0], brief(cubes=[cube], work=WAIT).answers[0]
    state = {
        str(t)[11:13]: s for t, s in zip(held.assessment["time"].values, held.assessment["state"].values, strict=True)
    }
    assert state["11"] == state["12"] == State.OUTSIDE
    assert state["13"] == State.INSIDE
    at = int(np.flatnonzero(held.assessment["time"].values == START + np.timedelta64(12, "h"))[0])
    assert hour_words(held).reason(at) == "held back: the hour before was over the gust limit"
    assert free.assessment["state"].values[at] == State.INSIDE
    assert all(not (w.first <= at <= w.last) for w in held.windows)


def test_the_hour_before_the_period_counts():
    now = START.astype("datetime64[s]") + np.timedelta64(12, "h")
    cube = with_values(quiet_cube(36), "wind_speed_of_gust", 30.0, 12, 12)
    answer = brief(cubes=[cube], work=WAIT, now=now, first_day=0).answers[0]
    assert answer.assessment["time"].values[0] == now
    assert answer.assessment["waiting_after"].values[:2].tolist() == ["gust", ""]


def test_a_longer_hold():
    held = add_waiting_hours(assessed([4, 30, 4, 4, 4]), 2, earlier())
    assert held["waiting_after"].values[:5].tolist() == ["", "", "gust", "gust", ""]


def test_other_elements_hold_nothing_back():
    cube = with_values(quiet_cube(36), "precipitation_amount", 9.0, 12, 12)
    answer = brief(cubes=[cube], work=WAIT).answers[0]
    assert State.OUTSIDE in answer.assessment["state"].values[10:]
    assert not any(answer.assessment["waiting_after"].values[10:])
