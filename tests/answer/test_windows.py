from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from wxfly.answer.windows import find_windows, in_order
from wxfly.assessment.suitability import State
from wxfly.pilot.elements import NAMES
from wxfly.probability.chance import Chance, Outlook

START = np.datetime64("2026-03-10T06", "s")
HOUR = np.timedelta64(1, "h")


def minutes(count):
    return np.timedelta64(count, "m")


def assessed(margins, lit=None, unknown=None):
    """Make an assessment of one place from its margins; `lit` gives the lit minutes (from, to) of hours."""
    margins = np.array(margins, dtype=float)
    time = (START + np.arange(margins.size) * HOUR).astype("datetime64[ns]")
    usable_start, usable_end = time.copy(), time + HOUR
    for hour, (begin, end) in (lit or {}).items():
        usable_start[hour], usable_end[hour] = time[hour] + minutes(begin), time[hour] + minutes(end)
    state = np.select(
        [np.isnan(margins), margins < 0, margins < 0.2],
        [State.NOT_KNOWN, State.OUTSIDE, State.NARROW],
        State.INSIDE,
    )
    advised = np.zeros(margins.size, dtype=np.int8)
    by_element = np.ones((len(NAMES), margins.size))
    by_element[NAMES.index("gust")] = margins
    for hour in unknown or ():
        advised[hour] = 1
        by_element[NAMES.index("visibility"), hour] = np.nan
    return xr.Dataset(
        {
            "hour_margin": ("time", margins),
            "state": ("time", state.astype(np.int8)),
            "limiting_element": ("time", np.array(["gust"] * margins.size, dtype=object)),
            "advised_unknown": ("time", advised),
            "usable_start": ("time", usable_start),
            "usable_end": ("time", usable_end),
            "margin": (("element", "time"), by_element),
        },
        coords={
            "time": time,
            "element": list(NAMES),
            "required": ("element", [name == "gust" for name in NAMES]),
            "judged": ("element", [True] * len(NAMES)),
        },
    )


def hours_of(window):
    return (window.start - START) / minutes(60), (window.end - START) / minutes(60)


def found(margins, duration=60, **options):
    keys = {k: options.pop(k) for k in ("start", "end", "from_start") if k in options}
    return find_windows(assessed(margins, **options), minimum_duration=minutes(duration), **keys)


def test_the_larger_smallest_margin_wins():
    windows = found([0.5, -1, 0.7, -1, 0.6])
    assert [hours_of(w) for w in windows] == [(2, 3), (4, 5), (0, 1)]


def test_then_the_longer():
    windows = found([0.5, -1, 0.5, 0.5, -1])
    assert [hours_of(w) for w in windows] == [(2, 4), (0, 1)]


def test_then_the_earlier():
    assert [hours_of(w) for w in found([0.5, -1, 0.5])] == [(0, 1), (2, 3)]


def test_the_best_part_of_a_stretch_is_given_and_the_stretch_is_told():
    (window,) = found([0.1, 0.6, 0.6, 0.3, 0.05])
    assert hours_of(window) == (1, 3)
    assert window.margin == pytest.approx(0.6)
    assert window.state is State.INSIDE
    assert (window.within_start, window.within_end) == (START, START + 5 * HOUR)
    (longer,) = found([0.1, 0.6, 0.6, 0.3, 0.05], duration=180)
    assert hours_of(longer) == (1, 4)
    assert longer.margin == pytest.approx(0.3)


class Chances:
    """Chances of hours that are independent of one another; None is unknown."""

    def __init__(self, *of_hours):
        self.hours = [-1.0 if chance is None else chance for chance in of_hours]
        self.asked = set()

    def at_most(self, first, last):
        return min(self.hours[first : last + 1])

    def of(self, first, last):
        self.asked.add((first, last))
        part = self.hours[first : last + 1]
        return -1.0 if min(part) < 0 else float(np.prod(part))


