"""The words of one hour of a site, from its facts: what each element asks of its limit, and what decides."""

from __future__ import annotations

import math

from wxfly.pilot.elements import BY_NAME, RETURN_LEG, ROW
from wxfly.pilot.limits import HEIGHT_OF_LAUNCH
from wxfly.report.facts.answer import SiteAnswerFacts
from wxfly.report.facts.hours import limits_of_hours
from wxfly.report.text import sentences


class HourWords:
    """Phrases the hours of one site.

    Parameters
    ----------
    site : SiteAnswerFacts
        Whose hours.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    """

    def __init__(self, site: SiteAnswerFacts, units: str) -> None:
        self._site, self._units = site, units
        self._limits = [limits_of_hours(element) for element in site.elements]

    def reading(self, element: str, hour: int) -> str:
        """Phrase one element of one hour, such as ``gust at 80 m, 9.1 of 10.7 m/s``."""
        row = ROW[element]
        facts = self._site.elements[row]
        demand, limit = (math.nan if v is None else v for v in (facts.demand[hour], self._limits[row][hour]))
        if element == RETURN_LEG.name:
            return sentences.way_home(demand)
        height = self._site.height if facts.height_by_hour is None else facts.height_by_hour[hour]
        near_ground = any(first <= hour <= last for first, last in facts.near_ground_runs)
        told = sentences.reading(element, demand, limit, height=height, units=self._units, near_ground=near_ground)
        if height == self._site.height:
            return told
        return f"{told}, {'at launch and landing' if height == HEIGHT_OF_LAUNCH else 'on the way home'}"

    def reason(self, hour: int) -> str:
        """Phrase what decides in one hour."""
        element = self._site.hours.limiting_element[hour]
        return self.held_back(hour) or (self.reading(element, hour) if element else "nothing is known")

    def held_back(self, hour: int) -> str:
        """Say by what an hour is held back that would not be outside by itself; empty where it is not."""
        cause = self._site.hours.held_back[hour]
        if cause is None or any((e.margin[hour] or 0.0) < 0 for e in self._site.elements):
            return ""
        hours = self._site.intent.hold_hours
        before = "the hour before was" if hours == 1 else f"one of the {hours} hours before was"
        title = BY_NAME[cause].title
        if self._site.hours.margin[hour] is None:
            return f"held back: whether {before} over the {title} limit is not known"
        return f"held back: {before} over the {title} limit"

    def missing(self, hour: int) -> list[str]:
        """Name the required elements that are not known in an hour."""
        return [
            e.name
            for e in self._site.elements
            if e.judged and e.margin[hour] is None
            if e.is_required or any(first <= hour <= last for first, last in e.lost_runs)
        ]
