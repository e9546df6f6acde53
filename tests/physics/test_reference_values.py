"""Published values, each with its source in its row: tests/reference/*.csv."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TESTS))

import check_values  # noqa: E402

SUBJECTS = ("air", "sky", "sun", "people", "rotor", "chance")
ROWS = [row for subject in SUBJECTS for row in check_values.read_rows(TESTS / "reference" / f"{subject}.csv")]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.quantity}: {row.inputs}")
def test_value(row: check_values.Row) -> None:
    result = check_values.run(row)
    assert result.outcome == "passed", f"expected {row.expected} ({row.source}): {result.reason}"


def test_every_row_names_its_source() -> None:
    assert all(row.source and row.source_kind for row in ROWS)
