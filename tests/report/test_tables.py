import csv
import io
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest

from tests.halves import spread
from tests.report.briefings import MEADOW, NOW, brief, every_question, invented, renamed, with_gaps
from wxfly.report.facts.answer import facts_of
from wxfly.report.facts.values import CAUTIONS, INVENTED
from wxfly.report.tables import to_csv
from wxfly.report.text.answer import render
from wxfly.units import SYSTEMS

ALL = every_question()
NOON = datetime(2026, 6, 10, 12, tzinfo=UTC)


def table(briefing, units="metric", time_zone=None):
    return pd.read_csv(io.StringIO(to_csv(facts_of(briefing, units=units, time_zone=time_zone))), keep_default_na=False)


@pytest.mark.parametrize(("units", "name"), spread([(u, n) for u in SYSTEMS for n in ALL], 5))
def test_every_answer_is_one_table_with_source_and_caution_in_every_row(name, units):
    rows = list(csv.reader(io.StringIO(to_csv(facts_of(ALL[name], units=units)))))
    assert len({len(row) for row in rows}) == 1
    assert len(set(rows[0])) == len(rows[0])
    assert len(rows) == 1 + sum(a.assessment.sizes["time"] for a in ALL[name].answers)
    at = {column: rows[0].index(column) for column in ("attribution", "caution", "run_utc", "age_h", "model")}
    for row in rows[1:]:
        assert "https://example.org/" in row[at["attribution"]]
        assert row[at["caution"]] == CAUTIONS[0]
        assert (row[at["run_utc"]], row[at["age_h"]], row[at["model"]]) == ("2026-06-09T06:00:00Z", "6.0", "a_model")
        assert "nan" not in row


def test_values_in_the_pilots_units():
    metric, aviation = table(brief()), table(brief(), "aviation")
    noon = metric["hour_utc"] == "2026-06-10T12:00:00Z"
    gust = float(metric.loc[noon, "gust_demand[m/s]"].iloc[0])
    assert float(aviation.loc[noon, "gust_demand[kt]"].iloc[0]) == pytest.approx(gust * 3600 / 1852, abs=2e-3)
    assert metric.loc[noon, "hour_local"].iloc[0] == "2026-06-10T14:00:00+02:00"
    assert float(aviation["height[ft]"].iloc[0]) == pytest.approx(80 / 0.3048, abs=1e-3)
    assert table(brief(), time_zone="America/Denver").loc[noon, "zone"].iloc[0] == "MDT"


def test_what_is_not_known_is_empty_and_named():
    rows = table(brief(cubes=[with_gaps()]))
    row = rows[rows["hour_utc"] == "2026-06-10T09:00:00Z"].iloc[0]
    assert (row["state"], row["margin"], row["gust_demand[m/s]"], row["visibility_demand[km]"]) == (
        "not known", "", "", "",
    )  # fmt: skip
    assert row["not_known"] == "gust visibility"


def test_a_demonstration_and_notes_stand_in_the_first_column():
    assert set(table(brief(sites=[invented()]))["notice"]) == {INVENTED}
    assert set(table(brief(notes=("this forecast is old",)))["notice"]) == {"this forecast is old"}


def test_a_name_is_never_a_formula():
    rows = table(brief(sites=[replace(MEADOW, name='=HYPERLINK("x","y"), "quoted"')]))
    assert set(rows["site"]) == {'\'=HYPERLINK("x","y"), "quoted"'}


def test_the_better_site_is_marked():
    rows = table(ALL["compare heights"])
    lit = rows["state"] == "inside"
    assert set(rows.loc[lit & (rows["site"] == "Meadow 40 m"), "better"]) == {1}
    assert set(rows.loc[rows["site"] == "Meadow 110 m", "better"]) == {0}


def test_windows_are_given_by_rank():
    rows = table(ALL["week"])
    for rank, window in enumerate(ALL["week"].answers[0].windows, start=1):
        marked = rows[rows["window"].astype(str) == str(rank)]
        assert len(marked) == window.last - window.first + 1
        assert np.datetime64(marked["hour_utc"].iloc[0].rstrip("Z")) <= window.start


STARTS = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
RUN = [
    *(f"{start}1+1" for start in STARTS), " =1+1", "\t=1+1", "\r=1", "\n=1", "a;=1+1", "a; @b", 'a;"=1+1"', "a\t=1",
    "a;;=1", 'x";=HYPERLINK(1)', "a|=1", "'=1;=2",
]  # fmt: skip


def opened(text, delimiter):
    """Return every cell as a spreadsheet reads it that parts columns at a delimiter."""
    return [cell for row in csv.reader(io.StringIO(text), delimiter=delimiter) for cell in row]


@pytest.mark.thorough
@pytest.mark.parametrize("name", RUN)
def test_no_spreadsheet_runs_a_name_wherever_it_parts_columns(name):
    text = to_csv(facts_of(renamed(brief(), name)))
    for cell in {cell for delimiter in (",", ";", "\t", "|") for cell in opened(text, delimiter)}:
        inside = cell.strip().strip("\"'").strip()
        guarded = cell.strip().lstrip('"').startswith("'")
        assert guarded or not inside.startswith(STARTS) or inside.replace(".", "", 1)[1:].isdigit(), cell


def test_a_guard_is_put_only_where_a_formula_could_begin():
    for name in ("Meadow", "a; b", "Nord-Ost", "A=B", "x@y", "草原", "(+1)"):
        assert set(table(renamed(brief(), name))["site"]) == {name}
    assert set(table(renamed(brief(), "=a"))["site"]) == {"'=a"}
    assert set(table(renamed(brief(), "a;=b"))["site"]) == {"a;'=b"}


def test_the_age_of_a_saved_reply_is_that_of_text_and_json():
    unknown = np.datetime64("NaT", "s")
    provenance = replace(brief().provenance, run=unknown, retrieved=unknown, first_hour=NOW - np.timedelta64(5, "h"))
    briefing = brief(provenance=provenance)
    forecast = facts_of(briefing).forecasts[0]
    assert (forecast.age, forecast.age_counts_from) == (5 * 3600, "first_hour")
    assert set(table(briefing)["age_h"]) == {5.0}
    assert "5 h old" in render(facts_of(briefing), width=200)


def test_the_chance_of_every_hour_is_that_of_the_facts_and_empty_where_it_is_not_known():
    facts = facts_of(ALL["best with losses"])
    rows = table(ALL["best with losses"])
    told = facts.sites[0].hours.chance
    assert None in told
    assert rows["chance"].tolist() == ["" if chance is None else f"{chance:.4f}".rstrip("0") for chance in told]


def test_of_two_sites_the_chance_to_be_the_better_one_stands_at_each():
    briefing = ALL["compare heights"]
    facts, rows = facts_of(briefing), table(briefing)
    noon = rows["hour_utc"] == "2026-06-10T12:00:00Z"
    first, second, _, _ = facts.comparison.chance_better[facts.comparison.start.index(NOON)]
    assert rows.loc[noon, "chance_better"].astype(float).tolist() == pytest.approx([first, second], abs=1e-4)
    assert not {"better", "chance_better"} & set(table(brief()))
    assert "chance_better" not in table(ALL["compare three"])
