"""The overview: the chance of every hour of a week, day by day, or the margin of every hour, site by site.

Same cells as the timeline's strip, one for each hour; figures are plain dicts, wide or tall.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from wxfly.answer import findings
from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.assessment.suitability import State
from wxfly.pilot.elements import BY_NAME
from wxfly.report.charts import chance_shades, shades
from wxfly.report.charts.hours import Figure, escaped, hatched
from wxfly.report.text import chances, sentences, tables
from wxfly.report.text.console import outgoing, without_isolates
from wxfly.report.text.sentences import Reader


@dataclass(frozen=True)
class Lane:
    """One row of the overview: a day or a site.

    Attributes
    ----------
    title : str
        Escaped, and cut to what fits beside the chart.
    answer : SiteAnswer
        Whose hours they are.
    reader : Reader
        Units and clock.
    hours : tuple of (float, int)
        Place along the axis, in hours, and position in the answer.
    boxes : tuple of (float, float, bool)
        Start, end along the axis of its windows, and whether it is the best of all.
    """

    title: str
    answer: SiteAnswer
    reader: Reader
    hours: tuple[tuple[float, int], ...]
    boxes: tuple[tuple[float, float, bool], ...]


def week_overview(answer: SiteAnswer, reader: Reader, *, tall: bool) -> Figure:
    """Draw the days of an answer under each other, each along the hours of the site's clock."""
    lanes = []
    times = answer.assessment["time"].values.astype("datetime64[s]")
    for day in findings.days_of(answer, reader.clock):
        hours: dict[float, int] = {}
        for i in np.flatnonzero(day.hours):
            local = reader.clock.local(times[i])
            place = float(local.hour)
            # Where the clock goes back an hour comes twice: the worse of the two is shown.
            if place not in hours or _is_worse(answer, int(i), hours[place]):
                hours[place] = int(i)
        boxes = tuple((_clock_hour(reader, w.start), _clock_hour(reader, w.end), rank == 1) for rank, w in day.windows)
        lanes.append(Lane(sentences.day_name(day.date), answer, reader, tuple(hours.items()), boxes))
    minutes = reader.clock.local(times[0]).minute
    words = {h: f"{h:02d}:{minutes:02d}" for h in range(25)}
    zones = [reader.clock.zones(answer.start, answer.end)]
    return _draw(lanes, [words], zones, tall=tall, by_chance=chance_shades.is_told(answer))


def _is_worse(answer: SiteAnswer, one: int, other: int) -> bool:
    margins = np.nan_to_num(answer.assessment["hour_margin"].values[[one, other]], nan=-np.inf)
    return bool(margins[0] < margins[1])


def _clock_hour(reader: Reader, moment: np.datetime64) -> float:
    local = reader.clock.local(moment)
    return local.hour + local.minute / 60


def sites_overview(briefing: Briefing, readers: Sequence[Reader], names: Sequence[str], *, tall: bool) -> Figure:
    """Draw the sites of a comparison under each other, along the hours they have in common."""
    hours = briefing.compared
    lit = [i for i, h in enumerate(hours) if h.is_lit]
    if lit:
        hours = hours[lit[0] : lit[-1] + 1]
    start = hours[0].time.astype("datetime64[s]")
    best = min((a.best.rank for a in briefing.answers if a.best), default=None)
    lanes = []
    for answer, reader, name in zip(briefing.answers, readers, names, strict=True):
        times = answer.assessment["time"].values
        places = tuple(
            (float((h.time - hours[0].time) / findings.HOUR), int(np.searchsorted(times, h.time))) for h in hours
        )
        boxes = tuple(
            (float((w.start - start) / findings.HOUR), float((w.end - start) / findings.HOUR), w.rank == best)
            for w in answer.windows
        )
        lanes.append(Lane(escaped(_cut(name)), answer, reader, places, boxes))
    clocks = tables.distinct_clocks(readers, hours[0].time)
    count = int((hours[-1].time - hours[0].time) / findings.HOUR) + 1
    words = [{k: clock.hour_told_apart(start + k * findings.HOUR) for k in range(count + 1)} for clock in clocks]
    return _draw(lanes, words, [clock.zones(start, start + count * findings.HOUR) for clock in clocks], tall=tall)


def _cut(name: str) -> str:
    plain = without_isolates(name)
    return name if len(plain) <= _LONGEST_NAME else outgoing(f"{plain[: _LONGEST_NAME - 1].rstrip()}…")


