"""Imports run one way: sources and physics at the bottom, the command line on top."""

import ast
from pathlib import Path

import wxfly

PACKAGE = Path(wxfly.__file__).parent

# Rank by module, or by folder for its modules. A module may import only what has a lower rank, its own folder aside.
RANK = {
    "console": 0,
    "errors": 0,
    "logs": 0.5,
    "coordinates": 1,
    "keys": 1,
    "physics": 1,
    "units": 1,
    "elements": 1,
    "site": 2,
    "aircraft": 2,
    "forecast": 2,
    "consistency": 3,
    "settings": 2,
    "own_files": 1,
    "own_tables": 1.5,
    "rules": 3,
    "limits": 4,
    "sources": 4,
    "netcdf": 3,
    "cube_contents": 3,
    "foreign_file": 3.3,
    "kept_replies": 3,
    "shipped": 3.3,
    "store_marks": 2.5,
    "store_file": 4.2,
    "store_layout": 4.2,
    "store_pruning": 4.4,
    "store": 4.6,
    "obtained": 4,
    "places": 5,
    "newest_stored": 5,
    "demonstration": 6,
    "forecast_file": 6,
    "second_source": 6,
    "kp_source": 6,
    "newest_run": 6,
    "report_check": 6,
    "aerodrome_check": 7,
    "retrieval": 7,
    "energy": 3,
    "legs": 4,
    "flown": 5,
    "sortie": 6,
    "reach": 7,
    "field_check": 5,
    "reading": 6,
    "hand_verdict": 9.5,
    "hours": 6,
    "wind_aloft": 7,
    "hour_weather": 8,
    "lost_inputs": 7,
    "derived": 8.5,
    "freshness": 3,
    "suitability": 9,
    "usable_height": 10,
    "windows": 10,
    "advice": 10,
    "forecast_error": 2,
    "timing": 2.5,
    "chance": 3,
    "planning": 2,
    "periods": 3,
    "costs": 1,
    "margins": 1,
    "moments": 2,
    "steadiness": 1,
    "intent": 3,
    "scoring": 1,
    "ledger": 3,
    "observations": 2,
    "verification": 4,
    "phases": 9,
    "percentiles": 9,
    "hold": 10,
    "return_leg": 10,
    "worst_moment": 11,
    "way_home_chance": 11,
    "ledger_scores": 4,
    "sureness": 12,
    "outlooks": 13,
    "survey": 13,
    "revisions": 13,
    "member_forecasts": 13,
    "doubts": 14,
    "answer_files": 3,
    "answers": 13.5,
    "briefing": 14,
    "comparison": 15,
    "flight_brief": 15,
    "verdicts": 15,
    "changes": 15,
    "chosen": 15,
    "planned_sortie": 15,
    "remembering": 16,
    "report": 16,
    "questions": 17,
    "looking_back": 18,
    "belongings": 18,
    "outing": 18,
    "store_commands": 19,
    "observed": 19,
    "observed_words": 20,
    "commands": 21,
    "cli": 22,
    "__main__": 23,
}


def _modules():
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        if parts[-1] != "__init__" and parts[0] != "cached_forecasts":
            yield path, parts[0]


def _imported(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            base = node.module or ""
            names = [f"{base}.{alias.name}" for alias in node.names] if base in ("wxfly", "wxfly.physics") else [base]
        else:
            continue
        for name in names:
            parts = name.split(".")
            if parts[0] == "wxfly" and len(parts) > 1 and parts[1] != "__version__":
                yield parts[1]


def test_every_module_has_a_rank():
    assert {place for _, place in _modules()} <= set(RANK)


def test_no_arrow_points_back():
    back = [
        f"{path.relative_to(PACKAGE)} imports wxfly.{other}"
        for path, place in _modules()
        for other in _imported(path)
        if other != place and RANK[other] >= RANK[place]
    ]
    assert back == []


def test_physics_imports_nothing_of_ours():
    ours = [
        f"{path.name} imports wxfly.{other}"
        for path, place in _modules()
        if place == "physics"
        for other in _imported(path)
        if other != "physics"
    ]
    assert ours == []


def test_only_one_module_talks_to_the_network():
    users = set()
    for path, _ in _modules():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            if any(name.split(".")[0] in ("httpx", "requests", "urllib3", "socket") for name in names):
                users.add(path.relative_to(PACKAGE).as_posix())
    assert users <= {"sources/transport.py"}
