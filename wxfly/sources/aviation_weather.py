"""Reports of airports (METAR) from the data service of the US Aviation Weather Center.

Meaning of the values: the service's own description (aviationweather.gov/data/api). Wind is a mean of 2 or 10 minutes
at 10 m. A gust is reported only when it is well above the mean, so a report without one says nothing of gusts.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

import numpy as np

from wxfly.settings import Settings
from wxfly.sources.download import Reply, SourceError, download, parse_json

SOURCE = "Aviation Weather Center"
ATTRIBUTION = "Airport reports: NOAA/NWS Aviation Weather Center (https://aviationweather.gov/)"

STATION_HOURS = 168.0
"""A week back [h]: reports every half hour, and some between, are then below the 400 that the service sends."""

_KNOT = 1852 / 3600
_STATUTE_MILE = 1609.344
_FOOT = 0.3048
_CEILING = ("BKN", "OVC", "OVX", "VV")
_NONE = ("CLR", "SKC", "CAVOK", "NSC", "NCD", "FEW", "SCT")


@dataclass(frozen=True)
class AirportReport:
    """One report, in SI; NaN where it says nothing.

    Attributes
    ----------
    station, name : str
        ICAO code and name.
    observed : numpy.datetime64
        UTC [s].
    latitude, longitude, surface_altitude : float
        [degree], [degree], [m].
    wind_speed, wind_speed_of_gust, wind_from_direction : float
        [m s-1], [m s-1], [degree]; the direction is NaN when it varies.
    air_temperature, dew_point_temperature : float
        [K].
    visibility : float
        [m]; `visibility_is_more` when the report says only that it is at least that.
    visibility_is_more : bool
        See there.
    ceiling : float
        Lowest cloud that covers more than half of the sky, above ground [m]; infinite when there is none.
    weather, text : str
        Present weather, and the report as it was sent.
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
    """Ask for the reports of airports around a place and give them as they came, once they are seen to be readable.

    Parameters
    ----------
    latitude, longitude : float
        [degree]; what is sent is a box of whole tenths around them, not the place itself.
    settings : Settings
        Address, User-Agent and patience.
    half_width_km : float, optional
        From the place to the edges of the box [km].
    hours : float, optional
        How far back.
    """
    what = f"{SOURCE} around {latitude:.2f}, {longitude:.2f}"
    north = half_width_km / 111.2
    east = north / max(math.cos(math.radians(latitude)), 0.1)
    box = (
        max(latitude - north, -90), max(longitude - east, -180), min(latitude + north, 90), min(longitude + east, 180)
    )  # fmt: skip
    south, west = (math.floor(v * 10) / 10 for v in box[:2])
    top, right = (math.ceil(v * 10) / 10 for v in box[2:])

    return _ask({"bbox": f"{south:.1f},{west:.1f},{top:.1f},{right:.1f}"}, hours, settings, what)


def get_station_reports(station: str, *, settings: Settings, hours: float = STATION_HOURS) -> str:
    """Ask for the past reports of one airport and give them as they came, once they are seen to be readable.

    Parameters
    ----------
    station : str
        Its ICAO code: four letters or digits.
    settings : Settings
        Address, User-Agent and patience.
    hours : float, optional
        How far back; the service keeps 15 days, and sends at most 400 reports.
    """
    if not re.fullmatch(r"[A-Z][A-Z0-9]{3}", station):
        raise SourceError(f"station '{station[:10]}' is no ICAO code; wanted four capitals such as EHTW")
    return _ask({"ids": station}, hours, settings, f"{SOURCE} at {station}")


def _ask(of: dict[str, str], hours: float, settings: Settings, what: str) -> str:
    def parse(reply: Reply) -> str:
        body = reply.body if reply.status == 200 and reply.body.strip() else b"[]"  # 204 is "none here"
        parse_reports(body, what)
        return body.decode("utf-8")

    return download(
        f"{settings.addresses['aviation_weather']}/metar",
        {**of, "format": "json", "hours": f"{hours:g}"},
        parse,
        settings=settings,
        what=what,
        accepted=(200, 204),
        maximum_bytes=3_000_000,
    )


