"""The hours: state, margin, chance and usable height of each, its elements, limits and light; which site is better."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Sequence
from datetime import date, datetime

import numpy as np
import numpy.typing as npt

from wxfly.answer import findings
from wxfly.answer.findings import ComparedHour, better_of_two
from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.answer.windows import in_order
from wxfly.assessment.hours import HOUR
from wxfly.assessment.suitability import counts_as_required, names_of, not_judged, required_names
from wxfly.physics.sun import low_light, solar_day, sun_events
from wxfly.pilot.elements import BY_NAME
from wxfly.pilot.limit_rules import LIMIT_RULES, LimitSense
from wxfly.pilot.limits import Limits
from wxfly.pilot.site import Site, SiteClock
from wxfly.report.facts.values import (
    Degrees,
    ElementName,
    Facts,
    Metres,
    Period,
    Sense,
    Share,
    Speed,
    StateWord,
    column,
    known_moment,
    moment_of,
    moments,
    number,
    runs_of,
    share,
    state_word,
    words_or_none,
)


class GapFacts(Facts, frozen=True):
    """A judged element that is not known in some lit hours."""

    element: ElementName
    """The element."""
    is_required: bool
    """Whether those hours are not known for want of it."""
    hour_runs: list[tuple[int, int]]
    """First and last position of each run of those hours."""
    everywhere: bool
    """Whether it is known in no lit hour."""


class NotKnown(Facts, frozen=True):
    """What the decision needs and does not have. Read it first."""

    required: list[ElementName]
    """Required elements missing in some lit hour: those hours are not known."""
    advised: list[ElementName]
    """Advised elements missing in some lit hour: find out before you fly."""
    not_judged: list[ElementName]
    """Elements for which there is no limit."""
    gaps: list[GapFacts]
    """Where each is missing, the required first."""
    lost_probability_runs: list[tuple[int, int]]
    """First and last position of each run of lit hours whose probability of precipitation is lost."""


class LitHours(Facts, frozen=True):
    """How the lit hours of the period stand, and what decides where no window holds."""

    lit_count: int
    holding_count: int
    not_known_count: int
    """Hours."""
    deciding_element: ElementName | None
    """The element that decides in most of the hours that do not hold; null when none does."""
    deciding_count: int
    """In how many of them."""
    nearest_hour: datetime | None
    """Start of the hour that comes nearest to holding, or holds the best; null when none is known."""
    longest: Period | None
    """The longest unbroken stretch that holds, however short; null when no hour does."""


class DayFacts(Facts, frozen=True):
    """Light and sun of one day of the site's clock; a moment is null where the sun does not pass it."""

    date: date
    """At the site."""
    start: datetime
    end: datetime
    """The part of the day that was asked about."""
    lit_hours: LitHours
    """How its lit hours stand."""
    civil_dawn: datetime | None
    sunrise: datetime | None
    sunset: datetime | None
    civil_dusk: datetime | None
    """The sun at 6 degrees below the horizon, and at it."""
    morning_blue_start: datetime | None
    morning_golden_start: datetime | None
    morning_golden_end: datetime | None
    """The morning's blue hour ends where its golden hour starts."""
    evening_golden_start: datetime | None
    evening_golden_end: datetime | None
    evening_blue_end: datetime | None
    """The evening's blue hour starts where its golden hour ends."""
    highest_sun_elevation: Degrees
    lowest_sun_elevation: Degrees
    """Elevation of the sun over the full hours; where it never rises or sets, this tells day from night."""


class MemberFacts(Facts, frozen=True):
    """The members' wind and gust at flight height. Each is five columns over the hours."""

    shares: list[Share]
    """Share of the members at or below each column: the lowest, a tenth, the middle, nine tenths, the highest."""
    wind: list[list[Speed | None]]
    gust: list[list[Speed | None]]
    """Wind and gust, by share, then by hour."""


