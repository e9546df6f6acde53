"""Answers for a program: the command's own, as values; keywords are SI numbers or texts with a unit."""

import inspect
from datetime import UTC, date, datetime, timedelta, timezone

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest

import wxfly
from wxfly.assessment.suitability import State
from wxfly.errors import WxflyError
from wxfly.library.answers import names_of, read_keywords
from wxfly.library.hours import read_as_of
from wxfly.question.question import read_question
from wxfly.report.formats import FORMATS

ASKED = {"best": ("Kelderness",), "compare": (["Kelderness", "Whistlebrush"],), "week": ("Kelderness",)}


@pytest.fixture(scope="module", params=list(ASKED))
def answer(request):
    return getattr(wxfly, request.param)(*ASKED[request.param])


@pytest.mark.thorough
def test_an_answer_is_the_command_s_own(answer, wxfly):
    kind = answer.briefing.question
    sites = ASKED[kind][0]
    code, printed, _ = wxfly(kind, *([sites] if isinstance(sites, str) else sites))
    assert code == 0
    assert printed.split() == answer.text(80).split()


def test_nothing_is_printed(capfd):
    answer = wxfly.best("Kelderness")
    answer.to_frame(), answer.text(), answer._repr_html_(), answer.figure(), repr(answer)
    assert capfd.readouterr() == ("", "")


def test_the_table_has_every_hour_and_its_state(answer):
    frame = answer.to_frame()
    assert len(frame) == sum(a.assessment.sizes["time"] for a in answer.briefing.answers)
    assert str(frame.index.dtype) == "datetime64[ns, UTC]"
    states = [State(int(s)).words for a in answer.briefing.answers for s in a.assessment["state"].to_numpy()]
    assert frame["state"].tolist() == states
    assert (frame["state"] >= "narrow").sum() == sum(word in ("narrow", "inside") for word in states)
    assert frame.attrs["units"]["gust_demand"] == "m s-1"
    assert frame.attrs["notes"] == list(answer.notes) != []


@pytest.mark.thorough
def test_what_is_unknown_stays_so_in_the_table(tmp_path):
    from wxfly.cube.netcdf import save_cube
    from wxfly.retrieval.places import shipped_forecast

    cube = shipped_forecast("late-winter.nc").isel(site=[0])
    cube["wind_speed_of_gust"][:] = np.nan
    save_cube(cube, tmp_path / "lost.nc")
    answer = wxfly.best(forecast_path=tmp_path / "lost.nc", as_of="2026-03-14T06:00Z")
    frame = answer.to_frame()
    assert frame["gust_demand"].isna().all()
    assert frame["gust_margin"].isna().all()
    assert (frame["state"] == "not known").all()
    assert frame["margin"].isna().all()
    assert "no window" in repr(answer)
    assert answer.windows == []
    assert answer.windows.to_frame().empty
    assert "Not known" in answer._repr_html_()


def test_windows_are_a_list_with_a_table(answer):
    assert isinstance(answer.windows, list)
    assert tuple(answer.windows) == answer.briefing.answers[0].windows
    frame = answer.windows.to_frame()
    assert frame["start"].tolist() == [pd.Timestamp(w.start, tz="UTC") for w in answer.windows]
    assert frame["chance"].tolist() == [w.chance.value for w in answer.windows]
    assert frame.index.tolist() == list(range(1, len(answer.windows) + 1))


def test_the_rank_of_a_window_stands_at_its_hours():
    answer = wxfly.week("Kelderness")
    frame = answer.to_frame()
    for rank, window in enumerate(answer.windows, start=1):
        assert (frame["window"] == rank).sum() == window.last - window.first + 1


def test_a_figure_is_plotly_s(answer):
    figure = answer.figure()
    assert isinstance(figure, go.Figure)
    assert len(figure.data) > 0
    assert "Kelderness" in figure.layout.title.text
    assert "invented" in figure.layout.title.text


def test_the_short_view_is_one_line_and_the_notebook_s_has_the_cautions(answer):
    assert "\n" not in repr(answer)
    assert repr(answer).startswith(f"<Answer {answer.briefing.question}: 'Kelderness")
    shown = answer._repr_html_()
    assert shown.index("invented") < shown.index("<dl>")
    assert "<script" not in shown and "style" not in shown
    from wxfly.report.facts.values import CAUTIONS

    assert all(caution.split(";")[0][:20] in shown for caution in CAUTIONS)


@pytest.mark.thorough
def test_names_of_places_are_escaped_in_a_notebook(tmp_path):
    from wxfly.cube.netcdf import save_cube
    from wxfly.retrieval.places import shipped_forecast

    cube = shipped_forecast("late-winter.nc").isel(site=[0])
    save_cube(cube.assign_coords(site=["<script>alert(1)</script>"]), tmp_path / "odd.nc")
    assert "<script" not in wxfly.best(forecast_path=tmp_path / "odd.nc")._repr_html_()


