"""The questions: best, now, compare, week, why, brief, check, where, fleet, watch; and schema, of what they print."""

from __future__ import annotations

import json
import signal
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wxfly.cli.options import OFFERS, STANDARD, Outputs, asking, output, overwriting, telling, telling_more, within
from wxfly.cli.program import (
    ExitCode,
    end_with,
    exiting,
    full_width,
    main,
    print_data,
    print_json,
    say,
    show,
    tell,
    tell_fault,
    tell_progress,
    width,
)
from wxfly.pilot.options import Words, read_words
from wxfly.report.formats import check_place, write_answer

if TYPE_CHECKING:
    from wxfly.answer.request import QuestionKind


@main.command(epilog="Example: wxfly best Kelderness monday --html best.html")
@click.argument("given", nargs=-1, metavar="[SITE] [DAY]", shell_complete=OFFERS["site or day"])
@asking("best")
@telling
def best(given: tuple[str, ...], day: str | None, outputs: Outputs, **words: Any) -> None:
    """Find the best hour, or the best window, of tomorrow or of DAY at SITE."""
    from wxfly.question.question import part_one_place

    places, day = part_one_place(given, day)
    _ask("best", places, outputs, read_words({**words, "day": day}))


@main.command(epilog="Example: wxfly now Kelderness --duration 30min")
@click.argument("site", required=False, shell_complete=OFFERS["site"])
@asking("now")
@telling
def now(site: str | None, outputs: Outputs, **words: Any) -> None:
    """Say whether there is room to fly at SITE from now on, until when, and what ends it."""
    _ask("now", [] if site is None else [site], outputs, read_words(words))


@main.command(epilog="Example: wxfly compare Kelderness Whistlebrush@100m --aircraft cine-hexacopter")
@click.argument("given", nargs=-1, required=True, metavar="SITE SITE ... [DAY]", shell_complete=OFFERS["site or day"])
@asking("compare")
@telling
def compare(given: tuple[str, ...], day: str | None, outputs: Outputs, **words: Any) -> None:
    """Compare two sites or more over the same hours: which is better, when and why.

    SITE@HEIGHT gives a site a flight height of its own, so one site can be compared with itself.
    """
    from wxfly.question.question import part_day

    sites, day = part_day(given, day)
    if len(sites) < 2:
        raise click.UsageError("compare needs two sites or more; one site may come twice with two heights, SITE@40m")
    _ask("compare", sites, outputs, read_words({**words, "day": day}))


@main.command(epilog="Example: wxfly week Kelderness --duration 2h --ics week.ics")
@click.argument("site", required=False, shell_complete=OFFERS["site"])
@asking("week")
@telling
def week(site: str | None, outputs: Outputs, **words: Any) -> None:
    """List the best windows of the coming days at SITE."""
    _ask("week", [] if site is None else [site], outputs, read_words(words))


@main.command(epilog="Example: wxfly why Kelderness sunday 15:00")
@click.argument("given", nargs=-1, required=True, metavar="[SITE] [DAY] HOUR", shell_complete=OFFERS["site or day"])
@asking("why")
@telling_more
@exiting
@output("--json", "as_json", help="Print the hour and the answer for its day as JSON.")
def why(given: tuple[str, ...], more: bool, as_json: bool, **words: Any) -> None:
    """Explain one hour at SITE: each element, its limit, the room left, and what would have to change.

    HOUR is on the clock of the site, such as 15 or 15:00, or ISO 8601 with its date. Without DAY it is the next such
    hour, today's while it is not over.
    """
    from wxfly.question.ask import ask_hour
    from wxfly.report.command_facts.one_hour import one_hour_facts
    from wxfly.report.text.answer import render_hour

    facts = one_hour_facts(ask_hour(given, read_words(words), on_progress=tell_progress))
    show(facts, lambda: render_hour(facts, width=width(), more=more), as_json=as_json)
    end_with(facts.word, as_far_as_known=bool(facts.unknown_elements))


