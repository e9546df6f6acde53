"""The hours of one place that a timeline draws: their values in the reader's units, and what each cell says."""

from __future__ import annotations

import html
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from wxfly.answer import findings
from wxfly.answer.request import SiteAnswer
from wxfly.assessment.suitability import State, counts_as_required, names_of
from wxfly.pilot.elements import BY_NAME, RETURN_LEG, ROW
from wxfly.report.charts import shades
from wxfly.report.charts import shades as palette
from wxfly.report.text import sentences
from wxfly.report.text.sentences import Reader
from wxfly.units import from_si

Figure = dict[str, Any]
"""A figure, or a part of one, in plotly's own terms."""

THE_HOUR = "the hour"
"""The first row of the strip: the hour as a whole."""

FONT = {"family": "system-ui, sans-serif", "color": shades.INK}
_HEADROOM = 1.3


class DrawnHours:
    """What the panels of one timeline share.

    Attributes
    ----------
    answer, reader
        As given.
    first, count : int
        Position of the first hour, and how many there are.
    part : slice
        The hours on the time axis of the answer.
    times : numpy.ndarray
        Starts of the hours, UTC.
    centres : numpy.ndarray
        Middle of every hour on the drawing's axis, which counts hours from the first.
    unit : str
        Of wind and gust.
    speeds, limits : dict
        Demand of every hour, and limit, of ``wind`` and ``gust`` in that unit.
    top : float
        Upper end of the axis of wind.
    rows : tuple of str
        Of the strip: the hour as a whole, and every element.
    margins : numpy.ndarray
        Shape (rows, hours).
    lit : numpy.ndarray of bool
        Which hours have light.
    hovers : dict
        For every row what each hour says when it is pointed at.
    chances : numpy.ndarray or None
        Chance of every hour.
    member_gusts : numpy.ndarray or None
        Shape (hours, 5): lowest, a tenth, the middle, nine tenths and highest of the members' gusts in that unit; None
        without members.
    """

    def __init__(self, answer: SiteAnswer, reader: Reader, first: int, last: int) -> None:
        self.answer, self.reader = answer, reader
        self.first, self.count = first, last - first + 1
        self.part = slice(first, last + 1)
        assessment = answer.assessment
        self.times = assessment["time"].values[self.part].astype("datetime64[s]")
        self.centres = np.arange(self.count) + 0.5
        self.unit = sentences.unit_of("wind", reader.units)
        demand, limit, margin = (
            assessment[name].transpose("element", "time").values[:, self.part] for name in ("demand", "limit", "margin")
        )
        if "flight_demand" in assessment:  # the panel draws the wind at flight height, whichever phase decides
            demand, limit = (
                assessment[f"flight_{n}"].transpose("element", "time").values[:, self.part] for n in ("demand", "limit")
            )
        self.rows = (THE_HOUR, *names_of(assessment))
        self.speeds = {name: self._in_unit(demand[ROW[name]]) for name in ("wind", "gust")}
        self.limits = {name: float(self._in_unit(limit[ROW[name]])[0]) for name in ("wind", "gust")}
        sureness = answer.sureness
        self.chances = None if sureness is None else sureness.hours.values[self.part]
        self.member_gusts = None
        if sureness is not None and sureness.band is not None:
            self.member_gusts = self._in_unit(sureness.band["wind_speed_of_gust"].values[self.part])
        band = np.array([]) if self.member_gusts is None else self.member_gusts[:, 3]
        known = np.concatenate([*self.speeds.values(), list(self.limits.values()), band])
        self.top = float(np.nanmax(known)) * _HEADROOM
        self.margins = np.vstack([assessment["hour_margin"].values[self.part], margin])
        self.lit = answer.lit_hours[self.part]
        self._states = assessment["state"].values[self.part]
        self._required = counts_as_required(assessment.transpose("element", "time", ...))[:, self.part]
        self._skipped = set(assessment.attrs["not_judged"])
        self.hovers = {row: [self._hover(row, i) for i in range(self.count)] for row in self.rows}

    def _in_unit(self, values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.asarray(from_si(values, self.unit))

    def span(self, i: int) -> str:
        """Write the span of an hour with its zone."""
        clock = self.reader.clock
        return f"{clock.span(self.times[i], self.times[i] + findings.HOUR)} {clock.zone(self.times[i])}"

    def _hover(self, row: str, i: int) -> str:
        """Say value, limit and margin of a cell, in lines that fit a phone."""
        hour = self.first + i
        if row == THE_HOUR:
            state, margin = State(int(self._states[i])), float(self.margins[0, i])
            lines = [self.span(i), f"<b>{state.words}</b>, margin {sentences.margin(margin)}", "decides: "]
            lines[-1] += sentences.reason_of(self.answer, hour, self.reader.units).replace(", ", "<br>", 1)
            return "<br>".join(lines)
        reading = sentences.reading_of(self.answer, row, hour, self.reader.units).replace(", ", "<br>", 1)
        margin = float(self.margins[1 + ROW[row], i])
        kind = "required" if self._required[ROW[row], i] else "advised"
        told = f"margin {sentences.margin(margin)}" if not np.isnan(margin) else f"margin not known ({kind})"
        if row in self._skipped:
            told = "not judged: figures missing" if row == RETURN_LEG.name else "not judged: no limit"
        return f"{self.span(i)}<br><b>{reading}</b><br>{told}"

    def place(self, moment: np.datetime64) -> float:
        """Return where a moment lies on the drawing's axis, which may be beyond its ends."""
        return float((moment - self.times[0]) / findings.HOUR)

    def windows(self) -> list[tuple[int, float, float]]:
        """Return rank, start and end of the windows that reach into these hours, on the drawing's axis."""
        placed = [(rank, self.place(w.start), self.place(w.end)) for rank, w in enumerate(self.answer.windows, start=1)]
        return [
            (rank, max(0.0, start), min(float(self.count), end))
            for rank, start, end in placed
            if end > 0 and start < self.count
        ]


def hatched(
    along: Sequence[float], base: Sequence[float], length: Sequence[float], hover: Sequence[str], *, lying: bool = False
) -> Figure:
    """Draw hatched boxes with a question mark for what is not known; `lying` boxes grow along x."""
    values = {"x": list(length), "y": list(along)} if lying else {"x": list(along), "y": list(length)}
    return {
        "type": "bar", "name": "not known", "orientation": "h" if lying else "v", "base": list(base), "width": 1,
        "marker": {
            "color": "#ffffff", "line": {"color": shades.HATCH, "width": 1},
            "pattern": {"shape": "/", "fgcolor": shades.HATCH, "bgcolor": "#ffffff", "size": 7, "solidity": 0.25},
        },
        "text": ["<b>?</b>"] * len(along), "textposition": "inside", "insidetextanchor": "middle", "textangle": 0,
        "textfont": {"color": "#000000", "size": 13}, "customdata": list(hover),
        "hovertemplate": "%{customdata}<extra></extra>", **values,
    }  # fmt: skip


def escaped(text: str) -> str:
    """Escape a text from outside for plotly, which reads some tags, as for HTML."""
    return html.escape(text, quote=False)


_SHORT_TITLES = {"wind_difference": "wind difference"}
# Up to this many hours a cell of the wide strip has room for a whole number.
_ROOMY = 21


def traces(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Return the cells with their numbers, and hatched cells for what is not known."""
    margins, reserve = hours.margins, hours.answer.request.limits.reserve
    shades = [[palette.shade_of(float(m), reserve) for m in row] for row in margins]
    is_short = tall or hours.count > _ROOMY
    text = [["" if np.isnan(m) else palette.cell(float(m), short=is_short) for m in row] for row in margins]
    colours = [[palette.NUMBERS[s] if s is not None else palette.INK for s in row] for row in shades]
    text = [
        [f'<span style="color:{c}">{t}</span>' if t else "" for c, t in zip(cs, ts, strict=True)]
        for cs, ts in zip(colours, text, strict=True)
    ]
    for row in (hours.rows.index(THE_HOUR), hours.rows.index("daylight")):
        for i in np.flatnonzero(~hours.lit & ~np.isnan(margins[row])):
            shades[row][i], text[row][i] = palette.DARK, "" if is_short else "dark"
    hover = [hours.hovers[name] for name in hours.rows]
    rows = list(range(len(hours.rows)))
    along, across = hours.centres.tolist(), rows
    grid: Figure = {
        "type": "heatmap", "name": "margin", "z": shades, "zmin": 0, "zmax": 5, "text": text,
        "customdata": hover, "colorscale": palette.colorscale(), "showscale": False, "xgap": 1, "ygap": 1,
        "texttemplate": "%{text}", "textfont": {"size": 11}, "hoverongaps": False,
        "hovertemplate": "%{customdata}<extra></extra>",
    }  # fmt: skip
    grid["z"] = [[None if s is None else s + 0.5 for s in row] for row in shades]
    if tall:
        for key in ("z", "text", "customdata"):
            grid[key] = [list(column) for column in zip(*grid[key], strict=True)]
        along, across = across, along
    grid |= {"x": along, "y": across, **_axes(tall=tall)}
    return [grid, *_unknown_cells(hours, tall=tall)]


def _axes(*, tall: bool) -> Figure:
    return {"xaxis": "x2", "yaxis": "y2"} if tall else {"xaxis": "x", "yaxis": "y2"}


def _unknown_cells(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    rows, at = np.nonzero(np.isnan(hours.margins))
    if not rows.size:
        return []
    hover = [hours.hovers[hours.rows[r]][i] for r, i in zip(rows, at, strict=True)]
    bars = hatched(hours.centres[at].tolist(), (rows - 0.5).tolist(), [1.0] * rows.size, hover, lying=tall)
    return [bars | _axes(tall=tall)]


def frames(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Return the black frames of the windows, over both panels."""
    line = {"color": "#000000", "width": 3}
    boxes = []
    for _, start, end in hours.windows():
        box = {"type": "rect", "line": line, "fillcolor": "rgba(0,0,0,0)"}
        boxes.append(box | {"xref": "x", "yref": "y", "x0": start, "x1": end, "y0": 0, "y1": hours.top})
        across = (-0.5, len(hours.rows) - 0.5)
        (x0, x1), (y0, y1) = (across, (start, end)) if tall else ((start, end), across)
        boxes.append(box | {"xref": "x2" if tall else "x", "yref": "y2", "x0": x0, "x1": x1, "y0": y0, "y1": y1})
    return boxes


def axis_of_rows(hours: DrawnHours) -> Figure:
    """Return the axis that names the rows."""
    return {
        "tickvals": list(range(len(hours.rows))), "ticktext": [_title(row) for row in hours.rows], "fixedrange": True,
        "showgrid": False, "zeroline": False, "ticks": "",
    }  # fmt: skip


def _title(row: str) -> str:
    if row == THE_HOUR:
        return "<b>the hour</b>"
    return _SHORT_TITLES.get(row, BY_NAME[row].title)
