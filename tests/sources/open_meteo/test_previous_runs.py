"""Past forecasts of the service: real replies, leads apart, faults."""

import json

import numpy as np
import pytest

from tests.shared import SHARED, needs_samples
from wxfly.errors import WxflyError
from wxfly.sources.open_meteo.models import find_model
from wxfly.sources.open_meteo.names import our_name
from wxfly.sources.open_meteo.previous_runs import parse_previous_runs, past_names

SAMPLES = SHARED / "samples" / "open-meteo"


@needs_samples
def test_a_real_reply():
    cubes = parse_previous_runs((SAMPLES / "previous_runs.json").read_bytes(), model="icon_eu")
    assert list(cubes) == [24.0, 48.0]
    assert cubes[24.0]["air_temperature"].values == pytest.approx(np.array([14.2, 12.9, 12.1]) + 273.15)
    assert cubes[48.0]["air_temperature"].values == pytest.approx(np.array([14.4, 14.2, 13.4]) + 273.15)


@needs_samples
def test_a_real_reply_of_several_models_gives_the_one_asked():
    body = (SAMPLES / "previous_runs_models.json").read_bytes()
    cubes = parse_previous_runs(body, model="gfs_seamless")
    assert cubes[24.0]["air_temperature"].values == pytest.approx(np.array([14.7, 14.0]) + 273.15)
    with pytest.raises(WxflyError, match="no past forecast"):
        parse_previous_runs(body, model="icon_eu")


@needs_samples
def test_an_ordinary_forecast_holds_no_past_one():
    with pytest.raises(WxflyError, match="no past forecast"):
        parse_previous_runs((SAMPLES / "historical_forecast.json").read_bytes(), model="icon_eu")


def make_reply(**columns):
    hours = [1_780_000_000 // 3600 * 3600 + 3600 * h for h in range(3)]
    return {
        "latitude": 52.0, "longitude": 6.0, "elevation": 20.0, "utc_offset_seconds": 0,
        "hourly_units": {"time": "unixtime"} | dict.fromkeys(columns, "m/s"), "hourly": {"time": hours} | columns,
    }  # fmt: skip


def test_a_lead_without_values_is_left_out():
    reply = make_reply(
        wind_speed_10m_previous_day1=[3.0, 4.0, 5.0], wind_speed_10m_previous_day2=[None] * 3, wind_speed_10m=[1.0] * 3
    )
    assert list(parse_previous_runs(json.dumps(reply).encode(), model="icon_eu")) == [24.0]


@pytest.mark.parametrize(
    ("document", "told"),
    [
        ([], "no hourly values"),
        ({"hourly": {"time": []}}, "no units"),
        (make_reply(wind_speed_10m_previous_day1=[3.0]), "1 values for 3 hours"),
        (make_reply(wind_speed_10m_previous_day1=[3.0, 4.0, 900.0]), "outside"),
    ],
)
def test_faults(document, told):
    with pytest.raises(WxflyError, match=told):
        parse_previous_runs(json.dumps(document).encode(), model="icon_eu")


def test_every_name_asked_has_a_place():
    assert all(our_name(name) for name in past_names(find_model("icon_eu")))
