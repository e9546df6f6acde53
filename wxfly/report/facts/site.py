"""The answer for one site: its windows, hours and elements, why what is unknown is null, and its hours in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

import numpy as np
import numpy.typing as npt

from wxfly.answer import findings
from wxfly.answer.briefing import AgeCountsFrom, age_of
from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.assessment.suitability import names_of, not_judged
from wxfly.cube.contract import VARIABLES
from wxfly.flight.advice import sight
from wxfly.pilot.aircraft import Aircraft
from wxfly.pilot.elements import BY_NAME, RETURN_LEG
from wxfly.pilot.limit_rules import LIMIT_RULES
from wxfly.pilot.limits import HEIGHT_OF_LAUNCH
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
    limits_of_hours,
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
    column,
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
from wxfly.report.facts.writing import amount, cannot_be_flown, demand_in_words, excess, margin_in_words, spare, titles
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


# --- what a picture of the hours shows beside them: light to the minute, and every height --------------------------


class LightSpan(Facts, frozen=True):
    """A span of one kind of light."""

    start: datetime
    end: datetime
    """Its ends, to the minute."""
    kind: findings.LightKind
    """The borders are the sun at the horizon, and at 6 degrees below it."""


class FlightWind(Facts, frozen=True):
    """Wind or gust at flight height, whichever phase of the flight decides."""

    demand: list[float | None]
    """Demand of each hour, SI."""
    limit: float | None
    """SI; null for none."""


class TimelineFacts(Facts, frozen=True):
    """The hours of one site as a timeline shows them."""

    site: SiteAnswerFacts
    """The answer for the site."""
    wind: FlightWind
    gust: FlightWind
    """At flight height."""
    light: list[LightSpan]
    """Over all hours of the answer."""
    heights: list[Metres]
    """The steps up to the height limit."""
    margin_by_height: list[list[Share | None]]
    """The smallest, by height, then by hour, margin of wind at that height and of the other elements of the hour; null
    where that is not known."""
    decides_by_height: list[list[str]]
    """For the same heights and hours, the element that decides or is not known; ``wind`` for wind, gust and wind
    difference."""


def timeline_facts(briefing: Briefing, sites: Sequence[SiteAnswerFacts]) -> list[TimelineFacts]:
    """Return what a picture of each site's hours shows, from a briefing and the facts of its sites."""
    return [_timeline(*both) for both in zip(briefing.answers, sites, strict=True)]


def _timeline(answer: SiteAnswer, site: SiteAnswerFacts) -> TimelineFacts:
    margin, decides = findings.margins_by_height(answer)
    return TimelineFacts(
        site=site,
        wind=_at_flight_height(answer, "wind"),
        gust=_at_flight_height(answer, "gust"),
        light=[LightSpan(moment_of(a), moment_of(b), kind) for a, b, kind in findings.light_spans(answer)],
        heights=answer.heights["height"].values.tolist(),
        margin_by_height=[column(row) for row in margin],
        decides_by_height=decides.tolist(),
    )


def _at_flight_height(answer: SiteAnswer, element: str) -> FlightWind:
    demand, limit = findings.at_flight_height(answer, element)
    return FlightWind(column(demand), number(limit[0]))


# --- its hours in words -------------------------------------------------------------------------------------------


def hour_at(site: SiteAnswerFacts, moment: datetime) -> int:
    """Return the position of the hour that starts at a moment."""
    return site.hours.start.index(moment)


def element_of(site: SiteAnswerFacts, name: str) -> ElementFacts:
    """Return an element of a site by its name."""
    return next(element for element in site.elements if element.name == name)


def demand_at(site: SiteAnswerFacts, name: str, hour: int, units: str) -> str:
    """Return in words what one element of one hour is, such as ``gust at 80 m, 9.1 of 10.7 m/s``."""
    demand, limit, height, near_ground, phase = _at(site, name, hour)
    return demand_in_words(name, demand, limit, height=height, units=units, near_ground=near_ground) + phase


