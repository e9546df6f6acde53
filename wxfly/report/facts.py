"""The facts of an answer: one tree of typed values, made once from a briefing, which the formats render.

Quantities are in the SI units that `units` lists by key. Moments are aware datetimes in UTC. Hours stand in columns,
one list for each quantity. What is unknown is None, and `AnswerFacts.unknown` says why.
"""

from __future__ import annotations

import inspect
import math
import re
import typing
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np
import numpy.typing as npt
from msgspec import Meta, Struct, json

from wxfly import __version__
from wxfly.answer.briefing import age_of
from wxfly.answer.request import Briefing, Change, SiteAnswer
from wxfly.answer.survey import Spell, Survey
from wxfly.answer.windows import Window
from wxfly.assessment.state import STATE_WORDS
from wxfly.assessment.suitability import State, counts_as_required, names_of
from wxfly.cube.notes import kind_of
from wxfly.flight.advice import sight
from wxfly.physics.air.sun import low_light, solar_day
from wxfly.pilot.elements import BY_NAME, RETURN_LEG
from wxfly.pilot.intent import drives_out, takes_off
from wxfly.pilot.limit_rules import LIMIT_RULES
from wxfly.probability.chance import Chance, Outlook
from wxfly.report.text import chances, findings, phrases, sentences, summary
from wxfly.report.text.console import escaped
from wxfly.report.text.work import chance_for_costs
from wxfly.retrieval.obtained import NOT_KNOWN, ForecastOrigin

if TYPE_CHECKING:
    from wxfly.question.reading import Question

SCHEMA_VERSION = 3
"""Raised when a key changes its meaning or goes; a new key alone does not raise it."""
_PLACES = 6
_SECOND = np.timedelta64(1, "s")


def _of_unit(unit: str) -> Meta:
    return Meta(extra_json_schema={"unit": unit})


Metres = Annotated[float, _of_unit("m")]
Seconds = Annotated[int, _of_unit("s")]
Speed = Annotated[float, _of_unit("m s-1")]
Degrees = Annotated[float, _of_unit("degree")]
Kelvins = Annotated[float, _of_unit("K")]
Kilograms = Annotated[float, _of_unit("kg")]
Share = Annotated[float, _of_unit("1")]
ElementName = Annotated[str, Meta(extra_json_schema={"enum": list(BY_NAME)})]
StateWord = Annotated[str, Meta(extra_json_schema={"enum": list(STATE_WORDS)})]
Sense = Annotated[str, Meta(extra_json_schema={"enum": list(LIMIT_RULES)})]


class Facts(Struct, frozen=True, forbid_unknown_fields=True):
    """A part of the tree."""


class Program(Facts, frozen=True):
    """What made the answer.

    Attributes
    ----------
    name, version : str
        The program and its version.
    """

    name: str
    version: str


class Note(Facts, frozen=True):
    """One line that the reader must know first.

    Attributes
    ----------
    kind : str
        What it is about.
    text : str
        The line.
    """

    kind: str
    text: str


class Unknown(Facts, frozen=True):
    """Why something is null.

    Attributes
    ----------
    site_position : int or None
        Position in `sites`; null for what all sites share.
    key : str
        Which value is null, from the site or from the answer on; list positions and element names stand between dots.
    hour_runs : list of list of int
        First and last position of each run of hours in which it is; empty where it does not go by hours.
    reason : str
        Why.
    """

    site_position: int | None
    key: str
    hour_runs: list[tuple[int, int]]
    reason: str


class Place(Facts, frozen=True):
    """A place as the pilot wrote it.

    Attributes
    ----------
    words : str
        Name, saved name or coordinates.
    height : float
        Flight height above ground.
    """

    words: str
    height: Metres


class ForecastAsked(Facts, frozen=True):
    """Which forecast was asked for.

    Attributes
    ----------
    model : str or None
        Null for that of the settings.
    file : str or None
        Name of the file that answers instead of a service.
    offline : bool
        Whether no service was asked.
    as_of : datetime or None
        The moment to answer for; null for now.
    ensemble_names : list of str
        Ensembles whose members give the chance.
    uses_site_record : bool
        Whether wind and gust are corrected by the record of the site.
    """

    model: str | None
    file: str | None
    offline: bool
    as_of: datetime | None
    ensemble_names: list[str]
    uses_site_record: bool


class SortieAsked(Facts, frozen=True):
    """The sortie as far as the pilot gave it.

    Attributes
    ----------
    distance : float or None
        To the farthest point, over ground; null for as far as the aircraft's attitude is seen.
    return_height : float or None
        Above ground; null for the flight height.
    work_time : int
        At the farthest point.
    batteries : int
        How many are charged.
    battery_reserve : float
        Share of a battery to land with.
    battery_temperature : float or None
        Before take-off; null for that of the air.
    payload : float
        Beyond the mass of the aircraft.
    """

    distance: Metres | None
    return_height: Metres | None
    work_time: Seconds
    batteries: int
    battery_reserve: Share
    battery_temperature: Kelvins | None
    payload: Kilograms


class QuestionFacts(Facts, frozen=True):
    """The question in full.

    Attributes
    ----------
    places : list of Place
        In the order asked; empty for the first saved site or the demonstration.
    height : float
        Flight height above ground where no place is named.
    aircraft_name, rules : str
        Names.
    required, accepted : list of str
        Elements that the hours must know, and those that the pilot takes on himself.
    reserve, confidence, gust_at_launch : float or None
        In place of the usual limits; null where the pilot gave none.
    forecast_asked : ForecastAsked
        Which forecast was asked for.
    day : date or None
        At the site; null for the day that is `first_day` days from today.
    first_day, day_count : int
        The day asked about, from today, and how many days a week's question covers.
    toward : float or None
        Direction in which the pilot looks at the aircraft.
    prefers_low_light : bool
        Whether windows in golden or blue hour come first.
    sortie_asked : SortieAsked or None
        What is to be flown; null where the way home was not asked for.
    confidence_of_return : float
        How sure the way home must be.
    ranks_anew : bool
        Whether windows are ranked whatever was chosen before.
    display_units : str
        Units in which people are shown the answer. This answer is in SI units whatever they are.
    display_time_zone : str or None
        IANA zone in which people are shown times; null for each site's own.
    """

    places: list[Place]
    height: Metres
    aircraft_name: str
    rules: str
    required: list[ElementName]
    accepted: list[ElementName]
    reserve: Share | None
    confidence: Share | None
    gust_at_launch: Speed | None
    forecast_asked: ForecastAsked
    day: date | None
    first_day: int
    day_count: int
    toward: Degrees | None
    prefers_low_light: bool
    sortie_asked: SortieAsked | None
    confidence_of_return: Share
    ranks_anew: bool
    display_units: str
    display_time_zone: str | None


