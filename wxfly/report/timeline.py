"""The timeline of one place: wind and gust against their limits, and below a strip of margins per element.

Figures are plain dicts in plotly's own terms; plotly itself is not imported, which saves half a second. There are two
shapes: wide, with one time axis along the page for both panels, and tall for a phone, where the hours of the strip
run down the page so that every number keeps its size.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from wxfly.briefing import SiteAnswer
from wxfly.elements import BY_NAME, ELEMENTS
from wxfly.physics.daylight import CIVIL_TWILIGHT, HORIZON, sun_position
from wxfly.report import findings, palette, phrases, sentences
from wxfly.report.sentences import Reader
from wxfly.suitability import State
from wxfly.units import from_si

Figure = dict[str, Any]

ROWS = ("the hour", *(element.name for element in ELEMENTS))
_SHORT_TITLES = {"wind_difference": "wind difference"}
# Up to this many hours a cell of the wide strip has room for a whole number.
_ROOMY = 21
_FONT = {"family": "system-ui, sans-serif", "color": palette.INK}
_MINUTE = np.timedelta64(1, "m")


def hours_shown(answer: SiteAnswer, start: np.datetime64, end: np.datetime64) -> tuple[int, int]:
    """Give first and last hour to draw between two moments: the lit ones and one on either side, or all when dark."""
    times = answer.assessment["time"].values.astype("datetime64[s]")
    here = np.flatnonzero((times + findings.HOUR > start) & (times < end))
    lit = here[findings.lit_hours(answer)[here]]
    if not lit.size:
        return int(here[0]), int(here[-1])
    return max(int(here[0]), int(lit[0]) - 1), min(int(here[-1]), int(lit[-1]) + 1)


def timelines(answer: SiteAnswer, reader: Reader, first: int, last: int) -> dict[str, Figure]:
    """Draw the hours of one place in both shapes.

    Parameters
    ----------
    answer : SiteAnswer
        What to draw.
    reader : Reader
        Units and clock.
    first, last : int
        Positions of the first and last hour.

    Returns
    -------
    dict
        ``wide`` and ``tall``, each a plotly figure with ``data`` and ``layout``; the time axis counts hours from the
        first hour drawn.
    """
    drawing = _Drawing(answer, reader, first, last)
    figures = {}
    for shape in ("wide", "tall"):
        drawing.tall = shape == "tall"
        data = [*drawing.wind_traces(), *drawing.strip_traces()]
        figures[shape] = {"data": data, "layout": drawing.layout()}
    return figures


def light_spans(answer: SiteAnswer, start: np.datetime64, end: np.datetime64) -> list[tuple[float, float, str]]:
    """Give spans of night, twilight and day, in hours from `start`, to the minute."""
    moments = np.arange(start.astype("datetime64[m]"), end.astype("datetime64[m]") + _MINUTE, _MINUTE)
    site = answer.request.site
    elevation, _ = sun_position(site.latitude, site.longitude, moments)
    kind = np.where(elevation >= HORIZON, 2, np.where(elevation >= CIVIL_TWILIGHT, 1, 0))
    edges = [0, *(np.flatnonzero(np.diff(kind)) + 1).tolist(), kind.size - 1]
    words = ("night", "twilight", "day")
    return [(a / 60, b / 60, words[kind[a]]) for a, b in pairwise(edges) if b > a]


class _Drawing:
    """Holds what the parts of one figure share."""

    def __init__(self, answer: SiteAnswer, reader: Reader, first: int, last: int) -> None:
        self.answer, self.reader, self.tall = answer, reader, False
        self.first, self.count = first, last - first + 1
        self.part = slice(first, last + 1)
        self.times = answer.assessment["time"].values[self.part].astype("datetime64[s]")
        self.unit = phrases.unit_of("wind", reader.units)
        self.centres = np.arange(self.count) + 0.5
        self.limits = {name: self._in_unit(self._of("limit", name))[0] for name in ("wind", "gust")}
        self.speeds = {name: self._in_unit(self._of("demand", name)) for name in ("wind", "gust")}
        known = np.concatenate([*self.speeds.values(), list(self.limits.values())])
        self.top = float(np.nanmax(known)) * 1.3
        self.reserve = answer.request.limits.reserve
        self.lit = findings.lit_hours(answer)[self.part]
        self.margins = self._margins()
        self.states = answer.assessment["state"].values[self.part]
        self.skipped = set(answer.assessment.attrs["not_judged"])
        self.hovers = {row: [self._hover(row, i) for i in range(self.count)] for row in ROWS}

    def _of(self, what: str, element: str) -> npt.NDArray[np.float64]:
        values = self.answer.assessment[what].sel(element=element).values[self.part]
        return np.asarray(values, dtype=float)

    def _in_unit(self, values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.asarray(from_si(values, self.unit))

    # --- wind and gust -----------------------------------------------------------------------------------------

    def wind_traces(self) -> list[Figure]:
        traces = []
        for name, dash, width in (("wind", "dot", 2), ("gust", "solid", 3)):
            steps = np.append(self.speeds[name], self.speeds[name][-1:])
            traces.append(
                {
                    "type": "scatter", "mode": "lines", "name": name, "x": list(range(self.count + 1)),
                    "y": _plain(steps), "line": {"shape": "hv", "dash": dash, "width": width, "color": palette.INK},
                    "hoverinfo": "skip",
                }
            )  # fmt: skip
            traces.append(
                {
                    "type": "scatter", "mode": "markers", "name": name, "x": self.centres.tolist(),
                    "y": _plain(self.speeds[name]), "marker": {"size": 22, "opacity": 0, "color": palette.INK},
                    "customdata": self.hovers[name],
                    "hovertemplate": "%{customdata}<extra></extra>",
                }
            )  # fmt: skip
        return [*traces, *self._arrows(), *self._unknown_wind()]

    def _arrows(self) -> list[Figure]:
        """Arrows below the axis that fly with the wind."""
        direction = self.answer.conditions["wind_from_direction"].isel(edge=0).values[self.part]
        known = np.flatnonzero(~np.isnan(direction))
        if not known.size:
            return []
        return [
            {
                "type": "scatter", "mode": "markers", "name": "direction",
                "x": self.centres[known].tolist(), "y": [-0.075 * self.top] * known.size,
                "marker": {
                    "symbol": "arrow", "size": 10 if self.tall else 14, "color": palette.INK,
                    "angle": ((direction[known] + 180) % 360).round().tolist(),
                },
                "customdata": [
                    f"{self.span(int(i))}<br>wind from {phrases.direction(float(direction[i]))}" for i in known
                ],
                "hovertemplate": "%{customdata}<extra></extra>",
            }
        ]  # fmt: skip

    def _unknown_wind(self) -> list[Figure]:
        unknown = np.flatnonzero(np.isnan(self.speeds["wind"]) | np.isnan(self.speeds["gust"]))
        if not unknown.size:
            return []
        hover = [
            "<br>".join(self.hovers[name][i] for name in ("wind", "gust") if np.isnan(self.speeds[name][i]))
            for i in unknown
        ]
        return [
            hatched(self.centres[unknown].tolist(), [0.0] * unknown.size, [self.top] * unknown.size, hover)
            | {"xaxis": "x", "yaxis": "y", "textposition": "inside", "insidetextanchor": "end"}
        ]

    # --- the strip ---------------------------------------------------------------------------------------------

    def strip_traces(self) -> list[Figure]:
        margins = self.margins
        shades = [[palette.shade_of(float(m), self.reserve) for m in row] for row in margins]
        is_short = self.tall or self.count > _ROOMY
        text = [["" if np.isnan(m) else palette.cell(float(m), short=is_short) for m in row] for row in margins]
        colours = [[palette.NUMBERS[s] if s is not None else palette.INK for s in row] for row in shades]
        text = [
            [f'<span style="color:{c}">{t}</span>' if t else "" for c, t in zip(cs, ts, strict=True)]
            for cs, ts in zip(colours, text, strict=True)
        ]
        for row in (ROWS.index("the hour"), ROWS.index("daylight")):
            for i in np.flatnonzero(~self.lit & ~np.isnan(margins[row])):
                shades[row][i], text[row][i] = palette.DARK, "" if is_short else "dark"
        hover = [self.hovers[name] for name in ROWS]
        rows = list(range(len(ROWS)))
        along, across = self.centres.tolist(), rows
        grid: Figure = {
            "type": "heatmap", "name": "margin", "z": shades, "zmin": 0, "zmax": 5, "text": text,
            "customdata": hover, "colorscale": palette.colorscale(), "showscale": False, "xgap": 1, "ygap": 1,
            "texttemplate": "%{text}", "textfont": {"size": 11}, "hoverongaps": False,
            "hovertemplate": "%{customdata}<extra></extra>",
        }  # fmt: skip
        grid["z"] = [[None if s is None else s + 0.5 for s in row] for row in shades]
        if self.tall:
            for key in ("z", "text", "customdata"):
                grid[key] = [list(column) for column in zip(*grid[key], strict=True)]
            along, across = across, along
        grid |= {"x": along, "y": across, **self._strip_axes()}
        return [grid, *self._unknown_cells(margins)]

    def _margins(self) -> npt.NDArray[np.float64]:
        margins = self.answer.assessment["margin"].transpose("element", "time").values[:, self.part]
        return np.vstack([self.answer.assessment["hour_margin"].values[self.part], margins])

    def _strip_axes(self) -> Figure:
        return {"xaxis": "x2", "yaxis": "y2"} if self.tall else {"xaxis": "x", "yaxis": "y2"}

    def _unknown_cells(self, margins: npt.NDArray[np.float64]) -> list[Figure]:
        rows, hours = np.nonzero(np.isnan(margins))
        if not rows.size:
            return []
        hover = [self.hovers[ROWS[r]][i] for r, i in zip(rows, hours, strict=True)]
        bars = hatched(self.centres[hours].tolist(), (rows - 0.5).tolist(), [1.0] * rows.size, hover, lying=self.tall)
        return [bars | self._strip_axes()]

    # --- words -------------------------------------------------------------------------------------------------

    def span(self, i: int) -> str:
        clock = self.reader.clock
        return f"{clock.span(self.times[i], self.times[i] + findings.HOUR)} {clock.zone(self.times[i])}"

    def _hover(self, row: str, i: int) -> str:
        """Say value, limit and margin of a cell, in lines that fit a phone."""
        hour = self.first + i
        if row == ROWS[0]:
            state, margin = State(int(self.states[i])), float(self.margins[0, i])
            lines = [self.span(i), f"<b>{state.words}</b>, margin {phrases.margin(margin)}", "decides: "]
            lines[-1] += sentences.reason_of(self.answer, hour, self.reader.units).replace(", ", "<br>", 1)
            return "<br>".join(lines)
        reading = sentences.reading_of(self.answer, row, hour, self.reader.units).replace(", ", "<br>", 1)
        margin = float(self.margins[ROWS.index(row), i])
        kind = "required" if row in self.answer.request.limits.required else "advised"
        told = f"margin {phrases.margin(margin)}" if not np.isnan(margin) else f"margin not known ({kind})"
        if row in self.skipped:
            told = "not judged: no limit"
        return f"{self.span(i)}<br><b>{reading}</b><br>{told}"

    # --- layout ------------------------------------------------------------------------------------------------

    def layout(self) -> Figure:
        cell = 25
        wind_pixels = 210 if self.tall else 250
        strip_pixels = cell * (self.count if self.tall else len(ROWS))
        gap = 150 if self.tall else 34
        margin = {"l": 46, "r": 6, "t": 46, "b": 12} if self.tall else {"l": 128, "r": 54, "t": 46, "b": 34}
        plot = wind_pixels + gap + strip_pixels
        strip_top, wind_bottom = strip_pixels / plot, (strip_pixels + gap) / plot
        layout: Figure = {
            "height": plot + margin["t"] + margin["b"], "margin": margin, "font": {**_FONT, "size": 12},
            "paper_bgcolor": "#ffffff", "plot_bgcolor": "#ffffff", "showlegend": False, "dragmode": False,
            "hovermode": "closest", "barmode": "overlay", "bargap": 0,
            "hoverlabel": {"bgcolor": "#ffffff", "bordercolor": palette.INK, "align": "left",
                           "font": {**_FONT, "size": 13}},
            "yaxis": {
                "domain": [wind_bottom, 1], "range": [-0.15 * self.top, self.top], "fixedrange": True,
                "title": {"text": f"{phrases.symbol_of(self.unit)}", "standoff": 6}, "gridcolor": "#e9e4e8",
                "zeroline": True, "zerolinecolor": palette.HATCH, "nticks": 6, "tick0": 0,
                "tickvals": _ticks(self.top),
            },
            "shapes": [*self._night(), *self._limit_lines(), *self._windows()],
            "annotations": [*self._limit_words(), *self._line_words(), *self._sun_words(), *self._window_words()],
        }  # fmt: skip
        titles = [_title(row) for row in ROWS]
        hours: Figure = {"fixedrange": True, "showgrid": False, "zeroline": False, "ticks": "outside"}
        strip_rows: Figure = {
            "tickvals": list(range(len(ROWS))), "ticktext": titles, "fixedrange": True, "showgrid": False,
            "zeroline": False, "ticks": "",
        }  # fmt: skip
        edges = list(range(self.count + 1))
        words = [self.reader.clock.hour(t) for t in [*self.times, self.times[-1] + findings.HOUR]]
        if self.tall:
            every = 1 + self.count // 7
            layout["xaxis"] = hours | {
                "range": [0, self.count], "anchor": "y", "tickvals": edges[::every], "ticktext": words[::every],
            }  # fmt: skip
            layout["xaxis2"] = strip_rows | {
                "anchor": "y2", "side": "top", "tickangle": -90, "range": [-0.5, len(ROWS) - 0.5],
            }  # fmt: skip
            layout["yaxis2"] = hours | {
                "anchor": "x2", "domain": [0, strip_top], "range": [self.count, 0], "tickvals": edges,
                "ticktext": words,
            }  # fmt: skip
        else:
            every = 1 + self.count // 20
            layout["xaxis"] = hours | {
                "range": [0, self.count], "anchor": "y2", "tickvals": edges[::every], "ticktext": words[::every],
            }  # fmt: skip
            layout["yaxis2"] = strip_rows | {
                "anchor": "x", "domain": [0, strip_top], "range": [len(ROWS) - 0.5, -0.5],
            }  # fmt: skip
        return layout

    def _night(self) -> list[Figure]:
        end = self.times[-1] + findings.HOUR
        colours = {"night": palette.DARK_HOUR, "twilight": palette.TWILIGHT}
        return [
            {
                "type": "rect", "xref": "x", "yref": "y", "layer": "below", "line": {"width": 0}, "x0": a, "x1": b,
                "y0": 0, "y1": self.top, "fillcolor": colours[kind],
            }
            for a, b, kind in light_spans(self.answer, self.times[0], end)
            if kind in colours
        ]  # fmt: skip

    def _limit_lines(self) -> list[Figure]:
        dashes = {"wind": "dot", "gust": "dash"}
        return [
            {
                "type": "line", "xref": "x", "yref": "y", "x0": 0, "x1": self.count, "y0": limit, "y1": limit,
                "line": {"color": palette.SHADES[palette.NARROW], "width": 2, "dash": dashes[name]},
            }
            for name, limit in self.limits.items()
            if np.isfinite(limit)
        ]  # fmt: skip

    def _limit_words(self) -> list[Figure]:
        """Name the limits where the lines of wind and gust are farthest from the name."""
        close = self.limits["gust"] - self.limits["wind"] < 0.12 * self.top
        words = []
        for name, limit in self.limits.items():
            if not np.isfinite(limit):
                continue
            below = name == "wind" and close
            middle = float(limit) + (-0.05 if below else 0.05) * self.top
            anchor, x = max(self._places_for_words(), key=lambda place: self._room(middle, *place))
            value = phrases.amount(float(self._of("limit", name)[0]), "wind", self.reader.units)
            words.append(
                _words(
                    f"{name} limit {value}", x, float(limit), xanchor=anchor, yanchor="top" if below else "bottom",
                    font={"color": "#6e2a4d", "size": 12},
                )
            )  # fmt: skip
        return words

    def _places_for_words(self) -> list[tuple[str, float]]:
        return [("left", 0.15), ("center", self.count / 2), ("right", self.count - 0.15)]

    def _room(self, value: float, anchor: str, x: float) -> float:
        """Give how far the lines stay from a name at a place of the wind panel."""
        length = self.count * (0.4 if self.tall else 0.13)
        start = x - {"left": 0, "center": length / 2, "right": length}[anchor]
        hours = slice(max(0, int(start)), int(np.ceil(start + length)))
        lines = np.concatenate([self.speeds["wind"][hours], self.speeds["gust"][hours]])
        lines = lines[~np.isnan(lines)]
        return float(np.abs(lines - value).min()) if lines.size else np.inf

    def _line_words(self) -> list[Figure]:
        """Name the two lines where they end; the names keep apart."""
        ends = {}
        for name, speed in self.speeds.items():
            known = np.flatnonzero(~np.isnan(speed))
            if known.size:
                ends[name] = (int(known[-1]), float(speed[known[-1]]))
        close = len(ends) == 2 and abs(ends["gust"][1] - ends["wind"][1]) < 0.09 * self.top
        words = []
        for name, (at, value) in ends.items():
            anchor = "middle" if not close else ("bottom" if name == "gust" else "top")
            if self.tall or at < self.count - 1:
                words.append(
                    _words(name, at + 0.95, value, xanchor="right", yanchor="bottom" if name == "gust" else "top")
                )
            else:
                words.append(_words(name, self.count, value, xanchor="left", yanchor=anchor))
        return words

    def _sun_words(self) -> list[Figure]:
        spans = light_spans(self.answer, self.times[0], self.times[-1] + findings.HOUR)
        words = []
        for (_, at, before), (_, _, after) in pairwise(spans):
            if {before, after} == {"twilight", "day"}:
                # The first whole minute of the new light; the last of the day is the one before.
                what = "sunrise" if after == "day" else "sunset"
                moment = self.times[0] + np.timedelta64(round(at * 60) - (what == "sunset"), "m")
                words.append(
                    _words(
                        f"{what}<br>{self.reader.clock.hour(moment)}", at, self.top, yanchor="top",
                        xanchor="left" if what == "sunrise" else "right", align="left", font={"size": 11},
                    )
                )  # fmt: skip
        return words

    def _windows_here(self) -> list[tuple[int, float, float]]:
        here = []
        for rank, window in enumerate(self.answer.windows, start=1):
            start, end = ((m - self.times[0]) / findings.HOUR for m in (window.start, window.end))
            if end > 0 and start < self.count:
                here.append((rank, max(0.0, float(start)), min(float(self.count), float(end))))
        return here

    def _windows(self) -> list[Figure]:
        line = {"color": "#000000", "width": 3}
        boxes = []
        for _, start, end in self._windows_here():
            box = {"type": "rect", "x0": start, "x1": end, "line": line, "fillcolor": "rgba(0,0,0,0)"}
            boxes.append(box | {"xref": "x", "yref": "y", "y0": 0, "y1": self.top})
            if self.tall:
                boxes.append(
                    {
                        "type": "rect", "xref": "x2", "yref": "y2", "x0": -0.5, "x1": len(ROWS) - 0.5, "y0": start,
                        "y1": end, "line": line, "fillcolor": "rgba(0,0,0,0)",
                    }
                )  # fmt: skip
            else:
                boxes.append(box | {"xref": "x", "yref": "y2", "y0": -0.5, "y1": len(ROWS) - 0.5})
        return boxes

    def _window_words(self) -> list[Figure]:
        words = []
        for rank, start, end in self._windows_here():
            name = "best" if rank == 1 else str(rank)
            words.append(_words(f"<b>{name}</b>", (start + end) / 2, self.top, yanchor="bottom", font={"size": 13}))
        return words


def _title(row: str) -> str:
    if row == ROWS[0]:
        return "<b>the hour</b>"
    return _SHORT_TITLES.get(row, BY_NAME[row].title)


def _words(text: str, x: float, y: float, **more: Any) -> Figure:
    return {
        "text": text, "x": x, "y": y, "xref": "x", "yref": "y", "showarrow": False, "bgcolor": "rgba(255,255,255,0.75)",
        "borderpad": 1, **more,
    }  # fmt: skip


def hatched(
    along: Sequence[float], base: Sequence[float], length: Sequence[float], hover: Sequence[str], *, lying: bool = False
) -> Figure:
    """Draw hatched boxes with a question mark for what is not known; `lying` boxes grow along x."""
    values = {"x": list(length), "y": list(along)} if lying else {"x": list(along), "y": list(length)}
    return {
        "type": "bar", "name": "not known", "orientation": "h" if lying else "v", "base": list(base), "width": 1,
        "marker": {
            "color": "#ffffff", "line": {"color": palette.HATCH, "width": 1},
            "pattern": {"shape": "/", "fgcolor": palette.HATCH, "bgcolor": "#ffffff", "size": 7, "solidity": 0.25},
        },
        "text": ["<b>?</b>"] * len(along), "textposition": "inside", "insidetextanchor": "middle", "textangle": 0,
        "textfont": {"color": "#000000", "size": 13}, "customdata": list(hover),
        "hovertemplate": "%{customdata}<extra></extra>", **values,
    }  # fmt: skip


def _plain(values: npt.NDArray[np.float64]) -> list[float | None]:
    return [None if np.isnan(v) else round(float(v), 2) for v in values]


def _ticks(top: float) -> list[float]:
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200) if top / s <= 6.5)
    return [float(v) for v in np.arange(0, top, step)]


def escaped(text: str) -> str:
    """Escape a text from outside for plotly, which reads some tags, as for HTML."""
    return html.escape(text, quote=False)
