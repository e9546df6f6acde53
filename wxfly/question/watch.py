"""A watch: the question that it asks, when it looks again, and the hours in which it tells nothing."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta

from wxfly.answer.request import QuestionKind
from wxfly.errors import WxflyError
from wxfly.pilot.options import Words, said
from wxfly.pilot.site import SiteClock
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

    def holds(self, clock: SiteClock, moment: datetime) -> bool:
        """Return whether a moment lies in them."""
        now = clock.local(moment).time()
        if self.begin <= self.end:
            return self.begin <= now < self.end
        return now >= self.begin or now < self.end

    def over_at(self, clock: SiteClock, moment: datetime) -> datetime:
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


def next_look(models: Collection[str], *, is_answered: bool) -> datetime:
    """Return when to look again after an answer: as the next run of its models may be there.

    That is never later than the shortest time between two of their runs, and never sooner than `SOONEST`.

    Parameters
    ----------
    models : collection of str
        Models of the forecast; those without an entry in the table of models are left out.
    is_answered : bool
        Whether a service answered; where none did, it is soon.
    """
    now = utc_now()  # not that of the answer, which may be for another moment
    if not is_answered:
        return now + AFTER_FAILURE
    known = [name for name in models if name in MODELS]
    latest = now + min((timedelta(hours=MODELS[name].interval_hours) for name in known), default=UNKNOWN_INTERVAL)
    expected = [moment + AFTER_RUN for moment in map(next_run_expected, known) if moment is not None]
    return max(min([latest, *expected]), now + SOONEST)
