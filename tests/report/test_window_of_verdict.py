"""Verdict, JSON, calendar, page and brief are about the same window, whatever the pilot prefers."""

import json
import re

import icalendar
import pytest

from tests.cubes import quiet_cube
from tests.report.briefings import brief, page, with_values
from wxfly.answer.flight_brief import make_flight_brief
from wxfly.answer.windows import Room
from wxfly.report.calendar import to_ics
from wxfly.report.command_facts.brief import brief_facts
from wxfly.report.facts.answer import facts_of
from wxfly.report.formats import to_json

GUST = "wind_speed_of_gust"


@pytest.fixture(scope="module")
def cube():
    """Three days: two sure noons, and two evenings in golden hour that are less sure."""
    windy = with_values(quiet_cube(84), GUST, 20.0)
    noon = with_values(with_values(windy, GUST, 4.0, 10, 13), GUST, 5.0, 58, 61)
    return with_values(with_values(noon, GUST, 7.0, 18, 21), GUST, 6.5, 42, 45)


@pytest.mark.parametrize("question", ["best", "week"])
@pytest.mark.parametrize("prefers", [False, True])
def test_every_output_names_the_same_window(cube, question, prefers):
    briefing = brief(question, [cube], days=3 if question == "week" else 1, prefers_low_light=prefers)
    best, facts = briefing.answers[0].best, facts_of(briefing)
    start = facts.sites[0].best.start
    assert best.preferred == prefers
    assert (start.hour > 15) == prefers
    assert facts.verdict.period.start == start
    told = json.loads(to_json(facts))
    (site,) = told["sites"]
    assert site["windows"][site["rank_of_verdict"] - 1]["start"] == told["verdict"]["period"]["start"]
    events = icalendar.Calendar.from_ical(to_ics(facts)).walk("VEVENT")
    assert start.replace(second=0) in [event["DTSTART"].dt.replace(second=0) for event in events]
    with_room = [window for window in site["windows"] if window["room"] != Room.PROBABLY_NONE]
    assert len(events) == (len(with_room) if question == "week" else 1)
    if question == "week":
        shown = f"{start:%a} {start.day}"
        assert facts.verdict.lines[0].label.startswith(shown)
        assert re.findall(r"<details open>\n<summary><h3>(\w+ \d+)", page(briefing)) == [shown]
    flight = make_flight_brief(cube, briefing.answers[0], best, sortie=None, anemometer_height=2.0, return_height=80.0)
    assert brief_facts(flight, facts).window.start == start


@pytest.mark.parametrize("site", ["Kelderness", "Valdrenna", "Whistlebrush"])
def test_no_other_part_of_a_stretch_is_more_probable_in_tenths(wxfly, site):
    """Of an unbroken stretch the named part holds the time of the needed length that is the most probable."""
    answer = json.loads(wxfly("week", site, "--json")[1])
    (answered,) = answer["sites"]
    compared = 0
    for window in answered["windows"]:
        within = window["within"]
        for outlook in answered["outlooks"]:
            if within["start"] <= outlook["start"] and outlook["end"] <= within["end"]:
                compared += 1
                assert round(outlook["chance"], 1) <= round(window["surest"]["chance"], 1)
    assert compared