class HourFacts(Facts, frozen=True):
    """The hours that touch the period, in order: one list for each quantity, all of one length."""

    start: list[datetime]
    """Start of the hour; it lasts 3600 s."""
    usable_start: list[datetime | None]
    usable_end: list[datetime | None]
    """Its lit part inside the period; null when there is none."""
    state: list[StateWord]
    """inside: the reserve is left of every limit; narrow: no limit is broken, but less than the reserve is left;
    outside: a limit is broken; not known: a required element is missing."""
    margin: list[Share | None]
    """Share of the limit that is left, the smallest of the elements: 1 nothing used, 0 at the limit, below 0 beyond."""
    limiting_element: list[ElementName | None]
    """The element with the smallest margin among those known; null when nothing is."""
    waiting_after: list[ElementName | None]
    """The element whose limit was broken shortly before, which holds the hour back; null for none."""
    chance: list[Share | None]
    """Chance that every limit holds in this hour, its light left aside."""
    wind_from_direction_at_start: list[Degrees | None]
    wind_from_direction_at_end: list[Degrees | None]
    """Where the wind at flight height comes from."""
    usable_height: list[Metres | None]
    """Highest usable height above ground; 0 where not even the lowest step holds."""
    usable_height_ends_by: list[str | None]
    """The element that ends the climb, height_limit at the height limit."""
    cloud_base_is_known: list[bool]
    """Where it is not, cloud may end the climb lower."""
    members: MemberFacts | None
    """Null without members."""


class ElementFacts(Facts, frozen=True):
    """One thing that can stop a flight, over the hours."""

    name: ElementName
    """See the reference page of the elements; return_leg, the way back, only where a sortie was asked for."""
    title: str
    """Words for people."""
    unit: str
    """SI unit of demand and limits; grades are 0 none, 1 possible, 2 likely."""
    sense: Sense
    """at_most: the demand must not be above the limit; at_least: not below it; within: between two; grade: at most 1;
    lit: minutes of light in the hour."""
    is_required: bool
    """Whether every hour is not known without it."""
    lost_runs: list[tuple[int, int]]
    """First and last position of each run of hours that are not known for want of it although it is advised."""
    judged: bool
    """Whether there is a limit; without one it counts neither way."""
    least: float | None
    most: float | None
    """The limit; null where there is none on that side, or where it goes by hours."""
    limit_by_hour: list[float | None] | None
    """The limit of each hour where it differs between them, on the side that `sense` says; else null."""
    demand: list[float | None]
    """What the hour asks."""
    margin: list[Share | None]
    """Share of the limit that is left: 1 nothing used, 0 at the limit, below 0 beyond."""
    height: Metres | None
    """Of what changes with height: the flight height that it is for; null for the others, or where it goes by hours."""
    height_by_hour: list[Metres] | None
    """Of what changes with height: that of the phase of the flight that leaves the least, where there are phases."""
    near_ground_runs: list[tuple[int, int]]
    """For temperature: first and last position of each run of hours in which that near the ground is the one that
    counts; empty for the others."""


class LimitFacts(Facts, frozen=True):
    """What the hours are compared with beside the limits of the elements."""

    reserve: Share
    """Share of every limit that the pilot wants left; an hour with less is narrow."""
    confidence: Share
    """Chance with which wind and gust at flight height are not above what they are taken for, as far as the height
    conversion goes."""
    rules: str
    """Name of the rule set."""
    daylight_rule: str
    """Which light counts."""
    height_limit: Metres
    """Highest flight above ground."""
    gust_at_launch: Speed | None
    """Largest gust at 2 m for launching and landing; null for none of its own."""
    aircraft_light: str | None
    """Light that the rules ask for on the aircraft, and when; null for none."""


def lit_hours_facts(answer: SiteAnswer, day: findings.Day | None = None) -> LitHours:
    """Return how the lit hours of an answer, or of one of its days, stand."""
    count = findings.count_hours(answer, None if day is None else day.hours)
    part = answer if day is None else day
    longest = findings.longest_stretch(answer, part.start, part.end)
    times = answer.assessment["time"].values
    return LitHours(
        lit_count=count.lit,
        holding_count=count.holding,
        not_known_count=count.not_known,
        deciding_element=count.deciding or None,
        deciding_count=count.deciding_hours,
        nearest_hour=None if count.nearest is None else moment_of(times[count.nearest]),
        longest=None if longest is None else Period(*map(moment_of, longest)),
    )


def sun_passes(site: Site, first: date, count: int) -> list[dict[str, datetime | None]]:
    """Return the moments at which the sun passes its heights on each day of a site's clock, from a first day on."""
    noon = SiteClock(site.time_zone).noon(first)
    place = site.latitude, site.longitude, solar_day(site.longitude, noon), count
    passes = sun_events(*place)._asdict() | low_light(*place)._asdict()
    return [{name: known_moment(moments[at]) for name, moments in passes.items()} for at in range(count)]


