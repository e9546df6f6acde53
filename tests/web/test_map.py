"""The map of the start page, and the form of a new place that a click on it opens."""

import json
import re
from urllib.parse import urlencode

import pytest

from tests.cubes import WINDY, save_grid
from tests.web.conftest import client_of
from tests.web.serving import HEATH, MOOR, WHERE, pilot
from wxfly.web.app import make_app


def charts_of(page):
    return json.loads(re.search(r'id="charts"[^>]*>(.*?)</script>', page, re.DOTALL)[1])


def named(figure, name):
    return [trace for trace in figure["data"] if trace.get("name") == name]


def texts(figure):
    """Return all that stands on a map, without its tags."""
    written = [text for trace in figure["data"] for text in trace.get("text", ())]
    return {word for text in written for word in re.split(r"<[^>]*>|\N{NO-BREAK SPACE}+", text) if word}


@pytest.fixture
def home(own_folders, monkeypatch):
    """Be the pilot with places and zones."""
    environment, _ = pilot(own_folders / "pilot")
    for name, value in environment.items():
        monkeypatch.setenv(name, value)


def test_the_map_and_its_table_have_the_same_places(answered):
    page = answered("/?around=all").text
    (places,) = named(charts_of(page)["map"]["wide"], "places")
    table = page[page.index('id="map-table"') :]
    assert len(places["meta"]) == 3
    assert all(address in table for address in places["meta"])


def test_a_point_fills_the_form_of_a_new_place(client):
    page = client.get("/places/new?latitude=52.1&longitude=6.9").text
    assert 'value="52.10000,6.90000"' in page
    assert "/best?place=52.10000%2C6.90000" in page


@pytest.mark.parametrize("query", ["latitude=91&longitude=6.9", "latitude=nan&longitude=1", "latitude=52.1", "lat=1"])
def test_what_is_no_point_is_refused_in_one_line(client, query):
    reply = client.get(f"/places/new?{query}")
    assert (reply.status_code, reply.text.count('role="alert"')) == (400, 1)


def test_what_an_address_says_is_escaped(client):
    for address in ("/places/new?latitude=<script>x&longitude=1", "/?around=<script>x"):
        reply = client.get(address)
        assert reply.status_code == 400
        assert "<script>x" not in reply.text


@pytest.mark.parametrize("shape", ["wide", "tall"])
def test_the_map_draws_the_zones_near_the_places_and_lists_each_once(server, home, answered, shape):
    page = answered(f"/?around={HEATH}&within=8km").text
    drawn = charts_of(page)["map"][shape]
    lines = {trace["line"]["dash"] for trace in named(drawn, "zone")}
    assert lines == {"solid", "dash", "dot"}
    table = page[page.index('id="map-table"') :]
    for mark, name in re.findall(r"<li>(Z\d): (\w+)", table):
        assert mark in texts(drawn), name
    assert sorted(re.findall(r"<li>Z\d: (\w+)", table)) == ["Field", "Range", "Reserve"]
    assert f"Zones near {HEATH}" in table and f"Zones near {MOOR}" in table
    assert "none within 5000" in table.lower().replace("\N{NO-BREAK SPACE}", " ")


def test_places_beyond_the_first_are_judged_from_what_is_stored_and_no_service_is_asked(
    server, clock, home, client, answered, monkeypatch
):
    """Of two places beyond the first one has a stored forecast, which is told with its age; the other is not known."""
    from wxfly.question.settings import keep_site

    keep_site("fen", "52.5,6.5", surface_altitude="30m", surface_cover=None, time_zone="Europe/Amsterdam")
    assert answered(f"/api/v1/best?place={MOOR}").status_code == 200
    monkeypatch.setattr("wxfly.web.app.START_PLACES", 1)
    clock(hours=1)
    asked = len([one for one in server.asked("forecast") if "52.2" in str(one.query) or "52.5" in str(one.query)])
    page = answered("/").text
    later = [one for one in server.asked("forecast") if "52.2" in str(one.query) or "52.5" in str(one.query)]
    assert len(later) == asked
    assert "2 more places are saved" in page
    rows = {name: row for row in re.findall(r"<tr.*?</tr>", page, re.DOTALL) for name in (HEATH, MOOR, "fen")
            if f"place={name}" in row}  # fmt: skip
    assert "h old" in rows[MOOR] and "not known" not in rows[MOOR]
    assert "not known" in rows["fen"] and "Ask now" in rows["fen"]


def test_the_picture_of_where_has_an_hour_for_each_step_and_the_zones_in_reach(home, read_here, tmp_path):
    """The map of the page: a step of its control for each hour, spots with their rank, zones with their marks."""
    app = make_app(forecast_path=tmp_path / "grid.nc")
    save_grid(tmp_path, WINDY)
    client = client_of(app)
    address = f"where?{urlencode(WHERE)}"
    for _ in range(100):
        reply = client.get(f"/{address}")
        if reply.status_code != 202:
            break
    facts = client.get(f"/api/v1/{address}").json()
    chart = charts_of(reply.text)["chart0"]
    figure, hours = chart["wide"], chart["hours"]
    assert list(hours) == [str(k) for k in range(len(facts["hours"]))]
    assert len(re.findall(r'<option value="\d+" label="', reply.text)) == len(facts["hours"])
    assert len(named(figure, "zone")) == len(facts["zones"]["near"]) == 3
    assert {"Z1", "Z2", "Z3", "1", "2", "3"} <= texts(figure)
    for name in ("Range", "Field", "Reserve"):
        assert re.search(rf"<li>Z\d: {name}", reply.text)
    assert "Table of the hours" in reply.text and "Thick outlines with a mark are zones" in reply.text
