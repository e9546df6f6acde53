"""The command line: parse, call, print. Everything it says comes from `wxfly.briefing` and `wxfly.report`."""

from __future__ import annotations

import logging
import shutil
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from wxfly import __version__, logs
from wxfly.errors import WxflyError
from wxfly.own_files import write_whole

if TYPE_CHECKING:
    from wxfly.briefing import Question
    from wxfly.questions import Asked

F = TypeVar("F", bound=Callable[..., Any])

CAUTION = (
    "wxfly gives advice, not permission. Local rules, the maker's manual and your own judgement on the spot prevail."
)


class _Program(click.Group):
    """Tells a user's mistake in one line and ends with code 1; every command takes the options of the log."""

    group_class = type

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except WxflyError as fault:
            line = " ".join(str(fault).split())
            if not logs.is_machine_readable():
                raise click.ClickException(line) from None
            logs.tell(line, level=logging.ERROR)
            ctx.exit(1)
        except OSError as fault:
            if isinstance(fault, BrokenPipeError):
                raise  # a reader that has seen enough: click ends quietly
            raise click.ClickException(f"the answer could not be written ({fault.strerror})") from None

    def add_command(self, cmd: click.Command, name: str | None = None) -> None:
        cmd.params.extend(_log_options(hidden=True))  # told once, in the help of the program
        super().add_command(cmd, name)


def _log_options(*, hidden: bool) -> list[click.Parameter]:
    def begin(ctx: click.Context, param: click.Parameter, value: Any) -> None:
        if value and not (param.name == "verbose" and logs.is_machine_readable()):
            logs.start_logging(as_json=value == "json")
            ctx.find_root().call_on_close(logs.stop_logging)

    rest: dict[str, Any] = {"expose_value": False, "is_eager": True, "hidden": hidden, "callback": begin}
    verbose = "Tell on the error stream what was asked of whom and how long it took. Goes after a command as well."
    form = "The same as text, or as one JSON object on each line of the error stream."
    return [
        click.Option(["-v", "--verbose"], is_flag=True, help=verbose, **rest),
        click.Option(["--log"], type=click.Choice(["text", "json"]), help=form, **rest),
    ]


@click.group(
    cls=_Program,
    params=_log_options(hidden=False),
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=f"Example: wxfly best --aircraft folding-quad-249g --height 80m. {CAUTION}",
)
@click.version_option(__version__, prog_name="wxfly")
def main() -> None:
    """From an open weather forecast to whether, when, where and how high to fly a small aircraft.

    SITE is the name of a saved site, a pair LATITUDE,LONGITUDE or the name of a place. Without one, the first saved
    site answers, or the invented demonstration when none is saved.
    """


def _asking(command: F) -> F:
    """Add the options that every question shares."""
    return _forecast_asking(_doubting(_telling(command)))


def _doubting(command: F) -> F:
    """Add the options that say by what the chance is told."""
    options = [
        click.option("--ensemble", multiple=True, metavar="NAME[,NAME]", help="Members to tell the chance by: ensembles such as icon_eu_eps or ecmwf_ifs025_ensemble, or several single models."),
        click.option("--site-record", is_flag=True, help="Correct wind and gust by what SITE has taught (see: wxfly verify); the answer says so."),
    ]  # fmt: skip
    return _with(command, options)


def _with(command: F, options: Sequence[Callable[[F], F]]) -> F:
    for option in reversed(options):
        command = option(command)
    return command


