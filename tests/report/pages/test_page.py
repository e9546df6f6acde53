import base64
import gzip
import hashlib
import html.parser
import importlib.util
import json
import re
import subprocess
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
import pytest

import wxfly.report.pages.page as page_module
from tests.cubes import quiet_cube
from tests.halves import spread
from tests.report.briefings import MEADOW, brief, every_question, invented, page, with_gaps
from wxfly.errors import WxflyError
from wxfly.report.facts.values import CAUTIONS, INVENTED

ALL = every_question()
LARGEST = 2_300_000
EVIL = "<script>alert(1)</script><b>%{x}</b> $\\alpha$ &amp; \"'"


@cache
def reading_of(name):
    """Read the page of a question, made once for all that look at it."""
    return Reading(page(ALL[name]))


class Reading(html.parser.HTMLParser):
    """Reads what a page shows, its tables, and its scripts and styles."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.tags, self.shown, self.tables, self.raw, self.inside = [], [], [], {}, []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        self.inside.append((tag, dict(attributes).get("id")))
        if tag == "table":
            self.tables.append([])
        if tag == "tr":
            self.tables[-1].append([])
        if tag in ("td", "th"):
            self.tables[-1][-1].append("")

    def handle_endtag(self, tag):
        while self.inside and self.inside.pop()[0] != tag:
            pass

    def handle_data(self, data):
        tag, name = self.inside[-1] if self.inside else ("", None)
        if tag in ("script", "style"):
            self.raw.setdefault((tag, name), []).append(data)
            return
        self.shown.append(data)
        if tag in ("td", "th"):
            self.tables[-1][-1][-1] += data

    @property
    def text(self):
        return " ".join(" ".join(self.shown).replace("\u2060", "").split())

    def charts(self):
        return json.loads(gzip.decompress(base64.b64decode("".join(self.raw["script", "charts"]))))


@pytest.mark.parametrize("name", spread(ALL, 4))
def test_every_page_is_small_whole_and_says_where_it_is_from(name):
    text = page(ALL[name])
    assert len(text.encode()) < LARGEST
    reading = Reading(text)
    assert ("html", {"lang": "en"}) in reading.tags
    assert [tag for tag, _ in reading.tags].count("h1") == 1
    for wanted in (
        "https://example.org/",
        "Model a_model",
        "run Tue 9 Jun 2026 08:00 CEST",
        "6 h old",
        *CAUTIONS,
    ):
        assert wanted in reading.text
    assert any(tag == "a" and attributes["href"] == "https://example.org/" for tag, attributes in reading.tags)


@pytest.mark.parametrize("name", spread(ALL, 4))
def test_a_page_asks_for_nothing(name):
    reading = reading_of(name)
    for tag, attributes in reading.tags:
        assert "src" not in attributes
        assert "style" not in attributes
        assert not any(key.startswith("on") for key in attributes)
        assert tag not in ("link", "img", "iframe", "base", "object")


def test_the_policy_allows_exactly_what_is_in_the_page():
    reading = reading_of("best")
    (policy,) = (a["content"] for t, a in reading.tags if a.get("http-equiv") == "Content-Security-Policy")

    def sha(content):
        return f"'sha256-{base64.b64encode(hashlib.sha256(content).digest()).decode()}'"

    library = gzip.decompress(base64.b64decode("".join(reading.raw["script", "library"])))
    installed = Path(importlib.util.find_spec("plotly").origin).parent / "package_data" / "plotly.min.js"
    assert library == installed.read_bytes()
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    loader, style = ("".join(reading.raw[tag, None]).encode() for tag in ("script", "style"))
    assert rules["default-src"] == "'none'"
    assert rules["script-src"].split() == [sha(loader), sha(library)]
    assert rules["style-src"].split() == [sha(style), sha(b"")]
    assert "unsafe" not in policy
    assert "http" not in policy


@pytest.mark.parametrize("name", spread(ALL, 4))
def test_charts_in_the_page_are_ones_that_plotly_accepts(name):
    charts = reading_of(name).charts()
    assert charts
    for shapes in charts.values():
        assert set(shapes) == {"wide", "tall"}
        for figure in shapes.values():
            go.Figure({"data": shapes["wide"]["data"], **figure})


@pytest.mark.thorough
def test_sixteen_days_stay_below_the_limit():
    rng = np.random.default_rng(1)
    cube = quiet_cube(24 * 17)
    for name in ("wind_speed", "wind_speed_of_gust", "visibility_in_air", "air_temperature"):
        cube[name].values[:] *= rng.uniform(0.95, 1.0, cube[name].shape)  # numbers that pack as badly as weather
    assert len(page(brief("week", [cube], days=16)).encode()) < LARGEST


def test_every_chart_has_its_place_and_a_description():
    reading = reading_of("week")
    places = {a["id"]: a for t, a in reading.tags if a.get("class") == "chart"}
    assert set(places) == set(reading.charts())
    assert all(a["role"] == "img" and a["aria-label"] for a in places.values())


def test_the_tables_have_every_lit_hour():
    for name in ("best", "best with gaps", "week"):
        reading = reading_of(name)
        rows = sum(len(table) - 1 for table in reading.tables if table[0][1] == "state")
        lit = sum(int(a.lit_hours.sum()) for a in ALL[name].answers)
        assert rows >= lit


def test_what_the_decision_lacks_comes_before_the_answer():
    text = reading_of("best with gaps").text
    assert text.index("As far as known: ") < text.index("Not known: gust in 2 of 19 hours") < text.index("Tightest")
    assert text.partition("More of the answer")[0].count("gust in 2 of 19 hours") == 1


def test_a_demonstration_says_so_first():
    text = Reading(page(brief(sites=[invented()]))).text
    assert text.index("Invented, do not fly by this") < text.index(INVENTED) < text.index("Tightest")


@pytest.mark.parametrize("question", spread(["compare", "best", "week"], 2))
def test_a_name_shows_as_text_everywhere(question):
    site = replace(MEADOW, name=EVIL)
    sites = [site, replace(site, name="Hill")] if question == "compare" else [site]
    text = page(brief(question, sites=sites))
    reading = Reading(text)
    assert "<script>alert" not in text
    assert EVIL.replace("$\\alpha$", "$\\alpha$") in reading.text
    scripts = [a for t, a in reading.tags if t == "script"]
    assert [a.get("id") for a in scripts] == ["charts", "library", None]
    figures = json.dumps(reading.charts())
    assert "<script" not in figures
    assert "%{x}" not in re.sub(r'"hovertemplate": "[^"]*"', "", figures) or question == "compare"


def test_the_same_answer_gives_the_same_bytes():
    assert page(brief()) == page(brief())


@pytest.mark.thorough
def test_plotly_is_not_imported():
    program = (
        "import sys; import wxfly.report.pages.page, wxfly.report.charts.timeline; assert 'plotly' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", program], check=True)


def test_a_plotly_without_its_script_is_told(monkeypatch, tmp_path):
    (tmp_path / "__init__.py").write_text("")
    empty = importlib.util.spec_from_file_location("plotly", tmp_path / "__init__.py")
    monkeypatch.setattr(page_module.importlib.util, "find_spec", lambda name: empty)
    with pytest.raises(WxflyError, match=r"pip install --force-reinstall plotly"):
        page(brief(cubes=[with_gaps()]))
