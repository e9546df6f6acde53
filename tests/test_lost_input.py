"""Cases of lost and damaged input, each by its name: none makes an hour better."""

import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from tests.cubes import quiet_cube
from tests.halves import spread
from tests.mutations import (
    BASES,
    BERLIN,
    improvements,
    judge,
    judge_members,
    load_base,
    make_ensemble,
    make_reply,
    read,
)
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import State, assess
from wxfly.cli import main
from wxfly.cube.age import hide_stale, run_of, since_of
from wxfly.errors import WxflyError
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.pilot.site import Site
from wxfly.retrieval.files import open_forecast
from wxfly.sources.open_meteo.forecast import check_ground
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


@pytest.mark.parametrize(
    ("key", "unit", "water"), [("rain", "mm", 1), ("showers", "mm", 1), ("snowfall", "cm", 10 / 7)]
)
@pytest.mark.parametrize("suffix", ["", "_icon_eu"])
def test_a_part_of_the_precipitation_that_is_more_than_the_whole_counts(key, unit, water, suffix):
    reply = make_reply("calm")
    for place in ("hourly", "hourly_units"):
        reply[place] = {(k if k == "time" else k + suffix): v for k, v in reply[place].items()}
    reply["hourly_units"][key + suffix] = unit
    reply["hourly"][key + suffix] = [0.0] * 12 + [1.5, None] + [0.0] * 22
    reply["hourly"]["weather_code" + suffix][11:13] = [61, 61]  # with a clear sky the rain would not be believed
    dry = read(make_reply("calm"))["precipitation_amount"].values
    wet = read(reply)["precipitation_amount"].values
    assert wet[12] == pytest.approx(1.5 * water)
    assert np.isnan(wet[13])
    assert (np.delete(wet, [12, 13]) == np.delete(dry, [12, 13])).all()
    hours = judge(read(reply))
    assert hours.state[11] == State.OUTSIDE
    assert hours.state[12] <= State.OUTSIDE
    reply["hourly"].pop("precipitation" + suffix)
    assert np.isnan(read(reply).get("precipitation_amount", np.nan)).all()


def test_a_part_that_is_less_than_the_whole_or_that_a_model_does_not_carry_changes_nothing():
    reply = make_reply("storm")
    whole = read(reply)["precipitation_amount"].values
    reply["hourly_units"] |= {"rain": "mm", "showers": "undefined"}
    reply["hourly"] |= {"rain": [0.0] * 36, "showers": [None] * 36}
    assert (read(reply)["precipitation_amount"].values == whole).all()


LOSSES = {
    "null": lambda d, k: d["hourly"].update({k: [None] * len(d["hourly"]["time"])}),
    "undefined": undefined,
    "without its unit": lambda d, k: (d["hourly"].pop(k), d["hourly_units"].pop(k)),
    "without its values": lambda d, k: d["hourly"].pop(k),
}


@pytest.mark.parametrize("how", LOSSES)
@pytest.mark.parametrize("percent", [5, 60])
def test_a_lost_probability_of_rain_does_not_raise_the_chance(how, percent):
    reply = make_reply("calm")
    reply["hourly"]["precipitation_probability"] = [percent] * len(reply["hourly"]["time"])
    before = judge(read(reply))
    LOSSES[how](reply, "precipitation_probability")
    assert (judge(read(reply)).chance <= before.chance + 1e-9).all()
    assert (derive(read(reply), height=60.0)["precipitation_probability_is_lost"].values > 0).all()


def test_a_source_without_a_probability_of_rain_has_not_lost_it():
    reply = make_reply("calm")
    LOSSES["without its unit"](reply, "precipitation_probability")
    for model in ("knmi_harmonie_arome_europe", None):
        assert (derive(read(reply, model), height=60.0)["precipitation_probability_is_lost"].values == 0).all()


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