class ForecastFacts(Facts, frozen=True):
    """One forecast, of one model.

    Attributes
    ----------
    is_ensemble : bool
        Whether it gives the chance only.
    source, institution, model : str or None
        The service, who runs the model, and its name.
    attribution, licence : str or None
        Show both to whoever reads what you make of the answer.
    history : str or None
        How it was obtained.
    run, retrieved : datetime or None
        Start of the run, and when it was retrieved.
    age : int or None
        At `now`, counted from `age_counts_from`.
    age_counts_from : str or None
        The first of these that is known.
    """

    is_ensemble: bool
    source: str | None
    institution: str | None
    model: str | None
    attribution: str | None
    licence: str | None
    history: str | None
    run: datetime | None
    retrieved: datetime | None
    age: Seconds | None
    age_counts_from: Literal["run", "oldest_run", "retrieved", "first_hour"] | None


class SiteFacts(Facts, frozen=True):
    """The place.

    Attributes
    ----------
    name : str
        What the pilot calls it. It may hold any character: escape it where you show it.
    latitude, longitude : float
        North and east positive.
    surface_altitude : float or None
        Ground above mean sea level.
    time_zone : str
        IANA name.
    surface_cover : str or None
        Class of the surface, where the pilot gave one.
    invented : bool
        Whether the place is invented.
    """

    name: str
    latitude: Degrees
    longitude: Degrees
    surface_altitude: Metres | None
    time_zone: str
    surface_cover: str | None
    invented: bool


class AircraftFacts(Facts, frozen=True):
    """What is flown.

    Attributes
    ----------
    name, title : str
        Short name, and words for people.
    kind : str
        Kind of aircraft.
    sight_range : float or None
        Distance to which its attitude is seen in clear air, from its size.
    """

    name: str
    title: str
    kind: str
    sight_range: Metres | None


class Period(Facts, frozen=True):
    """A stretch of time.

    Attributes
    ----------
    start, end : datetime
        Its ends.
    """

    start: datetime
    end: datetime


class NotKnown(Facts, frozen=True):
    """What the decision needs and does not have. Read it first.

    Attributes
    ----------
    required : list of str
        Required elements missing in some lit hour: those hours are not known.
    advised : list of str
        Advised elements missing in some lit hour: find out before you fly.
    not_judged : list of str
        Elements for which there is no limit.
    """

    required: list[ElementName]
    advised: list[ElementName]
    not_judged: list[ElementName]


class CauseFacts(Facts, frozen=True):
    """What may break a limit. Shares of causes do not add up: several may break theirs at once.

    Attributes
    ----------
    element : str
        The element.
    share : float
        Chance that it breaks its limit in some hour, alone or with others.
    share_alone : float
        Chance that it does and nothing else does.
    """

    element: ElementName
    share: Share
    share_alone: Share


class OutlookFacts(Facts, frozen=True):
    """The surest stretch of the length that is asked for.

    Attributes
    ----------
    start, end : datetime
        Within the light.
    kind : str
        firm from 0.8, open from 0.4, faint below.
    chance : float or None
        That every limit holds all along, counted over the members together; never 0 and never 1.
    causes : list of CauseFacts
        The largest share first.
    """

    start: datetime
    end: datetime
    kind: Literal["firm", "open", "faint", "not known"]
    chance: Share | None
    causes: list[CauseFacts]


class WindowFacts(Facts, frozen=True):
    """A window: a stretch in which every limit holds.

    Attributes
    ----------
    rank : int
        1 is the best: by the chance of its surest stretch where there are members, by margin where there is one
        forecast.
    start, end : datetime
        Cut to daylight.
    state : str
        The worst of its hours.
    margin : float or None
        The smallest of its hours.
    limiting_element : str
        The element of that margin.
    limiting_hour : datetime
        Start of the hour with that margin.
    advised_not_known : list of str
        Advised elements that are not known in some hour of it.
    within : Period
        The unbroken stretch of holding hours that it is the best part of.
    chance : float or None
        That every limit holds all through; never 0 and never 1.
    causes : list of CauseFacts
        What may break a limit, the largest share first.
    surest : OutlookFacts or None
        The surest stretch in it of the length that is asked for; null where it was not worked out.
    usable_height : float or None
        Highest usable height above ground, the lowest of its hours.
    usable_height_ends_by : str or None
        The element that ends the climb, ceiling at the height limit.
    cloud_base_is_known : bool
        Whether it is in every hour; where not, cloud may end the climb lower.
    sight_range : float or None
        How far the aircraft is seen all through; where visibility is unknown, from the size of the aircraft alone.
    sight_decided_by : str or None
        What decides.
    visibility_is_known : bool
        Whether visibility is known throughout.
    """

    rank: int
    start: datetime
    end: datetime
    state: StateWord
    margin: Share | None
    limiting_element: ElementName
    limiting_hour: datetime
    advised_not_known: list[ElementName]
    within: Period
    chance: Share | None
    causes: list[CauseFacts]
    surest: OutlookFacts | None
    usable_height: Metres | None
    usable_height_ends_by: str | None
    cloud_base_is_known: bool
    sight_range: Metres | None
    sight_decided_by: Literal["size", "visibility"] | None
    visibility_is_known: bool


class LitHours(Facts, frozen=True):
    """How the lit hours of the period stand, and what decides where no window holds.

    Attributes
    ----------
    lit_count, holding_count, not_known_count : int
        Hours.
    deciding_element : str or None
        The element that decides in most of the hours that do not hold; null when none does.
    deciding_count : int
        In how many of them.
    nearest_hour : datetime or None
        Start of the hour that comes nearest to holding, or holds the best; null when none is known.
    longest : Period or None
        The longest unbroken stretch that holds, however short; null when no hour does.
    """

    lit_count: int
    holding_count: int
    not_known_count: int
    deciding_element: ElementName | None
    deciding_count: int
    nearest_hour: datetime | None
    longest: Period | None


