"""Numbers and times as a reader meets them: the pilot's units, the site's clock, and the reason for a margin.

Nothing here decides anything. Every text output is made of these phrases, so that one thing is said one way.
"""

from __future__ import annotations

import math
from datetime import date

import numpy as np

from wxfly.pilot.elements import BY_NAME
from wxfly.pilot.limit_rules import LIMIT_RULES
from wxfly.pilot.site import SiteClock
from wxfly.units import SYSTEMS, UNITS, from_si

_MORE_DECIMALS = 2

COMPASS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")


def unit_of(quantity: str, units: str) -> str:
    """Return the symbol of the unit that shows a quantity of `wxfly.units.SYSTEMS`; ``1`` for a bare number."""
    return SYSTEMS[units][quantity] if quantity else "1"


def number(value: float, unit: str, *, more: int = 0) -> str:
    """Write an SI value as a number in a unit, with the decimals that a forecast carries and `more`."""
    shown = float(from_si(value, unit))
    decimals = UNITS[unit].decimals + more
    text = f"{shown:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0 else text


def amount(value: float, quantity: str, units: str) -> str:
    """Write an SI value with its unit, such as ``7.1 m/s``; ``not known`` for NaN."""
    if math.isnan(value):
        return "not known"
    unit = unit_of(quantity, units)
    return f"{number(value, unit)} {UNITS[unit].written}".strip()


def height_down(value: float, units: str) -> str:
    """Write a height in whole metres or feet, rounded down, so that it never looks higher than it may be."""
    unit = unit_of("height", units)
    return f"{math.floor(float(from_si(value, unit)) + 1e-6)} {unit}"


def _short(text: str) -> str:
    return text.removesuffix(".0")


def margin(value: float) -> str:
    """Write a margin to two places, toward the limit, so that it never looks better than it is."""
    if math.isnan(value):
        return "?"
    text = f"{math.floor(round(value * 100, 6)) / 100:.2f}"
    return "0.00" if text == "-0.00" else text


def reading(element: str, demand: float, limit: float, *, height: float, units: str, near_ground: bool = False) -> str:
    """Say what an hour asks and what the limit is, such as ``gust at 80 m, 9.1 of 10.7 m/s``.

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
    at = amount(height, "height", units)
    subject = row.reading.format(height=at, where="near the ground" if near_ground else f"at {at}")
    if math.isnan(demand):
        return f"{subject} not known"
    rule = LIMIT_RULES[row.sense]
    if rule.words:
        word = rule.words[min(max(math.ceil(demand), 0), len(rule.words) - 1)]
        return rule.reading.format(subject=subject, word=word)
    unit = unit_of(row.quantity, units)
    if math.isnan(limit):
        return f"{subject}, {amount(demand, row.quantity, units)}, no limit given"
    here, there = _apart(demand, limit, unit)
    return rule.reading.format(subject=subject, demand=here, limit=there, unit=UNITS[unit].written).rstrip()


def _apart(demand: float, limit: float, unit: str) -> tuple[str, str]:
    """Write two values with as many decimals as tell them apart."""
    for more in range(_MORE_DECIMALS + 1):
        here, there = number(demand, unit, more=more), number(limit, unit, more=more)
        if here != there or demand == limit:
            break
    return here, _short(there)


def direction(degrees: float) -> str:
    """Write where the wind comes from, such as ``SW (225°)``."""
    whole = round(degrees) % 360
    return f"{COMPASS[round(degrees / 22.5) % 16]} ({whole or 360:03d}°)"


class Clock(SiteClock):
    """Writes UTC moments on one clock."""

    def hour_told_apart(self, moment: np.datetime64) -> str:
        """Write a moment as ``14:05``, with the abbreviation in force where the clock shows that time twice."""
        wall = self.local(moment).replace(tzinfo=None)
        around = (self.local(moment + np.timedelta64(h, "h")).replace(tzinfo=None) for h in (-1, 1))
        return f"{self.hour(moment)} {self.zone(moment)}" if wall in around else self.hour(moment)

    def span(self, start: np.datetime64, end: np.datetime64) -> str:
        """Write a span as ``14:05–16:00``, its ends rounded inward; midnight at its end is ``24:00``.

        An hour at whose end the clock goes back to its start is told by both abbreviations.
        """
        first, last = self.hour(start, up=True), self.hour(end)
        if first == last and self.zone(start) != self.zone(end):
            return f"{first} {self.zone(start)}–{last} {self.zone(end)}"
        if last == "00:00" and end > start:
            last = "24:00"
        return f"{first}–{last}"

    def day(self, moment: np.datetime64) -> str:
        """Write the day of a moment as ``Sun 15 Mar``."""
        return day_name(self.date(moment))

    def zones(self, start: np.datetime64, end: np.datetime64) -> str:
        """Return the abbreviations in force over a span: one, or two where the clocks change."""
        first, last = self.zone(start), self.zone(end)
        return first if first == last else f"{first}, then {last}"

    def stamp(self, moment: np.datetime64) -> str:
        """Write a moment in full, such as ``Sun 15 Mar 2026 14:05 CET``."""
        if np.isnat(moment):
            return "not known"
        local = self.local(moment)
        return f"{day_name(local.date())} {local.year} {self.hour(moment)} {self.zone(moment)}"


# English whatever the reader's locale: the rest of the sentence is English too.
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def day_name(day: date) -> str:
    """Write a date as ``Sun 15 Mar``."""
    return f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]}"


def duration(length: np.timedelta64) -> str:
    """Write a length of time as ``45 min`` or ``1 h 20 min``, rounded down to the minute."""
    minutes = int(length / np.timedelta64(1, "m"))
    hours, rest = divmod(minutes, 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def age(length: np.timedelta64) -> str:
    """Write the age of a forecast as ``6 h old``."""
    if np.isnat(length):
        return "age not known"
    hours = length / np.timedelta64(1, "h")
    return f"{hours:.0f} h old" if hours >= 1 else f"{max(hours, 0) * 60:.0f} min old"