def _forecast_asking(command: F) -> F:
    """Add the options that say what is asked of which forecast."""
    options = [
        click.option("--aircraft", metavar="NAME", help="Aircraft class or one of your own (see: wxfly aircraft)."),
        click.option("--height", metavar="HEIGHT", help="Flight height above ground, such as 80m or 260ft.  [default: 60m]"),
        click.option("--duration", metavar="TIME", help="Shortest window of use, such as 45min or 2h.  [default: 45min]"),
        click.option("--rules", metavar="NAME", help="Rule set for ceiling, visibility, cloud and daylight (see: wxfly rules).  [default: own]"),
        click.option("--reserve", type=float, metavar="SHARE", help="Share of every limit to keep in hand; an hour with less left is narrow.  [default: 0.2]"),
        click.option("--confidence", type=float, metavar="SHARE", help="Chance with which wind and gust at your height stay below what they are held for, as far as the carrying from the forecast's heights goes.  [default: 0.5]"),
        click.option("--require", "required", multiple=True, metavar="ELEMENT", help="Treat an element as required: where it is not known, the hour is not known."),
        click.option("--advise", "advised", multiple=True, metavar="ELEMENT", help="Treat an element as advised: where it is not known, the answer says so first."),
        click.option("--prefer", type=click.Choice(["low-light"]), help="Rank windows in golden or blue hour first; no hour holds because of it."),
        click.option("--toward", metavar="DIRECTION", help="Where you will look at the aircraft, in degrees or as a point such as SW: tells of glare, and where a sortie goes."),
        click.option("--units", type=click.Choice(["metric", "imperial", "aviation"]), help="Units of the answer.  [default: metric]"),
        click.option("--time-zone", metavar="ZONE", help="Show times in this IANA zone instead of each site's own."),
        click.option("--model", metavar="MODEL", help="Forecast model to ask; one model per answer."),
        click.option("--forecast", "forecast_path", type=click.Path(path_type=Path), help="Answer from this saved reply (.json) or forecast file (.nc) instead of asking."),
        click.option("--as-of", metavar="TIME", help="Answer as if it were this time (ISO 8601, UTC unless it names an offset)."),
        click.option("--offline", is_flag=True, help="Use only forecasts that are already on this machine."),
    ]  # fmt: skip
    return _with(command, options)


def _telling(command: F) -> F:
    """Add the options that say how the answer is written."""
    options = [
        click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON (schema in the documentation)."),
        click.option("--csv", "as_csv", is_flag=True, help="Print the hours as CSV."),
        click.option("--html", "html_path", type=click.Path(path_type=Path), help="Also write the timeline page to this file."),
        click.option("--ics", "ics_path", type=click.Path(path_type=Path), help="Also write the windows as a calendar file."),
    ]  # fmt: skip
    return _with(command, options)


@main.command(epilog="Example: wxfly best Kelderness --date 2026-03-16 --html best.html")
@click.argument("site", required=False)
@click.option("--date", "day", metavar="DATE", help="The day asked about, YYYY-MM-DD at the site.  [default: tomorrow]")
@_asking
def best(site: str | None, **options: Any) -> None:
    """Find the best hour, or the best window, of tomorrow at SITE."""
    _ask("best", [] if site is None else [site], options)


@main.command(epilog="Example: wxfly compare Kelderness Whistlebrush@100m --aircraft cine-hexacopter")
@click.argument("sites", nargs=-1, required=True, metavar="SITE SITE ...")
@click.option(
    "--date", "day", metavar="DATE", help="The day asked about, YYYY-MM-DD at each site.  [default: tomorrow]"
)
@_asking
def compare(sites: tuple[str, ...], **options: Any) -> None:
    """Compare two sites or more over the same hours: which is better, when and why.

    SITE@HEIGHT gives a site a flight height of its own, so one site can be compared with itself.
    """
    if len(sites) < 2:
        raise click.UsageError("compare needs two sites or more; one site may come twice with two heights, SITE@40m")
    _ask("compare", list(sites), options)


@main.command(epilog="Example: wxfly week Kelderness --duration 2h --ics week.ics")
@click.argument("site", required=False)
@click.option("--days", type=click.IntRange(1, 16), default=7, show_default=True, help="How many days, from today.")
@_asking
def week(site: str | None, **options: Any) -> None:
    """List the best windows of the coming days at SITE."""
    _ask("week", [] if site is None else [site], options)


