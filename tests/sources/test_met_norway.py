"""MET Norway: periods that look forward, gusts only in the north, hourly steps only."""

import copy
import json

import numpy as np
import pytest

from tests.server import Fault
from tests.shared import SHARED, needs_samples
from wxfly.cube.contract import VARIABLES, covers_hours
from wxfly.errors import WxflyError
from wxfly.pilot.settings import load_settings
from wxfly.pilot.site import Site
from wxfly.sources.met_norway import INSTANT, NEXT_HOUR, WANTED_UNITS, get_forecast, parse_forecast, weather_code_of

HEATH = Site("heath", 60.0, 10.0, 139.0)


def step(time, rain=0.0, symbol="cloudy", **details):
    instant = {
        "air_temperature": 2.3, "relative_humidity": 63.3, "air_pressure_at_sea_level": 1027.1, "wind_speed": 1.6,
        "wind_from_direction": 81.7, "cloud_area_fraction": 8.6, "wind_speed_of_gust": 4.1,
    } | details  # fmt: skip
    return {
        "time": time,
        "data": {
            "instant": {"details": {k: v for k, v in instant.items() if v is not ...}},
            "next_1_hours": {"summary": {"symbol_code": symbol}, "details": {"precipitation_amount": rain}},
        },
    }


GOOD = {
    "type": "Feature",
    "geometry": {"type": "Point", "coordinates": [10, 60, 139]},
    "properties": {
        "meta": {
            "updated_at": "2026-03-10T05:00:00Z",
            "units": {
                "air_temperature": "celsius", "relative_humidity": "%", "air_pressure_at_sea_level": "hPa",
                "wind_speed": "m/s", "wind_from_direction": "degrees", "cloud_area_fraction": "%",
                "wind_speed_of_gust": "m/s", "precipitation_amount": "mm",
            },
        },
        "timeseries": [
            step("2026-03-10T06:00:00Z"), step("2026-03-10T07:00:00Z", 1.2, "rain"), step("2026-03-10T08:00:00Z"),
            step("2026-03-10T12:00:00Z", wind_speed_of_gust=...),
        ],
    },
}  # fmt: skip


def body(change=None):
    document = copy.deepcopy(GOOD)
    if change:
        change(document)
    return json.dumps(document).encode()


def test_every_name_has_a_place_and_a_unit():
    assert set(INSTANT.values()) | set(NEXT_HOUR.values()) <= set(VARIABLES)
    assert {VARIABLES[n].units for n in (*INSTANT.values(), *NEXT_HOUR.values())} <= set(WANTED_UNITS)


def test_the_hourly_part_is_read_in_si():
    cube = parse_forecast(body())
    assert cube["time"].size == 3, "the six-hourly part is left out"
    assert float(cube["air_temperature"][0]) == pytest.approx(275.45)
    assert float(cube["air_pressure_at_mean_sea_level"][0]) == pytest.approx(102_710)
    assert float(cube["relative_humidity"][0]) == pytest.approx(0.633)
    assert float(cube["surface_altitude"]) == 139
    assert cube["wind_speed"].dims == ("time", "height")
    for name in ("surface_air_pressure", "visibility_in_air"):
        assert name not in cube


def test_percentiles_are_read_where_they_are_given():
    def add(document):
        document["properties"]["meta"]["units"] |= {
            "wind_speed_percentile_10": "m/s", "wind_speed_percentile_90": "m/s",
            "air_temperature_percentile_10": "celsius", "air_temperature_percentile_90": "celsius",
        }  # fmt: skip
        for s in document["properties"]["timeseries"][:2]:
            s["data"]["instant"]["details"] |= {
                "wind_speed_percentile_10": 1.5, "wind_speed_percentile_90": 1.9,
                "air_temperature_percentile_10": 1.9, "air_temperature_percentile_90": 2.8,
            }  # fmt: skip

    cube = parse_forecast(body(add))
    assert cube["wind_speed_percentile_90"].values[:2] == pytest.approx(1.9)
    assert np.isnan(cube["wind_speed_percentile_90"].values[2])
    assert float(cube["air_temperature_percentile_10"][0]) == pytest.approx(275.05)
    assert "wind_speed_percentile_90" not in parse_forecast(body())


def test_sums_look_forward_and_gusts_count_on_both_sides():
    cube = parse_forecast(body())
    assert covers_hours(cube, "precipitation_amount") == (0.0, 1.0)
    assert covers_hours(cube, "weather_code") == (0.0, 1.0)
    assert covers_hours(cube, "wind_speed_of_gust") == (-1.0, 1.0)
    assert cube["precipitation_amount"].values.tolist() == [0.0, 1.2, 0.0]
    assert cube["weather_code"].values.tolist() == [3.0, 63.0, 3.0]


def test_a_gust_that_is_not_given_is_not_known():
    def without(document):
        for s in document["properties"]["timeseries"]:
            s["data"]["instant"]["details"].pop("wind_speed_of_gust", None)

    assert "wind_speed_of_gust" not in parse_forecast(body(without))


@pytest.mark.parametrize(
    ("symbol", "code"),
    [
        ("clearsky_day", 0), ("fair_night", 1), ("partlycloudy_polartwilight", 2), ("cloudy", 3), ("fog", 45),
        ("lightrain", 61), ("rain", 63), ("heavyrain", 65), ("lightrainshowers_day", 80), ("heavysnow", 75),
        ("snowshowers_night", 86), ("lightsleet", 68), ("rainandthunder", 95), ("lightssnowshowersandthunder_day", 95),
    ],
)  # fmt: skip
def test_symbols_become_codes(symbol, code):
    assert weather_code_of(symbol) == code