class ChanceBasis(Facts, frozen=True):
    """What the chances are from.

    Attributes
    ----------
    member_count : int
        How many members; 1 for a single forecast.
    models : list of str
        Whose.
    single_forecast : bool
        Whether they are from one forecast and the usual growth of its error, and so weaker.
    ensemble_notes : list of str
        What is missing of the members.
    spread_of_source : list of str
        Elements whose spread is from percentiles that the source of the one forecast gives.
    """

    member_count: int
    models: list[str]
    single_forecast: bool
    ensemble_notes: list[str]
    spread_of_source: list[ElementName]


class ChangeFacts(Facts, frozen=True):
    """One change that would make nothing into a window, or how much more of an element would break the best one.

    Attributes
    ----------
    kind : str
        lower, shorter, aircraft, day: what would have to change; more: so much more of an element would break the best
        window.
    window : Period or None
        The window it would make; null for more.
    height : float or None
        For lower: the height at which it would hold.
    aircraft_title : str or None
        For aircraft: the one that stands it.
    element : str or None
        For more: the element.
    amount : float or None
        For more: how much more would break it, in the unit of the element.
    """

    kind: Literal["lower", "shorter", "aircraft", "day", "more"]
    window: Period | None
    height: Metres | None
    aircraft_title: str | None
    element: ElementName | None
    amount: float | None


class Earlier(Facts, frozen=True):
    """What an earlier run reported of the surest stretch of the best window.

    Attributes
    ----------
    run : datetime
        Start of that run.
    chance : float or None
        The chance it gave.
    """

    run: datetime
    chance: Share | None


class PlanFacts(Facts, frozen=True):
    """What is to be flown.

    Attributes
    ----------
    distance : float
        To the farthest point, over ground.
    direction : float or None
        Toward it; null is compared with the most demanding of all.
    work_time : int
        At the farthest point.
    return_height : float
        Height of the way home above ground.
    battery_reserve : float
        Share of a battery to land with.
    confidence : float
        How sure energy and way home must be.
    batteries : int
        How many are charged.
    """

    distance: Metres
    direction: Degrees | None
    work_time: Seconds
    return_height: Metres
    battery_reserve: Share
    confidence: Share
    batteries: int


class WorstFacts(Facts, frozen=True):
    """The moment of the best window that asks the most of the sortie.

    Attributes
    ----------
    moment : datetime
        When that is.
    needed_share : float or None
        Share of a battery needed, reserve included; null where it is unknown or cannot be flown.
    charge_at_turn : float or None
        Charge that must be shown when leaving for home, of a full battery.
    latest_turn : int or None
        Time after take-off at which to leave for home at the latest.
    flight_time : int or None
        Of one battery, take-off to landing at the latest; 0 where the sortie does not come home.
    """

    moment: datetime
    needed_share: Share | None
    charge_at_turn: Share | None
    latest_turn: Annotated[float, _of_unit("s")] | None
    flight_time: Annotated[float, _of_unit("s")] | None


class SortieFacts(Facts, frozen=True):
    """A planned sortie; the way home is then the element return_leg.

    Attributes
    ----------
    judged : bool
        Whether the way home is judged; where not, no chance counts it.
    missing_figures : list of str
        Figures of the aircraft that are missing where it is not.
    plan : PlanFacts or None
        Null where it is not judged.
    worst : WorstFacts or None
        Null without a window.
    """

    judged: bool
    missing_figures: list[str]
    plan: PlanFacts | None
    worst: WorstFacts | None


class IntentFacts(Facts, frozen=True):
    """What the pilot means to do.

    Attributes
    ----------
    planned : int
        The time that the work takes when all goes well.
    contingency : int
        Kept in hand for what may go wrong; windows are at least as long as both together.
    survey_hours : int or None
        Hours of work that can stop and go on later; null for none.
    hold_hours : int
        Hours held back after one over the wind or gust limit.
    """

    planned: Seconds
    contingency: Seconds
    survey_hours: Annotated[int, _of_unit("h")] | None
    hold_hours: Annotated[int, _of_unit("h")]


class SpellFacts(Facts, frozen=True):
    """A stretch of work or of waiting, in full hours.

    Attributes
    ----------
    start, end : datetime
        Its ends.
    work : bool
        Whether it is work; else it is a wait.
    """

    start: datetime
    end: datetime
    work: bool


class LaidWork(Facts, frozen=True):
    """Work laid into the hours.

    Attributes
    ----------
    spells : list of SpellFacts
        Work and waits in turn, beginning and ending with work.
    chance : float or None
        That every limit holds in every hour of work.
    causes : list of CauseFacts
        What may break a limit, the largest share first.
    """

    spells: list[SpellFacts]
    chance: Share | None
    causes: list[CauseFacts]


class SurveyFacts(Facts, frozen=True):
    """How work that can stop is laid into the hours that hold.

    Attributes
    ----------
    wanted_hours : int
        Hours of work asked for.
    found_hours : int
        Full hours that hold, up to those asked for; with fewer the work does not fit.
    laid : LaidWork
        The earliest first.
    surer : LaidWork or None
        The same work within one later day, where that is surer by more than a step; null where it is not.
    """

    wanted_hours: Annotated[int, _of_unit("h")]
    found_hours: Annotated[int, _of_unit("h")]
    laid: LaidWork
    surer: LaidWork | None


class DecisionFacts(Facts, frozen=True):
    """Two decisions by the pilot's own costs; advice, each compared with its own threshold.

    Attributes
    ----------
    chance : float or None
        Of the best window's surest stretch; null without a window.
    least_chance_to_drive : float
        Driving out pays above this chance; above 1 it never does.
    drive_out : bool or None
        Whether driving out pays.
    risk : float or None
        Of a broken limit.
    largest_risk_to_take_off : float
        Taking off pays below this risk.
    take_off : bool or None
        Whether taking off would pay on this forecast.
    members_needed : int
        Members that can tell a risk as small as that.
    """

    chance: Share | None
    least_chance_to_drive: Share
    drive_out: bool | None
    risk: Share | None
    largest_risk_to_take_off: Share
    take_off: bool | None
    members_needed: int


