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
import importlib.util, json, pathlib, sys
name = "wxfly.pilot.elements"
spec = importlib.util.find_spec(name)
module = importlib.util.module_from_spec(spec)
sys.modules[name] = module
source = pathlib.Path(spec.origin).read_text(encoding="utf-8")
before, mark, after = source.partition(")  # fmt: skip\\n\\nRETURN_LEG")
assert mark
exec(compile(before + {ROW!r} + mark + after, spec.origin, "exec"), module.__dict__)
from click.testing import CliRunner
from wxfly.cli import main
ask = CliRunner().invoke
answers = [ask(main, asked, prog_name="wxfly", catch_exceptions=False) for asked in json.loads(sys.argv[1])]
print(json.dumps([answer.stdout for answer in answers]))
"""


def test_a_row_in_the_table_is_in_text_json_csv_page_and_calendar(tmp_path):
    asked = ["week", "Kelderness", "--require", "mugginess"]
    page, calendar = tmp_path / "week.html", tmp_path / "week.ics"
    questions = [[*asked, "--html", str(page), "--ics", str(calendar)], [*asked, "--json"], [*asked, "--csv"]]
    command = [sys.executable, "-X", "utf8", "-c", PROGRAM, json.dumps(questions)]
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=True)
    text, answer, table = json.loads(done.stdout)
    assert "mugginess" in text
    (site,) = json.loads(answer)["sites"]
    assert "mugginess" in [element["name"] for element in site["elements"]]
    assert "mugginess" in table.partition("\n")[0]
    assert "mugginess" in page.read_text(encoding="utf-8")
    assert "mugginess" in calendar.read_text(encoding="utf-8").replace("\n ", "")
