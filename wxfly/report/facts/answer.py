"""The whole answer: one tree of typed values, made once from a briefing, which the formats render."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Final, Literal

from wxfly import __version__
from wxfly.answer.request import Briefing
from wxfly.cube.notes import ZONES, kind_of
from wxfly.report.facts.comparison import ComparisonFacts, comparison_facts
from wxfly.report.facts.place import ForecastFacts, forecast_facts
from wxfly.report.facts.question import QuestionFacts, question_facts
from wxfly.report.facts.site import SiteAnswerFacts, Unknown, reasons_of, site_answer_facts
from wxfly.report.facts.values import (
    CAUTIONS,
    Facts,
    Seconds,
    distinguished,
    moment_of,
    seconds,
    units_of,
)
from wxfly.report.facts.verdict import Asked, Note, VerdictFacts, names_of, verdict_facts
from wxfly.report.facts.writing import Clock, Reader
from wxfly.report.facts.zones import file_in_words, zones_in_words

if TYPE_CHECKING:
    from wxfly.question.reading import Question

SCHEMA_VERSION: Final = 4
"""Raised when a key changes its meaning or goes; a new key alone does not raise it."""


class Program(Facts, frozen=True):
    """What made the answer."""

    name: str
    version: str
    """The program and its version."""


class AnswerFacts(Facts, frozen=True):
    """The whole answer."""

    schema_version: Literal[4]
    """Raised when a key changes its meaning or goes; a new key alone does not raise it."""
    program: Program
    """What made the answer."""
    kind: Literal["best", "compare", "week", "now"]
    """Which question."""
    question: QuestionFacts | None
    """The question in full; null where a briefing was made without one."""
    verdict: VerdictFacts
    """Whether, when and how sure, and the few lines that a decision needs. Read it first."""
    display_units: str
    """Units of the words of the answer. Its numbers are in SI units whatever they are."""
    display_time_zone: str | None
    """IANA zone of the times in its words; null for each site's own. Its moments are in UTC whatever it is."""
    now: datetime
    """The moment the answer is given for."""
    minimum_duration: Seconds
    """Shortest window of use."""
    invented: bool
    """Whether places or weather are invented: do not fly by it."""
    notes: list[Note]
    """What the reader must know first."""
    cautions: list[str]
    """Show them to whoever reads what you make of the answer."""
    unknown: list[Unknown]
    """Why what is unknown is null."""
    units: dict[str, str]
    """Unit of every quantity by its key, wherever the key stands; demand, limits and amount are in the unit of their
    element."""
    forecasts: list[ForecastFacts]
    """The forecasts that the sites name by position."""
    sites: list[SiteAnswerFacts]
    """In the order asked."""
    comparison: ComparisonFacts | None
    """Which site is the better one, hour by hour; null for one site."""


def facts_of(
    briefing: Briefing, question: Question | None = None, *, units: str = "metric", time_zone: str | None = None
) -> AnswerFacts:
    """Return the facts of a briefing.

    Parameters
    ----------
    briefing : Briefing
        The answer.
    question : Question, optional
        What was asked, to be repeated in the answer; it also says in which units and zone words are.
    units : str, optional
        Key of `wxfly.units.SYSTEMS`, of the words where there is no question.
    time_zone : str, optional
        IANA zone, of the words where there is no question; each site's own without it.

    Returns
    -------
    AnswerFacts
        SI units, moments in UTC, None with a reason for what is unknown.
    """
    if question is not None:
        units, time_zone = question.units, question.time_zone
    readers = [Reader(units, Clock(time_zone or one.request.site.time_zone)) for one in briefing.answers]
    forecasts = [forecast_facts(briefing, briefing.provenance, is_ensemble=False)]
    forecasts += [forecast_facts(briefing, one, is_ensemble=True) for one in briefing.ensembles]
    asked = [answer.request for answer in briefing.answers]
    labels = distinguished([one.site.name for one in asked], [one.height for one in asked], lambda h: f"{h:.0f} m")
    unknown = [
        Unknown(None, f"forecasts.{i}.{key}", [], "its source does not say")
        for i, forecast in enumerate(forecasts)
        for key in ("source", "institution", "model", "attribution", "licence", "history", "run", "retrieved", "age")
        if getattr(forecast, key) is None
    ]
    sites = []
    for position, (answer, label) in enumerate(zip(briefing.answers, labels, strict=True)):
        site = site_answer_facts(answer, label, list(range(1, len(forecasts))))
        unknown += reasons_of(position, answer, site)
        sites.append(site)
    notes = [Note(kind_of(note).name.lower(), str(note)) for note in briefing.notes]
    notes = [*_zone_notes(sites, readers, names_of(sites, units), moment_of(briefing.now)), *notes]
    comparison = comparison_facts(briefing) if briefing.question == "compare" else None
    period = seconds(briefing.minimum_duration)
    asked_of = Asked(
        sites, readers, notes, comparison, moment_of(briefing.now), period, briefing.is_invented, forecasts[0].age
    )
    return AnswerFacts(
        schema_version=SCHEMA_VERSION,
        program=Program("wxfly", __version__),
        kind=briefing.question,
        question=None if question is None else question_facts(question),
        verdict=verdict_facts(briefing.question, asked_of),
        display_units=units,
        display_time_zone=time_zone,
        now=moment_of(briefing.now),
        minimum_duration=period,
        invented=briefing.is_invented,
        notes=notes,
        cautions=list(CAUTIONS),
        unknown=unknown,
        units=dict(units_of(AnswerFacts)),
        forecasts=forecasts,
        sites=sites,
        comparison=comparison,
    )


def _zone_notes(
    sites: Sequence[SiteAnswerFacts], readers: Sequence[Reader], names: Sequence[str], now: datetime
) -> Iterator[Note]:
    """Yield one note on the zones round all sites, and the date of their file."""
    told = []
    for site, reader, name in zip(sites, readers, names, strict=True):
        if site.zones is not None:
            words = zones_in_words(site.zones, site.period, reader)
            told.append(f"{name}: {words}" if len(sites) > 1 else words)
    first = sites[0]
    if first.zones is not None:
        yield Note("zones", f"{ZONES}{'; '.join(told)}; {file_in_words(first.zones, first.period, readers[0], now)}")
