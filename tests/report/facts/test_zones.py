"""Zones in every format of an answer: first beside the weather, whose hours they do not change."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.report import briefings
from wxfly.cube.notes import Note, NoteKind
from wxfly.pilot.options import Words
from wxfly.pilot.zones import (
    Applicability,
    Circle,
    DailyHours,
    HeightLimit,
    HeightReference,
    Polygon,
    Volume,
    Zone,
    ZoneFault,
    ZoneFile,
    ZoneKind,
    ZoneSearch,
)
from wxfly.question.ask import zone_notes
from wxfly.question.question import read_question
from wxfly.report.calendar import to_ics
from wxfly.report.facts.answer import facts_of
from wxfly.report.formats import to_json
from wxfly.report.tables import to_csv
from wxfly.report.text.answer import render

NAT = np.datetime64("NaT", "s")
AT = Circle(briefings.MEADOW.longitude, briefings.MEADOW.latitude, 800.0)
BESIDE = Circle(briefings.MEADOW.longitude + 0.02, briefings.MEADOW.latitude, 200.0)  # about 1.2 km east


def zone(name, kind=ZoneKind.PROHIBITED, area=AT, lower=0.0, **says):
    limits = (HeightLimit(value, HeightReference.GROUND) for value in (lower, 500.0))
    return Zone(name[:2].upper(), name, kind, (Volume(area, *limits),), **says)


def facts(*zones, valid_to=NAT, issued=None, briefing=None, faults=(), **words):
    """Return the facts of a quiet day with these zones in the pilot's file."""
    briefing = briefing or briefings.brief()
    issued = briefings.NOW - np.timedelta64(40, "D") if issued is None else issued
    search = ZoneSearch(ZoneFile(Path("mine.json"), zones, faults, issued, briefings.NOW, NAT, valid_to), 150.0)
    answers = tuple(replace(one, request=replace(one.request, zones=search)) for one in briefing.answers)
    return facts_of(replace(briefing, answers=answers), **words)


def first_lines(found):
    lines = [line.words for line in found.verdict.lines if line.about == "zones"]
    assert len(lines) == 1 and found.verdict.lines[0].about == "zones"
    return found.verdict.first_line, lines[0]


def test_without_a_file_nothing_is_said():
    found = facts_of(briefings.brief())
    assert found.sites[0].zones is None
    assert all("zone" not in line.words for line in found.verdict.lines)


def test_none_is_said_of_the_file_and_its_date_alone():
    first, line = first_lines(facts(zone("Far", area=replace(AT, latitude=AT.latitude - 1))))
    assert "zone" not in first
    made = briefings.NOW - np.timedelta64(40, "D")
    assert line.startswith("none within 5000 m; in the file of ") and str(made)[:4] in line
    assert line.endswith("40 days old")


def test_a_prohibited_zone_in_force_is_in_the_first_line_and_leaves_the_hours_as_they_are():
    plain, found = facts_of(briefings.brief()), facts(zone("Heliport"), zone("Beside", area=BESIDE))
    first, line = first_lines(found)
    assert first.startswith("In a prohibited zone, see Zones: ")
    assert line.startswith("inside Heliport (prohibited, in force throughout); 1 other within 5000 m; in the file of ")
    assert found.sites[0].hours == plain.sites[0].hours and found.sites[0].windows == plain.sites[0].windows
    assert found.verdict.word == plain.verdict.word


@pytest.mark.parametrize(
    ("changes", "first", "line"),
    [
        ({"kind": ZoneKind.CONDITIONAL}, "In a zone, see Zones", "inside Heath (has conditions, in force throughout)"),
        ({"kind": ZoneKind.UNKNOWN}, "In a zone, see Zones", "inside Heath (kind not known"),
        ({"kind": ZoneKind.NO_RESTRICTION}, "", "none in force in reach at this height: inside Heath (stated to have"),
        ({"lower": 90.0}, "", "none in force in reach at this height: inside Heath (prohibited, from 90 m AGL"),
        ({"lower": np.nan}, "In a prohibited zone", "inside Heath (prohibited, height not known"),
        ({"times_known": False}, "In a prohibited zone", "inside Heath (prohibited, times not known, counts as in"),
        ({"area": BESIDE}, "", "none in force in reach at this height: 1100 m E Heath"),
        ({"area": replace(BESIDE, radius=1300.0)}, "A prohibited zone in reach, see Zones", " m E Heath (prohibited"),
    ],
)  # fmt: skip
def test_what_counts(changes, first, line):
    told = first_lines(facts(zone("Heath", **changes)))
    assert told[0].startswith(first) if first else "zone" not in told[0].lower()
    assert line in told[1]