def day_facts(answer: SiteAnswer) -> list[DayFacts]:
    """Return light and sun of each day of the site's clock."""
    site, clock = answer.request.site, SiteClock(answer.request.site.time_zone)
    days = findings.days_of(answer, clock)
    if not days:
        return []
    count = (days[-1].date - days[0].date).days + 1
    passes = sun_passes(site, days[0].date, count)
    found = []
    for day in days:
        at = (day.date - days[0].date).days
        highest, lowest = findings.sun_elevations(site, day)
        found.append(
            DayFacts(
                day.date,
                moment_of(day.start),
                moment_of(day.end),
                lit_hours_facts(answer, day),
                **passes[at],
                highest_sun_elevation=round(highest, 1),
                lowest_sun_elevation=round(lowest, 1),
            )
        )
    return found


def hour_facts(answer: SiteAnswer) -> HourFacts:
    """Return the hours of an answer."""
    assessment, heights = answer.assessment, answer.heights
    times = assessment["time"].values
    nothing = [""] * times.size
    usable_start, usable_end = answer.usable_parts
    direction = answer.conditions["wind_from_direction"].transpose("edge", "time").values
    held = assessment["waiting_after"].values if "waiting_after" in assessment else nothing
    chance = np.full(times.size, np.nan) if answer.site_chance is None else answer.site_chance.hours.values
    return HourFacts(
        start=[moment_of(time) for time in times],
        usable_start=moments(usable_start),
        usable_end=moments(usable_end),
        state=[state_word(state) for state in assessment["state"].values],
        margin=column(assessment["hour_margin"].values),
        limiting_element=words_or_none(assessment["limiting_element"].values),
        waiting_after=words_or_none(held),
        chance=column(chance),
        wind_from_direction_at_start=column(direction[0]),
        wind_from_direction_at_end=column(direction[-1]),
        usable_height=column(heights["usable_height"].values),
        usable_height_ends_by=words_or_none(heights["usable_height_ends_by"].values),
        cloud_base_is_known=heights["cloud_base_is_known"].values.tolist(),
        members=_members(answer),
    )


def _members(answer: SiteAnswer) -> MemberFacts | None:
    if answer.site_chance is None or answer.site_chance.band is None:
        return None
    band = answer.site_chance.band.transpose("share", "time")
    wind, gust = ([column(row) for row in band[name].values] for name in ("wind_speed", "wind_speed_of_gust"))
    return MemberFacts(band["share"].values.tolist(), wind, gust)


def element_facts(answer: SiteAnswer) -> list[ElementFacts]:
    """Return every element over the hours of an answer."""
    assessment = answer.assessment
    demand, limit, margin = (
        assessment[name].transpose("element", "time").values for name in ("demand", "limit", "margin")
    )
    counts = counts_as_required(assessment.transpose("element", "time", ...))
    skipped, required = not_judged(assessment), required_names(assessment)
    phases = assessment["phase_height"].transpose("element", "time").values if "phase_height" in assessment else None
    rows = []
    for k, name in enumerate(names_of(assessment)):
        row = BY_NAME[name]
        least, most, by_hour = _limits(answer, row.sense, limit[k])
        is_aloft = row.changes_with_height
        rows.append(
            ElementFacts(
                name=name,
                title=row.title,
                unit=row.units,
                sense=row.sense,
                is_required=name in required,
                lost_runs=[] if name in required else runs_of(counts[k] & np.isnan(margin[k])),
                judged=name not in skipped,
                least=least,
                most=most,
                limit_by_hour=by_hour,
                demand=column(demand[k]),
                margin=column(margin[k]),
                height=number(answer.request.height) if is_aloft and phases is None else None,
                height_by_hour=phases[k].tolist() if is_aloft and phases is not None else None,
                near_ground_runs=_near_ground(answer, demand[k]) if name == "temperature" else [],
            )
        )
    return rows


def _near_ground(answer: SiteAnswer, temperature: npt.NDArray[np.float64]) -> list[tuple[int, int]]:
    at_ground = answer.conditions["air_temperature_near_ground"].transpose("edge", "time").values
    aloft = [answer.conditions[n] for n in ("air_temperature", "air_temperature_at_return") if n in answer.conditions]
    is_aloft = np.any([(t.transpose("edge", "time").values == temperature).any(axis=0) for t in aloft], axis=0)
    return runs_of(~np.isnan(temperature) & (at_ground == temperature).any(axis=0) & ~is_aloft)


def _limits(
    answer: SiteAnswer, sense: str, of_hours: npt.NDArray[np.float64]
) -> tuple[float | None, float | None, list[float | None] | None]:
    """Return the least, the most, and the limit of each hour where it differs between them."""
    if sense == LimitSense.WITHIN:
        limits = answer.request.limits
        return number(limits.minimum_temperature), number(limits.maximum_temperature), None
    if not of_hours.size or not (of_hours == of_hours[0]).all():
        return None, None, None if np.isnan(of_hours).all() else column(of_hours)
    limit = number(of_hours[0])
    return (limit, None, None) if LIMIT_RULES[sense].is_least else (None, limit, None)


