"""Ensembles, verification and the ledger over a socket: from the command line to the answer."""

import json
import re
from datetime import UTC, datetime, timedelta

import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner

from wxfly.cli import main
from wxfly.history import ledger
from wxfly.history.verification import records_file
from wxfly.report.schemas import schema_of
from wxfly.times import utc_now

MEADOW = "52.1,6.9"


def run(*arguments, code=0):
    done = CliRunner().invoke(main, list(arguments))
    assert done.exit_code == code, done.output
    return done


@pytest.fixture
def meadow(server):
    run("sites", "add", "meadow", MEADOW, "--surface-altitude", "30m", "--surface-cover", "open")
    return server


def answer(*arguments):
    return json.loads(run(*arguments, "--json").stdout)


@pytest.mark.thorough
def test_an_ensemble_beside_the_forecast(meadow):
    found = answer("best", "meadow", "--model", "icon_eu", "--ensemble", "icon_eu_eps")
    assert found["sites"][0]["chance_basis"] == {
        "member_count": 40,
        "models": ["icon_eu_eps"],
        "single_forecast": False,
        "ensemble_notes": [],
        "spread_of_source": [],
    }
    hours = found["sites"][0]["hours"]
    by_hour = list(zip(*hours["members"]["gust"], strict=True))
    assert by_hour
    assert all(list(gusts) == sorted(gusts) for gusts in by_hour)
    assert all(0 < chance < 1 for chance in hours["chance"] if chance is not None)
    text = run("best", "meadow", "--model", "icon_eu", "--ensemble", "icon_eu_eps", "--more").stdout
    assert "40 members of icon_eu_eps" in " ".join(text.split())


@pytest.mark.thorough
def test_members_are_asked_for_once_and_serve_offline(meadow):
    run("best", "meadow", "--model", "icon_eu", "--ensemble", "icon_eu_eps")
    run("week", "meadow", "--model", "icon_eu", "--ensemble", "icon_eu_eps")
    assert len(meadow.asked("ensemble")) == 1
    found = answer("best", "meadow", "--model", "icon_eu", "--ensemble", "icon_eu_eps", "--offline")
    assert found["sites"][0]["chance_basis"]["member_count"] == 40


@pytest.mark.thorough
def test_two_sites_and_two_ensembles(meadow):
    run("sites", "add", "quarry", "51.6,7.4", "--surface-altitude", "90m")
    found = answer("compare", "meadow", "quarry", "--model", "icon_eu", "--ensemble", "icon_eu_eps,icon_d2_eps")
    assert [site["chance_basis"]["member_count"] for site in found["sites"]] == [60, 60]
    shares = [s for s in found["comparison"]["chance_better"] if s and None not in s]
    assert shares
    assert all(sum(s) == pytest.approx(1, abs=1e-5) for s in shares)


@pytest.mark.thorough
def test_several_models_as_a_small_ensemble(meadow):
    found = answer("best", "meadow", "--model", "icon_eu", "--ensemble", "icon_eu,ecmwf_ifs025,ncep_gfs_global")
    assert found["sites"][0]["chance_basis"]["member_count"] == 3
    assert any("3 models taken as members" in note["text"] for note in found["notes"])
    one = answer("best", "meadow", "--model", "icon_eu", "--ensemble", "ecmwf_ifs025")
    assert one["sites"][0]["chance_basis"]["single_forecast"]
    assert any("is not an ensemble" in note["text"] for note in one["notes"])


def test_an_ensemble_that_fails_is_told_and_the_answer_stands(meadow):
    from tests.server import Fault

    meadow.always["ensemble"] = Fault(400, body=b'{"error":true,"reason":"Daily limit"}')
    found = answer("best", "meadow", "--model", "icon_eu", "--ensemble", "icon_eu_eps")
    assert found["sites"][0]["chance_basis"]["single_forecast"]
    assert any("icon_eu_eps does not take part" in note["text"] for note in found["notes"])


def test_names_that_are_no_ensemble(meadow):
    done = run("best", "meadow", "--ensemble", "icon_eu_ep", code=1)
    assert "icon_eu_eps" in done.output
    done = run("best", "Kelderness", "--ensemble", "icon_eu_eps", code=1)
    assert "leave --ensemble out" in done.output


# --- verification -------------------------------------------------------------------------------------------------


