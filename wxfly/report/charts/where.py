"""The map of the cells in reach of a place: shades of the margin hour by hour, coastline, borders and spots."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import starmap
from typing import Any

import numpy as np
import numpy.typing as npt

from wxfly.report.charts import shades
from wxfly.report.charts.outlines import METRES_OF_DEGREE, ZoneSpot, numbers, on_plane, outlines_near, zone_traces
from wxfly.report.charts.shades import BLACK, COMMON, DARK, INK, PAPER, SHADES, Figure
from wxfly.report.command_facts.where import CellFacts, WhereFacts
from wxfly.report.facts import writing
from wxfly.report.facts.writing import Reader
from wxfly.units import from_si

Array = npt.NDArray[np.float64]

FAR, FEW = 15_000.0, 50
"""Farthest that a cell without neighbours is drawn around its middle [m]; so many cells have their number written."""
_APART = 0.09  # least distance of spots whose ranks do not cover each other, as a share of the reach
_MARKED = 300  # of more cells only about so many are marked: the marks would cover each other
_FINEST = 150  # pieces of the picture along a side
_ROOM = 1.08  # side of the picture, as a share of the reach
_SIDES = {"wide": 640, "tall": 340}  # height of the picture [px]; wide pages leave room at its sides


def where_map(facts: WhereFacts, reader: Reader, zones: Sequence[ZoneSpot] = ()) -> dict[str, Figure]:
    """Draw the cells in reach of a place.

    Parameters
    ----------
    facts : WhereFacts
        The answer, with a lit hour at least.
    reader : Reader
        Units and clock.
    zones : sequence of ZoneSpot, optional
        The volumes of zones in reach.

    Returns
    -------
    dict
        The figure for wide and for narrow pages, in plotly's terms, and under ``hours`` what its first traces have in
        each hour.
    """
    unit = writing.unit_of("visibility", reader.units)
    place = facts.latitude, facts.longitude
    east, north = on_plane(
        place, np.array([c.latitude for c in facts.each_cell]), np.array([c.longitude for c in facts.each_cell])
    )
    half = _ROOM * facts.within
    along, nearest = _pieces(east, north, half)
    x, y, side, ticks = (np.asarray(from_si(v, unit)) for v in (east, north, half, along))
    at = {"x": x.round(2).tolist(), "y": y.round(2).tolist()}
    hours = [_of_hour(facts, reader, k, nearest) for k in range(len(facts.hours))]
    data = [
        {"type": "heatmap", "x": ticks.round(3).tolist(), "y": ticks.round(3).tolist(), "hoverinfo": "skip",
         "customdata": [[0]], **shades.scale(SHADES)},
        {"type": "scatter", "mode": "text", **at, "textfont": {"color": BLACK, "size": 12}, "hoverinfo": "skip"},
        {"type": "scatter", "mode": "markers", **at,
         "marker": {"size": 14, "opacity": 0}, "hovertemplate": "%{customdata}<extra></extra>"},
        *_lines(facts, place, half, unit),
        *_zones(zones, place, half, unit),
        _spots(facts, place, unit),
    ]  # fmt: skip
    for trace, values in zip(data, hours[first_hour(facts)], strict=False):
        trace |= values
    shapes: dict[str, Figure] = {
        shape: {"layout": _layout(float(side), unit, height)} for shape, height in _SIDES.items()
    }
    shapes["wide"]["data"] = data
    return shapes | {"hours": {str(k): {"data": hour} for k, hour in enumerate(hours)}}


def _pieces(east: Array, north: Array, half: float) -> tuple[Array, npt.NDArray[np.int_]]:
    """Return the middles of the pieces along a side [m], and which cell each is of; -1 for none."""
    apart = np.hypot(east[:, None] - east[:FEW], north[:, None] - north[:FEW])  # the first are the nearest
    # The fourth neighbour of a cell is the nearest along the wider side of the mesh; the cell itself comes first.
    spacing = float(np.median(np.sort(apart, axis=0)[min(4, east.size - 1)])) or FAR
    count = int(np.clip(4 * half / spacing, 24, _FINEST)) | 1
    along = np.linspace(-half, half, count)
    across, up = np.meshgrid(along, along)
    nearest = np.full(across.shape, -1)
    best = np.full(across.shape, min(0.75 * spacing, FAR))
    pitch = along[1] - along[0]
    for i in range(east.size):  # of each cell only the pieces around it
        reach = math.ceil(best.max() / pitch) + 1
        column, row = (int(np.clip(round((v + half) / pitch), 0, count - 1)) for v in (east[i], north[i]))
        part = (slice(max(row - reach, 0), row + reach + 1), slice(max(column - reach, 0), column + reach + 1))
        away = np.hypot(across[part] - east[i], up[part] - north[i])
        closer = away < best[part]
        best[part] = np.where(closer, away, best[part])
        nearest[part] = np.where(closer, i, nearest[part])
    return along, nearest


def _class_of(cell: CellFacts, hour: int, reserve: float) -> int | None:
    """Return the shade of a cell; None where it is not known."""
    if cell.hour_state[hour] is None:
        return DARK
    margin = cell.hour_margin[hour]
    return None if margin is None else shades.shade_of(margin, reserve)


def _of_hour(facts: WhereFacts, reader: Reader, hour: int, nearest: npt.NDArray[np.int_]) -> list[dict[str, list[Any]]]:
    """Return what the picture, its texts and its hover texts have in an hour."""
    classes = [_class_of(cell, hour, facts.reserve) for cell in facts.each_cell]
    value = np.array([np.nan if k is None else k + 0.5 for k in [*classes, None]])
    pieces = [[None if math.isnan(v) else v for v in row] for row in value[nearest].tolist()]
    few = len(classes) <= FEW
    texts = [_text(cell, hour, k, few=few) for cell, k in zip(facts.each_cell, classes, strict=True)]
    # The library draws no text that was empty at first.
    texts = [text if text and (few or i % (len(texts) // _MARKED + 1) == 0) else " " for i, text in enumerate(texts)]
    span = reader.clock.when(facts.hours[hour], facts.hours[hour] + timedelta(hours=1))
    hover = [_hover(cell, hour, span) for cell in facts.each_cell]
    return [{"z": pieces}, {"text": texts}, {"customdata": hover}]


def _text(cell: CellFacts, hour: int, shade: int | None, *, few: bool) -> str:
    if shade is None:
        return "<b>?</b>"
    margin = cell.hour_margin[hour]
    if not few or shade == DARK or margin is None:
        return ""
    return f'<span style="color:{shades.NUMBERS[shade]}">{shades.cell(margin, short=True)}</span>'


def _hover(cell: CellFacts, hour: int, span: str) -> str:
    where = f"{cell.latitude:.3f}, {cell.longitude:.3f}"
    state, margin, element = cell.hour_state[hour], cell.hour_margin[hour], cell.hour_element[hour]
    if state is None:
        return f"{where}<br>{span}<br>dark"
    said = state if margin is None else f"{state}, margin {writing.margin(margin)}"
    by = f", decided by {writing.titles([element])}" if element and margin is not None else ""
    return f"{where}<br>{span}<br>{said}{by}"


def _lines(facts: WhereFacts, place: tuple[float, float], half: float, unit: str) -> list[Figure]:
    """Return the outlines of countries, the ring of the reach, and the place."""
    found = outlines_near(place, half)
    turn = np.radians(np.arange(0, 361, 3))
    ring = [np.asarray(from_si(facts.within * part, unit)) for part in (np.sin(turn), np.cos(turn))]
    lines: list[tuple[str, list[Any], Figure]] = [
        ("reach", ring, {"color": PAPER, "width": 4}),
        ("reach", ring, {"color": INK, "width": 1.5, "dash": "dash"}),
    ]
    if found is not None and found[0].size:
        outlines = [np.asarray(from_si(part, unit)) for part in found]
        lines = [
            ("coastline and borders", outlines, {"color": PAPER, "width": 4}),
            ("coastline and borders", outlines, {"color": BLACK, "width": 1.5}), *lines,
        ]  # fmt: skip
    traces: list[Figure] = [
        {"type": "scatter", "mode": "lines", "name": name, "hoverinfo": "skip", "line": line,
         "x": numbers(part[0], 3), "y": numbers(part[1], 3)}
        for name, part, line in lines
    ]  # fmt: skip
    return [
        *traces,
        {"type": "scatter", "mode": "markers", "x": [0], "y": [0], "hoverinfo": "skip",
         "marker": {"symbol": "cross", "size": 14, "color": BLACK, "line": {"color": PAPER, "width": 2}}},
    ]  # fmt: skip


def _zones(zones: Sequence[ZoneSpot], place: tuple[float, float], half: float, unit: str) -> list[Figure]:
    """Return the outlines and the marks of zones."""

    def plane(longitude: Array, latitude: Array) -> tuple[Array, Array]:
        east, north = on_plane(place, latitude, longitude)
        return np.asarray(from_si(east, unit)), np.asarray(from_si(north, unit))

    pitch = 2 * half / METRES_OF_DEGREE / 900
    return [trace for zone in zones for trace in zone_traces(zone, plane, pitch, over_shades=True)]


def _spots(facts: WhereFacts, place: tuple[float, float], unit: str) -> Figure:
    """Return the best spots, each with its rank; where they lie close together only the first has it."""
    at = on_plane(place, np.array([s.latitude for s in facts.spots]), np.array([s.longitude for s in facts.spots]))
    apart = np.hypot(at[0][:, None] - at[0], at[1][:, None] - at[1])
    is_close = len(apart) > 1 and float(np.min(apart + 1e9 * np.eye(len(apart)))) < _APART * facts.within
    x, y = (np.asarray(from_si(part, unit)).round(2).tolist()[::-1] for part in at)  # the best on top
    ranks = [f"<b>{k}</b>" if k == 1 or not is_close else "" for k in range(len(x), 0, -1)]
    return {
        "type": "scatter", "mode": "markers+text", "x": x, "y": y, "hoverinfo": "skip",
        "text": ranks, "textfont": {"color": BLACK, "size": 11},
        "marker": {"symbol": "circle", "size": [19 if rank else 8 for rank in ranks], "color": PAPER, "opacity": 1,
                   "line": {"color": BLACK, "width": 2}},
    }  # fmt: skip


def first_hour(facts: WhereFacts) -> int:
    """Return the place of the hour that is shown at first: that in which the best spot begins."""
    start: datetime = facts.spots[0].start if facts.spots else facts.hours[0]
    return max((k for k, hour in enumerate(facts.hours) if hour <= start), default=0)


def _layout(side: float, unit: str, height: int) -> Figure:
    axis = {
        "range": [-side, side], "zeroline": False, "showgrid": False, "fixedrange": True, "ticks": "outside",
        "linecolor": INK, "mirror": True, "tickcolor": INK, "constrain": "domain",
    }  # fmt: skip
    ends = starmap(lambda back, ahead: f"{unit}, {back} to {ahead}", (("west", "east"), ("south", "north")))
    return {
        **COMMON, "height": height + 72, "margin": {"l": 58, "r": 14, "t": 12, "b": 60},
        "xaxis": axis | {"title": {"text": next(ends), "standoff": 4}},
        "yaxis": axis | {"title": {"text": next(ends), "standoff": 4}, "scaleanchor": "x"},
    }  # fmt: skip