def limit_facts(limits: Limits) -> LimitFacts:
    """Return what the hours are compared with beside the limits of the elements."""
    launch = limits.maximum_gust_at_launch
    return LimitFacts(
        reserve=limits.reserve,
        confidence=limits.confidence,
        rules=limits.rules,
        daylight_rule=limits.daylight_rule,
        height_limit=limits.height_limit,
        gust_at_launch=None if launch is None else number(launch),
        aircraft_light=limits.aircraft_light or None,
    )


def not_known_facts(answer: SiteAnswer) -> NotKnown:
    """Return what the decision needs and does not have."""
    found = findings.gaps(answer)
    return NotKnown(
        [gap.element for gap in found if gap.required],
        [gap.element for gap in found if not gap.required],
        list(not_judged(answer.assessment)),
        [GapFacts(gap.element, gap.required, findings.runs(gap.hours), gap.everywhere) for gap in found],
        findings.runs(findings.lost_probability(answer)),
    )


def limits_of_hours(element: ElementFacts) -> list[float | None]:
    """Return the limit that each hour is compared with; of two, the one nearer to what the hour asks."""
    if element.limit_by_hour is not None:
        return element.limit_by_hour
    least, most = element.least, element.most
    if least is None or most is None:
        return [most if least is None else least] * len(element.demand)
    middle = (least + most) / 2
    return [least if demand is not None and demand < middle else most for demand in element.demand]


def unknown_of_hours(hours: HourFacts, elements: list[ElementFacts]) -> list[list[ElementName]]:
    """Return the judged elements that are unknown in each lit hour, those first for which the hour is not known."""

    def unknown(element: ElementFacts, i: int) -> bool:
        return element.judged and element.margin[i] is None

    def is_required(element: ElementFacts, i: int) -> bool:
        return element.is_required or any(first <= i <= last for first, last in element.lost_runs)

    found = []
    for i, lit in enumerate(hours.usable_start):
        missing = [element for element in elements if lit is not None and unknown(element, i)]
        found.append([element.name for element in sorted(missing, key=lambda e: not is_required(e, i))])
    return found


# --- several sites: which is the better one, hour by hour ------------------------------------------------------


class StandingFacts(Facts, frozen=True):
    """How one site stands in each hour of a comparison."""

    state: list[StateWord]
    """State of the hour."""
    holds: list[bool]
    """Whether some lit part of the hour can be used."""
    margin: list[Share | None]
    """Margin of the hour."""
    deciding_element: list[ElementName | None]
    """What stands against the site; null where nothing is known to decide."""
    unknown_elements: list[list[ElementName]]
    """Judged elements that are not known."""


class AgainstFacts(Facts, frozen=True):
    """What stands against one site in a turn."""

    site_position: int
    """Position in `sites`."""
    element: ElementName | None
    """The element that stands against it in most of the hours; null where that is what is not known."""
    hour: datetime | None
    """Start of the hour in which that element is worst."""
    unknown_elements: list[ElementName]
    """Elements that are not known there and are known at the better site; empty where `element` stands against it."""


class TurnFacts(Facts, frozen=True):
    """A run of hours in which the same sites are better; hours in which all sites are dark are cut off its ends."""

    start: datetime
    end: datetime
    """Its ends."""
    better: list[int]
    """Positions in `sites` of the best, as in the comparison."""
    against: list[AgainstFacts]
    """What stands against the others."""


class ComparisonFacts(Facts, frozen=True):
    """Hours that all sites share: one list for each quantity."""

    start: list[datetime]
    """Start of the hour."""
    better: list[list[int]]
    """Positions in `sites` of the best: one, several when equal, none when no site holds."""
    lead: list[Share | None]
    """How much larger the best margin is than the largest of the others that hold; below 0 where a larger margin has
    something unknown behind it; null when no other holds."""
    chance_better: list[tuple[Share, Share, Share, Share] | None]
    """For two sites, the chances that the first is the better one, that the second is, that neither holds, that they
    are equal; null for more sites."""
    standings: list[StandingFacts]
    """In the order of `sites`."""
    lit: list[bool]
    """Whether one of the sites has light in the hour."""
    turns: list[TurnFacts]
    """Runs of hours of the same outcome, where a site has light."""
    order: list[int]
    """Positions in `sites` of those that have a window, the better first, by chance."""
    chance_better_in_best: tuple[Share, Share, Share, Share] | None
    """As `chance_better`, for the surest stretch of the best window of the better site."""
    best_sites: list[int]
    """Positions in `sites` of those with the best window of all: one, several when equal, none without a window."""


