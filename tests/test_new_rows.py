"""Whatever grows is one row: a made-up one is put into its table, before anything reads it, and found everywhere."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

PROGRAM = """
import importlib.machinery, json, runpy, sys
from click.testing import CliRunner

rows, code, commands = json.load(sys.stdin)
plain = importlib.machinery.SourceFileLoader.get_code

def with_rows(loader, name):
    if name not in rows:
        return plain(loader, name)
    source = loader.get_source(name)
    for row, mark in rows[name]:
        assert source.count(mark) == 1, (name, mark)
        source = source.replace(mark, row + mark)
    return compile(source, loader.path, "exec")

importlib.machinery.SourceFileLoader.get_code = with_rows
shown = {}
exec(code, {"shown": shown})
from wxfly.cli import main
said = [CliRunner().invoke(main, arguments) for arguments in commands]
reference = runpy.run_path("docs/generate_reference.py")
shown |= {page: reference["PAGES"][page]() for page in ("elements.md", "services.md", "settings.md")}
json.dump([[one.exit_code, one.output, one.stdout] for one in said] + [shown], sys.stdout)
"""
HERE = Path(__file__).parents[1]


def run(rows, *commands, code=""):
    """Run commands in a new process with rows before marks of modules; give code and words of each."""
    given = json.dumps([rows, code, [[str(word) for word in command] for command in commands]])
    command = [sys.executable, "-X", "utf8", "-c", PROGRAM]
    done = subprocess.run(command, input=given, capture_output=True, text=True, encoding="utf-8", cwd=HERE)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def answers(tmp_path, rows, *words, code=""):
    """Answer for a week in every format: text, JSON, CSV, page, calendar, and the pages of the reference."""
    asked = ["week", "Kelderness", *words]
    page, calendar = tmp_path / "week.html", tmp_path / "week.ics"
    forms = ([*asked, "--html", page, "--ics", calendar], [*asked, "--json"], [*asked, "--csv"])
    *said, shown = run(rows, *forms, code=code)
    assert [exit_code for exit_code, *_ in said] == [0, 0, 0], said
    answer = json.loads(said[1][2])
    files = (path.read_text(encoding="utf-8").replace("\n ", "") for path in (page, calendar))
    return said[0][1], answer, said[2][2], *files, shown


MUGGINESS = """
    Element(
        "mugginess", "mugginess", "%s", "1", "", "mugginess",
        "relative_humidity", LimitOf(fixed=1.1), Family.WARMTH, ("relative_humidity",),
        errors={"kind": "normal", "error": [0.05, 0.06, 0.07, 0.08, 0.09], "source": "made up for a test"},
    ),
"""
ELEMENTS = ")  # fmt: skip\n\nRETURN_LEG"


def test_an_element(tmp_path):
    rows = {"wxfly.pilot.elements": [(MUGGINESS % "at_most", ELEMENTS)]}
    text, answer, table, *others = answers(tmp_path, rows, "--require", "mugginess")
    assert "mugginess" in [element["name"] for element in answer["sites"][0]["elements"]]
    assert all(
        "mugginess" in found for found in (text, table.partition("\n")[0], *others[:2], others[2]["elements.md"])
    )


RULE = """    "squared": LimitRule(
        lambda demand, limit: margin_at_most(np.square(demand), np.square(limit)),
        "demand squared at most the limit squared", "{subject}, {demand}² of {limit}² {unit}",
    ),
"""


def test_a_limit_rule(tmp_path):
    rows = {
        "wxfly.pilot.limit_rules": [(RULE, '}  # fmt: skip\n"""By the name that an element')],
        "wxfly.pilot.elements": [(MUGGINESS % "squared", ELEMENTS)],
    }
    code = "from wxfly.report.facts import schema\nshown['schema'] = str(schema())"
    text, answer, _, page, _, shown = answers(tmp_path, rows, "--require", "mugginess", code=code)
    element = next(e for e in answer["sites"][0]["elements"] if e["name"] == "mugginess")
    assert element["sense"] == "squared"
    known = [(d, m) for d, m in zip(element["demand"], element["margin"], strict=True) if d is not None]
    assert known
    assert all(m == pytest.approx(1 - (d / 1.1) ** 2, abs=1e-5) for d, m in known)
    assert "² of 1.1²" in text + page
    assert "'squared'" in shown["schema"]
    assert "demand squared at most the limit squared" in shown["elements.md"]


UNIT = 'Unit("cub/s", "speed", 0.4572, decimals=2, sign="cubit/s", spellings=("cubits per second",)),\n        '
SYSTEM = """    "cubits": {
        "wind": "cub/s", "height": "m", "temperature": "degC", "precipitation": "mm/h", "visibility": "km",
        "pressure": "hPa",
    },
"""


