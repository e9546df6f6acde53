"""The upper panel of a timeline: wind and gust at flight height against their limits, over night and day."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from wxfly.answer import findings
from wxfly.answer.request import SiteAnswer
from wxfly.physics.air.sun import CIVIL_TWILIGHT, HORIZON, sun_position
from wxfly.report.charts import members, shades
from wxfly.report.charts.hours import DrawnHours, Figure, hatched
from wxfly.report.text import sentences
from wxfly.units import UNITS, to_si

LIMIT_WORDS = "#6e2a4d"
_MINUTE = np.timedelta64(1, "m")


def light_spans(answer: SiteAnswer, start: np.datetime64, end: np.datetime64) -> list[tuple[float, float, str]]:
    """Return spans of night, twilight and day, in hours from `start`, to the minute."""
    moments = np.arange(start.astype("datetime64[m]"), end.astype("datetime64[m]") + _MINUTE, _MINUTE)
    site = answer.request.site
    elevation, _ = sun_position(site.latitude, site.longitude, moments)
    kind = np.where(elevation >= HORIZON, 2, np.where(elevation >= CIVIL_TWILIGHT, 1, 0))
    edges = [0, *(np.flatnonzero(np.diff(kind)) + 1).tolist(), kind.size - 1]
    words = ("night", "twilight", "day")
    return [(a / 60, b / 60, words[kind[a]]) for a, b in pairwise(edges) if b > a]


def traces(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Return the steps of wind and gust, the arrows that fly with the wind, and hatching where either is not known."""
    steps_and_hovers = []
    for name, dash, width in (("wind", "dot", 2), ("gust", "solid", 3)):
        steps = np.append(hours.speeds[name], hours.speeds[name][-1:])
        steps_and_hovers.append(
            {
                "type": "scatter", "mode": "lines", "name": name, "x": list(range(hours.count + 1)),
                "y": _plain(steps), "line": {"shape": "hv", "dash": dash, "width": width, "color": shades.INK},
                "hoverinfo": "skip",
            }
        )  # fmt: skip
        steps_and_hovers.append(
            {
                "type": "scatter", "mode": "markers", "name": name, "x": hours.centres.tolist(),
                "y": _plain(hours.speeds[name]), "marker": {"size": 22, "opacity": 0, "color": shades.INK},
                "customdata": hours.hovers[name],
                "hovertemplate": "%{customdata}<extra></extra>",
            }
        )  # fmt: skip
    band_and_chance = members.traces(hours, tall=tall)
    return [*band_and_chance, *steps_and_hovers, *_arrows(hours, tall=tall), *_unknown_wind(hours)]