@main.command(epilog="Example: wxfly brief Kelderness --return-height 80m --batteries 3 --html brief.html")
@click.argument("given", nargs=-1, metavar="[SITE] [DAY]", shell_complete=OFFERS["site or day"])
@asking("brief")
@exiting
@output("--json", "as_json", help="Print the brief and its answer as JSON.")
@output("--csv", "as_csv", help="Print the hours of the window as CSV, with the wind at each height.", is_front=False)
@output("--html", "html_path", help="Also write the page to this file.", is_file=True)
@overwriting
def brief(
    given: tuple[str, ...],
    day: str | None,
    html_path: Path | None,
    overwrite: bool,
    as_json: bool,
    as_csv: bool,
    **words: Any,
) -> None:
    """Make the flight brief of the best window at SITE: one page to print or to keep on a phone.

    With the aircraft's figures of energy the way back is held against every hour as well.
    """
    from wxfly.question.ask import ask_brief
    from wxfly.question.question import part_one_place
    from wxfly.report.command_facts.brief import brief_or_answer
    from wxfly.report.facts.answer import AnswerFacts
    from wxfly.report.pages.brief import to_html
    from wxfly.report.text.answer import render
    from wxfly.report.text.brief import to_text, words_of

    _only_one_printed(as_json=as_json, as_csv=as_csv)
    if html_path:
        check_place(html_path, overwrite=overwrite)
    places, day = part_one_place(given, day)
    asked = ask_brief("".join(places) or None, read_words({**words, "day": day}), on_progress=tell_progress)
    facts = brief_or_answer(asked)
    brief_words = words_of(facts)
    if html_path:
        _write(html_path, to_html(brief_words, facts).encode(), overwrite=overwrite)
    if as_json:
        print_json(facts)
    elif as_csv:
        from wxfly.report.tables import brief_to_csv

        print_data(brief_to_csv(facts).encode("utf-8", "backslashreplace"))
    elif isinstance(facts, AnswerFacts):
        say(render(facts, width=width()))
    else:
        say(to_text(brief_words, width()))
    answer = facts if isinstance(facts, AnswerFacts) else facts.answer
    end_with(answer.verdict.word, as_far_as_known=answer.verdict.as_far_as_known)


@main.command(epilog="Example: wxfly check Valdrenna --mean 3.1m/s --gust 5.4m/s")
@click.argument("site", required=False, shell_complete=OFFERS["site"])
@asking("check")
@telling_more
@exiting
@output("--json", "as_json", help="Print the check and the answer for the rest of the day as JSON.")
def check(site: str | None, more: bool, as_json: bool, **words: Any) -> None:
    """Compare what you measure now at SITE with the forecast, and answer for the rest of the day with both."""
    from wxfly.question.field_check import ask_check
    from wxfly.report.command_facts.field_check import check_facts
    from wxfly.report.text.answer import render
    from wxfly.report.text.field_check import CheckWords

    asked = ask_check(site, read_words(words), on_progress=tell_progress)
    facts = check_facts(asked)
    if as_json:
        print_json(facts)
    told = CheckWords(facts)
    read = told.render(width())
    if not as_json:
        say(f"{read}\n\n{render(told.answer_of_day(), width=width(), more=more)}")
    end_with(facts.room, as_far_as_known=facts.answer.verdict.as_far_as_known)


