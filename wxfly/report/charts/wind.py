"""The upper panel of a timeline: wind and gust at flight height against their limits, over night and day.

Below its axis stand the wind's arrows and the chance of every hour; behind the lines the band of the members' gusts.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from wxfly.report.charts import shades
from wxfly.report.charts.hours import HOUR, DrawnHours
from wxfly.report.charts.shades import Figure, hatched
from wxfly.report.facts import writing
from wxfly.report.facts.values import array, instants, runs_of
from wxfly.units import UNITS, to_si

CHANCE_DEPTH, _ARROW_DEPTH = 0.19, 0.08
"""How far below the axis the chances and the arrows stand, as a share of its height."""
_CROWDED = 14  # hours from which a phone has no room for every chance
LINE_OF_TEXT = 17
"""Height of a line of words [pixel]."""
PIXELS, PIXELS_TALL = 250, 210
"""Height of the panel in the two shapes."""
DEPTH_OF_AXIS = 1.26
"""Height of the panel as a share of that of its axis above 0."""
SUN_ROWS = 2
"""Rows for sunrise and sunset above the panel."""
_SUN_PIXELS = 96
_NARROWEST_WIDE, _NARROWEST_TALL = 540, 268


def traces(hours: DrawnHours, *, tall: bool) -> list[Figure]:
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
            "y": [-CHANCE_DEPTH * hours.top] * known.size,
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
    size, pixels = (10, PIXELS_TALL) if tall else (14, PIXELS)
    toward = ((direction[known] + 180) % 360).round()
    # The place of an arrow is its tip: moved so that its middle stands in the row, clear of axis and numbers.
    shift = np.cos(np.deg2rad(toward)) * size / 2 * DEPTH_OF_AXIS / pixels
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
        hatched(hours.centres[unknown].tolist(), [0.0] * unknown.size, [hours.top] * unknown.size, hover)
        | {"xaxis": "x", "yaxis": "y", "textposition": "inside", "insidetextanchor": "end"}
    ]


def shapes(hours: DrawnHours) -> list[Figure]:
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


def names(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Return the names of limits and lines, sunrise and sunset, the chances and the ranks of the windows."""
    windows = [
        _words(f"<b>{'best' if rank == 1 else rank}</b>", (start + end) / 2, hours.top, yanchor="bottom",
               font={"size": 13})
        for rank, start, end in hours.windows()
    ]  # fmt: skip
    phrase = [*_line_words(hours, tall=tall), *_sun_words(hours, tall=tall), *windows]
    if (~np.isnan(hours.chances)).any():
        phrase.append(_words("chance", 0, -CHANCE_DEPTH * hours.top, xanchor="right"))
    return phrase


def axis(hours: DrawnHours) -> Figure:
    """Return the axis of wind."""
    height = writing.amount(hours.site.height, "height", hours.reader.units)
    return {
        "range": [(1 - DEPTH_OF_AXIS) * hours.top, hours.top], "fixedrange": True, "gridcolor": shades.GRID,
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
                   yshift=(SUN_ROWS + 1 + i) * LINE_OF_TEXT)
            for i, row in enumerate(rows)
        ]  # fmt: skip
    places = [(limit, f"{name} limit {phrase[name]}", font) for name, limit in known.items()]
    for name, speed in hours.speeds.items():
        there = np.flatnonzero(~np.isnan(speed))
        if there.size:
            places.append((float(speed[there[-1]]), name, {"color": shades.INK, "size": 12}))
    places.sort(key=lambda place: place[0])
    heights = _parted([place[0] for place in places], LINE_OF_TEXT * DEPTH_OF_AXIS * hours.top / PIXELS, hours.top)
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
    words, last = [], [-np.inf] * SUN_ROWS
    for what, at in changes:
        # The first whole minute of the new light; the last of the day is the one before.
        moment = hours.times[0] + np.timedelta64(round(at * 60) - (what == "sunset"), "m")
        place = min(max(at, half), hours.count - half)
        row = 0 if place - last[0] >= 2 * half else 1
        last[row] = place
        words.append(
            _words(f"{what} {hours.reader.clock.hour(moment)}", place, hours.top, yanchor="bottom",
                   yshift=(1 + row) * LINE_OF_TEXT, xanchor="center")
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
