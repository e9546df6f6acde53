from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from tests.report.briefings import brief
from wxfly.answer.windows import Room
from wxfly.report.facts.answer import facts_of
from wxfly.report.further_facts.watch import STEP, Turn, kept, lost_facts, watch_facts, watch_text

ANSWER = facts_of(brief())
NOW = watch_facts(ANSWER, None).told
(STRETCH,) = NOW.stretches
HOUR = timedelta(hours=1)


def told(**changes):
    """What was told before, where its one stretch was another."""
    return replace(NOW, stretches=[replace(STRETCH, **changes)])


def turns(before):
    return [change.turn for change in watch_facts(ANSWER, before).changes]


def test_the_first_look_tells_the_answer():
    facts = watch_facts(ANSWER, None)
    assert (facts.since, facts.changes) == (None, [])
    assert watch_text(facts) == [ANSWER.verdict.first_line]


def test_what_stayed_is_not_told():
    assert turns(NOW) == []
    assert turns(told(end=STRETCH.end - STEP + timedelta(minutes=1))) == []
    assert turns(told(chance=STRETCH.chance - 0.09)) == []


@pytest.mark.parametrize(
    ("before", "turn"),
    [
        (told(end=STRETCH.end + HOUR), Turn.SHORTER),
        (told(end=STRETCH.end - HOUR), Turn.LONGER),
        (told(start=STRETCH.start - HOUR, end=STRETCH.end - HOUR), Turn.MOVED),
        (replace(NOW, stretches=[]), Turn.OPENED),
        (told(start=NOW.at + HOUR / 2, end=STRETCH.start), Turn.GONE),
        (told(chance=0.99), Turn.LESS_PROBABLE),
        (told(chance=STRETCH.chance - 0.2), Turn.MORE_PROBABLE),
        (told(chance=None), Turn.MORE_PROBABLE),
        (told(room=Room.LITTLE if STRETCH.room is Room.ROOM else Room.ROOM), None),
        (replace(NOW, has_forecast=False), Turn.KNOWN),
        (replace(NOW, unknown=[]), Turn.NOT_KNOWN if NOW.unknown else None),
    ],
)
def test_each_turn_is_told_by_name(before, turn):
    if turn is None and before.stretches[0].room is STRETCH.room:
        pytest.skip("all is known in this answer")
    if turn is None:
        turn = Turn.ROOM if STRETCH.room is Room.ROOM else Turn.LITTLE_ROOM
    if turn is Turn.LESS_PROBABLE and STRETCH.chance > 0.89:
        pytest.skip("the answer is surer than what was told")
    assert turn in turns(before)


def test_what_was_known_and_is_not_is_a_turn_for_the_worse():
    lost = lost_facts("Meadow", NOW, NOW.at + HOUR, "nobody answers")
    assert [(c.turn, c.is_worse) for c in lost.changes] == [(Turn.NOT_KNOWN, True)]
    assert lost_facts("Meadow", lost.told, NOW.at + 2 * HOUR, "nobody answers").changes == []


def test_an_element_that_is_lost_is_named_whatever_else_was_unknown():
    site = ANSWER.sites[0]
    gap = replace(site.not_known, required=[*site.not_known.required, "wind"])
    answer = replace(ANSWER, sites=[replace(site, not_known=gap)])
    (change,) = watch_facts(answer, NOW).changes
    assert (change.turn, change.is_worse) == (Turn.NOT_KNOWN, True) and "wind" in change.words


def test_a_zone_that_comes_into_force_is_told():
    assert turns(replace(NOW, zones="in a zone")) == []
    told = watch_facts(ANSWER, NOW).told
    assert told.zones == ""


def test_an_unknown_chance_is_less_than_a_known_one():
    answer = replace(ANSWER, sites=[replace(ANSWER.sites[0], windows=[])])
    assert Turn.GONE in [c.turn for c in watch_facts(answer, NOW).changes]
    (window,) = ANSWER.sites[0].windows
    answer = replace(ANSWER, sites=[replace(ANSWER.sites[0], windows=[replace(window, surest=None)])])
    assert Turn.LESS_PROBABLE in [c.turn for c in watch_facts(answer, NOW).changes]


def test_what_is_over_is_not_gone():
    assert turns(told(start=NOW.at - 3 * HOUR, end=NOW.at)) == [Turn.OPENED]


def test_a_day_that_came_in_since_is_no_change_and_is_kept():
    before = replace(NOW, until=STRETCH.start, stretches=[])
    assert turns(before) == []
    assert kept(before, NOW).stretches == NOW.stretches
    assert turns(kept(before, NOW)) == []


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
    unknown = NOW.unknown if known else [*NOW.unknown, "kp"]
    before = replace(NOW, unknown=unknown, stretches=[replace(STRETCH, start=start, end=finish, chance=chance)])
    shared = max(min(finish, STRETCH.end) - max(start, STRETCH.start), timedelta(0))
    is_worse = finish - start - shared >= STEP or (shared and chance is not None and STRETCH.chance <= chance - 0.1)
    changes = watch_facts(ANSWER, before).changes
    assert any(c.is_worse for c in changes) == bool(is_worse or not shared)
    assert [c.is_worse for c in changes] == sorted((c.is_worse for c in changes), reverse=True)
