"""The overview: the chance of every hour of a week, day by day, or the margin of every hour, site by site.

Cells of one hour each; figures are plain dicts, wide or tall.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from wxfly.pilot.elements import BY_NAME
from wxfly.report.charts import shades
from wxfly.report.charts.shades import Figure, escaped
from wxfly.report.charts.timeline import HOUR, LEFT, days_of, lit_hours
from wxfly.report.facts import writing
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.site import HourWords, SiteAnswerFacts
from wxfly.report.facts.values import State, instants
from wxfly.report.facts.writing import Clock, Reader
from wxfly.report.text.console import outgoing, without_isolates
from wxfly.times import as_moment

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


@dataclass(frozen=True)
class Lane:
    """One row of the overview: a day or a site.

    Attributes
    ----------
    title : str
        Escaped, and cut to what fits beside the chart.
    site : SiteAnswerFacts
        Whose hours they are.
    reader : Reader
        Units and clock.
    hours : tuple of (float, int)
        Place along the axis, in hours, and position in the answer.
    boxes : tuple of (float, float, bool)
        Start, end along the axis of its windows, and whether it is the best of all.
    """

    title: str
    site: SiteAnswerFacts
    reader: Reader
    hours: tuple[tuple[float, int], ...]
    boxes: tuple[tuple[float, float, bool], ...]


def shows_chance(site: SiteAnswerFacts) -> bool:
    """Return whether the chance of some lit hour is known."""
    hours = site.hours
    return any(c is not None and lit is not None for c, lit in zip(hours.chance, hours.usable_start, strict=True))


def week_overview(site: SiteAnswerFacts, reader: Reader, *, tall: bool) -> Figure:
    """Draw the days of an answer under each other, each along the hours of the reader's clock."""
    lanes, clock = [], reader.clock
    for day in days_of(site, clock):
        hours: dict[float, int] = {}
        for i in day.hours.tolist():
            place = float(clock.local(site.hours.start[i]).hour)
            # Where the clock goes back an hour comes twice: the worse of the two is shown.
            if place not in hours or _rank(site, i) < _rank(site, hours[place]):
                hours[place] = i
        boxes = tuple(
            (_clock_hour(clock, w.start), _clock_hour(clock, w.end), w.rank == 1)
            for w in site.windows
            if clock.date(w.start) == day.date
        )
        lanes.append(Lane(writing.day_name(day.date), site, reader, tuple(hours.items()), boxes))
    minutes = clock.local(site.hours.start[0]).minute
    words = {h: f"{h:02d}:{minutes:02d}" for h in range(25)}
    zones = [clock.zones(as_moment(site.period.start), as_moment(site.period.end))]
    return _draw(lanes, [words], zones, tall=tall, by_chance=shows_chance(site))


def _rank(site: SiteAnswerFacts, hour: int) -> float:
    margin = site.hours.margin[hour]
    return -np.inf if margin is None else margin


def _clock_hour(clock: Clock, moment: datetime) -> float:
    local = clock.local(moment)
    return local.hour + local.minute / 60


def sites_overview(facts: AnswerFacts, readers: Sequence[Reader], names: Sequence[str], *, tall: bool) -> Figure:
    """Draw the sites of a comparison under each other, along the hours they have in common."""
    assert facts.comparison is not None
    shared, best = facts.comparison.start, facts.comparison.best_sites
    lit = {t for site in facts.sites for t, is_lit in zip(site.hours.start, lit_hours(site), strict=True) if is_lit}
    positions = [i for i, t in enumerate(shared) if t in lit] or list(range(len(shared)))
    times = instants(shared[positions[0] : positions[-1] + 1])
    start, count = times[0], int((times[-1] - times[0]) / HOUR) + 1
    lanes = []
    titles = _cut(names)
    for position, (site, reader, title) in enumerate(zip(facts.sites, readers, titles, strict=True)):
        own = instants(site.hours.start)
        hours = tuple((float((t - start) / HOUR), int(np.searchsorted(own, t))) for t in times)
        boxes = tuple(
            (*((instants([w.start, w.end]) - start) / HOUR).tolist(), position in best and w.rank == 1)
            for w in site.windows
        )
        lanes.append(Lane(escaped(title), site, reader, hours, boxes))
    clocks = {r.clock.local(start).utcoffset(): r.clock for r in reversed(readers)}
    line = [clocks[offset] for offset in dict.fromkeys(r.clock.local(start).utcoffset() for r in readers)]
    words = [{k: clock.distinguished_hour(start + k * HOUR) for k in range(count + 1)} for clock in line]
    return _draw(lanes, words, [clock.zones(start, start + count * HOUR) for clock in line], tall=tall)


