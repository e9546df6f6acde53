"""Keywords: numbers are SI, texts have their unit, and what does not fit is refused with a way out."""

import inspect
from datetime import UTC, date, datetime, timedelta, timezone

import numpy as np
import pytest

import wxfly
from wxfly.errors import WxflyError
from wxfly.library.words import names_of, read_as_of, read_keywords
from wxfly.question.question import read_question
from wxfly.report.formats import FORMATS


@pytest.mark.parametrize("units", ["metric", "imperial", "aviation"])
def test_a_number_is_si_whatever_the_units_of_the_answer(units):
    words = read_keywords(
        "best",
        {
            "height": 80,
            "duration": 5400.0,
            "distance": np.float64(400.0),
            "payload": 0.12,
            "battery_temperature": 293.15,
            "units": units,
        },
    )
    question = read_question("best", [], words)
    assert question.height == 80.0
    assert question.work.planned == np.timedelta64(5400, "s")
    assert (question.sortie.distance, question.sortie.payload) == (400.0, pytest.approx(0.12))
    assert question.sortie.battery_temperature == pytest.approx(293.15)


def test_a_text_has_its_unit():
    words = read_keywords("best", {"height": "260ft", "duration": "2h", "toward": "SW"})
    question = read_question("best", [], words)
    assert question.height == pytest.approx(79.248)
    assert question.toward == 225.0
    assert read_question("best", [], read_keywords("best", {"toward": 225})).toward == 225.0


def test_days_and_moments_come_in_several_types():
    words = read_keywords("best", {"day": date(2026, 3, 16), "as_of": datetime(2026, 3, 14, 7, tzinfo=UTC)})
    assert (words.day, words.as_of) == ("2026-03-16", "2026-03-14T07:00:00+00:00")
    expected = np.datetime64("2026-03-14T07:00:00")
    east = timezone(timedelta(hours=2))
    for value in ("2026-03-14T07:00Z", expected, datetime(2026, 3, 14, 7), datetime(2026, 3, 14, 9, tzinfo=east)):
        assert read_as_of(value) == expected


def test_names_of_elements_come_alone_or_in_a_list():
    assert read_keywords("best", {"required": "kp"}).required == ("kp",)
    assert read_keywords("best", {"required": ["kp", "fog"], "height": None}).required == ("kp", "fog")


@pytest.mark.parametrize(
    ("kind", "given", "told"),
    [
        ("best", {"hieght": 80.0}, "did you mean 'height'"),
        ("best", {"days": 5}, "did you mean 'day'"),
        ("week", {"day": "2026-03-16"}, "did you mean 'days'"),
        ("best", {"gust": "5m/s"}, "keyword 'gust' is not known"),
        ("best", {"height": True}, "height=True is not understood; wanted a number in m or a text with its unit"),
        ("best", {"height": float("nan")}, "height=nan is not understood"),
        ("best", {"height": ""}, "height='' is not understood"),
        ("best", {"units": "metrc"}, "did you mean 'metric'"),
        ("best", {"prefer": "low_light"}, "did you mean 'low-light'"),
        ("best", {"reserve": "a fifth"}, "not a share"),
        ("best", {"wait": 13}, "wanted a whole number from 0 to 12"),
        ("week", {"days": 17}, "wanted a whole number from 1 to 16"),
        ("best", {"offline": "no"}, "wanted True or False"),
        ("best", {"aircraft": 249}, "wanted a text"),
        ("best", {"required": 3}, "wanted a name or a list of names"),
        ("best", {"as_of": np.datetime64("NaT", "s")}, "wanted a moment"),
        ("best", {"forecast_path": 5}, "wanted the path of a file"),
    ],
)
def test_what_does_not_fit_is_refused_with_a_way_out(kind, given, told):
    with pytest.raises(WxflyError) as fault:
        read_keywords(kind, given)
    assert told in str(fault.value)
    assert "\n" not in str(fault.value)


@pytest.mark.parametrize("kind", ["best", "compare", "week", "now"])
def test_keywords_are_the_options_of_the_command(kind):
    from wxfly.cli import main

    options = {p.name for p in main.commands[kind].params if p.param_type_name == "option"}
    files = {*(format.name for format in FORMATS), "overwrite", "more", "help_all", "verbose", "log", "quiet"}
    files |= {"exit_code", "alarm"}
    assert set(names_of(kind)) >= options - files
    signature = inspect.signature(getattr(wxfly, kind))
    assert set(list(signature.parameters)[1:]) == set(names_of(kind))
