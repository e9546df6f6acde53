"""Reports of airports (METAR) and airports' own forecasts (TAF) from the US Aviation Weather Center.

Meaning of the values: the service's own description (aviationweather.gov/data/api). Wind is a mean of 2 or 10 minutes
at 10 m. A gust is reported only when it is well above the mean; in a report or a forecast without one, gusts are
unknown. Meaning of a forecast's groups: ICAO Annex 3, Appendix 5 (from memory). A group ``FM`` replaces everything from
its hour on. ``BECMG`` changes the values it names, at some time within its span. ``TEMPO`` lasts less than an hour at a
time, and ``PROB`` may not occur: neither replaces the prevailing conditions.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from wxfly.physics import MELTING_POINT
from wxfly.pilot.services import SERVICES
from wxfly.pilot.settings import Settings
from wxfly.sources.http import download
from wxfly.sources.reply import Reply, SourceError, is_unix_time, parse_json, read_moment
from wxfly.units import UNITS

SOURCE, ATTRIBUTION = SERVICES["aviation_weather"].source, SERVICES["aviation_weather"].attribution

_KNOT, _STATUTE_MILE, _FOOT = (UNITS[symbol].factor for symbol in ("kt", "mi", "ft"))
_CEILING = ("BKN", "OVC", "OVX", "VV")
_NONE = ("CLR", "SKC", "CAVOK", "NSC", "NCD", "FEW", "SCT")


HALF_WIDTH_KM = 60.0
"""Distance from a place to the edges of the box around it [km]."""


def _box_around(latitude: float, longitude: float) -> str:
    """Return a box of whole tenths of a degree around a place, south-west corner first; it is sent, not the place."""
    north = HALF_WIDTH_KM / 111.2
    east = north / max(math.cos(math.radians(latitude)), 0.1)
    south, west = (math.floor(v * 10) / 10 for v in (max(latitude - north, -90), max(longitude - east, -180)))
    top, right = (math.ceil(v * 10) / 10 for v in (min(latitude + north, 90), min(longitude + east, 180)))
    return f"{south:.1f},{west:.1f},{top:.1f},{right:.1f}"


def _ask(
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


def _rows_of(body: bytes, what: str, kind: str) -> Iterator[tuple[dict[str, Any], str, tuple[float, float]]]:
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
        place = _number_of(row, "lat", where, -90, 90), _number_of(row, "lon", where, -180, 180)
        if not any(map(math.isnan, place)):
            yield row, where, place


def _number_of(row: dict[str, Any], key: str, what: str, lowest: float, highest: float) -> float:
    """Read a number; NaN where there is none."""
    value = row.get(key)
    if value is None:
        return math.nan
    if type(value) not in (int, float) or not lowest <= value <= highest:
        raise SourceError(f"{what}: {key} '{str(value)[:20]}' is not between {lowest:g} and {highest:g}")
    return float(value)


def _visibility_of(value: Any, what: str) -> tuple[float, bool]:
    """Read statute miles, a number or ``10+``; return metres and whether it may be more."""
    if value is None or value == "":
        return math.nan, False
    text = str(value)
    if isinstance(value, bool) or not re.fullmatch(r"\d{1,2}(\.\d+)?\+?", text):
        raise SourceError(f"{what}: visib '{text[:20]}' is not a number of statute miles")
    return float(text.rstrip("+")) * _STATUTE_MILE, text.endswith("+")


def _ceiling_of(row: dict[str, Any], what: str) -> float:
    """Read the lowest cloud that covers more than half of the sky [m]; infinite for none, NaN when not stated."""
    vertical = _number_of(row, "vertVis", what, 0, 1e5)
    layers = row.get("clouds")
    if not isinstance(layers, list):
        return vertical * _FOOT
    bases = [] if math.isnan(vertical) else [vertical]
    for layer in layers:
        if not isinstance(layer, dict):
            raise SourceError(f"{what}: a cloud layer is not an object")
        if layer.get("cover") in _CEILING:
            base = _number_of(layer, "base", what, 0, 1e5)
            if math.isnan(base):
                return math.nan  # broken or overcast at an unstated height
            bases.append(base)
    if bases:
        return min(bases) * _FOOT
    covers = [cover for cover in (row.get("cover"), *(layer.get("cover") for layer in layers)) if cover is not None]
    return math.inf if covers and all(cover in _NONE for cover in covers) else math.nan


_HOURS, _STATION_HOURS = "2", "168"
"""Length of the record around a place and at one airport [h]: a week of half-hourly reports and some extra ones stays
below the 400 that the service sends at most."""


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


def get_reports(latitude: float, longitude: float, *, settings: Settings) -> str:
    """Request the reports of airports around a place, check that they can be read, and return the reply unchanged.

    Parameters
    ----------
    latitude, longitude : float
        The place [degree]; only a box of whole tenths around it is sent, not the place itself.
    settings : Settings
        Address, User-Agent and patience.
    """
    what = f"{SOURCE} around {latitude:.2f}, {longitude:.2f}"
    query = {"bbox": _box_around(latitude, longitude), "hours": _HOURS}
    return _ask("metar", query, parse_reports, settings, what)


def get_station_reports(station: str, *, settings: Settings) -> str:
    """Request a week of reports of one airport, check that they can be read, and return the reply unchanged.

    Parameters
    ----------
    station : str
        Its ICAO code: four letters or digits.
    settings : Settings
        Address, User-Agent and patience.
    """
    if not re.fullmatch(r"[A-Z][A-Z0-9]{3}", station):
        raise SourceError(f"station '{station[:10]}' is not an ICAO code; wanted four capitals such as EHTW")
    query = {"ids": station, "hours": _STATION_HOURS}
    return _ask("metar", query, parse_reports, settings, f"{SOURCE} at {station}")


def parse_reports(body: bytes, what: str = SOURCE) -> list[AirportReport]:
    """Read reports; one without place or time is left out.

    Raises
    ------
    SourceError
        When it is not a list of reports, or a value has a wrong type or is impossible.
    """
    reports = []
    for row, where, place in _rows_of(body, what, "report"):
        moment = row.get("obsTime")
        if not is_unix_time(moment):
            continue
        visibility, is_more = _visibility_of(row.get("visib"), where)
        reports.append(
            AirportReport(
                station=str(row.get("icaoId", ""))[:8],
                name=str(row.get("name", ""))[:80],
                observed=np.datetime64(moment, "s"),
                latitude=place[0],
                longitude=place[1],
                surface_altitude=_number_of(row, "elev", where, -500, 9000),
                wind_speed=_number_of(row, "wspd", where, 0, 200) * _KNOT,
                wind_speed_of_gust=_number_of(row, "wgst", where, 0, 250) * _KNOT,
                wind_from_direction=math.nan if row.get("wdir") == "VRB" else _number_of(row, "wdir", where, 0, 360),
                air_temperature=_number_of(row, "temp", where, -95, 65) + MELTING_POINT,
                dew_point_temperature=_number_of(row, "dewp", where, -100, 45) + MELTING_POINT,
                visibility=visibility,
                visibility_is_more=is_more,
                ceiling=_ceiling_of(row, where),
                weather=str(row.get("wxString") or "")[:40],
                text=str(row.get("rawOb", ""))[:400],
            )
        )
    return reports


WEATHER = ("thunderstorm", "freezing precipitation", "fog", "precipitation")
"""Kinds of weather that are distinguished, the worst first."""

_FALLING = ("DZ", "RA", "SN", "SG", "PL", "GR", "GS", "UP")
_CHANGES = {None: "replaces", "FM": "replaces", "BECMG": "becomes", "TEMPO": "at times", "PROB": "at times"}


@dataclass(frozen=True)
class Group:
    """One group of a forecast, in SI units; NaN, or None for the weather, where it states nothing.

    Attributes
    ----------
    change : str
        ``replaces``, ``becomes`` or ``at times``.
    begin, end : numpy.datetime64
        Its span, UTC [s].
    settled : numpy.datetime64
        When a change is complete, UTC [s].
    wind_speed, wind_speed_of_gust : float
        Mean wind and gust [m s-1].
    visibility : float
        Visibility [m].
    visibility_is_more : bool
        Whether `visibility` is a minimum ("at least").
    ceiling : float
        Height above ground of the lowest cloud that covers more than half of the sky [m]; infinite for none.
    weather : frozenset of str or None
        Kinds of weather, from `WEATHER`.
    """

    change: str
    begin: np.datetime64
    end: np.datetime64
    settled: np.datetime64
    wind_speed: float
    wind_speed_of_gust: float
    visibility: float
    visibility_is_more: bool
    ceiling: float
    weather: frozenset[str] | None


@dataclass(frozen=True)
class AerodromeForecast:
    """The forecast of one airport.

    Attributes
    ----------
    station, name : str
        ICAO code and name.
    issued, begin, end : numpy.datetime64
        Time of issue, and start and end of its validity, UTC [s].
    latitude, longitude : float
        Position [degree].
    groups : tuple of Group
        The groups, in the order sent.
    text : str
        The text as sent.
    """

    station: str
    name: str
    issued: np.datetime64
    begin: np.datetime64
    end: np.datetime64
    latitude: float
    longitude: float
    groups: tuple[Group, ...]
    text: str


def get_aerodrome_forecasts(latitude: float, longitude: float, *, settings: Settings) -> str:
    """Request the forecasts of airports around a place; parameters and result are those of `get_reports`."""
    what = f"{SOURCE}, forecasts around {latitude:.2f}, {longitude:.2f}"
    return _ask("taf", {"bbox": _box_around(latitude, longitude)}, parse_aerodrome_forecasts, settings, what)


def parse_aerodrome_forecasts(body: bytes, what: str = SOURCE) -> list[AerodromeForecast]:
    """Read forecasts; one without place, time of issue or groups is left out.

    Raises
    ------
    SourceError
        When it is not a list of forecasts, or a value has a wrong type or is impossible.
    """
    forecasts = []
    for row, where, place in _rows_of(body, what, "forecast"):
        issued, groups = _issued(row.get("issueTime")), row.get("fcsts")
        begin, end = row.get("validTimeFrom"), row.get("validTimeTo")
        if np.isnat(issued) or not isinstance(groups, list) or not groups:
            continue
        if not is_unix_time(begin) or not is_unix_time(end) or begin >= end:
            raise SourceError(f"{where}: it does not state its validity")
        forecasts.append(
            AerodromeForecast(
                station=str(row.get("icaoId", ""))[:8],
                name=str(row.get("name") or "")[:80],
                issued=issued,
                begin=np.datetime64(begin, "s"),
                end=np.datetime64(end, "s"),
                latitude=place[0],
                longitude=place[1],
                groups=tuple(_group(group, where) for group in groups),
                text=str(row.get("rawTAF") or "")[:1000],
            )
        )
    return forecasts


def _issued(text: Any) -> np.datetime64:
    """Read the time of issue, in either form that the service has used; NaT where there is none."""
    try:
        return read_moment(text, SOURCE)
    except SourceError:
        return np.datetime64("NaT", "s")


def _group(row: Any, what: str) -> Group:
    if not isinstance(row, dict):
        raise SourceError(f"{what}: a group is not an object")
    begin, end, settled = row.get("timeFrom"), row.get("timeTo"), row.get("timeBec")
    if (
        not is_unix_time(begin)
        or not is_unix_time(end)
        or begin >= end
        or not (settled is None or is_unix_time(settled))
    ):
        raise SourceError(f"{what}: a group does not state its validity")
    change = row.get("fcstChange")
    visibility, is_more = _visibility_of(row.get("visib"), what)
    # A change of unknown kind may occur or not, like one with a probability.
    kind = _CHANGES.get(change, "at times") if change is None or isinstance(change, str) else "at times"
    return Group(
        change=kind,
        begin=np.datetime64(begin, "s"),
        end=np.datetime64(end, "s"),
        settled=np.datetime64(end if settled is None else settled, "s"),
        wind_speed=_number_of(row, "wspd", what, 0, 200) * _KNOT,
        wind_speed_of_gust=_number_of(row, "wgst", what, 0, 250) * _KNOT,
        visibility=visibility,
        visibility_is_more=is_more,
        ceiling=_ceiling_of(row, what),
        weather=weather_kinds(row.get("wxString"), is_whole=kind == "replaces"),
    )


def weather_kinds(text: Any, *, is_whole: bool) -> frozenset[str] | None:
    """Return the kinds of present weather in a text such as ``-SHRA BR``.

    Parameters
    ----------
    text : object
        The text as sent.
    is_whole : bool
        Whether an absent text means no weather, as in a group that describes everything; otherwise it means unknown.
    """
    words = text.upper().split() if isinstance(text, str) else []
    if not words:
        return frozenset() if is_whole else None
    found = set()
    for word in words:
        if "TS" in word:
            found.add("thunderstorm")
        if word.startswith("VC"):
            continue  # in the vicinity, not at the airport
        if word.lstrip("+-").startswith("FZ") and "FG" not in word:
            found.add("freezing precipitation")
        if word.endswith("FG"):
            found.add("fog")
        if any(kind in word for kind in _FALLING):
            found.add("precipitation")
    return frozenset(found)