def margin_at(site: SiteAnswerFacts, name: str, hour: int, units: str) -> str:
    """Return in words what one element of one hour leaves of its limit, such as ``gust 42 % below its limit``."""
    demand, limit, height, near_ground, phase = _at(site, name, hour)
    margin = _number(element_of(site, name).margin[hour])
    return margin_in_words(name, demand, limit, margin, height=height, units=units, near_ground=near_ground) + phase


def spare_at(site: SiteAnswerFacts, name: str, hour: int, units: str) -> str:
    """Return what one element of an hour leaves of its limit; empty where that is unknown or is no quantity."""
    demand, limit, _, _, _ = _at(site, name, hour)
    margin = _number(element_of(site, name).margin[hour])
    if LIMIT_RULES[BY_NAME[name].sense].words or math.isnan(margin):
        return ""
    return spare(name, demand, limit, margin, units=units)


_ON_THE_WAY_BACK = ", on the way back"


def _at(site: SiteAnswerFacts, name: str, hour: int) -> tuple[float, float, float, bool, str]:
    """Return demand, limit, height, whether that is near the ground, and the phase of the flight where it is stated."""
    element = element_of(site, name)
    height, phase = site.height, ""
    if element.height_by_hour is not None and element.height_by_hour[hour] != site.height:
        height = element.height_by_hour[hour]
        phase = ", at launch and landing" if height == HEIGHT_OF_LAUNCH else _ON_THE_WAY_BACK
    near_ground = _covers(element.near_ground_runs, hour)
    return _number(element.demand[hour]), _number(limits_of_hours(element)[hour]), height, near_ground, phase


def is_on_way_back(site: SiteAnswerFacts, name: str, hour: int) -> bool:
    """Return whether it is on the way back that an element leaves the least in an hour."""
    return _at(site, name, hour)[-1] == _ON_THE_WAY_BACK


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def waiting_after(site: SiteAnswerFacts, hour: int) -> str:
    """Return in words by what an hour is held back that would not be outside by itself; empty where it is not."""
    cause = site.hours.waiting_after[hour]
    if cause is None or any(_number(element.margin[hour]) < 0 for element in site.elements):
        return ""
    hours = site.intent.wait_hours
    before = "the hour before was" if hours == 1 else f"one of the {hours} hours before was"
    if site.hours.margin[hour] is None:
        return f"held back: whether {before} over the {BY_NAME[cause].title} limit is not known"
    return f"held back: {before} over the {BY_NAME[cause].title} limit"


def deciding_at(site: SiteAnswerFacts, hour: int, units: str) -> str:
    """Return in words what decides in one hour and what it leaves of its limit."""
    element = site.hours.limiting_element[hour]
    return waiting_after(site, hour) or (margin_at(site, element, hour, units) if element else "nothing is known")


MOST_OVER = 3
"""How many elements over their limits are named of one hour [1]."""


def all_over(site: SiteAnswerFacts, hour: int, units: str) -> str:
    """Return in words what decides in an hour, then every other element over its limit, the gravest first."""
    others = [margin_at(site, name, hour, units) for name in _also_over(site, hour)]
    shown = others[: MOST_OVER - 1]
    more = f"and {len(others) - len(shown)} more over their limits" if len(others) > len(shown) else ""
    return "; ".join(filter(None, [deciding_at(site, hour, units), *shown, more]))


def all_over_in_short(site: SiteAnswerFacts, hour: int, units: str) -> str:
    """Return in words what decides in the best hour of a day, and the names of the other elements over their limit."""
    others, element = _also_over(site, hour), site.hours.limiting_element[hour]
    too = f", {titles(others)} too" if others else ""
    if element == RETURN_LEG.name and not waiting_after(site, hour):
        return _way_back_at_best(site, hour, others, units)
    if element is None or waiting_after(site, hour):
        return f"at best {deciding_at(site, hour, units)}{too}"
    demand, limit, _, near_ground, phase = _at(site, element, hour)
    is_broken = _number(element_of(site, element).margin[hour]) < 0
    if not is_broken or not BY_NAME[element].quantity or LIMIT_RULES[BY_NAME[element].sense].words:
        return f"at best {deciding_at(site, hour, units)}{too}"
    return f"{excess(element, demand, limit, units=units, near_ground=near_ground)}{phase}{too}"


