"""What a timeline draws of how sure an hour is: the band of the members' gusts, and the chance below the axis."""

from __future__ import annotations

import numpy as np

from wxfly.answer.findings import runs
from wxfly.report.charts import chance_shades, shades
from wxfly.report.charts.hours import DrawnHours, Figure
from wxfly.report.text import chances

CHANCE_DEPTH = 0.165
"""How far below the axis the chances stand, as a share of its height."""
_EXTREME = "#b58aa3"
_BAND_FILL = "rgba(143, 61, 102, 0.16)"


def traces(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Return the band of the members, where there are any, and the chance of every hour."""
    return [*_band(hours), *_chances(hours, tall=tall)]


def _band(hours: DrawnHours) -> list[Figure]:
    lines = hours.member_gusts
    if lines is None:
        return []
    drawn: list[Figure] = []
    for first, last in runs(np.flatnonzero(np.isfinite(lines).all(axis=1)).tolist()):
        x = [float(v) for i in range(first, last + 1) for v in (i, i + 1)]
        low, high = (np.repeat(lines[first : last + 1, k], 2).round(2).tolist() for k in (1, 3))
        drawn.append(
            {
                "type": "scatter", "mode": "lines", "name": "eight of ten members", "x": [*x, *x[::-1]],
                "y": [*high, *low[::-1]], "fill": "toself", "fillcolor": _BAND_FILL, "line": {"width": 0},
                "hoverinfo": "skip",
            }
        )  # fmt: skip
        for k in (0, 4):
            drawn.append(
                {
                    "type": "scatter", "mode": "lines", "name": "all members", "x": x,
                    "y": np.repeat(lines[first : last + 1, k], 2).round(2).tolist(),
                    "line": {"width": 1, "color": _EXTREME}, "hoverinfo": "skip",
                }
            )  # fmt: skip
    return drawn


def _chances(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    if hours.chances is None:
        return []
    known = np.flatnonzero(~np.isnan(hours.chances) & hours.lit)
    if not known.size:
        return []
    whose = chances.whose(hours.answer)
    return [
        {
            "type": "scatter", "mode": "text", "name": "chance", "x": hours.centres[known].tolist(),
            "y": [-CHANCE_DEPTH * hours.top] * known.size,
            "text": [chance_shades.cell(float(hours.chances[i])) for i in known],
            "textfont": {"size": 10 if tall else 11, "color": shades.INK},
            "customdata": [
                f"{hours.span(int(i))}<br><b>{chances.in_ten(float(hours.chances[i]))}</b> that every limit holds"
                f"<br>{whose.replace(', ', '<br>', 1)}"
                for i in known
            ],
            "hovertemplate": "%{customdata}<extra></extra>",
        }
    ]  # fmt: skip


def names(hours: DrawnHours) -> list[Figure]:
    """Return the name of the row of chances."""
    if hours.chances is None:
        return []
    return [
        {
            "text": "chance", "x": 0, "y": -CHANCE_DEPTH * hours.top, "xref": "x", "yref": "y", "showarrow": False,
            "xanchor": "right", "font": {"size": 11},
        }
    ]  # fmt: skip
