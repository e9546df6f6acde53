import json
import math
import typing
from dataclasses import replace
from enum import StrEnum
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from tests.cubes import quiet_cube
from tests.halves import spread
from tests.report.briefings import TAKEN_ON, brief, every_question, stormy, with_gaps
from wxfly import __version__
from wxfly.pilot.elements import ELEMENTS, NAMES, RETURN_LEG
from wxfly.pilot.options import Words
from wxfly.question.question import read_question
from wxfly.report.facts.answer import SCHEMA_VERSION, AnswerFacts, facts_of
from wxfly.report.facts.values import units_of
from wxfly.report.formats import to_json
from wxfly.report.schemas import described, parts, schema

ALL = every_question()
REFERENCE = Path(__file__).resolve().parents[3] / "docs" / "reference" / "answer-json.md"


def damage_notes(briefing, question=None):
    return json.loads(to_json(facts_of(briefing, question)))


def test_the_schema_is_a_schema():
    jsonschema.Draft202012Validator.check_schema(schema())
    assert schema()["$defs"]["AnswerFacts"]["properties"]["schema_version"]["enum"] == [SCHEMA_VERSION]
    assert schema()["$defs"]["ElementFacts"]["properties"]["name"]["enum"] == [*NAMES, RETURN_LEG.name]


@pytest.mark.parametrize("name", spread(ALL, 6))
def test_every_answer_follows_the_schema(name):
    answer = damage_notes(ALL[name])
    jsonschema.Draft202012Validator(schema()).validate(answer)
    assert json.loads(json.dumps(answer, allow_nan=False)) == answer


def test_the_schema_refuses_what_it_does_not_know_and_misses_nothing():
    definitions = schema()["$defs"]
    for name in parts():
        node = definitions[name]
        assert node["additionalProperties"] is False, name
        assert set(node["properties"]) == set(node["required"]), name
    answer = damage_notes(ALL["best"])
    del answer["forecasts"][0]["run"]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(schema()).validate(answer)


def test_every_key_is_described_and_on_the_reference_page():
    page = REFERENCE.read_text(encoding="utf-8")
    for name, part in parts().items():
        assert set(described(part)) == set(part.__struct_fields__), name
        for key, text in described(part).items():
            assert f"| `{key}` |" in page, f"{key} is not in {REFERENCE.name}"
            assert text in page, f"{REFERENCE.name} says something else of {key}"


def plain(kind):
    """Return the kinds of value that a type allows, whatever list they stand in; null is left aside."""
    inner = [part for part in typing.get_args(kind) if not isinstance(part, str | int)]
    if typing.get_origin(kind) is typing.Literal:
        return {type(value) for value in typing.get_args(kind)}
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return {str}
    return set().union(*map(plain, inner)) if inner else {kind} - {type(None)}


def test_one_key_has_one_kind_of_value_and_one_unit():
    kinds = {}
    for part in parts().values():
        for key, kind in typing.get_type_hints(part).items():
            kinds.setdefault(key, set()).update(plain(kind))
    assert {key: found for key, found in kinds.items() if len(found) > 1} == {}
    assert units_of(AnswerFacts)["usable_height"] == "m"


def test_numbers_are_those_of_the_assessment():
    briefing = brief(cubes=[with_gaps()], limits=TAKEN_ON)
    assessment = briefing.answers[0].assessment
    site = damage_notes(briefing)["sites"][0]
    assert site["hours"]["start"] == [f"{np.datetime64(t, 's')}Z" for t in assessment["time"].values]
    for row, element in zip(ELEMENTS, site["elements"], strict=True):
        assert (element["name"], element["title"], element["unit"]) == (row.name, row.title, row.units)
        for what in ("demand", "margin"):
            for i, value in enumerate(assessment[what].sel(element=row.name).values):
                found = element[what][i]
                assert found is None if math.isnan(value) else found == pytest.approx(value, abs=1e-6)


def test_a_limit_is_a_most_or_a_least_and_stands_once():
    elements = {e["name"]: e for e in damage_notes(ALL["best"])["sites"][0]["elements"]}
    sides = {name: (e["sense"], e["least"] is not None, e["most"] is not None) for name, e in elements.items()}
    assert sides["gust"] == ("at_most", False, True)
    assert sides["visibility"] == ("at_least", True, False)
    assert sides["temperature"] == ("within", True, True)
    assert all(e["limit_by_hour"] is None for e in elements.values())
    assert elements["gust"]["most"] == 10.7


def test_what_is_not_known_is_null_and_named():
    answer = damage_notes(brief(cubes=[with_gaps()], limits=TAKEN_ON))
    site = answer["sites"][0]
    unknown = site["not_known"]
    assert (unknown["required"], unknown["advised"], unknown["not_judged"]) == (["gust"], ["visibility", "kp"], [])
    assert [(gap["element"], gap["is_required"], gap["everywhere"]) for gap in unknown["gaps"]] == [
        ("gust", True, False), ("visibility", False, True), ("kp", False, False),
    ]  # fmt: skip
    assert unknown["gaps"][0]["hour_runs"] == [[11, 12]]
    assert answer["verdict"]["as_far_as_known"]
    assert answer["verdict"]["lines"][0]["about"] == "not known"
    at = site["hours"]["start"].index("2026-06-10T09:00:00Z")
    assert (site["hours"]["state"][at], site["hours"]["margin"][at]) == ("not known", None)
    gust = next(e for e in site["elements"] if e["name"] == "gust")
    assert (gust["demand"][at], gust["margin"][at], gust["is_required"], gust["height"]) == (None, None, True, 80)