class ChoiceFacts(Facts, frozen=True):
    """The stretch chosen in the run before, and what became of it.

    Attributes
    ----------
    verdict : str
        same: the best window is still around it; kept: another is better by no more than a step, so it stays first;
        left: another has gained more, or is better known; gone: it does not hold any more.
    run : datetime
        Start of the run that chose it.
    start, end : datetime
        Of the stretch.
    chance : float or None
        Its chance now; null where it does not matter.
    """

    verdict: Literal["same", "kept", "left", "gone"]
    run: datetime
    start: datetime
    end: datetime
    chance: Share | None


class DayFacts(Facts, frozen=True):
    """Light and sun of one day of the site's clock; a moment is null where the sun does not pass it.

    Attributes
    ----------
    date : date
        At the site.
    civil_dawn, sunrise, sunset, civil_dusk : datetime or None
        The sun at 6 degrees below the horizon, and at it.
    morning_blue_start, morning_golden_start, morning_golden_end : datetime or None
        The morning's blue hour ends where its golden hour starts.
    evening_golden_start, evening_golden_end, evening_blue_end : datetime or None
        The evening's blue hour starts where its golden hour ends.
    highest_sun_elevation, lowest_sun_elevation : float
        Of the sun at its full hours; where it never rises or sets they say which.
    """

    date: date
    civil_dawn: datetime | None
    sunrise: datetime | None
    sunset: datetime | None
    civil_dusk: datetime | None
    morning_blue_start: datetime | None
    morning_golden_start: datetime | None
    morning_golden_end: datetime | None
    evening_golden_start: datetime | None
    evening_golden_end: datetime | None
    evening_blue_end: datetime | None
    highest_sun_elevation: Degrees
    lowest_sun_elevation: Degrees


class MemberFacts(Facts, frozen=True):
    """The members' wind and gust at flight height. Each is five columns over the hours.

    Attributes
    ----------
    shares : list of float
        Share of the members at or below each column: the lowest, a tenth, the middle, nine tenths, the highest.
    wind, gust : list of list of float or None
        By share, then by hour.
    """

    shares: list[Share]
    wind: list[list[Speed | None]]
    gust: list[list[Speed | None]]


class HourFacts(Facts, frozen=True):
    """The hours that touch the period, in order: one list for each quantity, all of one length.

    Attributes
    ----------
    start : list of datetime
        Start of the hour; it lasts 3600 s.
    usable_start, usable_end : list of datetime or None
        Its lit part inside the period; null when there is none.
    state : list of str
        inside: the reserve is left of every limit; narrow: no limit is broken, but less than the reserve is left;
        outside: a limit is broken; not known: a required element is missing.
    margin : list of float or None
        Share of the limit that is left, the smallest of the elements: 1 nothing used, 0 at the limit, below 0 beyond.
    limiting_element : list of str or None
        The element with the smallest margin among those known; null when nothing is.
    held_back : list of str or None
        The element whose limit was broken shortly before, which holds the hour back; null for none.
    chance : list of float or None
        That every limit holds in this hour, its light left aside.
    wind_from_direction_at_start, wind_from_direction_at_end : list of float or None
        Where the wind at flight height comes from.
    usable_height : list of float or None
        Highest usable height above ground; 0 where not even the lowest step holds.
    usable_height_ends_by : list of str or None
        The element that ends the climb, ceiling at the height limit.
    cloud_base_is_known : list of bool
        Where it is not, cloud may end the climb lower.
    members : MemberFacts or None
        Null without members.
    """

    start: list[datetime]
    usable_start: list[datetime | None]
    usable_end: list[datetime | None]
    state: list[StateWord]
    margin: list[Share | None]
    limiting_element: list[ElementName | None]
    held_back: list[ElementName | None]
    chance: list[Share | None]
    wind_from_direction_at_start: list[Degrees | None]
    wind_from_direction_at_end: list[Degrees | None]
    usable_height: list[Metres | None]
    usable_height_ends_by: list[str | None]
    cloud_base_is_known: list[bool]
    members: MemberFacts | None


class ElementFacts(Facts, frozen=True):
    """One thing that can stop a flight, over the hours.

    Attributes
    ----------
    name : str
        See the reference page of the elements; return_leg, the way home, only where a sortie was asked for.
    title : str
        Words for people.
    unit : str
        SI unit of demand and limits; grades are 0 none, 1 possible, 2 likely.
    sense : str
        at_most: the demand must not be above the limit; at_least: not below it; within: between two; grade: at most 1;
        lit: minutes of light in the hour.
    is_required : bool
        Whether every hour is not known without it.
    lost_runs : list of list of int
        First and last position of each run of hours that are not known for want of it although it is advised.
    judged : bool
        Whether there is a limit; without one it counts neither way.
    least, most : float or None
        The limit; null where there is none on that side, or where it goes by hours.
    limit_by_hour : list of float or None, or None
        The limit of each hour where it differs between them, on the side that `sense` says; else null.
    demand : list of float or None
        What the hour asks.
    margin : list of float or None
        Share of the limit that is left: 1 nothing used, 0 at the limit, below 0 beyond.
    height : float or None
        For wind and gust: the flight height that they are for; null for the others, or where it goes by hours.
    height_by_hour : list of float or None
        For wind and gust: the height of the phase of the flight that leaves the least, where there are phases.
    """

    name: ElementName
    title: str
    unit: str
    sense: Sense
    is_required: bool
    lost_runs: list[tuple[int, int]]
    judged: bool
    least: float | None
    most: float | None
    limit_by_hour: list[float | None] | None
    demand: list[float | None]
    margin: list[Share | None]
    height: Metres | None
    height_by_hour: list[Metres] | None


class LimitFacts(Facts, frozen=True):
    """What the hours are compared with beside the limits of the elements.

    Attributes
    ----------
    reserve : float
        Share of every limit that the pilot wants left; an hour with less is narrow.
    confidence : float
        Chance with which wind and gust at flight height are not above what they are taken for, as far as the height
        conversion goes.
    rules : str
        Name of the rule set.
    daylight_rule : str
        Which light counts.
    height_limit : float
        Highest flight above ground.
    gust_at_launch : float or None
        Largest gust at 2 m for launching and landing; null for none of its own.
    """

    reserve: Share
    confidence: Share
    rules: str
    daylight_rule: str
    height_limit: Metres
    gust_at_launch: Speed | None


