"""Watching an answer: when to look again, what was reported last, and what has changed since."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from pathlib import Path

from msgspec import DecodeError, ValidationError, json, to_builtins

from wxfly.errors import WxflyError
from wxfly.pilot.own_files import alone_with, write_whole
from wxfly.pilot.settings import config_folder
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.writing import Clock
from wxfly.report.further_facts.watch import Told, WatchFacts, kept, lost_facts, watch_facts
from wxfly.sources.open_meteo.models import MODELS

SOONEST = timedelta(hours=1)
"""No two looks of a watch are nearer than this, whatever the model."""
UNKNOWN_INTERVAL = timedelta(hours=6)
"""Time between looks where the interval of the model's runs is not known: that of most global models."""
AFTER_FAILURE = timedelta(minutes=15)
"""Time until the next look after one that failed, or that could not be reported."""


@dataclass(frozen=True)
class QuietHours:
    """Hours of the site's clock in which nothing is reported; what changes in them is reported after them.

    Attributes
    ----------
    begin, end : datetime.time
        The quiet time; it may go past midnight.
    """

    begin: time
    end: time

    def holds(self, clock: Clock, moment: datetime) -> bool:
        """Return whether a moment lies in them."""
        now = clock.local(moment).time()
        if self.begin <= self.end:
            return self.begin <= now < self.end
        return now >= self.begin or now < self.end

    def over_at(self, clock: Clock, moment: datetime) -> datetime:
        """Return the moment at which they are over next, to the minute."""
        later = moment
        while self.holds(clock, later):
            later += timedelta(minutes=1)
        return later


def read_quiet_hours(text: str) -> QuietHours:
    """Read quiet hours such as ``22-6`` or ``22:30-06:15``.

    Raises
    ------
    WxflyError
        For anything else.
    """
    found = re.fullmatch(r"\s*(\d{1,2})(?::(\d\d))?\s*[-–]\s*(\d{1,2})(?::(\d\d))?\s*", text)
    wanted = f"quiet hours of '{text}' are not understood; wanted a begin and an end, such as 22-6 or 22:30-06:15"
    if found is None:
        raise WxflyError(wanted)
    hour, minute, last_hour, last_minute = (int(part or 0) for part in found.groups())
    try:
        quiet = QuietHours(time(hour % 24 if hour == 24 else hour, minute), time(last_hour % 24, last_minute))
    except ValueError:
        raise WxflyError(wanted) from None
    if quiet.begin == quiet.end or last_hour > 24:
        raise WxflyError(wanted)
    return quiet


def wait_after(answer: AnswerFacts) -> timedelta:
    """Return how long a watch waits after an answer: the shortest time between two runs of its models."""
    names = {hours.model for hours in answer.forecasts[0].by_hours} | {answer.forecasts[0].model or ""}
    known = [timedelta(hours=MODELS[name].interval_hours) for name in names if name in MODELS]
    return max(min(known, default=UNKNOWN_INTERVAL), SOONEST)


def clock_of(answer: AnswerFacts) -> Clock:
    """Return the clock of the site that an answer is about."""
    return Clock(answer.sites[0].site.time_zone)


def report_changes(
    answer: AnswerFacts, report: Callable[[WatchFacts], None], *, is_quiet: bool, channels: str = ""
) -> WatchFacts:
    """Return what changed since the last time, and keep what was reported.

    Parameters
    ----------
    answer : AnswerFacts
        The answer now, about one site.
    report : callable
        Reports it; called for the first answer and where something changed. Where it raises, nothing is kept, so that
        the next look reports it again.
    is_quiet : bool
        Whether nothing may be reported now; a later look then reports it.
    channels : str, optional
        The ways of reporting: what was reported by one is still new to another.

    Returns
    -------
    WatchFacts
        What changed, reported or not.
    """
    path = file_of(answer, channels)
    with alone_with(path):
        before = _read(path)
        facts = watch_facts(answer, before)
        if before is None or facts.changes:
            if is_quiet:
                return facts
            report(facts)
            _keep(path, facts.told)
        else:
            _keep(path, kept(before, facts.told))
    return facts


def report_loss(path: Path, site: str, now: datetime, why: str, report: Callable[[WatchFacts], None]) -> None:
    """Report, once, that no forecast is available any more.

    Parameters
    ----------
    path : Path
        Where the last report is kept, as `file_of` returns it.
    site : str
        Name of the site.
    now : datetime
        Present time, UTC.
    why : str
        The fault.
    report : callable
        As in `report_changes`.
    """
    with alone_with(path):
        before = _read(path)
        if before is None:
            return
        facts = lost_facts(site, before, now, why)
        if facts.changes:
            report(facts)
            _keep(path, facts.told)


def file_of(answer: AnswerFacts, channels: str = "") -> Path:
    """Return the file of the last report on a question; the best of tomorrow is another question on another day."""
    site = answer.sites[0]
    day = "" if answer.kind == "week" else str(clock_of(answer).local(site.period.end - timedelta(seconds=1)).date())
    question = to_builtins(answer.question)
    for of_this_look in ("origins", "ranks_anew"):
        question.pop(of_this_look)
    for of_this_look in ("offline", "as_of"):
        question["forecast_asked"].pop(of_this_look)
    asked = json.encode((channels, answer.kind, question, answer.minimum_duration, site.site, site.limits, day))
    return config_folder() / "watched" / f"{hashlib.sha256(asked).hexdigest()[:16]}.json"


def _read(path: Path) -> Told | None:
    """Return the last report; None where there is none or its file is damaged: then all is reported anew."""
    try:
        return json.decode(path.read_bytes(), type=Told)
    except (OSError, DecodeError, ValidationError, RecursionError):
        return None


def _keep(path: Path, told: Told) -> None:
    write_whole(path, json.encode(told))
