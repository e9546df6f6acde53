"""The command ``wxfly observed``: the latest airport report beside the forecast, in words."""

import json
from datetime import UTC, datetime
from functools import partial

import jsonschema
import pytest

from tests.server import Fault
from wxfly.report.schemas import schema_of


@pytest.fixture
def observed(wxfly):
    return partial(wxfly, "observed")


def report(**changes):
    row = {
        "icaoId": "XXAB", "name": "Elsewhere", "lat": 52.4, "lon": 6.9, "elev": 30, "visib": "10+",
        "obsTime": int(datetime.now(UTC).timestamp()) - 1200,
    }  # fmt: skip
    return Fault(body=json.dumps([row | changes]).encode())


def test_a_forecast_that_is_right_is_said_to_agree(server, observed):
    code, out, _ = observed("52.31,6.84")
    assert code == 0
    assert out.startswith("The forecast agrees with what the nearest airport reported at ")
    assert "Inventia Airfield" in out
    assert "large" not in out
    assert "aviationweather.gov" in out
    assert "open-meteo.com" in out
    assert "advice, not permission" in out


def test_a_forecast_that_is_off_is_said_first_and_the_difference_shown(server, observed):
    server.always["aviation_weather"] = report(wspd=40, temp=5.0)
    code, out, _ = observed("52.31,6.84", "--units", "aviation")
    assert code == 0
    assert out.startswith("THE FORECAST IS OFF at ")
    (row,) = [line for line in out.splitlines() if line.startswith("wind at 10 m")]
    reported, forecast, difference = (float(value) for value in row[12:].replace("kt", "").split()[:3])
    assert reported == 40.0
    assert difference == pytest.approx(reported - forecast, abs=0.11)
    assert row.endswith("large")


def test_the_same_as_facts(server, observed):
    server.always["aviation_weather"] = report(wspd=40, temp=5.0)
    code, out, _ = observed("52.31,6.84", "--json")
    found = json.loads(out)
    assert (code, found["station"], found["forecast_is_off"]) == (0, "XXAB", True)
    wind = next(d for d in found["differences"] if d["name"] == "wind_speed")
    assert wind["is_large"] and wind["reported"] == pytest.approx(40 * 1852 / 3600, abs=0.01)
    jsonschema.Draft202012Validator(schema_of("observed")).validate(found)


def test_a_visibility_that_may_be_more_has_no_difference(server, observed):
    (row,) = [line for line in observed("52.31,6.84")[1].splitlines() if line.startswith("visibility")]
    assert row.split()[1] == "≥16.1"
    assert row.split()[-1] == "-"


def test_a_report_of_nothing_is_said(server, observed):
    server.always["aviation_weather"] = report(visib=None)
    assert observed("52.31,6.84")[1].startswith("The report and the forecast have nothing in common to compare")


def test_what_the_service_sends_is_made_safe_to_print(server, observed):
    server.always["aviation_weather"] = report(name="a\x1b[31mb", rawOb="METAR\x1b[2J\nX")
    out = observed("52.31,6.84")[1]
    assert "\x1b" not in out


def ahead(**changes):
    """Play an airport that expects one thing for a day."""
    now = int(datetime.now(UTC).timestamp()) // 3600 * 3600
    group = {"timeFrom": now, "timeTo": now + 86_400, "fcstChange": None} | changes
    row = {
        "icaoId": "XXAT", "name": "Elsewhere", "lat": 52.4, "lon": 6.9, "elev": 30, "validTimeFrom": now,
        "validTimeTo": now + 86_400, "issueTime": f"{datetime.fromtimestamp(now - 600, UTC):%Y-%m-%dT%H:%M:%SZ}",
        "rawTAF": "TAF\x1b[2J XXAT", "fcsts": [group],
    }  # fmt: skip
    return Fault(body=json.dumps([row]).encode())


