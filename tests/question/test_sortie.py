"""The sortie of a question: best, compare and week hold the way back as the brief does, and say so everywhere."""

from __future__ import annotations

import csv
import io
import json
import re
from functools import cache
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner

from tests.halves import spread
from tests.report.briefings import reader_of
from wxfly.assessment.suitability import required_names
from wxfly.cli import main
from wxfly.errors import WxflyError
from wxfly.flight.sortie import Plan
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.options import read_words
from wxfly.question import ask as questions
from wxfly.question.ask import DEFAULT_DISTANCE
from wxfly.question.question import read_question
from wxfly.report.facts.sortie import PlanFacts
from wxfly.report.schemas import schema
from wxfly.report.text.details import battery_use

SITE = "Kelderness"
FAR = ["--distance", "1500m", "--toward", "SW", "--work", "5min", "--return-height", "80m", "--batteries", "3"]
OPTIONS = {"distance": "1500m", "toward": "SW", "work": "5min", "return_height": "80m", "batteries": 3}
BARE = """
[bare-quad]
title = "a quad of which little is known"
kind = "multirotor"
maximum_wind = "8.5 m/s"
maximum_gust = "10.7 m/s"
minimum_temperature = "0 degC"
maximum_temperature = "40 degC"
maximum_precipitation = "0.1 mm/h"
"""


def quiet(_: str) -> None:
    return None


@cache
def ask(question: str = "best", sites: tuple[str, ...] = (SITE,), **options):
    return questions.ask(question, list(sites), read_words(options), on_progress=quiet).briefing


@cache
def run(*words: str) -> str:
    done = CliRunner().invoke(main, list(words))
    assert done.exit_code == 0, done.output
    return done.stdout


def test_best_judges_as_the_brief_does() -> None:
    of_brief = questions.ask_brief(SITE, read_words(OPTIONS), on_progress=quiet).briefing.answers[0]
    of_best = ask(**OPTIONS).answers[0]
    assert of_best.request.sortie.plan == Plan(60.0, 80.0, 1500.0, 225.0, 300.0)
    assert of_best.assessment.identical(of_brief.assessment)
    assert of_best.windows == of_brief.windows


@pytest.mark.parametrize(
    "option",
    spread(["distance", "return_height", "work", "batteries", "battery_reserve", "battery_temperature", "payload"], 4),
)
def test_any_of_its_options_asks_for_it(option) -> None:
    value = {"batteries": 2, "battery_reserve": 0.3, "battery_temperature": "15degC", "payload": "30g", "work": "2min"}
    answer = ask(**{option: value.get(option, "80m")}).answers[0]
    assert list(answer.assessment["element"].values)[-1] == "return_leg"
    assert "return_leg" in required_names(answer.assessment)


def test_without_them_nothing_is_added() -> None:
    answer = ask().answers[0]
    assert "return_leg" not in answer.assessment["element"].values
    assert answer.return_leg is None
    told = json.loads(run("best", SITE, "--json"))["sites"][0]
    assert told["sortie"] is None
    assert "return_leg" not in [element["name"] for element in told["elements"]]


@pytest.mark.thorough
@pytest.mark.parametrize("question", spread(["compare", "best", "week"], 2))
def test_it_never_makes_an_hour_or_its_chance_better(question) -> None:
    sites = (SITE, "Whistlebrush") if question == "compare" else (SITE,)
    for before, after in zip(ask(question, sites).answers, ask(question, sites, **OPTIONS).answers, strict=True):
        assert (after.assessment["state"].values <= before.assessment["state"].values).all()
        margins = [np.nan_to_num(a.assessment["hour_margin"].values, nan=-9.0) for a in (after, before)]
        assert (margins[0] <= margins[1]).all()
        assert (after.site_chance.hours.values <= before.site_chance.hours.values + 1e-9).all()


@pytest.mark.thorough
def test_a_week_says_where_the_way_back_decides_and_what_it_lacks() -> None:
    told = " ".join(run("week", SITE, "--height", "8m", "--return-height", "60m", "--distance", "102m").split())
    assert "room 12:00–13:00, 6 in 10 from 12:00, way back decides" in told
    assert "no room: the battery does not bring it home, gust 17.9 m/s at 60 m, wind too" in told
    assert "way back decides" not in run("week", SITE, "--height", "60m")


