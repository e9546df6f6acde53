"""Write what a pilot reads for each fault; ``python -m tests.faults.show docs/evidence/faults.md``.

The figures below the table are measured by other commands, which stand beside them; they are left as they are.
"""

import os
import re
import sys
import tempfile
from pathlib import Path

from tests.faults.table import FAULTS, PATIENCE
from tests.server import WeatherServer

HEAD = """# What a pilot reads when the forecast service fails

Each fault was played over a real socket by the test suite's server (`tests/faults/table.py`), to a site at 52.31, 6.84
with nothing in the store; this page is what came out, written by `python -m tests.faults.show`. With a forecast in the
store the answer is given from that one instead, its first line says how old it is, and the line below follows.

The test `tests/faults/test_faults.py` plays all of them through the command, with and without a stored forecast: exit
code 1 and this one line without; exit code 0 and the answer of the stored forecast with it, and the store's files byte
by byte what they were.

| fault | what the pilot reads |
|---|---|
"""
FIGURES = "\n# What the store bears\n"


def page() -> str:
    """Play every fault and give the page."""
    server = WeatherServer()
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        os.environ |= server.environment()
        os.environ |= {"WXFLY_CACHE": folder, "WXFLY_CONFIG": f"{folder}/config"}
        from wxfly.errors import WxflyError
        from wxfly.pilot.site import Site
        from wxfly.retrieval.forecast import obtain

        saved = {"heath": Site("heath", 52.31, 6.84, 31.0, "Europe/Amsterdam")}
        for name, (fault, _) in FAULTS.items():
            server.always["forecast"] = fault
            os.environ["WXFLY_PATIENCE"] = str(PATIENCE.get(name, 3.0))
            try:
                obtain(["heath"], saved=saved, model="icon_eu")
                said = "(an answer)"
            except WxflyError as error:
                said = re.sub(r" \(tried \d+ times\)", "", str(error)).replace("|", "\\|")
            rows.append(f"| {name} | {said} |")
    server.close()
    return HEAD + "\n".join(rows) + "\n"


if __name__ == "__main__":
    target = Path(sys.argv[1])
    _, mark, figures = target.read_text(encoding="utf-8").partition(FIGURES) if target.is_file() else ("", "", "")
    target.write_text(page() + mark + figures, encoding="utf-8")