def test_a_prohibited_zone_in_reach_of_a_milder_one_is_in_the_first_line():
    beside = replace(BESIDE, radius=1300.0)
    mild = [zone(name, ZoneKind.CONDITIONAL) for name in ("Heath", "Moor", "Ridge")]
    first, line = first_lines(facts(mild[0], zone("Pier", area=beside)))
    assert first.startswith("In a zone, a prohibited zone in reach, see Zones: ")
    first, line = first_lines(facts(*mild, zone("Pier", area=beside)))
    assert first.startswith("In a zone, a prohibited zone in reach, see Zones: ")
    assert " m E Pier (prohibited" in line and "; 2 more in reach" in line
    first, _ = first_lines(facts(zone("Pier"), zone("Heath", ZoneKind.CONDITIONAL, area=beside)))
    assert first.startswith("In a prohibited zone, see Zones: ")


def test_zones_that_cannot_be_read_stand_before_none():
    odd = (ZoneFault("Odd", "it has no outline"),)
    first, line = first_lines(facts(faults=odd))
    assert first.startswith("Zones that cannot be read, see Zones: ")
    assert line.startswith("1 zone cannot be read and may be here; of the others none within 5000 m; in the file of ")
    first, line = first_lines(facts(zone("Heliport"), faults=odd * 2))
    assert first.startswith("In a prohibited zone, zones that cannot be read, see Zones: ")
    assert line.startswith("2 zones cannot be read and may be here; inside Heliport")
    briefing = briefings.brief("compare", sites=[briefings.MEADOW, briefings.RANCH])
    first, line = first_lines(facts(zone("Heliport"), briefing=briefing, faults=odd))
    assert "Meadow in a prohibited zone, zones that cannot be read, see Zones" in first
    assert "Ranch: 1 zone cannot be read and may be here; of the others none within 5000 m" in line
    calendar = to_ics(facts(faults=odd)).decode().replace("\r\n ", "")
    assert "to fly\\, zones that cannot be read\\, " in calendar


def test_a_file_without_a_zone_in_the_region_is_doubted():
    exchanged = replace(AT, longitude=AT.latitude, latitude=AT.longitude)
    wanted = "none within 5000 m; no zone of the file is within 500 km:"
    wanted += " it may be the wrong file, or have latitude first; in the"
    assert first_lines(facts(zone("Heath", area=exchanged)))[1].startswith(wanted)
    odd = (ZoneFault("Odd", "it has no outline"),)
    assert (
        "; no zone that can be read is within 500 km"
        in first_lines(facts(zone("Heath", area=exchanged), faults=odd))[1]
    )
    assert "500 km" not in first_lines(facts(faults=odd))[1]


def test_a_zone_outside_the_hours_of_the_window_is_told_with_its_hours():
    window = facts_of(briefings.brief()).verdict.period
    before = np.datetime64(window.start.replace(tzinfo=None), "s")
    times = (Applicability(before - np.timedelta64(3, "h"), before - np.timedelta64(2, "h"), ()),)
    first, line = first_lines(facts(zone("Fair", times=times)))
    assert "zone" not in first.lower()
    assert line.startswith("inside Fair (prohibited, in force 0")
    past = (Applicability(NAT, before - np.timedelta64(9, "D"), (DailyHours(frozenset([0]), 0, 3600),)),)
    assert "not in force in the time asked about" in first_lines(facts(zone("Fair", times=past)))[1]