def _arrows(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Arrows below the axis that fly with the wind."""
    direction = hours.answer.conditions["wind_from_direction"].isel(edge=0).values[hours.part]
    known = np.flatnonzero(~np.isnan(direction))
    if not known.size:
        return []
    return [
        {
            "type": "scatter", "mode": "markers", "name": "direction",
            "x": hours.centres[known].tolist(), "y": [-0.075 * hours.top] * known.size,
            "marker": {
                "symbol": "arrow", "size": 10 if tall else 14, "color": shades.INK,
                "angle": ((direction[known] + 180) % 360).round().tolist(),
            },
            "customdata": [
                f"{hours.span(int(i))}<br>wind from {sentences.direction(float(direction[i]))}" for i in known
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
    return [*_night(hours), *_limit_lines(hours)]


def names(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Return the names of limits and lines, sunrise and sunset, and the ranks of the windows."""
    return [
        *_limit_words(hours, tall=tall), *_line_words(hours, tall=tall), *_sun_words(hours), *_window_words(hours),
        *members.names(hours),
    ]  # fmt: skip


def axis(hours: DrawnHours) -> Figure:
    """Return the axis of wind."""
    return {
        "range": [-0.24 * hours.top, hours.top], "fixedrange": True, "gridcolor": "#e9e4e8", "zeroline": True,
        "title": {"text": UNITS[hours.unit].written, "standoff": 6}, "zerolinecolor": shades.HATCH,
        "tickvals": _ticks(hours.top),
    }  # fmt: skip


def _night(hours: DrawnHours) -> list[Figure]:
    end = hours.times[-1] + findings.HOUR
    colours = {"night": shades.DARK_HOUR, "twilight": shades.TWILIGHT}
    return [
        {
            "type": "rect", "xref": "x", "yref": "y", "layer": "below", "line": {"width": 0}, "x0": a, "x1": b,
            "y0": 0, "y1": hours.top, "fillcolor": colours[kind],
        }
        for a, b, kind in light_spans(hours.answer, hours.times[0], end)
        if kind in colours
    ]  # fmt: skip


def _limit_lines(hours: DrawnHours) -> list[Figure]:
    dashes = {"wind": "dot", "gust": "dash"}
    return [
        {
            "type": "line", "xref": "x", "yref": "y", "x0": 0, "x1": hours.count, "y0": limit, "y1": limit,
            "line": {"color": shades.SHADES[shades.NARROW], "width": 2, "dash": dashes[name]},
        }
        for name, limit in hours.limits.items()
        if np.isfinite(limit)
    ]  # fmt: skip


def _limit_words(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Name the limits where the lines of wind and gust are farthest from the name."""
    close = hours.limits["gust"] - hours.limits["wind"] < 0.12 * hours.top
    words = []
    for name, limit in hours.limits.items():
        if not np.isfinite(limit):
            continue
        below = name == "wind" and close
        middle = float(limit) + (-0.05 if below else 0.05) * hours.top
        anchor, x = max(_places_for_words(hours), key=lambda place: _room(hours, middle, *place, tall=tall))
        value = sentences.amount(float(to_si(limit, hours.unit)), "wind", hours.reader.units)
        words.append(
            _words(
                f"{name} limit {value}", x, float(limit), xanchor=anchor, yanchor="top" if below else "bottom",
                font={"color": LIMIT_WORDS, "size": 12},
            )
        )  # fmt: skip
    return words


def _places_for_words(hours: DrawnHours) -> list[tuple[str, float]]:
    return [("left", 0.15), ("center", hours.count / 2), ("right", hours.count - 0.15)]


def _room(hours: DrawnHours, value: float, anchor: str, x: float, *, tall: bool) -> float:
    """Return how far the lines stay from a name at a place of the wind panel."""
    length = hours.count * (0.4 if tall else 0.13)
    start = x - {"left": 0, "center": length / 2, "right": length}[anchor]
    part = slice(max(0, int(start)), int(np.ceil(start + length)))
    lines = np.concatenate([hours.speeds["wind"][part], hours.speeds["gust"][part]])
    lines = lines[~np.isnan(lines)]
    return float(np.abs(lines - value).min()) if lines.size else np.inf


def _line_words(hours: DrawnHours, *, tall: bool) -> list[Figure]:
    """Name the two lines where they end; the names keep apart."""
    ends = {}
    for name, speed in hours.speeds.items():
        known = np.flatnonzero(~np.isnan(speed))
        if known.size:
            ends[name] = (int(known[-1]), float(speed[known[-1]]))
    close = len(ends) == 2 and abs(ends["gust"][1] - ends["wind"][1]) < 0.09 * hours.top
    words = []
    for name, (at, value) in ends.items():
        anchor = "middle" if not close else ("bottom" if name == "gust" else "top")
        if tall or at < hours.count - 1:
            words.append(_words(name, at + 0.95, value, xanchor="right", yanchor="bottom" if name == "gust" else "top"))
        else:
            words.append(_words(name, hours.count, value, xanchor="left", yanchor=anchor))
    return words


def _sun_words(hours: DrawnHours) -> list[Figure]:
    spans = light_spans(hours.answer, hours.times[0], hours.times[-1] + findings.HOUR)
    words = []
    for (_, at, before), (_, _, after) in pairwise(spans):
        if {before, after} == {"twilight", "day"}:
            # The first whole minute of the new light; the last of the day is the one before.
            what = "sunrise" if after == "day" else "sunset"
            moment = hours.times[0] + np.timedelta64(round(at * 60) - (what == "sunset"), "m")
            words.append(
                _words(
                    f"{what}<br>{hours.reader.clock.hour(moment)}", at, hours.top, yanchor="top",
                    xanchor="left" if what == "sunrise" else "right", align="left", font={"size": 11},
                )
            )  # fmt: skip
    return words


def _window_words(hours: DrawnHours) -> list[Figure]:
    words = []
    for rank, start, end in hours.windows():
        name = "best" if rank == 1 else str(rank)
        words.append(_words(f"<b>{name}</b>", (start + end) / 2, hours.top, yanchor="bottom", font={"size": 13}))
    return words


def _words(text: str, x: float, y: float, **more: Any) -> Figure:
    return {
        "text": text, "x": x, "y": y, "xref": "x", "yref": "y", "showarrow": False, "bgcolor": "rgba(255,255,255,0.75)",
        "borderpad": 1, **more,
    }  # fmt: skip


def _plain(values: npt.NDArray[np.float64]) -> list[float | None]:
    return [None if np.isnan(v) else round(float(v), 2) for v in values]


def _ticks(top: float) -> list[float]:
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200) if top / s <= 6.5)
    return [float(v) for v in np.arange(0, top, step)]
