"""The options of the commands, from the rows of `wxfly.pilot.options`; the outputs; what a shell offers for a word."""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click
from click.shell_completion import CompletionItem

from wxfly.cli.program import HeadedOption, exiting
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.options import (
    OPTIONS,
    USUAL_REACH,
    Count,
    FilePath,
    Heading,
    Names,
    Option,
    Switch,
    options_of,
    plan_options,
    usual_options,
)
from wxfly.pilot.rules import load_rules
from wxfly.pilot.settings import own_aircraft_file, own_rules_file, plans_file, read_plans, sites_file
from wxfly.report.formats import FORMATS, Format
from wxfly.units import parse_quantity

if TYPE_CHECKING:
    from wxfly.pilot.own_files import OwnTable
    from wxfly.pilot.site import Site

F = TypeVar("F", bound=Callable[..., Any])
Complete = Callable[[click.Context, click.Parameter, str], list[CompletionItem]]

STANDARD = "-"
"""Standard input or output, where a file could be named."""
_FRONT_FORMATS = ("json", "html")
_BEGINNINGS = ((b"CDF", ".nc"), (b"\x89HDF", ".nc"), (b"GRIB", ".grib2"), (b"{", ".json"), (b"[", ".json"))


# --- what a shell offers for a half-typed word: no service is asked, and nothing fails, as a shell shows no error -----


