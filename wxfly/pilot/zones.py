"""UAS geographical zones from the pilot's own file: ED-269, ED-318 or plain GeoJSON.

What cannot be read never makes a zone smaller: an unknown lower limit counts as the ground, unknown times as always.
A zone without a readable outline is not lost: it becomes a fault, which the answer shows first.

References
----------
[ED-269] EUROCAE ED-269 (2020): minimum operational performance standard for UAS geo-fencing, JSON.
[ED-318] EUROCAE ED-318: its successor, on GeoJSON.
[RFC7946] GeoJSON: longitude before latitude, WGS 84.
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
from typing import Any

import msgspec
import numpy as np

from wxfly.errors import WxflyError, shortened
from wxfly.pilot.own_files import plain
from wxfly.units import to_si

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
