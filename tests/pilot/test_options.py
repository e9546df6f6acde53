"""The rows of the options: each says all that command line, library and files need."""

import pytest

from tests.halves import spread
from wxfly.errors import WxflyError
from wxfly.pilot.options import (
    OPTIONS,
    QUESTIONS,
    Heading,
    Names,
    Quantity,
    Words,
    find_option,
    kept_values,
    options_of,
    plan_options,
    read_kept,
    said,
    usual_options,
)


def test_every_row_has_what_the_help_needs():
    flags = [option.flag for option in OPTIONS.values()]
    assert len(set(flags)) == len(flags)
    for option in OPTIONS.values():
        assert option.help.endswith(".")
        assert isinstance(option.heading, Heading)
        assert set(option.questions) <= set(QUESTIONS)


@pytest.mark.parametrize("question", QUESTIONS)
def test_a_question_shows_about_ten_options_first(question):
    front = [option for option in options_of(question) if option.is_front]
    assert 6 <= len(front) <= 10


def test_a_plan_says_all_but_readings_and_settings_nothing_that_is_of_once():
    assert {o.name for o in OPTIONS.values()} - {o.name for o in plan_options()} == {
        "mean", "gust", "temperature", "plan",
    }  # fmt: skip
    assert not [option.name for option in usual_options() if option.is_of_once]


VALUES = {
    "day": "2026-03-16", "days": 5, "rank": 2, "duration": "30min", "contingency": "as-long", "survey": "4h", "wait": 1,
    "prefer": "low-light", "costs": "30,100,2000", "time_zone": "Europe/Lisbon", "anemometer_height": "3m",
    "aircraft": "cine-hexacopter", "height": "50m", "rules": "own", "limits": ("gust=8m/s",), "reserve": 0.3,
    "launch_limit": "5m/s", "hours": 3, "required": ("kp",), "advised": ("fog",), "distance": "400m",
    "return_height": "60m",
    "toward": "SW", "work": "5min", "batteries": 3, "battery_reserve": 0.3, "battery_temperature": "20degC",
    "payload": "120g", "zones": "~/zones.json",
    "confidence": 0.8, "ensemble": ("none",), "site_record": True, "fresh": True, "model": "icon_eu",
    "forecast_path": "answer.nc", "as_of": "2026-03-14T07:00Z", "offline": True, "units": "aviation",
}  # fmt: skip


def test_what_is_kept_is_read_back_as_it_was_for_every_option():
    assert set(VALUES) == {option.name for option in plan_options()}
    words = Words(**{name: OPTIONS[name].kind.read(name, value) for name, value in VALUES.items()})
    kept = kept_values(words)
    assert read_kept(kept, plan_options(), "here") == words
    assert dict(said(words)) == {name: getattr(words, name) for name in VALUES}


@pytest.mark.parametrize("option", spread([o for o in OPTIONS.values() if isinstance(o.kind, Quantity)], 5))
@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_a_quantity_is_kept_with_the_unit_that_it_was_given_in(option, units):
    whole = kept_values(Words(**{option.name: "7"}), units)[option.key]
    assert whole.startswith("7") and whole != "7"
    if not option.is_of_reading:
        for bare in (7, 7.5, "7"):
            with pytest.raises(WxflyError, match="has no unit; write it with one"):
                read_kept({option.key: bare}, [option], "plans.toml: [roof]")


def test_limits_are_kept_with_their_units_and_come_as_a_table_too():
    assert kept_values(Words(limits=("gust=8", "temperature=5..30")), "imperial") == {
        "limit": ["gust=8mph", "temperature=5degF..30degF"]
    }
    assert read_kept({"limit": {"gust": "8m/s"}}, plan_options(), "here").limits == ("gust=8m/s",)
    with pytest.raises(WxflyError, match="has a number without its unit"):
        read_kept({"limit": ["gust=8"]}, plan_options(), "here")


def test_a_key_may_be_written_as_the_option_and_a_misspelt_one_names_the_nearest():
    assert find_option("--return-height", plan_options()).name == "return_height"
    with pytest.raises(WxflyError, match="key 'hieght' is not known; did you mean 'height'"):
        read_kept({"hieght": "8m"}, plan_options(), "here")


@pytest.mark.parametrize("option", spread(plan_options(), 6))
@pytest.mark.parametrize("value", [float("nan"), [3], {"a": 1}, {}])
def test_a_value_of_another_kind_is_refused_in_one_line(option, value):
    with pytest.raises(WxflyError) as fault:
        found = read_kept({option.key: value}, plan_options(), "plans.toml: [roof]")
        # A table is one way to write limits, and amounts may stand in a list.
        if (isinstance(option.kind, Names) and value == {}) or option.name == "costs":
            raise WxflyError(str(found))
    assert "\n" not in str(fault.value)