def observations(path, days=40, *, ratio=0.8, rows=None):
    """Write a file of a station that shows less wind than the played weather of the meadow."""
    from tests.server import MODELS, _place

    query = {"hourly": "wind_speed_10m,wind_gusts_10m", "timeformat": "unixtime", "wind_speed_unit": "ms"}
    start = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0) - timedelta(days=days)
    assert "icon_eu" in MODELS
    place = _place("icon_eu", 52.1, 6.9, start, 24 * days, query)["hourly"]
    lines = ["time,wind_speed [m/s],wind_speed_of_gust [m/s]"]
    for second, wind, gust in zip(place["time"], place["wind_speed_10m"], place["wind_gusts_10m"], strict=True):
        moment = datetime.fromtimestamp(second + 300, UTC)
        lines.append(f"{moment:%Y-%m-%dT%H:%MZ},{wind * ratio:.2f},{gust * ratio:.2f}")
    path.write_text("\n".join([*lines, *(rows or [])]) + "\n", encoding="utf-8")
    return str(path)


@pytest.mark.thorough
def test_past_forecasts_against_a_file(meadow, tmp_path):
    mine = observations(tmp_path / "mine.csv")
    text = run("verify", "meadow", "--observed", mine, "--model", "icon_eu", "--past").stdout
    assert "the service's past forecasts" in text
    assert "by sector" in text
    assert "24 to 72 h" in text
    assert "could be learned with --learn" in text
    assert not records_file().exists()
    found = answer("verify", "meadow", "--observed", mine, "--model", "icon_eu", "--past")
    jsonschema.Draft202012Validator(schema_of("verify")).validate(found)
    assert found["learned"]["is_kept"] is False
    assert {row["element"] for row in found["errors"]} == {"wind", "gust"}
    jsonschema.Draft202012Validator(schema_of("ledger")).validate(answer("ledger", "meadow"))


@pytest.mark.thorough
def test_what_was_learned_is_switched_on_knowingly_and_shown(meadow, tmp_path):
    mine = observations(tmp_path / "mine.csv")
    run("verify", "meadow", "--observed", mine, "--model", "icon_eu", "--past", "--learn")
    plain = answer("best", "meadow", "--model", "icon_eu")
    assert not any("corrected" in note["text"] for note in plain["notes"])
    used = answer("best", "meadow", "--model", "icon_eu", "--site-record")
    assert any("corrected by the record of meadow" in note["text"] for note in used["notes"])
    before, after = (d["sites"][0]["elements"][0]["demand"][12] for d in (plain, used))
    assert 0.7 * before <= after < before
    done = run("best", "meadow", "--model", "ecmwf_ifs025", "--site-record", code=1)
    assert "is for forecasts of icon_eu" in done.output


def test_a_file_with_a_fault_teaches_nothing(meadow, tmp_path):
    mine = observations(tmp_path / "mine.csv", rows=["yesterday,3,4", f"{utc_now():%Y-%m-%dT%H:%M:%SZ},x,4"])
    done = run("verify", "meadow", "--observed", mine, "--model", "icon_eu", "--past", "--learn", code=1)
    assert "2 faults, nothing was read" in done.output
    assert "line 962: time 'yesterday'" in done.output
    assert not records_file().exists()
    assert ledger.read_observations() == []


@pytest.mark.thorough
def test_too_few_days_and_nothing_to_compare_with(meadow, tmp_path):
    mine = observations(tmp_path / "mine.csv", days=10)
    text = run("verify", "meadow", "--observed", mine, "--model", "icon_eu", "--past", "--learn").stdout
    assert "nothing can be learned from fewer than 30 days" in text
    done = run("verify", "meadow", "--observed", mine, "--model", "icon_eu", code=1)
    assert "no past forecast shares an hour" in done.output
    done = run("verify", "Kelderness", "--observed", mine, code=1)
    assert "is invented" in done.output
    done = run("verify", "meadow", "--observed", str(tmp_path / "none.csv"), code=1)
    assert "cannot be read" in done.output


@pytest.mark.thorough
def test_without_a_file_the_nearest_airport_is_asked(meadow):
    text = run("verify", "meadow", "--model", "icon_eu", "--past").stdout
    assert "against METAR XXAA, at 10 m" in text
    assert "wind" in text
    assert "gust" not in text.splitlines()[2], "an airport without gusts says nothing of them"
    assert "nothing can be learned from fewer than 30 days" in text
    box, past = meadow.asked("aviation_weather")
    assert "bbox" in box.query
    assert (past.query["ids"], past.query["hours"]) == ("XXAA", "168")
    assert "52.1" not in str(past.query), "the place itself is never sent"
    assert all(len(part.split(".")[1]) == 1 for part in box.query["bbox"].split(","))


@pytest.mark.thorough
def test_an_airport_may_be_named(meadow):
    text = run("verify", "meadow", "--model", "icon_eu", "--past", "--station", "xxbb").stdout
    assert "against METAR XXBB" in text
    assert [asked.query["ids"] for asked in meadow.asked("aviation_weather")] == ["XXBB"]
    done = run("verify", "meadow", "--past", "--station", "XXNO", code=1)
    assert "no report of XXNO" in done.output
    done = run("verify", "meadow", "--past", "--station", "a/b?c", code=1)
    assert "is not an ICAO code" in done.output


