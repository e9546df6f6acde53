"""The hours of one place that a timeline draws: their values in the reader's units, and the strip of their margins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt

from wxfly.pilot.elements import BY_NAME, RETURN_LEG
from wxfly.pilot.site import SiteClock
from wxfly.report.charts import shades
from wxfly.report.charts.shades import Figure
from wxfly.report.facts import writing
from wxfly.report.facts.site import SiteAnswerFacts
from wxfly.report.facts.timeline import TimelineFacts
from wxfly.report.facts.values import array, instants
from wxfly.report.facts.verdict import HourWords
from wxfly.report.facts.writing import Reader
from wxfly.times import as_moment
from wxfly.units import from_si

THE_HOUR = "the hour"
"""The first row of the strip: the hour as a whole."""

HOUR = np.timedelta64(1, "h")
Instants = npt.NDArray[np.datetime64]
_HEADROOM = 1.3
# Up to this many hours a cell of the wide strip has room for a whole number.
_ROOMY = 18
_SHORT_TITLES = {"wind_difference": "wind difference"}


@dataclass(frozen=True)
class Day:
    """The hours of a day on a clock: its date, and their positions."""

    date: date
    hours: npt.NDArray[np.intp]


def lit_hours(site: SiteAnswerFacts) -> npt.NDArray[np.bool_]:
    """Return which hours have light in the period asked about."""
    return np.array([start is not None for start in site.hours.usable_start], dtype=bool)


def days_of(site: SiteAnswerFacts, clock: SiteClock) -> list[Day]:
    """Return the days of an answer on a clock."""
    starts, asked = instants(site.hours.start), as_moment(site.period.start)
    inside = np.flatnonzero((starts + HOUR > asked) & (starts < as_moment(site.period.end)))
    dates = np.array([clock.date(max(starts[i], asked)) for i in inside], dtype=object)
    return [Day(day, inside[dates == day]) for day in sorted(set(dates))]


def hours_shown(site: SiteAnswerFacts, here: npt.NDArray[np.intp] | None = None) -> tuple[int, int]:
    """Return first and last hour to draw of some, or of all: the lit ones and one on either side, or all when dark."""
    if here is None:
        here = np.concatenate([day.hours for day in days_of(site, SiteClock("UTC"))])
    lit = here[lit_hours(site)[here]]
    if not lit.size:
        return int(here[0]), int(here[-1])
    return max(int(here[0]), int(lit[0]) - 1), min(int(here[-1]), int(lit[-1]) + 1)


class DrawnHours:
    """What the panels of one timeline share.

    Attributes
    ----------
    facts, site, reader, whose
        As given, and the answer for the site.
    first, count : int
        Position of the first hour, and how many there are.
    times : numpy.ndarray
        Starts of the hours, UTC.
    centres : numpy.ndarray
        Middle of every hour on the drawing's axis, which counts hours from the first.
    unit : str
        Of wind and gust.
    speeds, limits : dict
        Demand of every hour, and limit, of ``wind`` and ``gust`` at flight height in that unit.
    top : float
        Upper end of the axis of wind.
    rows : tuple of str
        Of the strip: the hour as a whole, and every element.
    margins : numpy.ndarray
        Shape (rows, hours).
    lit : numpy.ndarray of bool
        Which hours have light.
    chances : numpy.ndarray
        Chance of every hour.
    member_gusts : numpy.ndarray or None
        Shape (5, hours): lowest, a tenth, the middle, nine tenths and highest of the members' gusts in that unit; None
        without members.
    hovers : dict
        For every row what each hour says when it is pointed at.
    """

    def __init__(
        self,
        facts: TimelineFacts,
        reader: Reader,
        first: int,
        last: int,
        whose: str = "",
        beside: Sequence[TimelineFacts] = (),
    ) -> None:
        self.facts, self.site, self.reader, self.whose = facts, facts.site, reader, whose
        self.first, self.count = first, last - first + 1
        self.part = part = slice(first, last + 1)
        hours = self.site.hours
        self.times = instants(hours.start[part])
        self.centres = np.arange(self.count) + 0.5
        self.unit = writing.unit_of("wind", reader.units)
        at_height = {"wind": facts.wind, "gust": facts.gust}
        self.speeds = {name: self._in_unit(wind.demand[part]) for name, wind in at_height.items()}
        self.limits = {name: float(self._in_unit([wind.limit])[0]) for name, wind in at_height.items()}
        self.chances = array(hours.chance[part])
        self.member_gusts = None
        if hours.members is not None:
            self.member_gusts = np.array([self._in_unit(row[part]) for row in hours.members.gust])
        self.top = max(float(np.nanmax(self._in_unit(_winds(one, part)))) for one in (facts, *beside)) * _HEADROOM
        self.rows = (THE_HOUR, *(element.name for element in self.site.elements))
        of_elements = [element.margin for element in self.site.elements]
        self.margins = np.array([array(row[part]) for row in (hours.margin, *of_elements)])
        self.lit = lit_hours(self.site)[part]
        self._words = HourWords(self.site, reader.units)
        self.hovers = {row: [self._hover(k - 1, i) for i in range(self.count)] for k, row in enumerate(self.rows)}

    def _in_unit(self, values: Sequence[float | None]) -> npt.NDArray[np.float64]:
        return np.asarray(from_si(array(values), self.unit))

    def span(self, i: int) -> str:
        """Write the span of an hour with its zone."""
        clock = self.reader.clock
        return f"{clock.span(self.times[i], self.times[i] + HOUR)} {clock.zone(self.times[i])}"

    def _hover(self, row: int, i: int) -> str:
        """Return value, limit and margin of a cell, in lines that fit a phone; the hour as a whole is row -1."""
        hour, margin = self.first + i, float(self.margins[1 + row, i])
        if row < 0:
            reason = self._words.reason(hour).replace(", ", "<br>", 1)
            state = self.site.hours.state[hour]
            return f"{self.span(i)}<br><b>{state}</b>, margin {writing.margin(margin)}<br>decides: {reason}"
        element = self.site.elements[row]
        reading = self._words.demand_in_words(element.name, hour).replace(", ", "<br>", 1)
        if not element.judged:
            words = "not judged: figures missing" if element.name == RETURN_LEG.name else "not judged: no limit"
        elif np.isnan(margin):
            counts = element.is_required or any(first <= hour <= last for first, last in element.lost_runs)
            words = f"margin not known ({'required' if counts else 'advised'})"
        else:
            words = f"margin {writing.margin(margin)}"
        return f"{self.span(i)}<br><b>{reading}</b><br>{words}"

    def windows(self) -> list[tuple[int, float, float]]:
        """Return rank, start and end of the windows that reach into these hours, on the drawing's axis."""
        placed = [(w.rank, *((instants([w.start, w.end]) - self.times[0]) / HOUR)) for w in self.site.windows]
        return [
            (rank, max(0.0, float(start)), min(float(self.count), float(end)))
            for rank, start, end in placed
            if end > 0 and start < self.count
        ]


