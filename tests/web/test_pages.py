"""The views: each has an address, forms are real forms, and a mistake loses nothing."""

import re
from concurrent.futures import ThreadPoolExecutor
from html import unescape

import pytest

from wxfly.question.settings import keep_settings
from wxfly.report.text.console import FIRST_STRONG_ISOLATE, POP_ISOLATE

VIEWS = {
    "best": "/best?place=Kelderness",
    "check": "/check?place=Kelderness&mean=3m/s&gust=5m/s",
    "brief": "/brief?place=Kelderness",
    "why": "/why?place=Kelderness&hour=13&date=tomorrow",
    "now": "/now?place=Kelderness",
    "week": "/week?place=Kelderness&days=2",
    "compare": "/compare?place=Kelderness&place=Valdrenna",
}
QUICK = ("best",)


def plain(text):
    text = unescape(re.sub(r"<[^>]+>", "", text)).replace("\u2060", "").replace("\N{NO-BREAK SPACE}", " ")
    return " ".join(text.replace(FIRST_STRONG_ISOLATE, "").replace(POP_ISOLATE, "").split())


def heading(page):
    return plain(re.search(r"<h1>(.*?)</h1>", page, re.DOTALL)[1])


@pytest.mark.parametrize(
    "view", [v if v in QUICK else pytest.param(v, marks=pytest.mark.thorough) for v in VIEWS]
)  # fmt: skip
def test_a_view_says_first_what_the_command_says_first(view, answered, wxfly, monkeypatch):
    reply = answered(VIEWS[view])
    assert reply.status_code == 200
    command = {
        "best": [], "check": ["--mean", "3m/s", "--gust", "5m/s"], "brief": [], "why": ["tomorrow", "13"], "now": [],
        "week": ["--days", "2"], "compare": ["Valdrenna"],
    }  # fmt: skip
    monkeypatch.setenv("COLUMNS", "400")
    said = " ".join(wxfly(view, "Kelderness", *command[view])[1].split())
    assert said.startswith(heading(reply.text))
    assert reply.text.count("<h1>") == 1
    assert "x-wxfly-keep" in reply.headers


def test_charts_have_tables_and_nothing_in_them_ends_their_element(answered):
    page = answered(VIEWS["best"]).text
    charts = re.search(r'<script type="application/json" id="charts"[^>]*>(.*?)</script>', page, re.DOTALL)[1]
    assert "<" not in charts
    drawn = re.findall(r'class="chart" id="(\w+)"', page)
    assert drawn and all(f'"{one}"' in charts for one in drawn)
    assert page.count("<table") >= 1


def test_empty_fields_of_a_form_leave_a_short_address(client):
    reply = client.get("/best?place=Kelderness&height=&date=")
    assert (reply.status_code, reply.headers["location"]) == (303, "/best?place=Kelderness")


@pytest.mark.parametrize(
    ("address", "words", "kept"),
    [
        ("/best?place=Keldernes&height=70m", "did you mean 'Kelderness'?", "70m"),
        ("/best?aircraft=camera-quad-250&height=70m", "did you mean 'camera-quad-250g'?", "70m"),
        ("/best?hieght=70m", "did you mean 'height'?", ""),
        ("/best?height=70m&height=80m", "given twice", ""),
        ("/week?days=99", "whole number from 1 to 16", "99"),
        ("/check?gust=5m/s", "mean is wanted", "5m/s"),
        ("/compare?place=Kelderness", "two places or more", "Kelderness"),
    ],
)
def test_a_mistake_is_one_line_and_what_was_typed_stays(answered, address, words, kept):
    reply = answered(address)
    assert reply.status_code == 400
    fault = re.search(r'role="alert">(.*?)</p>', reply.text, re.DOTALL)[1]
    assert words in unescape(fault) and "\n" not in fault
    assert f'value="{kept}"' in reply.text


def test_a_page_that_is_no_page_names_the_nearest(client):
    reply = client.get("/weak")
    assert reply.status_code == 404 and "did you mean" in reply.text and "week" in reply.text


def test_a_view_without_a_question_is_a_form(client):
    for address in ("/check", "/why", "/compare", "/where"):
        reply = client.get(address)
        assert reply.status_code == 200
        assert f'method="get" action="{address}"' in reply.text and 'role="alert"' not in reply.text


def test_a_form_that_a_link_opens_says_what_to_enter(client):
    """A link brings the place and the options of another answer; nobody has made a mistake yet."""
    for address, words in (
        ("/check?place=Kelderness", "Enter your reading"),
        ("/check?place=Kelderness&height=70m", "Enter your reading"),
        ("/why?place=Kelderness", "Enter the hour"),
    ):
        reply = client.get(address)
        assert reply.status_code == 200 and 'role="alert"' not in reply.text
        assert words in reply.text and 'value="Kelderness"' in reply.text
    assert client.get("/check?place=Kelderness&hieght=70m").status_code == 400
    assert client.get("/api/v1/check?place=Kelderness").status_code == 400