def _cut(names: Sequence[str]) -> list[str]:
    """Cut names at their end, or in their middle where they would be alike: a height stands at the end."""

    def cut(name: str, kept: int) -> str:
        plain = without_isolates(name)
        end = plain[len(plain) - kept :].lstrip() if kept else ""
        room = _LONGEST_NAME - 1 - kept
        return name if len(plain) <= _LONGEST_NAME else outgoing(f"{plain[:room].rstrip()}…{end}")

    at_end = [cut(name, 0) for name in names]
    return at_end if len(set(at_end)) == len(names) else [cut(name, 8) for name in names]


def _draw(
    lanes: Sequence[Lane],
    words: Sequence[dict[int, str]],
    zones: Sequence[str],
    *,
    tall: bool,
    by_chance: bool = False,
) -> Figure:
    lit = [lit_hours(lane.site) for lane in lanes]
    shown = [place for lane, of_lane in zip(lanes, lit, strict=True) for place, i in lane.hours if of_lane[i]]
    if not shown:
        shown = [place for lane in lanes for place, _ in lane.hours]
    first, last = int(min(shown)), int(max(shown))
    count = last - first + 1
    is_short = tall or count > _ROOMY
    with_word = len(lanes) <= _FEW if tall else not is_short
    classes: list[list[int | None]] = [[None] * count for _ in lanes]
    text = [[""] * count for _ in lanes]
    hover = [[""] * count for _ in lanes]
    unknown: list[tuple[int, int]] = []
    dark: list[tuple[int, int]] = []
    for row, lane in enumerate(lanes):
        hour_words = HourWords(lane.site, lane.reader.units)
        for place, i in lane.hours:
            column = int(place) - first
            if not 0 <= column < count:
                continue
            shade, line, hover[row][column] = _cell(lane, hour_words, i, is_short=is_short, by_chance=by_chance)
            element = lane.site.hours.limiting_element[i]
            if line and with_word and element:
                line += f"<br>{_NARROW_TITLES.get(element, BY_NAME[element].title)}"
            classes[row][column], text[row][column] = shade, line
            if shade is None:
                unknown.append((row, column))
            elif shade == shades.DARK:
                dark.append((row, column))
    traces = [shades.grid(classes, text, hover, of_chance=by_chance, tall=tall)]
    if dark:
        rows, columns = zip(*dark, strict=True)
        boxes_of_dark = [c + 0.5 for c in columns], [r - 0.5 for r in rows], [1.0] * len(rows)
        traces.append(shades.dotted(*boxes_of_dark, lying=tall))
    if unknown:
        rows, columns = zip(*unknown, strict=True)
        boxes = [c + 0.5 for c in columns], [r - 0.5 for r in rows], [1.0] * len(rows)
        traces.append(shades.hatched(*boxes, [hover[r][c] for r, c in unknown], lying=tall))
    return {"data": traces, "layout": _layout(lanes, words, zones, first, count, tall=tall)}


