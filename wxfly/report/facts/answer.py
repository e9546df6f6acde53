"""The whole answer: one tree of typed values, made once from a briefing, which the formats render."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import numpy.typing as npt

from wxfly import __version__
from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.assessment.suitability import names_of
from wxfly.cube.notes import kind_of
from wxfly.pilot.elements import RETURN_LEG
from wxfly.report.facts.comparison import ComparisonFacts, comparison_facts
from wxfly.report.facts.hours import (
    DayFacts,
    ElementFacts,
    HourFacts,
    LimitFacts,
    LitHours,
    NotKnown,
    day_facts,
    element_facts,
    hour_facts,
    limit_facts,
    lit_hours_facts,
    not_known_facts,
)
from wxfly.report.facts.place import AircraftFacts, ForecastFacts, SiteFacts, aircraft_facts, forecast_facts, site_facts
from wxfly.report.facts.question import QuestionFacts, question_facts
from wxfly.report.facts.sortie import (
    DecisionFacts,
    IntentFacts,
    SortieFacts,
    SurveyFacts,
    decision_facts,
    intent_facts,
    sortie_facts,
    survey_facts,
)
from wxfly.report.facts.values import (
    CAUTIONS,
    Facts,
    Metres,
    Period,
    Seconds,
    energy_missing,
    moment_of,
    number,
    runs_of,
    seconds,
    told_apart,
    units_of,
    written_moment,
)
from wxfly.report.facts.windows import (
    ChanceBasis,
    ChangeFacts,
    ChoiceFacts,
    Earlier,
    OutlookFacts,
    WindowFacts,
    chance_basis,
    change_facts,
    choice_facts,
    outlook_facts,
    window_facts,
)

if TYPE_CHECKING:
    from wxfly.question.reading import Question

SCHEMA_VERSION: Final = 3
"""Raised when a key changes its meaning or goes; a new key alone does not raise it."""


class Program(Facts, frozen=True):
    """What made the answer."""

    name: str
    """The program and its version."""
    version: str
    """The program and its version."""


class Note(Facts, frozen=True):
    """One line that the reader must know first."""

    kind: str
    """What it is about."""
    text: str
    """The line."""


class Unknown(Facts, frozen=True):
    """Why something is null."""

    site_position: int | None
    """Position in `sites`; null for what all sites share."""
    key: str
    """Which value is null, from the site or from the answer on; list positions and element names stand between dots."""
    hour_runs: list[tuple[int, int]]
    """First and last position of each run of hours in which it is; empty where it does not go by hours."""
    reason: str
    """Why."""


class SiteAnswerFacts(Facts, frozen=True):
    """The answer for one site."""

    label: str
    """Tells the sites of a comparison apart; the name where that suffices, with the height in metres else."""
    site: SiteFacts
    """Where."""
    aircraft: AircraftFacts
    """With what."""
    height: Metres
    """Flight height above ground."""
    forecast: int
    """Position in `forecasts`."""
    ensembles: list[int]
    """Positions in `forecasts` of those that give the chance; empty for a single forecast."""
    limits: LimitFacts
    """Compared with what."""
    intent: IntentFacts
    """For how long, and how."""
    period: Period
    """The time asked about."""
    not_known: NotKnown
    """What the decision needs and does not have."""
    windows: list[WindowFacts]
    """The best first; empty when nothing holds long enough."""
    lit_hours: LitHours
    """How the lit hours stand."""
    chance_basis: ChanceBasis
    """What the chances are from."""
    outlooks: list[OutlookFacts]
    """The surest stretch of each day's light, in order of time, whether the one forecast holds there or not."""
    changes: list[ChangeFacts]
    """What would change the answer."""
    earlier: list[Earlier]
    """What earlier runs reported of the same hours, oldest first."""
    choice: ChoiceFacts | None
    """What became of the window chosen in the run before; null where there was none."""
    sortie: SortieFacts | None
    """What is to be flown; null where none was asked for."""
    survey: SurveyFacts | None
    """Work that can stop; null where none was asked for."""
    decisions: DecisionFacts | None
    """Whether driving out and taking off pay; null without costs."""
    days: list[DayFacts]
    """Light and sun of each day."""
    hours: HourFacts
    """The hours."""
    elements: list[ElementFacts]
    """Every element over the same hours."""


class AnswerFacts(Facts, frozen=True):
    """The whole answer."""

    schema_version: Literal[3]
    """Raised when a key changes its meaning or goes; a new key alone does not raise it."""
    program: Program
    """What made the answer."""
    kind: Literal["best", "compare", "week"]
    """Which of the three questions."""
    question: QuestionFacts | None
    """The question in full; null where a briefing was made without one."""
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


