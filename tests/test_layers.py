"""Imports run one way: the folders in the order in which data flows, physics first, the command line last."""

import ast
from pathlib import Path

import pytest

import wxfly

PACKAGE = Path(wxfly.__file__).parent

# A module may import from its own folder and from folders above its own in this list.
FOLDERS = (
    "errors",
    "units",
    "times",
    "physics",
    "physics/wind",
    "physics/air",
    "physics/aircraft",
    "pilot",
    "cube",
    "sources",
    "store",
    "retrieval",
    "assessment",
    "flight",
    "probability",
    "answer",
    "history",
    "question",
    "report/facts",
    "report/command_facts",
    "report/text",
    "report/charts",
    "report/pages",
    "report",
    "library",
    "web",
    "cli",
)
PHYSICS = {folder for folder in FOLDERS if folder.startswith("physics")}
# The public face and the way in for `python -m wxfly` stand outside the flow: they may import all of it.
FACE = {"__init__", "__main__"}


def _folder(module: tuple[str, ...]) -> str:
    """Return the folder of a module: the longest that is listed."""
    for length in (2, 1):
        name = "/".join(module[:length])
        if name in FOLDERS:
            return name
    raise AssertionError(f"{'.'.join(module)} lies in no folder that is listed")


def _modules():
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        if parts[0] in FACE or parts[0] == "cached_forecasts":
            continue
        yield path, parts[:-1] if parts[-1] == "__init__" else parts


def _imports(path):
    """Yield the modules of ours that a file imports, at its top or later."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if not isinstance(node, ast.ImportFrom | ast.Import):
            continue
        names = [a.name for a in node.names] if isinstance(node, ast.Import) else [node.module or ""]
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            is_package = (PACKAGE.parent / Path(*names[0].split("."))).is_dir()
            names = [f"{names[0]}.{a.name}" for a in node.names] if is_package else names
        for name in names:
            parts = tuple(name.split("."))
            if parts[0] == "wxfly" and len(parts) > 1 and parts[1] != "__version__":
                yield parts[1:]


def test_every_module_lies_in_a_folder_that_is_listed():
    assert {_folder(module) for _, module in _modules()} == set(FOLDERS)


def test_no_arrow_points_back():
    order = {folder: place for place, folder in enumerate(FOLDERS)}
    back = [
        f"{'.'.join(module)} imports {'.'.join(other)}"
        for path, module in _modules()
        for other in _imports(path)
        if order[_folder(other)] > order[_folder(module)]
    ]
    assert back == []


def test_physics_imports_nothing_but_physics():
    ours = [
        f"{'.'.join(module)} imports {'.'.join(other)}"
        for path, module in _modules()
        if _folder(module) in PHYSICS
        for other in _imports(path)
        if _folder(other) not in PHYSICS
    ]
    assert ours == []


def test_text_charts_and_pages_take_facts():
    """They render typed facts, the words of the pilot's tables, and units and times of day."""
    allowed = {"report", "pilot", "errors", "units", "times"}
    ways_round = [
        f"{'.'.join(module)} imports {'.'.join(other)}"
        for path, module in _modules()
        if module[0] == "report" and len(module) > 2 and module[1] in ("text", "charts", "pages")
        for other in _imports(path)
        if other[0] not in allowed
    ]
    assert ways_round == []


@pytest.mark.parametrize("library", ["httpx"])
def test_one_module_alone_touches_the_network(library):
    users = [
        ".".join(module)
        for path, module in _modules()
        if any(
            (isinstance(node, ast.Import) and any(a.name.split(".")[0] == library for a in node.names))
            or (isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == library)
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        )
    ]
    assert users == ["sources.http"]


def test_no_folder_holds_a_cycle():
    """Modules of one folder may import each other, but not in a circle, late or not."""
    graph = {}
    for path, module in _modules():
        graph[module] = {o for other in _imports(path) for o in (other, other[:-1]) if o not in (module, module[:-1])}
    done, open_ = set(), []

    def walk(module):
        if module in done or module not in graph:
            return
        assert module not in open_, f"a circle: {' -> '.join('.'.join(m) for m in [*open_, module])}"
        open_.append(module)
        for other in sorted(graph[module]):
            walk(other)
        open_.pop()
        done.add(module)

    for module in sorted(graph):
        walk(module)