def _draw(
    lanes: Sequence[Lane],
    words: Sequence[dict[int, str]],
    zones: Sequence[str],
    *,
    tall: bool,
    by_chance: bool = False,
) -> Figure:
    shown = [place for lane in lanes for place, i in lane.hours if lane.answer.lit_hours[i]]
    if not shown:
        shown = [place for lane in lanes for place, _ in lane.hours]
    first, last = int(min(shown)), int(max(shown))
    count = last - first + 1
    grid: list[list[float | None]] = [[None] * count for _ in lanes]
    text = [[""] * count for _ in lanes]
    hover = [[""] * count for _ in lanes]
    unknown: list[tuple[int, int]] = []
    for row, lane in enumerate(lanes):
        lit = lane.answer.lit_hours
        for place, i in lane.hours:
            column = int(place) - first
            if not 0 <= column < count:
                continue
            shade, text[row][column], hover[row][column] = _cell(
                lane, i, is_lit=bool(lit[i]), tall=tall, lanes=len(lanes), count=count, by_chance=by_chance
            )
            grid[row][column] = None if shade is None else shade + 0.5
            if shade is None:
                unknown.append((row, column))
    along = [k + 0.5 for k in range(count)]
    across = list(range(len(lanes)))
    data: Figure = {
        "type": "heatmap", "name": "chance" if by_chance else "margin",
        "z": grid, "text": text, "customdata": hover, "x": along, "y": across,
        "zmin": 0, "zmax": 5, "colorscale": shades.colorscale(), "showscale": False, "xgap": 1, "ygap": 1,
        "texttemplate": "%{text}", "textfont": {"size": 11}, "hoverongaps": False,
        "hovertemplate": "%{customdata}<extra></extra>",
    }  # fmt: skip
    if tall:
        for key in ("z", "text", "customdata"):
            data[key] = [list(column) for column in zip(*data[key], strict=True)]
        data |= {"x": across, "y": along}
    traces = [data]
    if unknown:
        rows, columns = zip(*unknown, strict=True)
        traces.append(
            hatched(
                [c + 0.5 for c in columns], [r - 0.5 for r in rows], [1.0] * len(rows),
                [hover[r][c] for r, c in unknown], lying=tall,
            )
        )  # fmt: skip
    return {"data": traces, "layout": _layout(lanes, words, zones, first, count, tall=tall)}


def _cell(
    lane: Lane, hour: int, *, is_lit: bool, tall: bool, lanes: int, count: int, by_chance: bool
) -> tuple[int | None, str, str]:
    """Return shade, text and hover of one hour."""
    assessment, clock = lane.answer.assessment, lane.reader.clock
    time = assessment["time"].values[hour]
    state = State(int(assessment["state"].values[hour]))
    margin = float(assessment["hour_margin"].values[hour])
    span = f"{lane.title}<br>{clock.span(time, time + findings.HOUR)} {clock.zone(time)}"
    if not is_lit:
        return shades.DARK, "", f"{span}<br>dark"
    reason = sentences.reason_of(lane.answer, hour, lane.reader.units).replace(", ", "<br>", 1)
    hover = f"{span}<br><b>{state.words}</b>, margin {sentences.margin(margin)}<br>{reason}"
    shade = shades.shade_of(margin, lane.answer.request.limits.reserve)
    if shade is None:
        missing = [g.element for g in findings.gaps(lane.answer) if g.required and hour in g.hours]
        why = f"{sentences.titles(missing)} missing" if missing else reason
        return None, "", f"{span}<br><b>{State.NOT_KNOWN.words}</b><br>{why}"
    text = shades.cell(margin, short=tall or count > _ROOMY)
    if by_chance and lane.answer.sureness is not None:
        chance = float(lane.answer.sureness.hours.values[hour])
        hover = f"{span}<br><b>{chances.in_ten(chance)}</b> that every limit holds{hover.removeprefix(span)}"
        shade = chance_shades.shade_of(chance)
        if shade is None:
            return None, "", hover
        text = chance_shades.cell(chance)
    element = str(assessment["limiting_element"].values[hour])
    if (lanes <= _FEW) if tall else (count <= _ROOMY):
        text += f"<br>{_NARROW_TITLES.get(element, BY_NAME[element].title)}"
    return shade, f'<span style="color:{shades.NUMBERS[shade]}">{text}</span>', hover