def _flying(command: F) -> F:
    """Add the options that say what is to be flown."""
    options = [
        click.option("--date", "day", metavar="DATE", help="The day asked about, YYYY-MM-DD at the site.  [default: tomorrow]"),
        click.option("--distance", metavar="DISTANCE", help="Over ground to the farthest point, such as 400m.  [default: as far as its attitude is seen]"),
        click.option("--return-height", metavar="HEIGHT", help="Height of the way home above ground.  [default: the flight height]"),
        click.option("--work", metavar="TIME", help="Time at the farthest point, such as 5min.  [default: none]"),
        click.option("--batteries", type=click.IntRange(1, 99), help="How many are charged.  [default: 1]"),
        click.option("--battery-reserve", type=float, metavar="SHARE", help="Share of a battery to land with.  [default: 0.25]"),
        click.option("--cells", metavar="TEMPERATURE", help="Of the battery before take-off, such as 20degC.  [default: the air's]"),
        click.option("--payload", metavar="MASS", help="Carried beyond the aircraft's own mass, such as 120g.  [default: none]"),
        click.option("--hand-height", metavar="HEIGHT", help="Of the anemometer in the field check.  [default: 2m]"),
        click.option("--rank", type=click.IntRange(1), help="Which window, the best is 1.  [default: 1]"),
    ]  # fmt: skip
    return _with(command, options)


@main.command(epilog="Example: wxfly brief Kelderness --return-height 80m --batteries 3 --html brief.html")
@click.argument("site", required=False)
@_flying
@_forecast_asking
@click.option("--html", "html_path", type=click.Path(path_type=Path), help="Also write the page to this file.")
def brief(site: str | None, **options: Any) -> None:
    """Make the flight brief of the best window at SITE: one page to print or to keep on a phone.

    With the aircraft's figures of energy the way home is held against every hour as well.
    """
    from wxfly import outing
    from wxfly.report import brief as page
    from wxfly.report.text import render

    asked = outing.ask_brief(site, options, on_progress=_progress)
    units, time_zone = asked.units, asked.time_zone
    if asked.brief is None:
        click.echo(render(asked.briefing, units=units, time_zone=time_zone, width=_width()))
        return
    if options["html_path"]:
        written = page.to_html(asked.brief, asked.briefing, units=units, time_zone=time_zone)
        _write(options["html_path"], written.encode())
    click.echo(page.to_text(asked.brief, asked.briefing, units=units, time_zone=time_zone, width=_width()))


@main.command(epilog="Example: wxfly check Kelderness --mean 3.1m/s --gust 5.4m/s")
@click.argument("site", required=False)
@click.option("--mean", required=True, metavar="SPEED", help="Mean wind of two minutes, such as 3.1m/s or 7mph.")
@click.option("--gust", metavar="SPEED", help="Strongest gust of the two minutes.")
@click.option("--temperature", metavar="TEMPERATURE", help="In the shade, such as 8degC.")
@click.option("--hand-height", metavar="HEIGHT", help="Of the anemometer above ground.  [default: 2m]")
@_forecast_asking
def check(site: str | None, **options: Any) -> None:
    """Hold what you measure now at SITE against the forecast, and answer for the rest of the day with both."""
    from wxfly import outing
    from wxfly.report import check_words
    from wxfly.report.text import render

    asked = outing.ask_check(site, options, on_progress=_progress)
    answer = render(asked.briefing, units=asked.units, time_zone=asked.time_zone, width=_width())
    notes, _, rest = answer.partition("\n\n")  # how old the forecast is goes before what the reading says
    click.echo(f"{notes}\n\n{check_words.render(asked.correction, asked.rule, asked.units, _width())}\n\n{rest}")


def _width() -> int:
    return min(shutil.get_terminal_size((80, 24)).columns, 100)


def _ask(question: Question, sites: list[str], options: dict[str, Any]) -> None:
    if options["as_json"] and options["as_csv"]:
        raise click.UsageError("--json and --csv both print the answer; give one of them")
    from wxfly import questions

    asked: Asked = questions.ask(question, sites, options, on_progress=_progress)
    _write_files(asked, options)
    if options["as_json"]:
        import json

        from wxfly.report.answer import to_json

        click.echo(json.dumps(to_json(asked.briefing), ensure_ascii=False, allow_nan=False, indent=1))
    elif options["as_csv"]:
        from wxfly.report.tables import to_csv

        click.echo(to_csv(asked.briefing, units=asked.units, time_zone=asked.time_zone), nl=False)
    else:
        from wxfly.report.text import render

        click.echo(render(asked.briefing, units=asked.units, time_zone=asked.time_zone, width=_width()))