def test_every_day_of_a_week_has_it() -> None:
    answer = ask("week", **OPTIONS).answers[0]
    row = answer.assessment["demand"].sel(element="return_leg")
    assert row.sizes["time"] >= 7 * 24 - 24
    assert np.isfinite(row.values[:-1]).all()


@pytest.mark.thorough
def test_every_site_of_a_comparison_has_its_own() -> None:
    briefing = ask("compare", (f"{SITE}@40m", f"{SITE}@100m"), distance="1500m")
    plans = [a.request.sortie.plan for a in briefing.answers]
    assert [(p.height, p.return_height) for p in plans] == [(40.0, 40.0), (100.0, 100.0)]
    rows = [a.assessment["demand"].sel(element="return_leg").values for a in briefing.answers]
    assert not np.array_equal(rows[0], rows[1])


def test_text_says_what_it_takes_and_when_to_turn() -> None:
    told = " ".join(run("best", SITE, *FAR, "--more").split())
    assert "6 % of the battery to spare on the way back" in told
    assert "way back, 91 of 100 % of the battery, its reserve included" in told
    used, left = map(
        int, re.search(r"the flight uses (\d+) % of one battery; (\d+) % is left on landing", told).groups()
    )
    assert used + left == 100 and "is left on landing, the reserve of 25 % included; turn for home" in told
    assert "turn for home at 42 % shown, or 10 min after take-off, whichever is first" in told
    assert "3 flights" in told
    assert "Mind 1500 m is beyond 102 m, where you still see which way it points" in told
    assert "sortie 1500 m out toward SW (225°), 5 min there, home at 80 m, 9 in 10 sure" in told


@pytest.mark.parametrize(
    ("needed", "words"),
    [
        (0.311, "uses 7 % of one battery; 93 % is left on landing, the reserve of 25 % included"),
        (1.0, "uses 75 % of one battery; 25 % is left on landing, the reserve of 25 % included"),
        (1.0004, "uses 76 % of one battery; 24 % is left on landing, less than the reserve of 25 %"),
        (1.25, "uses 100 % of one battery; 0 % is left on landing, less than the reserve of 25 %"),
        (1.4, "takes 115 % of one battery, more than it holds, and the reserve of 25 % besides"),
    ],
)
def test_what_a_flight_uses_and_what_is_left_on_landing_is_never_told_better_than_it_is(needed, words) -> None:
    plan = PlanFacts(400.0, None, 0.0, 60.0, 0.25, 0.9, 1)
    assert battery_use(needed, plan) == f"the flight {words}"


def test_compare_says_why_a_site_is_worse() -> None:
    told = " ".join(run("compare", SITE, "Whistlebrush", *FAR, "--more").split())
    assert "Kelderness: the way back takes" in told
    assert told.count("Way back") == 2


@pytest.mark.thorough
def test_json_follows_the_schema_and_holds_the_sortie() -> None:
    for words in (["best", SITE], ["compare", SITE, "Whistlebrush"]):
        told = json.loads(run(*words, *FAR, "--json"))
        jsonschema.Draft202012Validator(schema()).validate(told)
        one = told["sites"][0]
        assert one["sortie"]["plan"]["distance"] == 1500
        element = one["elements"][-1]
        assert (element["name"], element["most"]) == ("return_leg", 1)
        assert element["is_required"] is True
        assert one["sortie"]["worst"]["needed_share"] < 1


def test_csv_has_its_columns() -> None:
    rows = list(csv.DictReader(io.StringIO(run("week", SITE, *FAR, "--csv"))))
    assert rows[0]["return_leg_limit[1]"] == "1.0"
    decided = [r for r in rows if r["limiting_element"] == "return_leg"]
    assert decided
    assert all(float(r["margin"]) == float(r["return_leg_margin"]) for r in decided)


