"""Reports of airports (METAR) from the data service of the US Aviation Weather Center.

Meaning of the values: the service's own description (aviationweather.gov/data/api). Wind is a mean of 2 or 10 minutes
at 10 m. A gust is reported only when it is well above the mean; in a report without one, gusts are unknown.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from wxfly.pilot.settings import Settings
from wxfly.sources.aviation import (
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
