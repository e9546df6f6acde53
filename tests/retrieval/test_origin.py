"""The age of what was obtained: a saved reply does not say when it came, so it is counted from its first hour."""

import shutil
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from wxfly.cube.age import COUNTED
from wxfly.errors import WxflyError
from wxfly.retrieval.forecast import obtain
from wxfly.retrieval.places import shipped_folder

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


def test_a_file_whose_hours_are_to_come_is_answered_as_of_its_first_one(monkeypatch):
    at(monkeypatch, datetime(2025, 3, 10, 10, tzinfo=UTC))
    got = obtain([], saved={}, forecast_path=SAVED_REPLY)
    assert "answered as of 2026-03-10T00:00Z" in got.notes[1]
    assert got.fresh()[1] == (COUNTED,)


def test_a_file_whose_hours_are_over_is_refused_with_the_way_out(monkeypatch):
    at(monkeypatch, datetime(2027, 3, 10, 10, tzinfo=UTC))
    wanted = (
        "its hours are over, they end at 2026-03-10T23:00Z and now is 2027-03-10T10:00Z; .* --as-of 2026-03-10T00:00Z"
    )
    with pytest.raises(WxflyError, match=wanted):
        obtain([], saved={}, forecast_path=SAVED_REPLY)
    first = np.datetime64("2026-03-10T00:00", "s")
    assert obtain([], saved={}, forecast_path=SAVED_REPLY, now=first).now == first


@pytest.mark.thorough
def test_a_copy_of_the_demonstration_is_never_too_old_and_says_that_it_is_invented(tmp_path):
    copy = tmp_path / "copy.nc"
    shutil.copy(shipped_folder() / "late-winter.nc", copy)
    got = obtain([], saved={}, forecast_path=copy)
    assert all(site.is_demo for site in got.sites)
    assert "invented" in got.notes[0]


def test_the_demonstration_has_an_age_that_is_known():
    cube, notes = obtain([], saved={}).fresh()
    assert notes == ()
    assert cube["wind_speed"].notnull().any()