@pytest.mark.parametrize("ground", [8000.0, 400.0, None])
def test_a_reply_for_other_ground_than_was_asked_for_is_refused(ground, tmp_path):
    meadow = Site("meadow", 52.25, 6.8125, surface_altitude=40.0, time_zone="Europe/Amsterdam")
    reply = make_reply("calm") | {"elevation": ground}
    cube = parse_forecast(json.dumps(reply).encode(), model="icon_eu", asked_units=True, names=["meadow"])
    with pytest.raises(WxflyError, match="the answer is for ground at"):
        check_ground(cube, [meadow], "a reply")
    path = tmp_path / "saved.json"
    path.write_text(json.dumps(reply), encoding="utf-8")
    if ground is not None:
        with pytest.raises(WxflyError, match=f"it is for ground at {ground:.0f} m, meadow is at 40 m"):
            open_forecast(path, ["meadow"], saved={"meadow": meadow})


def test_a_saved_reply_without_the_altitude_of_its_ground_says_so(tmp_path):
    path = tmp_path / "saved.json"
    for reply, words in ((make_reply("calm"), []), (make_reply("calm") | {"elevation": None}, ["52.25, 6.81"])):
        path.write_text(json.dumps(reply), encoding="utf-8")
        notes = open_forecast(path, model="icon_eu", now=np.datetime64(reply["hourly"]["time"][0], "s")).notes
        told = [note for note in notes if "altitude of the ground" in note]
        assert len(told) == len(words)
        assert all(word in note for word, note in zip(words, told, strict=True))


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
    assert hours.state[12] == State.NOT_KNOWN
    assert hours.state[5] == State.INSIDE


@pytest.mark.parametrize(
    ("key", "unit"),
    [("wind_speed_80m", "km/h"), ("wind_gusts_10m", "kn"), ("wind_speed_10m", "mp/h"), ("temperature_2m", "°F"),
     ("dew_point_2m", "°F"), ("visibility", "ft")],
)  # fmt: skip
def test_one_column_in_a_unit_of_its_own_is_refused(key, unit):
    reply = make_reply("storm")
    reply["hourly_units"][key] = unit
    with pytest.raises(WxflyError, match=f"{key}.* in '{unit}'.*wanted one unit"):
        read(reply)


def scaled(reply, share, *keys):
    for key in keys:
        reply["hourly"][key] = [round(share * v, 2) for v in reply["hourly"][key]]
    return reply


ALOFT = ("wind_speed_80m", "wind_speed_120m", "wind_speed_180m")
DAMAGES = {
    "a level in km/h told as m/s": lambda r: scaled(r, 1 / 3.6, "wind_speed_80m"),
    "a level in knots told as m/s": lambda r: scaled(r, 1 / 1.944, "wind_speed_80m"),
    "all levels aloft in km/h told as m/s": lambda r: scaled(r, 1 / 3.6, *ALOFT),
    "gusts in km/h told as m/s": lambda r: scaled(r, 1 / 3.6, "wind_gusts_10m"),
    "gusts in knots told as m/s": lambda r: scaled(r, 1 / 1.944, "wind_gusts_10m"),
    "the levels of 10 and 80 m swapped": lambda r: swap(r, "wind_speed_10m", "wind_speed_80m"),
    "the levels of 10 and 120 m swapped": lambda r: swap(r, "wind_speed_10m", "wind_speed_120m"),
    "no rain in hours of rain": lambda r: put(r, "precipitation", 0.0),
    "clear sky in hours of rain": lambda r: put(r, "weather_code", 0),
    "a dew point above the temperature": lambda r: put(r, "dew_point_2m", 30.0),
    "temperature six hours late": lambda r: put(
        r, "temperature_2m", r["hourly"]["temperature_2m"][-6:] + r["hourly"]["temperature_2m"][:-6]
    ),
}


def swap(reply, one, other):
    columns = reply["hourly"]
    columns[one], columns[other] = columns[other], columns[one]
    return reply


def put(reply, key, value):
    hours = len(reply["hourly"]["time"])
    reply["hourly"][key] = value if isinstance(value, list) else [value] * hours
    return reply


