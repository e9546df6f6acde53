"""The answer for one site: its windows, hours and elements, and why what is unknown is null."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np
import numpy.typing as npt

from wxfly.answer.briefing import AgeCountsFrom, age_of
from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.assessment.suitability import names_of, not_judged
from wxfly.cube.contract import VARIABLES
from wxfly.flight.advice import sight
from wxfly.pilot.aircraft import Aircraft
from wxfly.pilot.elements import RETURN_LEG
from wxfly.pilot.site import Site
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
from wxfly.report.facts.sortie import (
    AdviceFacts,
    DecisionFacts,
    SortieFacts,
    SurveyFacts,
    WorkFacts,
    advice_facts,
    decision_facts,
    sortie_facts,
    survey_facts,
    work_facts,
)
from wxfly.report.facts.values import (
    Degrees,
    Facts,
    Metres,
    Period,
    Seconds,
    Share,
    energy_missing,
    known_moment,
    moment_of,
    number,
    runs_of,
    seconds,
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
    run_to_run_swing,
    window_facts,
)
from wxfly.report.facts.zones import ZonesFacts, zones_facts
from wxfly.retrieval.origin import NOT_KNOWN, ForecastOrigin, KpOrigin


class ModelHoursFacts(Facts, frozen=True):
    """A stretch of hours of one model."""

    model: str
    """Name of the model that these hours are of."""
    run: datetime | None
    """Start of its run."""
    first: datetime
    """First and last hour."""
    last: datetime
    """First and last hour."""
    taken: dict[str, str]
    """Variables that come from another model in these hours, and whose they are."""


class KpFacts(Facts, frozen=True):
    """The parts of the Kp, each with its age at `now`; null where there is no such part."""

    forecast_retrieved: datetime | None
    forecast_age: Seconds | None
    """Retrieval and age of the forecast; of one that is no longer renewed, the end of the last observation."""
    observed_until: datetime | None
    observed_age: Seconds | None
    """End of the last observed Kp."""
    outlook_issued: datetime | None
    outlook_age: Seconds | None
    outlook_from: datetime | None
    """First hour that is taken from the outlook."""


class ForecastFacts(Facts, frozen=True):
    """One forecast: of one model, or of several one after the other, each hour of one of them."""

    is_ensemble: bool
    """Whether it gives the chance only."""
    source: str | None
    institution: str | None
    model: str | None
    """The service, who runs the model, and its name."""
    attribution: str | None
    licence: str | None
    """Show both to whoever reads what you make of the answer."""
    history: str | None
    """How it was obtained."""
    run: datetime | None
    retrieved: datetime | None
    """Start of the run, and when it was retrieved."""
    age: Seconds | None
    """At `now`, counted from `age_counts_from`."""
    age_counts_from: AgeCountsFrom | None
    """The first of these that is known."""
    by_hours: list[ModelHoursFacts]
    """Which hours are of which model, in order of time; more than one where models follow one another."""
    kp_ages: KpFacts | None
    """Ages of the Kp beside the forecast."""
    has_surrounding_cells: bool
    """Whether the chance counts how far the model's cells around the site differ."""


class SiteFacts(Facts, frozen=True):
    """The place."""

    name: str
    """What the pilot calls it. It may hold any character: escape it where you show it."""
    latitude: Degrees
    longitude: Degrees
    """North and east positive."""
    surface_altitude: Metres | None
    """Ground above mean sea level."""
    time_zone: str
    """IANA name."""
    surface_cover: str | None
    """Class of the surface, where the pilot gave one."""
    invented: bool
    """Whether the place is invented."""


class AircraftFacts(Facts, frozen=True):
    """What is flown."""

    name: str
    title: str
    """Short name, and words for people."""
    kind: str
    """Kind of aircraft."""
    sight_range: Metres | None
    """Distance to which its attitude is seen in clear air, from its size."""


def forecast_facts(briefing: Briefing, provenance: ForecastOrigin, *, is_ensemble: bool) -> ForecastFacts:
    """Return where a forecast is from, and how old it is for a briefing."""

    def words(value: str) -> str | None:
        return None if value in (NOT_KNOWN, "") else value

    age, since = age_of(provenance, briefing.now)
    return ForecastFacts(
        is_ensemble=is_ensemble,
        source=words(provenance.source),
        institution=words(provenance.institution),
        model=words(provenance.model),
        attribution=words(provenance.attribution),
        licence=words(provenance.license),
        history=words(provenance.history),
        run=known_moment(provenance.run),
        retrieved=known_moment(provenance.retrieved),
        age=None if np.isnat(age) else seconds(age),
        age_counts_from=since,
        by_hours=[
            ModelHoursFacts(of.model, known_moment(of.run), moment_of(of.first), moment_of(of.last), dict(of.taken))
            for of in provenance.by_hours
        ],
        kp_ages=None if provenance.kp is None else _kp_facts(provenance.kp, briefing.now),
        has_surrounding_cells=provenance.has_cells,
    )


