"""The flight: the sortie and its way back, work that can stop, whether it pays, and what to know beside the limits."""

from __future__ import annotations

import math
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from wxfly.answer import findings
from wxfly.answer.request import SiteAnswer
from wxfly.answer.survey import Survey
from wxfly.answer.windows import Window
from wxfly.flight.advice import Advice, precipitation_words
from wxfly.physics.air.cloud import CloudBaseMethod
from wxfly.physics.air.risk import POSSIBLE_FROM
from wxfly.physics.geomagnetic import describe_kp, kp_risk
from wxfly.physics.sun import CIVIL_TWILIGHT, HORIZON
from wxfly.physics.wind.profile import METHODS_FROM_ONE_LEVEL
from wxfly.pilot.work import PlannedWork, drives_out, takes_off
from wxfly.report.facts.values import (
    Degrees,
    Facts,
    FlightTime,
    Hours,
    Kelvins,
    Metres,
    Seconds,
    Share,
    Speed,
    moment_of,
    number,
    seconds,
    share,
)
from wxfly.report.facts.windows import CauseFacts, chance_and_causes
from wxfly.report.facts.writing import amount, in_ten, way

if TYPE_CHECKING:
    from wxfly.flight.return_leg import WorstMoment
    from wxfly.flight.sortie import Sortie


COLD_FOR_PACKS, WARM_PACK = 283.15, 288.15
"""Air below which packs are kept warm, and how warm until take-off [K]; common practice, no source."""
# Bounds from which advice is given; common practice, no source, but for the bound of unstable air (US weather service).
LITTLE_THRUST = 0.10
"""Share of thrust in hand [1]."""
LIKELY_RAIN = 0.3
"""Probability of precipitation [1]."""
UNSTABLE_AIR = 1000.0
"""Convective available potential energy [J kg-1]."""


class AdviceFacts(Facts, frozen=True):
    """What to know of a window beside its limits; advice alone."""

    lowest_sun: Degrees | None
    highest_sun: Degrees | None
    """Elevation of the sun, lowest and highest; null where it is not reported."""
    sun_azimuth: Degrees
    """At the middle of the window."""
    light: list[str]
    """Photographers' words for the light, in order."""
    longest_shadow: Share | None
    """Longest shadow of an object one metre high; null while the sun is down."""
    glare: bool | None
    """Whether the pilot looks into a low sun at some time; null without a direction."""
    is_twilight: bool
    """Whether part of it is before sunrise or after sunset."""
    is_night: bool
    """Whether part of it is night, with the sun lower than in civil twilight."""
    hands: str | None
    """Advice on cold hands."""
    wind_chill: Kelvins | None
    """The lowest."""
    heat: str | None
    """Advice on heat."""
    heat_index: Kelvins | None
    """The highest."""
    wind_over_hill: Speed | None
    """What may occur at flight height over the hill; null without one."""
    hill_in_range: bool
    """Whether hill and wind are within the guideline's range."""
    jet_above: bool
    """Whether a low-level jet lies above."""
    wind_from_one_level: bool
    """Whether the wind at flight height is carried up from one near the ground."""
    gust_is_worked_out: bool
    """Whether the forecast has no gusts."""
    cloud_base_is_estimate: bool
    """Whether the cloud base is worked out from humidity."""
    storm_beside: bool
    """Whether a thunderstorm is forecast in it or in the hour before or after."""
    convective_energy: float | None
    """Largest convective available potential energy [J kg-1]."""
    precipitation: list[str]
    """Kinds and strengths that are forecast."""
    precipitation_probability: Share | None
    """The largest; null where it is unknown."""
    kp: str | None
    """What to expect of position fixes; null for nothing."""
    coldest: Kelvins | None
    """Air near the ground."""
    icing_possible: bool
    """Whether icing in flight is possible in some hour."""
    freezing_chance: Share
    """Largest chance of freezing precipitation."""
    frost: bool
    """Whether frost may form on an aircraft parked outside."""
    spare_thrust: Share | None
    """Over the maker's highest take-off altitude; null where that is not given."""


