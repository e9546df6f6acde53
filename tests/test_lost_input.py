"""Cases of lost and damaged input, each by its name: none makes an hour better."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.cubes import quiet_cube
from tests.halves import spread
from tests.mutations import BASES, judge, judge_members, make_reply, read
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import State, assess
from wxfly.cube.age import hide_stale
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.retrieval.obtained import run_of, since_of
from wxfly.sources.open_meteo.reply import parse_forecast


def undefined(document, key):
    document["hourly_units"][key] = "undefined"
    document["hourly"][key] = [None] * len(document["hourly"]["time"])
    return document


@pytest.mark.parametrize(
    "key", ["wind_gusts_10m", "weather_code", "dew_point_2m", "relative_humidity_2m", "visibility", "precipitation"]
)
def test_a_column_that_comes_undefined_leaves_the_hours_not_known(key):
    hours = judge(read(undefined(make_reply("storm"), key)))
    assert (hours.state == State.NOT_KNOWN).all()


def test_a_lost_level_with_a_jet_leaves_the_hours_not_known():
    jet = make_reply("jet")
    whole = judge(read(jet), height=120.0)
    assert (whole.state <= State.OUTSIDE).all()
    for key in ("wind_speed_120m", "wind_direction_120m"):
        undefined(jet, key)
    assert (judge(read(jet), height=120.0).state == State.NOT_KNOWN).all()


def test_a_visibility_of_500_m_once_lost_does_not_make_the_hour_inside():
    fog = make_reply("calm")
    fog["hourly"]["visibility"][12] = 500.0
    assert judge(read(fog)).state[12] == State.OUTSIDE
    fog["hourly"]["visibility"][12] = None
    assert judge(read(fog)).state[12] == State.NOT_KNOWN


def test_a_stuck_forecast_without_metadata_stays_too_old():
    now = datetime(2026, 6, 10, 6, tzinfo=UTC)
    run = now - timedelta(hours=40)
    reply = make_reply("calm", start=datetime(2026, 6, 10, tzinfo=UTC), hours=144)
    until = int((run + timedelta(days=5)).timestamp())
    for key, column in reply["hourly"].items():
        if key != "time":
            reply["hourly"][key] = [
                v if t <= until else None for t, v in zip(reply["hourly"]["time"], column, strict=True)
            ]
    body = json.dumps(reply).encode()
    known = parse_forecast(body, model="icon_eu", asked_units=True, retrieved=now, run=run)
    lost = parse_forecast(body, model="icon_eu", asked_units=True, retrieved=now, run=None)
    assert since_of(lost) == run_of(known)
    moment = np.datetime64("2026-06-10T06", "s")
    for cube in (known, lost):
        shown, notes = hide_stale(cube, moment, since=since_of(cube))
        assert shown["wind_speed"].isnull().all()
        assert "more than 36 h" in notes[0]


def test_cutting_the_first_hours_off_a_saved_reply_does_not_make_it_younger():
    whole = make_reply("calm", hours=72)
    now = np.datetime64("2026-06-11T14", "s")  # 38 h after its first hour
    for hours in (0, 5, 30):
        cut = json.loads(json.dumps(whole))
        cut["hourly"] = {key: column[hours:] for key, column in cut["hourly"].items()}
        shown, _ = hide_stale(read(cut), now, since=np.datetime64("NaT", "s"))
        assert shown["wind_speed"].isnull().all(), hours


def test_ground_where_there_is_none_is_refused():
    reply = make_reply("calm") | {"elevation": 9900.0}
    with pytest.raises(Exception, match="none on Earth"):
        read(reply)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"wind_gusts_10m": 0.5}, "a gust below the mean wind"),
        ({"dew_point_2m": 25.0}, "a dew point above the temperature"),
        ({"relative_humidity_2m": 99}, "a humidity that temperature and dew point contradict"),
        ({"temperature_2m": 59.0}, "a humidity"),  # degrees Fahrenheit
        ({"temperature_80m": 59.0}, "the air aloft contradicts"),
        ({"surface_pressure": 800.0}, "pressures"),
    ],
)
def test_columns_that_contradict_each_other_are_not_known_and_that_is_said(change, words):
    reply = make_reply("calm")
    for key, value in change.items():
        reply["hourly"][key][12] = value
    cube = read(reply)
    assert words in cube.attrs["contradictions"]
    hours = judge(cube)
    assert hours.state[12] == State.NOT_KNOWN or "pressures" in words
    assert hours.state[5] == State.INSIDE


def windy(hours=48):
    """Return a reply of a dry windy day that holds for a strong aircraft, and its keys of wind aloft."""
    reply = make_reply("calm", hours=hours)
    columns = reply["hourly"]
    for key in [k for k in columns if k.startswith(("wind_speed", "wind_gusts"))]:
        columns[key] = [2.5 * v for v in columns[key]]
    return reply, [k for k in columns if k.startswith("wind_speed") and k != "wind_speed_10m"]


@pytest.mark.parametrize("share", [0.0, 0.3])
def test_levels_far_below_the_wind_at_10_m_are_not_believed(share):
    reply, aloft = windy()
    assert not read(reply).attrs.get("contradictions")
    for key in aloft:
        reply["hourly"][key] = [share * v for v in reply["hourly"][key]]
    cube = read(reply)
    assert "a wind aloft far below the wind at 10 m" in cube.attrs["contradictions"]
    near = np.array(reply["hourly"]["wind_speed_10m"]) > 4.0
    assert near.any()
    assert cube["wind_speed"].isnull().all("height").values[near].all()


def test_a_gust_that_is_the_mean_wind_for_hours_is_not_believed():
    reply, _ = windy()
    reply["hourly"]["wind_gusts_10m"] = [v - 0.5 for v in reply["hourly"]["wind_speed_10m"]]
    cube = read(reply)
    assert "hardly above the mean wind for hours" in cube.attrs["contradictions"]
    assert cube["wind_speed_of_gust"].isnull().mean() > 0.5


@pytest.mark.parametrize("key", ["wind_speed_10m", "wind_gusts_10m"])
def test_a_wind_that_stands_still_for_half_a_day_is_not_known(key):
    reply = make_reply("calm", hours=48)
    reply["hourly"][key][10:24] = [reply["hourly"][key][10]] * 14
    assert "does not change for hours, in 14 hours" in read(reply).attrs["contradictions"]


@pytest.mark.parametrize("key", ["wind_speed_10m", "wind_gusts_10m", "temperature_2m"])
def test_a_column_that_stands_still_for_days_is_not_known(key):
    reply = make_reply("calm", hours=96)
    reply["hourly"][key][20:80] = [reply["hourly"][key][20]] * 60
    cube = read(reply)
    assert "does not change for " in cube.attrs["contradictions"]
    assert (judge(cube).state[21:78] == State.NOT_KNOWN).all()


@pytest.mark.parametrize(
    ("low_cloud", "state"), [(0.0, State.INSIDE), (0.01, State.NOT_KNOWN), (np.nan, State.NOT_KNOWN)]
)
def test_a_missing_cloud_base_is_lost_unless_there_is_no_low_cloud(low_cloud, state):
    cube = quiet_cube()
    cube["cloud_base_altitude"].values[:] = np.nan
    cube["low_type_cloud_area_fraction"].values[12] = low_cloud
    cube["low_type_cloud_area_fraction"].values[13] = 0.0
    limits = limits_for(find_aircraft("folding-quad-249g"))
    assert assess(derive(cube, height=60.0), limits)["state"][12] == state


@pytest.mark.parametrize("hours", spread([0, 18], 2))
def test_ten_stormy_members_lost_do_not_raise_the_chance(hours):
    whole, chance = judge_members(hours_lost=None)
    lost, poorer = judge_members(hours_lost=hours)
    assert whole < 0.8
    assert lost <= whole
    assert (poorer <= chance + 1e-9).all()


def test_the_bases_hold_in_some_hours_and_not_in_others():
    states = {name: judge(read(make_reply(name))).state for name in BASES}
    assert all((state == State.NOT_KNOWN).sum() <= 1 for state in states.values())
    assert (states["calm"] == State.INSIDE).any()
    assert (states["storm"] == State.OUTSIDE).any()


def test_paths_are_of_this_checkout():
    assert Path(__file__).name == "test_lost_input.py"
