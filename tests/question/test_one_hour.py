"""Why one hour has room or not."""

from functools import cache

import pytest

from wxfly.errors import WxflyError
from wxfly.question.ask import ask_hour
from wxfly.question.question import Words
from wxfly.report.command_facts.one_hour import one_hour_facts
from wxfly.report.text.answer import render_hour


@cache
def why(*given, **words):
    return one_hour_facts(ask_hour(given, Words(**words), on_progress=lambda _: None))


def test_an_hour_without_room_says_by_what_and_what_would_help():
    facts = why("Kelderness", "sunday", "15:00")
    assert (facts.word, facts.state, facts.limiting_element) == ("no room", "outside", "gust")
    assert facts.first_line == (
        "Invented, do not fly by this: no room to fly at Kelderness, Sun 15 Mar 15:00–16:00 GMT: "
        "gust is beyond its limit."
    )
    assert facts.sentences == [
        "Gust at 60 m, 12.5 of 10.7 m/s: 1.8 m/s over its limit.",
        "Wind at 60 m, 9.4 of 8.5 m/s: 0.9 m/s over its limit.",
        "Every other limit that is known has more room.",
        "Gust 7 in 10 to break its limit.",
        "There is room 12:00–13:00.",
    ]
    assert facts.changes == []  # at 10 m and with the largest aircraft less than the reserve is left
    assert [e.name for e in facts.elements][:2] == ["gust", "wind"]
    assert facts.elements[0].margin == pytest.approx(1 - 12.5 / 10.7, abs=0.01)


def test_an_hour_with_room_says_what_leaves_the_least():
    facts = why("Kelderness", "12", "tomorrow")
    assert facts.word == "room"
    assert facts.first_line.endswith("room to fly at Kelderness, Sun 15 Mar 12:00–13:00 GMT; 6 in 10.")
    assert facts.sentences[0] == "Gust at 60 m, 6.2 of 10.7 m/s: 42 % below its limit."
    assert facts.changes == [] and facts.nearest_window is None


def test_numbers_are_in_the_units_of_the_pilot():
    assert (
        why("Kelderness", "12", "tomorrow", units="imperial")
        .sentences[0]
        .startswith("Gust at 197 ft, 13.8 of 23.9 mph")
    )


def test_what_is_unknown_comes_first():
    facts = why("Kelderness", "15", "today", as_of="2026-03-15T10:00Z")
    assert facts.word == "not known"
    assert "not known whether there is room to fly" in facts.first_line
    assert "gust, precipitation" in facts.first_line
    assert facts.sentences[0] == "What follows is known, and is not enough to decide."
    assert facts.unknown_elements[:2] == ["gust", "precipitation"]


def test_night_is_no_room_and_needs_no_other_word():
    facts = why("Kelderness", "22:00")
    assert facts.first_line.endswith("22:00–23:00 GMT: it is dark.")
    assert facts.sentences == ["No other hour of the day is known to be likely to have room."]
    assert facts.usable is None


@pytest.mark.parametrize(
    ("given", "told"),
    [
        (("today", "5:00"), "the hour of 2026-03-14 05:00 is over"),
        (("Kelderness",), "hour 'Kelderness' is not understood"),
        (("Kelderness", "15:00", "fridy"), "did you mean 'friday'"),
        (("monday", "2026-03-15T15:00"), "two days are named"),
        ((), "an hour is wanted"),
    ],
)
def test_what_is_no_hour_to_come_is_refused_with_the_way_out(given, told):
    with pytest.raises(WxflyError, match=told):
        why(*given)


@pytest.mark.thorough
def test_the_hour_is_on_the_clock_of_the_site_and_the_next_one_without_a_day():
    assert str(why("Whistlebrush", "11am").start) == "2026-03-14 17:00:00+00:00"
    assert str(why("Whistlebrush", "2026-03-15T11:00").start) == "2026-03-15 17:00:00+00:00"
    assert str(why("Whistlebrush", "2026-03-15T17:30+00:00").start) == "2026-03-15 17:00:00+00:00"
    assert str(why("Kelderness", "5").start) == "2026-03-15 05:00:00+00:00"
    assert why("Kelderness", "5").answer.question.hour_start == why("Kelderness", "5").start


def test_the_paragraph_begins_with_the_verdict():
    facts = why("Kelderness", "sunday", "15:00")
    text = render_hour(facts, width=2000)
    paragraph, _, rest = text.partition("\n\n")
    assert paragraph == " ".join([facts.first_line, *facts.sentences])
    assert "Advice, not permission" in rest
    assert "\ncloud base above ground, " in render_hour(facts, width=2000, more=True)
