"""The age of what was obtained: a saved reply does not say when it came, so it answers for a chosen moment only."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from wxfly.retrieval import obtain

SAVED_REPLY = Path(__file__).parent / "recorded" / "SYNTHETIC_icon_eu_two_places_24h.json"
INSIDE = np.datetime64("2026-03-10T10:00", "s")


def at(monkeypatch, moment):
    monkeypatch.setattr("wxfly.forecast_file.utc_now", lambda: moment)


def test_a_saved_reply_never_answers_for_the_present(monkeypatch):
    at(monkeypatch, datetime(2026, 3, 10, 10, tzinfo=UTC))
    got = obtain([], saved={}, forecast_path=SAVED_REPLY)
    cube, notes = got.fresh()
    assert got.now == INSIDE
    assert notes[0].startswith("the age of this forecast is not known: not used")
    assert all(cube[name].isnull().all() for name in cube.data_vars)


def test_a_saved_reply_answers_for_a_moment_that_the_pilot_chose_and_says_first_that_its_age_is_not_known(monkeypatch):
    at(monkeypatch, datetime(2026, 3, 10, 10, tzinfo=UTC))
    cube, notes = obtain([], saved={}, forecast_path=SAVED_REPLY, now=INSIDE).fresh()
    assert notes == ("the age of this forecast is not known",)
    assert cube["wind_speed"].sel(height=10.0).notnull().all()


@pytest.mark.parametrize(("year", "is_used"), [(2027, True), (2025, False)])
def test_hours_that_are_over_are_looked_back_at_and_hours_to_come_are_not_trusted(monkeypatch, year, is_used):
    at(monkeypatch, datetime(year, 3, 10, 10, tzinfo=UTC))
    got = obtain([], saved={}, forecast_path=SAVED_REPLY)
    assert "answered as of" in got.notes[1]
    assert bool(got.fresh()[0]["wind_speed"].sel(height=10.0).notnull().any()) is is_used


def test_the_demonstration_has_an_age_that_is_known():
    cube, notes = obtain([], saved={}).fresh()
    assert notes == ()
    assert cube["wind_speed"].notnull().any()
