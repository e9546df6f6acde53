"""The windows as a calendar (RFC 5545, with name and refresh interval of RFC 7986): an event in UTC for each window."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wxfly import __version__
from wxfly.answer.windows import Room
from wxfly.errors import WxflyError
from wxfly.pilot.site import SiteClock
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.site import SiteAnswerFacts
from wxfly.report.facts.values import CAUTIONS
from wxfly.report.facts.verdict import OUTLOOK_ONLY, About, tightest, title_of, wind_and_gust
from wxfly.report.facts.windows import WindowFacts
from wxfly.report.facts.writing import Reader, titles
from wxfly.report.text import details
from wxfly.report.text.console import isolated, outgoing

if TYPE_CHECKING:
    from wxfly.report.command_facts.fleet import FleetFacts, MadeOfMember

REFRESH = timedelta(hours=6)
"""How often a calendar should ask for a newer file: most models run every six hours."""
_ALMOST_A_MINUTE = timedelta(seconds=59)


def to_ics(facts: AnswerFacts, *, alarm: timedelta | None = None) -> bytes:
    """Write the windows of an answer as an iCalendar file.

    Parameters
    ----------
    facts : AnswerFacts
        The answer, in the units and the zone of its words. ``best`` and ``compare`` give the window of each site's
        verdict, ``week`` every window, but none that has probably no room. Events are in UTC whatever the zone is.
    alarm : timedelta, optional
        Time before each window at which the calendar reminds; without one it does not.

    Returns
    -------
    bytes
        UTF-8, folded lines. An answer without any event holds a journal entry that says so, since a calendar
        must hold something. An event keeps its identity from one forecast run to the next: it is made of place,
        aircraft, height, the site's day and the window's place in that day.
    """
    names = ", ".join(dict.fromkeys(isolated(s.site.name) for s in facts.sites))
    return calendar_of(f"Windows to fly: {names}", [entries_of(facts, alarm=alarm)])


def calendar_of(name: str, entries: Iterable[bytes]) -> bytes:
    """Return a calendar of entries that `entries_of` wrote, under a name."""
    from icalendar import Calendar, vDuration

    calendar = Calendar()
    calendar.add("prodid", f"-//wxfly//wxfly {__version__}//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    for key in ("name", "x-wr-calname"):  # programs older than RFC 7986 know the second
        calendar.add(key, outgoing(name))
    calendar.add("refresh-interval", vDuration(REFRESH), parameters={"VALUE": "DURATION"})
    head, end, _ = calendar.to_ical().partition(b"END:VCALENDAR")
    return b"".join([head, *entries, end, b"\r\n"])


def entries_of(facts: AnswerFacts, *, alarm: timedelta | None = None) -> bytes:
    """Return the entries of an answer's calendar, as `to_ics` has them."""
    from icalendar import Alarm, Event, Journal

    entries: list[Event | Journal] = []
    readers = details.readers_of(facts)
    for site, reader in zip(facts.sites, readers, strict=True):
        windows = site.windows if facts.kind == "week" else site.windows[:1]
        booked = [window for window in windows if window.room is not Room.PROBABLY_NONE]
        for window in sorted(booked, key=lambda w: w.start):
            event = Event()
            _identify(event, facts, site, _place_in_day(site, window))
            _fill(event, facts, site, window)
            title = outgoing(title_of(site, window, reader, is_invented=facts.invented))
            event.add("summary", title)
            event.add("description", outgoing("\n".join(_description(facts, site, window, reader))))
            if alarm is not None:
                reminder = Alarm()
                reminder.add("action", "DISPLAY")
                reminder.add("trigger", -alarm)
                reminder.add("description", title)
                event.add_component(reminder)
            entries.append(event)
    if not entries:
        first = facts.sites[0]
        journal = Journal()
        _identify(journal, facts, first, f"{SiteClock(first.site.time_zone).date(first.period.start)} none")
        journal.add("dtstart", first.period.start)
        journal.add("summary", outgoing(facts.verdict.first_line))
        journal.add("description", outgoing("\n".join(_why_none(facts, readers))))
        entries.append(journal)
    return b"".join(entry.to_ical() for entry in entries)


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


def _description(facts: AnswerFacts, site: SiteAnswerFacts, window: WindowFacts, reader: Reader) -> Iterable[str]:
    yield from details.first_notes(facts)
    if window.advised_not_known:
        yield f"Not known: {titles(window.advised_not_known)}. Find out before you fly."
    yield f"Tightest: {tightest(site, window, reader)}. State: {window.state}."
    wind = wind_and_gust(site, window, reader)
    if wind:
        yield f"Wind: {wind}."
    if window.outlook_only:
        yield f"Mind: {OUTLOOK_ONLY}."
    yield "Ask again before you go: a newer forecast may have moved or removed this window."
    yield f"{details.asked(site, reader.units)}."
    yield from details.origin(facts, reader.clock)
    yield from CAUTIONS


def _why_none(facts: AnswerFacts, readers: Sequence[Reader]) -> Iterable[str]:
    yield from details.first_notes(facts)
    yield facts.verdict.first_line
    without = (About.NOTE, About.ZONES)
    yield from (f"{line.label}: {line.words}." for line in facts.verdict.lines if line.about not in without)
    for site, reader in zip(facts.sites, readers, strict=True):
        yield f"{details.asked(site, reader.units)}."
    yield from details.origin(facts, readers[-1].clock)
    yield from CAUTIONS


def calendars_of_fleet(facts: FleetFacts, made: Sequence[MadeOfMember], path: Path) -> list[tuple[Path, bytes]]:
    """Return the calendars of a fleet: one file, or one for each site where the path is a folder.

    Parameters
    ----------
    facts : FleetFacts
        The fleet.
    made : sequence of MadeOfMember
        Of its rows, with their entries.
    path : Path
        A file, or a folder that is there.

    Raises
    ------
    WxflyError
        Where no site has an answer.
    """
    entries = {one.site.row: one.entries for one in made if one.entries}
    if not entries:
        raise WxflyError("no site has an answer, so there is no calendar to write; leave --ics out")
    if not path.is_dir():
        return [(path, calendar_of(f"Windows to fly: {facts.file}", entries.values()))]
    written = []
    for site in facts.sites:
        if site.row in entries:
            name = "".join(c if c.isalnum() or c in " .-_" else "_" for c in site.name).strip(" .") or "site"
            content = calendar_of(f"Windows to fly: {site.name}", [entries[site.row]])
            written.append((path / f"{name}-{site.row}.ics", content))
    return written
