"""Airport reports: what is said, what is not, what is refused."""

import json
import math

import numpy as np
import pytest

from tests.server import Fault
from tests.shared import SHARED, needs_samples
from wxfly.errors import WxflyError
from wxfly.pilot.settings import load_settings
from wxfly.sources.aviation_weather import get_reports, parse_reports

ROW = {
    "icaoId": "XXAA", "obsTime": 1773140400, "temp": 6.7, "dewp": 3.9, "wdir": 210, "wspd": 12, "visib": "10+",
    "lat": 52.3, "lon": 6.8, "elev": 30, "name": "Invented Field", "cover": "OVC",
    "clouds": [{"cover": "SCT", "base": 1000}, {"cover": "BKN", "base": 2600}, {"cover": "OVC", "base": 3400}],
}  # fmt: skip


def body(**changes):
    row = {k: v for k, v in (ROW | changes).items() if v is not ...}
    return json.dumps([row]).encode()


def test_a_report_is_read_in_si():
    (report,) = parse_reports(body(wgst=24))
    assert report.observed == np.datetime64("2026-03-10T11:00")
    assert report.wind_speed == pytest.approx(12 * 1852 / 3600)
    assert report.wind_speed_of_gust == pytest.approx(24 * 1852 / 3600)
    assert report.air_temperature == pytest.approx(279.85)
    assert report.visibility == pytest.approx(16093.44)
    assert report.visibility_is_more
    assert report.ceiling == pytest.approx(2600 * 0.3048)


def test_what_is_not_said_is_not_known():
    (report,) = parse_reports(body(wdir="VRB", visib=..., clouds=..., temp=None))
    for value in (report.wind_speed_of_gust, report.wind_from_direction, report.visibility, report.ceiling):
        assert math.isnan(value)
    assert math.isnan(report.air_temperature)


@pytest.mark.parametrize(
    ("changes", "ceiling"),
    [
        ({"clouds": [], "cover": "CLR"}, math.inf),
        ({"clouds": [{"cover": "FEW", "base": 800}], "cover": "FEW"}, math.inf),
        ({"clouds": [], "cover": ...}, math.nan),
        ({"clouds": [{"cover": "BKN"}]}, math.nan),
        ({"clouds": [{"cover": "OVX"}], "vertVis": 200, "cover": "OVX"}, math.nan),
        ({"clouds": [], "vertVis": 200, "cover": "OVX"}, 60.96),
    ],
)
def test_a_ceiling_is_known_only_when_it_is_said(changes, ceiling):
    (report,) = parse_reports(body(**changes))
    assert report.ceiling == pytest.approx(ceiling, nan_ok=True)


def test_a_report_without_place_or_time_is_left_out():
    for changes in ({"lat": ...}, {"lon": None}, {"obsTime": ...}, {"obsTime": "noon"}):
        assert parse_reports(body(**changes)) == []


@pytest.mark.parametrize(
    ("reply", "words"),
    [
        (b"{}", "not a list"),
        (b"[1]", "not an object"),
        (b"<html>", "a web page"),
        (b"", "an empty body"),
        (body(wspd="twelve"), "wspd 'twelve' is not between"),
        (body(wspd=900), "wspd '900' is not between 0 and 200"),
        (body(temp=99), "temp '99' is not between"),
        (body(visib="far"), "visib 'far' is not a number"),
        (body(visib=True), "visib 'True' is not a number"),
        (body(clouds=[1]), "a cloud layer is not an object"),
        (body(lat=95), "lat '95' is not between"),
    ],
)
def test_a_hostile_reply_gives_one_clear_error(reply, words):
    with pytest.raises(WxflyError, match=words):
        parse_reports(reply)


def test_a_box_is_sent_and_not_the_place(server):
    server.always["aviation_weather"] = Fault(body=body())
    text = get_reports(52.31234, 6.84321, settings=load_settings())
    assert len(parse_reports(text.encode())) == 1
    asked = server.log[0]
    assert asked.path == "/api/data/metar"
    assert asked.query == {"bbox": "51.7,5.9,52.9,7.8", "format": "json", "hours": "2"}


@pytest.mark.parametrize("fault", [Fault(status=204, body=b""), Fault(body=b"[]"), Fault(body=b"")])
def test_no_airport_near_is_an_empty_list(server, fault):
    server.always["aviation_weather"] = fault
    assert get_reports(0, -30, settings=load_settings()) == "[]"


@needs_samples
@pytest.mark.parametrize(
    ("name", "stations"),
    [
        ("samples/awc/metar_KTYS_2026-01.json", ["KTYS"]),
        ("data/replies/metar_2026-07-21.json", ["KBFL", "KFFZ", "KSTS"]),
    ],
)
def test_the_recorded_reports_are_read(name, stations):
    reports = parse_reports((SHARED / name).read_bytes())
    assert [r.station for r in reports] == stations
    assert all(math.isnan(r.wind_speed_of_gust) for r in reports)
    assert all(2 < r.wind_speed < 8 for r in reports)
