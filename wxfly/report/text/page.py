"""The words of the timeline page of an answer, in their order; the page puts them beside its pictures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.hours import DayFacts
from wxfly.report.facts.site import SiteAnswerFacts
from wxfly.report.facts.values import CAUTIONS, FAR_AHEAD, listed
from wxfly.report.facts.verdict import About, names_of, period_words, windows_of
from wxfly.report.facts.writing import Reader, day_name
from wxfly.report.text import details, tables
from wxfly.report.text.console import isolated
from wxfly.report.text.tables import Table

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
            overview = tables.week_table(site, reader)
            spans = [(day_name(day.date), _day_title(site, day, reader), day.start, day.end) for day in site.days]
        hours.append(
            [HoursWords(one, title, tables.hours_table(site, reader, start, end)) for one, title, start, end in spans]
        )
    if facts.comparison is not None and facts.comparison.start:
        overview = tables.turns_table(facts)
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