class SiteAnswerFacts(Facts, frozen=True):
    """The answer for one site.

    Attributes
    ----------
    label : str
        Tells the sites of a comparison apart; the name where that suffices, with the height in metres else.
    site : SiteFacts
        Where.
    aircraft : AircraftFacts
        With what.
    height : float
        Flight height above ground.
    forecast : int
        Position in `forecasts`.
    ensembles : list of int
        Positions in `forecasts` of those that give the chance; empty for a single forecast.
    limits : LimitFacts
        Compared with what.
    intent : IntentFacts
        For how long, and how.
    period : Period
        The time asked about.
    not_known : NotKnown
        What the decision needs and does not have.
    windows : list of WindowFacts
        The best first; empty when nothing holds long enough.
    lit_hours : LitHours
        How the lit hours stand.
    chance_basis : ChanceBasis
        What the chances are from.
    outlooks : list of OutlookFacts
        The surest stretch of each day's light, in order of time, whether the one forecast holds there or not.
    changes : list of ChangeFacts
        What would change the answer.
    earlier : list of Earlier
        What earlier runs reported of the same hours, oldest first.
    choice : ChoiceFacts or None
        What became of the window chosen in the run before; null where there was none.
    sortie : SortieFacts or None
        What is to be flown; null where none was asked for.
    survey : SurveyFacts or None
        Work that can stop; null where none was asked for.
    decisions : DecisionFacts or None
        Whether driving out and taking off pay; null without costs.
    days : list of DayFacts
        Light and sun of each day.
    hours : HourFacts
        The hours.
    elements : list of ElementFacts
        Every element over the same hours.
    """

    label: str
    site: SiteFacts
    aircraft: AircraftFacts
    height: Metres
    forecast: int
    ensembles: list[int]
    limits: LimitFacts
    intent: IntentFacts
    period: Period
    not_known: NotKnown
    windows: list[WindowFacts]
    lit_hours: LitHours
    chance_basis: ChanceBasis
    outlooks: list[OutlookFacts]
    changes: list[ChangeFacts]
    earlier: list[Earlier]
    choice: ChoiceFacts | None
    sortie: SortieFacts | None
    survey: SurveyFacts | None
    decisions: DecisionFacts | None
    days: list[DayFacts]
    hours: HourFacts
    elements: list[ElementFacts]


class StandingFacts(Facts, frozen=True):
    """How one site stands in each hour of a comparison.

    Attributes
    ----------
    state : list of str
        Of the hour.
    holds : list of bool
        Whether some lit part of the hour can be used.
    margin : list of float or None
        Of the hour.
    deciding_element : list of str or None
        What stands against the site; null where nothing is known to decide.
    unknown_elements : list of list of str
        Judged elements that are not known.
    """

    state: list[StateWord]
    holds: list[bool]
    margin: list[Share | None]
    deciding_element: list[ElementName | None]
    unknown_elements: list[list[ElementName]]


class ComparisonFacts(Facts, frozen=True):
    """Hours that all sites share: one list for each quantity.

    Attributes
    ----------
    start : list of datetime
        Start of the hour.
    better : list of list of int
        Positions in `sites` of the best: one, several when equal, none when no site holds.
    lead : list of float or None
        How much larger the best margin is than the largest of the others that hold; below 0 where a larger margin has
        something unknown behind it; null when no other holds.
    chance_better : list of list of float or None
        Of two sites: that the first is the better one, that the second is, that neither holds; null for more sites.
    standings : list of StandingFacts
        In the order of `sites`.
    """

    start: list[datetime]
    better: list[list[int]]
    lead: list[Share | None]
    chance_better: list[tuple[Share, Share, Share] | None]
    standings: list[StandingFacts]


class AnswerFacts(Facts, frozen=True):
    """The whole answer.

    Attributes
    ----------
    schema_version : int
        Raised when a key changes its meaning or goes; a new key alone does not raise it.
    program : Program
        What made the answer.
    kind : str
        Which of the three questions.
    question : QuestionFacts or None
        The question in full; null where a briefing was made without one.
    now : datetime
        The moment the answer is given for.
    minimum_duration : int
        Shortest window of use.
    invented : bool
        Whether places or weather are invented: do not fly by it.
    notes : list of Note
        What the reader must know first.
    cautions : list of str
        Show them to whoever reads what you make of the answer.
    unknown : list of Unknown
        Why what is unknown is null.
    units : dict of str to str
        Unit of every quantity by its key, wherever the key stands; demand, limits and amount are in the unit of their
        element.
    forecasts : list of ForecastFacts
        The forecasts that the sites name by position.
    sites : list of SiteAnswerFacts
        In the order asked.
    comparison : ComparisonFacts or None
        Which site is the better one, hour by hour; null for one site.
    """

    schema_version: Literal[3]
    program: Program
    kind: Literal["best", "compare", "week"]
    question: QuestionFacts | None
    now: datetime
    minimum_duration: Seconds
    invented: bool
    notes: list[Note]
    cautions: list[str]
    unknown: list[Unknown]
    units: dict[str, str]
    forecasts: list[ForecastFacts]
    sites: list[SiteAnswerFacts]
    comparison: ComparisonFacts | None


# --- plain values ----------------------------------------------------------------------------------------------


def number(value: float) -> float | None:
    """Return a number rounded so that it is the same on every machine; None for NaN and infinity."""
    return round(float(value), _PLACES) if math.isfinite(value) else None


def _column(values: npt.ArrayLike) -> list[float | None]:
    return [v if math.isfinite(v) else None for v in np.round(np.asarray(values, dtype=float), _PLACES).tolist()]


def _moment(time: np.datetime64) -> datetime:
    moment: datetime = time.astype("datetime64[s]").item()
    return moment.replace(tzinfo=UTC)


def _written(text: str) -> datetime:
    return _moment(np.datetime64(text.rstrip("Z"), "s"))


def _moments(times: npt.NDArray[np.datetime64]) -> list[datetime | None]:
    return [t and t.replace(tzinfo=UTC) for t in times.astype("datetime64[s]").tolist()]


def _maybe(time: np.datetime64) -> datetime | None:
    return None if np.isnat(time) else _moment(time)


def _words(values: Iterable[Any]) -> list[str | None]:
    return [str(value) or None for value in values]


def _seconds(length: np.timedelta64) -> int:
    return int(length / _SECOND)