def test_an_unknown_symbol_is_not_known():
    assert np.isnan(weather_code_of("frogs"))
    assert np.isnan(weather_code_of(""))


def _set(*path, value):
    def change(document):
        node = document
        for key in path[:-1]:
            node = node[key]
        node[path[-1]] = value

    return change


SERIES = ("properties", "timeseries")
HOSTILE = {
    "nothing": (b"", "an empty body"),
    "a page": (b"<html>", "a web page"),
    "not a feature": (b'{"type":"Feature"}', "not a forecast of this service"),
    "no place": (body(_set("geometry", "coordinates", value=[])), "not a forecast of this service"),
    "text for a place": (body(_set("geometry", "coordinates", value=["10", 60])), "not a number"),
    "off the Earth": (body(_set("geometry", "coordinates", value=[10, 160])), "no place on Earth"),
    "no hours": (body(_set(*SERIES, value=[])), "no hours"),
    "fahrenheit": (
        body(_set("properties", "meta", "units", "air_temperature", value="fahrenheit")), "came in 'fahrenheit'"
    ),
    "unit missing": (body(_set("properties", "meta", "units", "wind_speed", value=None)), "wind_speed came in 'None'"),
    "time as words": (body(_set(*SERIES, 0, "time", value="noon")), "not of the form"),
    "out of order": (body(_set(*SERIES, 1, "time", value="2026-03-10T05:00:00Z")), "not in order"),
    "no calendar": (body(_set(*SERIES, 0, "time", value="2026-02-31T05:00:00Z")), "not on the calendar"),
    "text in a value": (body(_set(*SERIES, 0, "data", "instant", "details", "wind_speed", value="1")), "not a number"),
    "absurd": (body(_set(*SERIES, 0, "data", "instant", "details", "wind_speed", value=500)), "outside 0 to 120"),
    "no data": (body(_set(*SERIES, 0, "data", value=3)), "a step without data"),
    "values no object": (body(_set(*SERIES, 0, "data", "instant", value=3)), "are not an object"),
}  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_reply_gives_one_clear_error(name):
    reply, words = HOSTILE[name]
    with pytest.raises(WxflyError, match=words):
        parse_forecast(reply)


def test_a_reply_for_another_place_is_refused():
    with pytest.raises(WxflyError, match=r"the answer is for 60\.00, 10\.00"):
        parse_forecast(body(), site=Site("south", 50.0, 10.0))


def test_a_reply_for_ground_at_another_height_is_refused():
    parse_forecast(body(), site=Site("here", 60.0, 10.0, 139.4))
    with pytest.raises(WxflyError, match="the answer is for ground at 139 m, not 20 m"):
        parse_forecast(body(), site=Site("here", 60.0, 10.0, 20.0))


def test_who_asks_must_be_said_and_the_place_is_rounded(clock, server, own_folders):
    clock(hours=-6)
    with pytest.raises(WxflyError, match="it wants to know who asks"):
        get_forecast(HEATH, settings=load_settings())
    (own_folders / "config").mkdir()
    (own_folders / "config" / "config.toml").write_text('contact = "pilot@example.org"\n')
    server.always["met_norway"] = Fault(body=body(), headers={"Last-Modified": "Tue, 10 Mar 2026 05:00:00 GMT"})
    site = Site("heath", 60.0000123, 10.0000987, 139.4)
    reply, _ = get_forecast(site, settings=load_settings())
    asked = server.asked("met_norway")[0]
    assert asked.query == {"lat": "60.000", "lon": "10.000", "altitude": "139"}
    assert "pilot@example.org" in asked.headers["user-agent"]
    assert reply.headers["last-modified"].startswith("Tue, 10 Mar")
    server.always["met_norway"] = Fault(status=304, body=b"")
    reply, _ = get_forecast(HEATH, settings=load_settings(), last_modified="Tue, 10 Mar 2026 05:00:00 GMT")
    assert reply.status == 304
    assert server.log[-1].headers["if-modified-since"] == "Tue, 10 Mar 2026 05:00:00 GMT"


@needs_samples
def test_the_nordic_sample_is_read():
    cube = parse_forecast((SHARED / "samples/metno/complete_nordic_2024-03-08_trimmed.json").read_bytes())
    assert cube["time"].values.tolist() == [np.datetime64("2024-03-08T12", "ns").astype(int)]
    assert float(cube["wind_speed_of_gust"][0]) == 4.1


@needs_samples
@pytest.mark.parametrize("name", ["lat40.7lon-74.0altitude10_compact.json", "lat51.5lon-0.1altitude25_complete.json"])
def test_the_recorded_replies_are_read(name):
    document = json.loads((SHARED / "data/replies" / name).read_text())["data"]
    cube = parse_forecast(json.dumps(document).encode())
    assert cube["time"].values[0] == np.datetime64("2020-07-20T11")
    assert 48 < cube["time"].size < 70
    assert "wind_speed_of_gust" not in cube, "south of the Nordic countries there is none"
    first = document["properties"]["timeseries"][0]["data"]["instant"]["details"]
    assert float(cube["wind_speed"][0, 0]) == first["wind_speed"]
