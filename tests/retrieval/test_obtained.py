"""The age of what was obtained: a saved reply does not say when it came, so it is counted from its first hour."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from wxfly.cube.age import COUNTED
from wxfly.retrieval.forecast import obtain

SAVED_REPLY = Path(__file__).parents[1] / "recorded" / "SYNTHETIC_icon_eu_two_places_24h.json"
INSIDE = np.datetime64("2026-03-10T10:00", "s")


def at(monkeypatch, moment):
    monkeypatch.setattr("wxfly.retrieval.files.utc_now", lambda: moment)


def test_the_age_of_a_saved_reply_is_counted_from_its_first_hour_and_said_first(monkeypatch):
    at(monkeypatch, datetime(2026, 3, 10, 10, tzinfo=UTC))
    for now in (None, INSIDE):
        got = obtain([], saved={}, forecast_path=SAVED_REPLY, now=now)
        cube, notes = got.fresh()
        assert got.now == INSIDE
        assert notes == (COUNTED,)
        assert cube["wind_speed"].sel(height=10.0).notnull().all()
    at(monkeypatch, datetime(2026, 3, 10, 20, tzinfo=UTC))
    assert obtain([], saved={}, forecast_path=SAVED_REPLY).fresh()[1] == (
        COUNTED,
        "this forecast is old: its first hour started 20 h ago",
    )


@pytest.mark.parametrize("year", [2027, 2025])
def test_hours_that_are_not_those_of_today_are_answered_as_of_their_first_one(monkeypatch, year):
    at(monkeypatch, datetime(year, 3, 10, 10, tzinfo=UTC))
    got = obtain([], saved={}, forecast_path=SAVED_REPLY)
    assert "answered as of 2026-03-10T00:00Z" in got.notes[1]
    assert got.fresh()[1] == (COUNTED,)


def test_the_demonstration_has_an_age_that_is_known():
    cube, notes = obtain([], saved={}).fresh()
    assert notes == ()
    assert cube["wind_speed"].notnull().any()
