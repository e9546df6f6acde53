"""Write the generated reference pages: the command line, elements, aircraft and forecast variables.

Run as ``python docs/generate_reference.py``; a test compares what it would write with what is committed.
"""

from __future__ import annotations

from pathlib import Path

import click

from wxfly.aircraft import load_aircraft
from wxfly.cli import main
from wxfly.elements import ELEMENTS, REQUIRED_BY_DEFAULT, RETURN_LEG
from wxfly.forecast import VARIABLES

REFERENCE = Path(__file__).parent / "reference"
NOTE = "<!-- Written by docs/generate_reference.py; change the code, not this page. -->\n"


def commands(group: click.Group, path: str) -> list[tuple[str, click.Command, click.Context]]:
    """Give every command below a group, with its full name."""
    found: list[tuple[str, click.Command, click.Context]] = []
    context = click.Context(group, info_name=path, **main.context_settings)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        full = f"{path} {name}"
        found.append((full, command, click.Context(command, info_name=name, parent=context)))
        if isinstance(command, click.Group):
            found += commands(command, full)
    return found


def command_line() -> str:
    """Give the page of the command line."""
    parts = [NOTE, "# Command line\n"]
    # With the program's own settings: click keeps the help option of whoever asks for it first.
    context = click.Context(main, info_name="wxfly", **main.context_settings)
    parts.append(f"```text\n{main.get_help(context)}\n```\n")
    for name, command, below in commands(main, "wxfly"):
        below.max_content_width = 100
        parts.append(f"## {name}\n\n```text\n{command.get_help(below)}\n```\n")
    parts.append(
        "## Exit codes\n\n0: answered (also when the answer is that no window holds). 1: something can be put right,"
        " told in one line. 2: the command was not understood.\n"
    )
    return "\n".join(parts)


def elements() -> str:
    """Give the page of the elements."""
    rows = ["| element | how demand and limit compare | SI unit | by default |", "| --- | --- | --- | --- |"]
    words = {
        "at_most": "demand at most the limit",
        "at_least": "demand at least the limit",
        "within": "demand within a band",
        "grade": "none, possible (narrow) or likely (outside)",
        "lit": "outside when dark; windows are cut to the lit part",
    }
    for element in ELEMENTS:
        kind = "required" if element.name in REQUIRED_BY_DEFAULT else "advised"
        rows.append(f"| `{element.name}` ({element.title}) | {words[element.sense]} | {element.units} | {kind} |")
    sortie = (
        f"`{RETURN_LEG.name}` ({RETURN_LEG.title}) is judged beside them where a sortie is asked for, and then "
        "required: the share of a battery that it takes, reserve included, at most 1."
    )
    return "\n".join([NOTE, "# Elements\n", *rows, "", sortie, ""])


def aircraft() -> str:
    """Give the page of the aircraft classes."""
    parts = [NOTE, "# Aircraft classes\n", "Figures are typical of the class; your maker's manual prevails.\n"]
    for one in load_aircraft().values():
        parts.append(f"## {one.name}\n\n{one.title}\n")
        parts.append("| figure | SI value | source |\n| --- | --- | --- |")
        for key, source in one.sources.items():
            parts.append(f"| {key} | {getattr(one, key):.4g} | {source} |")
        parts.append("")
    return "\n".join(parts)


def forecast_variables() -> str:
    """Give the page of the forecast cube's variables."""
    rows = ["| variable | unit | CF standard name | a stamp speaks for | heights |", "| --- | --- | --- | --- | --- |"]
    for row in VARIABLES.values():
        begin, end = row.covers_hours
        span = "the instant" if begin == end else f"{begin:+g} to {end:+g} h"
        standard, heights = row.standard_name or "(none)", "yes" if row.has_height else ""
        rows.append(f"| `{row.name}` | {row.units} | {standard} | {span} | {heights} |")
    return "\n".join([NOTE, "# Variables of the forecast cube\n", *rows, ""])


PAGES = {
    "command-line.md": command_line,
    "elements.md": elements,
    "aircraft.md": aircraft,
    "forecast-variables.md": forecast_variables,
}

if __name__ == "__main__":
    REFERENCE.mkdir(exist_ok=True)
    for name, page in PAGES.items():
        (REFERENCE / name).write_text(page(), encoding="utf-8")
        print(f"wrote {name}")