def test_the_start_page_leads_to_each_place_in_one_step(client, answered):
    answered("/best?place=Kelderness")
    page = client.get("/").text
    assert re.search(r'href="/best\?place=Kelderness">[^<]*(<bdi>)?[^<]*room to fly', page, re.IGNORECASE)
    assert "/week.ics?place=Kelderness" in page


def test_the_home_is_first_of_the_places(monkeypatch):
    from wxfly.question.settings import keep_settings
    from wxfly.web.questions import known_places

    keep_settings({"home": "Valdrenna"})
    assert known_places()[0] == "Valdrenna"


def test_a_slow_answer_says_what_is_asked(client, app, monkeypatch):
    monkeypatch.setattr("wxfly.web.app.PAGE_SECONDS", 0.0)
    monkeypatch.setattr("wxfly.web.job_queue.KEPT_SECONDS", 0.0)
    reply = client.get("/best?place=Kelderness&height=33m")
    assert reply.status_code == 202
    assert "Kelderness, height 33m" in reply.text and 'http-equiv="refresh"' in reply.text


def test_a_calendar_can_be_subscribed_to(answered):
    reply = answered("/best.ics?place=Kelderness")
    assert reply.headers["content-type"].startswith("text/calendar")
    assert reply.text.startswith("BEGIN:VCALENDAR") and "REFRESH-INTERVAL" in reply.text
    assert answered("/best.ics?place=Keldernes").status_code == 400


def test_files_of_pages_are_kept_for_good_and_packed(client):
    page = client.get("/check").text
    for address in re.findall(r'"(/static/[^"]+)"', page):
        reply = client.get(address)
        assert reply.status_code == 200 and "immutable" in reply.headers["cache-control"]
        assert reply.headers["content-encoding"] == "gzip"
    assert client.get("/worker.js").text.count("/static/") >= 6
    assert client.get("/manifest.webmanifest").json()["start_url"] == "/"


@pytest.mark.thorough
def test_what_several_ask_at_once_is_fetched_once(client, server):
    address = "/api/v1/best?place=52.31,6.84"
    with ThreadPoolExecutor(6) as pool:
        replies = list(pool.map(lambda _: client.get(address), range(6)))
    assert {reply.status_code for reply in replies} == {200}
    assert len({reply.content for reply in replies}) == 1
    asked = [one.path + str(sorted(one.query.items())) for one in server.log]
    assert asked and len(asked) == len(set(asked))


@pytest.mark.thorough
def test_a_service_that_cannot_be_reached_is_told_and_asked_again_later(client, answered):
    reply = answered("/best?place=51.07,5.12")
    assert reply.status_code in (400, 503)
    assert 'role="alert"' in reply.text and 'value="51.07,5.12"' in reply.text


def test_the_hour_of_why_may_be_said_in_words(answered):
    """``hour=tomorrow 15:00`` is the hour 15:00 of that day, as on the command line, and what was typed stays."""
    page = answered("/why?place=Kelderness&hour=tomorrow+15%3A00").text
    assert "15:00" in heading(page) and heading(page) == heading(answered(
        "/why?place=Kelderness&hour=15&date=tomorrow"
    ).text)  # fmt: skip
    assert 'value="tomorrow 15:00"' in page
    assert answered("/why?place=Kelderness&hour=tomorow+15%3A00").status_code == 400


def test_a_form_says_what_the_settings_hold_and_asks_for_the_day_in_front(answered):
    keep_settings({"height": "80m"})
    page = answered("/best").text
    assert "[yours: 80m]" in page and "[default: camera-quad-250g]" in page
    front = page[: page.index("Every other option")]
    assert 'name="date"' in front


def test_a_brief_names_the_fields_of_the_page_and_no_command(answered):
    told = plain(answered(VIEWS["brief"]).text)
    assert "no time at work (add it: 'Work')" in told
    assert "put the reading in: 'Check'" in told
    assert "--work" not in told and "wxfly check" not in told


def test_the_page_of_a_check_says_of_when_its_answer_is_and_its_verdict(answered):
    page = answered("/check?place=Valdrenna&mean=5m/s&gust=8.5m/s&height=80m").text
    day = re.search(r'<h2 class="day">Later today</h2>\s*<p class="day">(.*?)</p>', page)
    assert day and plain(day[1]).startswith("Probably no room to fly at Valdrenna, Sat 14 Mar 18:00–18:45")
