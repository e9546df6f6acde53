"""The whole answer to a question, with what was asked; every output is made from it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime
from typing import TYPE_CHECKING, Final, Literal

from wxfly import __version__
from wxfly.answer.request import Briefing, QuestionKind
from wxfly.cube.notes import ZONES, NoteKind, kind_of
from wxfly.pilot.limits import LEAST_LIMITS
from wxfly.pilot.limits import OwnLimit as OwnLimitAsked
from wxfly.report.facts.hours import ComparisonFacts, comparison_facts
from wxfly.report.facts.site import (
    ForecastFacts,
    SiteAnswerFacts,
    Unknown,
    forecast_facts,
    reasons_of,
    site_answer_facts,
)
from wxfly.report.facts.values import (
    CAUTIONS,
    Degrees,
    ElementName,
    Facts,
    Kelvins,
    Kilograms,
    Metres,
    Seconds,
    Share,
    Speed,
    distinguished,
    known_moment,
    moment_of,
    number,
    seconds,
    share,
    units_of,
)
from wxfly.report.facts.verdict import Asked, Note, VerdictFacts, names_of, verdict_facts
from wxfly.report.facts.writing import Clock, Reader
from wxfly.report.facts.zones import file_in_words, zones_in_words

if TYPE_CHECKING:
    from wxfly.question.question import Question


class Place(Facts, frozen=True):
    """A place as the pilot wrote it."""

    words: str
    """Name, saved name or coordinates."""
    height: Metres
    """Flight height above ground."""


class ForecastAsked(Facts, frozen=True):
    """Which forecast was asked for."""

    model: str | None
    """Null for that of the settings."""
    file: str | None
    """Name of the file that answers instead of a service."""
    offline: bool
    """Whether no service was asked."""
    as_of: datetime | None
    """The moment to answer for; null for now."""
    ensemble_names: list[str]
    """Ensembles whose members give the chance."""
    uses_site_record: bool
    """Whether wind and gust are corrected by the record of the site."""


class SortieAsked(Facts, frozen=True):
    """The sortie as far as the pilot gave it."""

    distance: Metres | None
    """To the farthest point, over ground; null for as far as the aircraft's attitude is seen."""
    return_height: Metres | None
    """Above ground; null for the flight height."""
    work_time: Seconds
    """At the farthest point."""
    batteries: int
    """How many are charged."""
    battery_reserve: Share
    """Share of a battery to land with."""
    battery_temperature: Kelvins | None
    """Before take-off; null for that of the air."""
    payload: Kilograms
    """Beyond the mass of the aircraft."""


class OwnLimit(Facts, frozen=True):
    """A limit that the pilot set for this answer."""

    element: ElementName
    lower_limit: float | None
    upper_limit: float | None
    """What must at least be, and what may at most be, in the unit of the element; null where there is no such end."""
    source: str
    """Where it is from, such as ``plan roof``; empty where it was given with the question."""


class OriginOfWord(Facts, frozen=True):
    """Where a part of the question is from that was not given with it."""

    option: str
    """As it is typed, without its dashes; of a limit with its element."""
    source: str
    """``plan`` and its name, ``defaults of`` a site, or ``settings``."""


class QuestionFacts(Facts, frozen=True):
    """The question in full."""

    places: list[Place]
    """In the order asked; empty for the first saved site or the demonstration."""
    height: Metres
    """Flight height above ground where no place is named."""
    aircraft_name: str
    rules: str
    """Names."""
    required: list[ElementName]
    accepted: list[ElementName]
    """Elements that the hours must know, and those that the pilot takes on himself."""
    reserve: Share | None
    confidence: Share | None
    gust_at_launch: Speed | None
    """In place of the usual limits; null where the pilot gave none."""
    own_limits: list[OwnLimit]
    """Limits that the pilot set for this answer."""
    forecast_asked: ForecastAsked
    """Which forecast was asked for."""
    day: date | None
    """At the site; null for the day that is `first_day` days from today."""
    first_day: int
    day_count: int
    """The day asked about, from today, and how many days a week's question covers."""
    hour_count: int | None
    """How many hours a question of now covers; null for the rest of the day, and for the other questions."""
    hour_start: datetime | None
    """Start of the one hour asked about; null for the hours of the day."""
    toward: Degrees | None
    """Direction in which the pilot looks at the aircraft."""
    prefers_low_light: bool
    """Whether windows in golden or blue hour come first."""
    sortie_asked: SortieAsked | None
    """What is to be flown; null where the way back was not asked for."""
    confidence_of_return: Share
    """How sure the way back must be."""
    ranks_anew: bool
    """Whether windows are ranked whatever was chosen before."""
    plan_name: str | None
    """Name of the saved plan; null without one."""
    origins: list[OriginOfWord]
    """What was taken from a plan, from the defaults of a site or from the settings."""


