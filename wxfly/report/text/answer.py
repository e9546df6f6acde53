"""An answer in words: as text for a terminal, as the words of its page, and its tables, the same in both."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple

from wxfly.pilot.elements import BY_NAME
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.hours import AgainstFacts, DayFacts, StandingFacts
from wxfly.report.facts.site import SiteAnswerFacts, hour_at, margin_at, reason_of, waiting_after
from wxfly.report.facts.values import CAUTION_IN_SHORT, CAUTIONS, FAR_AHEAD, State, listed
from wxfly.report.facts.verdict import About, day_in_words, names_of, period_words, tightest, windows_of
from wxfly.report.facts.writing import Clock, Moment, Reader, day_name, titles
from wxfly.report.text import details
from wxfly.report.text.console import columns, isolated, pad, shown, wrap

if TYPE_CHECKING:
    from wxfly.report.command_facts.one_hour import OneHourFacts


# --- the terminal: plain text of a given width, aligned, readable without colour -------------------------------


_LABEL = 11
_NARROWEST = 24
_BELOW = "    "


def render(facts: AnswerFacts, *, width: int, more: bool = False) -> str:
    """Write an answer as text.

    Parameters
    ----------
    facts : AnswerFacts
        The answer, in the units and the zone of its words.
    width : int
        Columns of the terminal.
    more : bool, optional
        Whether everything known is printed, not only the verdict.

    Returns
    -------
    str
        Lines joined by newlines, none longer than `width` where words allow.
    """
    first, lines = details.verdict_with_names(facts)
    blocks = [[*_wrap(first, width), *_lines(lines, width)]]
    if more:
        blocks += _more(facts, width)
    else:
        closing = [details.origin_in_short(facts), f"{CAUTION_IN_SHORT} [--more]"]
        blocks.append([line for text in closing for line in _wrap(text, width)])
    return "\n\n".join("\n".join(block) for block in blocks if block)


def _more(facts: AnswerFacts, width: int) -> list[list[str]]:
    """Return the blocks that only `--more` shows."""
    readers = details.readers_of(facts)
    names = names_of(facts.sites, facts.display_units)
    blocks = [[line for note in details.first_notes(facts) for line in _wrap(note, width)]]
    for position, name in enumerate(names):
        lines = _lines(details.detail_lines(facts, position), width)
        blocks.append([*_wrap(isolated(name), width), *lines] if len(names) > 1 else lines)
    site, reader = facts.sites[0], readers[0]
    if facts.kind == "week":
        blocks.append(_table(*week_table(site, reader), width))
    elif facts.kind in ("best", "now"):
        blocks.append(_table(*hours_table(site, reader, site.period.start, site.period.end), width))
    elif facts.comparison is None or not facts.comparison.start:
        blocks.append(["The sites have no hour in common."])
    else:
        blocks.append(_table(*turns_table(facts), width))
        header, rows = sites_table(facts)
        blocks.append(_table(["\n".join(wrap(name, 16)) for name in header], rows, width))
    closing = [*details.origin(facts, reader.clock), *CAUTIONS, *([FAR_AHEAD] if facts.kind == "week" else [])]
    return [*blocks, [line for text in closing for line in _wrap(text, width)]]


def render_hour(facts: OneHourFacts, *, width: int, more: bool = False) -> str:
    """Write one hour as text: a paragraph with the verdict first.

    Parameters
    ----------
    facts : OneHourFacts
        What to tell.
    width : int
        Columns of the terminal.
    more : bool, optional
        Whether every element is listed, not only those that matter.
    """
    blocks = [_wrap(" ".join([facts.first_line, *facts.sentences]), width)]
    notes = details.first_notes(facts.answer)
    if notes:
        blocks.append([line for note in notes for line in _wrap(note, width)])
    if more:
        blocks.append([line for one in facts.elements for line in _wrap(one.words, width, rest="  ")])
    closing = [details.origin_in_short(facts.answer), *(CAUTIONS if more else (f"{CAUTION_IN_SHORT} [--more]",))]
    blocks.append([line for text in closing for line in _wrap(text, width)])
    return "\n\n".join("\n".join(block) for block in blocks)


# --- columns ---------------------------------------------------------------------------------------------------


def _wrap(text: str, width: int, *, first: str = "", rest: str = "") -> list[str]:
    return wrap(text, max(width, _NARROWEST), first=first, rest=rest)


def _lines(lines: Sequence[tuple[str, str]], width: int) -> list[str]:
    """Write lines with their labels beside them; a label that is too long stands before its text."""
    written = []
    for label, text in lines:
        first = pad(shown(label), _LABEL)
        written += _wrap(text, width, first=first if first.endswith(" ") else f"{first}: ", rest=" " * _LABEL)
    return written


def _table(header: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> list[str]:
    """Align columns; the last one is wrapped within the width, below the others where there is no room beside them.

    A heading may have several lines.
    """
    heading = list(itertools.zip_longest(*(cell.split("\n") for cell in header), fillvalue=""))
    everything = [[shown(cell) for cell in row] for row in (*heading, *rows)]
    widths = [max(columns(row[i]) for row in everything) for i in range(len(header) - 1)]
    indent = sum(widths) + 2 * len(widths)
    longest = max(columns(row[-1]) for row in everything)
    written = []
    for row in everything:
        left = "  ".join(pad(cell, w) for cell, w in zip(row[:-1], widths, strict=True)) + "  "
        if width - indent >= min(_NARROWEST, longest):
            parts = wrap(row[-1], width - indent)
            written += [(left + parts[0]).rstrip(), *(" " * indent + part for part in parts[1:])]
        else:
            written.append(left.rstrip())
            written += _wrap(row[-1], width, first=_BELOW, rest=_BELOW) if row[-1] else []
    return written


# --- the page: the words in their order, which it puts beside its pictures -------------------------------------


Line = tuple[str, str]
_SAID_FIRST = (About.ZONES, About.NOTE, About.NOT_KNOWN)
"""What stands above the answer, and is not said twice."""


class HoursWords(NamedTuple):
    """The table of some hours: of which place or day, its heading, and the table."""

    name: str
    heading: str
    table: Table


@dataclass(frozen=True)
class PageWords:
    """What a page says.

    Attributes
    ----------
    title : str
        Of the page.
    first : list of str
        What must be read before the answer.
    verdict : str
        Whether, when and how sure.
    answer : list of (str, str)
        What a decision needs beside it, in labelled lines.
    more : list of (str, list)
        By site, its name where there are several, and what else there is to say in labelled lines.
    readers : list of Reader
        Units and clock of each site.
    names : list of str
        Names of the sites, each different.
    whose : list of str
        What the chances of each site are from.
    overview : tuple or None
        Table of the days or of the turns; None for a single day, or sites without a common hour.
    hours : list of list of HoursWords
        By site: of the whole time asked about, of a week by day.
    closing, cautions : list of str
        Where the forecast is from, and what to mind.
    """

    title: str
    first: list[str]
    verdict: str
    answer: list[Line]
    more: list[tuple[str, list[Line]]]
    readers: list[Reader]
    names: list[str]
    whose: list[str]
    overview: Table | None
    hours: list[list[HoursWords]]
    closing: list[str]
    cautions: list[str]


def words_of(facts: AnswerFacts) -> PageWords:
    """Return the words of the page of an answer, in the units and the zone of its words."""
    readers = details.readers_of(facts)
    names = [isolated(name) for name in names_of(facts.sites, facts.display_units)]
    title, hours, overview = listed(names), [], None
    for site, reader, name in zip(facts.sites, readers, names, strict=True):
        whole = name if facts.kind == "compare" else "the hours"
        spans = [(whole, whole, site.period.start, site.period.end)]
        if facts.kind != "compare":
            title = f"{name}, {period_words(site).removeprefix('on ')}"
        if facts.kind == "week":
            overview = week_table(site, reader)
            spans = [(day_name(day.date), _day_title(site, day, reader), day.start, day.end) for day in site.days]
        hours.append(
            [HoursWords(one, title, hours_table(site, reader, start, end)) for one, title, start, end in spans]
        )
    if facts.comparison is not None and facts.comparison.start:
        overview = turns_table(facts)
    unknown = [f"Not known: {line.words}" for line in facts.verdict.lines if line.about is About.NOT_KNOWN]
    verdict, lines = details.verdict_with_names(facts)
    return PageWords(
        title=title,
        first=[*details.first_notes(facts), *unknown],
        verdict=verdict,
        answer=[line for line, of in zip(lines, facts.verdict.lines, strict=True) if of.about not in _SAID_FIRST],
        more=[
            (name if facts.kind == "compare" else "", details.detail_lines(facts, position))
            for position, name in enumerate(names)
        ],
        readers=readers,
        names=names,
        whose=[details.whose(site) for site in facts.sites],
        overview=overview,
        hours=hours,
        closing=details.origin(facts, readers[0].clock),
        cautions=[*CAUTIONS, FAR_AHEAD] if facts.kind == "week" else list(CAUTIONS),
    )


def _day_title(site: SiteAnswerFacts, day: DayFacts, reader: Reader) -> str:
    phrase = ", ".join(reader.clock.span(w.start, w.end) for w in windows_of(site, day)) or "no window"
    return f"{day_name(day.date)}: {phrase}"


# --- tables: header and rows of text ---------------------------------------------------------------------------


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
    readers, names = details.readers_of(facts), _names(facts)
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
    return waiting_after(site, hour) or margin_at(site, against.element, hour, reader.units)


def sites_table(facts: AnswerFacts) -> Table:
    """Return every hour of a comparison with the state and the margin at each site; dark hours share a row."""
    comparison = facts.comparison
    assert comparison is not None
    names, starts = _names(facts), comparison.start
    clocks = distinct_clocks(details.readers_of(facts), starts[0])
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
