"""The runs of a model: the newest from its metadata, and what earlier ones forecast."""

import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from tests.shared import SHARED
from wxfly.errors import WxflyError
from wxfly.pilot.settings import load_settings
from wxfly.sources.open_meteo.models import find_model
from wxfly.sources.open_meteo.reply import our_name
from wxfly.sources.open_meteo.runs import get_model_run, parse_model_run, parse_previous_runs, past_names

START = int(datetime(2026, 3, 10, 6, tzinfo=UTC).timestamp())
NOW = datetime(2026, 3, 10, 12, tzinfo=UTC)
GOOD = {
    "last_run_initialisation_time": START, "last_run_availability_time": START + 13_000,
    "update_interval_seconds": 21_600,
}  # fmt: skip


def body(**changes):
    return json.dumps(GOOD | changes).encode()


def test_a_run_is_certain_only_when_the_servers_have_settled():
    run = parse_model_run(body(), "test", NOW)
    assert run.run == datetime(2026, 3, 10, 6, tzinfo=UTC)
    assert run.certain_at(run.available + timedelta(minutes=9)) == datetime(2026, 3, 10, 0, tzinfo=UTC)
    assert run.certain_at(run.available + timedelta(minutes=10)) == run.run
    assert run.next_expected() == run.available + timedelta(hours=6)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (body(last_run_initialisation_time=None), "last_run_initialisation_time is missing"),
        (body(last_run_availability_time="soon"), "last_run_availability_time is missing"),
        (body(update_interval_seconds=0), "update_interval_seconds is missing"),
        (body(last_run_availability_time=START - 1), "before it started"),
        (body(last_run_availability_time=START + 366 * 86_400), "of 2027-03-11 06:00Z, which is in the future"),
        (body(update_interval_seconds=200_000), "not a plausible interval"),
        (b"[]", "not the metadata"),
        (b"<html>", "a web page"),
    ],
)
def test_hostile_metadata_gives_one_clear_error(text, words):
    with pytest.raises(WxflyError, match=words):
        parse_model_run(text, "test", NOW)


def test_of_a_model_of_two_parts_the_older_run_counts(server):
    from tests.server import Fault

    older = json.dumps(GOOD | {"last_run_initialisation_time": START - 21_600}).encode()
    server.once["metadata"] = [Fault(body=body()), Fault(body=older)]
    run = get_model_run(find_model("ncep_gfs_global"), settings=load_settings(), now=datetime.now(UTC))
    assert run.run == datetime(2026, 3, 10, 0, tzinfo=UTC)
    assert [a.path for a in server.log] == [f"/data/{d}/static/meta.json" for d in ("ncep_gfs013", "ncep_gfs025")]


def test_the_recorded_metadata_is_read():
    path = SHARED / "samples" / "open-meteo" / "model_meta_icon_d2.json"
    if not path.is_file():
        pytest.skip("the folder shared/ with sample replies is not beside the checkout")
    run = parse_model_run(path.read_bytes(), "test", datetime.now(UTC))
    assert run.run == datetime(2026, 1, 13, 18, tzinfo=UTC)
    assert run.interval == timedelta(hours=3)


# --- past forecasts ----------------------------------------------------------------------------------------------

SAMPLES = SHARED / "samples" / "open-meteo"
needs_samples = pytest.mark.skipif(not SAMPLES.exists(), reason="the recorded replies are not beside the checkout")


@needs_samples
def test_a_real_reply_of_past_forecasts():
    cubes = parse_previous_runs((SAMPLES / "previous_runs.json").read_bytes(), model="icon_eu")
    assert list(cubes) == [24.0, 48.0]
    assert cubes[24.0]["air_temperature"].values == pytest.approx(np.array([14.2, 12.9, 12.1]) + 273.15)
    assert cubes[48.0]["air_temperature"].values == pytest.approx(np.array([14.4, 14.2, 13.4]) + 273.15)


@needs_samples
def test_a_real_reply_of_past_forecasts_of_several_models_gives_the_one_asked():
    body = (SAMPLES / "previous_runs_models.json").read_bytes()
    cubes = parse_previous_runs(body, model="gfs_seamless")
    assert cubes[24.0]["air_temperature"].values == pytest.approx(np.array([14.7, 14.0]) + 273.15)
    with pytest.raises(WxflyError, match="no past forecast"):
        parse_previous_runs(body, model="icon_eu")


@needs_samples
def test_an_ordinary_forecast_holds_no_past_one():
    with pytest.raises(WxflyError, match="no past forecast"):
        parse_previous_runs((SAMPLES / "historical_forecast.json").read_bytes(), model="icon_eu")


def past_reply(**columns):
    hours = [1_780_000_000 // 3600 * 3600 + 3600 * h for h in range(3)]
    return {
        "latitude": 52.0, "longitude": 6.0, "elevation": 20.0, "utc_offset_seconds": 0,
        "hourly_units": {"time": "unixtime"} | dict.fromkeys(columns, "m/s"), "hourly": {"time": hours} | columns,
    }  # fmt: skip


def test_a_lead_without_values_is_left_out():
    reply = past_reply(
        wind_speed_10m_previous_day1=[3.0, 4.0, 5.0], wind_speed_10m_previous_day2=[None] * 3, wind_speed_10m=[1.0] * 3
    )
    assert list(parse_previous_runs(json.dumps(reply).encode(), model="icon_eu")) == [24.0]


@pytest.mark.parametrize(
    ("document", "told"),
    [
        ([], "no hourly values"),
        ({"hourly": {"time": []}}, "no units"),
        (past_reply(wind_speed_10m_previous_day1=[3.0]), "1 values for 3 hours"),
        (past_reply(wind_speed_10m_previous_day1=[3.0, 4.0, 900.0]), "outside"),
    ],
)
def test_faults_of_past_forecasts(document, told):
    with pytest.raises(WxflyError, match=told):
        parse_previous_runs(json.dumps(document).encode(), model="icon_eu")


def test_every_name_asked_of_past_forecasts_has_a_place():
    assert all(our_name(name) for name in past_names(find_model("icon_eu")))
