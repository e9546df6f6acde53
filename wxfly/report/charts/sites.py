"""The map of places: each in the shade of its verdict, with outlines of countries, zones, a graticule and a scale.

Its axes are longitude and latitude, so that a point of it is a place on Earth; one degree of longitude is as wide as it
is at the middle latitude (plate carrée with a standard parallel, Snyder 1987, USGS Professional Paper 1395, chapter
12). Distances are true near that latitude alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from wxfly.errors import shortened
from wxfly.report.charts import shades
from wxfly.report.charts.outlines import HALO, METRES_OF_DEGREE, ZoneSpot, numbers, outlines_within, zone_traces
from wxfly.report.charts.shades import BLACK, COMMON, GRID, HATCH, INK, PAPER, Figure
from wxfly.units import from_si, to_si

Array = npt.NDArray[np.float64]
Point = tuple[float, float]
"""Longitude and latitude [degree]."""

NEAREST, FARTHEST = 0.005, 80.0
"""Least and greatest half height of a map [degree]."""
_FEW = 8
"""Of more places than these the picture is larger, and their circles are smaller."""
_HEIGHTS = {"wide": (460, 580), "tall": (430, 500)}  # of the picture of few and of many places [px]
_WIDTHS = {"wide": 726, "tall": 226}  # of the least room for the map that such a page has [px]
_MARGINS = {"l": 62, "r": 12, "t": 10, "b": 34}
_LETTER, _BOLD, _LINE = 7.6, 9.2, 17.0  # wide letters of a label, its lines [px]
_GAP, _GAP_WIDTH = 5, 28.0  # spaces between the middle of a circle and its label, and how wide they are [px]
_WIDEST, _TALLEST = 3.6, 2.1  # sides of the box that is drawn, as multiples of the other side of the frame
_LINES = {"wide": 7, "tall": 3}  # about how many meridians are seen
_STEPS = [n * 10.0**k for k in range(-3, 2) for n in (1, 2, 5)]
_LATITUDES = 84.0
_LONGEST_LABEL = 24


@dataclass(frozen=True)
class Spot:
    """A place on the map.

    Attributes
    ----------
    number : int
        As in the table.
    name : str
        Of the place.
    latitude, longitude : float
        Where it is [degree].
    word : str
        The verdict.
    shade : int or None
        Its class in `wxfly.report.charts.shades`; None for what is not known.
    when : str
        Its hours; empty for none.
    hover : tuple of str
        What is said of it, in lines.
    address : str
        Of its answer.
    """

    number: int
    name: str
    latitude: float
    longitude: float
    word: str
    shade: int | None
    when: str
    hover: tuple[str, ...]
    address: str


@dataclass(frozen=True)
class Frame:
    """What the map shows at least.

    Attributes
    ----------
    latitude, longitude : float
        Its middle [degree].
    half_height, half_width : float
        Half its sides, both in degrees of latitude.
    """

    latitude: float
    longitude: float
    half_height: float
    half_width: float

    @property
    def squeeze(self) -> float:
        """Return the length of a degree of longitude in degrees of latitude."""
        return math.cos(math.radians(self.latitude))

    def near(self, longitude: float) -> float:
        """Return a longitude without a jump at the date line [degree]."""
        return self.longitude + (longitude - self.longitude + 180.0) % 360.0 - 180.0


def frame_of(places: Sequence[tuple[float, float]]) -> Frame:
    """Return the frame of all of some places, latitude and longitude [degree], with room around them."""
    first = places[0][1]
    east = [(longitude - first + 180.0) % 360.0 - 180.0 for _, longitude in places]
    north = [latitude for latitude, _ in places]
    middle = (min(north) + max(north)) / 2
    squeeze = math.cos(math.radians(middle))
    half_height = 0.65 * (max(north) - min(north)) + 0.1
    half_width = 0.65 * (max(east) - min(east)) * squeeze + 0.1
    longitude = (first + (min(east) + max(east)) / 2 + 180.0) % 360.0 - 180.0
    return Frame(middle, longitude, min(half_height, FARTHEST), half_width)


def frame_around(latitude: float, longitude: float, reach: float) -> Frame:
    """Return the frame of a place [degree] and what is in reach of it [m]."""
    half = min(max(reach / METRES_OF_DEGREE, NEAREST), FARTHEST)
    return Frame(latitude, longitude, half, half)


def sites_map(spots: Sequence[Spot], zones: Iterable[ZoneSpot], frame: Frame, unit: str) -> dict[str, Figure]:
    """Draw places.

    Parameters
    ----------
    spots : sequence of Spot
        The places.
    zones : iterable of ZoneSpot
        The volumes of zones near them.
    frame : Frame
        What is shown at least; the picture shows more where the page has room.
    unit : str
        Of the scale.

    Returns
    -------
    dict
        The figure for wide and for narrow pages, in plotly's terms.
    """
    half_x = min(max(frame.half_width, _WIDEST * frame.half_height) / frame.squeeze, 180.0)
    half_y = max(frame.half_height, _TALLEST * frame.half_width)
    longitudes = (frame.longitude - half_x, frame.longitude + half_x)
    latitudes = (max(frame.latitude - half_y, -_LATITUDES), min(frame.latitude + half_y, _LATITUDES))
    pitch = 2 * max(half_y, half_x * frame.squeeze) / 900
    drawn = [trace for one in zones for trace in zone_traces(one, lambda x, y: (_unbroken(x, frame), y), pitch)]
    marks = [(trace["x"][0], trace["y"][0]) for trace in drawn if trace["mode"] == "text"]
    below = [*_outlines(longitudes, latitudes), *drawn, _scale(frame, unit)]
    figures = {}
    for shape, heights in _HEIGHTS.items():
        height = heights[len(spots) > _FEW]
        data = [*below, *_places(spots, marks, frame, (_WIDTHS[shape], height - _MARGINS["t"] - _MARGINS["b"]))]
        figures[shape] = {"data": data, "layout": _layout(frame, longitudes, latitudes, shape, height)}
    return figures


def _outlines(longitudes: tuple[float, float], latitudes: tuple[float, float]) -> list[Figure]:
    found = outlines_within(longitudes, latitudes)
    if found is None or not found[0].size:
        return []
    step = max(latitudes[1] - latitudes[0], longitudes[1] - longitudes[0]) / 4000
    digits = max(0, math.ceil(-math.log10(step)))
    return [
        {"type": "scatter", "mode": "lines", "name": "coastline and borders", "hoverinfo": "skip",
         "line": {"color": HATCH, "width": 1.2}, "x": numbers(found[0], digits), "y": numbers(found[1], digits)}
    ]  # fmt: skip


def _unbroken(longitudes: Array, frame: Frame) -> Array:
    """Return the longitudes of a line without a jump at the date line between it and the frame."""
    return longitudes + frame.near(float(longitudes[0])) - float(longitudes[0])


def _scale(frame: Frame, unit: str) -> Figure:
    """Return a bar of a round length in the corner of the frame."""
    across = 2 * frame.half_width * METRES_OF_DEGREE
    longest = float(np.asarray(from_si(0.3 * across, unit)))
    power = 10.0 ** math.floor(math.log10(longest))
    shown = max(n * power for n in (1, 2, 5) if n * power <= longest * (1 + 1e-9))
    length = float(np.asarray(to_si(shown, unit))) / METRES_OF_DEGREE / frame.squeeze
    west = frame.longitude - 0.94 * frame.half_width / frame.squeeze
    south = max(frame.latitude - 0.9 * frame.half_height, -_LATITUDES)
    return {
        "type": "scatter", "mode": "lines+markers+text", "name": "scale", "hoverinfo": "skip",
        "x": numbers((west, west + length)), "y": numbers((south, south)), "line": {"color": BLACK, "width": 3},
        "marker": {"symbol": "line-ns-open", "size": 9, "color": BLACK},
        "text": [f"{shown:g} {unit}", ""], "textposition": "top right", "textfont": {"color": BLACK, "size": 12},
    }  # fmt: skip


def _places(
    spots: Sequence[Spot], marks: Sequence[Point], frame: Frame, room: tuple[float, float]
) -> list[Figure]:  # fmt: skip
    """Return the places on their shades with their numbers, and beside each that has room its name, word and hours."""
    x = [round(frame.near(spot.longitude), 5) for spot in spots]
    y = [round(spot.latitude, 5) for spot in spots]
    shade = [spot.shade for spot in spots]
    size = 30 if len(spots) <= _FEW else 24
    lines = [(shortened(spot.name, _LONGEST_LABEL), f"{spot.word} {spot.when}".strip()) for spot in spots]
    sides = _sides(list(zip(x, y, strict=True)), marks, lines, frame, room, size)
    places: Figure = {
        "type": "scatter", "mode": "markers+text", "name": "places", "x": x, "y": y,
        "marker": {"symbol": "circle", "size": size, "opacity": 1, "line": {"color": BLACK, "width": 2},
                   "color": [PAPER if one is None else shades.SHADES[one] for one in shade]},
        "text": [
            f'<span style="color:{BLACK if one is None else shades.NUMBERS[one]}"><b>'
            f"{spot.number}{'?' if one is None else ''}</b></span>"
            for spot, one in zip(spots, shade, strict=True)
        ],
        "customdata": ["<br>".join(shades.escaped(line) for line in spot.hover) for spot in spots],
        "meta": [spot.address for spot in spots], "hovertemplate": "%{customdata}<extra></extra>",
    }  # fmt: skip
    names: Figure = {
        "type": "scatter", "mode": "text", "x": x, "y": y, "hoverinfo": "skip",
        "text": [_label(*words, side) for words, side in zip(lines, sides, strict=True)],
        "textfont": {"color": BLACK, "size": 13, "shadow": HALO},
        "textposition": ["middle left" if side < 0 else "middle right" for side in sides],
    }  # fmt: skip
    return [names, places]


def _sides(
    places: Sequence[Point], marks: Sequence[Point], lines: Sequence[tuple[str, str]], frame: Frame,
    room: tuple[float, float], size: float,
) -> list[int]:  # fmt: skip
    """Return where the label of each place stands: 1 east of it, -1 west; 0 where it would cover another or be cut.

    Labels of the eastern half stand west of their place if they can, so that a narrow page does not cut them.
    """
    scale = min(room[0] / (2 * frame.half_width), room[1] / (2 * frame.half_height))  # [px in a degree of latitude]
    across, up = frame.squeeze * scale, scale
    at, of_zones = (
        [((x - frame.longitude) * across, (y - frame.latitude) * up) for x, y in some] for some in (places, marks)
    )
    taken = [(a - size / 2, b - size / 2, a + size / 2, b + size / 2) for a, b in (*at, *of_zones)]
    sides = []
    for (a, b), words in zip(at, lines, strict=True):
        long = max(_BOLD * len(words[0]), _LETTER * len(words[1])) + _GAP_WIDTH
        first, found = -1 if a > 0 else 1, 0
        for side in (first, -first):
            near, far = a + side * size / 2, a + side * long
            box = (min(near, far), b - _LINE, max(near, far), b + _LINE)
            is_seen = -room[0] / 2 <= box[0] and box[2] <= room[0] / 2 and abs(b) + _LINE <= room[1] / 2
            if is_seen and not any(_overlap(box, other) for other in taken):
                taken.append(box)
                found = side
                break
        sides.append(found)
    return sides


def _overlap(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    # What only touches does not overlap: a label begins at the circle of its own place.
    return one[0] < other[2] - 1 and other[0] < one[2] - 1 and one[1] < other[3] - 1 and other[1] < one[3] - 1


def _label(name: str, words: str, side: int) -> str:
    gap = "\N{NO-BREAK SPACE}" * _GAP
    parts = (f"<b>{shades.escaped(name)}</b>", words) if side else ()
    return "<br>".join(f"{part}{gap}" if side < 0 else f"{gap}{part}" for part in parts)


def _layout(
    frame: Frame, longitudes: tuple[float, float], latitudes: tuple[float, float], shape: str, height: int
) -> Figure:
    seen = max(frame.half_width, frame.half_height * (2.6 if shape == "wide" else 0.9)) * 2 / frame.squeeze
    axis = {
        "zeroline": False, "showgrid": True, "gridcolor": GRID, "fixedrange": True, "ticks": "outside",
        "linecolor": INK, "mirror": True, "tickcolor": INK, "tickmode": "array",
    }  # fmt: skip
    step = next((one for one in _STEPS if one >= seen / _LINES[shape]), _STEPS[-1])
    up = next((one for one in _STEPS if one >= frame.half_height * 2 / 4), _STEPS[-1])
    half_x, half_y = frame.half_width / frame.squeeze, frame.half_height
    return {
        **COMMON, "height": height, "margin": _MARGINS,
        "xaxis": axis | {"range": [round(frame.longitude - half_x, 5), round(frame.longitude + half_x, 5)],
                         **_ticks(longitudes, step, "EW"), "constrain": "range"},
        "yaxis": axis | {"range": [round(frame.latitude - half_y, 5), round(frame.latitude + half_y, 5)],
                         **_ticks(latitudes, up, "NS"), "scaleanchor": "x", "constrain": "range",
                         "scaleratio": round(1 / frame.squeeze, 5)},
    }  # fmt: skip


def _ticks(ends: tuple[float, float], step: float, letters: str) -> dict[str, list[Any]]:
    """Return the lines of the graticule between two ends, each with its degrees and its letter."""
    values = [round(k * step, 6) for k in range(math.ceil(ends[0] / step), math.floor(ends[1] / step) + 1)]
    turned = [value if letters == "NS" else (value + 180.0) % 360.0 - 180.0 for value in values]
    texts = [
        f"{abs(round(value, 6)):g}°{'' if not round(value, 6) else letters[value < 0]}" for value in turned
    ]  # fmt: skip
    return {"tickvals": values, "ticktext": texts}