@pytest.mark.parametrize("name", spread(ALL, 3))
def test_every_null_of_an_hour_has_its_reason(name):
    answer = damage_notes(ALL[name])
    for position, site in enumerate(answer["sites"]):
        reasons = {}
        for row in answer["unknown"]:
            if row["site_position"] == position:
                hours = [i for first, last in row["hour_runs"] for i in range(first, last + 1)]
                reasons.setdefault(row["key"], set()).update(hours)
                assert row["reason"]
        columns = {f"elements.{e['name']}": e["margin"] for e in site["elements"]}
        columns |= {f"hours.{key}": site["hours"][key] for key in ("margin", "chance", "usable_height")}
        for key, values in columns.items():
            assert {i for i, value in enumerate(values) if value is None} == reasons.get(key, set()), key


def test_windows_are_ranked_and_an_empty_answer_has_none():
    windows = damage_notes(ALL["week"])["sites"][0]["windows"]
    assert [w["rank"] for w in windows] == [1, 2, 3]
    assert windows[0]["start"].startswith("2026-06-10T02:28:")  # equal margins: the nearest is the surest
    chances = [w["surest"]["chance"] for w in windows]
    assert chances == sorted(chances, reverse=True)
    site = damage_notes(brief(cubes=[stormy()]))["sites"][0]
    assert site["windows"] == []
    assert (site["lit_hours"]["deciding_element"], site["lit_hours"]["deciding_count"]) == ("gust", 19)


def test_usable_height_sight_light_and_sun_are_in_it():
    site = damage_notes(ALL["best"])["sites"][0]
    window = site["windows"][0]
    assert window["usable_height"] == 120
    assert window["usable_height_ends_by"] == "height_limit"
    assert window["sight_range"] > 0
    assert window["sight_decided_by"] == "size"
    day = site["days"][0]
    assert day["date"] == "2026-06-10"
    assert day["civil_dawn"] < day["sunrise"] < day["morning_golden_end"] < day["sunset"] < day["civil_dusk"]
    assert day["highest_sun_elevation"] == pytest.approx(61, abs=1)


def test_a_comparison_names_the_better_site_by_position():
    comparison = damage_notes(ALL["compare"])["comparison"]
    at = {start: i for i, start in enumerate(comparison["start"])}
    morning, afternoon = at["2026-06-10T08:00:00Z"], at["2026-06-10T14:00:00Z"]
    assert comparison["better"][morning] == [0]  # night at the second site
    assert comparison["standings"][1]["deciding_element"][morning] == "daylight"
    assert comparison["better"][afternoon] == [0, 1]
    assert damage_notes(ALL["best"])["comparison"] is None


def test_source_age_and_cautions_are_in_it():
    answer = damage_notes(ALL["best"])
    (forecast,) = answer["forecasts"]
    assert (forecast["age"], forecast["age_counts_from"], answer["units"]["age"]) == (6 * 3600, "run", "s")
    assert forecast["run"] == "2026-06-09T06:00:00Z"
    assert "https://example.org/" in forecast["attribution"]
    assert forecast["licence"] == "CC BY 4.0"
    assert answer["cautions"]


def test_a_run_that_is_not_known_is_null_and_the_age_counts_from_the_retrieval():
    provenance = replace(ALL["best"].provenance, run=np.datetime64("NaT", "s"))
    answer = damage_notes(brief(provenance=provenance))
    forecast = answer["forecasts"][0]
    assert (forecast["run"], forecast["age"], forecast["age_counts_from"]) == (None, 3600, "retrieved")
    assert {
        "site_position": None,
        "key": "forecasts.0.run",
        "hour_runs": [],
        "reason": "its source does not say",
    } in answer["unknown"]


def test_the_question_and_the_version_are_repeated():
    words = Words(height="40m", distance="300m", ensemble=("icon_eps",), day="2026-06-10")
    answer = damage_notes(ALL["best"], read_question("best", ["Meadow"], words))
    jsonschema.Draft202012Validator(schema()).validate(answer)
    assert answer["program"] == {"name": "wxfly", "version": __version__}
    asked = answer["question"]
    assert asked["places"] == [{"words": "Meadow", "height": 40}]
    assert (asked["day"], asked["sortie_asked"]["distance"]) == ("2026-06-10", 300)
    assert asked["forecast_asked"]["ensemble_names"] == ["icon_eps"]
    assert damage_notes(ALL["best"])["question"] is None


@pytest.mark.thorough
def test_sixteen_days_stay_below_250_kilobytes():
    answer = to_json(facts_of(brief("week", cubes=[quiet_cube(16 * 24 + 12)], days=16)))
    assert len(json.loads(answer)["sites"][0]["hours"]["start"]) >= 16 * 24 - 24
    assert len(answer.encode()) < 250_000


def test_the_facts_are_one_frozen_tree():
    facts = facts_of(ALL["best"])
    assert isinstance(facts, AnswerFacts)
    with pytest.raises(AttributeError):
        facts.now = None