def _kp_facts(kp: KpOrigin, now: np.datetime64) -> KpFacts:
    def age(since: np.datetime64) -> int | None:
        return None if np.isnat(since) else seconds(now - since)

    return KpFacts(
        forecast_retrieved=known_moment(kp.retrieved),
        forecast_age=age(kp.retrieved),
        observed_until=known_moment(kp.observed_until),
        observed_age=age(kp.observed_until),
        outlook_issued=known_moment(kp.outlook_issued),
        outlook_age=age(kp.outlook_issued),
        outlook_from=known_moment(kp.outlook_from),
    )


def site_facts(site: Site) -> SiteFacts:
    """Return a place."""
    ground = None if site.surface_altitude is None else number(site.surface_altitude)
    return SiteFacts(
        name=site.name,
        latitude=site.latitude,
        longitude=site.longitude,
        surface_altitude=ground,
        time_zone=site.time_zone,
        surface_cover=site.surface_cover,
        invented=site.is_demo,
    )


def aircraft_facts(aircraft: Aircraft) -> AircraftFacts:
    """Return what is flown."""
    seen = sight(np.array([np.nan]), aircraft)[0]
    return AircraftFacts(aircraft.name, aircraft.title, aircraft.kind, number(seen))


def title_of_variable(name: str) -> str:
    """Return a variable of a forecast in words."""
    return VARIABLES[name].long_name


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
    intent: WorkFacts
    """For how long, and how."""
    period: Period
    """The time asked about."""
    not_known: NotKnown
    """What the decision needs and does not have."""
    windows: list[WindowFacts]
    """The best first; empty when nothing holds long enough."""
    rank_of_verdict: int | None
    """Rank of the window that the verdict is about, the best; null when there is none."""
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
    run_to_run_swing: Share | None
    """How much the answer of these runs and of this one keeps changing; null where it is unknown."""
    choice: ChoiceFacts | None
    """What became of the window chosen in the run before; null where there was none."""
    sortie: SortieFacts | None
    """What is to be flown; null where none was asked for."""
    survey: SurveyFacts | None
    """Work that can stop; null where none was asked for."""
    decisions: DecisionFacts | None
    """Whether driving out and taking off pay; null without costs."""
    advice: AdviceFacts | None
    """For the window that the verdict is about; null when there is none."""
    zones: ZonesFacts | None
    """UAS zones of the pilot's file; null without one."""
    days: list[DayFacts]
    """Light and sun of each day."""
    hours: HourFacts
    """The hours."""
    elements: list[ElementFacts]
    """Every element over the same hours."""

    @property
    def best(self) -> WindowFacts | None:
        """The window that the verdict is about; None when there is none."""
        return self.windows[0] if self.windows else None


def site_answer_facts(answer: SiteAnswer, label: str, ensembles: list[int]) -> SiteAnswerFacts:
    """Return the answer for one site."""
    request = answer.request
    windows = [window_facts(answer, rank, w) for rank, w in enumerate(answer.windows, start=1)]
    days = day_facts(answer)
    return SiteAnswerFacts(
        label=label,
        site=site_facts(request.site),
        aircraft=aircraft_facts(request.aircraft),
        height=request.height,
        forecast=0,
        ensembles=ensembles,
        limits=limit_facts(request.limits),
        intent=work_facts(request.work),
        period=Period(moment_of(answer.start), moment_of(answer.end)),
        not_known=not_known_facts(answer),
        windows=windows,
        rank_of_verdict=1 if windows else None,
        lit_hours=lit_hours_facts(answer),
        chance_basis=chance_basis(answer),
        outlooks=[outlook_facts(answer, o) for o in answer.outlooks],
        changes=[change_facts(c) for c in answer.changes],
        earlier=[Earlier(written_moment(run), number(chance)) for run, chance in answer.earlier],
        run_to_run_swing=run_to_run_swing(answer),
        choice=choice_facts(answer),
        sortie=sortie_facts(answer),
        survey=survey_facts(answer),
        decisions=decision_facts(answer),
        advice=_advice(answer),
        zones=zones_facts(answer),
        days=days,
        hours=hour_facts(answer),
        elements=element_facts(answer),
    )


def _advice(answer: SiteAnswer) -> AdviceFacts | None:
    if answer.best is None or answer.advice is None:
        return None
    return advice_facts(answer, answer.best, answer.advice)


def reasons_of(position: int, answer: SiteAnswer, site: SiteAnswerFacts) -> list[Unknown]:
    """Return why what is null at a site is unknown."""
    reasons: list[Unknown] = []

    def add(key: str, reason: str, flags: npt.NDArray[np.bool_] | None = None) -> None:
        if flags is None:
            reasons.append(Unknown(position, key, [], reason))
        elif flags.any():
            reasons.append(Unknown(position, key, runs_of(flags), reason))

    def missing(values: Sequence[object]) -> npt.NDArray[np.bool_]:
        return np.array([value is None for value in values], dtype=bool)

    no_energy = energy_missing(answer.request.energy_missing)
    skipped = not_judged(answer.assessment)
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
        add(f"elements.{name}", "the forecast of the hour has lost a value that its source provides", unknown & lost)
        add(f"elements.{name}", "the forecast gives no value that it can be worked out from", unknown & ~lost)
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