def _write_files(asked: Asked, options: dict[str, Any]) -> None:
    if options["html_path"]:
        from wxfly.report.page import to_html

        page = to_html(asked.briefing, units=asked.units, time_zone=asked.time_zone)
        _write(options["html_path"], page.encode())
    if options["ics_path"]:
        from wxfly.report.icalendar import to_ics

        _write(options["ics_path"], to_ics(asked.briefing))


def _write(path: Path, content: bytes) -> None:
    write_whole(path, content)
    _progress(f"wrote {path}")


def _progress(message: str) -> None:
    """Tell on the error stream what takes its time."""
    if logs.is_machine_readable():
        logs.tell(message)
    else:
        click.echo(message, err=True)


@main.command(epilog="Example: wxfly fetch 52.1,6.9 --model icon_d2")
@click.argument("sites", nargs=-1, metavar="[SITE ...]")
@click.option("--model", metavar="MODEL", help="Forecast model to ask.")
def fetch(sites: tuple[str, ...], model: str | None) -> None:
    """Fetch the newest forecast for SITE, or for every saved site, and keep it for use offline."""
    from wxfly import belongings

    for line in belongings.fetch(list(sites), model, on_progress=_progress):
        click.echo(line)


@main.command(epilog="Example: wxfly verify meadow --observed mine.csv --observed-height 4m --learn")
@click.argument("site")
@click.option(
    "--observed",
    required=True,
    type=click.Path(path_type=Path),
    help="Observations: your own file (.csv) or airport reports (.json).",
)
@click.option("--observed-height", metavar="HEIGHT", help="Of the anemometer above ground, such as 4m.  [default: 10m]")
@click.option("--station", metavar="CODE", help="The airport, where the reports are of several.")
@click.option("--model", metavar="MODEL", help="Whose past forecasts.")
@click.option(
    "--past", is_flag=True, help="Also ask the service for forecasts of the last weeks that are not in the store."
)
@click.option(
    "--learn", is_flag=True, help="Write what the place teaches, from 30 days on, for use with --site-record."
)
@click.option("--offline", is_flag=True, help="Ask nobody where SITE is.")
def verify(site: str, **options: Any) -> None:
    """Compare past forecasts for SITE with what was observed there."""
    from wxfly import looking_back

    click.echo(looking_back.verify(site, options, on_progress=_progress))


@main.command(epilog="Example: wxfly ledger meadow")
@click.argument("site", required=False)
def ledger(site: str | None) -> None:
    """Say how past answers, kept before their hour came, compare with what was observed, for SITE or for all."""
    from wxfly import looking_back

    click.echo(looking_back.describe_ledger(site))


@main.command(epilog="Example: wxfly observed meadow --units aviation")
@click.argument("site", required=False)
@click.option("--model", metavar="MODEL", help="Forecast model to ask.")
@click.option("--units", type=click.Choice(["metric", "imperial", "aviation"]), default="metric", show_default=True)
@click.option("--offline", is_flag=True, help="Use only what is already on this machine.")
def observed(site: str | None, model: str | None, units: str, offline: bool) -> None:
    """Is the forecast right this morning? Set the latest airport report near SITE beside the forecast of its hour."""
    from wxfly import observed as of_airport

    found = of_airport.ask_observed(site, model=model, offline=offline, on_progress=_progress)
    click.echo(of_airport.render(found, units=units, width=_width()))


@main.group(invoke_without_command=True, epilog="Example: wxfly sites add meadow 52.1,6.9 --surface-cover open")
@click.pass_context
def sites(ctx: click.Context) -> None:
    """List the saved sites; add or remove one."""
    if ctx.invoked_subcommand is None:
        from wxfly import belongings

        click.echo(belongings.list_sites())


@sites.command("add", epilog="Example: wxfly sites add meadow 52.1,6.9 --surface-cover open")
@click.argument("name")
@click.argument("place")
@click.option(
    "--surface-altitude",
    metavar="HEIGHT",
    help="Ground above mean sea level, such as 45m; asked for when left out.",
)
@click.option(
    "--surface-cover",
    metavar="CLASS",
    help="What the ground upwind looks like: sea, smooth, open, roughly_open, rough, very_rough, closed, chaotic.",
)
@click.option("--time-zone", metavar="ZONE", help="IANA time zone; worked out from the place when left out.")
@click.option("--offline", is_flag=True, help="Do not ask for altitude or place name.")
def add_site(name: str, place: str, **options: Any) -> None:
    """Save PLACE (LATITUDE,LONGITUDE or a place name) as NAME."""
    from wxfly import belongings

    click.echo(belongings.add_site(name, place, **options))


