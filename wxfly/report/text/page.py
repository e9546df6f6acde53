"""The words of the timeline page of an answer, in their order; the page puts them beside its pictures."""

from __future__ import annotations

from dataclasses import dataclass

from wxfly.answer import findings
from wxfly.answer.request import Briefing
from wxfly.report.facts.values import CAUTIONS, FAR_AHEAD, listed
from wxfly.report.text import chances, sentences, summary, tables
from wxfly.report.text.sentences import Reader
from wxfly.report.text.tables import Table

Line = tuple[str, str]


@dataclass(frozen=True)
class PageWords:
    """What a page says.

    Attributes
    ----------
    title : str
        Of the page.
    first : list of str
        What must be read before the answer.
    answer : list of (str, str)
        The answer in labelled lines, the first the largest.
    readers : list of Reader
        Units and clock of each site.
    names : list of str
        Of the sites, told apart.
    whose : list of str
        What the chances of each site are from.
    overview : tuple or None
        Table of the days or of the turns; None for a single day, or sites without a common hour.
    hours : list of list of (str, tuple)
        By site, name and table of hours: of the whole time asked about, of a week by day.
    closing, cautions : list of str
        Where the forecast is from, and what to mind.
    """

    title: str
    first: list[str]
    answer: list[Line]
    readers: list[Reader]
    names: list[str]
    whose: list[str]
    overview: Table | None
    hours: list[list[tuple[str, Table]]]
    closing: list[str]
    cautions: list[str]


def words_of(briefing: Briefing, *, units: str, time_zone: str | None) -> PageWords:
    """Return the words of the page of a briefing.

    Parameters
    ----------
    briefing : Briefing
        The answer.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    time_zone : str or None
        IANA zone of the reader; None shows each site on its own clock.
    """
    readers = [sentences.reader_for(a, units=units, time_zone=time_zone) for a in briefing.answers]
    names = sentences.labels(briefing, units)
    title, hours, overview = listed(names), [], None
    for answer, reader, name in zip(briefing.answers, readers, names, strict=True):
        days = findings.days_of(answer, reader.clock)
        if briefing.question != "compare":
            title = f"{name}, {summary.period_words(answer, days).removeprefix('on ')}"
        if briefing.question == "week":
            overview = tables.week_table(briefing, answer, reader)
            spans = [(_day_title(day, reader), day.start, day.end) for day in days]
        else:
            spans = [(name if briefing.question == "compare" else "the hours", answer.start, answer.end)]
        hours.append([(told, tables.hours_table(answer, reader, start, end)) for told, start, end in spans])
    if briefing.question == "compare" and briefing.compared:
        overview = tables.turns_table(briefing, readers, names)
    not_known = [f"{label}: {text}" for label, text in summary.not_known_lines(briefing, names)]
    return PageWords(
        title=title,
        first=[*sentences.first_notes(briefing), *not_known],
        answer=answer_lines(briefing, readers),
        readers=readers,
        names=names,
        whose=[chances.whose(answer) for answer in briefing.answers],
        overview=overview,
        hours=hours,
        closing=sentences.origin(briefing, readers[0].clock),
        cautions=[*CAUTIONS, FAR_AHEAD] if briefing.question == "week" else list(CAUTIONS),
    )


def answer_lines(briefing: Briefing, readers: list[Reader]) -> list[Line]:
    """Return the answer itself in labelled lines."""
    zones = {reader.clock.name for reader in readers}
    return summary.summarise(briefing, units=readers[0].units, time_zone=zones.pop() if len(zones) == 1 else None)


def _day_title(day: findings.Day, reader: Reader) -> str:
    told = ", ".join(reader.clock.span(w.start, w.end) for _, w in day.windows) or "no window"
    return f"{sentences.day_name(day.date)}: {told}"