def _winds(facts: TimelineFacts, part: slice) -> list[float | None]:
    """Return all that the axis of wind must have room for."""
    of_members = [] if facts.site.hours.members is None else facts.site.hours.members.gust[3][part]
    both = facts.wind, facts.gust
    return [*of_members, *(wind.limit for wind in both), *(v for wind in both for v in wind.demand[part])]


def traces(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Return the cells with their numbers, and hatched cells for what is not known."""
    margins, reserve = hours.margins, hours.site.limits.reserve
    classes = [[shades.shade_of(float(m), reserve) for m in row] for row in margins]
    is_short = tall or hours.count > _ROOMY
    text = [["" if np.isnan(m) else shades.cell(float(m), short=is_short) for m in row] for row in margins]
    dark: list[tuple[int, int]] = []
    for row in (hours.rows.index(THE_HOUR), hours.rows.index("daylight")):
        for i in np.flatnonzero(~hours.lit & ~np.isnan(margins[row])).tolist():
            classes[row][i], text[row][i] = shades.DARK, ""
            dark.append((row, i))
    axes = {"xaxis": "x2", "yaxis": "y2"} if tall else {"xaxis": "x", "yaxis": "y2"}
    drawn = [shades.grid(classes, text, [hours.hovers[row] for row in hours.rows], tall=tall) | axes]
    if dark:
        of_rows, of_hours = (np.array(part) for part in zip(*dark, strict=True))
        boxes_of_dark = hours.centres[of_hours].tolist(), (of_rows - 0.5).tolist(), [1.0] * len(dark)
        drawn.append(shades.dotted(*boxes_of_dark, lying=tall) | axes)
    rows, at = np.nonzero(np.isnan(margins))
    if rows.size:
        hover = [hours.hovers[hours.rows[r]][i] for r, i in zip(rows, at, strict=True)]
        boxes = hours.centres[at].tolist(), (rows - 0.5).tolist(), [1.0] * rows.size, hover
        drawn.append(shades.hatched(*boxes, lying=tall) | axes)
    return drawn


def frames(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Return the frames of the windows, over both panels."""
    across = (-0.5, len(hours.rows) - 0.5)
    drawn = []
    for _, *along in hours.windows():
        drawn += shades.frame((*along, 0, hours.top), ("x", "y"))
        drawn += shades.frame((*across, *along), ("x2", "y2")) if tall else shades.frame((*along, *across), ("x", "y2"))
    return drawn


def axis_of_rows(hours: DrawnHours) -> Figure:
    """Return the axis that names the rows."""
    titles = [_SHORT_TITLES.get(row, BY_NAME[row].title) for row in hours.rows[1:]]
    return {
        "tickvals": list(range(len(hours.rows))), "ticktext": ["<b>the hour</b>", *titles], "fixedrange": True,
        "showgrid": False, "zeroline": False, "ticks": "",
    }  # fmt: skip
