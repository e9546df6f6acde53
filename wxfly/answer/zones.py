"""Zones round a site: which ones it is in or near, at which heights, and when they apply.

An outline is read as in [RFC7946]: straight lines in longitude and latitude, the short way round where one crosses the
date line. Distances are along the Earth (WGS 84). What is unknown counts against the pilot: a lower limit as the
ground, limits of height that leave nothing between them as unknown, times as always, an outline that crosses itself as
the convex area around it.

References
----------
[RFC7946] GeoJSON, sections 3.1.6 and 3.1.9.
[WGS84] NGA.STND.0036: semi-major axis 6378137 m, flattening 1/298.257223563.
[Geoid] Mean sea level lies between 107 m below and 86 m above the ellipsoid (range of the EGM96 geoid, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from wxfly.physics.sun import SunEvents, solar_day, sun_events
from wxfly.pilot.zones import (
    Applicability,
    Circle,
    DailyHours,
    HeightLimit,
    HeightReference,
    Polygon,
    Ring,
    SunEvent,
    Volume,
    Zone,
    ZoneFile,
    ZoneKind,
)

if TYPE_CHECKING:
    from shapely import Geometry

Array = npt.NDArray[np.float64]
Span = tuple[np.datetime64, np.datetime64]

NEAR = 5000.0
"""Distance to which zones are reported, where the flight does not go farther [m]; common practice, no source."""
FAR = 500_000.0
"""Distance within which a file for the region of the site has a zone [m]; an estimate of ours."""
LOWEST_GEOID, HIGHEST_GEOID = -107.0, 86.0
_SEMI_MAJOR_AXIS, _FLATTENING = 6378137.0, 1 / 298.257223563
_ECCENTRICITY_SQUARED = _FLATTENING * (2 - _FLATTENING)
_LARGEST_PIECE = 0.05
"""Longest piece of an outline [degree]; between its ends it leaves the straight line by less than 2 m below 80 degrees
of latitude."""
_METRES_OF_DEGREE = 110_000.0  # no degree of latitude is shorter than 110.57 km
_DAY = np.timedelta64(86400, "s")


@dataclass(frozen=True, kw_only=True)
class ZoneNear:
    """One volume of a zone, as a flight at a site meets it.

    Attributes
    ----------
    zone : Zone
        The zone.
    volume : Volume
        Its volume.
    distance : float
        From the site to the nearest point of the area [m]; 0 inside.
    bearing : float
        Direction to that point from the site [degree]; NaN inside.
    lower_range : tuple of float
        Least and greatest height above the ground of the site at which the volume begins [m]; infinite where unknown.
    is_at_height : bool
        Whether a flight from the ground to its height meets the volume, as far as is known.
    height_known : bool
        Whether that is certain.
    applies : tuple of (datetime64, datetime64)
        When the zone applies in the asked period, UTC.
    times_known : bool
        Whether those times are certain; if not, they are the complete period.
    """

    zone: Zone
    volume: Volume
    distance: float
    bearing: float
    lower_range: tuple[float, float]
    is_at_height: bool
    height_known: bool
    applies: tuple[Span, ...]
    times_known: bool


@dataclass(frozen=True)
class ZoneSearch:
    """Which file of zones to search, and how far round the site.

    Attributes
    ----------
    file : ZoneFile
        The zones.
    radius : float
        Distance to which the flight goes [m].
    """

    file: ZoneFile
    radius: float

    @property
    def distance(self) -> float:
        """Distance to which zones are reported [m]."""
        return max(self.radius, NEAR)


def zones_near(
    search: ZoneSearch,
    latitude: float,
    longitude: float,
    surface_altitude: float,
    height: float,
    start: np.datetime64,
    end: np.datetime64,
) -> list[ZoneNear]:
    """Return the volumes in or near which a flight takes place, the gravest first.

    Parameters
    ----------
    search : ZoneSearch
        Where to look.
    latitude, longitude : float
        Of the site [degree].
    surface_altitude : float
        Ground of the site above mean sea level [m]; NaN when unknown.
    height : float
        Flight height above ground [m].
    start, end : numpy.datetime64
        The asked period, UTC.
    """
    found = []
    for zone in search.file.zones:
        reached = [
            (volume, *place)
            for volume in zone.volumes
            if (place := _place(volume, latitude, longitude, search.distance))
        ]
        if not reached:
            continue
        applies, times_known = times_of(zone, latitude, longitude, start, end)
        for volume, distance, bearing in reached:
            lower, upper = heights_of(volume, surface_altitude)
            is_at_height = lower[0] <= height and upper[1] >= 0
            is_certain = lower[1] <= height and (upper[0] >= 0 or math.isnan(volume.upper.value))
            known = not is_at_height or is_certain
            found.append(
                ZoneNear(
                    zone=zone,
                    volume=volume,
                    distance=distance,
                    bearing=bearing,
                    lower_range=lower,
                    is_at_height=is_at_height,
                    height_known=known,
                    applies=applies,
                    times_known=times_known,
                )
            )
    kinds = list(ZoneKind)
    return sorted(
        found,
        key=lambda one: (
            not (one.is_at_height and one.applies), one.distance > search.radius, one.distance > 0,
            kinds.index(one.zone.kind), one.distance,
        ),
    )  # fmt: skip


def is_any_within(search: ZoneSearch, latitude: float, longitude: float, distance: float) -> bool:
    """Return whether a zone of the file lies within a distance [m] of a site [degree]."""
    return any(
        _place(volume, latitude, longitude, distance) is not None
        for zone in search.file.zones
        for volume in zone.volumes
    )


def heights_of(volume: Volume, surface_altitude: float) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the ranges of both limits of a volume as `above_ground` does; unknown where nothing lies between them."""
    lower, upper = (above_ground(limit, surface_altitude) for limit in (volume.lower, volume.upper))
    is_same = volume.lower.reference is volume.upper.reference
    if lower[0] >= upper[1] or (is_same and volume.lower.value >= volume.upper.value):
        return (-math.inf, math.inf), (-math.inf, math.inf)
    return lower, upper


