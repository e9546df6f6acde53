"""The documentation is true: every command is in it, generated pages are current, every block of code runs."""

import contextlib
import importlib.util
import io
import os
import re
import shlex
import subprocess
from pathlib import Path
from unittest import mock

import pytest
from sybil import Sybil
from sybil.parsers.markdown import CodeBlockParser, PythonCodeBlockParser

from tests.server import WeatherServer

ROOT = Path(__file__).resolve().parents[1]
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").rglob("*.md")])
LINKED = sorted([*PAGES, ROOT / ".github" / "SECURITY.md", ROOT / "cached_forecasts" / "README.md"])


def load_generator():
    spec = importlib.util.spec_from_file_location("generate_reference", ROOT / "docs" / "generate_reference.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


GENERATOR = load_generator()


@pytest.mark.parametrize("page", GENERATOR.PAGES)
def test_generated_pages_are_current(page):
    committed = (ROOT / "docs" / "reference" / page).read_text(encoding="utf-8")
    assert committed == GENERATOR.PAGES[page](), "run: python docs/generate_reference.py"


def test_the_typed_keywords_of_the_library_are_current():
    assert GENERATOR.KEYWORDS.read_text(encoding="utf-8") == GENERATOR.keywords(), (
        "run: python docs/generate_reference.py"
    )


def test_every_command_is_documented_and_its_help_ends_with_an_example():
    from wxfly.cli import main

    by_hand = "\n".join(p.read_text() for p in PAGES if "reference" not in p.parts)
    for name, command, _ in GENERATOR.commands(main, "wxfly"):
        assert name in by_hand, f"{name} is in no tutorial, how-to or explanation"
        assert command.help, f"{name} has no help"
        assert (command.epilog or "").startswith("Example: wxfly "), f"{name} shows no example"


def links(page):
    """Return the targets inside the project to which a page links, each with its anchor, pictures among them."""
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    found = re.findall(r"\]\(([^)#\s]*)(?:#([^)]*))?\)", text)
    return [
        ((page.parent / target).resolve() if target else page, anchor)
        for target, anchor in found
        if not target.startswith(("http://", "https://"))
    ]


def anchors(page):
    """Return the anchors that the headings of a page get: lower case, no punctuation, hyphens for spaces."""
    headings = re.findall(r"^#+ (.*)$", page.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", LINKED, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_links_inside_the_project_lead_somewhere(page):
    for target, anchor in links(page):
        assert target.is_relative_to(ROOT), f"{page.name} links out of the project, to {target}"
        assert target.exists(), f"{page.name} links to {target}"
        assert not anchor or anchor in anchors(target), f"{page.name} links to #{anchor} of {target.name}"


@pytest.mark.parametrize("start", ["docs/README.md", "README.md"])
def test_every_page_is_reached_by_links(start):
    reached, waiting = set(), [ROOT / start]
    while waiting:
        page = waiting.pop()
        if page not in reached and page.suffix == ".md":
            reached.add(page)
            waiting += [target for target, _ in links(page)]
    assert set(LINKED) - {ROOT / "README.md"} <= reached


def test_every_page_of_the_documentation_is_in_its_index():
    listed = {target for target, _ in links(ROOT / "docs" / "README.md")}
    assert set((ROOT / "docs").rglob("*.md")) - {ROOT / "docs" / "README.md"} <= listed


def test_the_folders_of_every_system_are_those_that_are_told(monkeypatch):
    from platformdirs import macos, unix, windows

    for name in ("XDG_CONFIG_HOME", "XDG_CACHE_HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(windows, "get_win_folder", lambda _: "%LOCALAPPDATA%")
    page = (ROOT / "docs" / "how-to" / "install.md").read_text(encoding="utf-8")
    for system, kind in (("Linux", unix.Unix), ("macOS", macos.MacOS), ("Windows", windows.Windows)):
        # As `wxfly.pilot.settings` asks for them.
        folders = kind("wxfly", appauthor=False)
        with monkeypatch.context() as changed:
            if system == "Windows":
                changed.setattr(windows.os.path, "normpath", lambda path: path)
            told = [folders.user_config_dir, folders.user_cache_dir]
        told = [str(folder).replace(str(Path.home()), "~") for folder in told]
        told = [folder.replace("/", "\\") if system == "Windows" else folder for folder in told]
        assert f"| {system} | `{told[0]}` | `{told[1]}` |" in page


# Blocks that set up an environment; .ci/run does what they do.
SET_UP = ("python3 -m venv", ".venv/bin/", "python docs/", "pip ")


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """Return a folder and an environment in which the documentation's commands run, without the network."""
    folder = tmp_path_factory.mktemp("docs")
    weather = WeatherServer()
    environment = os.environ | weather.environment()
    environment |= {
        "WXFLY_CACHE": str(folder / "cache"),
        "WXFLY_CONFIG": str(folder / "config"),
        "COLUMNS": "100",
    }
    yield folder, environment
    weather.close()


def run_shell(block, place):
    folder, environment = place
    for line in str(block).replace("\\\n", " ").splitlines():
        if not line.strip() or line.startswith("#") or line.startswith(SET_UP):
            continue
        words = shlex.split(line, comments=True)
        assert words[0] in ("wxfly", "cat", "export"), f"a command that is not tested: {line}"
        if words[0] == "wxfly":
            run_in_this_process(words[1:], line, environment)
        else:
            subprocess.run(words, cwd=folder, env=environment, capture_output=True, check=True, timeout=60)


def run_in_this_process(arguments, line, environment):
    from wxfly.cli import main

    written = io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True)
    with (
        mock.patch.dict(os.environ, environment, clear=True),
        contextlib.redirect_stdout(written),
        contextlib.redirect_stderr(written),
        pytest.raises(SystemExit) as ended,
    ):
        main.main(args=arguments, prog_name="wxfly")
    assert ended.value.code == 0, f"{line}\n{written.buffer.getvalue().decode()}"


# Pages of few or quick commands, and the two that everybody starts with; the others are thorough.
QUICK = ("DEVELOPERS.md", "README.md", "tutorial.md", "wind.md", "sites.md", "notebooks.md")


@pytest.mark.parametrize(
    "page",
    [
        pytest.param(p, marks=() if p.name in QUICK else pytest.mark.thorough)
        for p in PAGES
        if re.search("```(python|sh|toml)", p.read_text())
    ],
    ids=lambda p: p.name,
)
def test_every_block_of_code_runs(page, place):
    sybil = Sybil(
        parsers=[
            PythonCodeBlockParser(),
            CodeBlockParser(language="sh", evaluator=lambda example: run_shell(example.parsed, place)),
            CodeBlockParser(language="toml", evaluator=lambda example: _write_toml(example.parsed, place)),
        ]
    )
    document = sybil.parse(page)
    old = Path.cwd()
    os.chdir(place[0])
    try:
        for example in document.examples():
            example.evaluate()
    finally:
        os.chdir(old)


def _write_toml(text, place):
    """A TOML block whose first line names its file is put into the pilot's folder."""
    first, _, rest = str(text).partition("\n")
    assert first.startswith("# "), f"a TOML block must begin with its file's name: {first}"
    path = Path(place[1]["WXFLY_CONFIG"]) / first[2:].strip()
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(rest)


def test_every_module_that_the_developers_page_names_is_there():
    package, missing = ROOT / "wxfly", []
    rows = [line.split("|") for line in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()]
    for _, folder, *cells, _ in (row for row in rows if len(row) == 5):
        named = re.findall(r"`([\w/]+\.(?:py|toml|js))`", " ".join(cells))
        roots = [package, *(package / name.strip("/") for name in re.findall(r"`([\w/]+)`", folder))]
        missing += [name for name in named if not any((root / name).is_file() for root in roots)]
    assert rows and missing == []
