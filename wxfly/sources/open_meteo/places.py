"""Coordinates of place names, and the height of the ground: two services of Open-Meteo.

Place names are from GeoNames (geonames.org, CC BY 4.0), heights from the Copernicus GLO-90 surface model
(doi:10.5270/ESA-c5d3d65), which includes tree tops and roofs in part.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from wxfly.errors import WxflyError
from wxfly.pilot.services import SERVICES
from wxfly.pilot.settings import Settings
from wxfly.pilot.site import zone_of
from wxfly.sources.http import download
from wxfly.sources.reply import Reply, SourceError, parse_json

ATTRIBUTION = SERVICES["geocoding"].attribution


@dataclass(frozen=True)
class Place:
    """A place with a name.

    Attributes
    ----------
    name, region, country : str
        Names as the service writes them; the last two may be empty.
    latitude, longitude : float
        Position [degree].
    surface_altitude : float
        Ground above mean sea level [m]; NaN when the reply has none.
    time_zone : str
        IANA name; empty when the reply has none that is known here.
    """

    name: str
    region: str
    country: str
    latitude: float
    longitude: float
    surface_altitude: float
    time_zone: str

    @property
    def label(self) -> str:
        """Return name, region and country, so that the pilot sees which place it is."""
        return ", ".join(part for part in (self.name, self.region, self.country) if part)


def get_places(name: str, *, settings: Settings) -> list[Place]:
    """Request the places with a name, the most likely first.

    Raises
    ------
    SourceError
        When the service fails. No match is an empty list.
    """
    what = f"Open-Meteo place search for '{name[:40]}'"

    def parse(reply: Reply) -> list[Place]:
        return parse_places(reply.body, what)

    parameters = {"name": name, "count": "5", "language": "en", "format": "json"}
    return download(
        settings.addresses["geocoding"], parameters, parse, settings=settings, what=what, maximum_bytes=1_000_000,
        weight=1.0,
    )  # fmt: skip


def parse_places(body: bytes, what: str) -> list[Place]:
    """Read a reply of the place search.

    The service leaves out values that are exactly zero or empty, so a missing coordinate is 0. A missing height may be
    either, so it counts as unknown.
    """
    document = parse_json(body, what)
    if not isinstance(document, dict) or document.get("error"):
        raise SourceError(f"{what}: not a reply of the place search")
    results = document.get("results", [])
    if not isinstance(results, list):
        raise SourceError(f"{what}: its results are not a list")
    return [_place(result, what) for result in results]


def _place(result: Any, what: str) -> Place:
    if not isinstance(result, dict):
        raise SourceError(f"{what}: a result is not an object")
    latitude, longitude = _number(result, "latitude", 0.0, what), _number(result, "longitude", 0.0, what)
    if abs(latitude) > 90 or abs(longitude) > 180:
        raise SourceError(f"{what}: a result lies at {latitude:g}, {longitude:g}, not on Earth")
    altitude = _number(result, "elevation", math.nan, what)
    if not (math.isnan(altitude) or -500 < altitude < 9000):
        altitude = math.nan  # 9999 stands for "not known" in the gazetteer
    return Place(
        name=_text(result, "name") or what,
        region=_text(result, "admin1"),
        country=_text(result, "country") or _text(result, "country_code"),
        latitude=latitude,
        longitude=longitude,
        surface_altitude=altitude,
        time_zone=_time_zone(_text(result, "timezone")),
    )


def _time_zone(name: str) -> str:
    try:
        zone_of(name)
    except WxflyError:
        return ""  # the zone then follows from the position
    return name


def _number(result: dict[str, Any], key: str, missing: float, what: str) -> float:
    value = result.get(key, missing)
    if type(value) not in (int, float) or abs(value) > 1e9:
        raise SourceError(f"{what}: {key} of a result is not a number")
    return float(value)


def _text(result: dict[str, Any], key: str) -> str:
    value = result.get(key, "")
    return "".join(c for c in value if c.isprintable())[:100].strip() if isinstance(value, str) else ""


def get_surface_altitudes(places: Sequence[tuple[float, float]], *, settings: Settings) -> list[float]:
    """Request the height of the ground above mean sea level [m] at up to 100 places (latitude, longitude)."""
    what = f"Open-Meteo ground height for {len(places)} place{'s' if len(places) > 1 else ''}"

    def parse(reply: Reply) -> list[float]:
        return parse_surface_altitudes(reply.body, len(places), what)

    parameters = {
        "latitude": ",".join(f"{latitude:.4f}" for latitude, _ in places),
        "longitude": ",".join(f"{longitude:.4f}" for _, longitude in places),
    }
    return download(
        settings.addresses["elevation"], parameters, parse, settings=settings, what=what, maximum_bytes=100_000,
        weight=float(len(places)),
    )  # fmt: skip


def parse_surface_altitudes(body: bytes, count: int, what: str) -> list[float]:
    """Read a reply of the ground height service; NaN where it has none."""
    # The service's list is not valid JSON where a height is missing: it has a bare nan there.
    document = parse_json(body.replace(b"nan", b"null"), what)
    heights = document.get("elevation") if isinstance(document, dict) else None
    if not isinstance(heights, list) or len(heights) != count:
        raise SourceError(f"{what}: wanted {count} heights")
    result = []
    for height in heights:
        if height is not None and (type(height) not in (int, float) or not -500 < height < 9000):
            raise SourceError(f"{what}: {str(height)[:20]} is not a height of ground on Earth")
        result.append(math.nan if height is None else float(height))
    return result


def places_to_text(places: Sequence[Place]) -> str:
    """Return places as a reply that `parse_places` can read, to keep them."""
    rows = []
    for place in places:
        row = {
            "name": place.name, "admin1": place.region, "country": place.country, "latitude": place.latitude,
            "longitude": place.longitude, "timezone": place.time_zone,
        }  # fmt: skip
        rows.append(row | ({} if math.isnan(place.surface_altitude) else {"elevation": place.surface_altitude}))
    return json.dumps({"results": rows})
