"""Watched answers: asked again when they are due, and what changed stands on the start page."""

import re
from datetime import timedelta

import pytest
from msgspec.structs import replace

from tests.report.briefings import brief
from wxfly.errors import NotAskedError
from wxfly.pilot.options import Words
from wxfly.question.reading import read_question
from wxfly.report.facts.answer import facts_of
from wxfly.times import utc_now
from wxfly.web.watching import changes_since, look, read_watched

ADDRESS = "/best?place=Kelderness"


@pytest.fixture
def watch(client):
    def send(path="/watched", **data):
        form = client.get(f"/watched?address={ADDRESS.replace('?', '%3F').replace('=', '%3D')}").text
        token = re.search(r'name="csrf" value="([0-9a-f]+)"', form)[1]
        return client.post(path, data={**data, "csrf": token})

    return send


@pytest.fixture
def answer():
    return facts_of(brief(), read_question("best", ["52,6"], Words()))


def without_windows(answer):
    return replace(answer, sites=[replace(answer.sites[0], windows=[])])


def test_an_answer_is_watched_listed_and_removed(client, watch, answered):
    assert "/watched?address=%2Fbest%3Fplace%3DKelderness" in answered(ADDRESS).text
    assert watch(address=ADDRESS).status_code == 303
    assert [one.address for one in read_watched()] == [ADDRESS]
    assert "the best hour (Kelderness)" in client.get("/watched").text
    assert watch("/watched/remove", name=ADDRESS).status_code == 303
    assert read_watched() == []
    assert watch("/watched/remove", name=ADDRESS).status_code == 400


@pytest.mark.parametrize(
    "address", ["/settings", "https://example.org/best", "//example.org/week?a=b", "", "/why?hour=3"]
)
def test_nothing_else_is_watched(client, watch, address):
    reply = watch(address=address)
    assert reply.status_code == 400 or read_watched()[0].address in ("/best?", "/week?a=b")
    assert not any("example.org" in one.address for one in read_watched())


def test_what_changed_stands_on_the_start_page(client, watch, answer, monkeypatch):
    watch(address=ADDRESS)
    look(read_watched()[0], lambda *_: answer)
    assert changes_since(answer.now) == []
    assert read_watched()[0].due > utc_now() + timedelta(minutes=59)
    look(read_watched()[0], lambda *_: without_windows(answer))
    ((address, words),) = changes_since(answer.now)
    assert address == ADDRESS and "no room any more" in words
    monkeypatch.setattr("wxfly.web.app.utc_now", lambda: answer.now)
    page = client.get("/").text
    assert page.index("What changed") < page.index("Tomorrow at your places")
    assert changes_since(answer.now + timedelta(days=2)) == []


def test_a_forecast_that_cannot_be_had_is_told_once_and_asked_for_soon(watch, answer):
    def fails(*_):
        raise NotAskedError("nobody answers")

    watch(address=ADDRESS)
    look(read_watched()[0], lambda *_: answer)
    for _ in range(2):
        look(read_watched()[0], fails)
    assert [words for _, words in changes_since(utc_now())] == [
        "Meadow: no forecast can be had, so what was told is not known any more: nobody answers"
    ]
    assert read_watched()[0].due < utc_now() + timedelta(minutes=16)


def test_a_fault_of_the_program_ends_no_watch(watch, answer):
    def breaks(*_):
        raise OSError("disk full")

    watch(address=ADDRESS)
    look(read_watched()[0], breaks)
    assert "could not be asked: disk full" in read_watched()[0].said[0].lines[0]
    look(read_watched()[0], lambda *_: answer)
    assert "to fly at" in read_watched()[0].said[0].lines[-1]
