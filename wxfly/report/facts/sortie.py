"""What the pilot means to do: the sortie and its way back, work that can stop, and whether it pays."""

from __future__ import annotations

import math
from datetime import datetime
from typing import TYPE_CHECKING

from wxfly.answer import findings
from wxfly.answer.request import SiteAnswer
from wxfly.answer.survey import Spell, Survey
from wxfly.answer.windows import Window
from wxfly.physics.probability import least_chance
from wxfly.pilot.work import Intent, drives_out, takes_off
from wxfly.probability.chance import Chance
from wxfly.report.facts.values import (
    Degrees,
    Facts,
    FlightTime,
    Hours,
    Metres,
    Seconds,
    Share,
    moment_of,
    number,
    seconds,
    share,
)
from wxfly.report.facts.windows import CauseFacts, chance_and_causes

if TYPE_CHECKING:
    from wxfly.flight.return_leg import Sortie, WorstMoment


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
    """Of one battery, take-off to landing at the latest; 0 where the sortie does not come home."""
    refusal: str | None
    """Why it cannot be flown, whatever the battery; null where it can."""
    flights: int
    """How many flights the batteries allow in the window."""
    time_in_air: FlightTime | None
    """Of these flights together."""


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


class IntentFacts(Facts, frozen=True):
    """What the pilot means to do."""

    planned: Seconds
    """The time that the work takes when all goes well."""
    contingency: Seconds
    """Kept in hand for what may go wrong; windows are at least as long as both together."""
    survey_hours: Hours | None
    """Hours of work that can stop and go on later; null for none."""
    wait_hours: Hours
    """Hours held back after one over the wind or gust limit."""


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
    """That every limit holds in every hour of work."""
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
    """Of the best window's surest stretch; null without a window."""
    least_chance_to_drive: Share
    """Driving out pays above this chance; above 1 it never does."""
    drive_out: bool | None
    """Whether driving out pays."""
    risk: Share | None
    """Of a broken limit."""
    largest_risk_to_take_off: Share
    """Taking off pays below this risk."""
    take_off: bool | None
    """Whether taking off would pay on this forecast."""
    members_needed: int
    """Members that can tell a risk as small as that."""
    least_risk_shown: Share | None
    """The smallest risk that the members, or the one forecast, can tell; null where there is none."""


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
        plan.distance, plan.direction, round(plan.work_time), plan.return_height, plan.reserve, plan.confidence,
        sortie.batteries,
    )  # fmt: skip


def _worst(answer: SiteAnswer, worst: WorstMoment, sortie: Sortie) -> WorstFacts:
    """Return the moment of the best window that asks the most, and what the batteries make of the window."""
    # Only flights that are planned need the rotors; the other answers start faster without.
    from wxfly.flight.budget import Refusal
    from wxfly.flight.reach import flights_in_window

    length = 0.0 if answer.best is None else float(seconds(answer.best.length))
    flights = flights_in_window(length, worst.flight_time, sortie.batteries)
    return WorstFacts(
        moment_of(worst.moment),
        number(float(worst.budget.needed_share)),
        number(float(worst.budget.charge_at_turn)),
        number(float(worst.budget.latest_turn)),
        number(worst.flight_time),
        Refusal(int(worst.budget.refusal)).words or None,
        flights.begun,
        number(flights.time_in_air),
    )


def survey_facts(answer: SiteAnswer) -> SurveyFacts | None:
    """Return how work that can stop is laid into the hours."""
    survey = answer.survey
    if survey is None:
        return None
    surer = None if survey.surer is None else _laid(survey.surer)
    return SurveyFacts(survey.hours, survey.found, _laid(survey), surer)


def _laid(survey: Survey) -> LaidWork:
    return LaidWork([_spell(spell) for spell in survey.spells], *chance_and_causes(survey.chance))


def _spell(spell: Spell) -> SpellFacts:
    return SpellFacts(moment_of(spell.start), moment_of(spell.end), spell.is_work)


def decision_facts(answer: SiteAnswer, window: Window | None = None) -> DecisionFacts | None:
    """Return whether driving out and taking off pay by the pilot's own costs, in the best window or another."""
    costs = answer.request.intent.costs
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
        least_risk_shown=None if found is None else number(_least_risk(answer, found)),
    )


def _least_risk(answer: SiteAnswer, chance: Chance) -> float:
    """Return the smallest risk that a chance can tell."""
    law = None if answer.site_chance is None else answer.site_chance.law
    if chance.is_weak and law is not None:
        return law.least_of_single
    return float(least_chance(chance.members))


def intent_facts(intent: Intent) -> IntentFacts:
    """Return for how long, and how."""
    return IntentFacts(
        seconds(intent.planned), seconds(intent.contingency), intent.survey_hours or None, intent.wait_hours
    )
