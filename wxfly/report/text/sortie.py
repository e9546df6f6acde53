"""A planned sortie in words: what is flown, what it takes, when to turn, what the batteries make of a window."""

from __future__ import annotations

import math

from wxfly.answer.windows import Window
from wxfly.flight.budget import Budget, Refusal
from wxfly.flight.leg import Plan
from wxfly.flight.reach import Flights
from wxfly.flight.return_leg import Sortie
from wxfly.report.facts import words
from wxfly.report.facts.words import minutes as minutes
from wxfly.report.text import sentences
from wxfly.report.text.sentences import Reader


def planned(plan: Plan, reader: Reader) -> str:
    """Say what is to be flown, such as ``400 m out toward SW (225°), 5 min there``."""
    far = sentences.amount(plan.distance, "height", reader.units)
    toward = (
        "in the most demanding direction" if plan.direction is None else f"toward {sentences.direction(plan.direction)}"
    )
    return f"{far} out {toward}" + (f", {minutes(plan.work_time)} there" if plan.work_time else "")


def in_hundred(plan: Plan) -> str:
    """Say how sure energy and way home must be."""
    return f"{100 * plan.confidence:.0f} in 100"


def needs(budget: Budget, plan: Plan) -> str:
    """Say what a sortie takes of a battery, or why it cannot be flown."""
    share = float(budget.needed_share)
    if math.isnan(share):
        return "not known"
    refusal = Refusal(int(budget.refusal))
    if refusal != Refusal.NONE:
        return f"cannot be flown: {refusal.words}"
    return f"{math.ceil(round(100 * share, 6))} % of one battery, {100 * plan.reserve:.0f} % of it to land with"


def turn(budget: Budget) -> str:
    """Say when to leave for home."""
    charge = math.ceil(100 * float(budget.charge_at_turn))
    return f"at {charge} % shown, or {minutes(float(budget.latest_turn))} after take-off, whichever is first"


def batteries(sortie: Sortie, flights: Flights, flight_time: float, window: Window) -> str:
    """Say what the batteries make of a window."""
    count, length, each = sortie.batteries, sentences.duration(window.length), minutes(flight_time)
    if count == 1:
        return f"one: {each} in the air at the most, of a window of {length}"
    told = f"{flights.begun} flight{'' if flights.begun == 1 else 's'}"
    return f"{count}: {told}, {minutes(flights.time_in_air)} in the air of a window of {length}; {each} each"


def out_of_sight(plan: Plan, sight_range: float, reader: Reader) -> str:
    """Say that a sortie goes farther than the pilot sees how the aircraft points; empty where it does not."""
    if not plan.distance > sight_range + 0.5:
        return ""
    seen = distance(sight_range, reader)
    return f"beyond {seen} you no longer see which way it points: only as local rules allow"


def distance(value: float, reader: Reader) -> str:
    """Write a distance rounded down to two figures, so that it never looks farther."""
    return words.distance(value, reader.units)