def _runs(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    return findings.runs(tuple(np.flatnonzero(flags).tolist()))


@cache
def units_of(part: type[Struct] = AnswerFacts) -> Mapping[str, str]:
    """Return the unit of every quantity of a part of the tree by its key.

    Raises
    ------
    TypeError
        For a key with two units.
    """
    found: dict[str, str] = {}

    def add(key: str, unit: str) -> None:
        if found.setdefault(key, unit) != unit:
            raise TypeError(f"the key '{key}' has two units, {found[key]} and {unit}")

    def walk(key: str, kind: Any) -> None:
        for meta in getattr(kind, "__metadata__", ()):
            if "unit" in (meta.extra_json_schema or {}):
                add(key, meta.extra_json_schema["unit"])
        if isinstance(kind, type) and issubclass(kind, Facts):
            for name, unit in units_of(kind).items():
                add(name, unit)
        for inner in typing.get_args(kind):
            walk(key, inner)

    for name, kind in typing.get_type_hints(part, include_extras=True).items():
        walk(name, kind)
    return found


# --- making the tree -------------------------------------------------------------------------------------------


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
    forecasts = [_forecast(briefing, briefing.provenance, is_ensemble=False)]
    forecasts += [_forecast(briefing, one, is_ensemble=True) for one in briefing.ensembles]
    labels = sentences.labels(briefing, "metric")
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
        schema_version=3,
        program=Program("wxfly", __version__),
        kind=briefing.question,
        question=None if question is None else _question(question),
        now=_moment(briefing.now),
        minimum_duration=_seconds(briefing.minimum_duration),
        invented=sentences.is_invented(briefing),
        notes=[Note(kind_of(note).name.lower(), str(note)) for note in briefing.notes],
        cautions=list(phrases.CAUTIONS),
        unknown=unknown,
        units=dict(units_of()),
        forecasts=forecasts,
        sites=sites,
        comparison=_comparison(briefing) if briefing.question == "compare" else None,
    )


def _question(question: Question) -> QuestionFacts:
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
        forecast_asked=ForecastAsked(
            asked.model,
            None if asked.path is None else asked.path.name,
            asked.offline,
            None if asked.as_of is None else _maybe(asked.as_of),
            list(asked.ensembles),
            asked.uses_site_record,
        ),
        day=question.day,
        first_day=question.first_day,
        day_count=question.days,
        toward=question.toward,
        prefers_low_light=question.prefers_low_light,
        sortie_asked=None
        if sortie is None
        else SortieAsked(
            sortie.distance,
            sortie.return_height,
            round(sortie.work_time),
            sortie.batteries,
            sortie.reserve,
            sortie.battery_temperature,
            sortie.payload,
        ),
        confidence_of_return=question.confidence,
        ranks_anew=question.ranks_anew,
        display_units=question.units,
        display_time_zone=question.time_zone,
    )


def _forecast(briefing: Briefing, provenance: ForecastOrigin, *, is_ensemble: bool) -> ForecastFacts:
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
        run=_maybe(provenance.run),
        retrieved=_maybe(provenance.retrieved),
        age=None if np.isnat(age) else _seconds(age),
        age_counts_from=since,
    )


def _site_answer(answer: SiteAnswer, label: str, ensembles: list[int]) -> SiteAnswerFacts:
    request, site, aircraft, limits = (
        answer.request,
        answer.request.site,
        answer.request.aircraft,
        answer.request.limits,
    )
    found = findings.gaps(answer)
    launch = limits.maximum_gust_at_launch
    intent = request.intent
    return SiteAnswerFacts(
        label=label,
        site=SiteFacts(
            site.name,
            site.latitude,
            site.longitude,
            None if site.surface_altitude is None else number(site.surface_altitude),
            site.time_zone,
            site.surface_cover,
            site.is_demo,
        ),
        aircraft=AircraftFacts(
            aircraft.name, aircraft.title, aircraft.kind, number(sight(np.array([np.nan]), aircraft)[0])
        ),
        height=request.height,
        forecast=0,
        ensembles=ensembles,
        limits=LimitFacts(
            limits.reserve,
            limits.confidence,
            limits.rules,
            limits.daylight_rule,
            limits.height_ceiling,
            None if launch is None else number(launch),
        ),
        intent=IntentFacts(
            _seconds(intent.planned), _seconds(intent.contingency), intent.survey_hours or None, intent.hold_hours
        ),
        period=Period(_moment(answer.start), _moment(answer.end)),
        not_known=NotKnown(
            [gap.element for gap in found if gap.required],
            [gap.element for gap in found if not gap.required],
            list(answer.assessment.attrs["not_judged"]),
        ),
        windows=[_window(answer, rank, w) for rank, w in enumerate(answer.windows, start=1)],
        lit_hours=_lit_hours(answer),
        chance_basis=_chance_basis(answer),
        outlooks=[_outlook(o) for o in answer.outlooks],
        changes=[_change(c) for c in answer.changes],
        earlier=[Earlier(_written(run), number(chance)) for run, chance in answer.earlier],
        choice=_choice(answer),
        sortie=_sortie(answer),
        survey=_survey(answer),
        decisions=_decisions(answer),
        days=_days(answer),
        hours=_hours(answer),
        elements=_elements(answer),
    )


def _chance(chance: Chance | None) -> tuple[float | None, list[CauseFacts]]:
    if chance is None or math.isnan(chance.value):
        return None, []
    causes = [CauseFacts(c.element, round(c.share, _PLACES), round(c.sole_share, _PLACES)) for c in chance.causes]
    return number(chance.value), causes


def _outlook(outlook: Outlook) -> OutlookFacts:
    kind = typing.cast(Literal["firm", "open", "faint", "not known"], outlook.kind)
    return OutlookFacts(_moment(outlook.start), _moment(outlook.end), kind, *_chance(outlook.chance))


def _window(answer: SiteAnswer, rank: int, window: Window) -> WindowFacts:
    part = slice(window.first, window.last + 1)
    usable = findings.usable_height_of(answer, window)
    visibility = answer.conditions["visibility_in_air"].isel(time=part).values
    chance, causes = _chance(window.chance)
    seen, decided_by = sight(visibility, answer.request.aircraft)
    return WindowFacts(
        rank=rank,
        start=_moment(window.start),
        end=_moment(window.end),
        state=_state(window.state),
        margin=number(window.margin),
        limiting_element=window.limiting_element,
        limiting_hour=_moment(answer.assessment["time"].values[findings.deciding_hour(answer, window)]),
        advised_not_known=list(window.unknown),
        within=Period(_moment(window.within_start), _moment(window.within_end)),
        chance=chance,
        causes=causes,
        surest=None if window.surest is None else _outlook(window.surest),
        usable_height=number(usable.height),
        usable_height_ends_by=usable.ends_by or None,
        cloud_base_is_known=usable.cloud_base_is_known,
        sight_range=number(seen),
        sight_decided_by=typing.cast(Literal["size", "visibility"] | None, decided_by or None),
        visibility_is_known=not bool(np.isnan(visibility).any()),
    )


