"""From words to a field check, on the shipped demonstration; what a pilot gets wrong is told in a line."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner

from tests.cubes import QUIET
from tests.halves import spread
from tests.question.test_brief import SITE, brief, quiet
from wxfly.assessment.suitability import State
from wxfly.cli import main
from wxfly.errors import WxflyError
from wxfly.pilot.options import read_words
from wxfly.question import field_check
from wxfly.question.ask import ask_brief
from wxfly.report.command_facts.brief import BriefFacts
from wxfly.report.command_facts.field_check import CheckFacts, check_facts
from wxfly.report.facts import writing
from wxfly.report.schemas import schema
from wxfly.report.text.field_check import CheckWords


@cache
def check(**options):
    return field_check.ask_check(SITE, read_words({"mean": "3m/s", **options}), on_progress=quiet)


def test_a_code_of_rain_in_the_hours_of_the_flight_says_wait(monkeypatch) -> None:
    _, told, _ = check_with_code(80, 15, monkeypatch, hours=2, precipitation_amount=0.06)
    assert "wait; slight rain forecast now: precipitation, 0.2 of 0.1 mm/h" in told


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"mean": "6m/s", "gust": "4m/s"}, "are they swapped"),
        ({"mean": "-1m/s"}, "below zero"),
        ({"mean": "strong"}, "is not a speed"),
        ({"anemometer_height": "40m"}, "out of reach"),
    ],
)
def test_what_a_pilot_gets_wrong_in_a_check(options, words) -> None:
    with pytest.raises(WxflyError, match=words):
        check(**options)


def test_a_reading_changes_the_rest_of_the_day_and_says_so() -> None:
    calm, strong = check(mean="1.5m/s", gust="2m/s"), check(mean="9m/s", gust="14m/s")
    winds = [a.briefing.answers[0].conditions["wind_speed"].isel(edge=0).values for a in (calm, strong)]
    known = ~np.isnan(winds[0])
    assert (winds[0][known] < winds[1][known]).all()
    gap = (winds[1] - winds[0])[known]
    assert gap[0] > gap[-1]  # it fades
    assert "corrected by your reading" in " ".join(strong.briefing.notes)
    assert strong.briefing.answers[0].start == strong.briefing.now


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("units", "height", "speed", "degrees"),
    spread([("imperial", "ft", "mph", "degF"), ("metric", "m", "m/s", "degC"), ("aviation", "ft", "kt", "degC")], 3),
)  # fmt: skip
def test_a_number_without_a_unit_is_in_the_units_of_the_answer(units, height, speed, degrees) -> None:
    bare = {"height": "150", "mean": "8", "gust": "13", "temperature": "41", "anemometer_height": "6"}
    given = {
        "height": f"150{height}", "mean": f"8{speed}", "gust": f"13{speed}", "temperature": f"41{degrees}",
        "anemometer_height": f"6{height}",
    }  # fmt: skip
    if units == "metric":
        bare["height"], given["height"] = "80", "80m"
    for options in (bare, given):
        options["units"] = units
    without, with_units = check(**bare), check(**given)
    assert without.correction.reading == with_units.correction.reading
    assert without.correction.height == with_units.correction.height
    flown = {
        "distance": "90",
        "return_height": "100",
        "battery_temperature": "20",
        "height": "99",
        "work": "3",
        "payload": "40",
    }
    unit_of = dict.fromkeys(("distance", "return_height", "height"), height)
    unit_of |= {"battery_temperature": degrees, "work": "min", "payload": "g"}
    plans = []
    for options in (flown, {name: f"{value}{unit_of[name]}" for name, value in flown.items()}):
        made = brief(**options, units=units).briefing
        plans.append((made.answers[0].request.sortie, made.answers[0].request.height))
    assert repr(plans[0]) == repr(plans[1])  # what is not given is NaN, which equals nothing
    at = ask_brief("Kelderness@99", read_words({"units": units}), on_progress=quiet).briefing.answers[0].request
    assert at.height == plans[0][1]


def test_a_ceiling_in_feet_is_the_ceiling() -> None:
    """394 ft is 120.09 m, and 120 m is told as 394 ft; 395 ft is another height."""
    asked = field_check.ask_check(SITE, read_words({"mean": "3", "height": "394ft"}), on_progress=quiet)
    assert asked.correction.height == pytest.approx(120.0912)
    with pytest.raises(WxflyError, match="above the height limit"):
        check(height="395ft")
    with pytest.raises(WxflyError, match="above the height limit"):
        check(height="120.11m")
    assert writing.height_down(120.0, "imperial") == "393 ft"
    assert writing.height_down(120.0, "metric") == "120 m"
    done = CliRunner().invoke(main, ["brief", SITE, "--units", "imperial"])
    assert "Usable height: 393 ft above ground" in done.output


def reading_line(*words: str) -> str:
    """Return the verdict of a field check."""
    done = CliRunner().invoke(main, ["check", *words])
    assert done.exit_code == 0, done.output
    told = done.output.partition("Weight: ")[0]
    return " ".join(line.strip() for line in told.splitlines())


CALM_DAY = ("Valdrenna", "--as-of", "2026-03-14T15:00Z")


@pytest.mark.parametrize(
    ("mean", "gust", "words"),
    [
        (
            "1.5",
            "2.5",
            "in doubt: wait; icing at 60 m possible; precipitation 2 in 10",
        ),
        ("9", "14", "do not launch; a limit is more likely passed than kept"),
        ("3.1", "5.4", "in doubt: wait; the limits hold surely only with a mean below 3.0 and gust 4.8 m/s"),
        ("1.5", None, "in doubt: wait; the gust was not read"),
        ("0.3", "0.8", "in doubt: wait; below 1.0 m/s an anemometer in the hand may stand still"),
    ],
)
def test_the_verdict_of_a_reading(mean, gust, words) -> None:
    """The first line says what to do, where and when; the next but the notes says why."""
    verdict, _, why = words.partition("; ")
    doubt, _, way_out = verdict.partition(": ")
    told = reading_line(*CALM_DAY, "--mean", mean, *(["--gust", gust] if gust else []))
    first, _, rest = told.partition(f"{doubt} at Valdrenna, Sat 14 Mar 16:00")
    assert first.endswith(": ") and len(first.split()) <= 14
    assert rest.startswith(f": {way_out}." if way_out else ".")
    assert f"Why: {why}" in rest


@pytest.mark.parametrize(("mean", "gust"), spread([("1.5", "2.5"), ("3.1", "5.4"), ("0", None), ("0.3", "0.3")], 2))
def test_no_reading_is_a_leave_to_launch_into_a_storm(mean, gust) -> None:
    told = reading_line(SITE, "--mean", mean, *(["--gust", gust] if gust else []))
    assert ": do not launch at Kelderness, " in told
    assert "Why: by the forecast, " in told
    assert ("you may stand in a lee; read again in the open" in told) == (float(mean) >= 1)
    assert "of 10.7 m/s" in told
    assert "wait" not in told


def test_a_calm_reading_in_a_lee_is_no_leave_to_launch() -> None:
    """The forecast has gusts of 13 m/s at 8 m, over the limit; behind a barn the anemometer shows 1.2."""
    for place, now, mean, gust in (("Whistlebrush", "19", "1", "1.2"), (SITE, "11", "1.5", "2.2")):
        words = (place, "--as-of", f"2026-03-14T{now}:00Z", "--mean", mean, "--gust", gust, "--height", "8m")
        told = reading_line(*words)
        assert f"do not launch at {place}, " in told
        assert f"far below the forecast at 2 m: your mean ({float(mean)}, forecast " in told
        assert f"gust ({gust}, forecast 10." in told


def test_what_is_unknown_in_the_hours_of_the_flight_is_said_once(monkeypatch) -> None:
    lost = {"precipitation_amount": np.nan, "visibility_in_air": np.nan, "cloud_base_altitude": np.nan}
    _, told, lines = check_with_code(95, 15, monkeypatch, **lost)
    assert told.startswith("do not launch; a storm")
    assert lines["Beside"].count("not known in the hours of the flight: visibility and cloud base") == 1
    assert lines["Beside"].count("in the hours of the flight") == 1


def test_a_limit_passed_on_the_way_back_names_its_height() -> None:
    words = ("--mean", "3", "--gust", "6.1", "--height", "8m", "--return-height", "60m", "--distance", "300m")
    told = reading_line(*CALM_DAY, *words)
    wanted = "Why: a limit is more likely passed than kept: gust at 60 m, on the way back; at 8 m alone"
    assert wanted in told


SUMMER = ("Valdrenna", "--forecast", "cached_forecasts/high-summer.nc", "--as-of")
NOON, EVENING = "2026-07-14T12:00Z", "2026-07-14T19:00Z"


@pytest.mark.parametrize(
    ("now", "read", "way_out", "height"),
    [
        (NOON, ("1", "1.5", "10m"), "do not launch yet; read again in the open", "at no height"),
        *(
            pytest.param(*row, marks=pytest.mark.thorough)
            for row in (
                (EVENING, ("0.3", "0.8", "60m"), "do not launch yet; read again in the open", "at no height"),
                (EVENING, ("1.5", None, "60m"), "do not launch yet; read the gust too", "at no height"),
            )
        ),
        (EVENING, ("3", "5.2", "60m"), "fly no higher than 25 m, or wait", "up to 25 m above ground"),
    ],
)
def test_in_doubt_lower_is_a_way_out_only_with_a_height_that_passes(now, read, way_out, height) -> None:
    mean, gust, asked = read
    words = (*SUMMER, now, "--mean", mean, *(["--gust", gust] if gust else []))
    told = reading_line(*words, "--height", asked)
    assert f"00: {way_out}. " in told and "in doubt at Valdrenna" in told
    assert f"Height: within limits {height}, by this reading" in told
    if height.startswith("up to"):
        assert "the limits of wind and gust hold at Valdrenna" in reading_line(*words, "--height", "25m")


@pytest.mark.parametrize(
    ("height", "read", "moment"),
    [
        ("80m", ("4m/s", "6.8m/s"), "12:40"),
        *(
            pytest.param(height, read, moment, marks=pytest.mark.thorough)
            for height in ("15m", "80m")
            for read in (("4m/s", "6.8m/s"), ("5m/s", "8.5m/s"), ("3m/s", "9m/s"))
            for moment in ("12:00", "12:40")
        ),
    ],
)
def test_no_hour_is_judged_by_less_than_the_wind_and_gust_of_now(moment, read, height) -> None:
    options = {"forecast_path": Path(SUMMER[2]), "as_of": f"2026-07-14T{moment}Z", "mean": read[0], "gust": read[1]}
    asked = field_check.ask_check("Valdrenna", read_words({**options, "height": height}), on_progress=quiet)
    facts = check_facts(asked)
    demands = {element.name: element.demand for element in facts.answer.sites[0].elements}
    for element, now in (("wind", facts.reading.wind_now), ("gust", facts.reading.gust_now)):
        assert demands[element][facts.worst_hours[element]] >= now - 1e-6


def test_the_answer_that_follows_a_check_says_of_when_it_is() -> None:
    done = CliRunner().invoke(main, ["check", *SUMMER, NOON, "--mean", "5", "--gust", "8.5", "--height", "80m"])
    told = " ".join(done.output.split())
    assert "do not launch at Valdrenna" in told
    assert "Later today: room to fly at Valdrenna, Tue 14 Jul 21:00" in told
    assert told.count("Invented, do not fly by this") == 1  # said once, in the first line


def test_a_plan_beyond_sight_is_named_in_a_check_too() -> None:
    words = ("--distance", "800m", "--work", "5min")
    assert "Mind: 800 m is beyond 102 m, where you still see which way it points" in reading_line(
        *CALM_DAY, "--mean", "1.5", "--gust", "2.5", *words
    )
    assert "Mind: " not in reading_line(*CALM_DAY, "--mean", "1.5", "--gust", "2.5")


def test_what_else_is_against_a_launch_is_named_beside_the_wind() -> None:
    told = reading_line("Valdrenna", "--mean", "1.5", "--gust", "2.5")
    assert "in doubt at Valdrenna, Sat 14 Mar 07:00: wait." in told
    assert "forecast now: precipitation, " in told
    assert "hold" not in told


QUIET_AIR = (
    "air_temperature", "air_temperature_aloft", "dew_point_temperature", "relative_humidity", "precipitation_amount",
    "precipitation_probability", "weather_code", "low_type_cloud_area_fraction", "cloud_base_altitude",
    "visibility_in_air", "atmosphere_convective_available_potential_energy", "lifted_index",
)  # fmt: skip


def check_with_code(
    code: float, first: int, monkeypatch: pytest.MonkeyPatch, *, hours: int = 1, now: int = 15, **lost: object
):
    """Check a good reading in quiet air, with a weather code and other values in stamps from a first hour on.

    Returns the check, its verdict and why, and the lines.
    """

    def with_code(question, *, on_progress):
        prepared = prepare(question, on_progress=on_progress)
        cube = prepared.cube.copy(deep=True)
        for name in QUIET_AIR:
            cube[name].values[:] = np.where(np.isnan(cube[name].values), np.nan, np.min(QUIET[name]))
        at = int((np.datetime64(f"2026-03-14T{first:02d}") - cube["time"].values[0]) / np.timedelta64(1, "h"))
        for name, value in {"weather_code": code, **lost}.items():
            cube[name].values[at : at + hours] = value
        return replace(prepared, cube=cube)

    prepare = field_check.prepare
    monkeypatch.setattr(field_check, "prepare", with_code)
    given = read_words({"mean": "1.5m/s", "gust": "2.5m/s", "as_of": f"2026-03-14T{now:02d}:00Z"})
    asked = field_check.ask_check("Valdrenna", given, on_progress=quiet)
    monkeypatch.undo()
    words = CheckWords(check_facts(asked))
    assert words.first_line().endswith(f"{words.verdict()}.")
    verdict = words.verdict().replace(f" at Valdrenna, Sat 14 Mar {now + 1:02d}:00", "")
    return asked, f"{verdict}; {words.why()}", dict(words.lines())


def test_a_quiet_reading_in_a_quiet_hour_holds(monkeypatch) -> None:
    _, told, lines = check_with_code(1, 15, monkeypatch)
    assert told.startswith(
        "the limits of wind and gust hold; 9 in 10; at worst during the flight (45 min) wind at 60 m, 4.1 of 8.5 m/s"
    )
    assert "Beside" not in lines


CAPE = "atmosphere_convective_available_potential_energy"
SATURATED = {"dew_point_temperature": 279.1, "relative_humidity": 0.99, "air_temperature": 279.2}


@pytest.mark.parametrize(
    ("code", "hour", "said"),
    [
        (
            51,
            {"precipitation_amount": 0.06, "precipitation_probability": 0.87},
            "slight drizzle forecast now, 9 in 10 to be over the limit",
        ),
        (2, {CAPE: 3000.0, "lifted_index": -6.0}, "thunderstorm possible"),
        (2, {**SATURATED, "wind_speed": 1.2, "wind_speed_of_gust": 2.0, "now": 6}, "fog possible"),
        (2, {"precipitation_probability": 0.9}, "precipitation 9 in 10"),
        (2, {"precipitation_amount": np.nan}, "not known in the hours of the flight: precipitation"),
    ],
)
def test_a_hazard_in_the_hours_of_the_flight_is_in_doubt_and_named(code, hour, said, monkeypatch) -> None:
    _, told, _ = check_with_code(code, hour.get("now", 15), monkeypatch, hours=2, **hour)
    assert told.startswith(f"in doubt: wait; {said}")
    assert "hold" not in told


@pytest.mark.parametrize("code", [18, 95])
def test_a_squall_or_storm_one_or_two_hours_off_is_no_90_in_100(code, monkeypatch) -> None:
    for first, share in ((17, 55), (18, 15)):  # of the hours from 16:00, and from 17:00
        asked, told, lines = check_with_code(code, first, monkeypatch)
        assert "in doubt: do not launch yet; wait; thunderstorm forecast from 1" in told
        assert "hold" not in told
        storm = asked.verdict.coming[0]
        assert storm.chance > share / 100
        assert f"{writing.in_ten(storm.chance)} to reach the flight" in told
        assert "thunderstorm" not in lines.get("Beside", "")


@pytest.mark.thorough
def test_what_comes_later_is_told_and_a_storm_now_is_no_launch(monkeypatch) -> None:
    _, told, lines = check_with_code(95, 20, monkeypatch)
    assert "gust hold; 9 in 10" in told
    assert "Beside" not in lines
    _, told, lines = check_with_code(95, 19, monkeypatch)
    assert "gust hold; 9 in 10" in told
    assert lines["Beside"].startswith("thunderstorm forecast from 19:00 on: ")
    _, told, lines = check_with_code(95, 15, monkeypatch)
    assert told == ("do not launch; a storm is forecast for the hours of the flight")
    assert lines["Beside"].startswith("slight rain forecast now: precipitation, ")
    _, told, _ = check_with_code(95, 14, monkeypatch)
    assert "do not launch yet; wait; thunderstorm forecast until 16:00" in told


@pytest.mark.thorough
def test_rain_and_gust_beside_a_flight_count(monkeypatch) -> None:
    _, told, _ = check_with_code(63, 17, monkeypatch)
    assert "do not launch yet; wait; precipitation outside the limit forecast from 17:00 on" in told
    _, told, _ = check_with_code(1, 17, monkeypatch, wind_speed_of_gust=16.0)
    assert "do not launch yet; wait; gust outside the limit forecast from 17:00 on" in told


def test_an_hour_beside_that_is_not_known_is_no_90_in_100(monkeypatch) -> None:
    _, told, _ = check_with_code(1, 17, monkeypatch, wind_speed_of_gust=np.nan)
    assert "do not launch yet; wait; not known from 17:00 on: gust" in told


@pytest.mark.thorough
def test_a_reading_that_changes_nothing_says_so() -> None:
    told = check(mean="0.5m/s")
    assert "changes nothing in the forecast" in " ".join(told.briefing.notes)
    done = CliRunner().invoke(main, ["check", SITE, "--mean", "0.5"])
    assert "takes nothing off: below 1.0 m/s the anemometer may stand still" in " ".join(done.output.split())


@pytest.mark.thorough
def test_a_temperature_in_the_sun_is_told_and_one_of_no_air_refused() -> None:
    done = CliRunner().invoke(main, ["check", SITE, "--mean", "3", "--gust", "5", "--temperature", "40degC"])
    assert "so far from the forecast it makes no hour better" in " ".join(done.output.split())
    with pytest.raises(WxflyError, match="not possible in shaded air"):
        check(temperature="60degC")


@pytest.mark.thorough
def test_a_reading_makes_nothing_better_that_was_not_read() -> None:
    options = {"as_of": "2026-03-14T15:00Z"}
    plain = field_check.ask_check("Valdrenna", read_words({"mean": "0m/s", **options}), on_progress=quiet)
    read = field_check.ask_check(
        "Valdrenna", read_words({"mean": "1.2m/s", "temperature": "9degC", **options}), on_progress=quiet
    )
    before, after = (a.briefing.answers[0].assessment for a in (plain, read))
    assert read.correction.added_wind < 0
    for element in ("gust", "wind_difference", "icing", "visibility", "cloud_base", "precipitation"):
        known = ~np.isnan(before["margin"].sel(element=element))
        assert (after["margin"].sel(element=element) <= before["margin"].sel(element=element))[known].all()


@pytest.mark.thorough
def test_no_reading_makes_an_unknown_hour_known() -> None:
    before = check(mean="8m/s", gust="13m/s").briefing.answers[0].assessment["state"].values
    after = check(mean="0m/s", gust="0m/s").briefing.answers[0].assessment["state"].values
    assert ((before == State.NOT_KNOWN) == (after == State.NOT_KNOWN)).all()


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("words", "whole"),
    [
        (("brief", SITE, "--json"), BriefFacts),
        (("check", *CALM_DAY, "--mean", "3.1", "--gust", "5.4", "--json"), CheckFacts),
        (("check", *CALM_DAY, "--mean", "0.3", "--json"), CheckFacts),
    ],
)  # fmt: skip
def test_brief_and_check_as_json_follow_their_schema(words, whole) -> None:
    done = CliRunner().invoke(main, list(words))
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    jsonschema.validate(told, schema(whole), cls=jsonschema.Draft202012Validator)
    assert told["answer"]["cautions"]
    assert told["launch"]["mean_stop"] >= told["launch"]["largest_mean"]
    if whole is CheckFacts:
        assert told["verdict"] == "in doubt"
        assert told["reasons"]
