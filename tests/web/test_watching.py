"""Watched answers: asked again when they are due, and what changed stands on the start page."""

import re
from datetime import timedelta

import pytest
from msgspec.structs import replace

from tests.report.briefings import brief
from wxfly.errors import NotAskedError, WxflyError
from wxfly.pilot.options import Words
from wxfly.question.question import read_question
from wxfly.report.facts.answer import facts_of
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
def answer(monkeypatch):
    """Return an answer, at its own time."""
    made = facts_of(brief(), read_question("best", ["52,6"], Words()))
    for module in ("wxfly.web.watching", "wxfly.question.watch"):
        monkeypatch.setattr(f"{module}.utc_now", lambda: made.now)
    return made


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


@pytest.mark.parametrize("address", ["/settings", "", "/why?hour=3", "https://example.org/settings"])
def test_nothing_else_is_watched(client, watch, address):
    assert watch(address=address).status_code == 400
    assert read_watched() == []


@pytest.mark.parametrize(
    ("address", "own"), [("https://example.org/best", "/best?"), ("//example.org/week?a=b", "/week?a=b")]
)
def test_of_an_address_elsewhere_only_the_question_is_watched(client, watch, address, own):
    assert watch(address=address).status_code == 303
    assert [one.address for one in read_watched()] == [own]


def test_what_changed_stands_on_the_start_page(client, watch, answer, monkeypatch):
    watch(address=ADDRESS)
    look(read_watched()[0], lambda *_: answer)
    assert changes_since(answer.now) == []
    assert read_watched()[0].due == answer.now + timedelta(hours=6)
    look(read_watched()[0], lambda *_: without_windows(answer))
    ((address, words),) = changes_since(answer.now)
    assert address == ADDRESS and "no room any more" in words
    monkeypatch.setattr("wxfly.web.app.utc_now", lambda: answer.now)
    page = client.get("/").text
    assert page.index("What changed") < page.index("Tomorrow at your places")
    assert changes_since(answer.now + timedelta(days=2)) == []


@pytest.mark.parametrize("fault", [NotAskedError("nobody answers"), WxflyError("nobody answers"), OSError("no disk")])
def test_what_cannot_be_asked_is_told_once_and_asked_for_soon(watch, answer, fault):
    def fails(*_):
        raise fault

    watch(address=ADDRESS)
    look(read_watched()[0], lambda *_: answer)
    for _ in range(2):
        look(read_watched()[0], fails)
    assert [words for _, words in changes_since(answer.now)] == [
        f"Meadow: no forecast can be had, so what was told is not known any more: {fault}"
    ]
    assert read_watched()[0].due == answer.now + timedelta(minutes=15)


def test_a_day_that_is_over_is_asked_for_no_more_and_is_no_loss(watch, answer, monkeypatch):
    def fails(*_):
        raise WxflyError("that day is over")

    watch(address=ADDRESS)
    look(read_watched()[0], lambda *_: answer)
    later = answer.now + timedelta(days=3)
    monkeypatch.setattr("wxfly.web.watching.utc_now", lambda: later)
    look(read_watched()[0], fails)
    assert changes_since(later) == []
    assert read_watched()[0].due == later + timedelta(days=1)


def test_the_next_day_of_a_weekday_is_not_watched_and_is_no_loss(watch, answer):
    site, week = answer.sites[0], timedelta(days=7)
    period = replace(site.period, start=site.period.start + week, end=site.period.end + week)
    watch(address="/best?place=Kelderness&date=saturday")
    look(read_watched()[0], lambda *_: answer)
    said = read_watched()[0].said
    look(read_watched()[0], lambda *_: replace(answer, sites=[replace(site, period=period, windows=[])]))
    assert read_watched()[0].said == said and read_watched()[0].due == answer.now + timedelta(days=1)


@pytest.mark.parametrize(
    ("address", "asked"),
    [
        ("/best?place=Kelderness", ("week", [("place", "Kelderness"), ("days", "2")])),
        ("/best?place=a&date=tomorrow", ("week", [("place", "a"), ("days", "2")])),
        ("/best?place=a&date=saturday", ("best", [("place", "a"), ("date", "saturday")])),
        ("/week?place=a", ("week", [("place", "a")])),
    ],
)
def test_a_watch_without_a_day_goes_on_from_day_to_day(watch, answer, address, asked):
    seen = []

    def ask(*question):
        seen.append(question)
        return answer

    watch(address=address)
    look(read_watched()[0], ask)
    assert seen == [asked]


def test_what_was_told_is_kept_over_a_restart_and_forgotten_with_the_watch(watch, answer):
    watch(address=ADDRESS)
    look(read_watched()[0], lambda *_: answer)
    look(read_watched()[0], lambda *_: answer)
    assert len(read_watched()[0].said) == 1
    watch("/watched/remove", name=ADDRESS)
    watch(address=ADDRESS)
    look(read_watched()[0], lambda *_: answer)
    assert len(read_watched()[0].said) == 1 and not read_watched()[0].said[0].is_change


def test_a_fault_of_the_program_ends_no_watch(watch, answer):
    def breaks(*_):
        raise ZeroDivisionError("a fault of the program")

    watch(address=ADDRESS)
    look(read_watched()[0], breaks)
    assert "could not be asked: a fault of the program" in read_watched()[0].said[0].lines[0]
    look(read_watched()[0], lambda *_: answer)
    assert "to fly at" in read_watched()[0].said[0].lines[-1]