def test_without_a_file_nobody_is_asked_offline(meadow):
    done = run("verify", "meadow", "--past", "--offline", code=1)
    assert "give a file with --observed" in done.output
    assert meadow.asked("aviation_weather") == []


def test_an_airport_that_cannot_be_asked_is_told(meadow):
    from tests.server import Fault

    meadow.always["aviation_weather"] = Fault(500)
    done = run("verify", "meadow", "--past", code=1)
    assert "Aviation Weather Center" in done.output
    assert ledger.read_observations() == []


# --- the ledger ---------------------------------------------------------------------------------------------------


@pytest.mark.thorough
def test_verdicts_are_kept_once_and_not_for_the_demonstration(meadow):
    run("best", "Kelderness")
    assert ledger.read_verdicts() == []
    run("best", "meadow", "--model", "icon_eu")
    kept = ledger.read_verdicts()
    assert kept
    assert {v.site for v in kept} == {"meadow"}
    assert all(v.told < v.hour for v in kept)
    run("best", "meadow", "--model", "icon_eu")
    assert ledger.read_verdicts() == kept
    assert "verdicts kept, 0 of them scored" in run("ledger").stdout
    assert "holds no verdict of quarry" in run("ledger", "quarry").stdout


@pytest.mark.thorough
def test_verdicts_as_of_another_time_are_not_kept(meadow):
    run("best", "meadow", "--model", "icon_eu")
    kept = ledger.read_verdicts()
    moment = f"{datetime.now(UTC) - timedelta(hours=1):%Y-%m-%dT%H:%MZ}"
    run("week", "meadow", "--model", "icon_eu", "--as-of", moment)
    assert ledger.read_verdicts() == kept


@pytest.mark.thorough
def test_observed_hours_score_the_verdicts(meadow, tmp_path, monkeypatch):
    run("best", "meadow", "--model", "icon_eu")
    monkeypatch.setattr("wxfly.history.observations.utc_now", lambda: utc_now() + timedelta(days=16))
    kept = ledger.read_verdicts()
    lines = ["time,wind_speed [m/s],wind_speed_of_gust [m/s]"]
    lines += [f"{v.hour[:16]}Z,3.0,5.0" for v in sorted(kept, key=lambda v: v.hour)]
    (tmp_path / "mine.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    text = run("verify", "meadow", "--observed", str(tmp_path / "mine.csv"), "--model", "icon_eu").stdout
    assert "observed hours entered in the ledger" in text
    observed = ledger.read_observations()
    assert all(o.height == 60.0 for o in observed)
    assert all(o.values["wind"] >= 3.0 for o in observed)  # carried up from 10 m
    told = run("ledger", "meadow").stdout
    # A line for each day of lead: the hour at which the test runs says how the hours fall on them.
    assert sum(map(int, re.findall(r"(\d+) hours observed", told))) == len(kept)
    assert "at most" in told


@pytest.mark.thorough
def test_what_earlier_runs_told_is_in_the_answer(meadow):
    found = answer("best", "meadow", "--model", "icon_eu")
    hours = [v for v in ledger.read_verdicts() if v.chance is not None]
    for day, chance in ((3, 0.3), (2, 0.8), (1, 0.2)):
        earlier = f"{np.datetime64(hours[0].run.rstrip('Z'), 's') - np.timedelta64(day * 6, 'h')}Z"
        from dataclasses import replace

        ledger.enter_verdicts([replace(v, run=earlier, chance=chance) for v in hours])
    if found["sites"][0]["windows"]:
        text = " ".join(run("best", "meadow", "--model", "icon_eu", "--more").stdout.split())
        assert "earlier runs gave 3 in 10" in text
        assert "keeps changing between runs" in text


def test_a_ledger_that_cannot_be_written_loses_no_answer(meadow, monkeypatch):
    folder = ledger.ledger_folder()
    folder.parent.mkdir(parents=True, exist_ok=True)
    folder.write_text("not a folder")
    done = run("best", "meadow", "--model", "icon_eu")
    assert "oom to fly at meadow" in done.stdout


@pytest.mark.thorough
def test_a_brief_tells_its_chance_by_members(meadow):
    options = ("meadow", "--model", "icon_eu", "--ensemble", "icon_eu_eps")
    found = answer("best", *options)["sites"][0]["windows"]
    text = " ".join(run("brief", *options).stdout.split())
    if found:
        assert "members of icon_eu_eps" in text
    else:
        assert "no window" in text
    assert len(meadow.asked("ensemble")) == 1