def test_a_file_past_its_time_says_so():
    assert "valid only to " in first_lines(facts(valid_to=briefings.NOW))[1]
    assert "the file saved on " in first_lines(facts(issued=NAT))[1]


def test_many_zones_are_counted_and_a_zone_of_several_volumes_is_told_once():
    _, line = first_lines(facts(*(zone(name) for name in ("Aa", "Bb", "Cc", "Dd"))))
    assert "; 2 more in reach; in the file" in line
    two = zone("Two")
    two = replace(two, volumes=(*two.volumes, replace(two.volumes[0], area=BESIDE)))
    assert first_lines(facts(two))[1].startswith("inside Two (prohibited, in force throughout); in the file")


def test_every_format_says_it():
    found = facts(
        zone("Heliport", conditions="By day", message="Call.", authority="Tower, 123"),
        zone("Square", area=Polygon((((5, 51), (7, 51), (7, 53), (5, 51)),))),
    )
    more = " ".join(render(found, width=300, more=True).split())
    assert (
        "Heliport (HE): prohibited; inside; ground to 500 m AGL; in force throughout; By day; Call; ask Tower, 123"
        in more
    )
    calendar = to_ics(found).decode().replace("\r\n ", "")
    assert "in a prohibited zone" in calendar and "Zones: inside Heliport" in calendar
    assert "zones: inside Heliport" in to_csv(found)
    near = json.loads(to_json(found))["sites"][0]["zones"]["near"]
    assert near[0]["circle"] == {"latitude": AT.latitude, "longitude": AT.longitude, "radius": 800.0}
    assert near[1]["rings"] == [[[5, 51], [7, 51], [7, 53], [5, 51]]]


def test_a_comparison_names_the_site():
    briefing = briefings.brief("compare", sites=[briefings.MEADOW, briefings.RANCH])
    first, line = first_lines(facts(zone("Heliport"), briefing=briefing))
    assert "Meadow in a prohibited zone, see Zones" in first
    assert (
        line.startswith("Meadow: inside Heliport")
        and "Ranch: none within 5000 m; no zone of the file is within" in line
    )


def test_zones_that_cannot_be_read_are_a_note(tmp_path, own_folders):
    path = tmp_path / "mine.json"
    path.write_text('{"features": [{"identifier": "X", "name": "Odd"}, {"identifier": "Y"}]}')
    question = read_question("best", [], Words(zones=path))
    (note,) = zone_notes(question)
    assert note.kind is NoteKind.ZONES and isinstance(note, Note)
    assert note == "zones: mine.json has zones that cannot be read, look them up: Odd, it has no outline; and 1 more"


def test_the_commands_read_the_file_and_the_setting(wxfly, own_folders, tmp_path, monkeypatch):
    area = {"type": "Point", "coordinates": [-8.72, 54.31], "extent": {"radius": 500}}  # a site of the demonstration
    one = {"type": "Feature", "properties": {"name": "Pier", "type": "PROHIBITED"}, "geometry": area}
    (tmp_path / "mine.json").write_text(json.dumps({"type": "FeatureCollection", "features": [one]}))
    monkeypatch.chdir(tmp_path)
    assert wxfly("set", "zones", "mine.json")[0] == 0
    monkeypatch.chdir("/")
    code, out, err = wxfly("brief", "Kelderness")
    assert code == 0, err
    assert "in a prohibited zone" in out and "Zone: Pier (number 1): prohibited; inside;" in " ".join(out.split())
    one["properties"]["limitedApplicability"] = [
        {"schedule": [{"day": ["SUN"], "startTime": "09:00Z", "endTime": "12:00Z"}]}
    ]
    (tmp_path / "mine.json").write_text(json.dumps(one))
    for hour, is_met in (("11:00", True), ("12:00", False)):
        first = wxfly("why", "Kelderness", "sunday", hour)[1].partition("\n\n")[0]
        assert ("in a prohibited zone" in " ".join(first.split())) is is_met
    code, _, err = wxfly("best", "Kelderness", "--zones", "none.json")
    assert code == 1 and err.count("\n") == 1 and "none.json: cannot be read" in err