@pytest.mark.parametrize("damage", spread(DAMAGES, 3))
def test_a_column_that_others_contradict_for_hours_makes_no_hour_better(damage):
    """Storm, with more wind: in the light wind of the other bases some of these look like real weather."""
    reply = scaled(make_reply("storm"), 1.5, "wind_speed_10m", "wind_gusts_10m", *ALOFT)
    reply["hourly"]["precipitation"] = [2 * v for v in reply["hourly"]["precipitation"]]
    whole = read(reply)
    assert "contradictions" not in whole.attrs
    damaged = read(DAMAGES[damage](reply))
    assert "contradicts itself" in damaged.attrs["contradictions"]
    assert improvements(judge(whole), judge(damaged)) == []


def test_a_frost_in_fahrenheit_told_as_celsius_is_no_mild_day():
    reply = make_reply("winter")
    whole = judge(read(reply))
    for key in ("temperature_2m", "dew_point_2m"):
        put(reply, key, [round(1.8 * v + 32, 1) for v in reply["hourly"][key]])
    cube = read(reply)
    assert "contradicts itself" in cube.attrs["contradictions"]
    assert improvements(whole, judge(cube)) == []


@pytest.mark.skipif(not BERLIN.is_file(), reason="the real reply is not beside this checkout")
def test_local_hours_of_an_offset_that_their_zone_never_has_are_refused():
    reply = load_base("berlin")
    assert "contradictions" not in read(reply, None).attrs
    for offset in (0, 10800):
        with pytest.raises(WxflyError, match=f"utc_offset_seconds {offset} is not of Europe/Berlin"):
            read(reply | {"utc_offset_seconds": offset}, None)


def test_a_level_that_all_members_have_lost_is_not_as_one_that_they_never_had():
    reply = make_ensemble()
    for key in [k for k in reply["hourly"] if "_80m" in k]:
        reply["hourly"][key] = [None] * len(reply["hourly"]["time"])
    lost, hours = judge_members(reply)
    assert np.isnan(lost)
    assert np.isnan(hours).all()


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
    limits = limits_for(find_aircraft("camera-quad-250g"))
    assert assess(derive(cube, height=60.0), limits)["state"][12] == state


@pytest.mark.parametrize("hours", spread([0, 18], 2))
def test_ten_stormy_members_lost_do_not_raise_the_chance(hours):
    whole, chance = judge_members(hours_lost=None)
    lost, poorer = judge_members(hours_lost=hours)
    assert whole < 0.8
    assert lost <= whole
    assert (poorer <= chance + 1e-9).all()


def _without_members(reply, lost):
    """Leave members out of a reply of an ensemble."""
    for place in ("hourly", "hourly_units"):
        reply[place] = {k: v for k, v in reply[place].items() if int(k.partition("_member")[2] or 0) not in lost}
    return reply


def _lose(reply, members, name, first, last):
    """Lose hours of some members, of one column or (with an empty name) of all."""
    for key, column in reply["hourly"].items():
        plain, _, member = key.partition("_member")
        if key != "time" and int(member or 0) in members and name in ("", plain):
            reply["hourly"][key] = [*column[:first], *[None] * (last - first), *column[last:]]
    return reply


def _answer_of_members(reply, tmp_path, *words):
    """Answer from a saved reply of an ensemble, as the command does; return the text that it writes."""
    path = tmp_path / "members.json"
    path.write_text(json.dumps(reply), encoding="utf-8")
    asked = ("best", "--forecast", str(path), "--model", "icon_eu_eps", "--as-of", "2026-06-10T03:00Z", *words)
    result = CliRunner().invoke(main, asked)
    assert result.exit_code == 0, result.output
    return result.output


LOST_MEMBERS = {
    "one at the end": ({39}, "1 of 40 members of icon_eu_eps did not come: it counts as breaking a limit"),
    "one between": ({5}, "1 of 40 members of icon_eu_eps did not come: it counts as breaking a limit"),
    "ten": (range(30, 40), "10 of 40 members of icon_eu_eps did not come: they count as breaking a limit"),
    "half": (range(20, 40), "20 of 40 members of icon_eu_eps did not come: they count as breaking a limit"),
}


def is_noted_first(told, words):
    """Say whether the first line of an answer sends the reader to the note, and the note comes before all else."""
    one_line = " ".join(told.split())
    verdict, _, rest = one_line.partition(". Note ")
    return "ee the note" in verdict[:45] and rest.startswith(words)


