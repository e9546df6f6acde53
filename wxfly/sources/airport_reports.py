"""Reports of airports (METAR) from the data service of the US Aviation Weather Center.

Meaning of the values: the service's own description (aviationweather.gov/data/api). Wind is a mean of 2 or 10 minutes
at 10 m. A gust is reported only when it is well above the mean; in a report without one, gusts are unknown.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeGuard

import numpy as np

from wxfly.pilot.services import SERVICES
from wxfly.pilot.settings import Settings
from wxfly.sources.http import download
from wxfly.sources.reply import Reply, SourceError, parse_json
from wxfly.units import UNITS

SOURCE, ATTRIBUTION = SERVICES["aviation_weather"].source, SERVICES["aviation_weather"].attribution

KNOT, _STATUTE_MILE, _FOOT = (UNITS[symbol].factor for symbol in ("kt", "mi", "ft"))
_CEILING = ("BKN", "OVC", "OVX", "VV")
_NONE = ("CLR", "SKC", "CAVOK", "NSC", "NCD", "FEW", "SCT")


def box_around(latitude: float, longitude: float, half_width_km: float) -> str:
    """Return a box of whole tenths of a degree around a place, south-west corner first; it is sent, not the place."""
    north = half_width_km / 111.2
    east = north / max(math.cos(math.radians(latitude)), 0.1)
    south, west = (math.floor(v * 10) / 10 for v in (max(latitude - north, -90), max(longitude - east, -180)))
    top, right = (math.ceil(v * 10) / 10 for v in (min(latitude + north, 90), min(longitude + east, 180)))
    return f"{south:.1f},{west:.1f},{top:.1f},{right:.1f}"


def ask_for(
    product: str, of: Mapping[str, str], parse: Callable[[bytes, str], object], settings: Settings, what: str
) -> str:
    """Request one product, check with `parse` that it can be read, and return the reply unchanged."""

    def check(reply: Reply) -> str:
        body = reply.body if reply.status == 200 and reply.body.strip() else b"[]"  # 204 means "none here"
        parse(body, what)
        return body.decode("utf-8")

    return download(
        f"{settings.addresses['aviation_weather']}/{product}",
        {**of, "format": "json"},
        check,
        settings=settings,
        what=what,
        accepted=(200, 204),
        maximum_bytes=3_000_000,
    )


def rows_of(body: bytes, what: str, kind: str) -> Iterator[tuple[dict[str, Any], str, tuple[float, float]]]:
    """Return each row, its source and airport for errors, and its place [degree]; one without a place is left out.

    Raises
    ------
    SourceError
        When it is not a list of rows, or a place is not on Earth.
    """
    document = parse_json(body, what)
    if not isinstance(document, list):
        raise SourceError(f"{what}: not a list of {kind}s")
    for row in document:
        if not isinstance(row, dict):
            raise SourceError(f"{what}: a {kind} is not an object")
        where = f"{what}: {str(row.get('icaoId', f'a {kind}'))[:8]}"
        place = number_of(row, "lat", where, -90, 90), number_of(row, "lon", where, -180, 180)
        if not any(map(math.isnan, place)):
            yield row, where, place


def number_of(row: dict[str, Any], key: str, what: str, lowest: float, highest: float) -> float:
    """Read a number; NaN where there is none."""
    value = row.get(key)
    if value is None:
        return math.nan
    if type(value) not in (int, float) or not lowest <= value <= highest:
        raise SourceError(f"{what}: {key} '{str(value)[:20]}' is not between {lowest:g} and {highest:g}")
    return float(value)


def is_moment(value: Any) -> TypeGuard[int]:
    """Return whether a value is a whole number of seconds since 1970, up to the year 2200."""
    return type(value) is int and 0 < value < 7_258_118_400


def visibility_of(value: Any, what: str) -> tuple[float, bool]:
    """Read statute miles, a number or ``10+``; return metres and whether it may be more."""
    if value is None or value == "":
        return math.nan, False
    text = str(value)
    if isinstance(value, bool) or not re.fullmatch(r"\d{1,2}(\.\d+)?\+?", text):
        raise SourceError(f"{what}: visib '{text[:20]}' is not a number of statute miles")
    return float(text.rstrip("+")) * _STATUTE_MILE, text.endswith("+")


def ceiling_of(row: dict[str, Any], what: str) -> float:
    """Read the lowest cloud that covers more than half of the sky [m]; infinite for none, NaN when not stated."""
    vertical = number_of(row, "vertVis", what, 0, 1e5)
    layers = row.get("clouds")
    if not isinstance(layers, list):
        return vertical * _FOOT
    bases = [] if math.isnan(vertical) else [vertical]
    for layer in layers:
        if not isinstance(layer, dict):
            raise SourceError(f"{what}: a cloud layer is not an object")
        if layer.get("cover") in _CEILING:
            base = number_of(layer, "base", what, 0, 1e5)
            if math.isnan(base):
                return math.nan  # broken or overcast at an unstated height
            bases.append(base)
    if bases:
        return min(bases) * _FOOT
    covers = [cover for cover in (row.get("cover"), *(layer.get("cover") for layer in layers)) if cover is not None]
    return math.inf if covers and all(cover in _NONE for cover in covers) else math.nan


STATION_HOURS = 168.0
"""Default length of the record, a week [h]: half-hourly reports and some extra ones stay below the service's 400."""


