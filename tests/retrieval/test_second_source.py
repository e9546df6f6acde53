"""MET Norway as a source: asked no sooner than it allows, as old as it says, kept like any other."""

import json
import threading

import numpy as np
import pytest

from tests.server import Fault
from wxfly.errors import WxflyError
from wxfly.pilot.site import Site
from wxfly.retrieval.forecast import obtain
from wxfly.store import forecasts

SAVED = {"heath": Site("heath", 52.31, 6.84, 31.0, "Europe/Amsterdam")}


def second(expires="Tue, 10 Mar 2026 12:30:00 GMT", updated="2026-03-10T11:00:00Z", day=10, first=12, **more):
    """Play a reply of MET Norway for the site asked, five hours long."""
    steps = [
        {
            "time": f"2026-03-{day:02d}T{first + h:02d}:00:00Z",
            "data": {
                "instant": {"details": {"air_temperature": 4.0, "wind_speed": 3.0, "wind_from_direction": 200.0}},
                "next_1_hours": {"summary": {"symbol_code": "cloudy"}, "details": {"precipitation_amount": 0.0}},
            },
        }
        for h in range(5)
    ]
    units = {"air_temperature": "celsius", "wind_speed": "m/s", "wind_from_direction": "degrees"}
    units["precipitation_amount"] = "mm"
    properties = {"meta": {"updated_at": updated, "units": units}, "timeseries": steps}
    body = {"geometry": {"coordinates": [6.84, 52.31, 31]}, "properties": properties}
    headers = {"Expires": expires, "Last-Modified": "Tue, 10 Mar 2026 11:00:00 GMT"}
    return Fault(body=json.dumps(body).encode(), headers=headers, **more)


def count(server, service="met_norway"):
    return len(server.asked(service))


def test_the_second_source_is_asked_by_name_and_no_sooner_than_it_allows(clock, server, contact):
    server.always["met_norway"] = second()
    got = obtain(["heath"], saved=SAVED, model="met_norway")
    assert got.origin == "fetched"
    assert got.cube.attrs["source"].startswith("MET Norway")
    assert "https://www.met.no/" in got.provenance.attribution
    assert count(server, "forecast") == 0
    clock(minutes=29)
    assert obtain(["heath"], saved=SAVED, model="met_norway").origin == "store"
    assert count(server) == 1
    clock(minutes=2)
    server.always["met_norway"] = Fault(status=304, body=b"", headers={"Expires": "Tue, 10 Mar 2026 13:00:00 GMT"})
    again = obtain(["heath"], saved=SAVED, model="met_norway")
    assert server.asked("met_norway")[1].headers["if-modified-since"] == "Tue, 10 Mar 2026 11:00:00 GMT"
    assert again.retrieved == np.datetime64("2026-03-10T12:00"), "as old as the body, not as the question"
    clock(minutes=20)
    obtain(["heath"], saved=SAVED, model="met_norway")
    assert count(server) == 2
    offline = obtain(["heath"], saved=SAVED, model="met_norway", offline=True)
    assert "retrieved 2026-03-10T12:00Z" in offline.notes[0]


def test_when_the_second_source_fails_its_last_forecast_is_said_to_be_old(clock, server, contact):
    server.always["met_norway"] = second()
    obtain(["heath"], saved=SAVED, model="met_norway")
    clock(hours=2)
    server.always["met_norway"] = Fault(status=403, body=b"<html>")
    got = obtain(["heath"], saved=SAVED, model="met_norway")
    assert "2 h ago" in got.notes[0]
    assert "no newer forecast is available" in got.notes[1]


def test_a_product_that_will_be_retired_is_said(clock, server, contact):
    server.always["met_norway"] = second(status=203)
    got = obtain(["heath"], saved=SAVED, model="met_norway")
    assert any("will retire this product" in note for note in got.notes)


