"""A planned sortie in words: what is flown, what it takes, when to turn, what the batteries make of a window."""

from __future__ import annotations

import math

from wxfly.answer.request import SiteAnswer
from wxfly.answer.windows import Window
from wxfly.flight.budget import Budget, Refusal
from wxfly.flight.leg import Plan
from wxfly.flight.reach import Flights, flights_in_window
from wxfly.flight.return_leg import Sortie
from wxfly.report.facts.sortie import PlanFacts
from wxfly.report.text import sentences
from wxfly.report.text.sentences import Reader
from wxfly.units import from_si


def planned(plan: Plan | PlanFacts, reader: Reader) -> str:
    """Say what is to be flown, such as ``400 m out toward SW (225°), 5 min there``."""
    far = sentences.amount(plan.distance, "height", reader.units)
    toward = (
        "in the most demanding direction" if plan.direction is None else f"toward {sentences.direction(plan.direction)}"
    )
    return f"{far} out {toward}" + (f", {minutes(plan.work_time)} there" if plan.work_time else "")


def asked_for(plan: Plan, reader: Reader) -> str:
    """Say for what sortie an answer is."""
    home = sentences.amount(plan.return_height, "height", reader.units)
    return f"sortie {planned(plan, reader)}, home at {home}, held to {in_hundred(plan)}"


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


def out_of_sight(plan: Plan | PlanFacts, sight_range: float, reader: Reader) -> str:
    """Say that a sortie goes farther than the pilot sees how the aircraft points; empty where it does not."""
    if not plan.distance > sight_range + 0.5:
        return ""
    seen = distance(sight_range, reader)
    return f"beyond {seen} you no longer see which way it points: only as local rules allow"


def way_home(answer: SiteAnswer, reader: Reader) -> list[tuple[str, str]]:
    """Return the lines on what the best window asks of the sortie in its worst moment; none without a sortie."""
    worst, sortie, best = answer.way_home, answer.request.sortie, answer.best
    if worst is None or sortie is None or best is None:
        return []
    told = f"{needs(worst.budget, sortie.plan)}, at worst, at {reader.clock.hour(worst.moment)}"
    if not worst.budget.needed_share <= 1:
        return [("Way home", told)]
    length = float((best.end - best.start).astype("timedelta64[s]").astype(int))
    flights = flights_in_window(length, worst.flight_time, sortie.batteries)
    lines = [
        ("Way home", f"{told}; turn for home {turn(worst.budget)}"),
        ("Batteries", batteries(sortie, flights, worst.flight_time, best)),
    ]
    seen = out_of_sight(sortie.plan, float("nan") if answer.advice is None else answer.advice.sight_range, reader)
    return [*lines, ("Beyond", seen)] if seen else lines


def distance(value: float, reader: Reader) -> str:
    """Write a distance rounded down to two figures, so that it never looks farther."""
    unit = sentences.unit_of("height", reader.units)
    shown = float(from_si(value, unit))
    if shown < 10:
        return f"{math.floor(shown)} {unit}"
    step = 10.0 ** (math.floor(math.log10(shown)) - 1)
    return f"{math.floor(shown / step + 1e-9) * step:.0f} {unit}"


def minutes(seconds: float) -> str:
    """Write a time of flight, rounded down."""
    return f"{math.floor(seconds / 60 + 1e-9)} min" if seconds >= 60 else f"{math.floor(seconds)} s"
