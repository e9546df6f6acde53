"""Kp for a forecast: from two sources and an outlook, never called fresher than it is."""

import dataclasses
import json

import numpy as np
import pytest

from tests.server import Fault
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import State, assess
from wxfly.cube.age import hide_stale
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.pilot.settings import cache_folder
from wxfly.pilot.site import Site
from wxfly.retrieval.forecast import obtain
from wxfly.store.replies import keep_reply, kept_reply

LIMITS = limits_for(load_aircraft()["camera-quad-250g"])
SAVED = {"heath": Site("heath", 52.31, 6.84, 31.0, "Europe/Amsterdam")}


def count(server, service):
    return len(server.asked(service))


def test_kp_is_put_in_with_its_own_source_and_asked_seldom(clock, server):
    got = obtain(["heath"], saved=SAVED)
    kp = got.cube["kp_index"]
    assert kp.attrs["source"].startswith("NOAA")
    assert "spaceweather.gov" in got.provenance.attribution
    assert "open-meteo.com" in got.provenance.attribution
    assert kp.notnull().all()
    obtain(["heath"], saved=SAVED)
    assert count(server, "kp") == count(server, "outlook") == 1
    clock(minutes=31)
    obtain(["heath"], saved=SAVED)
    assert (count(server, "kp"), count(server, "outlook")) == (2, 1)


def test_kp_that_cannot_be_had_is_not_known_and_said(clock, server):
    server.always["kp"] = server.always["outlook"] = server.always["gfz"] = Fault(status=404, body=b"")
    got = obtain(["heath"], saved=SAVED)
    assert got.cube["kp_index"].isnull().all()
    assert (states_of(got) == State.NOT_KNOWN).all(), "it is asked for always, so it is lost"
    assert any("Kp is not known" in note for note in got.notes)


def test_kp_past_its_horizon_is_said(clock, server):
    server.always["outlook"] = Fault(status=404, body=b"")
    got = obtain(["heath"], saved=SAVED)
    assert any("Kp is not known past 2026-03-13T12:00Z" in note for note in got.notes)
    assert np.isnan(got.cube["kp_index"].values[-1])


def test_the_second_source_tells_of_the_hours_just_past_and_nothing_ahead(clock, server):
    server.always["kp"] = server.always["outlook"] = Fault(status=503, body=b"")
    got = obtain(["heath"], saved=SAVED)
    kp = got.cube["kp_index"]
    assert kp.attrs["source"].startswith("GFZ")
    assert "kp.gfz.de" in got.provenance.attribution
    assert "spaceweather.gov" not in got.provenance.attribution
    known = kp["time"].values[np.isfinite(kp.values)]
    assert known.size
    assert known.max() < np.datetime64("2026-03-10T12:00"), "what is to come is not known"
    assert any("Kp of the hours just past is from GFZ" in note for note in got.notes)
    assert any("Kp is not known past" in note for note in got.notes)


def test_the_second_source_is_not_asked_while_the_first_one_answers(clock, server):
    obtain(["heath"], saved=SAVED)
    assert count(server, "gfz") == 0


def test_a_product_that_is_not_renewed_is_as_old_as_its_last_observation(clock, server):
    obtain(["heath"], saved=SAVED)
    frozen = next(iter(server.asked("kp")))
    assert frozen
    body = server.body_of("kp")
    clock(hours=60)
    server.always["kp"] = Fault(body=body)
    got = obtain(["heath"], saved=SAVED)
    assert any("the forecast of Kp has not been renewed since 2026-03-10T09:00Z" in note for note in got.notes)
    hidden, notes = hide_stale(got.cube, got.now, since=got.run)
    soon = hidden["kp_index"].sel(time=slice("2026-03-13T00", "2026-03-13T06"))
    assert soon.isnull().all()
    assert any("Kp" in note and "too old" in note for note in notes)


@pytest.mark.parametrize("issued", ["2026 Feb 14 0312", "2026 Mar 20 0312"])
def test_an_outlook_that_missed_its_turn_or_is_to_come_is_not_used(clock, server, issued):
    server.always["outlook"] = Fault(change=lambda body: body.replace(b"2026 Mar 10 0012", issued.encode()))
    got = obtain(["heath"], saved=SAVED)
    assert any("the outlook of Kp is not used: it was issued" in note for note in got.notes)
    assert np.isnan(got.cube["kp_index"].values[-1])


def test_what_is_at_hand_is_named_to_the_service_and_not_sent_again(clock, server):
    server.always["kp"] = Fault(headers={"ETag": '"abc"'})
    first = obtain(["heath"], saved=SAVED).cube["kp_index"]
    clock(minutes=40)
    server.always["kp"] = Fault(status=304, body=b"")
    again = obtain(["heath"], saved=SAVED)
    assert server.asked("kp")[1].headers["if-none-match"] == '"abc"'
    assert (again.cube["kp_index"].values == first.values).all()
    clock(minutes=10)
    obtain(["heath"], saved=SAVED)
    assert count(server, "kp") == 2, "asked about lately, so not asked again"


def test_nothing_new_though_nothing_was_there_is_a_fault(clock, server):
    server.always["kp"] = Fault(status=304, body=b"")
    got = obtain(["heath"], saved=SAVED)
    assert any("nothing new, though nothing was there before" in note for note in got.notes)
    assert json.dumps(list(got.notes))


