"""The work of a watch: it asks again as new runs come, and tells each change in every way that is wanted."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from wxfly.answer.request import QuestionKind
from wxfly.cli.program import print_json, say, tell, tell_progress, width
from wxfly.errors import WxflyError
from wxfly.pilot.options import Words
from wxfly.pilot.settings import load_settings
from wxfly.question.ask import ask
from wxfly.question.watch import AFTER_FAILURE, PUNCTUAL, QuietHours
from wxfly.report.command_facts.watch import (
    WatchFacts,
    clock_of,
    due_after,
    file_of,
    is_of_a_later_day,
    tell_changes,
    tell_loss,
    told_in,
    watch_text,
    with_fault,
)
from wxfly.report.facts.answer import AnswerFacts, facts_of
from wxfly.report.formats import to_json
from wxfly.report.text.console import clean, wrap
from wxfly.sources.http import send
from wxfly.times import utc_now

SECONDS_OF_TOOL = 10
LONGEST_SLEEP = 60.0
"""Longest sleep at a time [s]."""
_ON_WINDOWS = (
    "[void][Reflection.Assembly]::LoadWithPartialName('System.Windows.Forms');"
    "$n = New-Object System.Windows.Forms.NotifyIcon; $n.Icon = [Drawing.SystemIcons]::Information; $n.Visible = 1;"
    "$n.ShowBalloonTip(9000, $env:WXFLY_TITLE, $env:WXFLY_TEXT, 'None'); Start-Sleep 9; $n.Dispose()"
)


def looks_once(watching: Watching, as_json: Callable[[WatchFacts], None] | None) -> bool:
    """Look once, and return whether a change was told; a fault stands in a line of JSON too where that is printed."""
    try:
        return watching.look()
    except WxflyError as fault:
        if as_json is not None and not watching.has_told_fault:
            as_json(with_fault(watching.last_facts, str(fault)))
        raise


@dataclass(frozen=True)
class Way:
    """A way of telling, which has its own memory of what it told.

    Attributes
    ----------
    name : str
        By which its memory is known.
    tell : callable
        Tells of a change; one that fails lets the next look tell again.
    """

    name: str
    tell: Callable[[WatchFacts], None]


class Watching:
    """Looks at an answer again and again.

    Parameters
    ----------
    ask : callable
        Makes the answer now.
    ways : sequence of Way
        Ways of telling; that one fails keeps no other one from telling.
    quiet_hours : QuietHours or None
        Hours in which nothing is told.
    question : sequence
        What the memory of what was told is known by, beside the way.
    is_of_one_day : bool
        Whether the watch ends with the day of its first answer.

    Attributes
    ----------
    last_facts : WatchFacts or None
        What the last look had to tell in the last way.
    has_told_fault : bool
        Whether that way told it and it holds a fault.
    """

    def __init__(
        self,
        ask: Callable[[], AnswerFacts],
        ways: Sequence[Way],
        quiet_hours: QuietHours | None,
        question: Sequence[object] = (),
        *,
        is_of_one_day: bool = False,
    ) -> None:
        self._ask, self._quiet, self._is_of_one_day = ask, quiet_hours, is_of_one_day
        self._ways = [(way, file_of(way.name, *question)) for way in ways]
        self._last: AnswerFacts | None = None
        self.last_facts: WatchFacts | None = None
        self.has_told_fault = False

    def look(self) -> bool:
        """Look once where that is worth its requests, and return whether a change was told."""
        if not self._is_due():
            return False
        try:
            answer = self._ask()
        except WxflyError as fault:
            self._tell_loss(str(fault))
            raise
        return self._tell_changes(answer)

    def _is_due(self) -> bool:
        dues = [None if told is None else told.due for told in (told_in(path) for _, path in self._ways)]
        return any(due is None or utc_now() >= due - PUNCTUAL for due in dues)

    def _tell_changes(self, answer: AnswerFacts) -> bool:
        self._last = answer
        is_quiet, due = self._is_quiet(), self.next_look()
        has_told, faults = False, []
        for way, path in self._ways:
            try:
                facts = tell_changes(path, answer, way.tell, due=due, is_quiet=is_quiet)
            except WxflyError as fault:
                faults.append(str(fault))
            else:
                has_told = has_told or (bool(facts.changes) and not is_quiet)
                self.last_facts = facts
        if faults:
            raise WxflyError("; ".join(faults))
        return has_told

    def _is_quiet(self) -> bool:
        return self._quiet is not None and self._last is not None and self._quiet.holds(clock_of(self._last), utc_now())

    def next_look(self) -> datetime:
        """Return when to look again after a look: as the next run may be there, or as quiet hours are over."""
        assert self._last is not None
        due = due_after(self._last)
        if self._quiet is not None and self._is_quiet():
            return min(due, self._quiet.over_at(clock_of(self._last), utc_now()))
        return due

    def go_on(self, sleep: Callable[[float], object] = time.sleep) -> None:
        """Look again and again, until it is broken off or its day is over; after a failure it looks a little later."""
        is_over = "the day is over: the watch has ended"
        again = f"again in {AFTER_FAILURE / timedelta(minutes=1):.0f} min"
        while True:
            due = utc_now() + AFTER_FAILURE
            try:
                answer = self._ask()
            except WxflyError as fault:
                if self._last is None:
                    raise
                if self._last.sites[0].period.end <= utc_now():
                    tell(is_over)
                    return
                tell(f"{fault}; looking {again}")
                try:
                    self._tell_loss(str(fault))
                except WxflyError as untold:
                    tell(f"{untold}; telling {again}")
            else:
                before = self._last
                if self._is_of_one_day and before and is_of_a_later_day(answer, before.sites[0].period.end):
                    tell(is_over)
                    return
                try:
                    self._tell_changes(answer)
                    due = self.next_look()
                except WxflyError as fault:
                    tell(f"{fault}; telling {again}")
            while (left := (due - utc_now()).total_seconds()) > 0:
                sleep(min(left, LONGEST_SLEEP))  # a machine that was asleep meanwhile has not counted

    def _tell_loss(self, why: str) -> None:
        now, faults = utc_now(), []
        for way, path in self._ways:
            try:
                self.last_facts = tell_loss(path, now, why, way.tell, self._quiet)
                self.has_told_fault = bool(self.last_facts.changes)
            except WxflyError as fault:
                faults.append(str(fault))
        if faults:
            raise WxflyError("; ".join([why, *faults]))


def ask_again(kind: QuestionKind, places: list[str], words: Words) -> AnswerFacts:
    """Return the facts of the answer to a question now."""
    asked = ask(kind, places, words, on_progress=tell_progress)
    return facts_of(asked.briefing, asked.question)


def ways_of(*, as_json: bool, notify: bool, webhook: str | None) -> list[Way]:
    """Return the ways of telling, the terminal last."""
    ways: list[Way] = []
    if webhook:
        ways.append(Way(webhook, lambda facts: _send(webhook, facts)))
    if notify:
        tool = _notifier()
        ways.append(Way("notify", lambda facts: _notify(tool, facts)))
    ways.append(Way("json", print_json) if as_json else Way("text", _print))
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
        raise WxflyError(f"--notify needs the program {name} of your desktop, which was not found; leave --notify out")
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
        raise WxflyError(f"the notification could not be shown ({type(fault).__name__}); leave --notify out") from None
