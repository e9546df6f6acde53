"""What every command prints as JSON follows the schema that is printed for it."""

import json

import jsonschema
import pytest

from tests.stored import HERE, replies_at
from wxfly.pilot.aircraft import load_aircraft
from wxfly.store import forecasts

COMMANDS = {
    "why": ("why", "Kelderness", "sunday", "15:00"),
    "sites": ("sites",),
    "aircraft": ("aircraft",),
    "rules": ("rules",),
    "store": ("store", "list", "--check"),
    "ledger": ("ledger",),
    "answer": ("now", "Valdrenna", "--as-of", "2026-03-14T15:20Z"),
}


@pytest.mark.parametrize("name", [pytest.param(n, marks=[pytest.mark.thorough] * (n == "answer")) for n in COMMANDS])
def test_what_is_printed_follows_its_schema(wxfly, own_folders, name):
    if name == "store":
        forecasts.keep_forecasts(replies_at(HERE))
    code, out, err = wxfly(*COMMANDS[name], "--json")
    assert code == 0, err
    assert out.count("\n") == 1
    schema = json.loads(wxfly("schema", name)[1])
    jsonschema.Draft202012Validator(schema).validate(json.loads(out))


def test_a_schema_that_is_not_there_is_refused_with_the_nearest(wxfly):
    code, _, err = wxfly("schema", "lager")
    assert code == 1 and "did you mean 'ledger'?" in err


def test_one_of_a_list_is_the_list_with_one(wxfly, own_folders):
    (rules,) = json.loads(wxfly("rules", "eu", "--json")[1])["rule_sets"]
    assert rules["name"] == "eu_open"
    one = next(iter(load_aircraft().values()))
    (aircraft,) = json.loads(wxfly("aircraft", one.name, "--json")[1])["aircraft"]
    gust = next(f for f in aircraft["figures"] if f["name"] == "maximum_gust")
    assert (gust["value"], gust["unit"]) == (one.maximum_gust, "m/s")