def test_it_is_as_old_as_it_says_and_not_as_the_question(clock, server, contact):
    server.always["met_norway"] = second(updated="2026-03-08T10:00:00Z")
    got = obtain(["heath"], saved=SAVED, model="met_norway")
    assert got.run == np.datetime64("2026-03-08T10:00")


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (second(day=1), "it is for 2026-03-01 to 2026-03-01, not for the days to come"),
        (second(updated="2026-03-11T10:00:00Z"), "updated 2026-03-11T10:00Z?, which is in the future"),
        (second(updated="yesterday"), "updated_at 'yesterday' is not of the form"),
        (second(updated="2026-02-30T10:00:00Z"), "updated_at '2026-02-30T10:00:00Z' is not on the calendar"),
    ],
)
def test_a_reply_that_cannot_be_of_now_leaves_the_last_good_one(clock, server, contact, fault, words):
    server.always["met_norway"] = second()
    obtain(["heath"], saved=SAVED, model="met_norway")
    clock(minutes=40)
    server.always["met_norway"] = fault
    got = obtain(["heath"], saved=SAVED, model="met_norway")
    assert got.retrieved == np.datetime64("2026-03-10T12:00")
    import re

    assert any(re.search(words, note) for note in got.notes), got.notes


def test_a_clock_that_was_ahead_does_not_keep_it_from_asking(clock, server, contact):
    server.always["met_norway"] = second(
        day=20, updated="2026-03-20T11:00:00Z", expires="Fri, 20 Mar 2026 12:30:00 GMT"
    )
    clock(days=10)
    obtain(["heath"], saved=SAVED, model="met_norway")
    clock(days=-10)
    server.always["met_norway"] = second()
    got = obtain(["heath"], saved=SAVED, model="met_norway")
    assert count(server) == 2
    assert got.run == np.datetime64("2026-03-10T11:00")


def test_it_is_listed_with_the_others_and_a_damaged_one_is_asked_for_again(clock, server, contact):
    server.always["met_norway"] = second()
    obtain(["heath"], saved=SAVED, model="met_norway")
    (stored,) = forecasts.list_forecasts()
    assert (stored.model, f"{stored.latitude:.2f}") == ("met_norway", "52.31")
    whole = stored.path.read_bytes()
    stored.path.write_bytes(whole[:300] + b"x" * 20 + whole[320:])
    assert obtain(["heath"], saved=SAVED, model="met_norway").origin == "fetched"
    assert count(server) == 2
    assert "if-modified-since" not in server.asked("met_norway")[1].headers


def test_many_at_once_ask_once(clock, server, contact):
    server.always["met_norway"] = second(delay=0.1)
    faults = []

    def ask():
        try:
            obtain(["heath"], saved=SAVED, model="met_norway")
        except WxflyError as fault:
            faults.append(fault)

    threads = [threading.Thread(target=ask) for _ in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    assert count(server) == 1


def test_places_that_were_renewed_apart_are_as_old_as_the_oldest(clock, server, contact):
    places = SAVED | {"hill": Site("hill", 52.36, 6.9, 31.0, "Europe/Amsterdam")}
    server.once["met_norway"] = [second(), second(updated="2026-03-10T08:00:00Z")]
    got = obtain(["heath", "hill"], saved=places, model="met_norway")
    assert got.run == np.datetime64("2026-03-10T08:00")
    assert got.cube["forecast_reference_time"].ndim == 0


def test_an_older_reply_does_not_take_the_place_of_the_one_in_the_store(clock, server, contact):
    server.always["met_norway"] = second()
    first = obtain(["heath"], saved=SAVED, model="met_norway")
    clock(hours=1)
    server.always["met_norway"] = second(updated="2026-03-10T05:00:00Z")
    again = obtain(["heath"], saved=SAVED, model="met_norway")
    assert again.run == first.run == np.datetime64("2026-03-10T11:00")
    assert any("sent an older forecast than the one in the store" in note for note in again.notes)
    assert obtain(["heath"], saved=SAVED, model="met_norway", offline=True).run == first.run


def test_a_reply_that_does_not_say_when_it_was_renewed_is_refused(clock, server, contact):
    server.always["met_norway"] = second(updated=None)
    with pytest.raises(WxflyError, match="updated_at 'None' is not of the form"):
        obtain(["heath"], saved=SAVED, model="met_norway")


def test_a_date_that_cannot_be_sent_back_stops_no_renewal(clock, server, contact):
    odd = second()
    odd.headers["Last-Modified"] = "Tue, 10 M\xe4r 2026 11:00:00 GMT"
    server.always["met_norway"] = odd
    obtain(["heath"], saved=SAVED, model="met_norway")
    clock(hours=1)
    server.always["met_norway"] = second(updated="2026-03-10T12:30:00Z")
    got = obtain(["heath"], saved=SAVED, model="met_norway")
    assert got.origin == "fetched"
    assert not any("no newer" in note for note in got.notes)
    assert "if-modified-since" not in server.asked("met_norway")[-1].headers