@pytest.mark.parametrize("which", LOST_MEMBERS)
def test_members_that_did_not_come_are_told_first_and_the_answer_still_comes(which, tmp_path):
    lost, words = LOST_MEMBERS[which]
    told = _answer_of_members(_without_members(make_ensemble(calm=40, stormy=0, hours=48), lost), tmp_path)
    assert is_noted_first(told, words)
    assert "nan" not in told
    assert re.search(r"; \d in 10", " ".join(told.split()))


@pytest.mark.thorough
def test_members_that_stop_before_the_others_are_told_first_and_leave_a_chance(tmp_path):
    reply = make_ensemble(calm=40, stormy=0, hours=48)
    whole = json.loads(_answer_of_members(reply, tmp_path, "--json"))["sites"][0]["hours"]["chance"]
    _lose(reply, range(30, 40), "", 36, 48)  # the last that they know is of 13:00 on the site's clock
    told = _answer_of_members(reply, tmp_path)
    words = "10 of 40 members of icon_eu_eps stop at 13:00 CEST: they count as breaking a limit"
    assert is_noted_first(told, words)
    answer = json.loads(_answer_of_members(reply, tmp_path, "--json"))
    assert {"kind": "members", "text": words} in answer["notes"]
    chance = answer["sites"][0]["hours"]["chance"]
    lost = np.flatnonzero(np.array(answer["sites"][0]["hours"]["start"]) >= "2026-06-11T11:00:00Z")
    assert all(chance[i] is not None and chance[i] < whole[i] for i in lost)


def test_members_without_a_gust_are_told_first_with_the_hours(tmp_path):
    reply = _lose(make_ensemble(calm=40, stormy=0, hours=48), range(1, 40, 2), "wind_gusts_10m", 38, 44)
    words = "20 of 40 members of icon_eu_eps have no gust from 15:00 to 21:00 CEST: they count as breaking a limit"
    assert is_noted_first(_answer_of_members(reply, tmp_path), words)
    assert {"kind": "members", "text": words} in json.loads(_answer_of_members(reply, tmp_path, "--json"))["notes"]


def test_of_two_sites_the_one_whose_members_have_a_gap_is_named(tmp_path):
    whole = make_ensemble(calm=40, stormy=0, hours=48) | {"latitude": 52.5}
    gap = _lose(make_ensemble(calm=40, stormy=0, hours=48), [7], "wind_gusts_10m", 38, 44)
    path = tmp_path / "members.json"
    path.write_text(json.dumps([gap, whole]), encoding="utf-8")
    asked = ("--forecast", str(path), "--model", "icon_eu_eps", "--as-of", "2026-06-10T03:00Z")
    result = CliRunner().invoke(main, ["compare", "52.25,6.8125", "52.5,6.8125", *asked])
    assert result.exit_code == 0, result.output
    told = " ".join(result.output.split())
    words = "52.2500, 6.8125: 1 of 40 members of icon_eu_eps has no gust from 15:00 to 21:00 CEST"
    assert is_noted_first(result.output, words)
    assert told.count("of 40 members") == 1


@pytest.mark.thorough
@pytest.mark.parametrize("name", ["wind_gusts_10m", "precipitation", "wind_speed_10m", "temperature_2m"])
def test_what_all_members_have_lost_is_not_taken_from_the_one_forecast(name):
    reply = make_ensemble()
    whole, _ = judge_members(reply)
    for key in [k for k in reply["hourly"] if k.partition("_member")[0] == name]:
        undefined(reply, key)
    lost, hours = judge_members(reply)
    assert np.isfinite(whole)
    assert np.isnan(lost)
    assert np.isnan(hours).all()


def test_the_bases_hold_in_some_hours_and_not_in_others():
    states = {name: judge(read(make_reply(name))).state for name in BASES}
    assert all((state == State.NOT_KNOWN).sum() <= 1 for state in states.values())
    assert (states["calm"] == State.INSIDE).any()
    assert (states["storm"] == State.OUTSIDE).any()


def test_paths_are_of_this_checkout():
    assert Path(__file__).name == "test_lost_input.py"
