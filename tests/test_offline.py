"""Without a connection: what the pilot reads first is how old the forecast is, whatever was asked."""

import re
from datetime import timedelta

import pytest

from tests.halves import spread
from tests.server import _newest_run

PLACE = "52.31,6.84"
QUESTIONS = {
    "best": ["best", PLACE], "week": ["week", PLACE], "compare": ["compare", f"{PLACE}", f"{PLACE}@100m"],
    "brief": ["brief", PLACE], "check": ["check", PLACE, "--mean", "3m/s"],
}  # fmt: skip
AGE = re.compile(r"retrieved \w{3} \d+ \w{3} \d{4} \d\d:\d\d \w+, \d+ (h|min) ago|\d+ h old|run started \d+ h ago")


@pytest.fixture
def fetched(server, wxfly, monkeypatch):
    """Return the command, after a fetch."""
    monkeypatch.setenv("COLUMNS", "100")
    assert wxfly("fetch", PLACE)[0] == 0
    server.log.clear()
    return wxfly


def after_the_run(server, hours):
    return f"{_newest_run(server) + timedelta(hours=hours):%Y-%m-%dT%H:%MZ}"


@pytest.mark.parametrize(("hours", "question"), spread([(h, q) for h in (20, 29) for q in QUESTIONS], 4))
def test_the_age_is_in_the_first_line(server, fetched, question, hours):
    later = after_the_run(server, hours)
    code, out, _ = fetched(*QUESTIONS[question], "--offline", "--as-of", later)
    assert code == 0
    assert server.log == []
    assert AGE.search(out.partition("\n\n")[0])


def test_past_its_limit_the_answer_is_that_nothing_is_known(server, fetched):
    later = after_the_run(server, 40)
    code, out, _ = fetched("best", PLACE, "--offline", "--as-of", later)
    assert code == 0
    told = " ".join(out.split())
    assert re.match(r"Forecast 4\d h old, see the note: not known whether there is room to fly at", out)
    assert re.search(r"\. Note This forecast is 4\d h old, more than 36 h: not used, fetch a newer one", told)
    assert "in every lit hour" in told
    assert not re.search(r"^\S+–\S+ +(inside|narrow)", out, re.MULTILINE)


def test_a_reading_without_a_forecast_gust_is_not_known_aloft(server, fetched):
    """The gust is too old to be used a day after the run; the wind is still there to hold the reading against."""
    later = after_the_run(server, 26)
    code, out, _ = fetched("check", PLACE, "--mean", "3m/s", "--offline", "--as-of", later)
    assert code == 0
    told = " ".join(out.split())
    assert "in doubt at 52.3100, 6.8400, " in told
    assert "Why: what it means aloft is not known" in told
    assert "limits hold" not in told