@main.command(epilog="Example: wxfly where 52.1,5.3 --within 30km --html spots.html")
@click.argument("place")
@within
@asking("where")
@output("--json", "as_json", help="Print spots, cells and hours as JSON.")
@output("--csv", "as_csv", help="Print the cells as CSV.", is_front=False)
@output("--html", "page", is_file=True, help="Also write the page with the map to this file.")
@output(
    "--zarr", "folder", is_file=True, is_front=False, help="Also write every hour of every cell to this Zarr store."
)
@output(
    "--scheduler", metavar="ADDRESS", is_front=False,
    help="Have the workers of this dask scheduler work on the store, for example tcp://10.0.0.5:8786.",
)  # fmt: skip
@overwriting
def where(
    place: str,
    reach: str,
    as_json: bool,
    as_csv: bool,
    page: Path | None,
    folder: Path | None,
    scheduler: str | None,
    overwrite: bool,
    **words: Any,
) -> None:
    """Rank the cells of a forecast grid, or of a file, within reach of PLACE."""
    from wxfly.question.where import ask_where, store_every_hour
    from wxfly.report.command_facts.where import reader_of, where_facts

    is_printed = page is not None and str(page) == STANDARD
    _only_one_printed(as_json=as_json, as_csv=as_csv, html=is_printed)
    if scheduler is not None and folder is None:
        raise click.UsageError("--scheduler is for the work on a store; give --zarr FOLDER too")
    if page is not None and not is_printed:
        check_place(page, overwrite=overwrite)
    asked = ask_where(place, reach, read_words(words), on_progress=tell_progress)
    facts, reader = where_facts(asked.where), reader_of(asked)
    if folder is not None:
        store_every_hour(asked, folder, scheduler=scheduler, on_progress=tell_progress)
    if page is not None:
        from wxfly.report.pages.where import to_html

        written = to_html(facts, reader).encode()
        if is_printed:
            print_data(written)
            return
        _write(page, written, overwrite=overwrite)
    if as_json:
        print_json(facts)
        return
    if as_csv:
        from wxfly.report.tables import where_to_csv

        print_data(where_to_csv(facts, reader).encode())
        return
    from wxfly.report.text.where import to_text

    say(to_text(facts, reader, width()))


@main.command(epilog="Example: wxfly fleet sites.csv --days 5 --html fleet.html")
@click.argument("table", type=click.Path(path_type=Path), metavar="FILE")
@asking("fleet")
@telling_more
@output("--json", "as_json", help="Print the sites as JSON.")
@output("--csv", "as_csv", help="Print one row for each site as CSV.")
@output(
    "--parquet", "parquet_path", help="Also write these rows as Parquet to this file.", is_file=True, is_front=False
)
@output("--html", "html_path", help="Also write the page to this file.", is_file=True)
@output(
    "--ics", "ics_path", help="Also write the windows as one calendar file, or one a site into this folder.",
    is_file=True,
)  # fmt: skip
@overwriting
def fleet(
    table: Path,
    more: bool,
    as_json: bool,
    as_csv: bool,
    parquet_path: Path | None,
    html_path: Path | None,
    ics_path: Path | None,
    overwrite: bool,
    **words: Any,
) -> None:
    """Judge the coming days at every site of FILE, a table in CSV, and rank the sites.

    FILE has the columns name, latitude and longitude; elevation and any option, such as aircraft, height or plan, may
    stand beside them. What a row says goes before what the command says. The service is asked for many sites at once,
    at the rate that it allows; after an interruption the same command goes on.
    """
    from wxfly.question.fleet import FleetFileError, ask_fleet, read_fleet_question
    from wxfly.report.calendar import calendars_of_fleet, entries_of
    from wxfly.report.command_facts.fleet import MakesRow, fleet_facts

    _only_one_printed(as_json=as_json, as_csv=as_csv)
    for path in (parquet_path, html_path, ics_path):
        if path is not None and not path.is_dir():
            check_place(path, overwrite=overwrite)
    try:
        asked = read_fleet_question(table, read_words(words))
    except FleetFileError as faulty:
        for fault in faulty.faults:
            tell_fault(str(fault))
        raise
    made = ask_fleet(asked, MakesRow(None if ics_path is None else entries_of), on_progress=tell_progress)
    facts = fleet_facts(asked, made)
    from wxfly.report.text.fleet import FleetWords, to_text

    fleet_words = FleetWords(facts, asked.units, asked.time_zone)
    if parquet_path is not None:
        from wxfly.report.tables import fleet_to_parquet

        _write(parquet_path, fleet_to_parquet(facts), overwrite=overwrite)
    if html_path is not None:
        from wxfly.report.pages.fleet import to_html

        _write(html_path, to_html(facts, fleet_words).encode(), overwrite=overwrite)
    if ics_path is not None:
        for path, content in calendars_of_fleet(facts, made.made, ics_path):
            _write(path, content, overwrite=overwrite)
    if as_json:
        print_json(facts)
    elif as_csv:
        from wxfly.report.tables import fleet_to_csv

        print_data(fleet_to_csv(facts, time_zone=asked.time_zone).encode("utf-8", "backslashreplace"))
    else:
        say(to_text(fleet_words, full_width(), more=more))
    if facts.without_answer:
        click.get_current_context().exit(ExitCode.UNFINISHED)


