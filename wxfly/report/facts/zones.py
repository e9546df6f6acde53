"""Zones round a site as facts, and in words: which the flight is in or near, when they apply, and of what date."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import datetime
from typing import Annotated

import numpy as np
from msgspec import Meta

from wxfly.answer.request import SiteAnswer
from wxfly.pilot.site import Site, compass_point
from wxfly.pilot.zones import (
    FAR,
    NEAR,
    Circle,
    HeightLimit,
    HeightReference,
    Volume,
    ZoneKind,
    ZoneNear,
    ZoneSearch,
    is_any_within,
    zones_near,
)
from wxfly.report.facts.values import Degrees, Facts, Metres, Period, known_moment, moment_of, number
from wxfly.report.facts.windows import WindowFacts
from wxfly.report.facts.writing import Reader, amount, day_name, distance

MOST_ZONES = 2
"""How many zones a line names."""
MOST_DRAWN = 60
"""How many volumes of zones a map draws."""
_MOST_SPANS = 2
_DAY = 86400

KindOfZone = Annotated[str, Meta(extra_json_schema={"enum": [kind.value for kind in ZoneKind]})]
Reference = Annotated[str, Meta(extra_json_schema={"enum": [one.value for one in HeightReference]})]


class ZoneHeight(Facts, frozen=True):
    """A limit of height of a zone."""

    value: Metres | None
    """Null where the file gives none that can be read."""
    reference: Reference
    """Above ground, above mean sea level or above the ellipsoid."""


class ZoneCircle(Facts, frozen=True):
    """A circle."""

    latitude: Degrees
    longitude: Degrees
    """Its centre."""
    radius: Metres
    """From its centre."""


class ZoneFacts(Facts, frozen=True):
    """One volume of a zone in or near which the flight takes place."""

    position: int
    """Position of the zone in the file, from 1; volumes of one zone share it."""
    identifier: str
    name: str
    """As in the file."""
    kind: KindOfZone
    """What it demands."""
    distance: Metres
    """From the site to its nearest point; 0 inside."""
    bearing: Degrees | None
    """Direction of that point from the site; null inside."""
    lower: ZoneHeight
    upper: ZoneHeight
    """Its limits of height."""
    is_in_reach: bool
    """Whether the flight may come so far."""
    is_at_height: bool
    """Whether a flight from the ground to its height meets it; an unknown height counts as met."""
    height_known: bool
    """Whether that is certain."""
    applies: list[Period]
    """When it applies in the time asked about; unknown times count as all of it."""
    times_known: bool
    """Whether these times are certain."""
    conditions: str
    message: str
    reasons: str
    authority: str
    """As in the file; empty where there is nothing."""
    circle: ZoneCircle | None
    """Its outline where it is a circle."""
    rings: list[list[tuple[float, float]]]
    """Its outline else: longitude and latitude, the holes last."""

    @property
    def counts(self) -> bool:
        """Whether the flight meets it at some time, as far as is known."""
        is_restricted = self.kind != ZoneKind.NO_RESTRICTION.value
        return is_restricted and self.is_in_reach and self.is_at_height and bool(self.applies)


class ZonesFacts(Facts, frozen=True):
    """The zones of the pilot's file round the site. That a place is in none of them does not make it free."""

    file: str
    """Name of the file."""
    issued: datetime | None
    """When it was made; null where it does not say."""
    saved: datetime
    """When it was last written on this machine."""
    valid_from: datetime | None
    valid_to: datetime | None
    """The time that it is for; null where it does not say."""
    zone_count: int
    unreadable_count: int
    """How many zones it has, and how many of its outlines cannot be read."""
    reach: Metres
    """Distance to which the flight goes."""
    search_distance: Metres
    """Distance to which zones are listed."""
    near: list[ZoneFacts]
    """The gravest first."""


def zones_facts(answer: SiteAnswer) -> ZonesFacts | None:
    """Return the zones round the site of an answer; None without a file of zones."""
    asked = answer.request
    return None if asked.zones is None else zones_round(asked.zones, asked.site, asked.height, answer.start, answer.end)


def zones_round(search: ZoneSearch, site: Site, height: float, start: np.datetime64, end: np.datetime64) -> ZonesFacts:
    """Return the zones round a site.

    Parameters
    ----------
    search : ZoneSearch
        Where to look.
    site : Site
        The site.
    height : float
        Flight height above ground [m].
    start, end : numpy.datetime64
        The asked period, UTC.
    """
    found = zones_near(search, site.latitude, site.longitude, site.surface_altitude, height, start, end)
    file, searched = search.file, search.distance
    if not found and not is_any_within(search, site.latitude, site.longitude, FAR):
        searched = max(searched, FAR)  # the wider search has found none either
    return ZonesFacts(
        file=file.path.name,
        issued=known_moment(file.issued),
        saved=moment_of(file.saved),
        valid_from=known_moment(file.valid_from),
        valid_to=known_moment(file.valid_to),
        zone_count=len(file.zones),
        unreadable_count=len(file.faults),
        reach=search.radius,
        search_distance=searched,
        near=[_zone(one, search.radius) for one in found],
    )


