from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from tests.cubes import quiet_cube
from tests.report.briefings import brief, with_values
from wxfly.answer.windows import Room
from wxfly.cube.notes import NoteKind
from wxfly.report.command_facts.watch import STEP, Gap, Stretch, Turn, lost_facts, watch_facts, watch_text, with_fault
from wxfly.report.facts.answer import facts_of
from wxfly.report.facts.values import Period
from wxfly.report.facts.verdict import Note

ANSWER = facts_of(brief(cubes=[quiet_cube(36)]))
NOW = watch_facts(ANSWER, None).told
(STRETCH,) = NOW.stretches
HOUR = timedelta(hours=1)


def told(**changes):
    """What was told before, where its one stretch was another."""
    return replace(NOW, stretches=[replace(STRETCH, **changes)])


def turns(before, answer=ANSWER):
    return [change.turn for change in watch_facts(answer, before).changes]


def without(name, first=None, last=None):
    """The answer where a variable is lost between two stamps of hours."""
    return facts_of(brief(cubes=[with_values(quiet_cube(36), name, np.nan, first, last)]))


def with_site(**changes):
    return replace(ANSWER, sites=[replace(ANSWER.sites[0], **changes)])


def with_window(**changes):
    return with_site(windows=[replace(ANSWER.sites[0].windows[0], **changes)])


def test_the_first_look_tells_the_answer_and_every_window():
    facts = watch_facts(ANSWER, None)
    assert (facts.since, facts.changes) == (None, [])
    assert watch_text(facts) == [ANSWER.verdict.first_line]
    (window,) = ANSWER.sites[0].windows
    early = Period(window.within.start - 9 * HOUR, window.within.start - 6 * HOUR)
    two = watch_facts(with_site(windows=[window, replace(window, within=early)]), None)
    assert len(watch_text(two)) == 3 and all("room, 8 in 10" in line for line in watch_text(two)[:2])
    assert watch_text(two)[-1] == ANSWER.verdict.first_line


def test_what_stayed_is_not_told():
    assert turns(NOW) == []
    assert turns(told(end=STRETCH.end - STEP + timedelta(minutes=1))) == []
    assert turns(told(chance=STRETCH.chance - 0.09)) == []


def test_all_is_known_in_this_answer():
    assert NOW.unknown == [] and STRETCH.room is Room.ROOM and STRETCH.chance < 0.89


@pytest.mark.parametrize(
    ("before", "turn"),
    [
        (told(end=STRETCH.end + HOUR), Turn.SHORTER),
        (told(end=STRETCH.end - HOUR), Turn.LONGER),
        (told(start=STRETCH.start - HOUR, end=STRETCH.end - HOUR), Turn.MOVED),
        (replace(NOW, stretches=[]), Turn.OPENED),
        (told(chance=0.99), Turn.LESS_PROBABLE),
        (told(chance=STRETCH.chance - 0.2), Turn.MORE_PROBABLE),
        (told(chance=None), Turn.MORE_PROBABLE),
        (told(room=Room.LITTLE), Turn.ROOM),
        (replace(NOW, has_forecast=False), Turn.KNOWN),
    ],
)
def test_each_turn_is_told_by_name(before, turn):
    assert turns(before) == [turn]


def test_what_goes_is_told_before_what_opens():
    assert turns(told(start=NOW.at + HOUR / 2, end=STRETCH.start)) == [Turn.GONE, Turn.OPENED]


def test_hours_that_come_nearer_to_a_limit_are_told():
    assert turns(NOW, with_window(room=Room.LITTLE)) == [Turn.LITTLE_ROOM]


def test_what_was_known_and_is_not_is_a_turn_for_the_worse():
    lost = lost_facts("Meadow", NOW, NOW.at + HOUR, "nobody answers")
    assert [(c.turn, c.is_worse) for c in lost.changes] == [(Turn.NOT_KNOWN, True)]
    assert lost_facts("Meadow", lost.told, NOW.at + 2 * HOUR, "nobody answers").changes == []
    assert lost.fault == "nobody answers" and "NOT KNOWN" in lost.first_line and lost.cautions


def test_of_a_time_that_is_over_no_loss_is_told():
    assert lost_facts("Meadow", NOW, NOW.until, "that day is over").changes == []


