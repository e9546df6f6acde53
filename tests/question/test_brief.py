"""From words to a brief, on the shipped demonstration; what a pilot gets wrong is told in a line."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from tests.report.briefings import hour_words, reader_of
from wxfly.cli import main
from wxfly.errors import WxflyError
from wxfly.flight.sortie import Plan
from wxfly.history import previous_choice
from wxfly.pilot.options import Words, read_words
from wxfly.question import ask as asking
from wxfly.report.command_facts.brief import brief_or_answer
from wxfly.report.pages.brief import to_html
from wxfly.report.text.brief import to_text, words_of

SITE = "Kelderness"


def quiet(_: str) -> None:
    return None


@cache
def brief(**options):
    """Ask once for all tests of the same words; what comes is only read."""
    return asking.ask_brief(SITE, read_words(options), on_progress=quiet)


def test_a_brief_of_tomorrow_without_a_word_more() -> None:
    asked = brief()
    assert asked.brief is not None
    assert asked.brief.energy is not None
    plan = asked.brief.energy.sortie.plan
    assert plan == Plan(height=60.0, return_height=60.0, distance=101.75)  # no farther than it is seen


def test_a_brief_counts_windows_as_best_does_from_the_one_of_the_last_answer(monkeypatch) -> None:
    first = brief().briefing.answers[0].best
    second = replace(first, end=first.end - np.timedelta64(5, "m"))
    prepare = asking.prepare

    def from_store(question, **how):
        prepared = prepare(question, **how)
        return replace(prepared, provenance=replace(prepared.provenance, obtained_from="store"))

    def stay_with_second(briefing, on_progress, *, fresh):
        answer = briefing.answers[0]
        return briefing if fresh else replace(briefing, answers=(replace(answer, windows=(second, first)),))

    monkeypatch.setattr(asking, "prepare", from_store)
    monkeypatch.setattr(previous_choice, "remember", stay_with_second)
    for fresh, window in ((None, second), (True, first)):
        asked = asking.ask_brief(SITE, Words(fresh=fresh), on_progress=quiet)
        assert asked.brief.window.end == window.end


def test_what_is_asked_reaches_the_plan() -> None:
    asked = brief(
        height="50m", return_height="80m", distance="300m", toward="SW", work="4min", batteries=3,
        battery_temperature="20degC", payload="60g", battery_reserve=0.3, anemometer_height="3m",
    )  # fmt: skip
    assert asked.brief is not None
    assert asked.brief.energy is not None
    sortie = asked.brief.energy.sortie
    assert sortie.plan == Plan(50.0, 80.0, 300.0, 225.0, 240.0, 0.3, cell_temperature=293.15)
    assert sortie.batteries == 3
    assert sortie.model.weight == pytest.approx((0.250 + 0.060) * 9.80665)
    assert sorted(asked.brief.levels) == [3.0, 10.0, 50.0, 80.0]


def test_more_confidence_asks_for_more() -> None:
    usual, surer = brief().brief, brief(confidence=0.97).brief
    assert usual is not None
    assert surer is not None
    assert surer.rule.largest_mean < usual.rule.largest_mean
    assert usual.energy is not None
    assert surer.energy is not None
    assert surer.energy.budget.needed_share > usual.energy.budget.needed_share


def test_the_way_home_counts_in_the_choice_of_the_window() -> None:
    near, far = brief().briefing.answers[0], brief(distance="9000m").briefing.answers[0]
    assert near.best is not None
    assert far.best is None
    assert (far.assessment["state"].values <= near.assessment["state"].values).all()
    assert "return_leg" in set(far.assessment["limiting_element"].values)
    told = [hour_words(far).reason(hour) for hour in range(far.assessment.sizes["time"])]
    assert "way back, the battery does not bring it home" in told
    some = brief(distance="2500m").briefing.answers[0]
    assert any("of 100 % of the battery" in hour_words(some).reason(h) for h in range(24))


def test_without_a_window_the_plain_answer_says_why(tmp_path: Path) -> None:
    page = tmp_path / "brief.html"
    done = CliRunner().invoke(main, ["brief", SITE, "--distance", "9km", "--html", str(page)])
    assert done.exit_code == 0, done.output
    for told in (done.output, page.read_text(encoding="utf-8")):
        words = " ".join(told.replace("\u00a0", " ").split())
        assert "no room to fly at Kelderness on Sun 15 Mar: way back is beyond its limit in 12 of 14" in words


def test_the_page_is_written(tmp_path: Path) -> None:
    page = tmp_path / "brief.html"
    done = CliRunner().invoke(main, ["brief", SITE, "--html", str(page)])
    assert done.exit_code == 0, done.output
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert "Turn for home" in done.output


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"rank": 9}, "there is no window 9"),
        ({"battery_reserve": 25.0}, "is not a share"),
        ({"return_height": "200m"}, "above the height limit"),
        ({"anemometer_height": "40m"}, "out of reach"),
        ({"distance": "300 min"}, "unit of length 'min'"),
        ({"distance": "-3m"}, "below zero"),
        ({"toward": "up"}, "direction 'up' is not understood"),
        ({"battery_temperature": "20 m"}, "unit of temperature 'm'"),
    ],
)
def test_what_a_pilot_gets_wrong_in_a_brief(options, words) -> None:
    with pytest.raises(WxflyError, match=words):
        brief(**options)


def test_a_brief_says_how_sure_its_window_is_and_whether_it_pays() -> None:
    asked = brief(contingency="15min", costs="30,100,2000", aircraft="cine-hexacopter")
    assert asked.brief is not None
    facts = brief_or_answer(asked)
    words = words_of(facts)
    text = " ".join(to_text(words, 100).split())
    page = to_html(words, facts).replace("\u00a0", " ").replace("&NoBreak;", "")
    window = asked.brief.window
    assert window.surest is not None
    assert window.surest.end - window.surest.start == np.timedelta64(60, "m")
    clock = reader_of(asked.briefing.answers[0]).clock
    told = f"the chance of the window is {100 * window.surest.chance.value:.0f} %"
    for written in (text, page):
        assert f"that every limit holds all through, {clock.span(window.start, window.end)}; " in written
        assert " for 1 h from" in written
        assert told in written


def test_the_hours_of_a_brief_as_csv_have_the_wind_at_each_height() -> None:
    done = CliRunner().invoke(main, ["brief", SITE, "--csv"])
    rows = list(csv.DictReader(io.StringIO(done.stdout, newline="")))
    asked = brief()
    assert asked.brief is not None
    window = asked.brief.window
    assert len(rows) == window.last - window.first + 1
    for height, level in asked.brief.levels.items():
        told = [float(row[f"gust_at_{height:.0f}m[m/s]"]) for row in rows]
        assert told == pytest.approx(level["wind_speed_of_gust"].max("edge").values, abs=0.001)
    assert all(row["caution"] for row in rows)
