"""Whether driving out and taking off pay, in words and for machines, and what is held back."""

import json
import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.cubes import quiet_cube
from tests.halves import spread
from tests.probability.test_chance import members_cube
from tests.report.briefings import brief, nothing_known, quiet, stormy, with_values
from wxfly.answer import findings
from wxfly.pilot.work import Costs, PlannedWork
from wxfly.report.facts.answer import facts_of
from wxfly.report.facts.writing import Clock, Reader
from wxfly.report.formats import to_json
from wxfly.report.schemas import schema
from wxfly.report.text.answer import render
from wxfly.report.text.details import conduct_lines

COSTS = Costs(30.0, 100.0, 2000.0)


def damage_notes(answer, costs):
    request = replace(answer.request, work=PlannedWork(costs=costs))
    (site,) = facts_of(replace(brief(), answers=(replace(answer, request=request),))).sites
    return dict(conduct_lines(site, Reader("metric", Clock("UTC"))))


@cache
def answer_of(members):
    options = {"ensembles": [members_cube(members).expand_dims("site")]} if members else {}
    return brief(**options).answers[0]


def with_chance(value, members=0):
    """Return an answer whose best window has this chance."""
    answer = answer_of(members)
    chance = replace(findings.chance_for_costs(answer), value=value)
    best = replace(answer.best, surest=replace(answer.best.surest, chance=chance))
    return replace(answer, windows=(best, *answer.windows[1:]))


@pytest.mark.thorough
def test_each_decision_has_its_own_threshold():
    lines = damage_notes(with_chance(0.90, 40), COSTS)
    assert lines["Drive out"] == "pays by your figures: the chance of the window is 90 %, it pays above 30 %"
    assert lines["Take off"] == (
        "would not be worth it by your figures on this forecast: the risk of a broken limit is 10 %, "
        "worth it below 5.0 %; look again on the spot"
    )
    lines = damage_notes(with_chance(0.97, 40), COSTS)
    assert lines["Take off"].startswith("would be worth it by your figures on this forecast: the risk")
    assert damage_notes(with_chance(0.2, 40), COSTS)["Drive out"].startswith("does not pay")


@pytest.mark.thorough
def test_too_few_members_cannot_tell_so_small_a_risk():
    words = damage_notes(with_chance(0.9, 10), COSTS)["Take off"]
    assert "10 members cannot resolve a risk below 8.3 %, 18 members can" in words
    words = damage_notes(with_chance(0.95), COSTS)["Take off"]
    assert "one forecast cannot resolve a risk below 5.0 %, 18 members can" in words
    assert words.startswith("would not be worth it")


def test_one_forecast_is_told_as_weaker():
    words = damage_notes(with_chance(0.9), Costs(10.0, 100.0, 500.0))["Take off"]
    assert words.startswith("would be worth it")
    assert "from one forecast, weaker than members" in words


def test_what_is_not_known_is_not_advised():
    assert damage_notes(with_chance(np.nan), COSTS) == {
        "Drive out": "the chance is not known: not advised",
        "Take off": "the risk is not known: not advised",
    }
    for cube in (stormy(), nothing_known()):
        assert damage_notes(brief(cubes=[cube]).answers[0], COSTS) == {"Drive out": "no window has room: not advised"}


@pytest.mark.thorough
@pytest.mark.parametrize("make", spread([quiet, stormy, nothing_known], 2))
def test_all_of_it_is_in_the_answer_for_machines(make):
    import jsonschema

    work = PlannedWork(survey_hours=3, wait_hours=1, costs=COSTS)
    found = json.loads(to_json(facts_of(brief(cubes=[make(36) if make is quiet else make()], work=work))))
    jsonschema.Draft202012Validator(schema()).validate(found)
    answer = found["sites"][0]
    assert answer["intent"] == {
        "planned": 2700, "contingency": 0, "survey_hours": 3, "wait_hours": 1,
    }  # fmt: skip
    assert answer["survey"]["found_hours"] == (3 if make is quiet else 0)
    decisions = answer["decisions"]
    assert decisions["members_needed"] == 18
    assert decisions["drive_out"] is (None if make is nothing_known else make is quiet)
    assert decisions["take_off"] is (None if make is nothing_known else False)
    assert (decisions["risk"] is None) is (make is not quiet)


def test_what_is_wet_all_along_is_said_to_be_before_it_is_advised():
    cube = with_values(with_values(quiet_cube(36), "precipitation_amount", 0.1), "weather_code", 51.0)
    cheap = Costs(10.0, 2000.0, 500.0)
    briefing = brief(cubes=[cube], work=PlannedWork(costs=cheap))
    answer = briefing.answers[0]
    lines = damage_notes(answer, cheap)
    assert lines["Drive out"].startswith("forecast wet all along; ")
    assert lines["Take off"].startswith("forecast wet all along; ")
    best = render(facts_of(briefing), width=200).splitlines()[0]
    assert best.startswith("Forecast wet all along: probably no room to fly at Meadow")
    part = with_values(quiet_cube(36), "precipitation_amount", 0.1, 0, 8)
    for dry in (quiet(36), part):
        answer = brief(cubes=[dry]).answers[0]
        assert "wet" not in damage_notes(answer, COSTS)["Drive out"]


def test_the_reference_period_is_told():
    work = PlannedWork(contingency=np.timedelta64(20 * 60, "s"))
    briefing = brief(work=work)
    text = " ".join(render(facts_of(briefing), width=200, more=True).split())
    assert "windows of 1 h 5 min or more (45 min planned, 20 min in hand)" in text
    assert re.match(r"Room to fly .* surest 1 h 5 min from .* in 10", text)
    assert facts_of(briefing).minimum_duration == 3900


def test_what_is_held_back_is_told():
    cube = with_values(quiet_cube(36), "wind_speed_of_gust", 30.0, 12, 12)
    facts = facts_of(brief(cubes=[cube], work=PlannedWork(wait_hours=1)), time_zone="UTC")
    text = " ".join(render(facts, width=200, more=True).split())
    assert (
        "Held back Wed 10 Jun 12:00–13:00; each hour over the wind or gust limit holds back the hour after it" in text
    )
    hours = facts_of(brief(cubes=[cube], work=PlannedWork(wait_hours=1))).sites[0].hours
    assert [t.hour for t, held in zip(hours.start, hours.waiting_after, strict=True) if held and t.hour > 3] == [12]