def _zone(one: ZoneNear, reach: float) -> ZoneFacts:
    zone = one.zone
    circle, rings = _outline(one.volume)
    return ZoneFacts(
        position=zone.position,
        identifier=zone.identifier,
        name=zone.name,
        kind=zone.kind.value,
        distance=round(one.distance, 1),
        bearing=None if math.isnan(one.bearing) else round(one.bearing, 1),
        lower=_height(one.volume.lower),
        upper=_height(one.volume.upper),
        is_in_reach=one.distance <= reach,
        is_at_height=one.is_at_height,
        height_known=one.height_known,
        applies=[Period(moment_of(first), moment_of(last)) for first, last in one.applies],
        times_known=one.times_known,
        conditions=zone.conditions,
        message=zone.message,
        reasons=zone.reasons,
        authority=zone.authority,
        circle=circle,
        rings=rings,
    )


def _height(limit: HeightLimit) -> ZoneHeight:
    return ZoneHeight(number(limit.value), limit.reference.value)


def _outline(volume: Volume) -> tuple[ZoneCircle | None, list[list[tuple[float, float]]]]:
    if isinstance(volume.area, Circle):
        return ZoneCircle(volume.area.latitude, volume.area.longitude, volume.area.radius), []
    return None, [list(ring) for ring in volume.area.rings]


# --- in words --------------------------------------------------------------------------------------------------


def warning_of(zones: ZonesFacts | None, during: Period | WindowFacts) -> str:
    """Return what the first line of an answer says about zones in force; empty where it says nothing."""
    met = volumes_met(zones, during)
    inside = [one for one in met if one.distance == 0]
    if any(map(_is_prohibited, inside)):
        return "in a prohibited zone"
    parts = ["in a zone"] if inside else []
    if any(map(_is_prohibited, met)):
        parts.append("a prohibited zone in reach")
    elif met and not inside:
        parts.append("a zone in reach")
    return ", ".join(parts)


def is_prohibited(zones: ZonesFacts | None, during: Period | WindowFacts) -> bool:
    """Return whether the site lies in a prohibited zone in force."""
    return any(one.distance == 0 and _is_prohibited(one) for one in volumes_met(zones, during))


def doubt_of(zones: ZonesFacts | None) -> str:
    """Return what the first line says about zones that may be anywhere; empty where all can be read."""
    return "zones that cannot be read" if zones is not None and zones.unreadable_count else ""


def words_of_first_line(zones: ZonesFacts | None, during: Period | WindowFacts) -> str:
    """Return what stands first about zones in a time: those in force, and that some cannot be read; else empty."""
    return ", ".join(filter(None, [warning_of(zones, during), doubt_of(zones)]))


def volumes_met(zones: ZonesFacts | None, during: Period | WindowFacts) -> list[ZoneFacts]:
    """Return every volume that the flight meets in a time."""
    return [one for one in zones.near if one.counts and _overlaps(one, during)] if zones is not None else []


def met_in_words(zones: ZonesFacts | None, during: Period | WindowFacts) -> list[str]:
    """Name each zone that the flight meets in a time, and say where some cannot be read; empty where none is met."""
    met = [one for one in _each_once(zones, during) if one.counts] if zones is not None else []
    named = [f"{'in' if one.distance == 0 else 'in reach of'} the zone {one.name} ({one.kind})" for one in met]
    return [*named, *filter(None, [doubt_of(zones)])]


def _is_prohibited(one: ZoneFacts) -> bool:
    return one.kind == ZoneKind.PROHIBITED.value


def _overlaps(one: ZoneFacts, during: Period | WindowFacts) -> bool:
    return any(span.start < during.end and span.end > during.start for span in one.applies)


def zones_in_words(zones: ZonesFacts, period: Period, reader: Reader) -> str:
    """Return in words which zones the flight is in or near."""
    each = _each_once(zones)
    met = [one for one in each if one.counts]
    others = [one for one in each if not one.counts]
    shown = met[:MOST_ZONES]
    prohibited = next(filter(_is_prohibited, met), None)
    if prohibited is not None and prohibited not in shown:
        shown[-1] = prohibited  # the first line speaks of it
    count = zones.unreadable_count
    parts = [f"{count} {'zone' if count == 1 else 'zones'} cannot be read and may be here"] if count else []
    parts += [f"{_where(one, reader)} {_named(one, period, reader)}" for one in shown]
    if len(met) > MOST_ZONES:
        parts.append(f"{len(met) - MOST_ZONES} more in reach")
    within = distance(max(zones.reach, NEAR), reader.units)
    if others and not met:
        nearest = min(others, key=lambda one: one.distance)
        parts.append(
            f"none in force in reach at this height: {_where(nearest, reader)} {_named(nearest, period, reader)}"
        )
        others.remove(nearest)
    if others:
        parts.append(f"{len(others)} {'other' if len(others) == 1 else 'others'} within {within}")
    if not each:
        parts.append(f"{'of the others none' if count else 'none'} within {within}")
    return "; ".join([*parts, *far_in_words(zones)])


