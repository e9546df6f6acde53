import json
import math
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from tests.halves import spread
from tests.report.briefings import TAKEN_ON, brief, every_question, stormy, with_gaps
from wxfly.pilot.elements import ELEMENTS, NAMES, RETURN_LEG
from wxfly.report.answer import SCHEMA_VERSION, schema, to_json

ALL = every_question()
REFERENCE = Path(__file__).resolve().parents[2] / "docs" / "reference" / "answer-json.md"


def test_the_schema_is_a_schema():
    jsonschema.Draft202012Validator.check_schema(schema())
    assert schema()["properties"]["schema_version"]["const"] == SCHEMA_VERSION
    assert schema()["$defs"]["element_name"]["enum"] == [*NAMES, RETURN_LEG.name]


@pytest.mark.parametrize("name", spread(ALL, 3))
def test_every_answer_follows_the_schema(name):
    answer = to_json(ALL[name])
    jsonschema.validate(answer, schema(), cls=jsonschema.Draft202012Validator)
    assert json.loads(json.dumps(answer, allow_nan=False)) == answer


def objects(node, path="answer"):
    """Give every object of a schema with its properties."""
    if isinstance(node, dict):
        if node.get("type") == "object" and "properties" in node:
            yield path, node
        for key, value in node.items():
            yield from objects(value, f"{path}.{key}")


def test_the_schema_refuses_what_it_does_not_know_and_misses_nothing():
    for path, node in objects(schema()):
        assert node["additionalProperties"] is False, path
        assert set(node["properties"]) - set(node["required"]) <= {"comparison", "sortie"}, path
    answer = to_json(ALL["best"])
    del answer["forecast"]["run"]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(answer, schema())


def test_every_key_is_documented_in_the_schema_and_on_the_reference_page():
    page = REFERENCE.read_text(encoding="utf-8")
    for path, node in objects(schema()):
        for key, value in node["properties"].items():
            described = "description" in value or "$ref" in value
            assert described, f"{path}: {key}"
            assert f"| `{key}` |" in page, f"{key} is not in {REFERENCE.name}"
            assert value.get("description", "") in page, f"{REFERENCE.name} says something else of {key}"


def test_numbers_are_those_of_the_assessment():
    briefing = brief(cubes=[with_gaps()], limits=TAKEN_ON)
    assessment = briefing.answers[0].assessment
    hours = to_json(briefing)["answers"][0]["hours"]
    assert len(hours) == assessment.sizes["time"]
    for i, hour in enumerate(hours):
        assert hour["start"] == f"{np.datetime64(assessment['time'].values[i], 's')}Z"
        for row in ELEMENTS:
            for what in ("demand", "limit", "margin"):
                value = float(assessment[what].sel(element=row.name).values[i])
                told = hour["elements"][row.name][what]
                assert told is None if math.isnan(value) else told == pytest.approx(value, abs=1e-6)
            assert hour["elements"][row.name]["known"] is not math.isnan(value)


def test_what_is_not_known_is_null_and_named():
    answer = to_json(brief(cubes=[with_gaps()], limits=TAKEN_ON))["answers"][0]
    assert answer["not_known"] == {"required": ["gust"], "advised": ["visibility", "kp"], "not_judged": []}
    hour = next(h for h in answer["hours"] if h["start"] == "2026-06-10T09:00:00Z")
    assert (hour["state"], hour["margin"]) == ("not known", None)
    assert hour["elements"]["gust"] == {
        "demand": None, "limit": 10.7, "margin": None, "unit": "m s-1", "required": True, "judged": True,
        "known": False, "height_m": 80.0,
    }  # fmt: skip


def test_windows_are_ranked_and_an_empty_answer_has_none():
    windows = to_json(ALL["week"])["answers"][0]["windows"]
    assert [w["rank"] for w in windows] == [1, 2, 3]
    assert windows[0]["start"].startswith("2026-06-12T02:27:")
    assert to_json(brief(cubes=[stormy()]))["answers"][0]["windows"] == []


def test_a_comparison_names_the_better_site_by_position():
    answer = to_json(ALL["compare"])
    by_start = {hour["start"]: hour for hour in answer["comparison"]}
    assert by_start["2026-06-10T08:00:00Z"]["better"] == [0]  # night at the second site
    assert by_start["2026-06-10T08:00:00Z"]["sites"][1]["deciding_element"] == "daylight"
    assert by_start["2026-06-10T14:00:00Z"]["better"] == [0, 1]


def test_source_age_and_cautions_are_in_it():
    answer = to_json(ALL["best"])
    assert answer["forecast"]["age_s"] == 6 * 3600
    assert answer["forecast"]["run"] == "2026-06-09T06:00:00Z"
    assert "https://example.org/" in answer["forecast"]["attribution"]
    assert answer["cautions"]


def test_a_run_that_is_not_known_is_null_and_the_age_counts_from_the_retrieval():
    provenance = ALL["best"].provenance | {"run": np.datetime64("NaT", "s")}
    told = to_json(brief(provenance=provenance))["forecast"]
    assert (told["run"], told["age_s"]) == (None, 3600)
