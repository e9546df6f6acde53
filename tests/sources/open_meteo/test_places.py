"""Place names and the height of the ground."""

import json
import math

import pytest

from tests.shared import SHARED, needs_samples
from wxfly.errors import WxflyError
from wxfly.pilot.settings import load_settings
from wxfly.sources.open_meteo.places import (
    get_places,
    get_surface_altitudes,
    parse_places,
    parse_surface_altitudes,
    places_to_text,
)


def test_no_match_is_an_empty_list():
    assert parse_places(b'{"generationtime_ms":0.1}', "test") == []


def test_a_coordinate_left_out_is_zero_and_a_height_left_out_is_not_known():
    (place,) = parse_places(b'{"results":[{"name":"Nullpoint"}]}', "test")
    assert (place.latitude, place.longitude) == (0.0, 0.0)
    assert math.isnan(place.surface_altitude)
    assert place.label == "Nullpoint"


def test_places_can_be_kept_and_read_again():
    places = parse_places(
        b'{"results":[{"name":"A","latitude":1.5,"admin1":"B","country":"C","elevation":3,"timezone":"UTC"},{"name":"D"}]}',
        "test",
    )
    again = parse_places(places_to_text(places).encode(), "test")
    assert [p.label for p in again] == ["A, B, C", "D"]
    assert again[0] == places[0]
    assert math.isnan(again[1].surface_altitude)


def test_a_name_cannot_smuggle_in_control_characters():
    body = json.dumps({"results": [{"name": "A\u001b[31m\nB", "latitude": 1}]}).encode()
    assert parse_places(body, "test")[0].name == "A[31mB"


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"[]", "not a reply"),
        (b'{"error":true,"reason":"x"}', "not a reply"),
        (b'{"results":{}}', "not a list"),
        (b'{"results":[1]}', "not an object"),
        (b'{"results":[{"name":"A","latitude":"52"}]}', "latitude of a result is not a number"),
        (b'{"results":[{"name":"A","latitude":95}]}', "not on Earth"),
        (b"<html>", "a web page"),
    ],
)
def test_a_hostile_reply_gives_one_clear_error(body, words):
    with pytest.raises(WxflyError, match=words):
        parse_places(body, "test")


def test_heights_are_read_and_a_bare_nan_is_not_known():
    heights = parse_surface_altitudes(b'{"elevation":[29.0, nan, 0.0]}', 3, "test")
    assert heights[0] == 29.0
    assert math.isnan(heights[1])
    assert heights[2] == 0.0


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b'{"elevation":[29.0]}', "wanted 2 heights"),
        (b'{"height":[1,2]}', "wanted 2 heights"),
        (b'{"elevation":[29.0,"high"]}', "not a height of ground"),
        (b'{"elevation":[29.0,99999]}', "not a height of ground"),
        (b"[1,2]", "wanted 2 heights"),
    ],
)
def test_hostile_heights_give_one_clear_error(body, words):
    with pytest.raises(WxflyError, match=words):
        parse_surface_altitudes(body, 2, "test")


def test_the_services_are_asked_over_a_socket(server):
    settings = load_settings()
    places = get_places("Oldermoor", settings=settings)
    assert [p.label for p in places] == ["Oldermoor, Lowmark, Inventia", "Oldermoor Heath, Inventia"]
    assert get_places("Nowhere at all", settings=settings) == []
    assert get_surface_altitudes([(52.3, 6.8), (1, 2)], settings=settings) == [20.0, 21.0]
    assert server.asked("geocoding")[0].query["name"] == "Oldermoor"


@needs_samples
@pytest.mark.parametrize(
    ("name", "labels"),
    [
        (
            "geocoding.json",
            ["Enschede, Overijssel, The Netherlands", "Enschede Airport Twente, Overijssel, The Netherlands"],
        ),
        ("geocoding_empty.json", []),
        (
            "geocoding_missing_fields.json",
            ["Antarctica", "Île MacMurdo, TF", "Atlantic Point, Maine, United States"],
        ),
    ],
)
def test_the_recorded_replies_are_read(name, labels):
    body = (SHARED / "samples" / "open-meteo" / name).read_bytes()
    assert [p.label for p in parse_places(body, "test")] == labels


@needs_samples
def test_the_recorded_height_is_read():
    body = (SHARED / "samples" / "open-meteo" / "elevation.json").read_bytes()
    assert parse_surface_altitudes(body, 1, "test") == [29.0]