def advice_facts(answer: SiteAnswer, window: Window, advice: Advice) -> AdviceFacts:
    """Return what to know of a window of an answer."""
    part = answer.conditions.isel(time=slice(window.first, window.last + 1))
    near = answer.conditions.isel(time=slice(max(window.first - 1, 0), window.last + 2))
    falls = zip(part["weather_code"].max("edge").values, part["precipitation_rate"].max("edge").values, strict=True)
    kp, place = part["kp_index"].max().item(), part["geomagnetic_latitude"].max().item()
    low, high = advice.sun_elevation
    return AdviceFacts(
        lowest_sun=number(low),
        highest_sun=number(high),
        sun_azimuth=advice.sun_azimuth,
        light=list(advice.light),
        longest_shadow=number(advice.shadow_length[1]),
        glare=advice.glare,
        is_twilight=low < HORIZON,
        is_night=low < CIVIL_TWILIGHT,
        hands=advice.hands or None,
        wind_chill=number(advice.wind_chill),
        heat=advice.heat or None,
        heat_index=number(advice.heat_index),
        wind_over_hill=number(advice.wind_over_hill),
        hill_in_range=advice.hill_in_range,
        jet_above=bool((part["low_level_jet"].values > 0).any()),
        wind_from_one_level=bool(np.isin(part["wind_method"].values, METHODS_FROM_ONE_LEVEL).any()),
        gust_is_worked_out=bool(np.isnan(answer.conditions["gust_at_10m"].values).all()),
        cloud_base_is_estimate=bool((part["cloud_base_method"].values == CloudBaseMethod.CONDENSATION_LEVEL).any()),
        storm_beside=bool((near["thunderstorm_risk"].values == 2).any()),
        convective_energy=number(part["atmosphere_convective_available_potential_energy"].max().item()),
        precipitation=sorted({words for c, r in falls if (words := precipitation_words(float(c), float(r)))}),
        precipitation_probability=number(findings.conditions_of(answer, window).precipitation_probability),
        kp=describe_kp(kp, place) if kp_risk(kp, place) > 0 else None,
        coldest=number(part["air_temperature_near_ground"].min().item()),
        icing_possible=bool((part["icing_risk"].values > 0).any()),
        freezing_chance=findings.freezing_chance(answer, window),
        frost=advice.frost,
        spare_thrust=number(advice.spare_thrust),
    )


def what_to_mind(advice: AdviceFacts, units: str) -> list[str]:
    """Return in words what to mind, the gravest first; twilight and night are left to `after_sunset`."""
    return [
        *of_the_storm(advice),
        *_of_icing(advice),
        *_of_the_wind(advice, units),
        *_of_precipitation(advice),
        *_of_the_pilot(advice, units),
        *_of_the_machine(advice, units),
        *(["the cloud base is an estimate from humidity: look up before you take off"] * advice.cloud_base_is_estimate),
        *([advice.kp] if advice.kp else []),
    ]


def after_sunset(advice: AdviceFacts, light: str | None) -> str:
    """Return the note that part of it is twilight or night, with the light that the rules require; empty by day."""
    if not advice.is_twilight:
        return ""
    part = "night: you see the aircraft by its light alone" if advice.is_night else "twilight"
    asked = f"the rules ask for {light}" if light else "a light on the aircraft may be asked for"
    return f"part of it is {part}; {asked}"


def of_the_storm(advice: AdviceFacts) -> list[str]:
    """Return warnings of a thunderstorm next to the window, and of air in which one may build."""
    text = []
    if advice.storm_beside:
        text.append(
            "a thunderstorm in the hour before or after: keep 10 km away, and wait 30 min after the last thunder"
        )
    energy = advice.convective_energy or 0.0
    if energy >= UNSTABLE_AIR:
        text.append(f"unstable air ({energy:.0f} J/kg): a storm may build without rain in the forecast; watch the sky")
    return text


def _of_icing(advice: AdviceFacts) -> list[str]:
    """Return warnings of icing in flight, first of precipitation that freezes; empty where none is possible."""
    if not advice.icing_possible:
        return []
    if advice.freezing_chance < POSSIBLE_FROM:
        return ["icing in flight is possible: rotors and sensors take on ice in cloud, fog or precipitation"]
    likely = in_ten(advice.freezing_chance)
    return [f"freezing drizzle and icing in flight {likely}: land at the first drop"]


def _of_the_wind(advice: AdviceFacts, units: str) -> list[str]:
    text = []
    if advice.wind_over_hill is not None:
        fast = amount(advice.wind_over_hill, "wind", units)
        hill = f"over the hill the wind may reach {fast}, more than the limits were compared with"
        if not advice.hill_in_range:
            hill += " (hill or wind outside the guideline's range: its largest factor is taken)"
        text += [hill, "the lee side is turbulent"]
    if advice.jet_above:
        text.append("a jet of wind lies above: the wind may rise fast with height or come down in gusts")
    if advice.wind_from_one_level:
        text.append("the wind at your height is an estimate from one level of the forecast, least sure at night")
    if advice.gust_is_worked_out:
        text.append("the forecast has no gusts: they are worked out from the mean wind, and may be off by several m/s")
    return text