@pytest.mark.parametrize(
    ("chances", "hours"),
    [
        ((0.5, 0.5, 0.5, 0.6, 0.5), (1, 4)),  # one in ten more, though the margin is smaller
        ((0.5, 0.5, 0.5, 0.54, 0.5), (1, 3)),  # the same tenth: the larger margin
        ((0.6, 0.5, 0.6, 0.5, 0.5), (1, 3)),  # a part that holds the most probable hour
        ((0.9, 0.5, 0.5, 0.5, 0.5), (0, 4)),
        ((None, 0.5, None, 0.5, 0.5), (1, 3)),  # a part with a known chance
        ((0.1, None, None, 0.1, 0.1), (1, 4)),  # an unknown chance is less than any known one
        ((None, None, None, None, None), (1, 3)),
    ],
)
def test_the_best_part_is_the_more_probable_in_tenths_then_the_larger_margin(chances, hours):
    (window,) = find_windows(
        assessed([0.1, 0.6, 0.6, 0.3, 0.05]), minimum_duration=minutes(60), chances=Chances(*chances)
    )
    assert hours_of(window) == hours
    assert (window.within_start, window.within_end) == (START, START + 5 * HOUR)


def test_an_hour_with_something_unknown_is_no_best_part_however_probable():
    judged = assessed([0.5, 0.5, 0.5], unknown=[1])
    (window,) = find_windows(judged, minimum_duration=minutes(60), chances=Chances(0.4, 0.9, 0.5))
    assert hours_of(window) == (2, 3) and window.unknown == ()


@given(
    margins=st.lists(st.sampled_from([0.05, 0.3, 0.6]), min_size=1, max_size=6),
    chances=st.lists(st.none() | st.sampled_from([0.3, 0.5, 0.54, 0.6, 0.9]), min_size=6, max_size=6),
    hours=st.integers(1, 2),
)
def test_no_other_part_is_more_probable_or_equal_with_more_margin(margins, chances, hours):
    known = Chances(*chances)
    windows = find_windows(assessed(margins), minimum_duration=minutes(60 * hours), chances=known)
    if len(margins) < hours:
        assert windows == []
        return
    (window,) = windows

    def worth(first, last):
        most = max(known.of(k, k + hours - 1) for k in range(first, last - hours + 2))
        return round(most, 1), min(margins[first : last + 1]), last - first, -first

    parts = [(i, j) for i in range(len(margins)) for j in range(i + hours - 1, len(margins))]
    assert (window.first, window.last) == max(parts, key=lambda part: worth(*part))


def test_only_chances_that_may_be_the_largest_are_worked_out():
    known = Chances(0.2, 0.9, 0.2, 0.2, 0.2)
    find_windows(assessed([0.1, 0.6, 0.6, 0.3, 0.05]), minimum_duration=minutes(60), chances=known)
    assert known.asked == {(1, 1)}


def test_a_minimum_that_does_not_fit_gives_none():
    assert found([0.5, 0.5, -1, 0.5], duration=121) == []


def test_narrow_hours_count_and_outside_and_not_known_do_not():
    (window,) = found([np.nan, 0.0, -0.01])
    assert hours_of(window) == (1, 2)
    assert window.state is State.NARROW


def test_trimmed_to_daylight_to_the_minute():
    (window,) = found([0.5, 0.5, 0.5], lit={0: (37, 60), 2: (0, 13)})
    assert hours_of(window) == pytest.approx((37 / 60, 2 + 13 / 60))


def test_a_lit_piece_too_short_for_the_minimum_is_no_window():
    assert found([0.5], lit={0: (20, 60)}, duration=41) == []
    assert len(found([0.5], lit={0: (20, 60)}, duration=40)) == 1


def test_dark_minutes_between_two_hours_part_them():
    windows = found([0.5, 0.5], lit={0: (0, 50)}, duration=30)
    assert sorted(hours_of(w) for w in windows) == [(0, pytest.approx(50 / 60)), (1, 2)]


def test_cut_to_the_period_asked_about():
    (window,) = found([0.5, 0.5, 0.5], start=START + minutes(90), end=START + minutes(165))
    assert hours_of(window) == (1.5, 2.75)


