"""Check wxfly against a table of published values.

    python tests/check_values.py FILE.csv [--verbose]

The table has the columns quantity, inputs, expected, tolerance, source, source_kind. Each quantity is
computed by a public function of wxfly (or, where a library does it for wxfly, by the call that wxfly makes);
what differs from the expected value by more than the tolerance fails. Prints a line for each quantity, and
last a JSON object. The exit code is 0 when nothing failed.
"""

from __future__ import annotations

import csv
import importlib
import json
import pkgutil
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
for folder in (HERE, HERE.parent):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))

import checks  # noqa: E402
from checks.reading import CHECKS, NotCoveredError, Row, is_near  # noqa: E402

for _module in pkgutil.iter_modules(checks.__path__):
    importlib.import_module(f"checks.{_module.name}")

COLUMNS = ("quantity", "inputs", "expected", "tolerance", "source", "source_kind")


@dataclass(frozen=True)
class Result:
    """What became of one row: passed, failed or not covered, and why."""

    row: Row
    outcome: str
    reason: str = ""


def read_rows(path: Path) -> list[Row]:
    """Read a table of check values."""
    with path.open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(line for line in file if not line.startswith("#"))
        missing = [c for c in COLUMNS[:4] if c not in (reader.fieldnames or [])]
        if missing:
            raise SystemExit(f"{path}: the column {missing[0]} is missing; wanted {', '.join(COLUMNS)}")
        return [Row(**{c: (line.get(c) or "").strip() for c in COLUMNS}) for line in reader]


def run(row: Row) -> Result:
    """Run one row."""
    if row.quantity not in CHECKS:
        return Result(row, "not covered", "wxfly does not compute this quantity")
    function, tolerance, relative = CHECKS[row.quantity]
    try:
        value = function(row)
        if isinstance(value, bool):
            good, shown = value, "as expected" if value else "otherwise"
        elif isinstance(value, str):
            good, shown = value.strip().lower() == row.expected.strip().lower(), value
        else:
            numbers = [float(v) for v in value] if hasattr(value, "__len__") else [float(value)]
            good, shown = is_near(numbers, row, tolerance, relative), "|".join(f"{n:.8g}" for n in numbers)
    except NotCoveredError as reason:
        return Result(row, "not covered", str(reason))
    except Exception as error:  # a row that breaks the function is a row that fails
        return Result(row, "failed", f"{type(error).__name__}: {error}")
    return Result(row, "passed" if good else "failed", "" if good else f"wxfly gives {shown}")


def summary(results: Iterable[Result]) -> dict[str, object]:
    """Count the outcomes, in all and for each quantity."""
    by_quantity: dict[str, dict[str, int]] = {}
    for result in results:
        counts = by_quantity.setdefault(result.row.quantity, {"passed": 0, "failed": 0, "not covered": 0})
        counts[result.outcome] += 1
    total = {k: sum(c[k] for c in by_quantity.values()) for k in ("passed", "failed", "not covered")}
    return {
        "passed": total["passed"],
        "failed": total["failed"],
        "not_covered": total["not covered"],
        "summary": f"{total['passed']} passed, {total['failed']} failed, {total['not covered']} not covered",
        "by_quantity": by_quantity,
    }


def main(arguments: list[str]) -> int:
    """Run a file and print what came of it."""
    names = [a for a in arguments if not a.startswith("-")]
    if len(names) != 1:
        print(__doc__, file=sys.stderr)
        return 2
    results = [run(row) for row in read_rows(Path(names[0]))]
    counted = summary(results)
    quantities = counted.pop("by_quantity")
    assert isinstance(quantities, dict)
    for quantity, counts in sorted(quantities.items()):
        print(
            f"{quantity:42} {counts['passed']:4} passed {counts['failed']:4} failed "
            f"{counts['not covered']:4} not covered"
        )
    for result in results:
        if result.outcome == "failed" or ("--verbose" in arguments and result.outcome == "not covered"):
            row = result.row
            print(
                f"{result.outcome}: {row.quantity}: {row.inputs}: expected {row.expected} "
                f"({row.tolerance}; {row.source}): {result.reason}"
            )
    print(json.dumps(counted))
    return 1 if counted["failed"] else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
