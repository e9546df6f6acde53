"""Whatever grows is one row: a made-up one of each kind is put into its table before anything reads it, and found."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROWS = {
    "wxfly.units": [
        (
            'Unit("cub/s", "speed", 0.4572, decimals=2, sign="cubit/s", spellings=("cubits per second",)),',
            'Unit("m", "length"',
        ),
        (
            """"cubits": {
                "wind": "cub/s", "height": "m", "temperature": "degC", "precipitation": "mm/h", "visibility": "km",
                "pressure": "hPa",
            },""",
            "}  # fmt: skip\n\n\n_SHOWN_AS",
        ),
    ],
    "wxfly.pilot.limit_rules": [
        (
            """"squared": LimitRule(
                lambda demand, limit: margin_at_most(np.square(demand), np.square(limit)),
                "demand squared at most the limit squared", "{subject}, {demand}² of {limit}² {unit}",
            ),""",
            '}  # fmt: skip\n"""The rules, by the name',
        ),
    ],
    "wxfly.pilot.elements": [
        (
            """Element(
                "mugginess", "mugginess", "squared", "1", "", "mugginess",
                "relative_humidity", LimitOf(fixed=0.9), Family.WARMTH, ("relative_humidity",),
                errors={"kind": "normal", "error": [0.05, 0.06, 0.07, 0.08, 0.09], "source": "made up for a test"},
            ),
            Element(
                "bluster", "bluster", "at_most", "m s-1", "wind", "bluster at {height}",
                "largest_wind_speed", LimitOf(fixed=90.0), Family.WIND, ("wind_speed",), changes_with_height=True,
                errors={"kind": "normal", "error": [1.0, 1.1, 1.2, 1.3, 1.4], "source": "made up for a test"},
            ),""",
            ")  # fmt: skip\n\nRETURN_LEG",
        ),
    ],
    "wxfly.assessment.suitability": [('    GENEROUS = "generous", lambda reserve: reserve + 0.1', "\n    words: str")],
    "wxfly.report.formats": [
        (
            """Format("tally", "Print how many sites there are.", lambda asked: b"%d\\n" % len(asked.briefing.answers)),
            Format("slip", "Also write a slip to this file.", lambda asked: b"slip of wxfly", b"slip of"),""",
            ")\n\n\ndef check_place",
        ),
    ],
    "wxfly.pilot.options": [
        (
            '    wish: str | None = _row(Text(), Heading.SORTIE, "A made-up word.", "WORD", default="none")\n',
            "    units: str | None = _row(",
        ),
    ],
    "wxfly.pilot.services": [
        (
            """Service(
                "made_up", "https://made-up.example.org/v1", "Made-up forecast", "a test", "nothing", "none",
                "Made-up service", "Data by nobody", reader="made_up", kept_as="made_up", model="made_up",
            ),""",
            "    )\n}  # fmt: skip\n",
        ),
    ],
}
PROGRAM = """
import importlib.machinery, json, runpy, sys, types
from datetime import UTC, datetime
from click.testing import CliRunner

rows, commands = json.load(sys.stdin)
plain = importlib.machinery.SourceFileLoader.get_code

def with_rows(loader, name):
    if name not in rows:
        return plain(loader, name)
    source = loader.get_source(name)
    for row, mark in rows[name]:
        assert source.count(mark) == 1, (name, mark)
        source = source.replace(mark, row + "\\n" + mark)
    return compile(source, loader.path, "exec")

importlib.machinery.SourceFileLoader.get_code = with_rows

from tests.retrieval.test_second_source import second
from wxfly.assessment.suitability import STATE_WORDS
from wxfly.cli import main
from wxfly.history.observations import parse_csv
from wxfly.library.answers import names_of
from wxfly.library.hours import STATES
from wxfly.pilot.services import SERVICES
from wxfly.pilot.settings import load_settings
from wxfly.report.charts import shades
from wxfly.report.schemas import schema
from wxfly.report.text.console import joined_units
from wxfly.sources import met_norway
from wxfly.sources.reply import Reply
from wxfly.units import read_as

def parse_forecast(body, **more):
    cube = met_norway.parse_forecast(body, **more)
    return cube.assign_attrs(model="made_up", source="Made-up service", attribution=SERVICES["made_up"].attribution)

def get_forecast(site, *, settings, last_modified=""):
    now = datetime.now(UTC)
    body = second(updated=f"{now:%Y-%m-%dT%H}:00:00Z").body.replace(b"2026-03-10", f"{now:%Y-%m-%d}".encode())
    return Reply(200, {}, body), now

def parse_kept(reply):
    return parse_forecast(reply.body, retrieved=reply.retrieved, site=reply.place, what=reply.what)

sys.modules["made_up"] = reader = types.ModuleType("made_up")
reader.__dict__.update(parse_forecast=parse_forecast, get_forecast=get_forecast, parse_kept=parse_kept)
said = {name: CliRunner().invoke(main, arguments) for name, arguments in commands.items()}
reference = runpy.run_path("docs/generate_reference.py")["PAGES"]
settings = load_settings()
try:
    from starlette.testclient import TestClient
except ImportError:
    sent = None
else:
    from wxfly.web.app import make_app
    page = TestClient(make_app(), base_url="http://127.0.0.1:8017")
    sent = {address: page.get(address).text for address in ("/week.tally?place=Kelderness", "/week?place=Kelderness")}
json.dump({
    "sent": sent,
    **{name: [one.exit_code, one.stdout, " ".join(one.output.split())] for name, one in said.items()},
    **{page: reference[page]() for page in ("elements.md", "services.md", "settings.md")},
    "schema": str(schema()), "legend": [words for _, words in shades.legend(0.2)],
    "keywords": list(names_of("best")), "frame": list(STATES.categories), "ledger": STATE_WORDS,
    "spelt": read_as("cubits per second", "m s-1").symbol, "joined": joined_units("9 cubit/s"),
    "column": parse_csv("time,wind_speed [cub/s]\\n2026-06-10T14:00Z,10\\n", "").columns["wind_speed"].tolist(),
    "address": settings.addresses["made_up"], "key": settings.key_for(settings.addresses["made_up"]),
}, sys.stdout)
"""


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    """Ask everything in one process that has the rows; for each command its code, what it printed and all it said."""
    folder = tmp_path_factory.mktemp("rows")
    (folder / "config").mkdir()
    (folder / "config" / "config.toml").write_text(
        'contact = "pilot@example.org"\n[sources]\nmade_up = "https://mirror.example.org/v1/"\n'
    )
    (folder / "thesis").write_text("years of work")
    page, calendar, slip = (str(folder / name) for name in ("week.html", "week.ics", "slip"))
    week = ["week", "Kelderness", "--require", "mugginess", "--units", "cubits", "--launch-limit", "20cub/s"]
    best = ["best", "52.31,6.84", "--require", "wind"]
    commands = {
        "text": [*week, "--more", "--html", page, "--ics", calendar],
        "json": [*week, "--json"], "csv": [*week, "--csv"],
        "tally": [*week, "--tally"], "both": [*week, "--tally", "--json"], "help": ["week", "--help-all"],
        "slip": [*week, "--slip", slip], "again": [*week, "--slip", slip],
        "refused": [*week, "--slip", str(folder / "thesis")], "aircraft": ["aircraft", "--units", "cubits"],
        "named": [*best, "--model", "made_up", "--json"], "kept": [*best, "--model", "made_up", "--offline"],
        "plan": ["plans", "add", "made", "--wish", "luck"], "plans": ["plans", "show", "made", "--json"],
        "wished": [*week, "--plan", "made", "--json"], "set": ["set", "wish", "luck"], "settings": ["settings"],
        "why": ["why", "Kelderness", "2026-03-19T12:00Z", "--require", "mugginess", "--units", "cubits", "--more"],
        "heights": ["compare", "Kelderness@20m", "Kelderness@100m", "--json"],
        "back_above": ["best", "Kelderness", "--height", "20m", "--return-height", "100m", "--json"],
        "back_below": ["best", "Kelderness", "--height", "100m", "--return-height", "20m", "--json"],
        "instead": best, "misspelt": [*best, "--model", "made_upp"],
    }  # fmt: skip
    with pytest.MonkeyPatch.context() as changed:
        changed.setenv("WXFLY_CONFIG", str(folder / "config"))
        changed.setenv("WXFLY_CACHE", str(folder / "cache"))
        changed.setenv("WXFLY_PATIENCE", "0.5")
        done = subprocess.run(
            [sys.executable, "-X", "utf8", "-c", PROGRAM], input=json.dumps([ROWS, commands]), env=os.environ,
            capture_output=True, text=True, encoding="utf-8", cwd=Path(__file__).parents[1],
        )  # fmt: skip
    assert done.returncode == 0, done.stderr
    files = {name: (folder / name).read_text(encoding="utf-8").replace("\n ", "") for name in ("week.html", "week.ics")}
    return json.loads(done.stdout) | files | {"files": sorted(path.name for path in folder.iterdir())}


