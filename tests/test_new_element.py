"""A new element is one row: a made-up one is put into the table and found in every output."""

import json
import subprocess
import sys

ROW = """
    Element(
        "mugginess", "mugginess", "at_most", "1", "", "mugginess",
        "relative_humidity", LimitOf(fixed=1.1), Family.WARMTH, ("relative_humidity",),
        errors={"kind": "normal", "error": [0.05, 0.06, 0.07, 0.08, 0.09], "source": "made up for a test"},
    ),
"""
PROGRAM = f"""
import importlib.util, pathlib, sys
name = "wxfly.pilot.elements"
spec = importlib.util.find_spec(name)
module = importlib.util.module_from_spec(spec)
sys.modules[name] = module
source = pathlib.Path(spec.origin).read_text(encoding="utf-8")
before, mark, after = source.partition(")  # fmt: skip\\n\\nRETURN_LEG")
assert mark
exec(compile(before + {ROW!r} + mark + after, spec.origin, "exec"), module.__dict__)
from wxfly.cli import main
main.main(args=sys.argv[1:], prog_name="wxfly")
"""


def run(*arguments, **given):
    command = [sys.executable, "-X", "utf8", "-c", PROGRAM, *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=True, **given)
    return done.stdout


def test_a_row_in_the_table_is_in_text_json_csv_page_and_calendar(tmp_path):
    asked = ("week", "Kelderness", "--require", "mugginess")
    page, calendar = tmp_path / "week.html", tmp_path / "week.ics"
    text = run(*asked, "--html", page, "--ics", calendar)
    assert "mugginess" in text
    answer = json.loads(run(*asked, "--json"))
    (site,) = answer["sites"]
    assert "mugginess" in [element["name"] for element in site["elements"]]
    assert "mugginess" in run(*asked, "--csv").partition("\n")[0]
    assert "mugginess" in page.read_text(encoding="utf-8")
    assert "mugginess" in calendar.read_text(encoding="utf-8").replace("\n ", "")
