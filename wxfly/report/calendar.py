"""The windows as a calendar (RFC 5545): an event in UTC for each window."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from datetime import UTC, datetime

import numpy as np

from wxfly import __version__
from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.answer.windows import Window
from wxfly.report.text import chances, phrases, sentences
from wxfly.report.text.console import isolated, outgoing
from wxfly.report.text.phrases import Clock
from wxfly.report.text.sentences import Reader

# Ends are rounded inward to the minute, as everywhere else.
_ALMOST_A_MINUTE = np.timedelta64(59, "s")


def to_ics(briefing: Briefing, *, units: str, time_zone: str | None) -> bytes:
    """Write the windows of a briefing as an iCalendar file.

    Parameters
    ----------
    briefing : Briefing
        What to tell. ``best`` and ``compare`` give each site's best window, ``week`` every window.

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
    from icalendar import Calendar

    calendar = Calendar()
    calendar.add("prodid", f"-//wxfly//wxfly {__version__}//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    for answer in briefing.answers:
        reader = sentences.reader_for(answer, units=units, time_zone=time_zone)
        windows = answer.windows if briefing.question == "week" else answer.windows[:1]
        for window in sorted(windows, key=lambda w: w.start.astype("datetime64[s]").astype(int)):
            calendar.add_component(_event(briefing, answer, window, reader))
    if not calendar.subcomponents:
        calendar.add_component(_nothing(briefing, units, time_zone))
    written: bytes = calendar.to_ical()
    return written


def _event(briefing: Briefing, answer: SiteAnswer, window: Window, reader: Reader):  # type: ignore[no-untyped-def]
    from icalendar import Event

    site = answer.request.site
    event = Event()
    event.add("uid", _identity(answer, _place_in_day(answer, window)))
    event.add("dtstamp", _moment(briefing.now))
    event.add("sequence", _sequence(briefing))
    event.add("dtstart", _moment((window.start + _ALMOST_A_MINUTE).astype("datetime64[m]")))
    event.add("dtend", _moment(window.end.astype("datetime64[m]")))
    name = isolated(site.name)
    mark = "Invented: " if briefing.is_invented else ""
    told = window.surest.chance if window.surest is not None else window.chance
    chance = "" if told is None else f", {chances.in_ten(told.value)}"
    event.add("summary", f"{mark}{name}, {sentences.standing(window)}{chance}")
    event.add("description", outgoing("\n".join(_description(briefing, answer, window, reader))))
    event.add("location", name)
    event.add("geo", (site.latitude, site.longitude))
    event.add("transp", "TRANSPARENT")  # advice does not make the pilot busy
    return event


def _description(briefing: Briefing, answer: SiteAnswer, window: Window, reader: Reader) -> Iterable[str]:
    yield from sentences.first_notes(briefing)
    if window.unknown:
        yield f"Not known: {sentences.titles(window.unknown)}. Find out before you fly."
    yield f"{sentences.asked(answer, reader.units)}."
    yield f"{sentences.when(window, reader.clock)}, {sentences.standing(window)}."
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
    yield from phrases.CAUTIONS


def _nothing(briefing: Briefing, units: str, time_zone: str | None):  # type: ignore[no-untyped-def]
    from icalendar import Journal

    answer = briefing.answers[0]
    first_day = Clock(answer.request.site.time_zone).date(answer.start)
    journal = Journal()
    journal.add("uid", _identity(answer, f"{first_day} none"))
    journal.add("dtstamp", _moment(briefing.now))
    journal.add("sequence", _sequence(briefing))
    journal.add("dtstart", _moment(answer.start))
    minimum = phrases.duration(briefing.minimum_duration)
    journal.add("summary", f"No window of {minimum} holds")
    lines = [*sentences.first_notes(briefing)]
    for one in briefing.answers:
        reader = sentences.reader_for(one, units=units, time_zone=time_zone)
        why = "; ".join(sentences.why_none(one, None, briefing.minimum_duration, reader))
        lines.append(f"{sentences.asked(one, reader.units)}: {why}.")
    lines += [*sentences.origin(briefing, reader.clock), *phrases.CAUTIONS]
    journal.add("description", outgoing("\n".join(lines)))
    return journal


def _identity(answer: SiteAnswer, part: str) -> str:
    site, request = answer.request.site, answer.request
    key = f"{site.latitude:.5f} {site.longitude:.5f} {request.aircraft.name} {request.height:.1f} {part}"
    return f"{hashlib.sha256(key.encode()).hexdigest()[:32]}@wxfly"


def _place_in_day(answer: SiteAnswer, window: Window) -> str:
    """Return the site's own day of a window and its place among the day's, whatever clock the reader has."""
    clock = Clock(answer.request.site.time_zone)
    day = clock.date(window.start)
    same = sorted(w.start.astype("datetime64[s]").astype(int) for w in answer.windows if clock.date(w.start) == day)
    return f"{day} {same.index(window.start.astype('datetime64[s]').astype(int))}"


def _sequence(briefing: Briefing) -> int:
    """Number revisions by the minute of the run, so that an event of a newer run replaces that of an older."""
    run = briefing.provenance.run
    since = briefing.now if np.isnat(run) else run
    return int(since.astype("datetime64[m]").astype(int))


def _moment(moment: np.datetime64) -> datetime:
    return datetime.fromisoformat(f"{moment.astype('datetime64[s]')}+00:00").astimezone(UTC)
