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
_LINE_OF_TEXT = 17  # [pixel]


def traces(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Return band, chances, the steps of wind and gust, arrows, and hatching where either is not known."""
    drawn = [*_band(hours), *_chances(hours, tall=tall)]
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
    return [
        {
            "type": "scatter", "mode": "markers", "name": "direction",
            "x": hours.centres[known].tolist(), "y": [-_ARROW_DEPTH * hours.top] * known.size,
            "marker": {
                "symbol": "arrow", "size": 10 if tall else 14, "color": shades.INK,
                "angle": ((direction[known] + 180) % 360).round().tolist(),
            },
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
    """Return the shading of night and twilight, and the lines of the limits."""
    colours = {"night": shades.DARK_HOUR, "twilight": shades.TWILIGHT}
    night = [
        {
            "type": "rect", "xref": "x", "yref": "y", "layer": "below", "line": {"width": 0}, "x0": a, "x1": b,
            "y0": 0, "y1": hours.top, "fillcolor": colours[kind],
        }
        for a, b, kind in light_on_axis(hours)
        if kind in colours
    ]  # fmt: skip
    lines = [
        {
            "type": "line", "xref": "x", "yref": "y", "x0": 0, "x1": hours.count, "y0": limit, "y1": limit,
            "line": {"color": shades.LIMIT_LINE, "width": 2, "dash": {"wind": "dot", "gust": "dash"}[name]},
        }
        for name, limit in hours.limits.items()
        if np.isfinite(limit)
    ]  # fmt: skip
    return [*night, *lines]


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
    phrase = [*_limit_words(hours, tall=tall), *_line_words(hours), *_sun_words(hours), *windows]
    if (~np.isnan(hours.chances)).any():
        phrase.append(_words("chance", 0, -CHANCE_DEPTH * hours.top, xanchor="right"))
    return phrase


def axis(hours: DrawnHours) -> Figure:
    """Return the axis of wind."""
    height = writing.amount(hours.site.height, "height", hours.reader.units)
    return {
        "range": [-0.26 * hours.top, hours.top], "fixedrange": True, "gridcolor": shades.GRID, "zeroline": True,
        "title": {"text": f"wind at {height} [{UNITS[hours.unit].written}]", "standoff": 6},
        "zerolinecolor": shades.HATCH, "tickvals": _ticks(hours.top),
    }  # fmt: skip


def _limit_words(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Name the limits beside the panel, or on a phone above it, where no line runs."""
    known = {name: limit for name, limit in hours.limits.items() if np.isfinite(limit)}
    phrase = {
        name: writing.amount(float(to_si(limit, hours.unit)), "wind", hours.reader.units)
        for name, limit in known.items()
    }
    font = {"color": shades.LIMIT_WORDS, "size": 12}
    if tall:
        lines = {"gust": "dashes", "wind": "dots"}
        text = ", ".join(f"{name} {phrase[name]} ({line})" for name, line in lines.items() if name in phrase)
        place = {"xanchor": "center", "yanchor": "bottom", "yshift": 2 * _LINE_OF_TEXT}
        return [_words(f"limits: {text}", hours.count / 2, hours.top, font=font, **place)] if phrase else []
    close = abs(hours.limits["gust"] - hours.limits["wind"]) < 0.12 * hours.top
    sides = {"wind": "top", "gust": "bottom"} if close else {}
    return [
        _words(f"{name} limit {phrase[name]}", hours.count, limit, xanchor="left", yanchor=sides.get(name, "middle"),
               font=font)
        for name, limit in known.items()
    ]  # fmt: skip


def _line_words(hours: DrawnHours) -> list[Figure]:
    """Name the two lines where they end, the gust above its own, the wind below."""
    words = []
    for name, speed in hours.speeds.items():
        known = np.flatnonzero(~np.isnan(speed))
        if known.size:
            at, side = int(known[-1]), "bottom" if name == "gust" else "top"
            words.append(_words(name, at + 0.95, float(speed[at]), xanchor="right", yanchor=side))
    return words


def _sun_words(hours: DrawnHours) -> list[Figure]:
    """Name sunrise and sunset above the panel, apart from the limits; those of a short day part outward."""
    spans = light_on_axis(hours)
    changes = [
        ("sunrise" if after == "day" else "sunset", at)
        for (_, at, before), (_, _, after) in pairwise(spans)
        if {before, after} == {"twilight", "day"}
    ]
    places = dict(changes)
    is_short = places.get("sunset", hours.count) - places.get("sunrise", 0) < hours.count / 2
    words = []
    for what, at in changes:
        # The first whole minute of the new light; the last of the day is the one before.
        moment = hours.times[0] + np.timedelta64(round(at * 60) - (what == "sunset"), "m")
        words.append(
            _words(f"{what} {hours.reader.clock.hour(moment)}", at, hours.top, yanchor="bottom", yshift=_LINE_OF_TEXT,
                   xanchor="left" if (what == "sunrise") != is_short else "right")
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
