"""Watching an answer: look again as new runs come, and report changes on the terminal, the desktop or to an address.

The command is in `wxfly.cli.watch`; this module is loaded when it runs.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

from wxfly.cli.program import print_json, say, tell, tell_progress, width
from wxfly.errors import WxflyError
from wxfly.pilot.options import Words
from wxfly.pilot.settings import load_settings
from wxfly.question.ask import ask
from wxfly.report.facts.answer import AnswerFacts, facts_of
from wxfly.report.further_facts.watch import WatchFacts, watch_text
from wxfly.report.json import to_json
from wxfly.report.text.console import clean, wrap
from wxfly.report.watch import (
    AFTER_FAILURE,
    QuietHours,
    clock_of,
    file_of,
    report_changes,
    report_loss,
    wait_after,
)
from wxfly.sources.http import send
from wxfly.times import utc_now

SECONDS_OF_TOOL = 10
_ON_WINDOWS = (
    "[void][Reflection.Assembly]::LoadWithPartialName('System.Windows.Forms');"
    "$n = New-Object System.Windows.Forms.NotifyIcon; $n.Icon = [Drawing.SystemIcons]::Information; $n.Visible = 1;"
    "$n.ShowBalloonTip(9000, $env:WXFLY_TITLE, $env:WXFLY_TEXT, 'None'); Start-Sleep 9; $n.Dispose()"
)


class Watching:
    """Looks at an answer again and again.

    Parameters
    ----------
    ask : callable
        Makes the answer now.
    reporters : sequence of callable
        Each reports a change in its way; where one fails, the next look reports it again.
    quiet_hours : QuietHours or None
        Hours in which nothing is reported.
    channels : str, optional
        The ways of reporting, as a key of what was reported.
    """

    def __init__(
        self,
        ask: Callable[[], AnswerFacts],
        reporters: Sequence[Callable[[WatchFacts], None]],
        quiet_hours: QuietHours | None,
        channels: str = "",
    ) -> None:
        self._ask, self._reporters, self._quiet = ask, reporters, quiet_hours
        self._channels = channels
        self._last: AnswerFacts | None = None

    def look(self) -> bool:
        """Look once, and return whether a change was reported."""
        return self._report_changes(self._ask())

    def _report_changes(self, answer: AnswerFacts) -> bool:
        self._last = answer
        is_quiet = self._is_quiet(answer.now)
        facts = report_changes(answer, self._report, is_quiet=is_quiet, channels=self._channels)
        return bool(facts.changes) and not is_quiet

    def _is_quiet(self, now: datetime) -> bool:
        return self._quiet is not None and self._last is not None and self._quiet.holds(clock_of(self._last), now)

    def next_look(self) -> datetime:
        """Return when to look again after a look: as the next run may be there, or as quiet hours are over."""
        assert self._last is not None
        now, clock = self._last.now, clock_of(self._last)
        due = now + wait_after(self._last)
        if self._quiet is not None and self._quiet.holds(clock, now):
            return min(due, self._quiet.over_at(clock, now))
        return due

    def go_on(self, sleep: Callable[[float], object] = time.sleep) -> None:
        """Look again and again, until it is broken off; a look that fails is made again a little later."""
        again = f"again in {AFTER_FAILURE / timedelta(minutes=1):.0f} min"
        while True:
            due = utc_now() + AFTER_FAILURE
            try:
                answer = self._ask()
            except WxflyError as fault:
                if self._last is None:
                    raise
                tell(f"{fault}; looking {again}")
                self._report_loss(str(fault))
            else:
                try:
                    self._report_changes(answer)
                    due = self.next_look()
                except WxflyError as fault:
                    tell(f"{fault}; telling {again}")
            sleep(max((due - utc_now()).total_seconds(), 1.0))

    def _report_loss(self, why: str) -> None:
        assert self._last is not None
        if self._is_quiet(utc_now()):
            return
        try:
            report_loss(
                file_of(self._last, self._channels), self._last.sites[0].site.name, utc_now(), why, self._report
            )
        except WxflyError as fault:
            tell(str(fault))

    def _report(self, facts: WatchFacts) -> None:
        for one in self._reporters:
            one(facts)


def ask_again(places: list[str], words: Words, *, week: bool) -> AnswerFacts:
    """Return the facts of the answer now, about a week or a day."""
    asked = ask("week" if week else "best", places, words, on_progress=tell_progress)
    return facts_of(asked.briefing, asked.question)


def reporters_of(*, as_json: bool, notify: bool, webhook: str | None) -> list[Callable[[WatchFacts], None]]:
    """Return the ways of reporting; the terminal is last, so that what it shows was reported everywhere."""
    ways: list[Callable[[WatchFacts], None]] = []
    if webhook:
        ways.append(lambda facts: _send(webhook, facts))
    if notify:
        tool = _notifier()
        ways.append(lambda facts: _notify(tool, facts))
    ways.append(print_json if as_json else _print)
    return ways


def _print(facts: WatchFacts) -> None:
    say("\n".join(line for text in watch_text(facts) for line in wrap(clean(text), width())))


def _send(url: str, facts: WatchFacts) -> None:
    send(url, to_json(facts).encode(), settings=load_settings())


def _notifier() -> list[str]:
    """Return the notification tool of the operating system, with what it takes before title and text.

    Raises
    ------
    WxflyError
        Where there is none.
    """
    name = {"darwin": "osascript", "win32": "powershell"}.get(sys.platform, "notify-send")
    path = shutil.which(name)
    if path is None:
        raise WxflyError(f"--notify needs the program {name} of your desktop, which is not here; leave it out")
    script = "on run argv\ndisplay notification (item 2 of argv) with title (item 1 of argv)\nend run"
    return {
        "osascript": [path, "-e", script],
        "powershell": [path, "-NoProfile", "-Command", _ON_WINDOWS],
        "notify-send": [path, "--app-name=wxfly", "--"],
    }[name]


def _notify(tool: Sequence[str], facts: WatchFacts) -> None:
    """Show a notification; its words are arguments, which no shell reads."""
    title, *rest = (clean(text) for text in watch_text(facts))
    text = "\n".join(rest)
    is_on_windows = sys.platform == "win32"
    try:
        subprocess.run(
            [*tool, *([] if is_on_windows else [title, text])],
            env={**os.environ, "WXFLY_TITLE": title, "WXFLY_TEXT": text},
            check=True, timeout=SECONDS_OF_TOOL + 5, capture_output=True,
        )  # fmt: skip
    except (OSError, subprocess.SubprocessError) as fault:
        raise WxflyError(f"the notification could not be shown ({type(fault).__name__})") from None