def _state(state: int) -> StateWord:
    return State(int(state)).words


def _lit_hours(answer: SiteAnswer) -> LitHours:
    count = findings.count_hours(answer)
    longest = findings.longest_stretch(answer, answer.start, answer.end)
    times = answer.assessment["time"].values
    return LitHours(
        count.lit,
        count.holding,
        count.not_known,
        count.deciding or None,
        count.deciding_hours,
        None if count.nearest is None else _moment(times[count.nearest]),
        None if longest is None else Period(*map(_moment, longest)),
    )


def _chance_basis(answer: SiteAnswer) -> ChanceBasis:
    sureness = answer.sureness
    if sureness is None:
        return ChanceBasis(1, [], True, [], [])
    return ChanceBasis(
        sureness.members,
        list(sureness.models),
        sureness.is_weak,
        list(map(str, sureness.notes)),
        list(sureness.by_percentiles),
    )


def _change(change: Change) -> ChangeFacts:
    window = change.window
    return ChangeFacts(
        change.kind,
        None if window is None else Period(_moment(window.start), _moment(window.end)),
        number(change.height),
        change.aircraft or None,
        change.element or None,
        number(change.amount),
    )


def _choice(answer: SiteAnswer) -> ChoiceFacts | None:
    choice = answer.choice
    if choice is None:
        return None
    return ChoiceFacts(
        choice.verdict, _written(choice.run), _moment(choice.start), _moment(choice.end), number(choice.chance)
    )


def _sortie(answer: SiteAnswer) -> SortieFacts | None:
    sortie, missing, worst = answer.request.sortie, answer.request.energy_missing, answer.way_home
    if sortie is None and not missing:
        return None
    planned = (
        None
        if sortie is None
        else PlanFacts(
            sortie.plan.distance,
            sortie.plan.direction,
            round(sortie.plan.work_time),
            sortie.plan.return_height,
            sortie.plan.reserve,
            sortie.plan.confidence,
            sortie.batteries,
        )
    )
    most_demanding = (
        None
        if worst is None
        else WorstFacts(
            _moment(worst.moment),
            number(float(worst.budget.needed_share)),
            number(float(worst.budget.charge_at_turn)),
            number(float(worst.budget.latest_turn)),
            number(worst.flight_time),
        )
    )
    return SortieFacts(sortie is not None, list(missing), planned, most_demanding)


def _survey(answer: SiteAnswer) -> SurveyFacts | None:
    survey = answer.survey
    if survey is None:
        return None
    surer = None if survey.surer is None else _laid(survey.surer)
    return SurveyFacts(survey.hours, survey.found, _laid(survey), surer)


def _laid(survey: Survey) -> LaidWork:
    return LaidWork([_spell(spell) for spell in survey.spells], *_chance(survey.chance))


def _spell(spell: Spell) -> SpellFacts:
    return SpellFacts(_moment(spell.start), _moment(spell.end), spell.is_work)


def _decisions(answer: SiteAnswer) -> DecisionFacts | None:
    costs = answer.request.intent.costs
    if costs is None:
        return None
    found = chance_for_costs(answer)
    chance = math.nan if found is None else found.value
    count = findings.count_hours(answer)
    is_known = not math.isnan(chance) or (found is None and count.not_known < count.lit)
    return DecisionFacts(
        chance=number(chance),
        least_chance_to_drive=round(costs.least_chance_to_drive, _PLACES),
        drive_out=drives_out(chance, costs) if is_known else None,
        risk=number(1.0 - chance),
        largest_risk_to_take_off=round(costs.largest_risk_to_take_off, _PLACES),
        take_off=takes_off(chance, costs) if is_known else None,
        members_needed=costs.members_needed,
    )


def _days(answer: SiteAnswer) -> list[DayFacts]:
    site, clock = answer.request.site, phrases.Clock(answer.request.site.time_zone)
    days = []
    for day in findings.days_of(answer, clock):
        sun = findings.sun_of(answer, day, clock)
        low = low_light(site.latitude, site.longitude, solar_day(site.longitude, clock.noon(day.date)), 1)
        days.append(
            DayFacts(
                date=day.date,
                **{name: _maybe(getattr(sun.events, name)[0]) for name in sun.events._fields},
                **{name: _maybe(getattr(low, name)[0]) for name in low._fields},
                highest_sun_elevation=round(sun.highest, 1),
                lowest_sun_elevation=round(sun.lowest, 1),
            )
        )
    return days


def _hours(answer: SiteAnswer) -> HourFacts:
    assessment, heights = answer.assessment, answer.heights
    times = assessment["time"].values
    nothing = [""] * times.size
    usable_start, usable_end = findings.usable_parts(answer)
    direction = answer.conditions["wind_from_direction"].transpose("edge", "time").values
    held = assessment["held_back"].values if "held_back" in assessment else nothing
    chance = np.full(times.size, np.nan) if answer.sureness is None else answer.sureness.hours.values
    return HourFacts(
        start=[_moment(time) for time in times],
        usable_start=_moments(usable_start),
        usable_end=_moments(usable_end),
        state=[_state(state) for state in assessment["state"].values],
        margin=_column(assessment["hour_margin"].values),
        limiting_element=_words(assessment["limiting_element"].values),
        held_back=_words(held),
        chance=_column(chance),
        wind_from_direction_at_start=_column(direction[0]),
        wind_from_direction_at_end=_column(direction[-1]),
        usable_height=_column(heights["usable_height"].values),
        usable_height_ends_by=_words(heights["usable_height_ends_by"].values),
        cloud_base_is_known=heights["cloud_base_is_known"].values.tolist(),
        members=_members(answer),
    )


def _members(answer: SiteAnswer) -> MemberFacts | None:
    if answer.sureness is None or answer.sureness.band is None:
        return None
    band = answer.sureness.band.transpose("share", "time")
    wind, gust = ([_column(row) for row in band[name].values] for name in ("wind_speed", "wind_speed_of_gust"))
    return MemberFacts(band["share"].values.tolist(), wind, gust)


