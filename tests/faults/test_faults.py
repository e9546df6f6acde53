"""Every fault of the table over a real socket: one line, nothing half-written, the last good forecast stays."""

import re

import numpy as np
import pytest

from tests.faults.table import FAULTS
from wxfly import store
from wxfly.errors import WxflyError
from wxfly.netcdf import load_cube
from wxfly.retrieval import obtain
from wxfly.settings import cache_folder
from wxfly.site import Site

SAVED = {"heath": Site("heath", 52.31, 6.84, 31.0, "Europe/Amsterdam")}


@pytest.fixture(autouse=True)
def short_of_patience(server, monkeypatch):
    monkeypatch.setenv("WXFLY_PATIENCE", "0.5")


def ask():
    return obtain(["heath"], saved=SAVED, model="icon_eu")


def files():
    return {p.relative_to(cache_folder()): p.read_bytes() for p in cache_folder().rglob("*.nc*")}


def holds(message, words):
    assert "\n" not in message
    assert len(message) < 400
    assert any(w in message for w in words.split("|")), message


def test_there_are_at_least_forty():
    assert len(FAULTS) >= 40


@pytest.mark.parametrize("name", FAULTS)
def test_with_nothing_stored_the_fault_is_told_in_one_line(server, name):
    fault, words = FAULTS[name]
    server.always["forecast"] = fault
    with pytest.raises(WxflyError) as caught:
        ask()
    message = str(caught.value)
    holds(message, words)
    assert message.startswith("Open-Meteo icon_eu for 52.31, 6.84: ")
    assert files() == {}
    assert all(a.path in ("/v1/forecast", "/data/dwd_icon_eu/static/meta.json") for a in server.log)


@pytest.mark.parametrize("name", FAULTS)
def test_with_a_forecast_stored_it_answers_and_is_said_to_be_old(server, name, monkeypatch):
    fault, words = FAULTS[name]
    monkeypatch.setenv("WXFLY_PATIENCE", "5")
    before = ask()
    kept = files()
    monkeypatch.setenv("WXFLY_PATIENCE", "0.5")
    for reply in (cache_folder() / "replies" / "metadata").iterdir():
        reply.unlink()
    # A newer run is announced, so that the stored forecast is not the newest any more.
    server.run_delay -= np.timedelta64(6, "h").item()
    server.always["forecast"] = fault
    after = ask()
    assert after.origin == "store"
    assert after.run == before.run
    assert after.notes[0].startswith("forecast from the store, retrieved ")
    assert re.match(r"no newer forecast could be had: Open-Meteo icon_eu for 52\.31, 6\.84: ", after.notes[1])
    holds(after.notes[1], words)
    assert files() == kept
    for stored in store.list_forecasts():
        load_cube(stored.path, verify=True)