def test_a_unit(tmp_path):
    rows = {
        "wxfly.units": [
            (UNIT, 'Unit("m", "length"'),
            (SYSTEM, "}  # fmt: skip\n\n\n_SHOWN_AS"),
        ]
    }  # fmt: skip
    code = """
from wxfly.history.observations import parse_csv
from wxfly.report.text.console import joined_units
from wxfly.units import read_as
shown["read"] = read_as("cubits per second", "m s-1").symbol
shown["joined"] = joined_units("9 cubit/s")
observed = parse_csv("time,wind_speed [cub/s]\\n2026-06-10T14:00Z,10\\n", "a test")
shown["speeds"] = observed.columns["wind_speed"].tolist()
"""
    words = ("--units", "cubits", "--launch-limit", "20cub/s")
    text, answer, table, page, calendar, shown = answers(tmp_path, rows, *words, code=code)
    assert answer["question"]["display_units"] == "cubits"
    assert all(re.search(r"\d\.\d\d.cubit/s", found) for found in (text, page, calendar))
    assert "gust_demand[cub/s]" in table
    assert (shown["read"], shown["joined"]) == ("cub/s", "9\N{NO-BREAK SPACE}cubit/s")
    assert shown["speeds"] == pytest.approx([4.572])
    (_, told, _), (_, listed, _), _ = run(rows, ["best", "--help"], ["aircraft", "--units", "cubits"])
    assert "m, cub/s and degC" in " ".join(told.split())
    assert "cub/s" in listed


FORMATS = """    Format(
        "tally", "Print how many windows there are.",
        lambda asked: b"%d\\n" % len(asked.briefing.answers[0].windows),
    ),
    Format("slip", "Also write a slip to this file.", lambda asked: b"slip of wxfly", b"slip of"),
"""


def test_an_output_format(tmp_path):
    rows = {"wxfly.report.formats": [(FORMATS, ")\n\n\ndef check_place")]}
    (tmp_path / "thesis").write_text("years of work")
    asked = ["week", "Kelderness"]
    tally, slip, again, refused, both, told, _ = run(
        rows, [*asked, "--tally"], [*asked, "--slip", tmp_path / "a"], [*asked, "--slip", tmp_path / "a"],
        [*asked, "--slip", tmp_path / "thesis"], [*asked, "--json", "--tally"], ["week", "--help"],
    )  # fmt: skip
    assert int(tally[2]) > 0
    assert (slip[0], again[0], (tmp_path / "a").read_text()) == (0, 0, "slip of wxfly")
    assert refused[0] == 1
    assert "13 bytes that wxfly did not write" in refused[1]
    assert "--json and --tally both print the answer" in both[1]
    assert "--tally" in told[1]
    assert "Also write a slip to this file." in " ".join(told[1].split())


def test_a_state(tmp_path):
    row = '    GENEROUS = "generous", lambda reserve: reserve + 0.1\n'
    code = """
from wxfly.assessment.state import STATE_WORDS
from wxfly.report.facts import schema
from wxfly.library.frames import STATES
from wxfly.report.charts import shades
shown |= {"schema": str(schema()), "frame": list(STATES.categories), "ledger": STATE_WORDS}
shown["legend"] = [words for _, words in shades.legend(0.2)]
"""
    rows = {"wxfly.assessment.state": [(row, "\n    words: str")]}
    text, answer, table, page, calendar, shown = answers(tmp_path, rows, code=code)
    assert "generous" in answer["sites"][0]["hours"]["state"]
    assert all("generous" in found for found in (text, table, calendar))
    assert shown["legend"][:3] == [
        "generous, margin 0.60 or more", "generous, margin 0.30 to 0.60", "inside, margin 0.20 to 0.30",
    ]  # fmt: skip
    assert ".generous { background: #" in page
    assert "'generous'" in shown["schema"]
    assert (shown["frame"][-1], shown["ledger"][0]) == ("generous", "generous")


SERVICE = """        Service(
            "made_up", "https://made-up.example.org/v1", "Made-up forecast", "a test", "nothing", "none",
            "Made-up service", "Data by nobody", reader="made_up", kept_as="made_up", model="made_up",
        ),
"""
READER = """
import json, sys, types
from datetime import UTC, datetime
from tests.retrieval.test_second_source import second
from wxfly.pilot.services import SERVICES
from wxfly.pilot.settings import load_settings
from wxfly.sources import met_norway
from wxfly.sources.reply import Reply

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
settings = load_settings()
shown |= {"address": settings.addresses["made_up"], "key": settings.key_for(settings.addresses["made_up"])}
"""


def test_a_source(own_folders, monkeypatch):
    monkeypatch.setenv("WXFLY_PATIENCE", "0.5")
    monkeypatch.delenv("WXFLY_MADE_UP_URL", raising=False)
    (own_folders / "config").mkdir()
    words = 'contact = "pilot@example.org"\n[sources]\nmade_up = "https://mirror.example.org/v1/"\n'
    (own_folders / "config" / "config.toml").write_text(words)
    rows = {"wxfly.pilot.services": [(SERVICE, "    )\n}  # fmt: skip\n")]}
    asked = ["best", "52.31,6.84", "--require", "wind"]
    named, kept, instead, misspelt, shown = run(
        rows, [*asked, "--model", "made_up", "--json"], [*asked, "--model", "made_up", "--offline"], asked,
        [*asked, "--model", "made_upp"], code=READER,
    )  # fmt: skip
    assert (named[0], kept[0], instead[0]) == (0, 0, 0), (named, kept, instead)
    assert "Data by nobody" in named[2]
    assert "Forecast from the store" in kept[1]
    assert "Made-up service answers in place of" in " ".join(instead[1].split())
    assert "did you mean 'made_up'" in misspelt[1]
    assert (shown["address"], shown["key"]) == ("https://mirror.example.org/v1", {})
    assert "Made-up forecast" in shown["services.md"]
    assert "WXFLY_MADE_UP_URL" in shown["settings.md"]