@sites.command("remove", epilog="Example: wxfly sites remove meadow")
@click.argument("name")
def remove_site(name: str) -> None:
    """Forget the saved site NAME."""
    from wxfly import belongings

    click.echo(belongings.remove_site(name))


@main.group("store", epilog="Example: wxfly store list --check")
def stored_forecasts() -> None:
    """List, show, prune, export or clear the forecasts that are kept on this machine."""


@stored_forecasts.command("list", epilog="Example: wxfly store list --check")
@click.option("--check", is_flag=True, help="Read every file and hold it against its checksum.")
def list_store(check: bool) -> None:
    """List the stored forecasts: place, model, run, when kept, size."""
    from wxfly import questions, store_commands

    click.echo(store_commands.list_store(questions.sites_file(), check=check))


@stored_forecasts.command("show", epilog="Example: wxfly store show meadow --model icon_d2")
@click.argument("site", required=False)
@click.option("--model", metavar="MODEL", help="Of this model.")
@click.option("--run", metavar="RUN", help="Of this run, as the list writes it.")
def show_stored(site: str | None, model: str | None, run: str | None) -> None:
    """Show the newest stored forecast of SITE, a saved site or LATITUDE,LONGITUDE; without one, the store as a whole."""
    from wxfly import questions, store_commands

    if site is None:
        click.echo(store_commands.describe_store())
    else:
        click.echo(store_commands.describe_forecast(site, questions.sites_file(), model=model, run=run))


@stored_forecasts.command("prune", epilog="Example: wxfly store prune --days 7 --damaged")
@click.option("--days", type=click.FloatRange(0), help="Remove what was kept longer ago.  [default: of the settings]")
@click.option(
    "--megabytes", type=click.FloatRange(0), help="Remove the oldest until the rest fits.  [default: of the settings]"
)
@click.option("--damaged", is_flag=True, help="Also remove files that are damaged, of a newer wxfly or not a forecast.")
def prune_store(days: float | None, megabytes: float | None, damaged: bool) -> None:
    """Remove old and surplus forecasts."""
    from wxfly import store_commands

    click.echo(store_commands.prune(days=days, megabytes=megabytes, damaged=damaged))


@stored_forecasts.command("export", epilog="Example: wxfly store export forecasts-of-may meadow")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.argument("sites", nargs=-1, metavar="[SITE ...]")
@click.option("--model", metavar="MODEL", help="Only of this model.")
def export_stored(folder: Path, sites: tuple[str, ...], model: str | None) -> None:
    """Copy the newest stored forecast of each SITE (all places without one) into FOLDER, as netCDF."""
    from wxfly import questions, store_commands

    click.echo(store_commands.export(folder, sites, questions.sites_file(), model=model))


@stored_forecasts.command("clear", epilog="Example: wxfly store clear --yes")
@click.option("--yes", "certain", is_flag=True, help="Really do it.")
def clear_store(certain: bool) -> None:
    """Remove every stored forecast and reply."""
    from wxfly import store_commands

    click.echo(store_commands.clear(certain=certain))


@main.command(epilog="Example: wxfly aircraft folding-quad-249g")
@click.argument("name", required=False)
@click.option("--units", type=click.Choice(["metric", "imperial", "aviation"]), default="metric", show_default=True)
def aircraft(name: str | None, units: str) -> None:
    """List the aircraft, or show the limits of NAME and where each is from."""
    from wxfly import belongings

    click.echo(belongings.describe_aircraft(name, units))


@main.command(epilog="Example: wxfly rules eu_open")
@click.argument("name", required=False)
def rules(name: str | None) -> None:
    """List the rule sets, or show the limits of NAME and where each stands."""
    from wxfly import belongings

    click.echo(belongings.describe_rules(name))


if __name__ == "__main__":
    sys.exit(main())
