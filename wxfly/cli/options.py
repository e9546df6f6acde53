"""The options that several commands share, each set as one decorator."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar, cast

import click

from wxfly.report.formats import FORMATS, Format
from wxfly.units import SYSTEMS, parse_quantity

F = TypeVar("F", bound=Callable[..., Any])


def asking(command: F) -> F:
    """Add the options that every question shares."""
    return forecast_asking(flying(intending(confidence_options(telling(command)))))


def intending(command: F) -> F:
    """Add the options that say how the work is done and what it is worth."""
    options = [
        click.option("--contingency", metavar="TIME", help="Kept in hand beyond --duration for what may go wrong, such as 20min, or as-long: windows and their chance are then over both.  [default: none]"),
        click.option("--survey", metavar="TIME", help="Work that can stop at any hour, such as 4h flown by batteries: laid into the hours that hold, with waits."),
        click.option("--costs", metavar="DRIVE,FLIGHT,DAMAGE", help="What driving out costs, a flight is worth and a broken limit would cost, in one currency: tells whether either pays."),
    ]  # fmt: skip
    return _with(waiting(command), options)


def waiting(command: F) -> F:
    """Add the options that say in what wind nobody launches, and how long to wait after one."""
    options = [
        click.option("--launch-limit", metavar="SPEED", help="Largest gust at the hand, 2 m above ground, for launching and landing.  [default: the aircraft's, or none]"),
        click.option("--wait", type=click.IntRange(0, 12), metavar="HOURS", help="Hours held back after one over the wind or gust limit.  [default: 0]"),
    ]  # fmt: skip
    return _with(command, options)


def confidence_options(command: F) -> F:
    """Add the options that say by what the chance is told."""
    options = [
        click.option("--ensemble", multiple=True, metavar="NAME[,NAME]", help="Members to tell the chance by: ensembles such as icon_eu_eps or ecmwf_ifs025_ensemble, several single models, or none.  [default: an ensemble chosen by place and hours]"),
        click.option("--site-record", is_flag=True, help="Correct wind and gust by what SITE has taught (see: wxfly verify); the answer says so."),
    ]  # fmt: skip
    return _with(command, options)


def _of_system(system: Mapping[str, str]) -> str:
    return f"{system['height']}, {system['wind']} and {system['temperature']}"


def _with(command: F, options: Sequence[Callable[[F], F]]) -> F:
    for option in reversed(options):
        command = option(command)
    return command


def forecast_asking(command: F) -> F:
    """Add the options that say what is asked of which forecast."""
    options = [
        click.option("--aircraft", metavar="NAME", help="Aircraft class or one of your own (see: wxfly aircraft)."),
        click.option("--height", metavar="HEIGHT", help="Flight height above ground, such as 80m or 260ft.  [default: 60m; without unit: that of --units]"),
        click.option("--duration", metavar="TIME", help="Shortest window of use, such as 45min or 2h.  [default: 45min; without unit: min]"),
        click.option("--rules", metavar="NAME", help="Rule set for ceiling, visibility, cloud and daylight (see: wxfly rules).  [default: own]"),
        click.option("--reserve", type=float, metavar="SHARE", help="Share of every limit to keep in hand; an hour with less left is narrow.  [default: 0.2]"),
        click.option("--confidence", type=float, metavar="SHARE", help="Chance with which wind and gust at your height stay below what they are held for, as far as the carrying from the forecast's heights goes.  [default: 0.5]"),
        click.option("--require", "required", multiple=True, metavar="ELEMENT", help="Treat an element as required: where it is not known, the hour is not known."),
        click.option("--advise", "advised", multiple=True, metavar="ELEMENT", help="Treat an element as advised: where it is not known, or lost, the answer says so first and goes by the others."),
        click.option("--prefer", type=click.Choice(["low-light"]), help="Rank windows in golden or blue hour first; no hour holds because of it."),
        click.option("--toward", metavar="DIRECTION", help="Where you will look at the aircraft, in degrees or as a point such as SW: tells of glare, and where a sortie goes."),
        click.option("--units", type=click.Choice(list(SYSTEMS)), help=f"Units of the answer, and of a number given without one: {', or '.join(map(_of_system, SYSTEMS.values()))}; mass is in g and time in min in each.  [default: metric]"),
        click.option("--time-zone", metavar="ZONE", help="Show times in this IANA zone instead of each site's own."),
        click.option("--model", metavar="MODEL", help="The one forecast model to ask.  [default: chosen by place and hours]"),
        click.option("--forecast", "forecast_path", type=click.Path(path_type=Path), help="Answer from this saved reply (.json) or forecast file (.nc) instead of asking."),
        click.option("--as-of", metavar="TIME", help="Answer as if it were this time (ISO 8601, UTC unless it names an offset)."),
        click.option("--fresh", is_flag=True, help="Rank the windows anew: do not stay with one chosen in an earlier answer."),
        click.option("--offline", is_flag=True, help="Use only forecasts that are already on this machine."),
    ]  # fmt: skip
    return _with(command, options)


@dataclass(frozen=True)
class Outputs:
    """How an answer is written: the formats to print, those that go to files, whether these may replace others.

    `more` is whether the text says all that is known, not the verdict alone; `alarm` is how long before a window a calendar
    reminds.
    """

    printed: Sequence[Format]
    files: Mapping[Format, Path]
    overwrite: bool
    more: bool
    alarm: timedelta | None = None


def telling(command: F) -> F:
    """Add the options that say how the answer is written; the command gets them as one `Outputs`."""

    @wraps(command)
    def with_outputs(*, overwrite: bool, more: bool, alarm: str | None, **words: Any) -> Any:
        given = {format: value for format in FORMATS if (value := words.pop(format.name))}
        files = {format: path for format, path in given.items() if format.mark}
        before = None if alarm is None else timedelta(seconds=parse_quantity(alarm, "time", default_unit="min"))
        if before is not None and before < timedelta(0):
            raise click.UsageError(f"--alarm {alarm} is after the window begins; give a time such as 2h")
        if before is not None and not any(format.name == "ics" for format in files):
            raise click.UsageError("--alarm is for a calendar; give --ics PATH too")
        return command(outputs=Outputs([f for f in given if not f.mark], files, overwrite, more, before), **words)

    a_file: Any = {"type": click.Path(path_type=Path)}
    options = [
        click.option(f"--{f.name}", f.name, help=f.help, **(a_file if f.mark else {"is_flag": True})) for f in FORMATS
    ]
    text = "With --ics: remind this long before each window, such as 2h.  [without unit: min]"
    options.append(click.option("--alarm", metavar="TIME", help=text))
    return cast(F, telling_more(_with(overwriting(with_outputs), options)))


def telling_more(command: F) -> F:
    """Add the option that shows all that is known."""
    text = "Show all: the hours, how sure, the sortie, other times, light, and what to mind."
    return click.option("--more", is_flag=True, help=text)(command)


def overwriting(command: F) -> F:
    """Add the option that lets a file of another program go."""
    text = "Write over a file that wxfly did not write."
    return click.option("--overwrite", is_flag=True, help=text)(command)


def flying(command: F) -> F:
    """Add the options that say what is to be flown; any of them asks for the way back."""
    options = [
        click.option("--distance", metavar="DISTANCE", help="Over ground to the farthest point, such as 400m: holds the way back against every hour.  [default: as far as its attitude is seen; without unit: that of --units]"),
        click.option("--return-height", metavar="HEIGHT", help="Height of the way back above ground.  [default: the flight height; without unit: that of --units]"),
        click.option("--work", metavar="TIME", help="Time at the farthest point, such as 5min.  [default: none; without unit: min]"),
        click.option("--batteries", type=click.IntRange(1, 99), help="How many are charged.  [default: 1]"),
        click.option("--battery-reserve", type=float, metavar="SHARE", help="Share of a battery to land with.  [default: 0.25]"),
        click.option("--cells", metavar="TEMPERATURE", help="Of the battery before take-off, such as 20degC.  [default: the air's; without unit: that of --units]"),
        click.option("--payload", metavar="MASS", help="Carried beyond the aircraft's own mass, such as 120g.  [default: none; without unit: g]"),
    ]  # fmt: skip
    return _with(command, options)


def briefed(command: F) -> F:
    """Add the options that only a flight brief has."""
    options = [
        click.option("--date", "day", metavar="DATE", help="The day asked about, YYYY-MM-DD at the site.  [default: tomorrow]"),
        click.option("--anemometer-height", metavar="HEIGHT", help="Of the anemometer in the field check.  [default: 2m; without unit: that of --units]"),
        click.option("--rank", type=click.IntRange(1), help="Which window, the best is 1.  [default: 1]"),
    ]  # fmt: skip
    return _with(command, options)
