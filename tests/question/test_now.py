"""Whether there is room to fly from now on."""

from functools import cache

import pytest

from wxfly.question.ask import ask
from wxfly.question.question import Words
from wxfly.report.facts.answer import facts_of


@cache
def now(as_of, **words):
    asked = ask("now", ["Valdrenna"], Words(as_of=as_of, **words), on_progress=lambda _: None)
    return facts_of(asked.briefing, asked.question)


def test_room_from_now_on_says_until_when_and_what_ends_it():
    facts = now("2026-03-14T15:20Z")
    (site,) = facts.sites
    (window,) = site.windows
    assert (facts.kind, facts.verdict.word) == ("now", "probably no room")
    assert facts.verdict.first_line == (
        "Invented, do not fly by this: probably no room to fly now at Valdrenna, Sat 14 Mar 16:20–18:55 CET; "
        "3 in 10 for the first 45 min."
    )
    assert window.start == facts.now == site.period.start, "what is past of the present hour is no room"
    assert facts.verdict.chance_period.start == facts.now, "how sure it is of a flight that starts now"
    assert "Ends: at last light" in [f"{line.label}: {line.words}" for line in facts.verdict.lines]


@pytest.mark.parametrize(
    ("as_of", "word", "told"),
    [
        ("2026-03-14T08:20Z", "no room", "Sat 14 Mar 09:20 CET: precipitation 0.9 mm/h, 0.8 mm/h over its limit."),
        ("2026-03-14T17:20Z", "no room", "Sat 14 Mar 18:20 CET: only until 18:55, shorter than 45 min."),
        ("2026-03-14T20:00Z", "no room", "Sat 14 Mar 21:00 CET: it is dark."),
        ("2026-03-15T22:30Z", "no room", "Sun 15 Mar 23:30 CET: it is dark."),  # nothing of it is known, but night is
        ("2026-03-15T13:00Z", "not known", "not known whether there is room to fly now at Valdrenna"),
    ],
)
def test_without_room_now_the_present_hour_says_why(as_of, word, told):
    facts = now(as_of)
    assert facts.verdict.word == word
    assert told in facts.verdict.first_line
    assert facts.sites[0].windows == [] and facts.verdict.period is None


def test_room_later_in_the_day_is_told_and_is_no_room_now():
    facts = now("2026-03-14T08:20Z")
    (later,) = [line for line in facts.verdict.lines if line.label == "Later"]
    # Today's window from 16:00 has 4 in 10: it is not held out as room.
    assert later.words == "the forecast is inside your limits Sun 15 Mar 15:00–16:00"
    assert facts.sites[0].changes[0].kind == "day"


def test_the_hours_asked_about_end_the_period():
    facts = now("2026-03-14T15:20Z", hours=1)
    assert (facts.verdict.period.end - facts.now).total_seconds() == 3600
    assert facts.question.hour_count == 1