def _own_limit(own: OwnLimitAsked) -> OwnLimit:
    ends = {name in LEAST_LIMITS: share(value) for name, value in own.values.items()}
    return OwnLimit(own.element, ends.get(True), ends.get(False), own.origin)


def question_facts(question: Question) -> QuestionFacts:
    """Return what was asked."""
    asked, sortie, limits = question.forecast, question.sortie, question.asked_of_limits
    return QuestionFacts(
        places=[Place(place.words, place.height) for place in question.places],
        height=question.height,
        aircraft_name=question.aircraft.name,
        rules=question.rules.name,
        required=list(limits.required),
        accepted=list(limits.accepted),
        reserve=limits.reserve,
        confidence=limits.confidence,
        gust_at_launch=None if limits.gust_at_launch is None else number(limits.gust_at_launch),
        own_limits=[_own_limit(own) for own in limits.own_limits],
        forecast_asked=ForecastAsked(
            model=asked.model,
            file=None if asked.path is None else asked.path.name,
            offline=asked.offline,
            as_of=None if asked.as_of is None else known_moment(asked.as_of),
            ensemble_names=list(asked.ensembles),
            uses_site_record=asked.uses_site_record,
        ),
        day=question.day if isinstance(question.day, date) else None,
        first_day=question.first_day,
        day_count=question.days,
        hour_count=question.hours,
        hour_start=question.hour if isinstance(question.hour, datetime) else None,
        toward=question.toward,
        prefers_low_light=question.prefers_low_light,
        sortie_asked=None
        if sortie is None
        else SortieAsked(
            distance=sortie.distance,
            return_height=sortie.return_height,
            work_time=round(sortie.work_time),
            batteries=sortie.batteries,
            battery_reserve=sortie.reserve,
            battery_temperature=sortie.battery_temperature,
            payload=sortie.payload,
        ),
        confidence_of_return=question.confidence,
        ranks_anew=question.ranks_anew,
        plan_name=question.plan,
        origins=[OriginOfWord(one.option, one.source) for one in question.origins],
    )


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
    kind: QuestionKind
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
    unknown = _unknown_of(forecasts)
    sites = []
    for position, (answer, label) in enumerate(zip(briefing.answers, labels, strict=True)):
        site = site_answer_facts(answer, label, list(range(1, len(forecasts))))
        unknown += reasons_of(position, answer, site)
        sites.append(site)
    notes = _notes(briefing, sites, readers, names_of(sites, units))
    comparison = comparison_facts(briefing) if briefing.question == "compare" else None
    period = seconds(briefing.minimum_duration)
    asked_of = Asked(
        sites=sites,
        readers=readers,
        notes=notes,
        comparison=comparison,
        now=moment_of(briefing.now),
        duration=period,
        is_invented=briefing.is_invented,
        age=forecasts[0].age,
        ends=max((hours.last for hours in forecasts[0].by_hours), default=None),
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


def _unknown_of(forecasts: Sequence[ForecastFacts]) -> list[Unknown]:
    """Return why what is null of the forecasts is unknown."""
    keys = ("source", "institution", "model", "attribution", "licence", "history", "run", "retrieved", "age")
    return [
        Unknown(None, f"forecasts.{i}.{key}", [], "its source does not say")
        for i, forecast in enumerate(forecasts)
        for key in keys
        if getattr(forecast, key) is None
    ]


def _notes(
    briefing: Briefing, sites: Sequence[SiteAnswerFacts], readers: Sequence[Reader], names: Sequence[str]
) -> list[Note]:
    """Return what the reader must know first, all that is said of zones in one note at the head."""
    notes = [Note(kind_of(note), readers[0].clock.retold(str(note))) for note in briefing.notes]
    of_zones = [*_zone_notes(sites, readers, names, moment_of(briefing.now))]
    of_zones += [note for note in notes if note.kind is NoteKind.ZONES]
    if not of_zones:
        return notes
    words = "; ".join(note.text.removeprefix(ZONES) for note in of_zones)
    return [Note(NoteKind.ZONES, f"{ZONES}{words}"), *(note for note in notes if note.kind is not NoteKind.ZONES)]


def _zone_notes(
    sites: Sequence[SiteAnswerFacts], readers: Sequence[Reader], names: Sequence[str], now: datetime
) -> Iterator[Note]:
    """Yield one note on the zones round all sites, and the date of their file."""
    of_sites = []
    for site, reader, name in zip(sites, readers, names, strict=True):
        if site.zones is not None:
            words = zones_in_words(site.zones, site.period, reader)
            of_sites.append(f"{name}: {words}" if len(sites) > 1 else words)
    first = sites[0]
    if first.zones is not None:
        yield Note(
            NoteKind.ZONES, f"{ZONES}{'; '.join(of_sites)}; {file_in_words(first.zones, first.period, readers[0], now)}"
        )
