import math
import re
import string

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wxfly.answer import findings
from wxfly.answer.windows import Room
from wxfly.pilot.elements import BY_NAME, ELEMENTS
from wxfly.pilot.limit_rules import LIMIT_RULES
from wxfly.report.facts import writing
from wxfly.report.facts.writing import Clock
from wxfly.units import SYSTEMS


def t(text):
    return np.datetime64(text, "s")


@pytest.mark.parametrize(
    ("element", "demand", "limit", "units", "told"),
    [
        ("gust", 9.1, 10.7, "metric", "gust at 80 m, 9.1 of 10.7 m/s"),
        ("gust", 9.1, 10.7, "aviation", "gust at 262 ft, 17.7 of 20.8 kt"),
        ("gust", 9.1, 10.7, "imperial", "gust at 262 ft, 20.4 of 23.9 mph"),
        ("wind", math.nan, 8.5, "metric", "wind at 80 m not known"),
        ("precipitation", 0.3, 0.0, "metric", "precipitation, 0.3 of 0 mm/h"),
        ("temperature", 265.15, 263.15, "metric", "temperature at 80 m, -8.0 °C, limit -10 °C"),
        ("temperature", 265.15, 263.15, "imperial", "temperature at 262 ft, 18 °F, limit 14 °F"),
        ("visibility", 3200.0, 5000.0, "metric", "visibility, 3.2 km, at least 5 km wanted"),
        ("cloud_base", 120.0, 230.0, "metric", "cloud base above ground, 120 m, at least 230 m wanted"),
        ("icing", 1.0, 1.0, "metric", "icing at 80 m possible"),
        ("thunderstorm", 2.0, 1.0, "metric", "thunderstorm likely"),
        ("kp", 5.33, 5.0, "metric", "Kp, 5.3 of 5"),
        ("daylight", 0.0, 1.0, "metric", "dark"),
        ("daylight", 12.0, 1.0, "metric", "light as the rules ask"),
        ("density_altitude", 2100.0, math.nan, "metric", "density altitude, 2100 m, no limit given"),
    ],
)
def test_readings(element, demand, limit, units, told):
    assert writing.demand_in_words(element, demand, limit, height=80.0, units=units) == told


def test_a_temperature_near_the_ground_says_so():
    told = writing.demand_in_words("temperature", 261.15, 263.15, height=80.0, units="metric", near_ground=True)
    assert told == "temperature near the ground, -12.0 °C, limit -10 °C"


def test_a_limit_that_is_just_broken_does_not_look_kept():
    assert (
        writing.demand_in_words("gust", 10.71, 10.7, height=80.0, units="metric") == "gust at 80 m, 10.71 of 10.70 m/s"
    )
    assert writing.demand_in_words("gust", 10.7, 10.7, height=80.0, units="metric") == "gust at 80 m, 10.7 of 10.7 m/s"


@given(
    st.sampled_from([e.name for e in ELEMENTS]),
    st.floats(-50, 400) | st.just(math.nan),
    st.floats(0, 400) | st.just(math.nan),
    st.sampled_from(list(SYSTEMS)),
)
def test_every_reading_can_be_written(element, demand, limit, units):
    told = writing.demand_in_words(element, demand, limit, height=80.0, units=units)
    assert "nan" not in told
    assert "-0 " not in told
    assert told == told.strip(string.whitespace)
    assert BY_NAME[element].title.split()[0] in told or element in ("daylight", "wind_difference")


@given(st.floats(-1, 1))
def test_a_margin_is_never_shown_better_than_it_is(value):
    shown = float(writing.margin(value))
    assert shown <= value + 1e-6
    assert shown > value - 0.011


@pytest.mark.parametrize(("value", "text"), [(0.199, "0.19"), (-0.001, "-0.01"), (1.0, "1.00"), (0.2, "0.20")])
def test_margins(value, text):
    assert writing.margin(value) == text
    assert writing.margin(math.nan) == "?"


@pytest.mark.parametrize(
    ("degrees", "text"), [(0, "N (360°)"), (225, "SW (225°)"), (348.8, "N (349°)"), (5, "N (005°)")]
)
def test_directions(degrees, text):
    assert writing.direction(degrees) == text


def test_directions_are_averaged_as_vectors():
    assert findings.mean_direction([1, 1], [350, 20]) == pytest.approx(5)
    assert math.isnan(findings.mean_direction([1, 1], [0, 180]))
    assert math.isnan(findings.mean_direction([1, 1], [0, math.nan]))


def test_spans_are_rounded_inward_and_end_at_midnight_as_24():
    clock = Clock("Europe/Dublin")
    assert clock.span(t("2026-03-15T06:14:01"), t("2026-03-15T19:14:59")) == "06:15–19:14"
    assert clock.span(t("2026-03-15T22:00"), t("2026-03-16T00:00")) == "22:00–24:00"


def test_a_clock_change_is_told():
    clock = Clock("Europe/Amsterdam")  # the clock goes from 02:00 to 03:00 on 29 March 2026
    assert clock.hour(t("2026-03-29T00:30")) == "01:30"
    assert clock.hour(t("2026-03-29T01:30")) == "03:30"
    assert clock.zones(t("2026-03-28T23:00"), t("2026-03-29T10:00")) == "CET, then CEST"


