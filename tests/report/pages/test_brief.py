"""The flight brief as people read it: page, terminal, units, print and phone."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from tests.cubes import quiet_cube, without
from tests.report.briefings import MEADOW, NOW, brief
from wxfly.answer.flight_brief import make_flight_brief
from wxfly.flight.energy import energy_model, missing_figures
from wxfly.flight.sortie import Plan, Sortie
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.zones import (
    Circle,
    HeightLimit,
    HeightReference,
    Polygon,
    Volume,
    Zone,
    ZoneFile,
    ZoneKind,
    ZoneSearch,
)
from wxfly.report.command_facts.brief import brief_facts
from wxfly.report.facts.answer import facts_of
from wxfly.report.pages.brief import to_html
from wxfly.report.text.brief import to_text, words_of
from wxfly.units import from_si

NAT = np.datetime64("NaT", "s")


@cache
def both(**changes):
    """Make the brief and what it was made from; of the same words it is made once, to be read."""
    return of_cube(quiet_cube(36), **changes)


def of_cube(cube, *, aircraft=None, site=MEADOW, **plan):
    briefing = brief(cubes=[cube], sites=[site])
    answer = briefing.answers[0]
    plan = {"height": 80.0, "return_height": 100.0, "distance": 100.0, **plan}
    missing = missing_figures(aircraft or answer.request.aircraft)
    sortie = None if missing else Sortie(energy_model(aircraft or answer.request.aircraft), Plan(**plan), 2)
    made = make_flight_brief(
        cube.assign_coords(latitude=site.latitude, longitude=site.longitude),
        answer,
        answer.best,
        sortie=sortie,
        energy_missing=missing,
        anemometer_height=2.0,
        return_height=plan["return_height"],
    )
    return made, briefing


def words(made, briefing, units="metric"):
    facts = brief_facts(made, facts_of(briefing, units=units))
    return words_of(facts), facts


def page(cube=None, *, units="metric", **changes):
    told = words(*(both(**changes) if cube is None else of_cube(cube, **changes)), units)
    return to_html(*told)


def text(cube=None, *, units="metric", width=1000, **changes):
    return to_text(words(*(both(**changes) if cube is None else of_cube(cube, **changes)), units)[0], width)


def test_the_page_says_what_a_pilot_acts_on():
    told = page()
    for wanted in (
        "inside", "Do not launch", "Turn for home", "% shown", "Sight range", "Usable height", "Kp", "Sun",
        "In the air", "Thunderstorm", "Height limit", "Ends", "Link lost", "Aircraft near", "permission",
        "Return height above every obstacle", "local rules, the maker",
    ):  # fmt: skip
        assert wanted in told, wanted
    assert told.count("<li>") >= 8


def test_the_page_needs_no_script_and_no_network():
    told = page()
    assert "<script" not in told
    assert "default-src 'none'" in told
    assert "style=" not in told  # the policy allows the one style sheet only
    assert not re.search(r"(?:src|href)=", told)


def test_names_from_outside_stay_text():
    told = page(site=replace(MEADOW, name="<b>x</b>\x07"))
    assert "<b>x" not in told
    assert "&lt;b&gt;x" in told
    assert "\x07" not in told


@pytest.mark.parametrize(("units", "unit"), [("metric", "m/s"), ("imperial", "mph"), ("aviation", "kt")])
def test_thresholds_are_told_in_the_pilots_units_and_rounded_down(units, unit):
    rule, told = both()[0].rule, text(units=units)
    assert f"mean {unit}" in told and f"gust {unit}" in told
    kept = re.search(r"Limits kept aloft +[\d.]+ to ([\d.]+) +to ([\d.]+)\n", told)
    stop = re.search(r"Do not launch above +([\d.]+) +([\d.]+)\n", told)
    exacts = (rule.largest_mean, rule.largest_gust, rule.mean_stop, rule.gust_stop)
    for shown, exact in zip((*kept.groups(), *stop.groups()), exacts, strict=True):
        exact_shown = float(from_si(exact, unit))
        assert exact_shown - 0.1 <= float(shown) <= exact_shown
    if units == "imperial":
        assert " ft " in told


def test_the_turn_back_charge_is_rounded_up():
    made = both()[0]
    shown = int(re.search(r"at (\d+) % shown, from 100 m away", text())[1])
    assert 0 <= shown - 100 * float(made.energy.budget.charge_at_turn) < 1


def test_a_reach_that_holds_the_plan_never_looks_shorter():
    seen = both()[0].sight_range
    assert 101 < seen < 109  # rounded down to two figures it would be less than is planned
    assert f"no farther than {seen:.0f} m, where" in text(distance=float(round(seen)))
    beyond = text(distance=109.0)
    assert "no farther than 100 m, where" in beyond and "109 m is beyond 102 m, where you still see" in beyond
    assert beyond.index("109 m is beyond") < beyond.index("Planned: ")


def test_a_plan_without_work_says_so_and_what_the_turn_is_for():
    told = text()
    assert "no time at work (add it: --work" in told and "this is for staying longer" in told
    assert "whatever is shown, or at that charge, whichever is first" in told
    told = text(work_time=300.0)
    assert "no time at work" not in told and "staying longer" not in told


def test_the_launch_limits_say_for_which_heights_they_are():
    told = text(height=8.0, return_height=60.0)
    assert "Holds for: the wind at 80 m and at 60 m on the way back" in told  # the flight of these briefs is at 80 m
    assert "which decides" not in told and "among them: do not launch yet; wait" in told and "return lower" not in told
    told = text()
    assert "at 80 m and at 100 m on the way back, which decides" in told and "home at 100 m" in told
    assert "wait, or return lower, only if nothing stands higher there" in told and "fly lower" not in told


def test_what_is_not_known_comes_first():
    bare = replace(find_aircraft("camera-quad-250g"), hover_endurance=None)
    told = text(aircraft=bare)
    assert told.index("Not known: energy and reach: the aircraft's figures give no hover endurance") < told.index(
        "Decision"
    )
    assert "Not known: visibility" in text(cube=without(quiet_cube(36), "visibility_in_air"))
    assert "Turn for home" not in told
    assert "<svg" not in page(aircraft=bare)


@pytest.mark.thorough
def test_a_plan_beyond_sight_says_so():
    assert "Out of sight: 400 m is beyond 10" in text(distance=400.0)
    assert "Out of sight" not in text(distance=100.0)


@pytest.mark.thorough
def test_a_sortie_that_does_not_come_home_says_so():
    assert "does not come home with its reserve" in text(distance=6000.0)
    cube = quiet_cube(36)
    cube["air_temperature"][:] = 273.15 - 9.0
    cube["air_temperature_aloft"][:] = 273.15 - 9.5
    cube["dew_point_temperature"][:] = 273.15 - 18.0
    assert "off a cliff" in text(cube=cube)


def test_every_value_of_the_map_is_in_a_table():
    told = page()
    assert told.count("<svg") == 1
    for point in ("N", "NE", "E", "SE", "S", "SW", "W", "NW"):
        assert f'<th scope="row" role="rowheader">{point}</th>' in told
    assert 'role="img"' in told


def test_the_terminal_is_kept_to():
    lines = text(width=72).splitlines()
    assert max(map(len, lines)) <= 72
    assert "Launch limits" in lines[:4]  # they come first


@pytest.mark.browser
def test_it_prints_on_one_page_and_fits_a_phone(chromium, tmp_path: Path):
    place = tmp_path / "brief.html"
    cube = quiet_cube(36)
    cube["air_temperature"][:] = 280.0  # with the lines about cold packs
    place.write_text(page(cube=cube), encoding="utf-8")
    context = chromium.new_context(viewport={"width": 390, "height": 844})
    view = context.new_page()
    faults = []
    view.on("console", lambda message: faults.append(message.text))
    view.goto(place.as_uri())
    assert view.evaluate("document.documentElement.scrollWidth") <= 390
    # The launch limits show without scrolling.
    assert view.evaluate("document.querySelector('.launch table').getBoundingClientRect().bottom") < 844
    printed = view.pdf(prefer_css_page_size=True, print_background=True)
    context.close()
    assert faults == []
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1


@pytest.mark.parametrize("rule", [{"largest_mean": 0.0}, {"largest_mean": 0.9}, {"largest_gust": 0.0}])
def test_where_no_reading_can_tell_the_brief_does_not_name_one(rule):
    made, briefing = both()
    told = to_text(words(replace(made, rule=replace(made.rule, **rule)), briefing)[0], 1000)
    assert "Holds: at no reading: the wind grows too much with height" in told
    assert "Limits kept aloft" not in told


def test_a_hand_that_may_read_nothing_is_in_doubt_on_the_brief():
    assert "a mean below 1.0 m/s, where an anemometer may stand still, among them: do not launch yet" in text()


def with_zones(*zones):
    made, briefing = both()
    search = ZoneSearch(ZoneFile(Path("mine.json"), zones, (), NAT, NOW, NAT, NAT), 150.0)
    answers = (replace(briefing.answers[0], request=replace(briefing.answers[0].request, zones=search)),)
    return to_html(*words(made, replace(briefing, answers=answers)))


def zone(name, area):
    limits = (HeightLimit(value, HeightReference.GROUND) for value in (0.0, 500.0))
    return Zone(name[:2], name, ZoneKind.PROHIBITED, (Volume(area, *limits),))


def test_the_picture_shows_the_zones_that_the_flight_meets():
    at = MEADOW.longitude, MEADOW.latitude
    ring = ((6.0, 52.0005), (6.001, 52.0005), (6.001, 52.001), (6.0, 52.0005))
    page = with_zones(zone("<Range>", Circle(*at, 800.0)), zone("Yard", Polygon((ring,))))
    picture = page[page.index("<svg") : page.index("</svg>")]
    assert '<circle class="zone" fill="url(#zone)" cx="180.0" cy="180.0"' in picture
    assert '<path class="zone" fill="url(#zone)" fill-rule="evenodd" d="M180.0 ' in picture
    assert "in &lt;Range&gt; and 1 more" in picture
    assert "zones hatched: &lt;Range&gt;, Yard" in picture
    assert "<Range>" not in page
    assert "Hatched: zones of your file; no others are drawn." in page


def test_a_zone_that_the_flight_does_not_meet_is_not_in_the_picture():
    far = zone("Range", Circle(MEADOW.longitude + 0.02, MEADOW.latitude, 200.0))
    assert 'class="zone"' not in with_zones(far)
    made, briefing = both()
    assert "Hatched" not in with_zones(far)
    assert 'class="zone"' not in to_html(*words(made, briefing))