@main.command(epilog="Example: wxfly watch Kelderness saturday --quiet-hours 22-6")
@click.argument("given", nargs=-1, metavar="[SITE] [DAY]", shell_complete=OFFERS["site or day"])
@asking("best")
@output("--week", help="Watch the windows of the coming days instead of those of DAY.")
@output("--once", help="Look once and end; with code 20 where it told of a change.")
@output("--notify", help="Also show a notification on the desktop.")
@output(
    "--webhook", metavar="URL", envvar="WXFLY_WEBHOOK", help="Also send each change as a line of JSON to this address."
)
@output("--quiet-hours", metavar="BEGIN-END", help="Tell nothing in these hours, such as 22-6, but after them.")
@output("--json", "as_json", help="Print each change as a line of JSON.")
def watch(
    given: tuple[str, ...],
    day: str | None,
    week: bool,
    once: bool,
    notify: bool,
    webhook: str | None,
    quiet_hours: str | None,
    as_json: bool,
    **words: Any,
) -> None:
    """Look again at SITE as new runs of the model come, and tell only when the answer changes.

    A window that opens, shrinks, moves or goes is told, and a chance that falls or rises. Silence is no leave to fly:
    look once more before you set out.
    """
    from wxfly.cli.watch import Watching, ask_again, looks_once, ways_of
    from wxfly.question.question import part_one_place
    from wxfly.question.watch import asked_of_watch, known_by, read_quiet_hours
    from wxfly.sources.http import check_receiver

    places, day = part_one_place(given, day)
    if week and day is not None:
        raise click.UsageError(f"--week watches all coming days; leave out {day}, or --week")
    ways = ways_of(as_json=as_json, notify=notify, webhook=webhook)
    if webhook:
        check_receiver(webhook)
    quiet = None if quiet_hours is None else read_quiet_hours(quiet_hours)
    kind, asked = asked_of_watch(read_words({**words, "day": day}), week=week)
    question = known_by(kind, places, asked)
    watching = Watching(lambda: ask_again(kind, places, asked), ways, quiet, question, is_of_one_day=kind == "best")
    if once:
        if looks_once(watching, print_json if as_json else None):
            click.get_current_context().exit(ExitCode.CHANGED)
        return
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        watching.go_on()
    except KeyboardInterrupt:
        tell("the watch has ended")


@main.command("schema", epilog="Example: wxfly schema answer")
@click.argument("name", default="answer", shell_complete=OFFERS["schema"])
def print_schema(name: str) -> None:
    """Print the JSON Schema of what --json prints: NAME is answer, or the command, such as why, sites or ledger."""
    from wxfly.report.schemas import schema_of

    print_data(f"{json.dumps(schema_of(name), indent=1)}\n".encode())


def _ask(kind: QuestionKind, places: list[str], outputs: Outputs, words: Words) -> None:
    _only_one_printed(**{format.name: True for format in outputs.printed})
    for path in outputs.files.values():
        check_place(path, overwrite=outputs.overwrite)
    from wxfly.question.ask import ask

    asked = replace(ask(kind, places, words, on_progress=tell_progress), alarm=outputs.alarm)
    for format, path in outputs.files.items():
        _write(path, format.write(asked), overwrite=outputs.overwrite)
    for format in outputs.printed:
        print_data(format.write(asked))
    from wxfly.report.facts.answer import facts_of
    from wxfly.report.text.answer import render

    facts = facts_of(asked.briefing, asked.question)
    if not outputs.printed:
        say(render(facts, width=width(), more=outputs.more))
    end_with(facts.verdict.word, as_far_as_known=facts.verdict.as_far_as_known)


def _only_one_printed(**printed: bool) -> None:
    """Refuse more than one format on standard output."""
    options = [f"--{name.removeprefix('as_')}" for name, is_printed in printed.items() if is_printed]
    if len(options) > 1:
        raise click.UsageError(f"{' and '.join(options)} print the answer; give one of them")


def _write(path: Path, content: bytes, *, overwrite: bool) -> None:
    write_answer(path, content, overwrite=overwrite)
    tell_progress(f"wrote {path}")
