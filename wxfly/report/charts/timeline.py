"""The timeline of one place: wind and gust against their limits, and below a strip of margins per element.

Figures are plain dicts in plotly's own terms; plotly itself is not imported, which saves half a second. There are two
shapes: wide, with one time axis along the page for both panels, and tall for a phone, where the hours of the strip
run down the page so that every number keeps its size.
"""

from __future__ import annotations

from collections.abc import Sequence

from wxfly.report.charts import hours, shades, wind
from wxfly.report.charts.hours import HOUR, DrawnHours
from wxfly.report.charts.shades import Figure
from wxfly.report.facts.timeline import TimelineFacts
from wxfly.report.facts.writing import Reader

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
            "data": [*wind.traces(drawn, tall=tall), *hours.traces(drawn, tall=tall)],
            "layout": _layout(drawn, tall=tall),
        }
        for shape, tall in (("wide", False), ("tall", True))
    }


def axis_of_time(reader: Reader, times: hours.Instants, *, tall: bool) -> Figure:
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
    wind_pixels = wind.PIXELS_TALL if tall else wind.PIXELS
    above = (1 + wind.SUN_ROWS + 2 * tall) * wind.LINE_OF_TEXT + 10
    strip_pixels = _CELL * (drawn.count if tall else len(drawn.rows))
    gap = 170 if tall else 34
    margin = {"l": 48, "r": 4, "t": above, "b": 12} if tall else {"l": LEFT, "r": RIGHT, "t": above, "b": 48}
    plot = wind_pixels + gap + strip_pixels
    strip_top, wind_bottom = strip_pixels / plot, (strip_pixels + gap) / plot
    layout = shades.COMMON | {
        "height": plot + margin["t"] + margin["b"], "margin": margin,
        "yaxis": wind.axis(drawn) | {"domain": [wind_bottom, 1]},
        "shapes": [*wind.shapes(drawn), *hours.frames(drawn, tall=tall)],
        "annotations": wind.names(drawn, tall=tall),
    }  # fmt: skip
    time, rows = axis_of_time(drawn.reader, drawn.times, tall=tall), hours.axis_of_rows(drawn)
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