def _of_precipitation(advice: AdviceFacts) -> list[str]:
    likely = advice.precipitation_probability or 0.0
    text = [f"precipitation {in_ten(likely)}, whatever the amount says"] if likely >= LIKELY_RAIN else []
    return text + [f"{words} forecast" for words in advice.precipitation]


def _of_the_pilot(advice: AdviceFacts, units: str) -> list[str]:
    felt = ((advice.hands, "wind chill", advice.wind_chill), (advice.heat, "heat index", advice.heat_index))
    return [
        f"{words} ({name} {amount(value, 'temperature', units)})"
        for words, name, value in felt
        if words and value is not None
    ]


def _of_the_machine(advice: AdviceFacts, units: str) -> list[str]:
    text = []
    if advice.spare_thrust is not None and advice.spare_thrust < LITTLE_THRUST:
        left = max(advice.spare_thrust, 0.0)
        text.append(f"thin air: {100 * left:.0f} % of thrust in hand over the maker's highest take-off altitude")
    if advice.coldest is not None and advice.coldest < COLD_FOR_PACKS:
        text.append(f"keep the packs above {amount(WARM_PACK, 'temperature', units)} until take-off")
    if advice.frost:
        apart = "too" if advice.icing_possible else "which is no icing in flight"
        text.append(f"a machine left outside may be white with frost, {apart}: wipe rotors and lens")
    return text


class PlanFacts(Facts, frozen=True):
    """What is to be flown."""

    distance: Metres
    """To the farthest point, over ground."""
    direction: Degrees | None
    """Toward it; null is compared with the most demanding of all."""
    work_time: Seconds
    """At the farthest point."""
    return_height: Metres
    """Height of the way back above ground."""
    battery_reserve: Share
    """Share of a battery to land with."""
    confidence: Share
    """How sure energy and way back must be."""
    batteries: int
    """How many are charged."""


SIGHT_TOLERANCE = 0.5
"""How far beyond the sight range a sortie may go before it is told [m]."""


def out_of_sight(plan: PlanFacts, sight_range: float | None, units: str) -> str:
    """Return a warning where a sortie goes farther than the pilot sees how the aircraft points; else empty."""
    if sight_range is None or not plan.distance > sight_range + SIGHT_TOLERANCE:
        return ""
    far, seen = way(plan.distance, units), amount(sight_range, "height", units)
    return f"{far} is beyond {seen}, where you still see which way it points: only as local rules allow"


class WorstFacts(Facts, frozen=True):
    """The moment of the best window that asks the most of the sortie."""

    moment: datetime
    """When that is."""
    needed_share: Share | None
    """Share of a battery needed, reserve included; null where it is unknown or cannot be flown."""
    charge_at_turn: Share | None
    """Charge that must be shown when leaving for home, of a full battery."""
    latest_turn: FlightTime | None
    """Time after take-off at which to leave for home at the latest."""
    flight_time: FlightTime | None
    """Time from take-off to the latest landing on one battery; 0 where the sortie does not come home."""
    refusal: str | None
    """Why it cannot be flown, whatever the battery; null where it can."""
    flights: int
    """How many flights the batteries allow in the window."""
    time_in_air: FlightTime | None
    """Time in the air, all these flights together."""


class SortieFacts(Facts, frozen=True):
    """A planned sortie; the way back is then the element return_leg."""

    judged: bool
    """Whether the way back is judged; where not, no chance counts it."""
    missing_figures: list[str]
    """Figures of the aircraft that are missing where it is not."""
    plan: PlanFacts | None
    """Null where it is not judged."""
    worst: WorstFacts | None
    """Null without a window."""


class WorkFacts(Facts, frozen=True):
    """What the pilot means to do."""

    planned: Seconds
    """The time that the work takes when all goes well."""
    contingency: Seconds
    """Kept in hand for what may go wrong; windows are at least as long as both together."""
    survey_hours: Hours | None
    """Hours of work that can stop and go on later; null for none."""
    wait_hours: Hours
    """Waiting hours after one over the wind or gust limit."""


class SpellFacts(Facts, frozen=True):
    """A stretch of work or of waiting, in full hours."""

    start: datetime
    end: datetime
    """Its ends."""
    work: bool
    """Whether it is work; else it is a wait."""


class LaidWork(Facts, frozen=True):
    """Work laid into the hours."""

    spells: list[SpellFacts]
    """Work and waits in turn, beginning and ending with work."""
    chance: Share | None
    """Chance that every limit holds in every hour of work."""
    causes: list[CauseFacts]
    """What may break a limit, the largest share first."""


