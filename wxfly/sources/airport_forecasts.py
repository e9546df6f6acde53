"""Airports' own forecasts (TAF) from the data service of the US Aviation Weather Center.

Meaning of the values: the service's own description (aviationweather.gov/data/api); of the groups: ICAO Annex 3,
Appendix 5 (from memory). A group ``FM`` replaces everything from its hour on. ``BECMG`` changes the values it names,
at some time within its span. ``TEMPO`` lasts less than an hour at a time, and ``PROB`` may not occur: neither replaces
the prevailing conditions. Without a gust in a forecast, gusts are unknown.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np

from wxfly.pilot.settings import Settings
from wxfly.sources.airport_reports import (
    KNOT,
    SOURCE,
    ask_for,
    box_around,
    ceiling_of,
    is_moment,
    number_of,
    rows_of,
    visibility_of,
)
from wxfly.sources.reply import SourceError

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


def get_aerodrome_forecasts(
    latitude: float, longitude: float, *, settings: Settings, half_width_km: float = 60.0
) -> str:
    """Request the forecasts of airports around a place, check that they can be read, and return the reply unchanged.

    Parameters
    ----------
    latitude, longitude : float
        The place [degree]; only a box of whole tenths around it is sent, not the place itself.
    settings : Settings
        Address, User-Agent and patience.
    half_width_km : float, optional
        Distance from the place to the edges of the box [km].
    """
    what = f"{SOURCE}, forecasts around {latitude:.2f}, {longitude:.2f}"

    of = {"bbox": box_around(latitude, longitude, half_width_km)}
    return ask_for("taf", of, parse_aerodrome_forecasts, settings, what)


def parse_aerodrome_forecasts(body: bytes, what: str = SOURCE) -> list[AerodromeForecast]:
    """Read forecasts; one without place, time of issue or groups is left out.

    Raises
    ------
    SourceError
        When it is not a list of forecasts, or a value has a wrong type or is impossible.
    """
    forecasts = []
    for row, where, place in rows_of(body, what, "forecast"):
        issued, groups = _issued(row.get("issueTime")), row.get("fcsts")
        begin, end = row.get("validTimeFrom"), row.get("validTimeTo")
        if np.isnat(issued) or not isinstance(groups, list) or not groups:
            continue
        if not is_moment(begin) or not is_moment(end) or begin >= end:
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
    if not isinstance(text, str) or not re.fullmatch(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(\.\d+)?Z?", text):
        return np.datetime64("NaT", "s")
    try:
        return np.datetime64(text[:19].replace(" ", "T"), "s")
    except ValueError:
        return np.datetime64("NaT", "s")


def _group(row: Any, what: str) -> Group:
    if not isinstance(row, dict):
        raise SourceError(f"{what}: a group is not an object")
    begin, end, settled = row.get("timeFrom"), row.get("timeTo"), row.get("timeBec")
    if not is_moment(begin) or not is_moment(end) or begin >= end or not (settled is None or is_moment(settled)):
        raise SourceError(f"{what}: a group does not state its validity")
    change = row.get("fcstChange")
    visibility, is_more = visibility_of(row.get("visib"), what)
    # A change of unknown kind may occur or not, like one with a probability.
    kind = _CHANGES.get(change, "at times") if change is None or isinstance(change, str) else "at times"
    return Group(
        change=kind,
        begin=np.datetime64(begin, "s"),
        end=np.datetime64(end, "s"),
        settled=np.datetime64(end if settled is None else settled, "s"),
        wind_speed=number_of(row, "wspd", what, 0, 200) * KNOT,
        wind_speed_of_gust=number_of(row, "wgst", what, 0, 250) * KNOT,
        visibility=visibility,
        visibility_is_more=is_more,
        ceiling=ceiling_of(row, what),
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
