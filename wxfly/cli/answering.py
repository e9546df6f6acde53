"""The questions: best, compare, week, brief, check. Each parses, calls and prints."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wxfly.cli.options import Outputs, asking, output, overwriting, telling, telling_more
from wxfly.cli.program import main, print_data, say, tell_progress, width
from wxfly.pilot.options import Words, read_words
from wxfly.report.formats import check_place, write_answer

if TYPE_CHECKING:
    from wxfly.answer.request import QuestionKind


@main.command(epilog="Example: wxfly best Kelderness --date 2026-03-16 --html best.html")
@click.argument("site", required=False)
@asking("best")
@telling
def best(site: str | None, outputs: Outputs, **words: Any) -> None:
    """Find the best hour, or the best window, of tomorrow at SITE."""
    _ask("best", [] if site is None else [site], outputs, read_words(words))


@main.command(epilog="Example: wxfly compare Kelderness Whistlebrush@100m --aircraft cine-hexacopter")
@click.argument("sites", nargs=-1, required=True, metavar="SITE SITE ...")
@asking("compare")
@telling
def compare(sites: tuple[str, ...], outputs: Outputs, **words: Any) -> None:
    """Compare two sites or more over the same hours: which is better, when and why.

    SITE@HEIGHT gives a site a flight height of its own, so one site can be compared with itself.
    """
    if len(sites) < 2:
        raise click.UsageError("compare needs two sites or more; one site may come twice with two heights, SITE@40m")
    _ask("compare", list(sites), outputs, read_words(words))


@main.command(epilog="Example: wxfly week Kelderness --duration 2h --ics week.ics")
@click.argument("site", required=False)
@asking("week")
@telling
def week(site: str | None, outputs: Outputs, **words: Any) -> None:
    """List the best windows of the coming days at SITE."""
    _ask("week", [] if site is None else [site], outputs, read_words(words))


@main.command(epilog="Example: wxfly brief Kelderness --return-height 80m --batteries 3 --html brief.html")
@click.argument("site", required=False)
@asking("brief")
@output("--json", "as_json", help="Print the brief and its answer as JSON.")
@output("--csv", "as_csv", help="Print the hours of the window as CSV, with the wind at each height.", is_front=False)
@output("--html", "html_path", help="Also write the page to this file.", is_file=True)
@overwriting
def brief(site: str | None, html_path: Path | None, overwrite: bool, as_json: bool, as_csv: bool, **words: Any) -> None:
    """Make the flight brief of the best window at SITE: one page to print or to keep on a phone.

    With the aircraft's figures of energy the way back is held against every hour as well.
    """
    from wxfly.question.brief import ask_brief
    from wxfly.report.facts.answer import facts_of
    from wxfly.report.facts.brief import brief_facts
    from wxfly.report.pages.brief import to_html
    from wxfly.report.text import brief as text
    from wxfly.report.text.terminal import render

    if html_path:
        check_place(html_path, overwrite=overwrite)
    asked = ask_brief(site, read_words(words), on_progress=tell_progress)
    shown: dict[str, Any] = {"units": asked.units, "time_zone": asked.time_zone}
    answer = facts_of(asked.briefing, asked.question)
    facts = None if asked.brief is None else brief_facts(asked.brief, answer)
    told = text.words_without_window(answer, **shown) if facts is None else text.words_of(facts, **shown)
    if html_path:
        _write(html_path, to_html(told, facts, units=asked.units).encode(), overwrite=overwrite)
    if as_json:
        from wxfly.report.json import to_json

        print_data(f"{to_json(facts or answer)}\n".encode("utf-8", "backslashreplace"))
    elif as_csv:
        from wxfly.report.csv import brief_to_csv, to_csv

        rows = to_csv(answer, **shown) if facts is None else brief_to_csv(facts, **shown)
        print_data(rows.encode("utf-8", "backslashreplace"))
    elif facts is None:
        say(render(answer, width=width()))
    else:
        say(text.to_text(told, width()))


@main.command(epilog="Example: wxfly check Valdrenna --mean 3.1m/s --gust 5.4m/s")
@click.argument("site", required=False)
@asking("check")
@telling_more
@output("--json", "as_json", help="Print the check and the answer for the rest of the day as JSON.")
def check(site: str | None, more: bool, as_json: bool, **words: Any) -> None:
    """Hold what you measure now at SITE against the forecast, and answer for the rest of the day with both."""
    from wxfly.question.brief import ask_check
    from wxfly.report.facts.field_check import check_facts
    from wxfly.report.text.field_check import CheckWords
    from wxfly.report.text.terminal import render

    asked = ask_check(site, read_words(words), on_progress=tell_progress)
    facts = check_facts(asked)
    if as_json:
        from wxfly.report.json import to_json

        print_data(f"{to_json(facts)}\n".encode("utf-8", "backslashreplace"))
        return
    read = CheckWords(facts, asked.units, asked.time_zone).render(width())
    say(f"{read}\n\n{render(facts.answer, width=width(), more=more)}")


def _ask(kind: QuestionKind, places: list[str], outputs: Outputs, words: Words) -> None:
    if len(outputs.printed) > 1:
        names = " and ".join(f"--{format.name}" for format in outputs.printed)
        raise click.UsageError(f"{names} both print the answer; give one of them")
    for path in outputs.files.values():
        check_place(path, overwrite=outputs.overwrite)
    from wxfly.question.ask import ask

    asked = replace(ask(kind, places, words, on_progress=tell_progress), alarm=outputs.alarm)
    for format, path in outputs.files.items():
        _write(path, format.write(asked), overwrite=outputs.overwrite)
    for format in outputs.printed:
        print_data(format.write(asked))
    if not outputs.printed:
        from wxfly.report.facts.answer import facts_of
        from wxfly.report.text.terminal import render

        facts = facts_of(asked.briefing, asked.question)
        say(render(facts, width=width(), more=outputs.more))


def _write(path: Path, content: bytes, *, overwrite: bool) -> None:
    write_answer(path, content, overwrite=overwrite)
    tell_progress(f"wrote {path}")
