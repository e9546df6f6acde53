"""The timeline of one place: wind and gust against their limits, and below a strip of margins per element.

Figures are plain dicts in plotly's own terms; plotly itself is not imported, which saves half a second. There are two
shapes: wide, with one time axis along the page for both panels, and tall for a phone, where the hours of the strip
run down the page so that every number keeps its size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from wxfly.pilot.elements import BY_NAME, RETURN_LEG
from wxfly.pilot.site import SiteClock
from wxfly.report.charts import shades
from wxfly.report.charts.shades import Figure
from wxfly.report.facts import writing
from wxfly.report.facts.site import HourWords, SiteAnswerFacts, TimelineFacts
from wxfly.report.facts.values import array, instants, runs_of
from wxfly.report.facts.writing import Reader
from wxfly.times import as_moment
from wxfly.units import UNITS, from_si, to_si

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


def _strip(hours: DrawnHours, *, tall: bool) -> list[Figure]:
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


def _frames(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Return the frames of the windows, over both panels."""
    across = (-0.5, len(hours.rows) - 0.5)
    drawn = []
    for _, *along in hours.windows():
        drawn += shades.frame((*along, 0, hours.top), ("x", "y"))
        drawn += shades.frame((*across, *along), ("x2", "y2")) if tall else shades.frame((*along, *across), ("x", "y2"))
    return drawn


def _axis_of_rows(hours: DrawnHours) -> Figure:
    """Return the axis that names the rows."""
    titles = [_SHORT_TITLES.get(row, BY_NAME[row].title) for row in hours.rows[1:]]
    return {
        "tickvals": list(range(len(hours.rows))), "ticktext": ["<b>the hour</b>", *titles], "fixedrange": True,
        "showgrid": False, "zeroline": False, "ticks": "",
    }  # fmt: skip


# --- both panels -----------------------------------------------------------------------------------------------


LEFT, RIGHT = 128, 128
"""Margins of a wide chart, so that charts below each other share their axis of time [pixel]."""
_CELL = 25


def timelines(
    facts: TimelineFacts,
    reader: Reader,
    first: int,
    last: int,
    whose: str = "",
    beside: Sequence[TimelineFacts] = (),
) -> dict[str, Figure]:
    """Draw the hours of one place in both shapes.

    Parameters
    ----------
    facts : TimelineFacts
        What to draw.
    reader : Reader
        Units and clock.
    first, last : int
        Positions of the first and last hour.
    whose : str, optional
        What the chances are from, in words.
    beside : sequence of TimelineFacts, optional
        Sites to compare with: their wind has the same scale.

    Returns
    -------
    dict
        ``wide`` and ``tall``, each a plotly figure with ``data`` and ``layout``; the time axis counts hours from the
        first hour drawn.
    """
    drawn = DrawnHours(facts, reader, first, last, whose, beside)
    return {
        shape: {
            "data": [*_wind_panel(drawn, tall=tall), *_strip(drawn, tall=tall)],
            "layout": _layout(drawn, tall=tall),
        }
        for shape, tall in (("wide", False), ("tall", True))
    }


def axis_of_time(reader: Reader, times: Instants, *, tall: bool) -> Figure:
    """Return an axis along the hours, with the zone or zones of its clock."""
    every = 1 + times.size // (8 if tall else 20)
    edges = [*times, times[-1] + HOUR]
    return {
        "range": [0, times.size], "tickvals": list(range(len(edges)))[::every],
        "ticktext": [reader.clock.hour(t) for t in edges][::every], "fixedrange": True, "showgrid": False,
        "zeroline": False, "ticks": "outside",
        "title": {"text": f"hour, {reader.clock.zones(edges[0], edges[-1])}", "standoff": 4},
    }  # fmt: skip


