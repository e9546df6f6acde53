"""The time-height section: the margin that each hour leaves at each height, and how high one may go."""

from __future__ import annotations

import numpy as np

from wxfly.pilot.elements import BY_NAME
from wxfly.report.charts import shades
from wxfly.report.charts.shades import Figure
from wxfly.report.charts.timeline import HOUR, LEFT, RIGHT, axis_of_time, lit_hours
from wxfly.report.facts import writing
from wxfly.report.facts.site import SiteAnswerFacts, TimelineFacts
from wxfly.report.facts.values import array, instants
from wxfly.report.facts.writing import Reader
from wxfly.units import UNITS, from_si


def sections(facts: TimelineFacts, reader: Reader, first: int, last: int) -> dict[str, Figure]:
    """Draw the section of one place in both shapes.

    Parameters
    ----------
    facts : TimelineFacts
        What to draw.
    reader : Reader
        Units and clock.
    first, last : int
        Positions of the first and last hour.

    Returns
    -------
    dict
        ``wide`` and ``tall``, each a plotly figure with ``data`` and ``layout``; time runs along the page in both.
    """
    part, unit = slice(first, last + 1), writing.unit_of("height", reader.units)
    # Each height stands for the layer below it.
    edges = np.concatenate([[0.0], np.asarray(from_si(array(facts.heights), unit))])
    left = np.array([array(row[part]) for row in facts.margin_by_height])
    decides = [row[part] for row in facts.decides_by_height]
    usable = np.asarray(from_si(array(facts.site.hours.usable_height[part]), unit))
    times = instants(facts.site.hours.start[part])
    hover = _hovers(facts, reader, first, left, decides)
    lit = lit_hours(facts.site)[part]
    classes = [
        [_class(float(m), bool(is_lit), facts.site.limits.reserve) for m, is_lit in zip(row, lit, strict=True)]
        for row in left
    ]
    grid = shades.grid(classes, [[""] * times.size] * len(classes), hover, tall=False)
    grid |= {"y": ((edges[:-1] + edges[1:]) / 2).tolist(), "ygap": 0}
    line: Figure = {
        "type": "scatter", "mode": "lines", "name": "usable height", "x": list(range(times.size + 1)),
        "y": [None if np.isnan(v) else float(v) for v in np.append(usable, usable[-1:])],
        "line": {"shape": "hv", "width": 4, "color": shades.BLACK}, "hoverinfo": "skip",
    }  # fmt: skip
    halo = {**line, "name": "", "line": {"shape": "hv", "width": 8, "color": shades.PAPER}}
    dark = np.flatnonzero(~lit & ~np.isnan(left).all(axis=0))
    data = [grid, halo, line]
    if dark.size:
        boxes_of_dark = (dark + 0.5).tolist(), [0.0] * dark.size, [float(edges[-1])] * dark.size
        data.insert(1, shades.dotted(*boxes_of_dark))
    heights, hours = np.nonzero(np.isnan(left))
    if hours.size:
        text = [hover[h][i] for h, i in zip(heights, hours, strict=True)]
        boxes = (hours + 0.5).tolist(), edges[heights].tolist(), np.diff(edges)[heights].tolist(), text
        data.insert(1, shades.hatched(*boxes) | {"text": [""] * hours.size})
    return {
        shape: {
            "data": data,
            "layout": _layout(facts.site, reader, times, float(edges[-1]), unit, tall=shape == "tall"),
        }
        for shape in ("wide", "tall")
    }


def _class(margin: float, is_lit: bool, reserve: float) -> int | None:
    """Return the class of a cell; None where it is not known."""
    return shades.shade_of(margin, reserve) if is_lit or np.isnan(margin) else shades.DARK


def _hovers(
    facts: TimelineFacts, reader: Reader, first: int, left: np.ndarray, decides: list[list[str]]
) -> list[list[str]]:
    """Return in words the margin of every height and hour, and how high the hour may be used."""
    heights = [writing.amount(height, "height", reader.units) for height in facts.heights]
    hours = range(first, first + left.shape[1])
    times, clock = instants(facts.site.hours.start), reader.clock
    spans = [f"{clock.span(times[i], times[i] + HOUR)} {clock.zone(times[i])}" for i in hours]
    words = [_usable_words(facts.site, i, reader.units) for i in hours]
    return [
        [
            f"{span}<br><b>{height}: {_margin_words(float(m), name)}</b><br>{word}"
            for span, m, name, word in zip(spans, row, names, words, strict=True)
        ]
        for height, row, names in zip(heights, left, decides, strict=True)
    ]


def _margin_words(margin: float, element: str) -> str:
    title = BY_NAME[element].title
    if np.isnan(margin):
        return f"{title} not known"
    return "dark" if element == "daylight" else f"margin {writing.margin(margin)}, {title} decides"


def _usable_words(site: SiteAnswerFacts, hour: int, units: str) -> str:
    """Return in words how high an hour may be used, and what ends the climb."""
    usable, by = site.hours.usable_height[hour], site.hours.usable_height_ends_by[hour]
    if usable is None or by is None:
        return "usable height not known"
    ends = writing.climb_end(by)
    if usable <= 0:
        return f"no usable height: {ends}"
    return f"usable to {writing.height_down(usable, units)}, ended by {ends}"


def _layout(site: SiteAnswerFacts, reader: Reader, times: np.ndarray, top: float, unit: str, *, tall: bool) -> Figure:
    flight = float(np.asarray(from_si(site.height, unit)))
    name = f"{'dashes: ' if tall else ''}flight height {writing.amount(site.height, 'height', reader.units)}"
    # Beside the panel, or on a phone above it, where no line runs.
    beside: Figure = {"x": times.size, "xref": "x", "xanchor": "left", "y": flight, "yref": "y", "yanchor": "middle"}
    if tall:
        beside |= {"x": 0, "y": 1, "yref": "paper", "yanchor": "bottom", "yshift": 2}
    return shades.COMMON | {
        "height": 274 if tall else 256,
        "margin": {"l": 48, "r": 4, "t": 30, "b": 46} if tall else {"l": LEFT, "r": RIGHT, "t": 12, "b": 46},
        "xaxis": axis_of_time(reader, times, tall=tall),
        "yaxis": {
            "range": [0, top], "fixedrange": True, "showgrid": False, "zeroline": False, "nticks": 7,
            "title": {"text": f"height above ground [{UNITS[unit].written}]", "standoff": 6},
        },
        "shapes": [
            # Light below, so that the dashes show on the darkest shade too.
            {
                "type": "line", "xref": "x", "yref": "y", "x0": 0, "x1": times.size, "y0": flight, "y1": flight,
                "line": {"color": colour, "width": width, "dash": dash},
            }
            for colour, width, dash in ((shades.PAPER, 3, "solid"), (shades.BLACK, 1.5, "dash"))
        ],
        "annotations": [{"text": name, "showarrow": False, "font": {"size": 12}, **beside}],
    }  # fmt: skip