def comparison_facts(briefing: Briefing) -> ComparisonFacts:
    """Return who is better in the hours that all sites of a briefing share."""
    compared = findings.compared(briefing)
    ranks = {i: answer.best.rank for i, answer in enumerate(briefing.answers) if answer.best}
    return ComparisonFacts(
        start=[moment_of(hour.time) for hour in compared],
        better=[list(hour.better) for hour in compared],
        lead=[number(hour.lead) for hour in compared],
        chance_better=[_chance_better(briefing, hour.time) for hour in compared],
        standings=[
            StandingFacts(
                [state_word(s.state) for s in of_site],
                [s.holds for s in of_site],
                [number(s.margin) for s in of_site],
                [s.deciding or None for s in of_site],
                [list(s.unknown) for s in of_site],
            )
            for of_site in ([hour.standings[i] for hour in compared] for i in range(len(briefing.answers)))
        ],
        lit=[hour.is_lit for hour in compared],
        turns=_turns(briefing, compared),
        order=_order(briefing.answers, briefing.now),
        chance_better_in_best=_chance_better_in_best(briefing),
        best_sites=[i for i, rank in ranks.items() if rank == min(ranks.values())],
    )


def _order(answers: Sequence[SiteAnswer], now: np.datetime64) -> list[int]:
    having = [i for i, answer in enumerate(answers) if answer.best is not None]
    windows = [window for i in having if (window := answers[i].best) is not None]
    ranked = in_order(windows, now)
    return [next(i for i in having if answers[i].best is w) for w in ranked]


def _turns(briefing: Briefing, hours: Sequence[ComparedHour]) -> list[TurnFacts]:
    turns = []
    for _, run in itertools.groupby(range(len(hours)), key=lambda i: hours[i].better):
        lit = [i for i in run if hours[i].is_lit]
        if lit:
            part = hours[lit[0] : lit[-1] + 1]
            end = moment_of(part[-1].time + HOUR)
            turns.append(TurnFacts(moment_of(part[0].time), end, list(part[0].better), _against(briefing, part)))
    return turns


def _against(briefing: Briefing, hours: Sequence[ComparedHour]) -> list[AgainstFacts]:
    """Return what stands against the sites that are not better in a run of hours of the same outcome.

    For each site it is the element that does so in most of the hours, as it is in the hour where it is worst.
    """
    against = []
    for i, answer in enumerate(briefing.answers):
        if i in hours[0].better:
            continue
        hidden = [h for h in hours if h.better and h.standings[i].holds and _is_hidden(h, i)]
        if 2 * len(hidden) > len(hours):
            missing = dict.fromkeys(name for h in hidden for name in h.standings[i].unknown)
            against.append(AgainstFacts(i, None, None, list(missing)))
            continue
        elements = Counter(h.standings[i].deciding for h in hours if h.standings[i].deciding)
        if not elements:
            against.append(AgainstFacts(i, None, None, []))
            continue
        element = elements.most_common(1)[0][0]
        margins, times = answer.assessment["margin"].sel(element=element).values, answer.assessment["time"].values
        at = [int(np.searchsorted(times, h.time)) for h in hours if h.standings[i].deciding == element]
        worst = min(at, key=lambda k: -np.inf if np.isnan(margins[k]) else float(margins[k]))
        against.append(AgainstFacts(i, element, moment_of(times[worst]), []))
    return against


def _is_hidden(hour: ComparedHour, site: int) -> bool:
    """Whether a site stands behind because something is not known there that is known at the better site."""
    return bool(hour.standings[site].unknown) and not hour.standings[hour.better[0]].unknown


def _chance_better_in_best(briefing: Briefing) -> tuple[float, float, float, float] | None:
    windows = [answer.best for answer in briefing.answers if answer.best is not None]
    if not windows:
        return None
    best = max(windows, key=lambda window: window.surest_chance)
    at = best.surest or best
    return _shares(briefing, at.first, at.last)


def _chance_better(briefing: Briefing, time: np.datetime64) -> tuple[float, float, float, float] | None:
    at = int(np.searchsorted(briefing.answers[0].assessment["time"].values, time))
    return _shares(briefing, at, at)


def _shares(briefing: Briefing, first: int, last: int) -> tuple[float, float, float, float] | None:
    shares = better_of_two(briefing, first, last)
    if shares is None or any(math.isnan(s) for s in shares):
        return None
    one, other, neither, equal = map(share, shares)
    return one, other, neither, equal