def test_a_fault_before_anything_was_told_stands_in_the_facts():
    facts = with_fault(None, "no such place")
    assert (facts.fault, facts.changes, facts.told) == ("no such place", [], None)
    assert with_fault(watch_facts(ANSWER, told(chance=0.99)), "no bell").changes == []


@pytest.mark.parametrize(
    ("name", "element"),
    [("wind_speed_of_gust", "gust"), ("visibility_in_air", "visibility"), ("precipitation_amount", "precipitation")],
)
def test_an_element_that_is_lost_is_told_once_by_name_and_so_is_its_return(name, element):
    answer = without(name, 14, 16)
    facts = watch_facts(answer, NOW)
    lost = facts.changes[0]
    assert (lost.turn, lost.is_worse) == (Turn.NOT_KNOWN, True) and element in lost.elements
    assert element.split("_")[0] in lost.words
    assert turns(facts.told, answer) == []
    back = watch_facts(ANSWER, facts.told)
    assert back.changes[-1].turn in (Turn.KNOWN, Turn.LONGER, Turn.OPENED)
    assert element in next(c for c in back.changes if c.turn is Turn.KNOWN).elements


def test_an_element_that_is_lost_in_more_hours_is_told_again():
    before = watch_facts(without("wind_speed_of_gust", 14, 14), NOW).told
    assert Turn.NOT_KNOWN in turns(before, without("wind_speed_of_gust", 14, 18))


def test_another_element_that_is_lost_is_told_beside_the_one_that_was():
    before = watch_facts(without("visibility_in_air", 14, 16), NOW).told
    both = with_values(with_values(quiet_cube(36), "visibility_in_air", np.nan, 14, 16), "wind_speed_of_gust", np.nan)
    (first, *_) = watch_facts(facts_of(brief(cubes=[both])), before).changes
    assert first.turn is Turn.NOT_KNOWN and "gust" in first.elements and "visibility" not in first.elements


def test_hours_that_get_unknown_are_not_called_without_room():
    gone = next(c for c in watch_facts(without("wind_speed"), NOW).changes if c.turn is Turn.GONE)
    assert gone.words.endswith("not known any more whether there is room")


def test_a_forecast_that_ends_makes_its_hours_unknown():
    """Past the last hour of a shorter run nothing is known, and that is told."""
    cube = quiet_cube(36)
    for name in cube.data_vars:
        if "time" in cube[name].dims and cube[name].dtype.kind == "f":
            cube = with_values(cube, name, np.nan, 14, 36)
    facts = watch_facts(facts_of(brief(cubes=[cube])), NOW)
    assert facts.changes[0].turn is Turn.NOT_KNOWN
    assert {"wind", "gust", "temperature"} <= set(facts.changes[0].elements)
    assert Turn.SHORTER in [c.turn for c in facts.changes]


def test_a_probable_no_is_told_with_its_chance():
    (gone,) = watch_facts(with_window(room=Room.PROBABLY_NONE), NOW).changes
    assert gone.turn is Turn.GONE and "probably no room now, 8 in 10" in gone.words


def test_a_doubt_is_told_once_whatever_its_numbers():
    def noted(text, kind=NoteKind.FORECAST):
        return replace(ANSWER, notes=[*ANSWER.notes, Note(kind, text)])

    facts = watch_facts(noted("this forecast is 14 h old"), NOW)
    assert [(c.turn, c.is_worse) for c in facts.changes] == [(Turn.DOUBT, True)]
    assert turns(facts.told, noted("this forecast is 15 h old")) == []
    assert turns(facts.told, noted("nobody answers", NoteKind.NO_NEWER_FORECAST)) == [Turn.DOUBT]
    renewed = watch_facts(ANSWER, facts.told).told
    assert turns(renewed, noted("this forecast is 14 h old")) == [Turn.DOUBT]
    assert turns(NOW, noted("another window is better by 0.02", NoteKind.CHOICE)) == []


def test_small_changes_add_up_whatever_else_is_told():
    """Two steps of 0.06: the first is below the step, and told of is something else; the second makes it 0.12."""
    before = told(chance=STRETCH.chance + 0.06)
    first = watch_facts(replace(ANSWER, notes=[*ANSWER.notes, Note(NoteKind.FORECAST, "old")]), before)
    assert [c.turn for c in first.changes] == [Turn.DOUBT]
    (window,) = ANSWER.sites[0].windows
    later = with_window(surest=replace(window.surest, chance=STRETCH.chance - 0.06))
    assert Turn.LESS_PROBABLE in turns(first.told, later)


