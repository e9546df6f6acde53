"""Every label that a pilot sees stands on the page of labels with its origin: a new one must enter there."""

import ast
import re
from pathlib import Path

from wxfly.answer.windows import Room
from wxfly.assessment.suitability import STATE_WORDS
from wxfly.pilot.elements import BY_NAME
from wxfly.pilot.limit_rules import GRADES
from wxfly.probability.chance import kind_of

ROOT = Path(__file__).parent.parent
PAGE = ROOT / "docs" / "reference" / "labels.md"
REPORT = ROOT / "wxfly" / "report"
ORIGINS = {"trade", "standard", "ours"}
_LABEL = re.compile(r"[A-Z][A-Za-z ,'-]+")


def labels_in(path):
    """Return what a module of words puts before its lines, and the headings of its blocks and pages."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if (
            isinstance(node, ast.Call)
            and getattr(node.func, "id", "") in ("VerdictLine", "Block")
            and len(node.args) > 1
        ):
            if isinstance(node.args[1], ast.Constant):
                found.add(node.args[1].value)
        elif isinstance(node, ast.Tuple) and len(node.elts) == 2 and isinstance(node.elts[0], ast.Constant):
            word = node.elts[0].value
            if isinstance(word, str) and _LABEL.fullmatch(word):
                found.add(word)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            found |= set(re.findall(r"<h2>([A-Z][^<{]*)</h2>", node.value))
    return found


def labels():
    found = {element.title for element in BY_NAME.values()} | set(STATE_WORDS)
    found |= {*Room, *(kind_of(chance) for chance in (0.1, 0.5, 0.9)), *GRADES}
    for path in sorted(
        [*(REPORT / "text").glob("*.py"), *(REPORT / "pages").glob("*.py"), REPORT / "facts" / "verdict.py"]
    ):
        found |= labels_in(path)
    return found


def rows():
    return [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in PAGE.read_text(encoding="utf-8").splitlines()
        if line.startswith("| ") and not line.startswith("| label")
    ]


def test_every_label_has_its_origin():
    told = {label: origin for label, origin, _ in rows()}
    assert sorted(labels() - set(told)) == []
    assert set(told.values()) == ORIGINS
    assert len(told) == len(rows())
