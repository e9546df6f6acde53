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
from wxfly.pilot.elements import RETURN_LEG, ROW
from wxfly.report.charts import shades
from wxfly.report.text import phrases, sentences
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
        self.unit = phrases.unit_of("wind", reader.units)
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
            lines = [self.span(i), f"<b>{state.words}</b>, margin {phrases.margin(margin)}", "decides: "]
            lines[-1] += sentences.reason_of(self.answer, hour, self.reader.units).replace(", ", "<br>", 1)
            return "<br>".join(lines)
        reading = sentences.reading_of(self.answer, row, hour, self.reader.units).replace(", ", "<br>", 1)
        margin = float(self.margins[1 + ROW[row], i])
        kind = "required" if self._required[ROW[row], i] else "advised"
        told = f"margin {phrases.margin(margin)}" if not np.isnan(margin) else f"margin not known ({kind})"
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
