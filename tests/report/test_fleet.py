"""What is written of a fleet: the same facts on the terminal, as CSV, Parquet, calendars and page."""

import csv
import io
import json
import re

import jsonschema
import msgspec
import pytest

from wxfly.answer.windows import Room
from wxfly.pilot.options import read_words
from wxfly.question.fleet import ask_fleet, read_fleet_question
from wxfly.report.calendar import calendars_of_fleet, entries_of
from wxfly.report.command_facts.fleet import MakesRow, fleet_facts
from wxfly.report.formats import to_json
from wxfly.report.pages.fleet import to_html
from wxfly.report.schemas import schema_of
from wxfly.report.tables import fleet_to_csv, fleet_to_parquet
from wxfly.report.text.fleet import FleetWords, to_text


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Answer for two sites of the demonstration; give the facts and what was made of each row."""
    path = tmp_path_factory.mktemp("fleet") / "sites.csv"
    path.write_text("name,aircraft\nKelderness,camera-quad-250g\nValdrenna,camera-quad-1kg\n", encoding="utf-8")
    fleet = read_fleet_question(path, read_words({"days": 2}))
    answered = ask_fleet(fleet, MakesRow(entries_of), on_progress=lambda _: None)
    return fleet_facts(fleet, answered), answered.made


@pytest.fixture(scope="module")
def facts(made):
    """Return the facts with one site more, without an answer and with a name that must be escaped."""
    whole = made[0]
    lost = msgspec.structs.replace(
        whole.sites[0], row=9, name="=<b>Farm</b>", word="not known", as_far_as_known=True, fault="cannot be reached",
        windows=[], days=[],
    )  # fmt: skip
    return msgspec.structs.replace(whole, sites=[*whole.sites, lost], rows=3, without_answer=1)


def test_json_follows_its_schema(facts):
    jsonschema.Draft202012Validator(schema_of("fleet")).validate(json.loads(to_json(facts)))


def test_the_best_site_is_first_and_what_is_not_known_is_said_before(facts):
    for width in (60, 80, 140):
        text = to_text(FleetWords(facts, "metric", None), width, more=False)
        lines = text.split("\n")
        assert max(map(len, lines)) <= width
        assert lines[0].startswith("Invented, do not fly by this, as far as known: ")
        told = " ".join(text.split())
        assert "Mind: UAS zones were not looked at" in told and "Mind: This is advice, not permission" in told
        assert text.index("No answer for 1 of 3: cannot be reached") < text.index(facts.sites[0].name + "  ")


def test_an_old_forecast_is_said_in_the_first_line_and_how_old_below(facts):
    old = msgspec.structs.replace(facts.sites[0], age=30 * 3600.0)
    text = to_text(
        FleetWords(msgspec.structs.replace(facts, sites=[*facts.sites[1:], old]), "metric", None), 80, more=False
    )
    assert "old forecasts, see below" in text.split("\n")[0]
    assert "The forecast is up to 30 h old at 1 of 3." in text


def test_csv_has_one_row_for_each_site_and_no_formula(facts):
    rows = list(csv.DictReader(io.StringIO(fleet_to_csv(facts, time_zone=None))))
    assert [row["site"] for row in rows] == [*(s.name for s in facts.sites[:2]), "'=<b>Farm</b>"]
    best = facts.sites[0]
    assert float(rows[0]["chance"]) == best.windows[0].chance
    assert rows[0]["window_start_utc"] == f"{best.windows[0].start:%Y-%m-%dT%H:%M:%SZ}"
    assert rows[2]["not_known"] == "cannot be reached" and rows[2]["chance"] == ""
    assert all("invented" in row["notice"] and row["caution"] for row in rows)


def test_parquet_has_the_same_rows(facts):
    parquet = pytest.importorskip("pyarrow.parquet", reason="pyarrow, of the extra parquet, is not installed")
    table = parquet.read_table(io.BytesIO(fleet_to_parquet(facts)))
    rows = list(csv.DictReader(io.StringIO(fleet_to_csv(facts, time_zone=None))))
    assert table.column("site").to_pylist() == [site.name for site in facts.sites]
    assert table.column("chance").to_pylist() == [float(row["chance"]) if row["chance"] else None for row in rows]
    assert table.column("window_start_utc").to_pylist()[0] == facts.sites[0].windows[0].start


def test_calendars_are_one_file_or_one_for_each_site(made, tmp_path):
    from icalendar import Calendar

    facts, rows = made
    ((path, whole),) = calendars_of_fleet(facts, rows, tmp_path / "all.ics")
    each = calendars_of_fleet(facts, rows, tmp_path)
    assert path.name == "all.ics" and len(each) == 2
    count = [len(Calendar.from_ical(content).walk("VEVENT")) for _, content in each]
    assert len(Calendar.from_ical(whole).walk("VEVENT")) == sum(count)
    assert sum(count) == sum(w.room is not Room.PROBABLY_NONE for s in facts.sites for w in s.windows)


def test_the_page_has_every_site_escaped_and_its_days(facts):
    page = to_html(facts, FleetWords(facts, "metric", None))
    assert "<b>Farm" not in page and "&lt;b&gt;Farm" in page
    assert page.count('<tr role="row" data-verdict') == 3
    assert len(re.findall(r'class="day[ "]', page)) == sum(2 for _ in facts.sites)
    assert page.index("cannot be reached") < page.index("<table")


@pytest.mark.browser
@pytest.mark.thorough
def test_rows_are_narrowed_down_by_hand(facts, chromium, tmp_path):
    path = tmp_path / "fleet.html"
    path.write_text(to_html(facts, FleetWords(facts, "metric", None)), encoding="utf-8")
    page = chromium.new_page(viewport={"width": 390, "height": 800})
    faults = []
    page.on("console", lambda message: faults.append(message.text))
    page.goto(path.as_uri())
    page.fill("#find", "valdrenna 1kg")
    assert page.inner_text("#shown") == "1 of 3" and page.locator("tbody tr:visible").count() == 1
    page.fill("#find", "")
    page.select_option("#verdict", "no answer")
    assert page.inner_text("#shown") == "1 of 3"
    assert page.evaluate("document.documentElement.scrollWidth") <= 390 and not faults
    page.close()