def above_ground(limit: HeightLimit, surface_altitude: float) -> tuple[float, float]:
    """Return the least and the greatest height above the ground that a limit may have [m]; infinite where unknown."""
    match limit.reference:
        case HeightReference.GROUND:
            low = high = limit.value
        case HeightReference.SEA_LEVEL:
            low = high = limit.value - surface_altitude
        case HeightReference.ELLIPSOID:
            low, high = (limit.value - geoid - surface_altitude for geoid in (HIGHEST_GEOID, LOWEST_GEOID))
        case _:
            low = high = 0.0 if limit.value == 0 else math.nan
    return (-math.inf, math.inf) if math.isnan(low) else (low, high)


# --- where -----------------------------------------------------------------------------------------------------


def _place(volume: Volume, latitude: float, longitude: float, farthest: float) -> tuple[float, float] | None:
    """Return distance [m] and bearing [degree] of an area; None where it is farther than `farthest`."""
    if isinstance(volume.area, Circle):
        east, north = local_plane(
            np.array([volume.area.longitude]), np.array([volume.area.latitude]), latitude, longitude
        )
        distance = max(float(np.hypot(east[0], north[0])) - volume.area.radius, 0.0)
        toward = math.degrees(math.atan2(east[0], north[0])) % 360
    else:
        if _is_far(volume.area, latitude, longitude, farthest):
            return None
        distance, toward = _place_of_polygon(volume.area, latitude, longitude)
    if distance > farthest:
        return None
    return distance, toward if distance > 0 else math.nan


def _place_of_polygon(area: Polygon, latitude: float, longitude: float) -> tuple[float, float]:
    import shapely  # here, because answers without zones start faster without it

    polygon, turned = _shape(area, longitude)
    if any(polygon.covers(shapely.Point(turned + turn, latitude)) for turn in (-360.0, 0.0, 360.0)):
        return 0.0, math.nan

    def to_plane(positions: Array) -> Array:
        return np.column_stack(local_plane(positions[:, 0], positions[:, 1], latitude, longitude))

    edges = polygon.boundary if polygon.geom_type == "Polygon" else polygon  # the hull of a line is a line
    edges = shapely.transform(shapely.segmentize(edges, _LARGEST_PIECE), to_plane)
    (_, (east, north)) = shapely.get_coordinates(shapely.shortest_line(shapely.Point(0, 0), edges))
    return float(np.hypot(east, north)), math.degrees(math.atan2(east, north)) % 360


