"""Values in words: numbers in the pilot's units, moments on a clock, elements by their titles.

Every output that people read writes its values by these functions.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np

from wxfly.answer.windows import EVEN_CHANCE, Room
from wxfly.assessment.usable_height import HEIGHT_LIMIT
from wxfly.pilot.elements import BY_NAME, RETURN_LEG
from wxfly.pilot.limit_rules import LIMIT_RULES, LimitSense
from wxfly.pilot.site import SiteClock, compass_point
from wxfly.report.facts.values import listed
from wxfly.units import SYSTEMS, UNITS, from_si

Moment = np.datetime64 | datetime

_MORE_DECIMALS = 2
_UTC_STAMP = re.compile(r"\b\d{4}-\d\d-\d\dT\d\d:\d\d(?::\d\d)?Z")


def unit_of(quantity: str, units: str) -> str:
    """Return the symbol of the unit that shows a quantity of `wxfly.units.SYSTEMS`; ``1`` for a bare number."""
    return SYSTEMS[units][quantity] if quantity else "1"


def number(value: float, unit: str, *, more: int = 0) -> str:
    """Write an SI value as a number in a unit, with the decimals that a forecast carries and `more`."""
    shown = float(from_si(value, unit))
    decimals = UNITS[unit].decimals + more
    text = f"{shown:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0 else text


def amount(value: float | None, quantity: str, units: str) -> str:
    """Write an SI value with its unit, such as ``7.1 m/s``; ``not known`` for None and NaN."""
    if value is None or math.isnan(value):
        return "not known"
    unit = unit_of(quantity, units)
    return f"{number(value, unit)} {UNITS[unit].written}".strip()


def is_written_as_nothing(value: float, quantity: str, units: str) -> bool:
    """Return whether an SI value is so small that its number is written as zero."""
    return float(number(value, unit_of(quantity, units))) == 0


def height_down(value: float, units: str) -> str:
    """Write a height in whole metres or feet, rounded down, so that it never looks higher than it may be."""
    unit = unit_of("height", units)
    return f"{math.floor(float(from_si(value, unit)) + 1e-6)} {unit}"


def climb_end(by: str) -> str:
    """Name what ends a climb: an element, or the height limit."""
    return "the height limit" if by == HEIGHT_LIMIT else BY_NAME[by].title


def margin(value: float) -> str:
    """Write a margin to two places, toward the limit, so that it never looks better than it is."""
    if math.isnan(value):
        return "?"
    text = f"{math.floor(round(value * 100, 6)) / 100:.2f}"
    return "0.00" if text == "-0.00" else text


def margin_in_words(
    element: str, demand: float, limit: float, margin: float, *, height: float, units: str, near_ground: bool = False
) -> str:
    """Return in words the margin of an element, such as ``gust 42 % below its limit``, or by how much it is over.

    Parameters are those of `demand_in_words`; `margin` is the share of the limit that is left.
    """
    row = BY_NAME[element]
    rule = LIMIT_RULES[row.sense]
    line = demand_in_words(element, demand, limit, height=height, units=units, near_ground=near_ground)
    if rule.words or math.isnan(demand) or math.isnan(limit):
        return line
    left = spare(element, demand, limit, margin, units=units)
    if element == RETURN_LEG.name:
        return left
    if row.sense == LimitSense.AT_MOST and demand <= limit:
        return f"{row.title} {left}"
    near = " near the ground" if near_ground else ""
    return f"{row.title}{near} {amount(demand, row.quantity, units)}, {left}"


def spare(element: str, demand: float, limit: float, margin: float, *, units: str) -> str:
    """Return what is left of a limit, such as ``42 % below its limit`` or ``1.8 m/s over its limit``.

    Parameters
    ----------
    element : str
        Name of an element with a quantity, or of the return leg.
    demand, limit, margin : float
        SI, all of them known; `margin` is the share of the limit that is left.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    """
    row = BY_NAME[element]
    rule = LIMIT_RULES[row.sense]
    is_share = row.sense == LimitSense.AT_MOST
    if is_share and demand <= limit:
        left = math.floor(round(100 * margin, 6))
        if element == RETURN_LEG.name:
            return f"{f'{left} %' if left else 'nothing'} of the battery to spare on the way back"
        return f"{left} % below its limit" if left else "at its limit"
    if element == RETURN_LEG.name:
        if cannot_be_flown(demand):
            return "the battery does not bring it home"
        return f"the way back takes {math.ceil(round(100 * demand, 6))} % of the battery, its reserve included"
    away = _difference(demand, limit, unit_of(row.quantity, units))
    if margin < 0 or (is_share and demand > limit):
        beyond = "short of" if rule.is_least else "over" if is_share else "beyond"
        return f"{away} {beyond} its limit"
    return f"{away} inside its limit"


def excess(element: str, demand: float, limit: float, *, units: str, near_ground: bool = False) -> str:
    """Say in few words how far an element is over its limit, such as ``gust 21.4 m/s at best, 10.7 over``.

    Parameters
    ----------
    element : str
        Name of an element with a quantity, whose limit is broken; not the return leg.
    demand, limit : float
        SI, both known.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    near_ground : bool, optional
        Whether the temperature is that near the ground.
    """
    row = BY_NAME[element]
    beyond = "short" if LIMIT_RULES[row.sense].is_least else "over" if row.sense == LimitSense.AT_MOST else "beyond"
    unit = unit_of(row.quantity, units)
    apart = _difference(demand, limit, unit).removesuffix(UNITS[unit].written).strip()
    near = " near the ground" if near_ground else ""
    return f"{row.title}{near} {amount(demand, row.quantity, units)} at best, {apart} {beyond}"


def _difference(one: float, other: float, unit: str) -> str:
    """Write how far apart two values are, never as nothing."""
    apart = abs(float(from_si(one, unit)) - float(from_si(other, unit)))
    decimals = UNITS[unit].decimals
    least = 10.0**-decimals
    shown = f"{max(apart, least):.{decimals}f}" if apart >= least / 2 else f"less than {least:.{decimals}f}"
    return f"{shown} {UNITS[unit].written}".strip()


def demand_in_words(
    element: str, demand: float, limit: float, *, height: float, units: str, near_ground: bool = False
) -> str:
    """Return in words what an hour asks and what the limit is, such as ``gust at 80 m, 9.1 of 10.7 m/s``.

    Parameters
    ----------
    element : str
        Name of an element.
    demand, limit : float
        SI, as `wxfly.assessment.suitability.assess` returns them.
    height : float
        Flight height [m].
    units : str
        Key of `wxfly.units.SYSTEMS`.
    near_ground : bool, optional
        Whether the demand is that of the air near the ground, where an element is held at both.
    """
    row = BY_NAME[element]
    if element == RETURN_LEG.name:
        return _return_leg(demand)
    at = amount(height, "height", units)
    subject = row.wording.format(height=at, where="near the ground" if near_ground else f"at {at}")
    if math.isnan(demand):
        return f"{subject} not known"
    rule = LIMIT_RULES[row.sense]
    if rule.words:
        word = rule.words[min(max(math.ceil(demand), 0), len(rule.words) - 1)]
        return rule.wording.format(subject=subject, word=word)
    unit = unit_of(row.quantity, units)
    if math.isnan(limit):
        return f"{subject}, {amount(demand, row.quantity, units)}, no limit given"
    here, there = _apart(demand, limit, unit)
    return rule.wording.format(subject=subject, demand=here, limit=there, unit=UNITS[unit].written).rstrip()


def cannot_be_flown(demand: float) -> bool:
    """Return whether the share of the battery that a sortie takes stands for infinity."""
    from wxfly.flight.return_leg import CANNOT_BE_FLOWN  # only flights that are planned need the rotors

    return demand >= CANNOT_BE_FLOWN


def _return_leg(demand: float) -> str:
    """Return in words which share of the battery a sortie takes; never smaller than it is."""
    if math.isnan(demand):
        return "way back not known"
    if cannot_be_flown(demand):
        return "way back, the battery does not bring it home"
    return f"way back, {math.ceil(round(100 * demand, 6))} of 100 % of the battery, its reserve included"


def _apart(demand: float, limit: float, unit: str) -> tuple[str, str]:
    """Write two values with enough decimals to show their difference."""
    for more in range(_MORE_DECIMALS + 1):
        here, there = number(demand, unit, more=more), number(limit, unit, more=more)
        if here != there or demand == limit:
            break
    return here, there.removesuffix(".0")


def direction(degrees: float) -> str:
    """Write where the wind comes from, such as ``SW (225°)``."""
    whole = round(degrees) % 360
    return f"{compass_point(degrees)} ({whole or 360:03d}°)"


class Clock(SiteClock):
    """Writes UTC moments on one clock."""

    def distinguished_hour(self, moment: Moment) -> str:
        """Write a moment as ``14:05``, with the abbreviation in force where the clock shows that time twice."""
        wall = self.local(moment).replace(tzinfo=None)
        utc = self.local(moment).astimezone(UTC)
        around = (self.local(utc + timedelta(hours=h)).replace(tzinfo=None) for h in (-1, 1))
        return f"{self.hour(moment)} {self.zone(moment)}" if wall in around else self.hour(moment)

    def span(self, start: Moment, end: Moment) -> str:
        """Write a span as ``14:05–16:00``, its ends rounded inward; midnight at its end is ``24:00``.

        An hour at whose end the clock goes back to its start is written with both abbreviations.
        """
        first, last = self.hour(start, up=True), self.hour(end)
        if first == last and self.zone(start) != self.zone(end):
            return f"{first} {self.zone(start)}–{last} {self.zone(end)}"
        if self._is_midnight_after(start, end):
            last = "24:00"
        return f"{first}–{last}"

    def _is_midnight_after(self, start: Moment, end: Moment) -> bool:
        return self.hour(end) == "00:00" and bool(end > start)

    def day(self, moment: Moment, year: int | None = None) -> str:
        """Write the day of a moment as ``Sun 15 Mar``, with its year where that is not the given one."""
        return day_name(self.date(moment), year)

    def when(self, start: Moment, end: Moment, year: int | None = None) -> str:
        """Write a stretch as ``Sun 15 Mar 12:00–13:00 GMT``, with the year where it is not the given one."""
        span = self.span(start, end)
        if self.date(start) != self.date(end) and not self._is_midnight_after(start, end):
            first = f"{self.day(start, year)} {self.hour(start, up=True)}"
            return f"{first} to {self.day(end, year)} {self.hour(end)} {self.zone(start)}"
        return f"{self.day(start, year)} {span} {self.zone(start)}"

    def zones(self, start: Moment, end: Moment) -> str:
        """Return the abbreviations in force over a span: one, or two where the clocks change."""
        first, last = self.zone(start), self.zone(end)
        return first if first == last else f"{first}, then {last}"

    def stamp(self, moment: Moment | None) -> str:
        """Write a moment in full, such as ``Sun 15 Mar 2026 14:05 CET``."""
        if moment is None or (isinstance(moment, np.datetime64) and np.isnat(moment)):
            return "not known"
        local = self.local(moment)
        return f"{day_name(local.date())} {local.year} {self.hour(moment)} {self.zone(moment)}"

    def retold(self, text: str) -> str:
        """Return a note with its UTC stamps, such as ``2026-03-15T12:00Z``, as ``Sun 15 Mar 2026 13:00 CET``."""
        return _UTC_STAMP.sub(lambda found: self.stamp(datetime.fromisoformat(found[0])), text)


# English whatever the reader's locale: the rest of the sentence is English too.
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def day_name(day: date, year: int | None = None, *, with_month: bool = True) -> str:
    """Write a date as ``Sun 15 Mar``, with its year where that is not the given one; without its month ``Sun 15``."""
    line = f"{_DAYS[day.weekday()]} {day.day}"
    if not with_month:
        return line
    line = f"{line} {_MONTHS[day.month - 1]}"
    return line if year is None or year == day.year else f"{line} {day.year}"


def duration(length: np.timedelta64 | float) -> str:
    """Write a length of time [s] as ``45 min`` or ``1 h 20 min``, rounded down to the minute."""
    seconds = length / np.timedelta64(1, "s") if isinstance(length, np.timedelta64) else length
    minutes = int(seconds // 60)
    hours, rest = divmod(minutes, 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def age(seconds: float | None) -> str:
    """Write the age of a forecast [s] as ``6 h old``."""
    if seconds is None:
        return "age not known"
    hours = seconds / 3600
    return f"{hours:.0f} h old" if hours >= 1 else f"{max(hours, 0) * 60:.0f} min old"


@dataclass(frozen=True)
class Reader:
    """How an answer is to be shown: the units and the clock.

    Attributes
    ----------
    units : str
        Key of `wxfly.units.SYSTEMS`.
    clock : Clock
        The site's own, or the one the reader asked for.
    """

    units: str
    clock: Clock


# --- chances: the one way in which they are written --------------------------------------------------------------


def room_in_words(room: Room, chance: float | None) -> str:
    """Return whether there is room to fly, such as ``little room``; ``perhaps room`` where the chance is an even one.

    Parameters
    ----------
    room : Room
        Whether there is room.
    chance : float or None
        Chance that every limit holds [1]; None where it is not known.
    """
    is_even = chance is not None and not math.isnan(chance) and tenths(chance) == tenths(EVEN_CHANCE)
    return f"perhaps {room}" if is_even and room.is_enough else str(room)


def in_ten(chance: float | None) -> str:
    """Return a chance as so many in ten; the ends are written as what they are, not as never or always."""
    if chance is None or math.isnan(chance):
        return "not known"
    if chance <= 0.05:
        return "less than 1 in 10"
    if chance >= 0.95:
        return "more than 9 in 10"
    return f"{tenths(chance)} in 10"


def tenths(chance: float) -> int:
    """Return a chance in tenths, 1 to 9; one below 5 in 10 is never rounded to 5, which may be room."""
    whole = min(9, max(1, round(chance * 10)))
    return 4 if whole == 5 and chance < EVEN_CHANCE else whole


# --- distances, times, names -------------------------------------------------------------------------------------

FAR = 10_000.0
"""Distance over ground from which it is written in kilometres or miles [m]."""


def way(value: float, units: str) -> str:
    """Write a distance over ground [m] that is given, such as ``400 m``; from `FAR` on such as ``12.5 km``."""
    return amount(value, _of_distance(value), units)


def _of_distance(value: float) -> str:
    return "visibility" if value >= FAR else "height"


def distance(value: float, units: str) -> str:
    """Write a distance over ground [m] rounded down to two figures, so that it never looks farther; units as `way`."""
    unit = unit_of(_of_distance(value), units)
    shown = float(from_si(value, unit))
    if shown < 10:
        return f"{math.floor(shown)} {unit}"
    step = 10.0 ** (math.floor(math.log10(shown)) - 1)
    return f"{math.floor(shown / step + 1e-9) * step:.0f} {unit}"


def minutes(seconds: float) -> str:
    """Write a time of flight, rounded down."""
    return f"{math.floor(seconds / 60 + 1e-9)} min" if seconds >= 60 else f"{math.floor(seconds)} s"


def titles(elements: Sequence[str]) -> str:
    """List elements by their titles."""
    return listed([BY_NAME[name].title for name in elements])