def facts_of(briefing: Briefing, question: Question | None = None) -> AnswerFacts:
    """Return the facts of a briefing.

    Parameters
    ----------
    briefing : Briefing
        The answer.
    question : Question, optional
        What was asked, to be repeated in the answer.

    Returns
    -------
    AnswerFacts
        SI units, moments in UTC, None with a reason for what is unknown.
    """
    forecasts = [forecast_facts(briefing, briefing.provenance, is_ensemble=False)]
    forecasts += [forecast_facts(briefing, one, is_ensemble=True) for one in briefing.ensembles]
    asked = [answer.request for answer in briefing.answers]
    labels = told_apart([one.site.name for one in asked], [one.height for one in asked], lambda h: f"{h:.0f} m")
    unknown = [
        Unknown(None, f"forecasts.{i}.{key}", [], "its source does not say")
        for i, forecast in enumerate(forecasts)
        for key in ("source", "institution", "model", "attribution", "licence", "history", "run", "retrieved", "age")
        if getattr(forecast, key) is None
    ]
    sites = []
    for position, (answer, label) in enumerate(zip(briefing.answers, labels, strict=True)):
        site = _site_answer(answer, label, list(range(1, len(forecasts))))
        unknown += _reasons(position, answer, site)
        sites.append(site)
    return AnswerFacts(
        schema_version=SCHEMA_VERSION,
        program=Program("wxfly", __version__),
        kind=briefing.question,
        question=None if question is None else question_facts(question),
        now=moment_of(briefing.now),
        minimum_duration=seconds(briefing.minimum_duration),
        invented=briefing.is_invented,
        notes=[Note(kind_of(note).name.lower(), str(note)) for note in briefing.notes],
        cautions=list(CAUTIONS),
        unknown=unknown,
        units=dict(units_of(AnswerFacts)),
        forecasts=forecasts,
        sites=sites,
        comparison=comparison_facts(briefing) if briefing.question == "compare" else None,
    )


def _site_answer(answer: SiteAnswer, label: str, ensembles: list[int]) -> SiteAnswerFacts:
    request = answer.request
    return SiteAnswerFacts(
        label=label,
        site=site_facts(request.site),
        aircraft=aircraft_facts(request.aircraft),
        height=request.height,
        forecast=0,
        ensembles=ensembles,
        limits=limit_facts(request.limits),
        intent=intent_facts(request.intent),
        period=Period(moment_of(answer.start), moment_of(answer.end)),
        not_known=not_known_facts(answer),
        windows=[window_facts(answer, rank, w) for rank, w in enumerate(answer.windows, start=1)],
        lit_hours=lit_hours_facts(answer),
        chance_basis=chance_basis(answer),
        outlooks=[outlook_facts(o) for o in answer.outlooks],
        changes=[change_facts(c) for c in answer.changes],
        earlier=[Earlier(written_moment(run), number(chance)) for run, chance in answer.earlier],
        choice=choice_facts(answer),
        sortie=sortie_facts(answer),
        survey=survey_facts(answer),
        decisions=decision_facts(answer),
        days=day_facts(answer),
        hours=hour_facts(answer),
        elements=element_facts(answer),
    )


def _reasons(position: int, answer: SiteAnswer, site: SiteAnswerFacts) -> list[Unknown]:
    """Say why what is null at a site is unknown."""
    reasons: list[Unknown] = []

    def add(key: str, reason: str, flags: npt.NDArray[np.bool_] | None = None) -> None:
        if flags is None:
            reasons.append(Unknown(position, key, [], reason))
        elif flags.any():
            reasons.append(Unknown(position, key, runs_of(flags), reason))

    def missing(values: Sequence[object]) -> npt.NDArray[np.bool_]:
        return np.array([value is None for value in values], dtype=bool)

    no_energy = energy_missing(answer.request.energy_missing)
    skipped = answer.assessment.attrs["not_judged"]
    for k, name in enumerate(names_of(answer.assessment)):
        element = site.elements[k]
        lost = np.zeros(len(element.margin), dtype=bool)
        for first, last in element.lost_runs:
            lost[first : last + 1] = True
        unknown = missing(element.margin)
        if name in skipped:
            add(
                f"elements.{name}",
                "the aircraft gives no limit" if name != RETURN_LEG.name else no_energy,
            )
            unknown = missing(element.demand)
        add(f"elements.{name}", "the forecast of the hour has lost a value that its source carries", unknown & lost)
        add(f"elements.{name}", "the forecast gives no value that it can be worked out from", unknown & ~lost)
    if RETURN_LEG.name in skipped and RETURN_LEG.name not in names_of(answer.assessment):
        add(f"elements.{RETURN_LEG.name}", no_energy)
    hours = site.hours
    add("hours.margin", "a required element is unknown", missing(hours.margin))
    add("hours.chance", "a required element is unknown", missing(hours.chance))
    for key in ("wind_from_direction_at_start", "wind_from_direction_at_end"):
        add(f"hours.{key}", "the forecast gives no direction", missing(getattr(hours, key)))
    add("hours.usable_height", "the lowest step is unknown", missing(hours.usable_height))
    for i, window in enumerate(site.windows):
        if window.usable_height is None:
            add(f"windows.{i}.usable_height", "it is unknown in some hour of the window")
        if window.chance is None:
            add(f"windows.{i}.chance", "a required element is unknown")
        if window.sight_range is None:
            add(f"windows.{i}.sight_range", "the size of the aircraft is not given")
    for i, outlook in enumerate(site.outlooks):
        if outlook.chance is None:
            add(f"outlooks.{i}.chance", "a required element is unknown")
    if site.aircraft.sight_range is None:
        add("aircraft.sight_range", "the size of the aircraft is not given")
    if site.site.surface_altitude is None:
        add("site.surface_altitude", "the altitude of the ground is not given")
    if site.decisions is not None and site.decisions.drive_out is None:
        add("decisions", "the chance is unknown")
    return reasons
