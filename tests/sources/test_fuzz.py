"""Replies changed at random: either a sound result or our own error, never anything else.

As many examples as the profile of hypothesis says (tests/conftest.py); ``WXFLY_FUZZ=20000`` is the nightly setting.
"""

import copy
import json
import os
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import State, assess
from wxfly.cube.contract import check_forecast
from wxfly.errors import WxflyError
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.elements import NAMES
from wxfly.pilot.limits import limits_for
from wxfly.sources.aviation_weather import parse_aerodrome_forecasts, parse_reports
from wxfly.sources.met_norway import parse_forecast as parse_met_norway
from wxfly.sources.open_meteo.places import parse_places, parse_surface_altitudes
from wxfly.sources.open_meteo.reply import parse_forecast
from wxfly.sources.open_meteo.runs import parse_model_run
from wxfly.sources.space_weather import kp_on, parse_kp, parse_measured, parse_outlook

RECORDED = Path(__file__).resolve().parents[1] / "recorded"
EXAMPLES = int(os.environ.get("WXFLY_FUZZ", settings.default.max_examples))
MUCH = settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))

FORECAST = json.loads((RECORDED / "SYNTHETIC_icon_eu_two_places_24h.json").read_text())
NOW = datetime(2026, 3, 10, 12, tzinfo=UTC)
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
    "SYNTHETIC_model_metadata.json": lambda body: parse_model_run(body, "fuzz", NOW),
}


def _of_other_services():
    """Return the proper replies of the services whose bodies the tests make up."""
    from tests.question.test_observed import ahead, report
    from tests.retrieval.test_forecast import second

    clouds = [{"cover": "BKN", "base": 1200}, {"cover": "FEW", "base": 800}]
    return {
        "airport reports": report(temp=12.0, dewp=8.5, wspd=9, wgst=19, wdir="VRB", clouds=clouds, rawOb="x").body,
        "MET Norway": second().body,
        "airports' forecasts": ahead(
            wspd=9, wgst=19, visib="6+", wxString="-RA", fcstChange="BECMG", timeBec=1773140400, clouds=clouds
        ).body,
        "Kp by GFZ": b'{"datetime":["2026-03-10T06:00:00Z","2026-03-10T09:00:00Z"],"Kp":[2.333,null]}',
    }


BODIES = {name: (RECORDED / name).read_bytes() for name in READERS} | _of_other_services()
READERS |= {
    "airport reports": parse_reports, "MET Norway": parse_met_norway, "airports' forecasts": parse_aerodrome_forecasts,
    "Kp by GFZ": parse_measured,
}  # fmt: skip


def ours_only(read, body):
    try:
        read(body)
    except WxflyError as fault:
        assert "\n" not in str(fault)


@pytest.mark.parametrize("name", READERS)
def test_the_clean_reply_is_read(name):
    READERS[name](BODIES[name])


@pytest.mark.parametrize("name", READERS)
@MUCH
@given(data=st.data())
def test_bytes_changed_at_random(name, data):
    body = bytearray(BODIES[name])
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


@pytest.mark.parametrize("name", ["airport reports", "MET Norway", "SYNTHETIC_kp_forecast.json"])
@MUCH
@given(data=st.data())
def test_the_structure_of_another_reply_changed_at_random(name, data):
    document = json.loads(BODIES[name])
    *parents, last = data.draw(st.sampled_from([path for path in _nodes(document) if path]))
    node = document
    for key in parents:
        node = node[key]
    if data.draw(st.booleans()):
        node[last] = data.draw(VALUES)
    else:
        del node[last]
    ours_only(READERS[name], json.dumps(document).encode("utf-8", "surrogatepass"))


# --- what is taken away never makes an hour better -------------------------------------------------------------

QUAD = load_aircraft()["camera-quad-250g"]
# The recorded day in a wind that a small aircraft bears, so that there are hours that data taken away could win.
CALM = copy.deepcopy(FORECAST[0])
for _name, _values in CALM["hourly"].items():
    if _name.startswith(("wind_speed", "wind_gusts")):
        CALM["hourly"][_name] = [None if value is None else 0.35 * value for value in _values]
    elif _name == "visibility":
        CALM["hourly"][_name] = [20_000.0 if k % 7 else 3_000.0 for k in range(len(_values))]
    elif _name == "precipitation":
        CALM["hourly"][_name] = [0.0 if k % 5 else 1.2 for k in range(len(_values))]
COLUMNS = [name for name in CALM["hourly"] if name != "time"]


REQUIRED = tuple(name for name in NAMES if name != "kp")  # which this service does not send


def states(document):
    body = json.dumps(document).encode()
    cube = parse_forecast(body, model="icon_eu", asked_units=True, names=["a"], what="fuzz").isel(site=0)
    return assess(derive(cube, height=60.0), limits_for(QUAD, required=REQUIRED))["state"].values


@cache
def clean():
    return states(CALM)


def test_the_clean_reply_has_hours_inside_and_others():
    inside = clean() == State.INSIDE
    assert 4 <= inside.sum() <= len(inside) - 4


@settings(max_examples=max(EXAMPLES // 6, 10), deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_no_hour_is_inside_that_the_whole_reply_does_not_give(data):
    """With every element required: an advised one that is not known leaves the state (see tests/test_deletion.py)."""
    document = copy.deepcopy(CALM)
    for _ in range(data.draw(st.integers(1, 6))):
        name = data.draw(st.sampled_from(COLUMNS))
        if name not in document["hourly"]:
            continue
        column = document["hourly"][name]
        how = data.draw(st.sampled_from(["column", "hours", "name", "every hour"]))
        first = data.draw(st.integers(0, len(column) - 1))
        last = data.draw(st.integers(first, len(column)))
        if how == "column":
            column[:] = [None] * len(column)
        elif how == "hours":
            column[first:last] = [None] * (last - first)
        elif how == "name":
            del document["hourly"][name], document["hourly_units"][name]
        else:
            for other in document["hourly"]:
                if other != "time":
                    document["hourly"][other][first] = None
    try:
        found = states(document)
    except WxflyError as fault:
        assert "\n" not in str(fault)
        return
    assert not ((found == State.INSIDE) & (clean() != State.INSIDE)).any()
    held = (State.INSIDE, State.NARROW)
    assert not (np.isin(found, held) & ~np.isin(clean(), held)).any()