def _layout(drawn: DrawnHours, *, tall: bool) -> Figure:
    wind_pixels = _PIXELS_TALL if tall else _PIXELS
    above = (1 + _SUN_ROWS + 2 * tall) * _LINE_OF_TEXT + 10
    strip_pixels = _CELL * (drawn.count if tall else len(drawn.rows))
    gap = 170 if tall else 34
    margin = {"l": 48, "r": 4, "t": above, "b": 12} if tall else {"l": LEFT, "r": RIGHT, "t": above, "b": 48}
    plot = wind_pixels + gap + strip_pixels
    strip_top, wind_bottom = strip_pixels / plot, (strip_pixels + gap) / plot
    layout = shades.COMMON | {
        "height": plot + margin["t"] + margin["b"], "margin": margin,
        "yaxis": _axis_of_wind(drawn) | {"domain": [wind_bottom, 1]},
        "shapes": [*_shapes(drawn), *_frames(drawn, tall=tall)],
        "annotations": _names(drawn, tall=tall),
    }  # fmt: skip
    time, rows = axis_of_time(drawn.reader, drawn.times, tall=tall), _axis_of_rows(drawn)
    along, across = [0, strip_top], len(drawn.rows) - 0.5
    if tall:
        layout["xaxis"] = time | {"anchor": "y"}
        layout["xaxis2"] = rows | {"anchor": "y2", "side": "top", "tickangle": -90, "range": [-0.5, across]}
        words = [drawn.reader.clock.hour(t) for t in [*drawn.times, drawn.times[-1] + HOUR]]
        down = {"anchor": "x2", "domain": along, "range": [drawn.count, 0], "title": None}
        layout["yaxis2"] = time | down | {"tickvals": list(range(len(words))), "ticktext": words}
        zones = drawn.reader.clock.zones(drawn.times[0], drawn.times[-1] + HOUR)
        layout["annotations"].append(
            {
                "text": f"hour,<br>{zones}", "x": -0.5, "xref": "x2", "xanchor": "right", "xshift": -6, "y": 0,
                "yref": "y2", "yanchor": "bottom", "yshift": 4, "showarrow": False, "font": {"size": 12},
            }
        )  # fmt: skip
    else:
        layout["xaxis"] = time | {"anchor": "y2"}
        layout["yaxis2"] = rows | {"anchor": "x", "domain": along, "range": [across, -0.5]}
    return layout


# --- the upper panel: wind and gust over night and day, arrows, the chance of every hour -----------------------


_CHANCE_DEPTH, _ARROW_DEPTH = 0.19, 0.08
"""How far below the axis the chances and the arrows stand, as a share of its height."""
_CROWDED = 14  # hours from which a phone has no room for every chance
_LINE_OF_TEXT = 17
"""Height of a line of words [pixel]."""
_PIXELS, _PIXELS_TALL = 250, 210
"""Height of the panel in the two shapes."""
_DEPTH_OF_AXIS = 1.26
"""Height of the panel as a share of that of its axis above 0."""
_SUN_ROWS = 2
"""Rows for sunrise and sunset above the panel."""
_SUN_PIXELS = 96
_NARROWEST_WIDE, _NARROWEST_TALL = 540, 268


