"""UAS geographical zones from the pilot's own file (ED-269, ED-318 or plain GeoJSON), and those a site is in or near.

What cannot be read never makes a zone smaller: an unknown lower limit counts as the ground, limits of height that leave
nothing between them as unknown, unknown times as always, an outline that crosses itself as the convex area around it. A
zone without a readable outline is not lost: it becomes a fault, which the answer shows first.

An outline is read as in [RFC7946]: straight lines in longitude and latitude, the short way round where one crosses the
date line. Distances are along the Earth (WGS 84).

References
----------
[ED-269] EUROCAE ED-269 (2020): minimum operational performance standard for UAS geo-fencing, JSON.
[ED-318] EUROCAE ED-318: its successor, on GeoJSON.
[RFC7946] GeoJSON: longitude before latitude, WGS 84; sections 3.1.6 and 3.1.9.
[WGS84] NGA.STND.0036: semi-major axis 6378137 m, flattening 1/298.257223563.
[Geoid] Mean sea level lies between 107 m below and 86 m above the ellipsoid (range of the EGM96 geoid, from memory).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import Enum
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec
import numpy as np
import numpy.typing as npt

from wxfly.errors import WxflyError, shortened
from wxfly.physics.sun import SunEvents, solar_day, sun_events
from wxfly.pilot.own_files import plain
from wxfly.units import to_si

if TYPE_CHECKING:
    from shapely import Geometry

LARGEST_BYTES = 200_000_000
"""Greatest size of a file of zones; those of a whole country are tens of megabytes."""
_DAYS = ("MON", "TUE", "WED", "THU", "FRI", "SAT", "SUN")
_TIME = re.compile(r"(\d\d):(\d\d)(?::(\d\d)(?:\.\d+)?)?(Z|[+-]\d\d:?\d\d)")
_LAST_MINUTE = range(86340, 86400)
"""Ends of hours, on the clock that they are written in, that stand for the end of the day."""
_TEXT_SHOWN = 300
_LENGTH = re.compile(r"P(?:(\d+)D)?(?:T(?:(\d+)H)?(?:(\d+)M)?)?")

Ring = tuple[tuple[float, float], ...]


class ZoneKind(Enum):
    """What a zone demands, in words for people."""

    PROHIBITED = "prohibited"
    AUTHORISATION = "needs authorisation"
    CONDITIONAL = "has conditions"
    U_SPACE = "U-space"
    UNKNOWN = "kind not known"
    NO_RESTRICTION = "stated to have no restriction"


_KINDS = {
    "PROHIBITED": ZoneKind.PROHIBITED,
    "REQAUTHORISATION": ZoneKind.AUTHORISATION,
    "REQAUTHORIZATION": ZoneKind.AUTHORISATION,
    "CONDITIONAL": ZoneKind.CONDITIONAL,
    "USPACE": ZoneKind.U_SPACE,
    "NORESTRICTION": ZoneKind.NO_RESTRICTION,
}


class HeightReference(Enum):
    """What a limit of height counts from."""

    GROUND = "AGL"
    SEA_LEVEL = "AMSL"
    ELLIPSOID = "WGS84"
    UNKNOWN = "reference not known"


class SunEvent(Enum):
    """An event of the sun that starts or ends the hours of a zone."""

    CIVIL_DAWN = "BMCT"
    SUNRISE = "SR"
    SUNSET = "SS"
    CIVIL_DUSK = "EECT"


@dataclass(frozen=True)
class HeightLimit:
    """A limit of height [m]; NaN where the file gives none that can be read."""

    value: float
    reference: HeightReference


@dataclass(frozen=True)
class Circle:
    """A circle: centre [degree] and radius [m]."""

    longitude: float
    latitude: float
    radius: float


@dataclass(frozen=True)
class Polygon:
    """A polygon: its outline, then its holes, each of (longitude, latitude) [degree]."""

    rings: tuple[Ring, ...]


@dataclass(frozen=True)
class Volume:
    """A part of a zone: an area and its limits of height."""

    area: Circle | Polygon
    lower: HeightLimit
    upper: HeightLimit


@dataclass(frozen=True)
class DailyHours:
    """Hours of some weekdays.

    Attributes
    ----------
    weekdays : frozenset of int
        Monday is 0.
    start, end : int or SunEvent
        Seconds after midnight UTC, or an event of the sun.
    """

    weekdays: frozenset[int]
    start: int | SunEvent
    end: int | SunEvent


@dataclass(frozen=True)
class Applicability:
    """A stretch of time in which a zone applies.

    Attributes
    ----------
    start, end : numpy.datetime64
        UTC; NaT where the stretch is open.
    hours : tuple of DailyHours
        Empty for all hours.
    """

    start: np.datetime64
    end: np.datetime64
    hours: tuple[DailyHours, ...] = ()


@dataclass(frozen=True)
class Zone:
    """One zone.

    Attributes
    ----------
    identifier, name : str
        As in the file; the name is the identifier where there is none.
    kind : ZoneKind
        What it demands.
    volumes : tuple of Volume
        At least one.
    times : tuple of Applicability
        Empty where it always applies.
    times_known : bool
        Whether its times could be read; if not, it counts as always.
    conditions, message, reasons : str
        As in the file; empty where there is nothing.
    authority : str
        Whom to ask, and how; empty where there is nothing.
    position : int
        Its position in the file, from 1: identifiers may occur more than once.
    """

    identifier: str
    name: str
    kind: ZoneKind
    volumes: tuple[Volume, ...]
    times: tuple[Applicability, ...] = ()
    times_known: bool = True
    conditions: str = ""
    message: str = ""
    reasons: str = ""
    authority: str = ""
    position: int = 0


@dataclass(frozen=True)
class ZoneFault:
    """A zone, or a part of one, whose outline cannot be read: where it lies is unknown."""

    name: str
    fault: str


@dataclass(frozen=True)
class ZoneFile:
    """The zones of one file.

    Attributes
    ----------
    path : Path
        The file.
    zones : tuple of Zone
        Those that can be read.
    faults : tuple of ZoneFault
        Those that cannot.
    issued : numpy.datetime64
        When the file says that it was made, UTC; NaT where it does not.
    saved : numpy.datetime64
        When it was last written on this machine, UTC.
    valid_from, valid_to : numpy.datetime64
        The time that the file is for, UTC; NaT where it does not say.
    """

    path: Path
    zones: tuple[Zone, ...]
    faults: tuple[ZoneFault, ...]
    issued: np.datetime64
    saved: np.datetime64
    valid_from: np.datetime64
    valid_to: np.datetime64

    def __reduce__(self) -> tuple[Callable[[Path], ZoneFile], tuple[Path]]:
        """Travel to another process as the path, to be read there once."""
        return read_zones, (self.path,)


_NEVER = np.datetime64("NaT", "s")


class _UnreadableError(Exception):
    """A part of a zone cannot be read; the words say why."""


def read_zones(path: Path) -> ZoneFile:
    """Read a file of zones.

    Parameters
    ----------
    path : Path
        ED-269, ED-318 or plain GeoJSON.

    Raises
    ------
    WxflyError
        When the file cannot be read, or is of none of these formats.
    """
    try:
        path = path.expanduser()
        stat = path.stat()
    except (OSError, RuntimeError) as fault:
        raise _not_readable(path, fault) from None
    return _read_zones(path, stat.st_size, stat.st_mtime_ns)


def _not_readable(path: Path, fault: Exception) -> WxflyError:
    why = getattr(fault, "strerror", None) or str(fault)
    return WxflyError(f"zones {path}: cannot be read ({why}); give the path of a file of zones")


@lru_cache(maxsize=2)
def _read_zones(path: Path, size: int, written_at: int) -> ZoneFile:
    """Read a file as it was written at this time; the sites of one question read it once."""
    if size > LARGEST_BYTES:
        raise WxflyError(f"zones {path}: larger than {LARGEST_BYTES / 1e6:g} MB; give the file of a smaller region")
    try:
        document = msgspec.json.decode(path.read_bytes().removeprefix(b"\xef\xbb\xbf"))
    except OSError as fault:
        raise _not_readable(path, fault) from None
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError) as fault:
        raise WxflyError(f"zones {path}: not a JSON file ({shortened(str(fault), 80)}); fetch it anew") from None
    features = _features(document)
    if features is None:
        raise WxflyError(f"zones {path}: no list of zones in it; wanted ED-269, ED-318 or GeoJSON")
    zones: list[Zone] = []
    faults: list[ZoneFault] = []
    for position, feature in enumerate(features, start=1):
        zone, wrong = _zone(feature, position)
        zones += [] if zone is None else [zone]
        faults += wrong
    about = document.get("metadata")
    about = about if isinstance(about, dict) else {}
    return ZoneFile(
        path=path,
        zones=tuple(zones),
        faults=tuple(faults),
        issued=_moment_or_never(about.get("issued") or document.get("createdAt")),
        saved=np.datetime64(written_at // 10**9, "s"),
        valid_from=_moment_or_never(about.get("validFrom")),
        valid_to=_moment_or_never(about.get("validTo")),
    )


def _features(document: Any) -> list[Any] | None:
    """Return the zones of a document; None where it has no list of them."""
    if not isinstance(document, dict):
        return None
    if document.get("type") == "Feature":
        return [document]
    found = document.get("UASZoneList", document.get("features"))
    return found if isinstance(found, list) else None


def _zone(feature: Any, position: int) -> tuple[Zone | None, list[ZoneFault]]:
    """Read one zone as far as it can be read, and say what cannot."""
    if not isinstance(feature, dict):
        return None, [ZoneFault(f"number {position}", "it is not a zone")]
    is_geojson = feature.get("type") == "Feature"
    says = feature.get("properties") if is_geojson else feature
    says = says if isinstance(says, dict) else {}
    identifier = _text(says.get("identifier") or feature.get("id")) or f"number {position}"
    name = _text(says.get("name") or says.get("title")) or identifier
    volumes: list[Volume] = []
    faults: list[ZoneFault] = []
    try:
        for part in _parts(feature.get("geometry"), is_geojson):
            try:
                volumes += _volumes_of_geojson(part) if is_geojson else [_volume_of_ed269(part)]
            except _UnreadableError as fault:
                faults.append(ZoneFault(name, str(fault)))
        if not volumes and not faults:
            raise _UnreadableError("it has no outline")
    except _UnreadableError as fault:
        faults.append(ZoneFault(name, str(fault)))
    if not volumes:
        return None, faults
    kind = _text(says.get("type") if is_geojson else says.get("restriction"))
    times, known = _times(says.get("limitedApplicability" if is_geojson else "applicability"))
    zone = Zone(
        identifier=identifier,
        name=name,
        kind=_KINDS.get(re.sub(r"[^A-Z]", "", kind.upper()), ZoneKind.UNKNOWN),
        volumes=tuple(volumes),
        times=times,
        times_known=known,
        conditions=_text(says.get("restrictionConditions")),
        message=_text(says.get("message")),
        reasons=_text(says.get("reason")).replace("_", " ").lower(),
        authority=_authority(says.get("zoneAuthority")),
        position=position,
    )
    return zone, faults


def _text(value: Any) -> str:
    """Return words from a text, a list of texts, or texts with their languages, of which English comes first."""
    if isinstance(value, str | int) and not isinstance(value, bool):
        return shortened(plain(str(value)), _TEXT_SHOWN)
    if isinstance(value, dict):
        text = value.get("text")
        return _text(text) if isinstance(text, str) else ""
    if not isinstance(value, list):
        return ""
    if value and all(isinstance(part, dict) and "text" in part for part in value):
        english = [part for part in value if str(part.get("lang", "")).lower().startswith("en")]
        return _text((english or value)[0])
    parts = (_text(part) for part in value if not isinstance(part, list))
    return shortened(", ".join(filter(None, parts)), _TEXT_SHOWN)


def _authority(value: Any) -> str:
    """Return whom to ask, how, and how long before."""
    authorities = []
    for one in value if isinstance(value, list) else []:
        if isinstance(one, dict):
            keys = ("name", "service", "contactName", "phone", "email", "siteURL")
            parts = [_text(one.get(key)) for key in keys]
            before = _text(one.get("intervalBefore"))
            parts += [f"{_length(before)} before"] if before else []
            authorities.append(", ".join(filter(None, parts)))
    return "; ".join(filter(None, authorities))


def _length(text: str) -> str:
    """Return a length of time of ISO 8601 in words; as it stands where it is of another form."""
    match = _LENGTH.fullmatch(text)
    parts = (
        [f"{int(n)} {unit}" for n, unit in zip(match.groups(), ("d", "h", "min"), strict=True) if n] if match else []
    )
    return " ".join(parts) or text


# --- outlines and heights --------------------------------------------------------------------------------------


def _parts(geometry: Any, is_geojson: bool) -> Iterator[Mapping[str, Any]]:
    """Yield the parts of a geometry: those of a collection, or of the list of ED-269."""
    parts = geometry if isinstance(geometry, list) and not is_geojson else [geometry]
    for part in parts:
        if not isinstance(part, dict):
            raise _UnreadableError("it has no outline")
        if is_geojson and part.get("type") == "GeometryCollection":
            inside = part.get("geometries")
            for one in inside if isinstance(inside, list) else [None]:
                if not isinstance(one, dict):
                    raise _UnreadableError("a part of its outline is missing")
                # A layer beside the collection is for all of its parts.
                yield one if "layer" in one or "layer" not in part else {**one, "layer": part["layer"]}
        else:
            yield part


def _volume_of_ed269(part: Mapping[str, Any]) -> Volume:
    area, unit = part.get("horizontalProjection"), part.get("uomDimensions")
    if not isinstance(area, dict):
        raise _UnreadableError("it has no outline")
    lower, upper = (
        _limit(part.get(f"{end}Limit"), part.get(f"{end}VerticalReference"), unit) for end in ("lower", "upper")
    )
    match area.get("type"):
        case "Circle":
            # Some files write the centre as the point of GeoJSON does.
            return Volume(_circle(area.get("center", area.get("coordinates")), area.get("radius")), lower, upper)
        case "Polygon":
            return Volume(_polygon(area.get("coordinates")), lower, upper)
        case other:
            raise _UnreadableError(f"its outline is of the unknown kind {shortened(repr(other), 40)}")


def _volumes_of_geojson(part: Mapping[str, Any]) -> list[Volume]:
    layer = part.get("layer")
    layer = layer if isinstance(layer, dict) else {}
    lower, upper = (
        _limit(layer.get(end), layer.get(f"{end}Reference"), layer.get("uom")) for end in ("lower", "upper")
    )
    extent, where = part.get("extent"), part.get("coordinates")
    match part.get("type"):
        case "Point" if isinstance(extent, dict):
            return [Volume(_circle(where, extent.get("radius")), lower, upper)]
        case "Polygon":
            return [Volume(_polygon(where), lower, upper)]
        case "MultiPolygon" if isinstance(where, list) and where:
            return [Volume(_polygon(one), lower, upper) for one in where]
        case "Point" | "MultiPoint" | "LineString" | "MultiLineString":
            raise _UnreadableError("its outline is a point or a line, not an area")
        case other:
            raise _UnreadableError(f"its outline is of the unknown kind {shortened(repr(other), 40)}")


def _number(value: Any) -> float:
    """Return a number of the file; NaN for anything else."""
    try:
        return float(value) if isinstance(value, int | float | str) and not isinstance(value, bool) else math.nan
    except (ValueError, OverflowError):
        return math.nan


def _position(value: Any) -> tuple[float, float]:
    if not isinstance(value, list | tuple) or len(value) < 2:
        raise _UnreadableError("a position of its outline is not longitude and latitude")
    longitude, latitude = _number(value[0]), _number(value[1])
    if not (abs(longitude) <= 360 and abs(latitude) <= 90):
        raise _UnreadableError(f"its outline has a position outside the Earth: {shortened(repr(list(value)), 40)}")
    return longitude, latitude


def _circle(centre: Any, radius: Any) -> Circle:
    longitude, latitude = _position(centre)
    size = _number(radius)
    if not 0 < size < 1e7:
        raise _UnreadableError(f"the radius of its circle is {shortened(repr(radius), 40)}")
    return Circle(longitude, latitude, size)


def _ring(positions: list[Any]) -> Ring:
    try:  # a country has a million positions
        array = np.asarray(positions, dtype=float)
    except (TypeError, ValueError, OverflowError):
        array = np.empty(0)
    if array.ndim == 2 and array.shape[1] >= 2 and np.all(np.abs(array[:, :2]) <= (360, 90)):
        return tuple(map(tuple, array[:, :2].tolist()))
    return tuple(_position(one) for one in positions)


def _polygon(rings: Any) -> Polygon:
    if not isinstance(rings, list) or not rings or not all(isinstance(ring, list) for ring in rings):
        raise _UnreadableError("its outline has no ring")
    found = [_ring(ring) for ring in rings]
    closed = [ring if ring[:1] == ring[-1:] else (*ring, ring[0]) for ring in found]
    if len(closed[0]) < 4:
        raise _UnreadableError("its outline has fewer than three corners")
    # A hole that is no area is none, and the zone stays whole there.
    return Polygon((closed[0], *(ring for ring in closed[1:] if len(ring) >= 4)))


def _limit(value: Any, reference: Any, unit: Any) -> HeightLimit:
    """Return a limit of height; NaN where value or unit cannot be read."""
    to_metres = {"M": 1.0, "FT": float(to_si(1.0, "ft"))}.get(str(unit).upper(), math.nan)
    size = _number(value)
    metres = 0.0 if size == 0 else size * to_metres  # zero is the same in any unit
    return HeightLimit(
        metres if math.isfinite(metres) else math.nan,
        {one.value: one for one in HeightReference}.get(str(reference).upper(), HeightReference.UNKNOWN),
    )


# --- times -----------------------------------------------------------------------------------------------------


def _times(value: Any) -> tuple[tuple[Applicability, ...], bool]:
    """Return when a zone applies, empty for always, and whether that could be read."""
    if value is None or value == []:
        return (), True
    try:
        if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
            raise _UnreadableError("times")
        if any(str(one.get("permanent", "NO")).upper() != "NO" for one in value):
            return (), True
        return tuple(_applicability(one) for one in value), True
    except _UnreadableError:
        return (), False


def _applicability(value: Mapping[str, Any]) -> Applicability:
    start, end = (_moment(value.get(key)) for key in ("startDateTime", "endDateTime"))
    if end <= start:
        raise _UnreadableError("times")
    schedule = value.get("schedule") or []
    if not isinstance(schedule, list):
        raise _UnreadableError("times")
    return Applicability(start, end, tuple(_hours(one) for one in schedule))


def _hours(value: Any) -> DailyHours:
    if not isinstance(value, dict):
        raise _UnreadableError("times")
    days = value.get("day") or ["ANY"]
    days = [days] if isinstance(days, str) else days
    if not isinstance(days, Sequence) or not all(day == "ANY" or day in _DAYS for day in days):
        raise _UnreadableError("times")
    weekdays = frozenset(range(7) if "ANY" in days else map(_DAYS.index, days))
    start = _end_of_hours(value.get("startTime"), value.get("startEvent"))
    end = _end_of_hours(value.get("endTime"), value.get("endEvent"), closes=True)
    return DailyHours(weekdays, start, end)


def _end_of_hours(time: Any, event: Any, *, closes: bool = False) -> int | SunEvent:
    if event and time:
        raise _UnreadableError("times")  # which of the two is meant is unknown
    if event:
        try:
            return SunEvent(event)
        except ValueError:
            raise _UnreadableError("times") from None
    match = _TIME.fullmatch(time.strip()) if isinstance(time, str) else None
    if match is None:
        raise _UnreadableError("times")  # a time without its zone may be hours off
    hours, minutes, seconds = int(match[1]), int(match[2]), int(match[3] or 0)
    if hours > 24 or minutes > 59 or seconds > 60:
        raise _UnreadableError("times")
    since_midnight = hours * 3600 + minutes * 60 + seconds
    if closes and since_midnight in _LAST_MINUTE:
        since_midnight = 86400
    offset = 0
    if match[4] != "Z":
        digits = match[4].replace(":", "")
        offset = (int(digits[1:3]) * 3600 + int(digits[3:]) * 60) * (-1 if digits[0] == "-" else 1)
    return since_midnight - offset


def _moment(value: Any) -> np.datetime64:
    """Return a moment with its zone, UTC; NaT where there is none."""
    if value is None or value == "":
        return _NEVER
    try:
        moment = datetime.fromisoformat(value)
        if moment.tzinfo is None:
            raise _UnreadableError("times")
        return np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "s")
    except (TypeError, ValueError, OverflowError):
        raise _UnreadableError("times") from None


def _moment_or_never(value: Any) -> np.datetime64:
    try:
        return _moment(value)
    except _UnreadableError:
        return _NEVER


# --- zones round a site ----------------------------------------------------------------------------------------

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