def test_a_misspelt_keyword_never_answers_another_question():
    with pytest.raises(WxflyError, match="keyword 'hieght' is not known; did you mean 'height'"):
        wxfly.best("Kelderness", hieght="80m")


@pytest.mark.parametrize("sites", ["Kelderness", ["Kelderness"], []])
def test_a_comparison_needs_two_sites(sites):
    with pytest.raises(WxflyError, match="two sites or more"):
        wxfly.compare(sites)


def test_a_site_that_is_no_text_is_refused():
    with pytest.raises(WxflyError, match="wanted a text"):
        wxfly.best((54.3, -8.7))


def test_the_facts_are_those_of_the_json_answer():
    answer = wxfly.best("Kelderness", height=80.0)
    facts = answer.facts
    assert facts.question.places[0].height == 80.0
    assert facts.sites[0].windows[0].margin == pytest.approx(answer.windows[0].margin, abs=1e-5)


# --- keywords ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("units", ["metric", "imperial", "aviation"])
def test_a_number_is_si_whatever_the_units_of_the_answer(units):
    words = read_keywords(
        "best",
        {
            "height": 80,
            "duration": 5400.0,
            "distance": np.float64(400.0),
            "payload": 0.12,
            "battery_temperature": 293.15,
            "units": units,
        },
    )
    question = read_question("best", [], words)
    assert question.height == 80.0
    assert question.work.planned == np.timedelta64(5400, "s")
    assert (question.sortie.distance, question.sortie.payload) == (400.0, pytest.approx(0.12))
    assert question.sortie.battery_temperature == pytest.approx(293.15)


def test_a_text_has_its_unit():
    words = read_keywords("best", {"height": "260ft", "duration": "2h", "toward": "SW"})
    question = read_question("best", [], words)
    assert question.height == pytest.approx(79.248)
    assert question.toward == 225.0
    assert read_question("best", [], read_keywords("best", {"toward": 225})).toward == 225.0


def test_days_and_moments_come_in_several_types():
    words = read_keywords("best", {"day": date(2026, 3, 16), "as_of": datetime(2026, 3, 14, 7, tzinfo=UTC)})
    assert (words.day, words.as_of) == ("2026-03-16", "2026-03-14T07:00:00+00:00")
    expected = np.datetime64("2026-03-14T07:00:00")
    east = timezone(timedelta(hours=2))
    for value in ("2026-03-14T07:00Z", expected, datetime(2026, 3, 14, 7), datetime(2026, 3, 14, 9, tzinfo=east)):
        assert read_as_of(value) == expected


def test_names_of_elements_come_alone_or_in_a_list():
    assert read_keywords("best", {"required": "kp"}).required == ("kp",)
    assert read_keywords("best", {"required": ["kp", "fog"], "height": None}).required == ("kp", "fog")


@pytest.mark.parametrize(
    ("kind", "given", "told"),
    [
        ("best", {"hieght": 80.0}, "did you mean 'height'"),
        ("best", {"days": 5}, "did you mean 'day'"),
        ("week", {"day": "2026-03-16"}, "did you mean 'days'"),
        ("best", {"gust": "5m/s"}, "keyword 'gust' is not known"),
        ("best", {"height": True}, "height=True is not understood; wanted a number in m or a text with its unit"),
        ("best", {"height": float("nan")}, "height=nan is not understood"),
        ("best", {"height": ""}, "height='' is not understood"),
        ("best", {"units": "metrc"}, "did you mean 'metric'"),
        ("best", {"prefer": "low_light"}, "did you mean 'low-light'"),
        ("best", {"reserve": "a fifth"}, "not a share"),
        ("best", {"wait": 13}, "wanted a whole number from 0 to 12"),
        ("week", {"days": 17}, "wanted a whole number from 1 to 16"),
        ("best", {"offline": "no"}, "wanted True or False"),
        ("best", {"aircraft": 249}, "wanted a text"),
        ("best", {"required": 3}, "wanted a name or a list of names"),
        ("best", {"as_of": np.datetime64("NaT", "s")}, "wanted a moment"),
        ("best", {"forecast_path": 5}, "wanted the path of a file"),
    ],
)
def test_what_does_not_fit_is_refused_with_a_way_out(kind, given, told):
    with pytest.raises(WxflyError) as fault:
        read_keywords(kind, given)
    assert told in str(fault.value)
    assert "\n" not in str(fault.value)


@pytest.mark.parametrize("kind", ["best", "compare", "week", "now"])
def test_keywords_are_the_options_of_the_command(kind):
    from wxfly.cli import main

    options = {p.name for p in main.commands[kind].params if p.param_type_name == "option"}
    files = {*(format.name for format in FORMATS), "overwrite", "more", "help_all", "verbose", "log", "quiet"}
    files |= {"exit_code", "alarm"}
    assert set(names_of(kind)) >= options - files
    signature = inspect.signature(getattr(wxfly, kind))
    assert set(list(signature.parameters)[1:]) == set(names_of(kind))
