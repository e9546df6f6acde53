"""Tables of an answer as header and rows of text: the same for the terminal and the page."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime, timedelta

from wxfly.pilot.elements import BY_NAME
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.comparison import AgainstFacts, StandingFacts
from wxfly.report.facts.site import SiteAnswerFacts
from wxfly.report.facts.values import State, listed
from wxfly.report.facts.verdict import (
    day_in_words,
    hour_at,
    names_of,
    reason_of,
    room_at,
    tightest,
    waiting_after,
    windows_of,
)
from wxfly.report.facts.writing import Clock, Moment, Reader, day_name, titles
from wxfly.report.text.console import isolated
from wxfly.report.text.details import readers_of

Table = tuple[list[str], list[list[str]]]
_HOUR = timedelta(hours=1)


def hours_table(site: SiteAnswerFacts, reader: Reader, start: datetime, end: datetime) -> Table:
    """Return the hours of one site between two moments; dark hours that follow each other share a row."""
    hours = site.hours
    rows = []
    for first, last in _joined(site, start, end):
        state, lit_from, lit_to = hours.state[first], hours.usable_start[first], hours.usable_end[first]
        if lit_from is None or lit_to is None:
            span = reader.clock.span(hours.start[first], hours.start[last] + _HOUR)
            rows.append([span, state if state == State.NOT_KNOWN.words else "dark", "", "", ""])
            continue
        window = next((str(w.rank) for w in site.windows if w.start < lit_to and lit_from < w.end), "")
        spare = to_spare(hours.margin[first])
        rows.append([reader.clock.span(lit_from, lit_to), state, spare, window, reason_of(site, first, reader.units)])
    zone = reader.clock.zones(start, end - timedelta(seconds=1))
    return [f"hour {zone}", "state", "to spare", "window", "what decides"], rows


def to_spare(margin: float | None) -> str:
    """Write which share of the tightest limit is left, rounded down; nothing where a limit is broken."""
    return "" if margin is None or margin < 0 else f"{math.floor(round(100 * margin, 6))} %".rjust(5)


def _joined(site: SiteAnswerFacts, start: datetime, end: datetime) -> list[tuple[int, int]]:
    hours, unknown = site.hours, State.NOT_KNOWN.words
    dark = [lit is None for lit in hours.usable_start]
    runs: list[tuple[int, int]] = []
    for i, begins in enumerate(hours.start):
        if not (begins + _HOUR > start and begins < end):
            continue
        before = runs[-1][1] if runs else i
        same = (hours.state[i] == unknown) == (hours.state[before] == unknown)
        if runs and dark[i] and dark[before] and same:
            runs[-1] = (runs[-1][0], i)
        else:
            runs.append((i, i))
    return runs


def week_table(site: SiteAnswerFacts, reader: Reader) -> Table:
    """Return the days of a site in order of time, with their windows, or why there is none."""
    rows = []
    for day in site.days:
        name = day_name(day.date)
        windows = windows_of(site, day)
        if not windows:
            rows.append([name, "", "", "", day_in_words(site, day, reader, with_chance=False)])
        for window in windows:
            unknown = f"; {titles(window.advised_not_known)} not known" if window.advised_not_known else ""
            reason = tightest(site, window, reader) + unknown
            span = reader.clock.span(window.start, window.end)
            rows.append([name, str(window.rank).rjust(4), span, window.state, reason])
            name = ""
    zone = reader.clock.zones(site.period.start, site.period.end)
    return ["day", "rank", f"window {zone}", "state", "what decides"], rows


def turns_table(facts: AnswerFacts) -> Table:
    """Return the runs of hours in which a site is better, with what stands against each other site."""
    comparison = facts.comparison
    assert comparison is not None
    readers, names = readers_of(facts), _names(facts)
    clocks = distinct_clocks(readers, comparison.start[0])
    rows = []
    for turn in comparison.turns:
        spans = [clock.span(turn.start, turn.end) for clock in clocks]
        who = "equal" if len(turn.better) == len(names) else listed([names[i] for i in turn.better]) or "none"
        reasons = [f"{names[one.site_position]}: {_against(facts, one, readers[0])}" for one in turn.against]
        for why in reasons or [""]:
            rows.append([*spans, who, why])
            spans, who = [""] * len(spans), ""
    zones = [clock.zones(comparison.start[0], comparison.start[-1]) for clock in clocks]
    return [*(f"hours {zone}" for zone in zones), "better", "what stands against the others, at its worst"], rows


def _against(facts: AnswerFacts, against: AgainstFacts, reader: Reader) -> str:
    if against.unknown_elements:
        return f"{titles(against.unknown_elements)} not known"
    if against.element is None or against.hour is None:
        return "nothing is known"
    site = facts.sites[against.site_position]
    hour = hour_at(site, against.hour)
    return waiting_after(site, hour) or room_at(site, against.element, hour, reader.units)


def sites_table(facts: AnswerFacts) -> Table:
    """Return every hour of a comparison with the state and the room at each site; dark hours share a row."""
    comparison = facts.comparison
    assert comparison is not None
    names, starts = _names(facts), comparison.start
    clocks = distinct_clocks(readers_of(facts), starts[0])
    rows: list[list[str]] = []
    day, is_dark = None, False
    for i, start in enumerate(starts):
        lit = comparison.lit[i]
        if not lit and is_dark:
            continue
        is_dark = not lit
        if clocks[0].date(start) != day:
            day = clocks[0].date(start)
            rows.append([day_name(day)[:6].rstrip(), *[""] * (len(clocks) + len(names))])
        states = [_standing(standing, i) if lit else "dark" for standing in comparison.standings]
        better = comparison.better[i]
        who = "equal" if len(better) > 1 else "".join(names[k] for k in better)
        rows.append([*(clock.distinguished_hour(start) for clock in clocks), *states, who])
    return [*(clock.zones(starts[0], starts[-1]) for clock in clocks), *names, "better"], rows


def _standing(standing: StandingFacts, hour: int) -> str:
    """Write the state of a site and what is left, with a question mark where something is not known behind it.

    Where there is no room the element that decides stands in its place.
    """
    if standing.holds[hour]:
        hidden = "?" if standing.unknown_elements[hour] else ""
        return f"{standing.state[hour].ljust(9)} {to_spare(standing.margin[hour])}{hidden}"
    element = standing.deciding_element[hour]
    return f"{standing.state[hour].ljust(9)} {'' if element is None else BY_NAME[element].title}".rstrip()


def _names(facts: AnswerFacts) -> list[str]:
    return [isolated(name) for name in names_of(facts.sites, facts.display_units)]


def distinct_clocks(readers: Sequence[Reader], moment: Moment) -> list[Clock]:
    """Return one clock for each offset from UTC that the readers' clocks show at a moment, in order."""
    found: dict[object, Clock] = {}
    for reader in readers:
        found.setdefault(reader.clock.local(moment).utcoffset(), reader.clock)
    return list(found.values())