@pytest.mark.parametrize(("zone", "name"), [("Asia/Dubai", "UTC+04"), ("UTC", "UTC"), ("America/Denver", "MST")])
def test_zones_without_letters_are_written_as_offsets(zone, name):
    assert Clock(zone).zone(t("2026-01-15T12:00")) == name


def test_days_are_english_whatever_the_locale():
    assert Clock("America/Denver").day(t("2026-03-16T03:00")) == "Sun 15 Mar"


def test_lengths_and_ages():
    assert writing.duration(np.timedelta64(45 * 60 + 59, "s")) == "45 min"
    assert writing.duration(np.timedelta64(2, "h")) == "2 h"
    assert writing.duration(np.timedelta64(80, "m")) == "1 h 20 min"
    assert writing.age(6 * 3600) == "6 h old"
    assert writing.age(None) == "age not known"


@pytest.mark.parametrize(
    ("element", "demand", "limit", "margin", "told"),
    [
        ("gust", 6.2, 10.7, 0.4206, "gust 42 % below its limit"),
        ("gust", 10.7, 10.7, 0.0, "gust at its limit"),
        ("gust", 12.5, 10.7, -0.17, "gust 12.5 m/s, 1.8 m/s over its limit"),
        ("gust", 40.0, 10.7, -1.0, "gust 40.0 m/s, 29.3 m/s over its limit"),
        ("gust", 10.71, 10.7, -0.001, "gust 10.7 m/s, less than 0.1 m/s over its limit"),
        ("precipitation", 0.3, 0.0, -1.0, "precipitation 0.3 mm/h, 0.3 mm/h over its limit"),
        ("visibility", 8000.0, 5000.0, 0.375, "visibility 8.0 km, 3.0 km inside its limit"),
        ("visibility", 3200.0, 5000.0, -0.56, "visibility 3.2 km, 1.8 km short of its limit"),
        ("temperature", 267.25, 263.15, 0.16, "temperature -5.9 °C, 4.1 °C inside its limit"),
        ("temperature", 262.15, 263.15, -0.04, "temperature -11.0 °C, 1.0 °C beyond its limit"),
        ("icing", 1.0, 1.0, 0.05, "icing at 80 m possible"),
        ("wind", math.nan, 8.5, math.nan, "wind at 80 m not known"),
        ("return_leg", 0.88, 1.0, 0.12, "12 % of the battery to spare on the way back"),
        ("return_leg", 1.3, 1.0, -0.3, "the way back takes 130 % of the battery, its reserve included"),
    ],
)
def test_room(element, demand, limit, margin, told):
    assert writing.margin_in_words(element, demand, limit, margin, height=80.0, units="metric") == told


@given(
    st.sampled_from([e.name for e in ELEMENTS]),
    st.floats(-50, 400),
    st.floats(0.5, 400),
    st.sampled_from(list(SYSTEMS)),
)
def test_room_never_tells_of_nothing_more(element, demand, limit, units):
    row = BY_NAME[element]
    ends = (limit, limit + 40.0) if row.sense == "within" else limit
    margin = float(LIMIT_RULES[row.sense].margin(demand, ends))
    told = writing.margin_in_words(element, demand, limit, margin, height=80.0, units=units)
    assert not re.search(r", 0(\.0*)? ", told), told
    assert len(told.split()) <= 25


def test_a_stamp_of_a_note_is_told_on_the_clock_of_the_site():
    told = writing.Clock("Europe/Amsterdam").retold("retrieved 2026-03-10T12:00Z, 2 h ago; issued 2026-06-29T00:12:30Z")
    assert told == "retrieved Tue 10 Mar 2026 13:00 CET, 2 h ago; issued Mon 29 Jun 2026 02:12 CEST"
    assert writing.Clock("UTC").retold("its run 2026-03-10T09Z lacks gusts") == "its run 2026-03-10T09Z lacks gusts"


@pytest.mark.parametrize(
    ("metres", "units", "words"),
    [
        (9.7, "metric", "9 m"), (1234.0, "metric", "1200 m"), (9999.0, "metric", "9900 m"),
        (13_999.0, "metric", "13 km"), (10_000.0, "metric", "10 km"), (123_400.0, "metric", "120 km"),
        (13_999.0, "imperial", "8 mi"), (1234.0, "imperial", "4000 ft"), (13_999.0, "aviation", "13 km"),
    ],
)  # fmt: skip
def test_a_long_way_is_told_in_kilometres_or_miles_and_never_longer_than_it_is(metres, units, words):
    assert writing.distance(metres, units) == words


def test_a_way_that_is_given_keeps_its_figures():
    assert writing.way(400.0, "metric") == "400 m"
    assert writing.way(12_500.0, "metric") == "12.5 km"
    assert writing.way(math.nan, "metric") == "not known"


@pytest.mark.parametrize(
    ("room", "chance", "words"),
    [
        (Room.ROOM, 0.5, "perhaps room"), (Room.LITTLE, 0.54, "perhaps little room"), (Room.ROOM, 0.56, "room"),
        (Room.ROOM, None, "room"), (Room.ROOM, float("nan"), "room"), (Room.PROBABLY_NONE, 0.5, "probably no room"),
        (Room.NONE, 0.5, "no room"), (Room.NOT_KNOWN, 0.5, "not known"),
        (Room.PROBABLY_NONE, 0.499, "probably no room"),
    ],
)  # fmt: skip
def test_an_even_chance_of_room_is_told_as_one(room, chance, words):
    assert writing.room_in_words(room, chance) == words