@dataclass(frozen=True)
class AirportReport:
    """One report, in SI units; NaN where it states nothing.

    Attributes
    ----------
    station, name : str
        ICAO code and name.
    observed : numpy.datetime64
        Time of the observation, UTC [s].
    latitude, longitude, surface_altitude : float
        Position [degree] and altitude of the ground [m].
    wind_speed, wind_speed_of_gust, wind_from_direction : float
        Mean wind and gust [m s-1], and direction [degree]; the direction is NaN when it varies.
    air_temperature, dew_point_temperature : float
        Temperatures [K].
    visibility : float
        Visibility [m].
    visibility_is_more : bool
        Whether `visibility` is a minimum ("at least").
    ceiling : float
        Height above ground of the lowest cloud that covers more than half of the sky [m]; infinite for none.
    weather, text : str
        Present weather, and the text of the report as sent.
    """

    station: str
    name: str
    observed: np.datetime64
    latitude: float
    longitude: float
    surface_altitude: float
    wind_speed: float
    wind_speed_of_gust: float
    wind_from_direction: float
    air_temperature: float
    dew_point_temperature: float
    visibility: float
    visibility_is_more: bool
    ceiling: float
    weather: str
    text: str


def get_reports(
    latitude: float, longitude: float, *, settings: Settings, half_width_km: float = 60.0, hours: float = 2.0
) -> str:
    """Request the reports of airports around a place, check that they can be read, and return the reply unchanged.

    Parameters
    ----------
    latitude, longitude : float
        The place [degree]; only a box of whole tenths around it is sent, not the place itself.
    settings : Settings
        Address, User-Agent and patience.
    half_width_km : float, optional
        Distance from the place to the edges of the box [km].
    hours : float, optional
        Length of the record [h].
    """
    what = f"{SOURCE} around {latitude:.2f}, {longitude:.2f}"
    return _ask({"bbox": box_around(latitude, longitude, half_width_km)}, hours, settings, what)


def get_station_reports(station: str, *, settings: Settings, hours: float = STATION_HOURS) -> str:
    """Request the past reports of one airport, check that they can be read, and return the reply unchanged.

    Parameters
    ----------
    station : str
        Its ICAO code: four letters or digits.
    settings : Settings
        Address, User-Agent and patience.
    hours : float, optional
        Length of the record [h]; the service keeps 15 days, and sends at most 400 reports.
    """
    if not re.fullmatch(r"[A-Z][A-Z0-9]{3}", station):
        raise SourceError(f"station '{station[:10]}' is not an ICAO code; wanted four capitals such as EHTW")
    return _ask({"ids": station}, hours, settings, f"{SOURCE} at {station}")


def _ask(of: dict[str, str], hours: float, settings: Settings, what: str) -> str:
    return ask_for("metar", {**of, "hours": f"{hours:g}"}, parse_reports, settings, what)


def parse_reports(body: bytes, what: str = SOURCE) -> list[AirportReport]:
    """Read reports; one without place or time is left out.

    Raises
    ------
    SourceError
        When it is not a list of reports, or a value has a wrong type or is impossible.
    """
    reports = []
    for row, where, place in rows_of(body, what, "report"):
        moment = row.get("obsTime")
        if not is_moment(moment):
            continue
        visibility, is_more = visibility_of(row.get("visib"), where)
        reports.append(
            AirportReport(
                station=str(row.get("icaoId", ""))[:8],
                name=str(row.get("name", ""))[:80],
                observed=np.datetime64(moment, "s"),
                latitude=place[0],
                longitude=place[1],
                surface_altitude=number_of(row, "elev", where, -500, 9000),
                wind_speed=number_of(row, "wspd", where, 0, 200) * KNOT,
                wind_speed_of_gust=number_of(row, "wgst", where, 0, 250) * KNOT,
                wind_from_direction=math.nan if row.get("wdir") == "VRB" else number_of(row, "wdir", where, 0, 360),
                air_temperature=number_of(row, "temp", where, -95, 65) + 273.15,
                dew_point_temperature=number_of(row, "dewp", where, -100, 45) + 273.15,
                visibility=visibility,
                visibility_is_more=is_more,
                ceiling=ceiling_of(row, where),
                weather=str(row.get("wxString") or "")[:40],
                text=str(row.get("rawOb", ""))[:400],
            )
        )
    return reports