def _shape(area: Polygon, longitude: float) -> tuple[Geometry, float]:
    """Return a polygon in continuous longitude and latitude, and the longitude that is nearest to its middle."""
    import shapely

    first, *holes = (unwrapped(ring) for ring in area.rings)
    middle = float(first[:, 0].min() + first[:, 0].max()) / 2
    for hole in holes:  # a hole is on the same turn round the Earth as the outline
        hole[:, 0] += 360 * round((middle - (hole[:, 0].min() + hole[:, 0].max()) / 2) / 360)
    polygon = shapely.Polygon(first, holes)
    if not polygon.is_valid:
        polygon = polygon.convex_hull
    return polygon, longitude + 360 * round((middle - longitude) / 360)


def unwrapped(ring: Ring) -> Array:
    """Return a ring in continuous longitude: each edge goes the short way round, one of 360 degrees all round.

    A ring that goes round a pole is closed over the nearer pole.

    Examples
    --------
    >>> unwrapped(((179.0, 0.0), (-179.0, 0.0), (-179.0, 1.0), (179.0, 0.0)))[:, 0].tolist()
    [179.0, 181.0, 181.0, 179.0]
    """
    positions = np.array(ring, dtype=float)
    steps = np.diff(positions[:, 0])
    steps = np.where(np.abs(steps) < 360, (steps + 180) % 360 - 180, steps)
    positions[1:, 0] = positions[0, 0] + np.cumsum(steps)
    if abs(positions[-1, 0] - positions[0, 0]) > 180:
        pole = math.copysign(90.0, positions[:, 1].mean())
        ends = np.array([[positions[-1, 0], pole], [positions[0, 0], pole], positions[0]])
        positions = np.vstack([positions, ends])
    return positions


def _is_far(area: Polygon, latitude: float, longitude: float, farthest: float) -> bool:
    """Return whether the outline is surely farther away, by its bounds alone: most zones of a country are."""
    outline = unwrapped(area.rings[0])
    margin = farthest / _METRES_OF_DEGREE
    south, north = outline[:, 1].min() - margin, outline[:, 1].max() + margin
    if not south <= latitude <= north:
        return True
    poleward = min(abs(latitude) + margin, 90.0)
    beside = margin / max(math.cos(math.radians(poleward)), 1e-6)
    west, east = outline[:, 0].min() - beside, outline[:, 0].max() + beside
    return bool(east - west < 360 and (longitude - west) % 360 > east - west)


def local_plane(longitudes: Array, latitudes: Array, latitude: float, longitude: float) -> tuple[Array, Array]:
    """Return places as distances east and north of a site along the Earth [m], true in distance from the site.

    The length of an arc follows from the straight line between two places on the ellipsoid [WGS84] and the Earth's
    mean radius of curvature at the site.

    Parameters
    ----------
    longitudes, latitudes : ndarray
        Places [degree], shape ``(n,)``.
    latitude, longitude : float
        Of the site [degree].
    """
    lat, lon = math.radians(latitude), math.radians(longitude)
    away = _from_centre(np.radians(longitudes), np.radians(latitudes)) - _from_centre(np.array([lon]), np.array([lat]))
    sin_lat, cos_lat, sin_lon, cos_lon = math.sin(lat), math.cos(lat), math.sin(lon), math.cos(lon)
    east = away @ np.array([-sin_lon, cos_lon, 0.0])
    north = away @ np.array([-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat])
    straight = np.sqrt((away**2).sum(axis=1))
    radius = _SEMI_MAJOR_AXIS * math.sqrt(1 - _ECCENTRICITY_SQUARED) / (1 - _ECCENTRICITY_SQUARED * sin_lat**2)
    arc = 2 * radius * np.arcsin(np.minimum(straight / (2 * radius), 1.0))
    flat = np.hypot(east, north)
    stretch = np.divide(arc, flat, out=np.zeros_like(arc), where=flat > 0)
    return east * stretch, north * stretch


