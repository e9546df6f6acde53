"""The latest airport report against the forecast."""

import json
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from tests.cubes import START, quiet_cube
from tests.server import Fault
from wxfly.errors import WxflyError
from wxfly.history.airport_check import compare_report, what_is_off, with_report_warnings
from wxfly.pilot.settings import load_settings
from wxfly.pilot.site import Site
from wxfly.retrieval import airports
from wxfly.retrieval.airports import choose_report, latest_report
from wxfly.retrieval.forecast import obtain
from wxfly.sources.aviation_weather import parse_reports

SITE = Site("heath", 52.31, 6.84, 30.0)
SAVED = {"heath": Site("heath", 52.31, 6.84, 31.0, "Europe/Amsterdam")}
NOON = START + np.timedelta64(12, "h")


def rows(*changes):
    base = {"icaoId": "XXAA", "lat": 52.3, "lon": 6.8, "elev": 30, "temp": 17.0, "wspd": 4, "visib": "10+"}
    return json.dumps([base | {"obsTime": _unix(NOON) - 300} | c for c in changes]).encode()


def _unix(moment):
    return int(moment.astype("datetime64[s]").astype(int))


def one(**changes):
    return parse_reports(rows(changes))[0]


def test_a_report_that_agrees_is_said_to():
    cube = quiet_cube().assign_coords(surface_altitude=30.0)
    found = compare_report(one(), cube)
    assert {d.name for d in found} == {"wind_speed", "air_temperature", "visibility_in_air"}
    assert not any(d.is_large for d in found)
    assert what_is_off(one(), found, SITE) == ""


@pytest.mark.parametrize(
    ("changes", "name"),
    [
        ({"wspd": 15}, "wind_speed"),
        ({"wgst": 25}, "wind_speed_of_gust"),
        ({"temp": 25.0}, "air_temperature"),
        ({"visib": 3}, "visibility_in_air"),
    ],
)
def test_a_large_difference_is_told(changes, name):
    cube = quiet_cube().assign_coords(surface_altitude=30.0)
    found = compare_report(one(**changes), cube)
    assert [d.name for d in found if d.is_large] == [name]
    assert "does not agree with the forecast: " in what_is_off(one(**changes), found, SITE)


def test_the_temperature_is_carried_to_the_ground_of_the_forecast():
    cube = quiet_cube().assign_coords(surface_altitude=1030.0)
    found = {d.name: d for d in compare_report(one(temp=23.5), cube)}
    assert found["air_temperature"].reported == pytest.approx(273.15 + 23.5 - 6.5)


def test_the_gust_is_that_of_the_hour_in_which_the_report_was_made():
    cube = quiet_cube().assign_coords(surface_altitude=30.0)
    cube["wind_speed_of_gust"][12] = 11.0  # stamped 12:00, so of 11:00 to 12:00
    found = {d.name: d for d in compare_report(one(wgst=10), cube)}
    assert found["wind_speed_of_gust"].forecast == 11.0


def test_a_report_of_another_time_is_not_compared():
    assert compare_report(replace(one(), observed=START - np.timedelta64(2, "h")), quiet_cube()) == []


def test_the_newest_of_the_nearest_recent_airport_is_chosen():
    now = NOON.astype("datetime64[s]")
    reports = parse_reports(
        rows(
            {"icaoId": "FAR1", "lat": 52.6},
            {"icaoId": "NEAR", "obsTime": _unix(NOON) - 3600},
            {"icaoId": "NEAR", "obsTime": _unix(NOON) - 1800},
            {"icaoId": "OLD1", "lat": 52.31, "lon": 6.84, "obsTime": _unix(NOON) - 7200},
            {"icaoId": "LATE", "lat": 52.31, "lon": 6.84, "obsTime": _unix(NOON) + 7200},
        )
    )
    chosen = choose_report(reports, SITE, now)
    assert (chosen.station, _unix(chosen.observed)) == ("NEAR", _unix(NOON) - 1800)
    assert choose_report(reports, Site("away", 40.0, 0.0), now) is None


def test_it_is_asked_seldom_and_kept(server, monkeypatch):
    moment = datetime(2026, 6, 10, 12, 0, tzinfo=UTC)
    monkeypatch.setattr(airports, "utc_now", lambda: moment)
    server.always["aviation_weather"] = Fault(body=rows({}))
    assert latest_report(SITE, settings=load_settings()).station == "XXAA"
    assert latest_report(SITE, settings=load_settings()).station == "XXAA"
    assert latest_report(SITE, settings=load_settings(), offline=True).station == "XXAA"
    assert len(server.log) == 1
    assert latest_report(Site("b", 10.0, 10.0), settings=load_settings(), offline=True) is None
    server.always["aviation_weather"] = Fault(status=403, body=b"")
    with pytest.raises(WxflyError, match="refuses us"):
        latest_report(Site("b", 10.0, 10.0), settings=load_settings())


def test_a_kept_report_that_disagrees_is_reported_without_asking(clock, server):
    def warnings():
        obtained = obtain(["heath"], saved=SAVED)
        return with_report_warnings(obtained, load_settings()).notes[len(obtained.notes) :]

    row = {"icaoId": "XXAB", "lat": 52.4, "lon": 6.9, "elev": 30, "wspd": 40, "obsTime": 1_773_142_200}
    server.always["aviation_weather"] = Fault(body=json.dumps([row]).encode())
    assert warnings() == ()
    latest_report(SAVED["heath"], settings=load_settings())
    (warning,) = warnings()
    assert warning.startswith("heath: latest airport report (XXAB, ")
    assert warning.endswith("does not agree with the forecast: wind; see: wxfly observed")
    assert len(server.asked("aviation_weather")) == 1
