"""Replies changed at random: either a sound result or our own error, never anything else.

``WXFLY_FUZZ=20000`` in the environment is the nightly setting.
"""

import copy
import json
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from wxfly.errors import WxflyError
from wxfly.forecast import check_forecast
from wxfly.sources.geocoding import parse_places, parse_surface_altitudes
from wxfly.sources.model_metadata import parse_model_run
from wxfly.sources.open_meteo_reply import parse_forecast
from wxfly.sources.space_weather import kp_on, parse_kp, parse_outlook

RECORDED = Path(__file__).resolve().parents[1] / "recorded"
EXAMPLES = int(os.environ.get("WXFLY_FUZZ", "300"))
MUCH = settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))

FORECAST = json.loads((RECORDED / "SYNTHETIC_icon_eu_two_places_24h.json").read_text())
HOURS = np.datetime64("2026-03-10", "ns") + np.arange(24) * np.timedelta64(1, "h")

VALUES = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8), st.builds(list), st.builds(dict),
    st.lists(st.one_of(st.none(), st.floats(), st.integers()), max_size=4),
    st.sampled_from([10**400, -(10**400), 1e308]),
    st.sampled_from(["undefined", "km/h", "m/s", "°C", "iso8601", "unixtime", "nan", "2026-03-10T00:00"]),
)  # fmt: skip


def read_forecast(body):
    for asked in (True, False):
        try:
            cube = parse_forecast(body, model="icon_eu", asked_units=asked, names=["a", "b"], what="fuzz")
        except WxflyError as fault:
            assert "\n" not in str(fault)
            assert len(str(fault)) < 600
        else:
            check_forecast(cube)


def read_kp(body):
    kp_on(HOURS, parse_kp(body), None)


def read_outlook(body):
    kp_on(HOURS, None, parse_outlook(body))


READERS = {
    "SYNTHETIC_icon_eu_two_places_24h.json": read_forecast,
    "SYNTHETIC_kp_forecast.json": read_kp,
    "SYNTHETIC_27_day_outlook.txt": read_outlook,
    "SYNTHETIC_places.json": lambda body: parse_places(body, "fuzz"),
    "SYNTHETIC_model_metadata.json": lambda body: parse_model_run(body, "fuzz"),
}


def ours_only(read, body):
    try:
        read(body)
    except WxflyError as fault:
        assert "\n" not in str(fault)


@pytest.mark.parametrize("name", READERS)
def test_the_clean_reply_is_read(name):
    READERS[name]((RECORDED / name).read_bytes())


@pytest.mark.parametrize("name", READERS)
@MUCH
@given(data=st.data())
def test_bytes_changed_at_random(name, data):
    body = bytearray((RECORDED / name).read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(body) - 1))
        length = data.draw(st.integers(0, 30))
        body[start : start + length] = data.draw(st.binary(max_size=30))
        if not body:
            break
    ours_only(READERS[name], bytes(body))


def _nodes(document, path=()):
    yield path
    if isinstance(document, dict):
        for key in document:
            yield from _nodes(document[key], (*path, key))
    elif isinstance(document, list):
        for k in range(min(len(document), 3)):
            yield from _nodes(document[k], (*path, k))


PATHS = [path for path in _nodes(FORECAST) if path]


@MUCH
@given(data=st.data())
def test_the_structure_of_a_forecast_changed_at_random(data):
    document = copy.deepcopy(FORECAST)
    for _ in range(data.draw(st.integers(1, 3))):
        *parents, last = data.draw(st.sampled_from(PATHS))
        node = document
        try:
            for key in parents:
                node = node[key]
            change = data.draw(st.sampled_from(["replace", "remove", "repeat", "rename"]))
            if change == "replace":
                node[last] = data.draw(VALUES)
            elif change == "remove":
                del node[last]
            elif change == "repeat" and isinstance(node, list):
                node.insert(last, node[last])
            elif change == "rename" and isinstance(node, dict):
                node[data.draw(st.text(max_size=12)) or "x"] = node.pop(last)
        except (KeyError, IndexError, TypeError):
            continue  # an earlier change took the place away
    ours_only(read_forecast, json.dumps(document).encode("utf-8", "surrogatepass"))


@MUCH
@given(st.binary(max_size=200))
def test_junk(body):
    for read in READERS.values():
        ours_only(read, body)
    ours_only(lambda b: parse_surface_altitudes(b, 1, "fuzz"), body)