def _elements(answer: SiteAnswer) -> list[ElementFacts]:
    assessment = answer.assessment
    demand, limit, margin = (
        assessment[name].transpose("element", "time").values for name in ("demand", "limit", "margin")
    )
    counts = counts_as_required(assessment.transpose("element", "time", ...))
    skipped, required = assessment.attrs["not_judged"], assessment.attrs["required"]
    phases = assessment["phase_height"].transpose("element", "time").values if "phase_height" in assessment else None
    rows = []
    for k, name in enumerate(names_of(assessment)):
        row = BY_NAME[name]
        least, most, by_hour = _limits(answer, row.sense, limit[k])
        is_aloft = name in ("wind", "gust")
        rows.append(
            ElementFacts(
                name=name,
                title=row.title,
                unit=row.units,
                sense=row.sense,
                is_required=name in required,
                lost_runs=[] if name in required else _runs(counts[k] & np.isnan(margin[k])),
                judged=name not in skipped,
                least=least,
                most=most,
                limit_by_hour=by_hour,
                demand=_column(demand[k]),
                margin=_column(margin[k]),
                height=number(answer.request.height) if is_aloft and phases is None else None,
                height_by_hour=phases[k].tolist() if is_aloft and phases is not None else None,
            )
        )
    return rows


def _limits(
    answer: SiteAnswer, sense: str, of_hours: npt.NDArray[np.float64]
) -> tuple[float | None, float | None, list[float | None] | None]:
    """Return the least, the most, and the limit of each hour where it differs between them."""
    if sense == "within":
        limits = answer.request.limits
        return number(limits.minimum_temperature), number(limits.maximum_temperature), None
    if not of_hours.size or not (of_hours == of_hours[0]).all():
        return None, None, None if np.isnan(of_hours).all() else _column(of_hours)
    limit = number(of_hours[0])
    return (limit, None, None) if LIMIT_RULES[sense].is_least else (None, limit, None)


def _reasons(position: int, answer: SiteAnswer, site: SiteAnswerFacts) -> list[Unknown]:
    """Say why what is null at a site is unknown."""
    reasons: list[Unknown] = []

    def add(key: str, reason: str, flags: npt.NDArray[np.bool_] | None = None) -> None:
        if flags is None:
            reasons.append(Unknown(position, key, [], reason))
        elif flags.any():
            reasons.append(Unknown(position, key, _runs(flags), reason))

    def missing(values: Sequence[object]) -> npt.NDArray[np.bool_]:
        return np.array([value is None for value in values], dtype=bool)

    skipped = answer.assessment.attrs["not_judged"]
    for k, name in enumerate(names_of(answer.assessment)):
        element = site.elements[k]
        lost = np.zeros(len(element.margin), dtype=bool)
        for first, last in element.lost_runs:
            lost[first : last + 1] = True
        unknown = missing(element.margin)
        if name in skipped:
            add(f"elements.{name}", "the aircraft gives no limit" if name != RETURN_LEG.name else _no_energy(answer))
            unknown = missing(element.demand)
        add(f"elements.{name}", "the forecast of the hour has lost a value that its source carries", unknown & lost)
        add(f"elements.{name}", "the forecast gives no value that it can be worked out from", unknown & ~lost)
    if RETURN_LEG.name in skipped and RETURN_LEG.name not in names_of(answer.assessment):
        add(f"elements.{RETURN_LEG.name}", _no_energy(answer))
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


def _no_energy(answer: SiteAnswer) -> str:
    return sentences.energy_missing(answer)


def _comparison(briefing: Briefing) -> ComparisonFacts:
    compared = summary.compared_hours(briefing)
    return ComparisonFacts(
        start=[_moment(hour.time) for hour in compared],
        better=[list(hour.better) for hour in compared],
        lead=[number(hour.lead) for hour in compared],
        chance_better=[_chance_better(briefing, hour.time) for hour in compared],
        standings=[
            StandingFacts(
                [_state(s.state) for s in of_site],
                [s.holds for s in of_site],
                [number(s.margin) for s in of_site],
                [s.deciding or None for s in of_site],
                [list(s.unknown) for s in of_site],
            )
            for of_site in ([hour.standings[i] for hour in compared] for i in range(len(briefing.answers)))
        ],
    )


def _chance_better(briefing: Briefing, time: np.datetime64) -> tuple[float, float, float] | None:
    at = int(np.searchsorted(briefing.answers[0].assessment["time"].values, time))
    shares = chances.better_of_two(briefing, at, at)
    if shares is None or any(math.isnan(s) for s in shares):
        return None
    first, second, neither = (round(s, _PLACES) for s in shares)
    return first, second, neither


# --- the schema ------------------------------------------------------------------------------------------------


def described(part: type[Struct]) -> dict[str, str]:
    """Return what the docstring of a part of the tree says of each of its keys."""
    _, _, attributes = inspect.cleandoc(part.__doc__ or "").partition("Attributes\n----------\n")
    found = {}
    for names, text in re.findall(r"^(\S[^:\n]*) : [^\n]*\n((?:    .*\n?)+)", attributes, flags=re.MULTILINE):
        for name in names.split(", "):
            found[name] = " ".join(text.split())
    return found


def parts(part: type[Struct] = AnswerFacts) -> dict[str, type[Struct]]:
    """Return the parts of the tree by name, each before those in it."""
    found = {part.__name__: part}

    def walk(kind: Any) -> None:
        if isinstance(kind, type) and issubclass(kind, Facts):
            for name, inner in parts(kind).items():
                found.setdefault(name, inner)
        for inner_kind in typing.get_args(kind):
            walk(inner_kind)

    for kind in typing.get_type_hints(part).values():
        walk(kind)
    return found


def schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) that every answer follows, made from the types."""
    made = json.schema(AnswerFacts)
    for name, part in parts().items():
        definition = made["$defs"][name]
        definition["description"] = (part.__doc__ or "").partition("\n")[0]
        for key, text in described(part).items():
            definition["properties"][key]["description"] = text
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "An answer of wxfly", **made}


def to_json(briefing: Briefing, question: Question | None = None) -> str:
    """Return the facts of a briefing as one line of JSON; what may not leave as it is stands by its number."""
    return escaped(json.encode(facts_of(briefing, question)).decode())