def _from_centre(longitudes: Array, latitudes: Array) -> Array:
    """Return places on the ellipsoid [rad] as positions from the centre of the Earth [m], shape ``(n, 3)``."""
    across = _SEMI_MAJOR_AXIS / np.sqrt(1 - _ECCENTRICITY_SQUARED * np.sin(latitudes) ** 2)
    cos_lat = np.cos(latitudes)
    return np.column_stack(
        [
            across * cos_lat * np.cos(longitudes),
            across * cos_lat * np.sin(longitudes),
            across * (1 - _ECCENTRICITY_SQUARED) * np.sin(latitudes),
        ]
    )


# --- when ------------------------------------------------------------------------------------------------------


def times_of(
    zone: Zone, latitude: float, longitude: float, start: np.datetime64, end: np.datetime64
) -> tuple[tuple[Span, ...], bool]:
    """Return when a zone applies between two moments, and whether that is certain.

    Parameters
    ----------
    zone : Zone
        The zone.
    latitude, longitude : float
        Of the site, for events of the sun [degree].
    start, end : numpy.datetime64
        UTC.

    Returns
    -------
    spans : tuple of (datetime64, datetime64)
        In order of time, cut to the period; the complete period where the times are unknown.
    is_certain : bool
        Whether the times could be read, and the sun rises and sets where they depend on it.
    """
    if not zone.times_known:
        return ((start, end),), False
    if not zone.times:
        return ((start, end),), True
    spans = []
    for one in zone.times:
        first = start if np.isnat(one.start) else max(start, one.start)
        last = end if np.isnat(one.end) else min(end, one.end)
        if last <= first:
            continue
        within = [(first, last)] if not one.hours else list(_daily(one, latitude, longitude, first, last))
        if any(np.isnat(a) or np.isnat(b) for a, b in within):
            return ((start, end),), False
        spans += [(max(a, first), min(b, last)) for a, b in within if min(b, last) > max(a, first)]
    return tuple(_joined(spans)), True


def _daily(
    one: Applicability, latitude: float, longitude: float, first: np.datetime64, last: np.datetime64
) -> Iterator[Span]:
    """Yield the spans of each day that may touch a stretch; NaT where the sun does not rise or set.

    Weekdays are those of UTC for hours of the clock, and of the place for a start at an event of the sun.
    """
    two = np.timedelta64(2, "D")
    day = solar_day(longitude, first) - two
    days = int((solar_day(longitude, last) + two - day) / np.timedelta64(1, "D")) + 1
    sun = sun_events(latitude, longitude, day, days)
    for position in range(days):
        weekday = (int((day + np.timedelta64(position, "D")).astype(int)) + 3) % 7  # 1970-01-01 was a Thursday
        for hours in one.hours:
            if weekday in hours.weekdays:
                yield _of_day(hours, sun, day, position)


def _of_day(hours: DailyHours, sun: SunEvents, day: np.datetime64, position: int) -> Span:
    start, end = (_moment_of(one, sun, day, position) for one in (hours.start, hours.end))
    if end <= start and isinstance(hours.end, SunEvent) and position + 1 < sun.sunrise.size:
        end = _moment_of(hours.end, sun, day, position + 1)
    while end <= start:  # past midnight, or all round the clock; not where either is NaT
        end += _DAY
    while isinstance(hours.end, int) and isinstance(hours.start, SunEvent) and end - start > _DAY:
        end -= _DAY
    return start, end


def _moment_of(one: int | SunEvent, sun: SunEvents, day: np.datetime64, position: int) -> np.datetime64:
    """Return the moment of an end of a zone's hours on a day, UTC."""
    if isinstance(one, int):
        midnight: np.datetime64 = (day + np.timedelta64(position, "D")).astype("datetime64[s]")
        return midnight + np.timedelta64(one, "s")
    events = {
        SunEvent.CIVIL_DAWN: sun.civil_dawn,
        SunEvent.SUNRISE: sun.sunrise,
        SunEvent.SUNSET: sun.sunset,
        SunEvent.CIVIL_DUSK: sun.civil_dusk,
    }
    moment: np.datetime64 = events[one][position].astype("datetime64[s]")
    return moment


def _joined(spans: list[Span]) -> list[Span]:
    """Return spans in order of time, those that touch made one."""
    joined: list[Span] = []
    for first, last in sorted(spans):
        if joined and first <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], last))
        else:
            joined.append((first, last))
    return joined
