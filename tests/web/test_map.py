"""The map of the start page, and the form of a new place that a click on it opens."""

import json
import re

import pytest


def test_the_map_and_its_table_have_the_same_places(answered):
    page = answered("/?around=all").text
    charts = json.loads(re.search(r'id="charts"[^>]*>(.*?)</script>', page, re.DOTALL)[1])
    places = next(trace for trace in charts["map"]["wide"]["data"] if trace.get("name") == "places")
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
