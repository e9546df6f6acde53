"""The words of a flight brief: sections of labelled lines, the same for page and terminal."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from wxfly.answer import findings
from wxfly.answer.flight_brief import EnergyBrief, FlightBrief
from wxfly.assessment.suitability import State
from wxfly.flight.anemometer_reading import STARTING_SPEED
from wxfly.flight.budget import Refusal
from wxfly.flight.launch_decision import holds_at_all
from wxfly.physics.aircraft.rotor import MODEL_DEVIATION
from wxfly.pilot.elements import BY_NAME
from wxfly.report.facts.values import listed
from wxfly.report.text import chances, sentences, sortie, work
from wxfly.report.text.console import isolated, wrap
from wxfly.report.text.sentences import Reader
from wxfly.units import from_si

Line = tuple[str, str]
COLD = 283.15
"""Of the air, below which the page speaks of cold packs [K]; common practice, no source."""

WARM_PACK = 288.15
"""That a pack should have at take-off [K]; common practice, no source."""

CHECKLIST = (
    "Aircraft and controller batteries charged, counted, warm; phone too",
    "Storage card in, empty enough, and recording tried",
    "Rotors whole and tight, covers and gimbal guard off, arms locked",
    "Compass and position fix good; home point set here and read back",
    "Return height above every obstacle round the way home, below the ceiling",
    "Observer briefed: where, how long, what to call out",
    "People, traffic, animals and other aircraft: a clear place to launch and a second one to land",
    "Local rules, airspace and permissions looked up today",
    "Anemometer read for two minutes, see the field check",
)


MOST_ROWS = 8
"""Of the table of hours."""


class Section(NamedTuple):
    """A title and its labelled lines."""

    title: str
    lines: list[Line]


def heading(brief: FlightBrief, reader: Reader) -> str:
    """Name the brief by place and window."""
    site = isolated(brief.answer.request.site.name)
    return f"{site}, {sentences.when(brief.window, reader.clock)}"


def sections(brief: FlightBrief, reader: Reader) -> list[Section]:
    """Return the whole brief but its tables."""
    return [
        Section("Decision", _decision(brief, reader)),
        Section("Field check", field_check(brief, reader)),
        Section("Energy and the way home", energy(brief, reader)),
        Section("Sky, sight and light", _sky(brief, reader)),
    ]


def wrapped(lines: list[str], width: int) -> str:
    """Break lines for a terminal; what follows a break stands further in."""
    broken = []
    for line in lines:
        first = " " * (len(line) - len(line.lstrip()))
        broken += wrap(line.lstrip(), width, first=first, rest=f"    {first}")
    return "\n".join(broken)


def not_known(brief: FlightBrief, reader: Reader) -> list[str]:
    """Name what is not known and matters to the brief, first of all."""
    told = sentences.not_known_first(brief.answer)
    lines = [told] if told else []
    if brief.energy_missing:
        missing = listed([name.replace("_", " ") for name in brief.energy_missing])
        lines.append(f"energy and reach: the aircraft's figures give no {missing}")
    elif brief.energy is not None and math.isnan(float(brief.energy.budget.needed_share)):
        lines.append("energy and reach: wind, air or cells are outside what is known")
    if math.isnan(brief.sight_range):
        lines.append("sight range")
    if math.isnan(brief.rule.mean_holds):
        lines.append("the field check: the forecast does not give the way down to the hand")
    del reader
    return lines


def _decision(brief: FlightBrief, reader: Reader) -> list[Line]:
    answer, window = brief.answer, brief.window
    needed = answer.request.intent.reference_period
    lines = [
        ("The window", f"{sentences.when(window, reader.clock)}: {sentences.standing(answer, window)}"),
        ("Decides", sentences.window_reason(answer, window, reader.units)),
        ("Ends", sentences.what_ends(answer, window, reader)),
        ("Expect", sentences.what_it_is_like(answer, window, reader.units)),
        ("How sure", chances.how_sure(answer, window, reader.clock, needed)),
        ("Planning", chances.planning_words(answer, window)),
        *work.conduct_lines(answer, reader, window),
        ("Asked", sentences.asked(answer, reader.units)),
    ]
    return [line for line in lines if line[1]]


def field_check(brief: FlightBrief, reader: Reader) -> list[Line]:
    """Say what the anemometer may show."""
    rule, unit = brief.rule, sentences.unit_of("wind", reader.units)
    hand = sentences.amount(rule.hand_height, "height", reader.units)
    lines = [("How", f"anemometer at {hand}, two minutes, in the open, away from cars and walls")]
    if math.isnan(rule.mean_holds):
        return [*lines, ("Holds", "not known: read the wind, and do not rely on the forecast of it")]
    mean, gust = rounded_down(rule.mean_holds, unit), rounded_down(rule.gust_holds, unit)
    no_mean, no_gust = rounded_down(rule.mean_stop, unit), rounded_down(rule.gust_stop, unit)
    sure = f"{100 * rule.confidence:.0f} in 100"
    starting = sentences.number(STARTING_SPEED, unit)
    if holds_at_all(rule):
        lines.append(("Holds", f"mean {starting} to {mean} and gust to {gust} {unit}: limits kept aloft, {sure}"))
    else:
        lines.append(("Holds", "at no reading: the wind grows too much with height for a hand to tell"))
    lines.append(("Do not launch", f"mean above {no_mean} or gust above {no_gust} {unit}: more likely beyond than not"))
    stalls = f"a mean below {starting} {unit}, where an anemometer may stand still"
    lines.append(("In doubt", f"every other pair of readings, {stalls}, among them: fly lower and nearer, or wait"))
    expected = " to ".join(dict.fromkeys(sentences.number(v, unit) for v in rule.mean_expected))
    gusts = sentences.number(rule.gust_expected[1], unit)
    forecast = f"mean {expected}, gust to {gusts} {unit} at {hand}"
    if holds_at_all(rule) and rule.gust_expected[1] > rule.gust_holds:
        forecast += "; that gust is already more than holds"
    lines.append(("Forecast", forecast))
    lines.append(("Then", "put the reading in with: wxfly check"))
    return lines


def rounded_down(value: float, unit: str) -> str:
    """Round a reading down, to the safe side, to the tenth that an anemometer shows."""
    return f"{math.floor(float(from_si(value, unit)) * 10 + 1e-9) / 10:.1f}"


def energy(brief: FlightBrief, reader: Reader) -> list[Line]:
    """Say what the sortie takes, when to turn, and what the batteries make of the window."""
    if brief.energy is None:
        return [("Not known", "the aircraft's figures do not say what it takes; keep the maker's reserve")]
    e = brief.energy
    share = float(e.budget.needed_share)
    plan = e.sortie.plan
    refusal = Refusal(int(e.budget.refusal))
    lines = [("Planned", sortie.planned(plan, reader))]
    seen = sortie.out_of_sight(plan, brief.sight_range, reader)
    lines += [("Out of sight", seen)] if seen else []
    lines.append(("Needs", sortie.needs(e.budget, plan)))
    if math.isnan(share) or refusal != Refusal.NONE:
        return lines
    if share > 1:
        return [*lines, ("So", "it does not come home with its reserve: plan nearer or shorter")]
    lines.append(("Turn for home", sortie.turn(e.budget)))
    lines.append(("Way home", _way_home(e, reader)))
    lines.append(("Reach", _reach(brief, e, reader)))
    lines.append(("Batteries", sortie.batteries(e.sortie, e.flights, e.flight_time, brief.window)))
    flight = brief.levels[brief.answer.request.height]
    if min(float(flight[n].min()) for n in ("air_temperature", "air_temperature_near_ground")) < COLD:
        lines.append(("Cold", _cold(e, reader)))
    sure = sortie.in_hundred(plan)
    lines.append(
        (
            "How sure",
            f"wind and consumption held to {sure}; the model's own error is about {100 * MODEL_DEVIATION:.0f} %",
        )
    )
    return lines


def _way_home(e: EnergyBrief, reader: Reader) -> str:
    at = int(np.argmin(np.abs((e.reach.directions - float(e.budget.direction) + 180) % 360 - 180)))
    airspeed, over_ground = float(e.reach.home.airspeed[at]), float(e.reach.home.ground_speed[at])
    unit = sentences.unit_of("wind", reader.units)
    height = sentences.amount(e.sortie.plan.return_height, "height", reader.units)
    return (
        f"at {height}, {sentences.number(airspeed, unit)} {unit} through the air; if the screen shows less than"
        f" {rounded_down(over_ground, unit)} {unit} over ground, the wind is stronger than planned: go lower, come now"
    )


def _reach(brief: FlightBrief, e: EnergyBrief, reader: Reader) -> str:
    least, most = float(e.reach.by_energy.min()), float(e.reach.by_energy.max())
    energy_words = f"energy {sortie.distance(least, reader)} to {sortie.distance(most, reader)}, by direction"
    if math.isnan(brief.sight_range):
        return f"{energy_words}; sight not known: no farther than you see which way it points"
    nearest = "sight decides" if brief.sight_range < least else "energy decides where it is nearer"
    return f"sight {sortie.distance(brief.sight_range, reader)}, {energy_words}: {nearest}"


def _cold(e: EnergyBrief, reader: Reader) -> str:
    warm = sentences.amount(WARM_PACK, "temperature", reader.units)
    usable = float(e.budget.usable) / e.sortie.model.battery_energy
    return (
        f"the pack gives about {math.floor(100 * usable)} % of its energy, and then its voltage falls off like a cliff:"
        f" keep packs above {warm} until take-off, hover a minute, avoid full power, and believe the voltage before the"
        " per cent"
    )


def _sky(brief: FlightBrief, reader: Reader) -> list[Line]:
    answer, window = brief.answer, brief.window
    part = slice(window.first, window.last + 1)
    lines: list[Line] = []
    usable = answer.heights["usable_height"].values[part]
    if np.isnan(usable).any():
        lines.append(("Usable height", "not known in some hour"))
    else:
        at = window.first + int(np.argmin(usable))
        ends = str(answer.heights["usable_height_ends_by"].values[at]).replace("_", " ")
        height = sentences.height_down(float(usable.min()), reader.units)
        lines.append(("Usable height", f"{height} above ground ({ends})"))
    seen = sentences.amount(brief.sight_range, "height", reader.units)
    by = "" if answer.advice is None or not answer.advice.sight_decided_by else f", by {answer.advice.sight_decided_by}"
    lines.append(("Sight range", f"{seen}{by}: how far you still see which way it points"))
    days = findings.days_of(answer, reader.clock)
    day = next((d for d in days if d.start <= window.start < d.end), None)
    if day is not None:
        lines.append(("Sun", sentences.light(answer, day, reader.clock)))
    if answer.advice is not None and window is answer.best:
        advice = answer.advice
        if advice.light:
            lines.append(("Light", listed(advice.light)))
        for label, words in (("Hands", advice.hands), ("Heat", advice.heat)):
            if words:
                lines.append((label, words))
        if advice.frost:
            lines.append(("Frost", "a machine left outside may take on frost: wipe the rotors dry"))
    lines += _by_element(brief, reader, ("kp", "visibility", "cloud_base", "precipitation", "icing"))
    return lines


def _by_element(brief: FlightBrief, reader: Reader, names: tuple[str, ...]) -> list[Line]:
    margins = brief.answer.assessment["margin"]
    height = sentences.amount(brief.answer.request.height, "height", reader.units)
    lines = []
    for name in names:
        values = margins.sel(element=name).values[brief.window.first : brief.window.last + 1]
        at = brief.window.first + int(np.argmin(np.where(np.isnan(values), -np.inf, values)))
        told = sentences.reading_of(brief.answer, name, at, reader.units)
        subject = BY_NAME[name].reading.format(height=height)
        title = sentences.titles([name])
        lines.append((title[:1].upper() + title[1:], told.removeprefix(subject).strip(", ")))
    return lines


def hours_table(brief: FlightBrief, reader: Reader) -> tuple[list[str], list[list[str]]]:
    """Return the window hour by hour: how it stands, and wind and gust at each height.

    Of a long window some hours share a row, told by the worst of them, so that the page stays one page.
    """
    header = ["Hours", "Stands", "Decides"]
    header += [sentences.amount(h, "height", reader.units) for h in brief.levels]
    first, last = brief.window.first, brief.window.last
    together = -(-(last - first + 1) // MOST_ROWS)
    parts = [slice(i, min(i + together, last + 1)) for i in range(first, last + 1, together)]
    return header, [_row(brief, reader, part) for part in parts]


def _row(brief: FlightBrief, reader: Reader, part: slice) -> list[str]:
    start, end = brief.answer.usable_parts
    margins = brief.answer.assessment["hour_margin"].values[part]
    at = part.start + int(np.argmin(margins))
    element = str(brief.answer.assessment["limiting_element"].values[at])
    state = State(int(brief.answer.assessment["state"].values[part].min()))
    row = [
        reader.clock.span(start[part.start], end[part.stop - 1]),
        f"{state.words} {sentences.margin(float(margins.min()))}",
        sentences.titles([element]) if element else "-",
    ]
    unit = sentences.unit_of("wind", reader.units)
    within = slice(part.start - brief.window.first, part.stop - brief.window.first)
    for level in brief.levels.values():
        hours = level.isel(time=within)
        values = (float(np.max(hours[name].values)) for name in ("wind_speed", "wind_speed_of_gust"))
        row.append(" / ".join("?" if math.isnan(v) else sentences.number(v, unit) for v in values))
    return row


def directions_table(brief: FlightBrief, reader: Reader) -> tuple[list[str], list[list[str]]]:
    """Return reach and the way home in eight directions; nothing without a reach."""
    header = ["Toward", "Energy reaches", "Home over ground"]
    if brief.energy is None:
        return header, []
    around, unit = brief.energy.reach, sentences.unit_of("wind", reader.units)
    rows = []
    for i in range(0, around.directions.size, around.directions.size // 8):
        distance, speed = float(around.by_energy[i]), float(around.home.ground_speed[i])
        if math.isnan(distance):
            return header, []
        name = sentences.COMPASS[round(float(around.directions[i]) / 22.5) % 16]
        rows.append([name, sortie.distance(distance, reader), f"{sentences.number(speed, unit)} {unit}"])
    return header, rows