def test_an_airport_that_expects_otherwise_is_told_and_shown_hour_by_hour(server, observed):
    server.always["aerodrome_forecasts"] = ahead(wspd=45, wgst=70, visib=1, wxString="TSRA")
    code, out, _ = observed("52.31,6.84", "--units", "aviation")
    assert code == 0
    assert "THE AIRPORT EXPECTS OTHERWISE (XXAT, 11 km away, issued " in " ".join(out.split())
    (head,) = [line for line in out.splitlines() if line.startswith("airport / forecast")]
    assert [head.count(word) for word in ("wind kt", "gust kt", "visibility km", "weather")] == [1, 1, 1, 1]
    hours = [line for line in out.splitlines() if "45.0 / " in line]
    assert len(hours) == 12
    assert all("70.0 / " in line and "thunderstorm" in line and line.endswith("large") for line in hours)
    assert "\x1b" not in out


def test_what_an_airport_holds_possible_at_times_is_told_apart(server, observed):
    server.always["aerodrome_forecasts"] = ahead(wspd=60, fcstChange="TEMPO")
    out = " ".join(observed("52.31,6.84")[1].split())
    assert "THE AIRPORT EXPECTS OTHERWISE" not in out
    assert "says nothing of what prevails in the hours ahead" in out
    assert "At times the airport holds worse to be possible than the forecast has: wind at " in out


def test_an_airport_that_expects_the_same_is_said_to(server, observed):
    out = " ".join(observed("52.31,6.84", "--model", "ncep_gfs_global")[1].split())
    assert "Z the forecast agrees with the airport's own (XXAA, " in out


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (Fault(status=204, body=b""), "No airport within 60 km has its own forecast in force."),
        (Fault(status=403, body=b""), "No airport's own forecast is available: Aviation Weather Center, forecasts"),
        (Fault(body=b"<html>"), "a web page came back in place of data"),
        (ahead(wspd=900), "wspd '900' is not between"),
    ],
)
def test_without_an_airports_own_forecast_the_report_is_still_compared(server, observed, fault, words):
    server.always["aerodrome_forecasts"] = fault
    code, out, _ = observed("52.31,6.84")
    assert code == 0
    assert out.startswith("The forecast agrees with what the nearest airport reported")
    assert words in " ".join(out.split())


def test_without_a_connection_what_was_kept_is_shown_with_its_age(server, observed):
    observed("52.31,6.84")
    asked = len(server.log)
    code, out, _ = observed("52.31,6.84", "--offline")
    assert code == 0
    assert len(server.log) == asked
    assert out.startswith("Forecast from the store, retrieved ")
    assert "The forecast agrees" in out


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (Fault(status=204, body=b""), "no airport within 60 km of 52.31, 6.84 has reported in the last 90 minutes"),
        (report(obsTime=1_700_000_000), "no airport within 60 km"),
        (report(lat=40.0), "no airport within 60 km"),
        (
            Fault(status=403, body=b""),
            "Aviation Weather Center around 52.31, 6.84: the service refuses us (status 403)",
        ),
        (Fault(body=b"<html>"), "a web page came back in place of data"),
        (report(temp=900), "temp '900' is not between"),
    ],
)
def test_without_a_report_it_is_one_line_and_code_1(server, observed, fault, words):
    server.always["aviation_weather"] = fault
    code, out, err = observed("52.31,6.84")
    assert (code, out) == (1, "")
    (line,) = [line for line in err.splitlines() if line.startswith("Error: ")]
    assert words in line


def test_without_a_connection_and_with_nothing_kept_it_is_one_line(observed):
    code, out, err = observed("52.31,6.84")
    assert (code, out) == (1, "")
    assert err.splitlines()[-1].startswith("Error: ")
    assert "cannot be reached; is there a connection?" in err


def test_invented_weather_is_not_compared(observed):
    code, _, err = observed("Kelderness")
    assert code == 1
    assert "invented weather" in err