def far_in_words(zones: ZonesFacts) -> list[str]:
    """Ask whether it is the right file where it has no zone within `FAR`; nothing else."""
    count = zones.unreadable_count
    if zones.search_distance < FAR or zones.near or not (zones.zone_count or not count):
        return []
    what = "no zone that can be read" if count else "no zone of the file"
    return [f"{what} is within {FAR / 1000:g} km: it may be the wrong file, or have latitude first"]


def zone_lines(zones: ZonesFacts | None, period: Period, reader: Reader) -> Iterator[tuple[str, str]]:
    """Yield a line for each zone: what it demands, where, how high, when, and whom to ask."""
    for one in _each_once(zones) if zones is not None else ():
        name = one.name if one.identifier in (one.name, "") else f"{one.name} ({one.identifier})"
        heights = f"{_limit(one.lower, reader)} to {_limit(one.upper, reader)}"
        at_height = "" if one.is_at_height else ", not at this height"
        parts = [
            f"{name}: {one.kind}",
            _where(one, reader),
            heights + (at_height if one.height_known else ", counted as at this height"),
            _times(one, period, reader),
            *([one.reasons] if one.reasons else []),
            *([one.conditions] if one.conditions else []),
            *([one.message] if one.message else []),
            *([f"ask {one.authority}"] if one.authority else []),
        ]
        yield "Zone", "; ".join(part.rstrip(".") for part in parts)


def _each_once(zones: ZonesFacts, during: Period | WindowFacts | None = None) -> list[ZoneFacts]:
    """Return each zone by its gravest volume, of those in force at some time of a period where one is given."""
    each: dict[tuple[int, str], ZoneFacts] = {}
    for one in zones.near:
        if during is None or _overlaps(one, during):
            each.setdefault((one.position, one.identifier), one)
    return list(each.values())


def _where(one: ZoneFacts, reader: Reader) -> str:
    if one.bearing is None:
        return "inside"
    return f"{distance(one.distance, reader.units)} {compass_point(one.bearing)}"


def _named(one: ZoneFacts, period: Period, reader: Reader) -> str:
    about = [one.kind]
    if not one.is_at_height:
        about.append(f"from {_limit(one.lower, reader)}")
    elif not one.height_known:
        about.append("height not known")
    about.append(_times(one, period, reader))
    return f"{one.name} ({', '.join(about)})"


def _limit(limit: ZoneHeight, reader: Reader) -> str:
    if limit.value is None:
        return "an unknown height"
    if limit.value == 0 and limit.reference == HeightReference.GROUND.value:
        return "ground"
    return f"{amount(limit.value, 'height', reader.units)} {limit.reference}"


def _times(one: ZoneFacts, period: Period, reader: Reader) -> str:
    if not one.times_known:
        return "times not known, counts as in force"
    if not one.applies:
        return "not in force in the time asked about"
    if one.applies == [period]:
        return "in force throughout"
    is_one_day = reader.clock.date(period.start) == reader.clock.date(one.applies[-1].start)
    spans = [
        reader.clock.span(span.start, span.end) if is_one_day else reader.clock.when(span.start, span.end)
        for span in one.applies
    ]
    more = len(spans) - _MOST_SPANS
    return f"in force {', '.join(spans[:_MOST_SPANS])}" + (f" and {more} more times" if more > 0 else "")


def file_in_words(zones: ZonesFacts, period: Period, reader: Reader, now: datetime) -> str:
    """Return in words the date of the file, and whether it covers the time asked about."""
    made = zones.issued or zones.saved
    day = reader.clock.date(made)
    days = int((now - made).total_seconds() // _DAY)
    old = f", {days} {'day' if days == 1 else 'days'} old" if days >= 1 else ""
    words = f"in the file {'of' if zones.issued else 'saved on'} {day_name(day)} {day.year}{old}"
    for moment, is_outside, what in (
        (zones.valid_to, zones.valid_to is not None and zones.valid_to < period.end, "valid only to"),
        (zones.valid_from, zones.valid_from is not None and zones.valid_from > period.start, "valid only from"),
    ):
        words += f", {what} {reader.clock.stamp(moment)}" if is_outside else ""
    return words