@pytest.mark.thorough
def test_an_element(found):
    answer = json.loads(found["json"][1])
    assert "mugginess" in [element["name"] for element in answer["sites"][0]["elements"]]
    assert "mugginess" in found["csv"][1].partition("\n")[0]
    assert all("mugginess" in text for text in (found["text"][1], found["week.html"], found["week.ics"]))
    assert "`mugginess`" in found["elements.md"]


def test_an_element_that_changes_with_height(found):
    low, high = (
        next(element for element in site["elements"] if element["name"] == "bluster")
        for site in json.loads(found["heights"][1])["sites"]
    )
    assert len(low["demand"]) == len(high["demand"]) > 20
    assert all(below < above for below, above in zip(low["demand"], high["demand"], strict=True))
    assert "`bluster`" in found["elements.md"]
    for way in ("back_above", "back_below"):  # the flight goes at both heights: the higher one asks more
        (site,) = json.loads(found[way][1])["sites"]
        assert next(e for e in site["elements"] if e["name"] == "bluster")["demand"] == high["demand"]


def test_a_limit_rule(found):
    element = next(e for e in json.loads(found["json"][1])["sites"][0]["elements"] if e["name"] == "mugginess")
    assert element["sense"] == "squared"
    margins = [m for m in element["margin"] if m is not None]
    assert margins == pytest.approx([1 - (d / 0.9) ** 2 for d in element["demand"] if d is not None], abs=1e-5)
    assert "² of 0.9²" in found["week.html"]
    assert "'squared'" in found["schema"]
    assert "demand squared at most the limit squared" in found["elements.md"]