def parse_reports(body: bytes, what: str = SOURCE) -> list[AirportReport]:
    """Read reports; one without place or time is left out.

    Raises
    ------
    SourceError
        When it is no list of reports, or a value is of a wrong kind or beyond reason.
    """
    document = parse_json(body, what)
    if not isinstance(document, list):
        raise SourceError(f"{what}: not a list of reports")
    reports = []
    for row in document:
        if not isinstance(row, dict):
            raise SourceError(f"{what}: a report is no object")
        where = f"{what}: {str(row.get('icaoId', 'a report'))[:8]}"
        place = [_number(row, key, where, -limit, limit) for key, limit in (("lat", 90), ("lon", 180))]
        moment = row.get("obsTime")
        if any(map(math.isnan, place)) or type(moment) is not int or not 0 < moment < 7_258_118_400:
            continue
        visibility, is_more = _visibility(row.get("visib"), where)
        reports.append(
            AirportReport(
                station=str(row.get("icaoId", ""))[:8],
                name=str(row.get("name", ""))[:80],
                observed=np.datetime64(moment, "s"),
                latitude=place[0],
                longitude=place[1],
                surface_altitude=_number(row, "elev", where, -500, 9000),
                wind_speed=_number(row, "wspd", where, 0, 200) * _KNOT,
                wind_speed_of_gust=_number(row, "wgst", where, 0, 250) * _KNOT,
                wind_from_direction=math.nan if row.get("wdir") == "VRB" else _number(row, "wdir", where, 0, 360),
                air_temperature=_number(row, "temp", where, -95, 65) + 273.15,
                dew_point_temperature=_number(row, "dewp", where, -100, 45) + 273.15,
                visibility=visibility,
                visibility_is_more=is_more,
                ceiling=_ceiling(row, where),
                weather=str(row.get("wxString") or "")[:40],
                text=str(row.get("rawOb", ""))[:400],
            )
        )
    return reports


def _number(row: dict[str, Any], key: str, what: str, lowest: float, highest: float) -> float:
    value = row.get(key)
    if value is None:
        return math.nan
    if type(value) not in (int, float) or not lowest <= value <= highest:
        raise SourceError(f"{what}: {key} '{str(value)[:20]}' is not between {lowest:g} and {highest:g}")
    return float(value)


def _visibility(value: Any, what: str) -> tuple[float, bool]:
    """Read statute miles, a number or ``10+``, into metres and whether it may be more."""
    if value is None or value == "":
        return math.nan, False
    text = str(value)
    if isinstance(value, bool) or not re.fullmatch(r"\d{1,2}(\.\d+)?\+?", text):
        raise SourceError(f"{what}: visib '{text[:20]}' is no number of statute miles")
    return float(text.rstrip("+")) * _STATUTE_MILE, text.endswith("+")


def _ceiling(row: dict[str, Any], what: str) -> float:
    vertical = _number(row, "vertVis", what, 0, 1e5)
    layers = row.get("clouds")
    if not isinstance(layers, list):
        return vertical * _FOOT
    bases = [] if math.isnan(vertical) else [vertical]
    for layer in layers:
        if not isinstance(layer, dict):
            raise SourceError(f"{what}: a cloud layer is no object")
        if layer.get("cover") in _CEILING:
            base = _number(layer, "base", what, 0, 1e5)
            if math.isnan(base):
                return math.nan  # broken or overcast at a height that is not said
            bases.append(base)
    if bases:
        return min(bases) * _FOOT
    covers = [cover for cover in (row.get("cover"), *(layer.get("cover") for layer in layers)) if cover is not None]
    return math.inf if covers and all(cover in _NONE for cover in covers) else math.nan
