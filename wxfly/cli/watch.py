"""The command watch: it looks again as new runs come, and tells when the answer changes."""

from __future__ import annotations

import signal
from collections.abc import Callable
from typing import Any, TypeVar

import click

from wxfly.cli import completion
from wxfly.cli.exit_codes import ExitCode
from wxfly.cli.options import asking, output
from wxfly.cli.program import HeadedOption, main, print_json, tell
from wxfly.pilot.options import Heading, read_words

F = TypeVar("F", bound=Callable[..., Any])


def _of_watch(*names: str, **rest: Any) -> Callable[[F], F]:
    return click.option(*names, cls=HeadedOption, heading=Heading.OUTPUT.value, is_front=True, **rest)


@main.command(epilog="Example: wxfly watch Kelderness saturday --quiet-hours 22-6")
@click.argument("given", nargs=-1, metavar="[SITE] [DAY]", shell_complete=completion.sites_and_days)
@asking("best")
@_of_watch("--week", is_flag=True, help="Watch the windows of the coming days instead of those of DAY.")
@_of_watch("--once", is_flag=True, help="Look once and end; with code 20 where it told of a change.")
@_of_watch("--notify", is_flag=True, help="Also show a notification on the desktop.")
@_of_watch(
    "--webhook", metavar="URL", envvar="WXFLY_WEBHOOK", help="Also send each change as a line of JSON to this address."
)
@_of_watch("--quiet-hours", metavar="BEGIN-END", help="Tell nothing in these hours, such as 22-6, but after them.")
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
    from wxfly.cli.watching import Watching, ask_again, looks_once, ways_of
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