def _wind_panel(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Return band, chances, the steps of wind and gust, arrows, and hatching where either is not known."""
    drawn = [*_night(hours), *_band(hours), *_chances(hours, tall=tall)]
    for name, dash, width in (("wind", "dot", 2), ("gust", "solid", 3)):
        steps = np.append(hours.speeds[name], hours.speeds[name][-1:])
        drawn += [
            {
                "type": "scatter", "mode": "lines", "name": name, "x": list(range(hours.count + 1)),
                "y": _plain(steps), "line": {"shape": "hv", "dash": dash, "width": width, "color": shades.INK},
                "hoverinfo": "skip",
            },
            {
                "type": "scatter", "mode": "markers", "name": name, "x": hours.centres.tolist(),
                "y": _plain(hours.speeds[name]), "marker": {"size": 22, "opacity": 0, "color": shades.INK},
                "customdata": hours.hovers[name], "hovertemplate": "%{customdata}<extra></extra>",
            },
        ]  # fmt: skip
    return [*drawn, *_arrows(hours, tall=tall), *_unknown_wind(hours)]


def _night(hours: DrawnHours) -> list[Figure]:
    spans = [(a, b) for a, b, kind in light_on_axis(hours) if kind == "night"]
    if not spans:
        return []
    middles, widths = [(a + b) / 2 for a, b in spans], [b - a for a, b in spans]
    boxes = middles, [0.0] * len(spans), [hours.top] * len(spans)
    return [shades.dotted(*boxes, width=widths) | {"xaxis": "x", "yaxis": "y"}]


def _band(hours: DrawnHours) -> list[Figure]:
    lines = hours.member_gusts
    if lines is None:
        return []
    drawn: list[Figure] = []
    for first, last in runs_of(np.asarray(np.isfinite(lines).all(axis=0))):
        x = [float(v) for i in range(first, last + 1) for v in (i, i + 1)]
        steps = np.repeat(lines[:, first : last + 1], 2, axis=1).round(2).tolist()
        common = {"type": "scatter", "mode": "lines", "hoverinfo": "skip"}
        drawn.append(
            {
                "name": "eight of ten members", "x": [*x, *x[::-1]], "y": [*steps[3], *steps[1][::-1]],
                "fill": "toself", "fillcolor": shades.BAND, "line": {"width": 0}, **common,
            }
        )  # fmt: skip
        drawn += [
            {"name": "all members", "x": x, "y": steps[k], "line": {"width": 1, "color": shades.EXTREME}, **common}
            for k in (0, 4)
        ]
    return drawn


def _chances(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    known = np.flatnonzero(~np.isnan(hours.chances) & hours.lit)
    if not known.size:
        return []
    every = 2 if tall and hours.count > _CROWDED else 1
    return [
        {
            "type": "scatter", "mode": "text", "name": "chance", "x": hours.centres[known].tolist(),
            "y": [-_CHANCE_DEPTH * hours.top] * known.size,
            "text": ["" if k % every else shades.chance_cell(float(hours.chances[i])) for k, i in enumerate(known)],
            "textfont": {"size": 12, "color": shades.INK},
            "customdata": [
                f"{hours.span(int(i))}<br><b>{writing.in_ten(float(hours.chances[i]))}</b> that every limit holds"
                f"<br>{hours.whose.replace(', ', '<br>', 1)}"
                for i in known
            ],
            "hovertemplate": "%{customdata}<extra></extra>",
        }
    ]  # fmt: skip


def _arrows(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Arrows below the axis that fly with the wind."""
    direction = array(hours.site.hours.wind_from_direction_at_start[hours.part])
    known = np.flatnonzero(~np.isnan(direction))
    if not known.size:
        return []
    size, pixels = (10, _PIXELS_TALL) if tall else (14, _PIXELS)
    toward = ((direction[known] + 180) % 360).round()
    # The place of an arrow is its tip: moved so that its middle stands in the row, clear of axis and numbers.
    shift = np.cos(np.deg2rad(toward)) * size / 2 * _DEPTH_OF_AXIS / pixels
    return [
        {
            "type": "scatter", "mode": "markers", "name": "direction", "x": hours.centres[known].tolist(),
            "y": ((shift - _ARROW_DEPTH) * hours.top).round(3).tolist(),
            "marker": {"symbol": "arrow", "size": size, "color": shades.INK, "angle": toward.tolist()},
            "customdata": [
                f"{hours.span(int(i))}<br>wind from {writing.direction(float(direction[i]))}" for i in known
            ],
            "hovertemplate": "%{customdata}<extra></extra>",
        }
    ]  # fmt: skip


def _unknown_wind(hours: DrawnHours) -> list[Figure]:
    unknown = np.flatnonzero(np.isnan(hours.speeds["wind"]) | np.isnan(hours.speeds["gust"]))
    if not unknown.size:
        return []
    hover = [
        "<br>".join(hours.hovers[name][i] for name in ("wind", "gust") if np.isnan(hours.speeds[name][i]))
        for i in unknown
    ]
    return [
        shades.hatched(hours.centres[unknown].tolist(), [0.0] * unknown.size, [hours.top] * unknown.size, hover)
        | {"xaxis": "x", "yaxis": "y", "textposition": "inside", "insidetextanchor": "end"}
    ]


def _shapes(hours: DrawnHours) -> list[Figure]:
    """Return the shading of twilight, and the lines of the limits."""
    twilight = [
        {
            "type": "rect", "xref": "x", "yref": "y", "layer": "below", "line": {"width": 0}, "x0": a, "x1": b,
            "y0": 0, "y1": hours.top, "fillcolor": shades.TWILIGHT,
        }
        for a, b, kind in light_on_axis(hours)
        if kind == "twilight"
    ]  # fmt: skip
    lines = [
        {
            "type": "line", "xref": "x", "yref": "y", "x0": 0, "x1": hours.count, "y0": limit, "y1": limit,
            "line": {"color": shades.LIMIT_LINE, "width": 2, "dash": {"wind": "dot", "gust": "dash"}[name]},
        }
        for name, limit in hours.limits.items()
        if np.isfinite(limit)
    ]  # fmt: skip
    return [*twilight, *lines]


def light_on_axis(hours: DrawnHours) -> list[tuple[float, float, str]]:
    """Return start, end and kind of the spans of light on the drawing's axis."""
    spans = hours.facts.light
    starts, ends = (
        np.clip((instants(moments) - hours.times[0]) / HOUR, 0, hours.count)
        for moments in ([s.start for s in spans], [s.end for s in spans])
    )
    return [(float(a), float(b), s.kind) for a, b, s in zip(starts, ends, spans, strict=True) if b > a]


def _names(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Return the names of limits and lines, sunrise and sunset, the chances and the ranks of the windows."""
    windows = [
        _words(f"<b>{'best' if rank == 1 else rank}</b>", (start + end) / 2, hours.top, yanchor="bottom",
               font={"size": 13})
        for rank, start, end in hours.windows()
    ]  # fmt: skip
    phrase = [*_line_words(hours, tall=tall), *_sun_words(hours, tall=tall), *windows]
    if (~np.isnan(hours.chances)).any():
        phrase.append(_words("chance", 0, -_CHANCE_DEPTH * hours.top, xanchor="right"))
    return phrase


def _axis_of_wind(hours: DrawnHours) -> Figure:
    """Return the axis of wind."""
    height = writing.amount(hours.site.height, "height", hours.reader.units)
    return {
        "range": [(1 - _DEPTH_OF_AXIS) * hours.top, hours.top], "fixedrange": True, "gridcolor": shades.GRID,
        "zeroline": True,
        "title": {"text": f"wind at {height} [{UNITS[hours.unit].written}]", "standoff": 6},
        "zerolinecolor": shades.HATCH, "tickvals": _ticks(hours.top),
    }  # fmt: skip


def _line_words(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Name lines and limits beside the panel, each clear of the others, or on a phone above it, where no line runs."""
    known = {name: limit for name, limit in hours.limits.items() if np.isfinite(limit)}
    phrase = {
        name: writing.amount(float(to_si(limit, hours.unit)), "wind", hours.reader.units)
        for name, limit in known.items()
    }
    font = {"color": shades.LIMIT_WORDS, "size": 12}
    if tall:
        lines = {"gust": "dashes", "wind": "dots"}
        limits = ", ".join(f"{name} {phrase[name]} ({line})" for name, line in lines.items() if name in phrase)
        rows = [f"limits: {limits}", "gust: solid line, wind: dotted line"]
        return [
            _words(row, hours.count / 2, hours.top, font=font, xanchor="center", yanchor="bottom",
                   yshift=(_SUN_ROWS + 1 + i) * _LINE_OF_TEXT)
            for i, row in enumerate(rows)
        ]  # fmt: skip
    places = [(limit, f"{name} limit {phrase[name]}", font) for name, limit in known.items()]
    for name, speed in hours.speeds.items():
        there = np.flatnonzero(~np.isnan(speed))
        if there.size:
            places.append((float(speed[there[-1]]), name, {"color": shades.INK, "size": 12}))
    places.sort(key=lambda place: place[0])
    heights = _parted([place[0] for place in places], _LINE_OF_TEXT * _DEPTH_OF_AXIS * hours.top / _PIXELS, hours.top)
    return [
        _words(text, hours.count, height, xanchor="left", yanchor="middle", font=own)
        for (_, text, own), height in zip(places, heights, strict=True)
    ]


def _parted(wanted: list[float], gap: float, top: float) -> list[float]:
    """Return rising places at least a gap apart, as near to the wanted as that allows, and none above the top."""
    placed: list[float] = []
    for place in wanted:
        placed.append(max(place, placed[-1] + gap) if placed else place)
    highest = top
    for i in reversed(range(len(placed))):
        placed[i] = min(placed[i], highest)
        highest = placed[i] - gap
    return placed


def _sun_words(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Name sunrise and sunset above the panel; one that would touch another stands a row higher."""
    spans = light_on_axis(hours)
    changes = [
        ("sunrise" if after == "day" else "sunset", at)
        for (_, at, before), (_, _, after) in pairwise(spans)
        if {before, after} == {"twilight", "day"}
    ]
    half = min(_SUN_PIXELS / 2 * hours.count / (_NARROWEST_TALL if tall else _NARROWEST_WIDE), hours.count / 2)
    words, last = [], [-np.inf] * _SUN_ROWS
    for what, at in changes:
        # The first whole minute of the new light; the last of the day is the one before.
        moment = hours.times[0] + np.timedelta64(round(at * 60) - (what == "sunset"), "m")
        place = min(max(at, half), hours.count - half)
        row = 0 if place - last[0] >= 2 * half else 1
        last[row] = place
        words.append(
            _words(f"{what} {hours.reader.clock.hour(moment)}", place, hours.top, yanchor="bottom",
                   yshift=(1 + row) * _LINE_OF_TEXT, xanchor="center")
        )  # fmt: skip
    return words


def _words(text: str, x: float, y: float, **more: Any) -> Figure:
    return {
        "text": text, "x": x, "y": y, "xref": "x", "yref": "y", "showarrow": False, "bgcolor": "rgba(255,255,255,0.85)",
        "borderpad": 1, **more,
    }  # fmt: skip


def _plain(values: npt.NDArray[np.float64]) -> list[float | None]:
    return [None if np.isnan(v) else round(float(v), 2) for v in values]


def _ticks(top: float) -> list[float]:
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200) if top / s <= 6.5)
    return [float(v) for v in np.arange(0, top, step)]
