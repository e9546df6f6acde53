"""Zones of the pilot's file on a map: outlines that tell what a zone demands, each with its mark in the page's list."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wxfly.report.charts import shades
from wxfly.report.charts.coastline import thinned
from wxfly.report.charts.shades import BLACK, HATCH, PAPER, Figure
from wxfly.report.facts.values import Period
from wxfly.report.facts.writing import Reader
from wxfly.report.facts.zones import ZoneFacts, ZonesFacts, zone_lines

Array = npt.NDArray[np.float64]
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
    x, y = ([value for line in lines for value in (*_numbers(line[k]), None)][:-1] for k in (0, 1))
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


def _numbers(values: Iterable[float]) -> list[float]:
    return [round(float(value), 5) for value in values]
