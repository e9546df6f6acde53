"""What decides in an hour of a site, and how much room it leaves, in words."""

from __future__ import annotations

import math
from datetime import datetime

from wxfly.pilot.elements import BY_NAME, LIMIT_RULES
from wxfly.pilot.limits import HEIGHT_OF_LAUNCH
from wxfly.report.facts.hours import ElementFacts, limits_of_hours
from wxfly.report.facts.site import SiteAnswerFacts
from wxfly.report.facts.writing import reading, room, spare, titles


def hour_at(site: SiteAnswerFacts, moment: datetime) -> int:
    """Return the position of the hour that starts at a moment."""
    return site.hours.start.index(moment)


def element_of(site: SiteAnswerFacts, name: str) -> ElementFacts:
    """Return an element of a site by its name."""
    return next(element for element in site.elements if element.name == name)


def reading_at(site: SiteAnswerFacts, name: str, hour: int, units: str) -> str:
    """Say what one element of one hour is, such as ``gust at 80 m, 9.1 of 10.7 m/s``."""
    demand, limit, height, near_ground, phase = _at(site, name, hour)
    return reading(name, demand, limit, height=height, units=units, near_ground=near_ground) + phase


def room_at(site: SiteAnswerFacts, name: str, hour: int, units: str) -> str:
    """Say how much room one element of one hour leaves, such as ``42 % of your gust limit to spare``."""
    demand, limit, height, near_ground, phase = _at(site, name, hour)
    margin = _number(element_of(site, name).margin[hour])
    return room(name, demand, limit, margin, height=height, units=units, near_ground=near_ground) + phase


def spare_at(site: SiteAnswerFacts, name: str, hour: int, units: str) -> str:
    """Say what one element of one hour leaves of its limit; empty where that is unknown or is no quantity."""
    demand, limit, _, _, _ = _at(site, name, hour)
    margin = _number(element_of(site, name).margin[hour])
    if LIMIT_RULES[BY_NAME[name].sense].words or math.isnan(margin):
        return ""
    return spare(name, demand, limit, margin, units=units)


def _at(site: SiteAnswerFacts, name: str, hour: int) -> tuple[float, float, float, bool, str]:
    """Return demand, limit, height, whether that is near the ground, and the phase of the flight where it is told."""
    element = element_of(site, name)
    height, phase = site.height, ""
    if element.height_by_hour is not None and element.height_by_hour[hour] != site.height:
        height = element.height_by_hour[hour]
        phase = ", at launch and landing" if height == HEIGHT_OF_LAUNCH else ", on the way back"
    near_ground = _covers(element.near_ground_runs, hour)
    return _number(element.demand[hour]), _number(limits_of_hours(element)[hour]), height, near_ground, phase


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def waiting_after(site: SiteAnswerFacts, hour: int) -> str:
    """Say by what an hour is held back that would not be outside by itself; empty where it is not."""
    cause = site.hours.waiting_after[hour]
    if cause is None or any(_number(element.margin[hour]) < 0 for element in site.elements):
        return ""
    hours = site.intent.wait_hours
    before = "the hour before was" if hours == 1 else f"one of the {hours} hours before was"
    if site.hours.margin[hour] is None:
        return f"held back: whether {before} over the {BY_NAME[cause].title} limit is not known"
    return f"held back: {before} over the {BY_NAME[cause].title} limit"


def room_of(site: SiteAnswerFacts, hour: int, units: str) -> str:
    """Say what decides in one hour and how much room it leaves."""
    element = site.hours.limiting_element[hour]
    return waiting_after(site, hour) or (room_at(site, element, hour, units) if element else "nothing is known")


MOST_OVER = 3
"""How many elements over their limits are named of one hour [1]."""


def all_over(site: SiteAnswerFacts, hour: int, units: str) -> str:
    """Say what decides in one hour, and every other element that is over its limit too, the gravest first."""
    others = [room_at(site, name, hour, units) for name in _also_over(site, hour)]
    shown = others[: MOST_OVER - 1]
    more = f"and {len(others) - len(shown)} more over their limits" if len(others) > len(shown) else ""
    return "; ".join(filter(None, [room_of(site, hour, units), *shown, more]))


def all_over_in_short(site: SiteAnswerFacts, hour: int, units: str) -> str:
    """Say what decides in one hour, and of every other element that is over its limit only its name."""
    others = _also_over(site, hour)
    return room_of(site, hour, units) + (f", {titles(others)} too" if others else "")


def _also_over(site: SiteAnswerFacts, hour: int) -> list[str]:
    decides = site.hours.limiting_element[hour]
    return [
        e.name for e in site.elements
        if e.name != decides and e.judged and _number(e.margin[hour]) < 0 and not BY_NAME[e.name].rule.words
    ]  # fmt: skip


def reason_of(site: SiteAnswerFacts, hour: int, units: str) -> str:
    """Say what decides in one hour, and first what is not known in it."""
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
    """Say what an element is and its limit; where that is broken, by how much."""
    over = _number(element_of(site, element).margin[hour]) < 0
    return room_at(site, element, hour, units) if over else reading_at(site, element, hour, units)


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

    def reading(self, element: str, hour: int) -> str:
        """Say what one element of one hour is, such as ``gust at 80 m, 9.1 of 10.7 m/s``."""
        return reading_at(self._site, element, hour, self._units)

    def reason(self, hour: int) -> str:
        """Say what decides in one hour, and its limit."""
        element = self._site.hours.limiting_element[hour]
        return waiting_after(self._site, hour) or (self.reading(element, hour) if element else "nothing is known")

    def waiting_after(self, hour: int) -> str:
        """Say by what an hour is held back that would not be outside by itself; empty where it is not."""
        return waiting_after(self._site, hour)

    def missing(self, hour: int) -> list[str]:
        """Name the required elements that are not known in an hour."""
        return [
            e.name
            for e in self._site.elements
            if e.judged and e.margin[hour] is None and (e.is_required or _covers(e.lost_runs, hour))
        ]