def test_an_outlook_that_what_was_measured_has_passed_already_is_not_used(clock, server):
    """A storm that the outlook did not see: its day is not called quieter than it has been."""
    server.always["kp"] = Fault(status=503, body=b"")
    stamps = [f"2026-03-10T{h:02d}:00:00Z" for h in (0, 3, 6, 9)]
    server.always["gfz"] = Fault(body=json.dumps({"datetime": stamps, "Kp": [2, 3, 6.667, None]}).encode())
    got = obtain(["heath"], saved=SAVED)
    kp = got.cube["kp_index"]
    assert kp.sel(time="2026-03-10T07:00") == 6.667
    assert kp.sel(time=slice("2026-03-10T09:00", "2026-03-10T23:00")).isnull().all()
    assert kp.sel(time=slice("2026-03-11T00:00", "2026-03-12T23:00")).isnull().all(), "that is for a forecast to tell"
    assert kp.sel(time=slice("2026-03-13T00:00", "2026-03-14T00:00")).notnull().all()
    assert any("not used where the measured Kp is already above it" in note for note in got.notes)
    assert "kp.gfz.de" in got.provenance.attribution
    assert "spaceweather.gov" in got.provenance.attribution


def test_a_mark_that_cannot_be_sent_back_stops_no_renewal(clock, server):
    """A byte above 127 in an ETag: a question with it would never leave this machine."""
    server.always["kp"] = Fault(headers={"ETag": '"caf\xe9"'})
    assert np.isfinite(obtain(["heath"], saved=SAVED).cube["kp_index"]).any()
    clock(hours=1)
    assert not any("older Kp" in note for note in obtain(["heath"], saved=SAVED).notes)
    assert count(server, "kp") == 2
    assert "if-none-match" not in server.asked("kp")[-1].headers


def test_a_mark_that_an_early_wxfly_kept_stops_no_renewal_either(clock, server):
    name = "noaa-planetary-k-index-forecast.json"
    obtain(["heath"], saved=SAVED)
    kept = kept_reply("space_weather", name)
    keep_reply("space_weather", name, kept.text, kept.retrieved, etag='"caf\xe9"')
    clock(hours=1)
    assert not any("older Kp" in note for note in obtain(["heath"], saved=SAVED).notes)


def test_a_kept_reply_that_no_longer_parses_is_asked_for_again(clock, server, caplog):
    now = server.moment()
    for name in ("noaa-planetary-k-index-forecast.json", "27-day-outlook.txt"):
        keep_reply("space_weather", name, "[1]", now, etag='"a"')
    with caplog.at_level("INFO", "wxfly"):
        got = obtain(["heath"], saved=SAVED)
    assert np.isfinite(got.cube["kp_index"]).any()
    assert "a kept reply is passed over: " in caplog.text
    assert "if-none-match" not in server.asked("kp")[-1].headers
    assert len(server.asked("outlook")) == 1


def test_a_lost_forecast_of_a_storm_is_not_filled_by_an_outlook_of_days_ago(clock, server):
    """Kp 7 is forecast against a limit of 5: rows without a value, rows that are gone or no answer leave it lost."""
    rows = [
        {"time_tag": f"2026-03-{10 + k // 8}T{3 * (k % 8):02d}:00:00", "kp": 7.0 if k > 4 else 1.0,
         "observed": "predicted" if k > 3 else "observed"}
        for k in range(24)
    ]  # fmt: skip
    limits = dataclasses.replace(LIMITS, maximum_kp=5.0)
    server.always["gfz"] = Fault(status=503, body=b"")
    lost = [
        [row | ({"kp": None} if row["observed"] == "predicted" else {}) for row in rows],
        [row for row in rows if row["observed"] == "observed"],
        [],
    ]
    server.always["kp"] = Fault(body=json.dumps(rows).encode())
    whole = states_of(obtain(["heath"], saved=SAVED), limits)[:60]
    for document in lost:
        for kept in kept_reply_files():
            kept.unlink()
        server.always["kp"] = Fault(body=json.dumps(document).encode()) if document else Fault(status=503, body=b"")
        after = states_of(obtain(["heath"], saved=SAVED), limits)[:60]
        assert (after <= whole).all()
        assert (after[16:] == State.NOT_KNOWN).all()


@pytest.mark.usefixtures("clock")
def test_a_storm_of_the_outlook_counts_where_the_forecast_is_lost(server):
    """The outlook expects 2, 3, 4 on three days: over a limit of 3.5 the third is outside, below one of 6 not known."""
    server.always["kp"] = server.always["gfz"] = Fault(status=503, body=b"")
    got = obtain(["heath"], saved=SAVED)
    of_outlook = got.cube["kp_index_of_outlook"]
    assert of_outlook.notnull().any() and not (of_outlook.notnull() & got.cube["kp_index"].notnull()).any()
    for most, state in ((3.5, State.OUTSIDE), (6.0, State.NOT_KNOWN)):
        states = states_of(got, dataclasses.replace(LIMITS, maximum_kp=most))
        stormy = of_outlook.values[: states.size] > 3.5
        assert stormy.any() and (states[stormy] == state).all()


def states_of(got, limits=LIMITS):
    return assess(derive(got.cube.isel(site=0), height=60.0), limits)["state"].values


def kept_reply_files():
    return [path for path in cache_folder().rglob("*") if path.is_file() and "space_weather" in str(path)]


def test_forecast_observation_and_outlook_of_kp_have_each_its_age(clock, server):
    got = obtain(["heath"], saved=SAVED)
    kp, attributes = got.provenance.kp, got.cube["kp_index"].attrs
    assert kp is not None
    for name in ("retrieved", "observed_until", "outlook_issued"):
        assert getattr(kp, name) == np.datetime64(attributes[name].rstrip("Z"), "s")
    assert got.now - kp.retrieved < np.timedelta64(1, "m")
    assert kp.outlook_issued < kp.observed_until <= got.now
    assert np.isnat(kp.outlook_from) == (attributes["outlook_from"] == "none")
