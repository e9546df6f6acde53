"""Staying with the window chosen in the run before: by rule, only among hours that hold, and told."""

from dataclasses import replace

import numpy as np
import pytest

from tests.cubes import quiet_cube
from tests.report.briefings import PROVENANCE, brief, with_values
from wxfly.answer.windows import Room
from wxfly.history import ledger
from wxfly.history.ledger import Chosen
from wxfly.history.previous_choice import (
    choice_of,
    clear_choices,
    remember,
    stay_with_choice,
)
from wxfly.report.facts.windows import choice_facts
from wxfly.report.facts.writing import Clock
from wxfly.report.text.details import choice_words

EARLIER = replace(PROVENANCE, run=PROVENANCE.run - np.timedelta64(6, "h"))


def with_gusts(**by_hour):
    """Return a day in which the gust is 9.9 m/s but in hours of UTC such as ``h09=5.0``."""
    cube = with_values(quiet_cube(36), "wind_speed_of_gust", 9.9)
    for name, gust in by_hour.items():
        cube = with_values(cube, "wind_speed_of_gust", gust, int(name[1:]) + 1, int(name[1:]) + 1)
    return cube


def answered(cube, **options):
    briefing = brief(cubes=[cube], **options)
    return briefing, briefing.answers[0]


def chose(cube, **options):
    """Enter the choice of an earlier run."""
    briefing, answer = answered(cube, provenance=EARLIER, **options)
    choice = choice_of(answer, briefing)
    assert ledger.enter([choice]) == 1
    return choice


# A storm parts the morning from the evening.
PARTED = {"h13": 30.0}


def test_a_choice_is_kept_while_another_gains_little():
    before = chose(with_gusts(h08=7.5, h18=8.0, **PARTED))
    briefing, answer = answered(with_gusts(h08=7.8, h18=7.6, **PARTED))
    assert answer.best.start.astype(str)[11:13] == "18"
    told = stay_with_choice(answer, briefing)
    assert told.choice.outcome == "kept"
    assert f"{told.best.start}Z" == before.hour
    assert told.best.chance.value == pytest.approx(told.choice.chance)
    assert told.choice.best - told.choice.chance <= 0.1
    assert told.windows[1].start == answer.best.start  # the better one comes next
    assert set(told.windows[1:]) <= set(answer.windows)
    assert "is kept from the run of" in choice_words(choice_facts(told), Clock("UTC"))


def test_another_that_gains_more_is_taken():
    chose(with_gusts(h08=7.5, h18=8.0, **PARTED))
    briefing, answer = answered(with_gusts(h08=9.5, h10=30.0, h18=3.0, **PARTED))  # a storm nears
    told = stay_with_choice(answer, briefing)
    assert told.choice.outcome == "left"
    assert told.windows == answer.windows


def test_an_hour_that_does_not_hold_any_more_is_never_kept():
    chose(with_gusts(h08=7.5, h18=8.0, **PARTED))
    for gust in (12.0, np.nan):
        briefing, answer = answered(with_gusts(h08=gust, h18=8.0, **PARTED))
        told = stay_with_choice(answer, briefing)
        assert told.choice.outcome == "gone"
        assert told.windows == answer.windows
        assert "has no room any more" in choice_words(choice_facts(told), Clock("UTC"))


def test_the_same_window_is_told_as_the_same():
    chose(with_gusts(h08=7.5, **PARTED))
    briefing, answer = answered(with_gusts(h08=7.4, **PARTED))
    told = stay_with_choice(answer, briefing)
    assert told.choice.outcome == "same"
    assert told.windows == answer.windows


def test_only_an_earlier_run_of_the_same_question_counts():
    chose(with_gusts(h08=7.5, h18=8.0, **PARTED), heights=[60.0])
    briefing, answer = answered(with_gusts(h08=7.8, h18=7.6, **PARTED))
    assert stay_with_choice(answer, briefing) is answer
    now = choice_of(answer, briefing)
    ledger.enter([replace(now, hour="2026-06-10T08:00:00Z")])  # of this very run
    assert stay_with_choice(answer, briefing) is answer
    ledger.enter([replace(now, question="week", run="2026-06-09T00:00:00Z")])
    assert stay_with_choice(answer, briefing) is answer


def test_a_choice_of_one_run_and_day_is_entered_once():
    choice = chose(with_gusts(h08=7.5))
    assert ledger.enter([choice, replace(choice, told="2026-06-09T13:00:00Z")]) == 0
    assert ledger.read_ledger().of(Chosen) == [choice]
    assert ledger.read_verdicts() == []


@pytest.mark.thorough
def test_the_answer_remembers_both():
    first = brief(cubes=[with_gusts(h08=7.5, h18=8.0, **PARTED)], provenance=EARLIER)
    remember(first, pytest.fail)
    second = remember(brief(cubes=[with_gusts(h08=7.8, h18=7.6, **PARTED)]), pytest.fail)
    assert second.answers[0].choice.outcome == "kept"
    assert len(second.answers[0].earlier) == 1
    assert len(ledger.read_ledger().of(Chosen)) == 2
    # Kept once more by a third run, from the second's choice.
    later = replace(PROVENANCE, run=PROVENANCE.run + np.timedelta64(1, "h"))
    third = remember(brief(cubes=[with_gusts(h08=7.8, h18=7.6, **PARTED)], provenance=later), pytest.fail)
    assert third.answers[0].choice.outcome == "kept"
    assert third.answers[0].choice.run == f"{PROVENANCE.run}Z"


def test_a_choice_is_left_where_another_has_room_and_it_probably_has_none():
    chose(with_gusts(h08=7.5, h18=8.0, **PARTED))
    briefing, answer = answered(with_gusts(h08=7.8, h18=6.5, **PARTED))
    told = stay_with_choice(answer, briefing)
    assert told.choice.outcome == "left"
    assert told.windows == answer.windows
    assert [w.room for w in told.windows] == [Room.ROOM, Room.PROBABLY_NONE]


def test_a_run_that_is_not_known_chooses_nothing():
    briefing, answer = answered(with_gusts(), provenance=replace(PROVENANCE, run=np.datetime64("NaT", "s")))
    assert choice_of(answer, briefing) is None
    assert stay_with_choice(answer, briefing) is answer


def test_a_kept_choice_is_said_first_and_can_be_left_aside_or_forgotten():
    chose(with_gusts(h08=6.0, h18=8.0, **PARTED))
    briefing, _ = answered(with_gusts(h08=7.0, h18=6.0, **PARTED))
    told = remember(briefing, print)
    assert told.answers[0].choice.outcome == "kept"
    assert "stays first, though another is better now, by no more than 1 in 10" in told.notes[0]
    assert "--fresh" in told.notes[0]
    anew = remember(briefing, print, fresh=True)
    assert anew.answers[0].choice is None
    assert anew.answers[0].best == briefing.answers[0].best
    clear_choices(np.datetime64("2100-01-01T00", "s"))
    assert remember(briefing, print).answers[0].choice is None
    assert ledger.read_ledger().of(Chosen), "the record stays"