@pytest.mark.thorough
def test_the_page_has_a_row_of_it(tmp_path: Path) -> None:
    from tests.report.briefings import drawing
    from wxfly.report.charts.timeline import timelines

    page = tmp_path / "best.html"
    run("best", SITE, *FAR, "--html", str(page))
    assert "<dt>Way back</dt>" in page.read_text(encoding="utf-8")
    briefing = ask(**OPTIONS)
    reader = reader_of(briefing.answers[0])
    drawn = timelines(drawing(briefing)[1][0], reader, 8, 18)
    for shape, axis in (("wide", "yaxis2"), ("tall", "xaxis2")):
        assert drawn[shape]["layout"][axis]["ticktext"][-1] == "way back"


@pytest.fixture
def bare(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """An aircraft without figures of energy."""
    own = tmp_path / "aircraft.toml"
    own.write_text(BARE, encoding="utf-8")
    monkeypatch.setattr("wxfly.question.question.own_aircraft_file", lambda: own)
    return "bare-quad"


def test_an_aircraft_without_figures_is_told_first_and_the_chance_says_what_it_leaves_out(bare) -> None:
    told = " ".join(run("best", SITE, "--aircraft", bare, "--distance", "300m", "--more").split())
    assert "Not known way back: the aircraft's figures give no mass" in told
    assert "the way back not counted" in told
    assert told.startswith("Invented, do not fly by this, as far as known: room to fly")
    assert told.index("Not known way back: ") < told.index("Tightest ")
    found = json.loads(run("best", SITE, "--aircraft", bare, "--distance", "300m", "--json"))
    jsonschema.Draft202012Validator(schema()).validate(found)
    answer = found["sites"][0]
    assert "return_leg" in answer["not_known"]["not_judged"]
    assert answer["sortie"]["judged"] is False
    assert "mass" in answer["sortie"]["missing_figures"]
    assert run("best", SITE, "--aircraft", bare, "--distance", "300m", "--csv")


def test_a_missing_figure_leaves_out_the_battery_and_nothing_else_of_the_way_back(bare) -> None:
    options = {"aircraft": bare, "height": "8m"}
    low, home = (ask(sites=("Whistlebrush",), **options, **more).answers[0] for more in ({}, {"return_height": "60m"}))
    assert home.request.sortie is None and home.request.energy_missing
    for name in ("wind", "gust"):
        one, other = (answer.assessment["margin"].sel(element=name).values for answer in (low, home))
        assert (other <= one).all() and (other < one).any()
        assert (home.assessment["phase_height"].sel(element=name).values[other < one] == 60.0).all()
    chance, with_home = (answer.site_chance.hours.values for answer in (low, home))
    assert (with_home <= chance + 1e-9).all() and (with_home < chance - 0.05).any()
    assert not [change for change in home.changes if change.kind in ("lower", "aircraft")]


@pytest.mark.thorough
def test_a_day_on_which_the_sortie_holds_is_found() -> None:
    answer = ask(day="2026-03-17", distance="1500m").answers[0]
    assert answer.best is None
    days = [c for c in answer.changes if c.kind == "day"]
    later = ask("week", distance="1500m").answers[0]
    assert days
    assert any(w.start == days[0].window.start for w in later.windows) or days[0].window.start > later.end


def test_the_ledger_takes_no_verdict_with_a_sortie() -> None:
    from wxfly.history.ledger import verdicts_of

    assert verdicts_of(ask())
    assert verdicts_of(ask(**OPTIONS)) == []


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"battery_reserve": 25.0}, "is not a share"),
        ({"return_height": "200m"}, "above the height limit"),
        ({"distance": "-3m"}, "below zero"),
        ({"payload": "-3g"}, "below zero"),
    ],
)
def test_what_a_pilot_gets_wrong(options, words) -> None:
    with pytest.raises(WxflyError, match=words):
        ask(**options)


def test_lengths_and_what_is_planned_without_a_word() -> None:
    for text, units, distance in (("100ft", "metric", 30.48), ("100", "metric", 100.0), ("100", "imperial", 30.48)):
        question = read_question("best", [SITE], read_words({"distance": text, "units": units}))
        assert question.sortie.distance == pytest.approx(distance)
    plan = ask(batteries=2).answers[0].request.sortie.plan
    assert plan.distance == pytest.approx(101.75)  # as far as it is seen
    assert find_aircraft("camera-quad-250g").characteristic_dimension is not None
    assert DEFAULT_DISTANCE == 100.0
