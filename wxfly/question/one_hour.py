"""Why one hour has room or not: the hours of its day, and what would give it room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from wxfly.answer.alternatives import changes_of_hour
from wxfly.answer.briefing import age_counts_from
from wxfly.answer.request import Briefing, Change
from wxfly.assessment.hours import HOUR
from wxfly.assessment.suitability import State
from wxfly.errors import WxflyError
from wxfly.pilot.options import Words
from wxfly.pilot.site import SiteClock, hour_of
from wxfly.question.ask import Progress, brief_of, other_aircraft, prepare
from wxfly.question.question import Question, read_hour_question
from wxfly.units import errors_in


@dataclass(frozen=True)
class HourAsked:
    """One hour of a day.

    Attributes
    ----------
    briefing : Briefing
        Of the whole day, at one site.
    question : Question
        What was asked.
    hour : numpy.datetime64
        Its start, UTC.
    changes : tuple of Change
        The lower height and the other aircraft that would give it room; empty where it has room.
    """

    briefing: Briefing
    question: Question
    hour: np.datetime64
    changes: tuple[Change, ...]


def ask_hour(given: Sequence[str], words: Words, *, on_progress: Progress) -> HourAsked:
    """Judge the day of one hour, and look for what would give that hour room.

    Parameters
    ----------
    given : sequence of str
        Site, day and hour as the pilot wrote them (`wxfly.question.question.read_hour_question`).
    words : Words
        The rest of what is asked.
    on_progress : callable
        Called with a line of text when something may take over a second.

    Raises
    ------
    WxflyError
        For anything the pilot can put right, such as an hour that is over.
    """
    with errors_in(words.units):
        return _hour(given, words, on_progress)


def _hour(given: Sequence[str], words: Words, on_progress: Progress) -> HourAsked:
    question = read_hour_question(given, words)
    assert question.hour is not None
    prepared = prepare(question, on_progress=on_progress)
    site, now = prepared.requests[0].site, prepared.now
    hour = hour_of(site, now, question.day, question.hour)
    if hour + HOUR <= now:
        clock = SiteClock(question.time_zone or site.time_zone)
        over, present = (f"{clock.date(moment)} {clock.hour(moment)}" for moment in (hour, now))
        raise WxflyError(f"the hour of {over} is over (now is {present}); give a later one, or --as-of an earlier time")
    briefing = brief_of(prepared)
    answer = briefing.answers[0]
    positions = np.flatnonzero(answer.assessment["time"].values.astype("datetime64[s]") == hour)
    if not positions.size:
        raise WxflyError(f"the forecast has no hour {str(hour)[:16]}Z; give an earlier one")
    changes: tuple[Change, ...] = ()
    if answer.lit_hours[positions[0]] and answer.assessment["state"].values[positions[0]] == State.OUTSIDE:
        others = other_aircraft(prepared.question)
        run = age_counts_from(prepared.provenance)
        changes = changes_of_hour(answer, prepared.cube.isel(site=0), hour, others=others, run=run)
    return HourAsked(briefing, prepared.question, hour, changes)