def test_a_window_with_something_unknown_stands_behind_one_where_all_is_known():
    windows = found([0.9, -1, 0.3], unknown=[0])
    assert [hours_of(w) for w in windows] == [(2, 3), (0, 1)]
    assert windows[1].unknown == ("visibility",)


def test_a_preference_orders_what_holds_and_makes_nothing_hold():
    liked = np.array([False, True, False, False, True, True])
    windows = find_windows(assessed([0.9, 0.3, -1, 0.8, -1, 0.2]), minimum_duration=minutes(60), preferred=liked)
    assert [hours_of(w) for w in windows] == [(1, 2), (5, 6), (3, 4)]
    assert [w.preferred for w in windows] == [True, True, False]


def with_chance(hours_ahead, value, margin=0.5, **changes):
    window = replace(found([margin] * 2)[0], start=START + hours_ahead * HOUR, **changes)
    chance = Chance(value, 1, is_weak=True) if value is not None else None
    return replace(window, surest=None if chance is None else Outlook(window.start, window.end, 0, 1, chance))


def test_the_chance_ranks_before_the_margin():
    six_days_off, tomorrow = with_chance(144, 0.4, margin=0.9), with_chance(24, 0.5, margin=0.1)
    assert in_order([six_days_off, tomorrow], START) == [tomorrow, six_days_off]


def test_of_equal_chances_a_day_beyond_three_days_is_never_first():
    far, near = with_chance(73, 0.603, margin=0.9), with_chance(71, 0.598, margin=0.1)
    assert in_order([far, near], START) == [near, far]
    assert in_order([far, near], START + 2 * HOUR) == [far, near]  # both within three days: the margin counts
    surer = with_chance(73, 0.62)
    assert in_order([near, surer], START) == [surer, near]


@pytest.mark.parametrize("value", [None, np.nan])
def test_an_unknown_chance_and_an_unknown_element_rank_last_of_what_has_room(value):
    unsaid, small = with_chance(1, value, margin=0.9), with_chance(1, 0.51, margin=0.1)
    hidden = with_chance(1, 0.99, unknown=("visibility",))
    unlikely = with_chance(1, 0.01, margin=0.9)
    for days in (1, 7):
        assert in_order([unlikely, unsaid, hidden, small], START, days=days) == [small, unsaid, hidden, unlikely]


def test_nothing_at_all():
    assert found([-1, np.nan]) == []


margins = st.lists(st.one_of(st.floats(-1, 1), st.just(float("nan"))), min_size=1, max_size=12)


@given(margins=margins, duration=st.integers(15, 240))
def test_every_window_holds_and_is_long_enough(margins, duration):
    for window in found(margins, duration=duration):
        assert window.length >= minutes(duration)
        inside = margins[window.first : window.last + 1]
        assert min(inside) == pytest.approx(window.margin)
        assert window.margin >= 0


@given(margins=margins, lost=st.integers(0, 11))
def test_an_hour_lost_never_lifts_the_best_window(margins, lost):
    before = found(margins)
    holed = list(margins)
    holed[lost % len(margins)] = float("nan")
    after = found(holed)
    if after:
        assert before
        assert before[0].rank <= after[0].rank


def test_from_the_start_on_the_whole_stretch_is_given_whatever_its_best_part():
    (window,) = found([0.3, 0.1, 0.6, -1.0, 0.9], start=START + minutes(20), from_start=True)
    assert hours_of(window) == (20 / 60, 3)
    assert (window.margin, window.state) == (0.1, State.NARROW)


def test_from_the_start_on_a_later_stretch_is_no_answer():
    for margins in ([-1.0, 0.9, 0.9], [np.nan, 0.9, 0.9], [0.9, -1.0, 0.9, 0.9]):
        assert found(margins, start=START + minutes(30), from_start=True) == []
    assert found([0.9, 0.9], lit={0: (40, 60)}, start=START + minutes(30), from_start=True) == []
