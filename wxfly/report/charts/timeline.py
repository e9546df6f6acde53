"""The timeline of one place: wind and gust against their limits, and below a strip of margins per element.

Figures are plain dicts in plotly's own terms; plotly itself is not imported, which saves half a second. There are two
shapes: wide, with one time axis along the page for both panels, and tall for a phone, where the hours of the strip
run down the page so that every number keeps its size.
"""

from __future__ import annotations

import numpy as np

from wxfly.answer import findings
from wxfly.answer.request import SiteAnswer
from wxfly.report.charts import hours, shades, wind
from wxfly.report.charts.hours import FONT, DrawnHours, Figure
from wxfly.report.text.sentences import Reader


def hours_shown(answer: SiteAnswer, start: np.datetime64, end: np.datetime64) -> tuple[int, int]:
    """Return first and last hour to draw between two moments: the lit ones and one on either side, or all when dark."""
    times = answer.assessment["time"].values.astype("datetime64[s]")
    here = np.flatnonzero((times + findings.HOUR > start) & (times < end))
    lit = here[answer.lit_hours[here]]
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
    drawn = DrawnHours(answer, reader, first, last)
    return {
        shape: {
            "data": [*wind.traces(drawn, tall=tall), *hours.traces(drawn, tall=tall)],
            "layout": _layout(drawn, tall=tall),
        }
        for shape, tall in (("wide", False), ("tall", True))
    }


def _layout(drawn: DrawnHours, *, tall: bool) -> Figure:
    cell = 25
    wind_pixels = 210 if tall else 250
    strip_pixels = cell * (drawn.count if tall else len(drawn.rows))
    gap = 150 if tall else 34
    margin = {"l": 46, "r": 6, "t": 46, "b": 12} if tall else {"l": 128, "r": 54, "t": 46, "b": 34}
    plot = wind_pixels + gap + strip_pixels
    strip_top, wind_bottom = strip_pixels / plot, (strip_pixels + gap) / plot
    layout: Figure = {
        "height": plot + margin["t"] + margin["b"], "margin": margin, "font": {**FONT, "size": 12},
        "paper_bgcolor": "#ffffff", "plot_bgcolor": "#ffffff", "showlegend": False, "dragmode": False,
        "hovermode": "closest", "barmode": "overlay", "bargap": 0,
        "hoverlabel": {"bgcolor": "#ffffff", "bordercolor": shades.INK, "align": "left",
                       "font": {**FONT, "size": 13}},
        "yaxis": wind.axis(drawn) | {"domain": [wind_bottom, 1]},
        "shapes": [*wind.shapes(drawn), *hours.frames(drawn, tall=tall)],
        "annotations": wind.names(drawn, tall=tall),
    }  # fmt: skip
    hour_axis: Figure = {"fixedrange": True, "showgrid": False, "zeroline": False, "ticks": "outside"}
    strip_rows = hours.axis_of_rows(drawn)
    edges = list(range(drawn.count + 1))
    words = [drawn.reader.clock.hour(t) for t in [*drawn.times, drawn.times[-1] + findings.HOUR]]
    if tall:
        every = 1 + drawn.count // 7
        layout["xaxis"] = hour_axis | {
            "range": [0, drawn.count], "anchor": "y", "tickvals": edges[::every], "ticktext": words[::every],
        }  # fmt: skip
        layout["xaxis2"] = strip_rows | {
            "anchor": "y2", "side": "top", "tickangle": -90, "range": [-0.5, len(drawn.rows) - 0.5],
        }  # fmt: skip
        layout["yaxis2"] = hour_axis | {
            "anchor": "x2", "domain": [0, strip_top], "range": [drawn.count, 0], "tickvals": edges,
            "ticktext": words,
        }  # fmt: skip
    else:
        every = 1 + drawn.count // 20
        layout["xaxis"] = hour_axis | {
            "range": [0, drawn.count], "anchor": "y2", "tickvals": edges[::every], "ticktext": words[::every],
        }  # fmt: skip
        layout["yaxis2"] = strip_rows | {
            "anchor": "x", "domain": [0, strip_top], "range": [len(drawn.rows) - 0.5, -0.5],
        }  # fmt: skip
    return layout