def _way_back_at_best(site: SiteAnswerFacts, hour: int, others: Sequence[str], units: str) -> str:
    """Return in words what the way back takes in the best hour of a day, with the gust where that is over as well."""
    gust = ""
    if "gust" in others:
        demand, _, height, _, _ = _at(site, "gust", hour)
        gust = f", gust {amount(demand, 'wind', units)} at {amount(height, 'height', units)}"
    rest = [name for name in others if name != "gust"]
    too = f", {titles(rest)} too" if rest else ""
    best = "" if cannot_be_flown(_at(site, RETURN_LEG.name, hour)[0]) else "at best "
    return f"{best}{margin_at(site, RETURN_LEG.name, hour, units)}{gust}{too}"


def _also_over(site: SiteAnswerFacts, hour: int) -> list[str]:
    decides = site.hours.limiting_element[hour]
    return [
        e.name for e in site.elements
        if e.name != decides and e.judged and _number(e.margin[hour]) < 0 and not BY_NAME[e.name].rule.words
    ]  # fmt: skip


def reason_of(site: SiteAnswerFacts, hour: int, units: str) -> str:
    """Return in words what decides in one hour, and first what is not known in it."""
    required = [g.element for g in site.not_known.gaps if g.is_required and _covers(g.hour_runs, hour)]
    others = [
        g.element for g in site.not_known.gaps if not g.is_required and not g.everywhere and _covers(g.hour_runs, hour)
    ]
    element = site.hours.limiting_element[hour]
    known = _reading_or_excess(site, element, hour, units) if element else "nothing is known"
    reason = waiting_after(site, hour) or known
    parts = [reason]
    if required:
        parts = [f"{titles(required)} not known"]
        # A limit that is broken all the same is worth telling; one that holds would be a false comfort.
        if element and _number(element_of(site, element).margin[hour]) < 0:
            parts.append(reason)
    if others:
        parts.append(f"{titles(others)} not known")
    return "; ".join(parts)


def _reading_or_excess(site: SiteAnswerFacts, element: str, hour: int, units: str) -> str:
    """Return in words what an element is and its limit; where that is broken, by how much."""
    over = _number(element_of(site, element).margin[hour]) < 0
    return margin_at(site, element, hour, units) if over else demand_at(site, element, hour, units)


def _covers(hour_runs: list[tuple[int, int]], hour: int) -> bool:
    return any(first <= hour <= last for first, last in hour_runs)


class HourWords:
    """Phrases the hours of one site, for what asks for thousands of them.

    Parameters
    ----------
    site : SiteAnswerFacts
        Whose hours.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    """

    def __init__(self, site: SiteAnswerFacts, units: str) -> None:
        self._site, self._units = site, units

    def demand_in_words(self, element: str, hour: int) -> str:
        """Return in words what one element of one hour is, such as ``gust at 80 m, 9.1 of 10.7 m/s``."""
        return demand_at(self._site, element, hour, self._units)

    def reason(self, hour: int) -> str:
        """Return in words what decides in one hour, and its limit."""
        element = self._site.hours.limiting_element[hour]
        return waiting_after(self._site, hour) or (
            self.demand_in_words(element, hour) if element else "nothing is known"
        )

    def waiting_after(self, hour: int) -> str:
        """Return in words by what an hour is held back that would not be outside by itself; empty where it is not."""
        return waiting_after(self._site, hour)

    def missing(self, hour: int) -> list[str]:
        """Name the required elements that are not known in an hour."""
        return [
            e.name
            for e in self._site.elements
            if e.judged and e.margin[hour] is None and (e.is_required or _covers(e.lost_runs, hour))
        ]
