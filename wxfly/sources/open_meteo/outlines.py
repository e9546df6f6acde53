"""Outlines of models: the part of the Earth that a model's published grid covers.

Grids, projections and corners are those of the service's own map (github.com/open-meteo/weather-map-layer,
``src/domains.ts`` and ``src/tests/fixtures/crs-wkt.json``). Where the service fills a regular grid from one that is
turned, its corners are empty: then the outline is the polygon of the filled part (``src/domain-footprints.ts``).

References
----------
[Snyder1987] Snyder, J. P. (1987): Map projections, a working manual. USGS Professional Paper 1395. Equations 15-1 to
    15-4 are the Lambert conformal conic projection, 24-2 to 24-4 the Lambert azimuthal equal-area projection, on the
    sphere.
[CF] CF conventions, appendix F: the rotated pole.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

EARTH = 6_371_229.0
"""Radius of the sphere that weather models use [m]."""


class Outline(Protocol):
    """The part of the Earth that a grid covers."""

    def covers(self, latitude: float, longitude: float) -> bool:
        """Return whether a place [degree] lies inside; on the edge it does."""
        ...


@dataclass(frozen=True)
class World:
    """Every place on Earth."""

    def covers(self, latitude: float, longitude: float) -> bool:
        """Return True."""
        return True


@dataclass(frozen=True)
class Box:
    """A box of latitude and longitude [degree]; none of them crosses the date line."""

    south: float
    west: float
    north: float
    east: float

    def covers(self, latitude: float, longitude: float) -> bool:
        """Return whether a place [degree] lies inside."""
        return self.south <= latitude <= self.north and self.west <= longitude <= self.east


@dataclass(frozen=True)
class Polygon:
    """A polygon of corners (longitude, latitude) [degree], its sides straight in latitude and longitude."""

    corners: tuple[tuple[float, float], ...]

    def covers(self, latitude: float, longitude: float) -> bool:
        """Return whether a place [degree] lies inside: a ray to the east crosses the sides an odd number of times."""
        inside = False
        for (x, y), (next_x, next_y) in zip(self.corners, (*self.corners[1:], self.corners[0]), strict=True):
            if (y > latitude) != (next_y > latitude):
                inside ^= longitude < x + (latitude - y) / (next_y - y) * (next_x - x)
        return inside


class Projection(Protocol):
    """A map of the Earth on which a grid is a box."""

    def __call__(self, latitude: float, longitude: float) -> tuple[float, float]:
        """Return the place [degree] on the map, east and north."""
        ...


@dataclass(frozen=True)
class Lambert:
    """Lambert conformal conic projection with one standard parallel on the sphere [m]; see [Snyder1987]."""

    parallel: float
    meridian: float

    def __call__(self, latitude: float, longitude: float) -> tuple[float, float]:
        """Return the place on the map [m]; nothing south of 89.9 degrees south is on it."""
        parallel = math.radians(self.parallel)
        cone = math.sin(parallel)
        scale = math.cos(parallel) * math.tan(math.pi / 4 + parallel / 2) ** cone / cone

        def radius(angle: float) -> float:
            return float(EARTH * scale / math.tan(math.pi / 4 + math.radians(angle) / 2) ** cone)

        here = radius(min(max(latitude, -89.9), 89.999))
        turned = cone * math.radians(_difference(longitude, self.meridian))
        return here * math.sin(turned), radius(self.parallel) - here * math.cos(turned)


@dataclass(frozen=True)
class EqualArea:
    """Lambert azimuthal equal-area projection on the sphere [m]; see [Snyder1987]."""

    latitude: float
    longitude: float

    def __call__(self, latitude: float, longitude: float) -> tuple[float, float]:
        """Return the place on the map [m]; the antipode of its centre is at no place on it."""
        here, centre = math.radians(latitude), math.radians(self.latitude)
        turned = math.radians(_difference(longitude, self.longitude))
        towards = math.sin(centre) * math.sin(here) + math.cos(centre) * math.cos(here) * math.cos(turned)
        if towards <= -1.0 + 1e-12:
            return math.inf, math.inf
        scale = EARTH * math.sqrt(2 / (1 + towards))
        north = math.cos(centre) * math.sin(here) - math.sin(centre) * math.cos(here) * math.cos(turned)
        return scale * math.cos(here) * math.sin(turned), scale * north


@dataclass(frozen=True)
class RotatedPole:
    """Latitude and longitude about another pole [degree]; see [CF]."""

    pole_latitude: float
    pole_longitude: float

    def __call__(self, latitude: float, longitude: float) -> tuple[float, float]:
        """Return longitude and latitude about that pole [degree]."""
        here, pole = math.radians(latitude), math.radians(self.pole_latitude)
        turned = math.radians(longitude - self.pole_longitude)
        up = math.sin(here) * math.sin(pole) + math.cos(here) * math.cos(pole) * math.cos(turned)
        east = -math.cos(here) * math.sin(turned)
        north = math.sin(here) * math.cos(pole) - math.cos(here) * math.sin(pole) * math.cos(turned)
        return math.degrees(math.atan2(east, north)), math.degrees(math.asin(max(-1.0, min(1.0, up))))


@dataclass(frozen=True)
class ProjectedBox:
    """A box on a map, from one corner to the opposite one.

    Attributes
    ----------
    projection : Projection
        The map.
    corners : tuple of tuple of float
        Both corners on the map, east and north.
    """

    projection: Projection
    corners: tuple[tuple[float, float], tuple[float, float]]

    def covers(self, latitude: float, longitude: float) -> bool:
        """Return whether a place [degree] lies inside."""
        east, north = self.projection(latitude, longitude)
        (west, south), (far_east, far_north) = self.corners
        return west <= east <= far_east and south <= north <= far_north


def between_corners(projection: Projection, south_west: Sequence[float], north_east: Sequence[float]) -> ProjectedBox:
    """Return the box on a map between two places (latitude, longitude) [degree], its first and its last cell."""
    return ProjectedBox(projection, (projection(*south_west), projection(*north_east)))


def from_corner(
    projection: Projection, corner: tuple[float, float], cells: tuple[int, int], step: tuple[float, float]
) -> ProjectedBox:
    """Return the box on a map from its first cell, on the map, over so many cells of this width, east and north."""
    far = tuple(at + (count - 1) * width for at, count, width in zip(corner, cells, step, strict=True))
    return ProjectedBox(projection, (corner, (far[0], far[1])))


def _difference(longitude: float, meridian: float) -> float:
    """Return how far east of a meridian a longitude is, from -180 up to 180 [degree]."""
    return (longitude - meridian + 180.0) % 360.0 - 180.0


WORLD = World()
ICON_EU = Box(29.5, -23.5, 70.5, 62.5)
ICON_D2 = Polygon((
    (-0.32, 43.18), (8.64, 43.64), (17.64, 43.38), (20.34, 57.7), (14.54, 58.0), (7.88, 58.06), (2.2, 57.86),
    (-3.94, 57.36),
))  # fmt: skip
ARPEGE_EUROPE = Box(20.0, -32.0, 72.0, 42.0)
AROME_FRANCE = Polygon((
    (-8.175, 37.525), (-0.2, 38.0), (5.85, 37.95), (12.2, 37.525), (15.975, 54.7), (7.825, 55.275), (-0.5, 55.375),
    (-6.25, 55.15), (-12.0, 54.675),
))  # fmt: skip
KNMI_EUROPE = between_corners(RotatedPole(35.0, 172.0), (39.74063, -25.162262), (62.619324, 38.75702))
KNMI_NETHERLANDS = Box(49.0, 0.0, 56.002, 11.281)
DMI_EUROPE = between_corners(Lambert(55.5, -8.0), (39.671, -25.421997), (62.667618, 40.069855))
UKV = from_corner(EqualArea(54.9, -2.5), (-1_158_000.0, -1_036_000.0), (1042, 970), (2000.0, 2000.0))
HRRR = between_corners(Lambert(38.5, -97.5), (21.138, -122.72), (47.8424, -60.918))
_NBM_MAP = Lambert(25.0, -95.0)
NBM = from_corner(_NBM_MAP, _NBM_MAP(19.229, -126.277), (2345, 1597), (2539.7, 2539.7))
RDPS = between_corners(RotatedPole(31.758286, 87.596985), (-3.771976, -124.61325), (50.039913, 32.107147))
HRDPS = between_corners(RotatedPole(36.0885, 65.305), (39.626034, -133.62952), (47.87646, -40.708527))
MET_NORDIC = between_corners(Lambert(63.0, 15.0), (52.30272, 1.9184653), (72.18527, 41.764282))
_SWISS_POLE = RotatedPole(43.0, 190.0)
ICON_CH1 = from_corner(_SWISS_POLE, (-6.46, -4.06), (1089, 705), (0.01, 0.01))
ICON_CH2 = from_corner(_SWISS_POLE, (-6.46, -4.06), (545, 353), (0.02, 0.02))
