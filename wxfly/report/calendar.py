"""The windows as a calendar (RFC 5545): an event in UTC for each window."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from wxfly import __version__
from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.answer.windows import Window
from wxfly.pilot.site import SiteClock
from wxfly.report.facts.answer import AnswerFacts, SiteAnswerFacts
from wxfly.report.facts.values import CAUTIONS
from wxfly.report.facts.windows import WindowFacts
from wxfly.report.text import chances, sentences
from wxfly.report.text.console import isolated, outgoing
from wxfly.report.text.sentences import Reader

_ALMOST_A_MINUTE = timedelta(seconds=59)


def to_ics(facts: AnswerFacts, briefing: Briefing, *, units: str, time_zone: str | None) -> bytes:
    """Write the windows of an answer as an iCalendar file.

    Parameters
    ----------
    facts : AnswerFacts
        The answer. ``best`` and ``compare`` give each site's best window, ``week`` every window.
    briefing : Briefing
        The same answer, for the sentences of the descriptions.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    time_zone : str or None
        IANA zone of the times in the descriptions; None takes each site's own. Events are in UTC whatever it is.

    Returns
    -------
    bytes
        UTF-8, folded lines. An answer without any window holds a journal entry that says so, since a calendar
        must hold something. An event keeps its identity from one forecast run to the next: it is made of place,
        aircraft, height, the site's day and the window's place in that day.
    """
    from icalendar import Calendar, Event, Journal

    calendar = Calendar()
    calendar.add("prodid", f"-//wxfly//wxfly {__version__}//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    readers = [sentences.reader_for(answer, units=units, time_zone=time_zone) for answer in briefing.answers]
    for site, answer, reader in zip(facts.sites, briefing.answers, readers, strict=True):
        windows = list(zip(site.windows, answer.windows, strict=True))[: None if facts.kind == "week" else 1]
        for window, told in sorted(windows, key=lambda pair: pair[0].start):
            event = Event()
            _identify(event, facts, site, _place_in_day(site, window))
            _fill(event, facts, site, window)
            event.add("summary", _summary(facts, answer, site, window, told))
            event.add("description", outgoing("\n".join(_description(briefing, answer, told, reader))))
            calendar.add_component(event)
    if not calendar.subcomponents:
        first = facts.sites[0]
        journal = Journal()
        _identify(journal, facts, first, f"{SiteClock(first.site.time_zone).date(first.period.start)} none")
        journal.add("dtstart", first.period.start)
        journal.add("summary", f"No window of {sentences.duration(briefing.minimum_duration)} holds")
        journal.add("description", outgoing("\n".join(_why_none(briefing, readers))))
        calendar.add_component(journal)
    written: bytes = calendar.to_ical()
    return written


def _identify(component: Any, facts: AnswerFacts, site: SiteAnswerFacts, part: str) -> None:
    """Name an entry, and number its revisions by the minute of the run: that of a newer run replaces an older."""
    place = site.site
    key = f"{place.latitude:.5f} {place.longitude:.5f} {site.aircraft.name} {site.height:.1f} {part}"
    component.add("uid", f"{hashlib.sha256(key.encode()).hexdigest()[:32]}@wxfly")
    component.add("dtstamp", facts.now)
    since = facts.forecasts[site.forecast].run or facts.now
    component.add("sequence", int(since.timestamp()) // 60)


def _place_in_day(site: SiteAnswerFacts, window: WindowFacts) -> str:
    """Return the site's own day of a window and its place among the day's, whatever clock the reader has."""
    clock = SiteClock(site.site.time_zone)
    day = clock.date(window.start)
    return f"{day} {sorted(w.start for w in site.windows if clock.date(w.start) == day).index(window.start)}"


def _fill(event: Any, facts: AnswerFacts, site: SiteAnswerFacts, window: WindowFacts) -> None:
    """Put time and place into an event; its ends are rounded inward to the minute, as everywhere else."""
    event.add("dtstart", _minute(window.start + _ALMOST_A_MINUTE))
    event.add("dtend", _minute(window.end))
    event.add("location", isolated(site.site.name))
    event.add("geo", (site.site.latitude, site.site.longitude))
    event.add("transp", "TRANSPARENT")  # advice does not make the pilot busy


def _minute(moment: datetime) -> datetime:
    return moment.replace(second=0)


def _summary(facts: AnswerFacts, answer: SiteAnswer, site: SiteAnswerFacts, window: WindowFacts, told: Window) -> str:
    chance = (window.surest or window).chance
    sure = chances.in_ten(math.nan if chance is None else chance)
    return f"{'Invented: ' * facts.invented}{isolated(site.site.name)}, {sentences.standing(answer, told)}, {sure}"


def _description(briefing: Briefing, answer: SiteAnswer, window: Window, reader: Reader) -> Iterable[str]:
    yield from sentences.first_notes(briefing)
    if window.unknown:
        yield f"Not known: {sentences.titles(window.unknown)}. Find out before you fly."
    yield f"{sentences.asked(answer, reader.units)}."
    yield f"{sentences.when(window, reader.clock)}, {sentences.standing(answer, window)}."
    yield f"Decides: {sentences.window_reason(answer, window, reader.units)}."
    expect = sentences.what_it_is_like(answer, window, reader.units)
    if expect:
        yield f"Expect: {expect}."
    sure = chances.how_sure(answer, window, reader.clock, briefing.minimum_duration)
    if sure:
        yield f"How sure: {sure}."
    planned = chances.planning_words(answer, window)
    if planned:
        yield f"Planning: {planned}."
    yield "A newer forecast may have moved or removed this window: ask again before you go."
    yield from sentences.origin(briefing, reader.clock)
    yield from CAUTIONS


def _why_none(briefing: Briefing, readers: list[Reader]) -> Iterable[str]:
    yield from sentences.first_notes(briefing)
    for answer, reader in zip(briefing.answers, readers, strict=True):
        why = "; ".join(sentences.why_none(answer, None, briefing.minimum_duration, reader))
        yield f"{sentences.asked(answer, reader.units)}: {why}."
    yield from sentences.origin(briefing, readers[-1].clock)
    yield from CAUTIONS