def test_a_unit(found):
    assert json.loads(found["json"][1])["display_units"] == "cubits"
    assert all(re.search(r"\d\.\d\d.cubit/s", found[name]) for name in ("week.html", "week.ics"))
    assert re.search(r"\d\.\d\d.cubit/s", found["text"][1])
    assert "gust_demand[cub/s]" in found["csv"][1]
    assert "cub/s" in found["aircraft"][1]
    assert "m, cub/s and degC" in found["help"][2]
    assert (found["spelt"], found["joined"]) == ("cub/s", "9\N{NO-BREAK SPACE}cubit/s")
    assert found["column"] == pytest.approx([4.572])


def test_a_state(found):
    assert "generous" in json.loads(found["json"][1])["sites"][0]["hours"]["state"]
    assert all("generous" in text for text in (found["text"][1], found["csv"][1], found["week.ics"]))
    words = ["generous, margin 0.60 or more", "generous, margin 0.30 to 0.60", "inside, margin 0.20 to 0.30"]
    assert found["legend"][:3] == words
    assert ".generous { background: #" in found["week.html"]
    assert "'generous'" in found["schema"]
    assert (found["frame"][-1], found["ledger"][0]) == ("generous", "generous")


def test_why_knows_every_new_row(found):
    assert found["why"][0] == 0, found["why"]
    assert "mugginess" in found["why"][1]


def test_an_output_format(found):
    assert found["tally"][:2] == [0, "1\n"]
    assert (found["slip"][0], found["again"][0]) == (0, 0)
    assert "slip" in found["files"]
    assert found["refused"][0] == 1
    assert "13 bytes that wxfly did not write" in found["refused"][2]
    assert "--json and --tally print the answer; give one of them" in found["both"][2]
    assert "--tally Print how many sites there are." in found["help"][2]


def test_an_output_format_of_the_page(found):
    if found["sent"] is None:
        pytest.skip("the extra web is not installed")
    asked = "place=Kelderness"
    assert found["sent"][f"/week.tally?{asked}"] == "1\n"
    assert f'href="/week.tally?{asked}"' in found["sent"][f"/week?{asked}"]


def test_an_option(found):
    assert "--wish WORD A made-up word. [default: none]" in found["help"][2]
    assert json.loads(found["plans"][1]) == {"wish": "luck"}
    assert {"option": "wish", "source": "plan made"} in json.loads(found["wished"][1])["question"]["origins"]
    assert "wish = luck (file)" in found["set"][1]
    assert re.search(r"wish +file +luck", found["settings"][1])
    assert "| `wish` | `--wish` | A made-up word. |" in found["settings.md"]
    assert "wish" in found["keywords"]


def test_a_source(found):
    assert [found[name][0] for name in ("named", "kept", "instead")] == [0, 0, 0]
    assert "Data by nobody" in found["named"][1]
    assert "Forecast from the store" in found["kept"][1]
    assert "Made-up service answers in place of" in found["instead"][2]
    assert "did you mean 'made_up'" in found["misspelt"][2]
    assert (found["address"], found["key"]) == ("https://mirror.example.org/v1", {})
    assert "Made-up forecast" in found["services.md"]
    assert "WXFLY_MADE_UP_URL" in found["settings.md"]
