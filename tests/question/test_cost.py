"""What an answer costs is told at its end, and the seam between models where it lies."""

import json

import pytest

from tests.retrieval.test_chosen import PLAYED

SITES = '[heath]\nlatitude = 52.31\nlongitude = 6.84\nsurface_altitude = 31\ntime_zone = "Europe/Amsterdam"\n'


@pytest.fixture(autouse=True)
def place(chooses, server, own_folders):
    server.days = dict(PLAYED)
    (own_folders / "config").mkdir()
    (own_folders / "config" / "sites.toml").write_text(SITES)


def test_requests_and_weighted_calls_are_told_by_minus_v(wxfly, server):
    said = wxfly("best", "heath", "-v")[2]
    (cost,) = [line for line in said.splitlines() if "asked for this answer" in line]
    assert f"asked for this answer: {len(server.log)} requests, " in cost
    weight = float(cost.partition(" requests, ")[2].split()[0])
    assert 50 < weight < 200, "one forecast, and the members of one ensemble"
    again = wxfly("best", "heath", "-v")[2]
    assert "asked for this answer: 0 requests, 0.0 weighted calls" in again


@pytest.mark.thorough
def test_the_seam_and_what_is_taken_are_told(wxfly):
    out = " ".join(wxfly("week", "heath", "--more")[1].split())
    assert "Hours of icon_d2, from " in out
    assert " icon_eu, from " in out
    assert "convective available potential energy" in out
    facts = json.loads(wxfly("week", "heath", "--json")[1])
    hours = facts["forecasts"][0]["by_hours"]
    assert [h["model"] for h in hours][:3] == ["icon_d2", "icon_eu", "ecmwf_ifs"]
    assert hours[0]["taken"] == {}
    assert set(hours[2]["taken"].values()) <= set(PLAYED)


def test_a_chance_is_counted_over_members_unasked_and_none_does_without(wxfly):
    assert " members of " in " ".join(wxfly("best", "heath", "--more")[1].split())
    assert " members of " not in " ".join(wxfly("best", "heath", "--ensemble", "none", "--more")[1].split())


def test_a_reading_in_the_field_asks_for_no_members(wxfly, server):
    code, _, _ = wxfly("check", "heath", "--mean", "3m/s")
    assert code == 0
    assert server.asked("ensemble") == []
