"""The lower panel of a timeline: the margin of every element in every hour, as a cell with its number."""

from __future__ import annotations

import numpy as np

from wxfly.pilot.elements import BY_NAME
from wxfly.report.charts import shades as palette
from wxfly.report.charts.hours import THE_HOUR, DrawnHours, Figure, hatched

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
