"""Watching an answer: when to look again, what was told last, and telling only what changed since."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from pathlib import Path

from msgspec import DecodeError, ValidationError, json, structs, to_builtins

from wxfly.answer.request import QuestionKind
from wxfly.cube.notes import NoteKind
from wxfly.errors import WxflyError
from wxfly.pilot.options import Words, said
from wxfly.pilot.own_files import alone_with, write_whole
from wxfly.pilot.settings import config_folder
from wxfly.report.command_facts.watch import Told, WatchFacts, lost_facts, watch_facts
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.writing import Clock
from wxfly.retrieval.forecast import next_run_expected
from wxfly.sources.open_meteo.models import MODELS
from wxfly.times import DaysAhead, read_day, utc_now

SOONEST = timedelta(hours=1)
"""No two looks of a watch are nearer than this, whatever the model."""
UNKNOWN_INTERVAL = timedelta(hours=6)
"""Time between looks where the interval of the model's runs is not known: that of most global models."""
AFTER_RUN = timedelta(minutes=10)
"""Time after a run is expected until the look at it: a service is not punctual to the minute."""
AFTER_FAILURE = timedelta(minutes=15)
"""Time until the next look after one that failed, or that could not be told."""


PUNCTUAL = timedelta(minutes=5)
"""A look that a schedule starts so much before it is due is made."""


def asked_of_watch(words: Words, *, week: bool) -> tuple[QuestionKind, Words]:
    """Return the question that a watch asks: of a named day, of the week, or else of the rest of today and tomorrow.

    Without a day the days go on: the window of tomorrow is that of today a day later, and stays watched.
    """
    if week:
        return "week", words
    if read_day(words.day) in (None, DaysAhead(1)):
        return "week", replace(words, day=None, days=2)
    return "best", words


def is_of_a_later_day(answer: AnswerFacts, until: datetime) -> bool:
    """Return whether an answer is about a day after the one that was watched until then.

    A weekday that is over is asked as the next of its name.
    """
    return answer.sites[0].period.start >= until


def known_by(kind: QuestionKind, places: Sequence[str], words: Words) -> tuple[object, ...]:
    """Return what a question is known by: its words, but for those of one look."""
    of_all = replace(words, offline=Words().offline, as_of=Words().as_of, fresh=Words().fresh)
    return kind, list(places), list(said(of_all))


@dataclass(frozen=True)
class QuietHours:
    """Hours of the site's clock in which nothing is told; what changes in them is told after them.

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
        quiet = QuietHours(time(0 if hour == 24 else hour, minute), time(last_hour % 24, last_minute))
    except ValueError:
        raise WxflyError(wanted) from None
    if quiet.begin == quiet.end or last_hour > 24:
        raise WxflyError(wanted)
    return quiet


def due_after(answer: AnswerFacts) -> datetime:
    """Return when to look again after an answer: as the next run of its models may be there.

    That is never later than the shortest time between two of their runs, and never sooner than `SOONEST`. Where no
    service answered, it is soon.
    """
    now = utc_now()  # not that of the answer, which may be for another moment
    if any(note.kind is NoteKind.NO_NEWER_FORECAST for note in answer.notes):
        return now + AFTER_FAILURE
    names = {hours.model for hours in answer.forecasts[0].by_hours} | {answer.forecasts[0].model or ""}
    known = [name for name in names if name in MODELS]
    latest = now + min((timedelta(hours=MODELS[name].interval_hours) for name in known), default=UNKNOWN_INTERVAL)
    expected = [moment + AFTER_RUN for moment in map(next_run_expected, known) if moment is not None]
    return max(min([latest, *expected]), now + SOONEST)


def clock_of(answer: AnswerFacts) -> Clock:
    """Return the clock of the site that an answer is about."""
    return Clock(answer.sites[0].site.time_zone)


def tell_changes(
    path: Path, answer: AnswerFacts, tell: Callable[[WatchFacts], None], *, due: datetime, is_quiet: bool
) -> WatchFacts:
    """Tell what changed since the last time, and keep what was told.

    Parameters
    ----------
    path : Path
        Where what was told is kept, as `file_of` returns it.
    answer : AnswerFacts
        The answer now, about one site.
    tell : callable
        Tells it; called for the first answer and where something changed. Where it raises, nothing is kept, so that
        the next look tells again.
    due : datetime
        When the next look is worth its requests.
    is_quiet : bool
        Whether nothing may be told now; a later look then tells it.

    Returns
    -------
    WatchFacts
        What changed, told or not.
    """
    with alone_with(path):
        before = told_in(path)
        facts = watch_facts(answer, before)
        if facts.since is None or facts.changes:
            if is_quiet:
                if before is not None:
                    _keep(path, structs.replace(before, due=due))
                return facts
            if before is not None:
                _keep(path, structs.replace(before, due=None))  # whatever happens now, the next look is made
            tell(facts)
        assert facts.told is not None
        _keep(path, structs.replace(facts.told, due=due))
    return facts


def tell_loss(
    path: Path, now: datetime, why: str, tell: Callable[[WatchFacts], None], quiet: QuietHours | None = None
) -> WatchFacts:
    """Tell, once, that no forecast can be had any more.

    Parameters
    ----------
    path, tell
        As in `tell_changes`.
    now : datetime
        Present time, UTC.
    why : str
        The fault.
    quiet : QuietHours, optional
        Hours in which nothing is told.

    Returns
    -------
    WatchFacts
        The loss and the fault, told or not.
    """
    with alone_with(path):
        before = told_in(path)
        site = "" if before is None else before.place.rpartition(" ")[0]
        facts = lost_facts(site, before, now, why)
        if before is not None and before.due is not None:
            _keep(path, structs.replace(before, due=None))
        is_quiet = before is not None and quiet is not None and quiet.holds(Clock(before.time_zone), now)
        if is_quiet:
            return structs.replace(facts, changes=[])
        if facts.changes:
            tell(facts)
            assert facts.told is not None
            _keep(path, facts.told)
    return facts


def file_of(teller: str, *question: object) -> Path:
    """Return the file of what was told of a question in one way; the words of the question are what it is known by."""
    asked = json.encode((teller, to_builtins(question, enc_hook=repr)))
    return config_folder() / "watched" / f"{hashlib.sha256(asked).hexdigest()[:16]}.json"


def told_in(path: Path) -> Told | None:
    """Return what was told; None where nothing was, or where the file is damaged: then all is told anew."""
    try:
        return json.decode(path.read_bytes(), type=Told)
    except (OSError, DecodeError, ValidationError, RecursionError):
        return None


def _keep(path: Path, told: Told) -> None:
    write_whole(path, json.encode(told))
