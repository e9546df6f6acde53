"""Airports' own forecasts: what is said, what is not, what is refused."""

import json
import math

import numpy as np
import pytest

from tests.server import Fault
from tests.shared import SHARED
from wxfly.errors import WxflyError
from wxfly.pilot.settings import load_settings
from wxfly.sources.aviation_weather import get_aerodrome_forecasts, parse_aerodrome_forecasts, weather_kinds

START = 1773140400  # 2026-03-10T11:00Z
GROUP = {"timeFrom": START, "timeTo": START + 36_000, "fcstChange": None, "wdir": 210, "wspd": 12, "visib": "6+"}
ROW = {
    "icaoId": "XXAA", "issueTime": "2026-03-10T10:40:00.000Z", "validTimeFrom": START, "validTimeTo": START + 86_400,
    "rawTAF": "TAF XXAA", "lat": 52.3, "lon": 6.8, "elev": 30, "name": "Invented Field", "fcsts": [GROUP],
}  # fmt: skip


def body(group=None, **changes):
    row = ROW | {"fcsts": [GROUP | (group or {})]} | changes
    return json.dumps([{k: v for k, v in row.items() if v is not ...}]).encode()


def test_a_forecast_is_read_in_si():
    clouds = [{"cover": "SCT", "base": 1000}, {"cover": "BKN", "base": 2600}]
    (read,) = parse_aerodrome_forecasts(body({"wgst": 24, "wxString": "-SHRA", "clouds": clouds}))
    assert read.issued == np.datetime64("2026-03-10T10:40")
    assert (read.begin, read.end) == (np.datetime64("2026-03-10T11:00"), np.datetime64("2026-03-11T11:00"))
    (group,) = read.groups
    assert group.change == "replaces"
    assert group.wind_speed == pytest.approx(12 * 1852 / 3600)
    assert group.wind_speed_of_gust == pytest.approx(24 * 1852 / 3600)
    assert group.visibility == pytest.approx(6 * 1609.344)
    assert group.visibility_is_more
    assert group.ceiling == pytest.approx(2600 * 0.3048)
    assert group.weather == {"precipitation"}


def test_what_is_not_said_is_not_known():
    change = {"fcstChange": "BECMG", "timeBec": START + 7200, "wspd": None, "visib": None}
    (group,) = parse_aerodrome_forecasts(body(change))[0].groups
    assert group.change == "becomes"
    assert group.settled == np.datetime64("2026-03-10T13:00")
    assert all(math.isnan(v) for v in (group.wind_speed, group.wind_speed_of_gust, group.visibility, group.ceiling))
    assert group.weather is None


@pytest.mark.parametrize("change", ["TEMPO", "PROB", "INTER", 3])
def test_what_holds_perhaps_replaces_nothing(change):
    assert parse_aerodrome_forecasts(body({"fcstChange": change}))[0].groups[0].change == "at times"


@pytest.mark.parametrize(
    ("text", "kinds"),
    [
        ("-SHRA BR", {"precipitation"}), ("+TSRA", {"thunderstorm", "precipitation"}), ("VCTS", {"thunderstorm"}),
        ("VCSH", set()), ("FZFG", {"fog"}), ("-FZDZ", {"freezing precipitation", "precipitation"}), ("NSW", set()),
        ("BCFG", {"fog"}), ("HZ", set()),
    ],
)  # fmt: skip
def test_weather_is_told_apart_by_kind(text, kinds):
    assert weather_kinds(text, is_whole=False) == kinds


def test_no_weather_named_is_none_only_where_a_group_describes_everything():
    assert weather_kinds(None, is_whole=True) == frozenset()
    assert weather_kinds(None, is_whole=False) is None


def test_a_forecast_without_place_issue_or_groups_is_left_out():
    for changes in ({"lat": ...}, {"issueTime": "soon"}, {"issueTime": "2026-02-31 10:00:00"}, {"fcsts": []}):
        assert parse_aerodrome_forecasts(body(**changes)) == []


@pytest.mark.parametrize(
    ("reply", "words"),
    [
        (b"{}", "not a list"),
        (b"[1]", "not an object"),
        (b"<html>", "a web page"),
        (b"", "an empty body"),
        (body(fcsts=[1]), "a group is not an object"),
        (body(validTimeTo=START - 1), "does not state its validity"),
        (body(validTimeFrom="noon"), "does not state its validity"),
        (body({"timeTo": START}), "a group does not state its validity"),
        (body({"timeBec": "later"}), "a group does not state its validity"),
        (body({"wspd": 900}), "wspd '900' is not between 0 and 200"),
        (body({"visib": "far"}), "visib 'far' is not a number"),
        (body({"clouds": [1]}), "a cloud layer is not an object"),
        (body(lat=95), "lat '95' is not between"),
    ],
)
def test_a_hostile_reply_gives_one_clear_error(reply, words):
    with pytest.raises(WxflyError, match=words):
        parse_aerodrome_forecasts(reply)


def test_a_box_is_sent_and_not_the_place(server):
    server.always["aerodrome_forecasts"] = Fault(body=body())
    assert len(parse_aerodrome_forecasts(get_aerodrome_forecasts(52.31234, 6.84321, settings=load_settings()).encode()))
    assert server.log[0].path == "/api/data/taf"
    assert server.log[0].query == {"bbox": "51.7,5.9,52.9,7.8", "format": "json"}


def test_the_published_example_is_read():
    path = SHARED / "samples" / "awc" / "taf_KORD_spec_example.json"
    if not path.is_file():
        pytest.skip("the folder shared/ with sample replies is not beside the checkout")
    (read,) = parse_aerodrome_forecasts(path.read_bytes())
    assert read.station == "KORD"
    assert read.issued == np.datetime64("2023-11-03T23:20")
    assert read.groups[0].wind_speed == pytest.approx(5 * 1852 / 3600)
    assert read.groups[0].ceiling == pytest.approx(11_000 * 0.3048)
