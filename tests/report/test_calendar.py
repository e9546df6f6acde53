from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from icalendar import Calendar

from tests.cubes import quiet_cube
from tests.report.briefings import (
    MEADOW,
    NOW,
    PROVENANCE,
    RANCH,
    TAKEN_ON,
    brief,
    every_question,
    invented,
    stormy,
    with_gaps,
    with_values,
)
from wxfly.answer.windows import Room
from wxfly.report.calendar import to_ics
from wxfly.report.facts.answer import facts_of
from wxfly.report.facts.values import CAUTIONS, INVENTED

ALL = every_question()


def written(briefing, units="metric", time_zone=None):
    return to_ics(facts_of(briefing, units=units, time_zone=time_zone))


def events(briefing, **reader):
    return Calendar.from_ical(written(briefing, **reader)).walk("VEVENT")


@pytest.mark.parametrize("name", ALL)
def test_every_answer_parses_back_and_carries_source_and_caution(name):
    text = written(ALL[name])
    assert all(len(line) <= 75 for line in text.split(b"\r\n"))  # octets, RFC 5545 section 3.1
    calendar = Calendar.from_ical(text)
    assert calendar["VERSION"] == "2.0"
    parts = [*calendar.walk("VEVENT"), *calendar.walk("VJOURNAL")]
    assert parts
    for part in parts:
        description = str(part["DESCRIPTION"])
        for wanted in ("https://example.org/", "Model a_model", "6 h old", *CAUTIONS):
            assert wanted in description
    assert len({str(part["UID"]) for part in parts}) == len(parts)


def test_a_calendar_has_a_name_and_asks_to_be_fetched_again():
    calendar = Calendar.from_ical(written(brief("compare", sites=[MEADOW, RANCH])))
    assert str(calendar["NAME"]) == "Windows to fly: Meadow, Ranch"
    assert b"REFRESH-INTERVAL;VALUE=DURATION:PT6H" in written(brief())


def test_an_alarm_is_there_where_it_is_asked_for():
    assert not Calendar.from_ical(written(brief())).walk("VALARM")
    calendar = Calendar.from_ical(to_ics(facts_of(brief()), alarm=timedelta(hours=2)))
    (alarm,) = calendar.walk("VALARM")
    assert (str(alarm["ACTION"]), alarm.decoded("TRIGGER")) == ("DISPLAY", timedelta(hours=-2))
    assert str(alarm["DESCRIPTION"]) == str(calendar.walk("VEVENT")[0]["SUMMARY"])


def test_the_body_of_an_event_is_short():
    (event,) = events(brief())
    ours = str(event["DESCRIPTION"]).split("Weather data by")[0]
    assert len(ours.split()) < 60


def test_best_gives_one_event_of_the_best_window():
    briefing = brief()
    (event,) = events(briefing)
    window = briefing.answers[0].best
    start, end = event.decoded("DTSTART"), event.decoded("DTEND")
    assert start.utcoffset() == end.utcoffset() == timedelta(0)
    # Rounded inward to the minute.
    assert timedelta(0) <= start - datetime.fromisoformat(f"{window.start}+00:00") < timedelta(minutes=1)
    assert timedelta(0) <= datetime.fromisoformat(f"{window.end}+00:00") - end < timedelta(minutes=1)
    assert str(event["SUMMARY"]) == "Meadow: room to fly, surest 45 min from 06:00, 8 in 10"
    assert str(event["TRANSP"]) == "TRANSPARENT"
    assert (event["GEO"].latitude, event["GEO"].longitude) == (52.0, 6.0)
    assert event.decoded("DTSTAMP") == datetime.fromisoformat(f"{NOW}+00:00").astimezone(UTC)


def test_a_week_gives_every_window_and_a_comparison_the_best_of_each_site():
    assert len(events(ALL["week"])) == len(ALL["week"].answers[0].windows) == 3
    assert [str(e["LOCATION"]) for e in events(brief("compare", sites=[MEADOW, RANCH]))] == ["Meadow", "Ranch"]