def test_an_unknown_chance_is_less_than_a_known_one():
    assert turns(NOW, with_site(windows=[])) == [Turn.GONE]
    assert turns(NOW, with_window(surest=None)) == [Turn.LESS_PROBABLE]


def test_what_is_over_is_not_gone():
    assert turns(told(start=NOW.at - 3 * HOUR, end=NOW.at)) == [Turn.OPENED]
    short = told(start=NOW.at - HOUR, end=NOW.at + timedelta(minutes=20))
    assert ANSWER.minimum_duration > 20 * 60 and turns(short, with_site(windows=[])) == []
    assert turns(told(start=NOW.at - HOUR, end=NOW.at + HOUR), with_site(windows=[])) == [Turn.GONE]


def test_a_window_of_tomorrow_that_becomes_today_is_the_same_window():
    later = replace(ANSWER, now=STRETCH.start - HOUR, sites=[replace(ANSWER.sites[0], days=ANSWER.sites[0].days)])
    assert turns(NOW, later) == []
    moved = replace(later, now=STRETCH.start + HOUR)
    assert turns(NOW, moved) == []


def test_a_day_that_came_in_since_is_told_of_few_days_and_kept_of_a_week():
    before = replace(NOW, until=STRETCH.start, stretches=[])
    assert turns(before) == [Turn.OPENED]
    week = with_site(days=ANSWER.sites[0].days * 7)
    facts = watch_facts(week, before)
    assert facts.changes == [] and facts.told.stretches == NOW.stretches and facts.told.until == NOW.until
    assert watch_facts(with_site(days=ANSWER.sites[0].days * 7, windows=[]), facts.told).changes[0].turn is Turn.GONE


def test_what_is_not_known_of_a_day_that_came_in_is_told_of_few_days():
    before = replace(NOW, until=STRETCH.start - HOUR, stretches=[])
    (first, *_) = watch_facts(without("wind_speed"), before).changes
    assert first.turn is Turn.NOT_KNOWN and "any more" not in first.words


def test_another_place_of_the_same_name_is_another_watch():
    facts = watch_facts(ANSWER, replace(NOW, place="Meadow 10.00000,20.00000", stretches=[]))
    assert facts.since is None and facts.changes == []


def test_a_gap_that_goes_on_into_a_new_day_is_one_gap():
    answer = without("kp_index")
    before = watch_facts(answer, None).told
    (gap, *_) = [g for g in before.unknown if g.element == "kp"]
    half = gap.start + (gap.end - gap.start) / 2
    half = half.replace(minute=0, second=0, microsecond=0)
    known = replace(before, until=half, unknown=[Gap("kp", gap.start, half)])
    week = replace(answer, sites=[replace(answer.sites[0], days=answer.sites[0].days * 7)])
    kept = watch_facts(week, known).told
    assert turns(kept, week) == []


@given(
    begin=st.integers(-240, 240),
    end=st.integers(-240, 240),
    chance=st.none() | st.floats(0.5, 0.99),
    known=st.booleans(),
)
def test_no_change_for_the_worse_is_kept_silent(begin, end, chance, known):
    """Whatever was told: where half an hour of it, a tenth of its chance or its certainty is lost, that comes first."""
    start, finish = STRETCH.start + timedelta(minutes=begin), STRETCH.end + timedelta(minutes=end)
    start = max(start, NOW.at)
    if finish <= start:
        return
    unknown = [] if known else [Gap("kp", STRETCH.start, STRETCH.end)]
    was = Stretch(start, finish, STRETCH.room, chance, [])
    before = replace(NOW, unknown=unknown, stretches=[was])
    shared = max(min(finish, STRETCH.end) - max(start, STRETCH.start), timedelta(0))
    is_worse = finish - start - shared >= STEP or (shared and chance is not None and STRETCH.chance <= chance - 0.1)
    changes = watch_facts(ANSWER, before).changes
    assert any(c.is_worse for c in changes) == bool(is_worse or not shared)
    assert [c.is_worse for c in changes] == sorted((c.is_worse for c in changes), reverse=True)