# Up to so many columns a cell of the wide shape, and up to so many lanes one of the tall shape, has room for a word.
_ROOMY = 21
_FEW = 3
_LONGEST_NAME = 18
_NARROW_LANES = 5

# Titles that fit a cell.
_NARROW_TITLES = {
    "wind_difference": "wind diff.", "precipitation": "precip.", "temperature": "temp.", "thunderstorm": "storm",
    "density_altitude": "density", "cloud_base": "cloud",
}  # fmt: skip


def _layout(
    lanes: Sequence[Lane], words: Sequence[dict[int, str]], zones: Sequence[str], first: int, count: int, *, tall: bool
) -> Figure:
    edges = list(range(count + 1))
    labels = ["<br>".join(w.get(first + k, "") for w in words) for k in edges]
    if tall:
        labels = [" ".join(w.get(first + k, "") for w in words) for k in edges]
    every = 1 if tall else 1 + count // 24
    hours: dict[str, Any] = {
        "tickvals": edges[::every], "ticktext": labels[::every], "fixedrange": True, "showgrid": False,
        "zeroline": False, "ticks": "outside",
    }  # fmt: skip
    rows: dict[str, Any] = {
        "tickvals": list(range(len(lanes))), "fixedrange": True, "showgrid": False, "zeroline": False,
    }  # fmt: skip
    pixels = 36 if len(lanes) <= _FEW else 25
    title = {"text": " / ".join(zones), "standoff": 4}
    common = {
        "font": {"family": "system-ui, sans-serif", "size": 12, "color": shades.INK}, "paper_bgcolor": "#ffffff",
        "plot_bgcolor": "#ffffff", "showlegend": False, "dragmode": False, "hovermode": "closest",
        "barmode": "overlay", "bargap": 0,
        "hoverlabel": {"bgcolor": "#ffffff", "bordercolor": shades.INK, "align": "left",
                       "font": {"family": "system-ui, sans-serif", "size": 13, "color": shades.INK}},
        "shapes": [_box(row, lane, box, first, tall=tall) for row, lane in enumerate(lanes) for box in lane.boxes],
    }  # fmt: skip
    if tall:
        longest = max((len(label) for label in labels), default=0)
        margin = {"l": 14 + max(38 * len(words), 4 + 6 * longest), "r": 8, "t": 46, "b": 8}
        across = [_two_lines(lane.title, narrow=len(lanes) > _NARROW_LANES) for lane in lanes]
        corner = {
            "text": " ".join(zones), "xref": "paper", "yref": "paper", "x": 0, "y": 1, "xanchor": "right",
            "yanchor": "bottom", "xshift": -6, "yshift": 6, "showarrow": False, "font": {"size": 11},
        }  # fmt: skip
        return common | {
            "height": pixels * count + margin["t"] + margin["b"], "margin": margin,
            "xaxis": rows | {"side": "top", "range": [-0.5, len(lanes) - 0.5], "ticktext": across, "tickangle": 0},
            "yaxis": hours | {"range": [count, 0]}, "annotations": [corner],
        }  # fmt: skip
    margin = {"l": 128, "r": 54, "t": 8, "b": 28 + 16 * len(words)}
    return common | {
        "height": (38 if count <= _ROOMY else 28) * len(lanes) + margin["t"] + margin["b"], "margin": margin,
        "xaxis": hours | {"range": [0, count], "title": title},
        "yaxis": rows | {"range": [len(lanes) - 0.5, -0.5], "ticktext": [lane.title for lane in lanes]},
    }  # fmt: skip


def _two_lines(title: str, *, narrow: bool) -> str:
    """Break a title at its first space; in a narrow column a day keeps only its name and number."""
    head, _, tail = title.partition(" ")
    if narrow:
        tail = tail.partition(" ")[0]
    return f"{head}<br>{tail}" if tail else head


def _box(row: int, lane: Lane, box: tuple[float, float, bool], first: int, *, tall: bool) -> Figure:
    start, end, is_best = box
    edge = {"color": "#000000", "width": 4 if is_best else 2}
    along, across = (start - first, end - first), (row - 0.5, row + 0.5)
    (x0, x1), (y0, y1) = (across, along) if tall else (along, across)
    return {"type": "rect", "xref": "x", "yref": "y", "x0": x0, "x1": x1, "y0": y0, "y1": y1, "line": edge,
            "fillcolor": "rgba(0,0,0,0)"}  # fmt: skip