@pytest.mark.thorough
def test_an_event_keeps_its_identity_from_run_to_run_and_counts_up():
    newer = replace(PROVENANCE, run=PROVENANCE.run + np.timedelta64(6, "h"))
    (old,), (new,) = events(brief()), events(brief(provenance=newer))
    assert old["UID"] == new["UID"]
    assert new["SEQUENCE"] - old["SEQUENCE"] == 360
    others = [brief(sites=[RANCH]), brief(heights=[40.0]), brief(aircraft="cine-hexacopter")]
    assert len({str(e["UID"]) for b in others for e in events(b)} | {str(old["UID"])}) == 4


def test_the_best_of_a_day_is_the_same_event_in_the_week():
    (best,) = events(brief())
    assert str(best["UID"]) in {str(e["UID"]) for e in events(ALL["week"])}


def test_what_is_not_known_is_in_summary_and_description():
    cube = with_values(with_values(quiet_cube(36), "kp_index", np.nan), "visibility_in_air", np.nan, 8, 9)
    (event,) = events(brief(cubes=[cube], limits=TAKEN_ON))
    assert "visibility and Kp not known" in str(event["SUMMARY"])
    assert "Not known: visibility and Kp. Find out before you fly." in str(event["DESCRIPTION"])


def test_a_window_with_probably_no_room_is_no_event():
    cube = with_values(with_gaps(), "kp_index", np.nan)
    briefing = brief(cubes=[cube], limits=TAKEN_ON)
    assert facts_of(briefing).sites[0].best.room is Room.PROBABLY_NONE
    calendar = Calendar.from_ical(written(briefing))
    assert calendar.walk("VEVENT") == []
    (journal,) = calendar.walk("VJOURNAL")
    assert "probably no room to fly at Meadow" in str(journal["SUMMARY"])


def test_without_a_window_there_is_a_journal_entry_that_says_so():
    calendar = Calendar.from_ical(written(brief(cubes=[stormy()])))
    assert calendar.walk("VEVENT") == []
    (journal,) = calendar.walk("VJOURNAL")
    first = "No room to fly at Meadow on Wed 10 Jun: gust is beyond its limit in 19 of 19 lit hours."
    assert str(journal["SUMMARY"]) == first
    assert "Nearest: 17:00–18:00: gust 13.2 m/s, 2.5 m/s over its limit." in str(journal["DESCRIPTION"])


def test_a_demonstration_is_marked():
    (event,) = events(brief(sites=[invented()]))
    assert str(event["SUMMARY"]).startswith("Invented: ")
    assert str(event["DESCRIPTION"]).startswith(INVENTED)


def test_a_name_cannot_break_out_of_its_line():
    name = "a\r\nEND:VEVENT\r\nX;,\\"
    (event,) = events(brief(sites=[replace(MEADOW, name=name)]))
    assert "END:VEVENT" in str(event["LOCATION"])
    assert str(event["LOCATION"]).endswith("X;,\\")


def test_the_readers_units_and_clock_are_taken_and_the_event_stays_the_same():
    (own,), (other,) = events(brief()), events(brief(), units="aviation", time_zone="America/Denver")
    assert " kt" in str(other["DESCRIPTION"])
    assert " ft" in str(other["DESCRIPTION"])
    assert "MDT" in str(other["DESCRIPTION"])
    assert "CEST" in str(own["DESCRIPTION"])
    assert (own["UID"], own.decoded("DTSTART")) == (other["UID"], other.decoded("DTSTART"))


def test_an_event_says_how_sure_it_is_and_what_is_only_an_outlook():
    briefing = brief("week", [quiet_cube(132)], days=5)
    texts = [(str(e["SUMMARY"]), str(e["DESCRIPTION"]).replace("\n", " ")) for e in events(briefing)]
    assert texts
    assert all(" in 10" in summary for summary, _ in texts)
    assert any("an outlook only" in words for _, words in texts)