class SurveyFacts(Facts, frozen=True):
    """How work that can stop is laid into the hours that hold."""

    wanted_hours: Hours
    """Hours of work asked for."""
    found_hours: Hours
    """Full hours that hold, up to those asked for; with fewer the work does not fit."""
    laid: LaidWork
    """The earliest first."""
    surer: LaidWork | None
    """The same work within one later day, where that is surer by more than a step; null where it is not."""


class DecisionFacts(Facts, frozen=True):
    """Two decisions by the pilot's own costs; advice, each compared with its own threshold."""

    chance: Share | None
    """Chance of the best window's surest stretch; null without a window."""
    least_chance_to_drive: Share
    """Driving out pays above this chance; above 1 it never does."""
    drive_out: bool | None
    """Whether driving out pays."""
    risk: Share | None
    """Chance that a limit is broken."""
    largest_risk_to_take_off: Share
    """Taking off pays below this risk."""
    take_off: bool | None
    """Whether taking off would pay on this forecast."""
    members_needed: int
    """Members needed to show a risk as small as that."""
    least_risk_shown: Share | None
    """The smallest risk that the members, or the one forecast, can show; null where there is none."""


def sortie_facts(answer: SiteAnswer) -> SortieFacts | None:
    """Return what is to be flown and what it asks of the best window."""
    sortie, missing, worst = answer.request.sortie, answer.request.energy_missing, answer.return_leg
    if sortie is None and not missing:
        return None
    most_demanding = None if worst is None or sortie is None else _worst(answer, worst, sortie)
    return SortieFacts(
        sortie is not None, list(missing), None if sortie is None else plan_facts(sortie), most_demanding
    )


def plan_facts(sortie: Sortie) -> PlanFacts:
    """Return what is to be flown."""
    plan = sortie.plan
    return PlanFacts(
        distance=plan.distance,
        direction=plan.direction,
        work_time=round(plan.work_time),
        return_height=plan.return_height,
        battery_reserve=plan.reserve,
        confidence=plan.confidence,
        batteries=sortie.batteries,
    )


def _worst(answer: SiteAnswer, worst: WorstMoment, sortie: Sortie) -> WorstFacts:
    """Return the moment of the best window that asks the most, and what the batteries make of the window."""
    # Only flights that are planned need the rotors; the other answers start faster without.
    from wxfly.flight.sortie import Refusal, flights_in_window

    length = 0.0 if answer.best is None else float(seconds(answer.best.length))
    flights = flights_in_window(length, worst.flight_time, sortie.batteries)
    return WorstFacts(
        moment=moment_of(worst.moment),
        needed_share=number(float(worst.budget.needed_share)),
        charge_at_turn=number(float(worst.budget.charge_at_turn)),
        latest_turn=number(float(worst.budget.latest_turn)),
        flight_time=number(worst.flight_time),
        refusal=Refusal(int(worst.budget.refusal)).words or None,
        flights=flights.begun,
        time_in_air=number(flights.time_in_air),
    )


def survey_facts(answer: SiteAnswer) -> SurveyFacts | None:
    """Return how work that can stop is laid into the hours."""
    survey = answer.survey
    if survey is None:
        return None
    surer = None if survey.surer is None else _laid(survey.surer)
    return SurveyFacts(survey.hours, survey.found, _laid(survey), surer)


def _laid(survey: Survey) -> LaidWork:
    return LaidWork(
        [SpellFacts(moment_of(s.start), moment_of(s.end), s.is_work) for s in survey.spells],
        *chance_and_causes(survey.chance),
    )


def decision_facts(answer: SiteAnswer, window: Window | None = None) -> DecisionFacts | None:
    """Return whether driving out and taking off pay by the pilot's own costs, in the best window or another."""
    costs = answer.request.work.costs
    if costs is None:
        return None
    found = findings.chance_for_costs(answer, window)
    chance = math.nan if found is None else found.value
    count = findings.count_hours(answer)
    is_known = not math.isnan(chance) or (found is None and count.not_known < count.lit)
    return DecisionFacts(
        chance=number(chance),
        least_chance_to_drive=share(costs.least_chance_to_drive),
        drive_out=drives_out(chance, costs) if is_known else None,
        risk=number(1.0 - chance),
        largest_risk_to_take_off=share(costs.largest_risk_to_take_off),
        take_off=takes_off(chance, costs) if is_known else None,
        members_needed=costs.members_needed,
        least_risk_shown=None if found is None else number(findings.least_risk_shown(answer, found)),
    )


def work_facts(work: PlannedWork) -> WorkFacts:
    """Return for how long, and how."""
    return WorkFacts(seconds(work.planned), seconds(work.contingency), work.survey_hours or None, work.wait_hours)
