import math
import string

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wxfly.answer import findings
from wxfly.pilot.elements import BY_NAME, ELEMENTS
from wxfly.report.text import sentences
from wxfly.report.text.sentences import Clock
from wxfly.units import SYSTEMS


def t(text):
    return np.datetime64(text, "s")


@pytest.mark.parametrize(
    ("element", "demand", "limit", "units", "words"),
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
        ("daylight", 12.0, 1.0, "metric", "daylight"),
        ("density_altitude", 2100.0, math.nan, "metric", "density altitude, 2100 m, no limit given"),
    ],
)
def test_readings(element, demand, limit, units, words):
    assert sentences.reading(element, demand, limit, height=80.0, units=units) == words


def test_a_temperature_near_the_ground_says_so():
    words = sentences.reading("temperature", 261.15, 263.15, height=80.0, units="metric", near_ground=True)
    assert words == "temperature near the ground, -12.0 °C, limit -10 °C"


def test_a_limit_that_is_just_broken_does_not_look_kept():
    assert sentences.reading("gust", 10.71, 10.7, height=80.0, units="metric") == "gust at 80 m, 10.71 of 10.70 m/s"
    assert sentences.reading("gust", 10.7, 10.7, height=80.0, units="metric") == "gust at 80 m, 10.7 of 10.7 m/s"


@given(
    st.sampled_from([e.name for e in ELEMENTS]),
    st.floats(-50, 400) | st.just(math.nan),
    st.floats(0, 400) | st.just(math.nan),
    st.sampled_from(list(SYSTEMS)),
)
def test_every_reading_can_be_written(element, demand, limit, units):
    words = sentences.reading(element, demand, limit, height=80.0, units=units)
    assert "nan" not in words
    assert "-0 " not in words
    assert words == words.strip(string.whitespace)
    assert BY_NAME[element].title.split()[0] in words or element in ("daylight", "wind_difference")


@given(st.floats(-1, 1))
def test_a_margin_is_never_shown_better_than_it_is(value):
    shown = float(sentences.margin(value))
    assert shown <= value + 1e-6
    assert shown > value - 0.011


@pytest.mark.parametrize(("value", "text"), [(0.199, "0.19"), (-0.001, "-0.01"), (1.0, "1.00"), (0.2, "0.20")])
def test_margins(value, text):
    assert sentences.margin(value) == text
    assert sentences.margin(math.nan) == "?"


@pytest.mark.parametrize(
    ("degrees", "text"), [(0, "N (360°)"), (225, "SW (225°)"), (348.8, "N (349°)"), (5, "N (005°)")]
)
def test_directions(degrees, text):
    assert sentences.direction(degrees) == text


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
    assert sentences.duration(np.timedelta64(45 * 60 + 59, "s")) == "45 min"
    assert sentences.duration(np.timedelta64(2, "h")) == "2 h"
    assert sentences.duration(np.timedelta64(80, "m")) == "1 h 20 min"
    assert sentences.age(np.timedelta64(6, "h")) == "6 h old"
    assert sentences.age(np.timedelta64("NaT", "s")) == "age not known"