def _cell(lane: Lane, words: HourWords, hour: int, *, is_short: bool, by_chance: bool) -> tuple[int | None, str, str]:
    """Return class, number and hover of one hour."""
    hours, clock = lane.site.hours, lane.reader.clock
    time = as_moment(hours.start[hour])
    span = f"{lane.title}<br>{clock.span(time, time + HOUR)} {clock.zone(time)}"
    if hours.usable_start[hour] is None:
        return shades.DARK, "", f"{span}<br>dark"
    margin, reason = hours.margin[hour], words.reason(hour).replace(", ", "<br>", 1)
    if margin is None:
        missing = words.missing(hour)
        why = f"{writing.titles(missing)} missing" if missing else reason
        return None, "", f"{span}<br><b>{State.NOT_KNOWN.words}</b><br>{why}"
    line = f"<b>{hours.state[hour]}</b>, margin {writing.margin(margin)}<br>{reason}"
    if not by_chance:
        shade = shades.shade_of(margin, lane.site.limits.reserve)
        return shade, shades.cell(margin, short=is_short), f"{span}<br>{line}"
    known = hours.chance[hour]
    chance = np.nan if known is None else known
    line = f"{span}<br><b>{writing.in_ten(chance)}</b> that every limit holds<br>{line}"
    return shades.chance_shade_of(chance), "" if known is None else shades.chance_cell(chance), line


def _layout(
    lanes: Sequence[Lane], words: Sequence[dict[int, str]], zones: Sequence[str], first: int, count: int, *, tall: bool
) -> Figure:
    edges = list(range(count + 1))
    labels = [(" " if tall else "<br>").join(w.get(first + k, "") for w in words) for k in edges]
    every = 1 if tall else 1 + count // 24
    hours: Figure = {
        "tickvals": edges[::every], "ticktext": labels[::every], "fixedrange": True, "showgrid": False,
        "zeroline": False, "ticks": "outside",
    }  # fmt: skip
    rows: Figure = {
        "tickvals": list(range(len(lanes))), "fixedrange": True, "showgrid": False, "zeroline": False,
    }  # fmt: skip
    pixels = 36 if len(lanes) <= _FEW else 25
    common = shades.COMMON | {
        "shapes": [part for row, lane in enumerate(lanes) for box in lane.boxes for part in _box(row, box, first, tall)]
    }
    if tall:
        longest = max((len(label) for label in labels), default=0)
        margin = {"l": 14 + max(38 * len(words), 4 + 6 * longest), "r": 8, "t": 46, "b": 8}
        across = _across([lane.title for lane in lanes])
        corner = {
            "text": " ".join(zones), "xref": "paper", "yref": "paper", "x": 0, "y": 1, "xanchor": "right",
            "yanchor": "bottom", "xshift": -6, "yshift": 6, "showarrow": False, "font": {"size": 12},
        }  # fmt: skip
        return common | {
            "height": pixels * count + margin["t"] + margin["b"], "margin": margin,
            "xaxis": rows | {"side": "top", "range": [-0.5, len(lanes) - 0.5], "ticktext": across, "tickangle": 0},
            "yaxis": hours | {"range": [count, 0]}, "annotations": [corner],
        }  # fmt: skip
    margin = {"l": LEFT, "r": 54, "t": 8, "b": 30 + 16 * len(words)}
    return common | {
        "height": (38 if count <= _ROOMY else 28) * len(lanes) + margin["t"] + margin["b"], "margin": margin,
        "xaxis": hours | {"range": [0, count], "title": {"text": f"hour, {' / '.join(zones)}", "standoff": 4}},
        "yaxis": rows | {"range": [len(lanes) - 0.5, -0.5], "ticktext": [lane.title for lane in lanes]},
    }  # fmt: skip


def _across(titles: Sequence[str]) -> list[str]:
    """Return titles for narrow columns, each unlike the others, by their last two words where needed."""
    line = [_two_lines(title, narrow=len(titles) > _NARROW_LANES) for title in titles]
    if len(set(line)) < len(titles):
        line = [f"{title.split(' ')[0]}<br>{' '.join(title.split(' ')[-2:])}" for title in titles]
    return line


def _two_lines(title: str, *, narrow: bool) -> str:
    """Break a title at its first space; in a narrow column a day keeps only its name and number."""
    head, _, tail = title.partition(" ")
    if narrow:
        tail = tail.partition(" ")[0]
    return f"{head}<br>{tail}" if tail else head


def _box(row: int, box: tuple[float, float, bool], first: int, tall: bool) -> list[Figure]:
    start, end, is_best = box
    along, across = (start - first, end - first), (row - 0.5, row + 0.5)
    ends = (*across, *along) if tall else (*along, *across)
    return shades.frame(ends, ("x", "y"), width=4 if is_best else 2)