def _offering(names: Callable[[], Iterable[tuple[str, str]]]) -> Complete:
    """Return what offers names, each with a word of help, that begin as the half-typed word does."""

    def complete(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
        try:
            begin = incomplete.casefold()
            return [CompletionItem(name, help=text) for name, text in names() if name.casefold().startswith(begin)]
        except Exception:
            return []

    return complete


def saved_sites() -> OwnTable[Site]:
    """Return the pilot's saved sites by name."""
    from wxfly.pilot.site import read_sites

    return read_sites(sites_file())


def _sites() -> Iterable[tuple[str, str]]:
    from wxfly.retrieval.places import demo_sites

    yield from ((name, "saved") for name in saved_sites())
    yield from ((name, "invented, demonstration") for name in demo_sites())


def _days(help: str = "") -> Iterable[tuple[str, str]]:
    from wxfly.times import DAY_WORDS

    return [(word, help) for word in DAY_WORDS]


def _elements() -> Iterable[tuple[str, str]]:
    from wxfly.pilot.elements import ELEMENTS

    return [(element.name, element.title) for element in ELEMENTS]


def _schemas() -> Iterable[tuple[str, str]]:
    from wxfly.report.schemas import WHOLES

    return [(name, "") for name in WHOLES]


OFFERS: dict[str, Complete] = {
    name: _offering(names)
    for name, names in {
        "site": _sites,
        "saved site": lambda: ((name, "saved") for name in saved_sites()),
        "site or day": lambda: [*_sites(), *_days("day")],
        "day": _days,
        "plan": lambda: ((name, "") for name in read_plans(plans_file())),
        "aircraft": lambda: ((one.name, one.title) for one in load_aircraft(own_aircraft_file()).values()),
        "rules": lambda: ((one.name, one.title) for one in load_rules(own_rules_file()).values()),
        "required": _elements,
        "advised": _elements,
        "schema": _schemas,
    }.items()
}
"""What is offered for an argument, or for an option by its name."""


# --- options ----------------------------------------------------------------------------------------------------------


def from_standard_input(ctx: click.Context, param: click.Parameter, path: Path | None) -> Path | None:
    """Return the path of a file to read; ``-`` is standard input, kept in a file for as long as the command runs."""
    if path is None or str(path) != STANDARD:
        return path
    content = sys.stdin.buffer.read()
    if not content.strip():
        raise click.BadParameter("standard input is empty", ctx, param)
    folder = Path(tempfile.mkdtemp())
    ctx.find_root().call_on_close(lambda: shutil.rmtree(folder, ignore_errors=True))
    kept = folder / f"standard-input{_suffix_of(content)}"
    kept.write_bytes(content)
    return kept


def _suffix_of(content: bytes) -> str:
    """Return the ending of a file with this content: of netCDF, GRIB or JSON, else of a table."""
    begins = content.lstrip()[:4]
    return next((suffix for beginning, suffix in _BEGINNINGS if begins.startswith(beginning)), ".csv")


def asking(question: str) -> Callable[[F], F]:
    """Add the options of a question, by the name of its command."""
    return lambda command: _with_options(command, options_of(question))


def planning(command: F) -> F:
    """Add every option that a plan may say."""
    return _with_options(command, plan_options())


def usually(command: F) -> F:
    """Add every option that the defaults of a site may say."""
    return _with_options(command, usual_options())


def showing_units(command: F) -> F:
    """Add the units of what is shown, for a command that is no question."""
    units = OPTIONS["units"].kind.choices
    text = "Units of what is shown.  [default: of your settings, else metric]"
    return click.option("--units", type=click.Choice(list(units)), help=text)(command)


def _with_options(command: F, rows: Sequence[Option]) -> F:
    """Add options by their rows."""
    for row in reversed(rows):
        command = _option(row)(command)
    return command


def _option(row: Option) -> Callable[[F], F]:
    """Return the option of a row as click has it."""
    kind, name = row.kind, f"--{row.flag}"
    rest: dict[str, Any] = {"metavar": row.metavar or None}
    if isinstance(kind, Switch):
        rest, name = {"is_flag": True, "default": None}, f"{name}/--no-{row.flag}"
    elif isinstance(kind, Count):
        rest["type"] = click.IntRange(kind.least, kind.most)
    elif isinstance(kind, FilePath):
        rest |= {"type": click.Path(path_type=Path), "callback": from_standard_input}
    elif isinstance(kind, Names):
        rest["multiple"] = True
    elif kind.choices:
        rest = {"type": click.Choice(list(kind.choices))}
    rest["shell_complete"] = OFFERS.get(row.name)
    return _headed(name, row.name, heading=row.heading, is_front=row.is_front, help=row.help_text, **rest)


def _headed(*names: str, heading: Heading, is_front: bool = False, **rest: Any) -> Callable[[F], F]:
    return click.option(*names, cls=HeadedOption, heading=heading.value, is_front=is_front, **rest)


@dataclass(frozen=True)
class Outputs:
    """How an answer is written: the formats to print, those that go to files, whether these may replace others.

    `more` is whether the text says all that is known, not the verdict alone; `alarm` is how long before a window a
    calendar reminds.
    """

    printed: Sequence[Format]
    files: Mapping[Format, Path]
    overwrite: bool
    more: bool
    alarm: timedelta | None = None


def telling(command: F) -> F:
    """Add the options that say how the answer is written; the command gets them as one `Outputs`.

    ``-`` in place of a file prints that format.
    """

    @wraps(command)
    def with_outputs(*, overwrite: bool, more: bool, alarm: str | None, **words: Any) -> Any:
        given = {format: value for format in FORMATS if (value := words.pop(format.name))}
        files = {format: path for format, path in given.items() if format.mark and str(path) != STANDARD}
        before = None if alarm is None else timedelta(seconds=parse_quantity(alarm, "time", default_unit="min"))
        if before is not None and before < timedelta(0):
            raise click.UsageError(f"--alarm {alarm} is after the window begins; give a time such as 2h")
        if before is not None and not any(format.name == "ics" for format in given):
            raise click.UsageError("--alarm is for a calendar; give --ics PATH too")
        return command(outputs=Outputs([f for f in given if f not in files], files, overwrite, more, before), **words)

    written: Any = overwriting(with_outputs)
    text = "With --ics: remind this long before each window, such as 2h.  [without unit: min]"
    written = output("--alarm", metavar="TIME", is_front=False, help=text)(written)
    for f in reversed(FORMATS):
        written = output(f"--{f.name}", f.name, help=f.help, is_file=bool(f.mark), is_front=f.name in _FRONT_FORMATS)(
            written
        )
    return cast(F, telling_more(exiting(written)))


def output(*names: str, is_file: bool = False, is_front: bool = True, **rest: Any) -> Callable[[F], F]:
    """Return an option of the output: a switch, the path of a file, or where it has a `metavar`, a text."""
    kind: dict[str, Any] = {"type": click.Path(path_type=Path)} if is_file else {"is_flag": "metavar" not in rest}
    return _headed(*names, heading=Heading.OUTPUT, is_front=is_front, **kind, **rest)


def within(command: F) -> F:
    """Add the option of a reach."""
    text = f"How far from PLACE, as the crow flies.  [default: {USUAL_REACH}]"
    rest = {"default": USUAL_REACH, "metavar": "DISTANCE", "help": text}
    return _headed("--within", "reach", heading=Heading.WHEN, is_front=True, **rest)(command)


def telling_more(command: F) -> F:
    """Add the option that shows all that is known."""
    text = "Show all: the hours, how sure, the sortie, other times, light, and what to mind."
    return output("--more", help=text)(command)


def as_json(command: F) -> F:
    """Add the option that prints facts as JSON."""
    return output("--json", "as_json", help="Print it as JSON (see: wxfly schema).")(command)


def overwriting(command: F) -> F:
    """Add the option that lets a file of another program go."""
    return output("--overwrite", help="Write over a file that wxfly did not write.", is_front=False)(command)
