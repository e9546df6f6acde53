"""Forecasts of MET Norway, a source that is independent of the first: one place in each request.

Its symbols are read as WMO codes (docs.api.met.no, weather icons; WMO-No. 306, code table 4677). Terms and meaning of
the values: the service's documentation (docs.api.met.no: TermsOfService, ForecastJSON, locationforecast data model).
The main points:

- sums and symbols of ``next_1_hours`` look **forward**: the value stamped 12:00 is for 12:00 to 13:00;
- gusts are available only for the Nordic and Arctic short range, as a maximum; the documentation does not state on
  which side of the stamp, so each counts for the hour before and the hour after;
- percentiles of wind and temperature are available only for the Nordic area;
- there is no pressure at the ground, no visibility, and no wind above 10 m;
- steps are hourly for two to three days, then six-hourly; only the hourly ones enter the cube.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly import __version__
from wxfly.cube.consistency import hide_contradictions
from wxfly.cube.contract import VARIABLES, Provenance, finish_cube
from wxfly.pilot.services import SERVICES
from wxfly.pilot.settings import Settings
from wxfly.pilot.site import Site
from wxfly.sources.http import download
from wxfly.sources.open_meteo.forecast import check_span
from wxfly.sources.reply import (
    SAME_GROUND,
    PlaceReply,
    Reply,
    SourceError,
    is_number,
    parse_json,
    retrieved_stamp,
    sendable,
    sent_coordinates,
)
from wxfly.times import as_moment
from wxfly.units import read_as

# Symbol -> WMO code table 4677. A symbol names the worst weather of its hour.
_SKY = {"clearsky": 0, "fair": 1, "partlycloudy": 2, "cloudy": 3, "fog": 45}
_FALLING = re.compile(r"(light|heavy)?(rain|sleet|snow)(showers)?(andthunder)?")
_CODES = {
    ("rain", False): (61, 63, 65), ("rain", True): (80, 81, 82), ("sleet", False): (68, 69, 69),
    ("sleet", True): (83, 84, 84), ("snow", False): (71, 73, 75), ("snow", True): (85, 86, 86),
}  # fmt: skip


def weather_code_of(symbol: str) -> float:
    """Return the WMO code (table 4677) for a symbol of the service; NaN for an unknown one."""
    # Two symbols are misspelt in the service's own list: lightssleetshowersandthunder, lightssnowshowersandthunder.
    stem = symbol.split("_", 1)[0].replace("lightss", "lights")
    if stem in _SKY:
        return float(_SKY[stem])
    match = _FALLING.fullmatch(stem)
    if not match:
        return math.nan
    if match[4]:
        return 95.0
    strength = {"light": 0, None: 1, "heavy": 2}[match[1]]
    return float(_CODES[match[2], bool(match[3])][strength])


Array = npt.NDArray[np.float64]

_SERVICE = SERVICES["met_norway"]
SOURCE, MODEL = _SERVICE.source, _SERVICE.model
MESH_KM = 1.0  # mesh width of its finest model, that of the Nordic countries

_SPANS = {
    "precipitation_amount": (0.0, 1.0),
    "precipitation_probability": (0.0, 1.0),
    "weather_code": (0.0, 1.0),
    "wind_speed_of_gust": (-1.0, 1.0),
}

# Name of the service -> our name, for the instantaneous values.
INSTANT: dict[str, str] = {
    "air_temperature": "air_temperature",
    "dew_point_temperature": "dew_point_temperature",
    "relative_humidity": "relative_humidity",
    "air_pressure_at_sea_level": "air_pressure_at_mean_sea_level",
    "wind_speed": "wind_speed",
    "wind_from_direction": "wind_from_direction",
    "wind_speed_of_gust": "wind_speed_of_gust",
    "cloud_area_fraction": "cloud_area_fraction",
    "cloud_area_fraction_low": "low_type_cloud_area_fraction",
    "cloud_area_fraction_medium": "medium_type_cloud_area_fraction",
    "cloud_area_fraction_high": "high_type_cloud_area_fraction",
    "wind_speed_percentile_10": "wind_speed_percentile_10",
    "wind_speed_percentile_90": "wind_speed_percentile_90",
    "air_temperature_percentile_10": "air_temperature_percentile_10",
    "air_temperature_percentile_90": "air_temperature_percentile_90",
}
# The same, for the values of the next hour.
NEXT_HOUR: dict[str, str] = {
    "precipitation_amount": "precipitation_amount",
    "probability_of_precipitation": "precipitation_probability",
}
# Both forms of the product provide the first group everywhere, and the complete form provides both groups. It provides
# gusts, percentiles and the probability of precipitation where it lists a unit for them.
IN_BOTH_FORMS = (
    "air_temperature", "relative_humidity", "air_pressure_at_sea_level", "wind_speed", "wind_from_direction",
    "cloud_area_fraction", "precipitation_amount",
)  # fmt: skip
IN_COMPLETE = (
    "dew_point_temperature", "cloud_area_fraction_low", "cloud_area_fraction_medium", "cloud_area_fraction_high",
)  # fmt: skip
WANTED_UNITS = {
    "K": "celsius", "1": "%", "Pa": "hPa", "m s-1": "m/s", "degree": "degrees", "kg m-2": "mm",
}  # fmt: skip
"""The service's spelling of its units, by ours."""
_CLOCKS = np.timedelta64(1, "h")  # largest difference allowed between the service's clock and ours
_AT_10_M = ("wind_speed", "wind_from_direction")


def get_forecast(site: Site, *, settings: Settings, last_modified: str = "") -> tuple[Reply, datetime]:
    """Request the forecast of one place.

    Parameters
    ----------
    site : Site
        The place; its coordinates are sent to 3 decimals, or to 4, the service's maximum, where its ground is unknown.
    settings : Settings
        Settings with ``contact``, which the service requires.
    last_modified : str, optional
        The ``Last-Modified`` header of the last reply; the service then answers 304 without a body when nothing is new.

    Returns
    -------
    reply : Reply
        Status 200, 203 (the product will be retired) or 304; a body of 200 or 203 has been read once.
    retrieved : datetime
        Time of retrieval.
    """
    what = f"{SOURCE} for {site.latitude:.2f}, {site.longitude:.2f}"
    if not settings.contact:
        raise SourceError(f"{what}: it wants to know who asks; put contact = 'you@example.org' into config.toml")
    last_modified = sendable(last_modified)
    known = math.isfinite(site.surface_altitude)
    latitude, longitude = sent_coordinates([(site.latitude, site.longitude)], MESH_KM, ground_known=known)
    parameters = {"lat": latitude, "lon": longitude}
    if known:
        parameters["altitude"] = f"{site.surface_altitude:.0f}"

    def parse(reply: Reply) -> tuple[Reply, datetime]:
        now = datetime.now(UTC)
        if reply.status != 304:
            check_span(parse_forecast(reply.body, retrieved=now, site=site, what=what), now, what)
        elif not last_modified:
            raise SourceError(f"{what}: nothing new, though nothing was there before")
        return reply, now

    return download(
        settings.addresses[_SERVICE.name],
        parameters,
        parse,
        settings=settings,
        what=what,
        headers={"If-Modified-Since": last_modified} if last_modified else {},
        accepted=(200, 203, 304),
        maximum_bytes=3_000_000,
    )


def parse_kept(reply: PlaceReply) -> xr.Dataset:
    """Turn a kept reply into the same cube as at its retrieval.

    Raises
    ------
    WxflyError
        When this wxfly no longer accepts it.
    """
    return parse_forecast(reply.body, retrieved=reply.retrieved, site=reply.place, what=reply.what)


def parse_forecast(
    body: bytes, *, retrieved: datetime | None = None, site: Site | None = None, what: str = SOURCE
) -> xr.Dataset:
    """Turn a reply, complete or compact, into a cube of its hourly part.

    Parameters
    ----------
    body : bytes
        The reply.
    retrieved : datetime, optional
        Time of retrieval.
    site : Site, optional
        The requested place; the cube is then at its coordinates, with the dimension ``site``. A reply for another
        place is refused.
    what : str, optional
        Source and place, for errors.

    Raises
    ------
    WxflyError
        One line with the fault.
    """
    document = parse_json(body, what)
    try:
        longitude, latitude, *rest = document["geometry"]["coordinates"]
        properties = document["properties"]
        units, steps = properties["meta"]["units"], properties["timeseries"]
    except (KeyError, TypeError, ValueError):
        raise SourceError(f"{what}: not a forecast of this service") from None
    if not isinstance(units, dict) or not isinstance(steps, list) or not steps:
        raise SourceError(f"{what}: there are no hours in it")
    place = [_number(v, what) for v in (latitude, longitude, *rest[:1])]
    if abs(place[0]) > 90 or abs(place[1]) > 180:
        raise SourceError(f"{what}: no place on Earth in it")
    time, hourly = _hourly_part(steps, what)
    data: dict[str, Any] = {}
    for part, names in (("instant", INSTANT), ("next_1_hours", NEXT_HOUR)):
        for theirs, ours in names.items():
            column = _column([_details(s, part, what).get(theirs) for s in hourly], theirs, ours, units, what)
            if column is not None:
                data[ours] = (("time", "height"), column[:, None]) if ours in _AT_10_M else ("time", column)
    data["weather_code"] = ("time", np.array([weather_code_of(_symbol(s)) for s in hourly]))
    cube = xr.Dataset(data, coords={"time": time, "height": [10.0]})
    cube = _placed(cube, place, site, what)
    # The time of the last renewal is the nearest to the start of a run: without it the age is unknown.
    updated = _moment(properties["meta"].get("updated_at"), "updated_at", what)
    if retrieved is not None and updated > as_moment(retrieved) + _CLOCKS:
        raise SourceError(f"{what}: it says that it was updated {str(updated)[:16]}Z, which is in the future")
    stamp = retrieved_stamp(retrieved)
    provenance = Provenance(
        model=MODEL,
        title=f"Hourly forecast of {SOURCE}",
        source=f"{SOURCE} Locationforecast, updated {str(properties['meta'].get('updated_at', 'not known'))[:20]}",
        institution="Norwegian Meteorological Institute",
        license="CC BY 4.0",
        attribution=_SERVICE.attribution,
        history=f"{stamp} retrieved; read by wxfly {__version__}",
        retrieved=stamp,
    )
    cube = cube.assign_coords(forecast_reference_time=((), updated))
    return hide_contradictions(finish_cube(cube, provenance, spans=_SPANS, also=_provided(units), place=what))


def _provided(units: dict[str, Any]) -> dict[str, tuple[float, ...]]:
    """Return the variables that this form of the product provides, whether or not the reply has them."""
    names = {*IN_BOTH_FORMS, *(name for name in (*INSTANT, *NEXT_HOUR) if name in units)}
    if names & set(IN_COMPLETE):
        names |= set(IN_COMPLETE)
    ours = {(INSTANT | NEXT_HOUR)[name] for name in names}
    return {name: (10.0,) if name in _AT_10_M else () for name in ours}


def _moment(text: Any, name: str, what: str) -> np.datetime64:
    if not isinstance(text, str) or not re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", text):
        raise SourceError(f"{what}: {name} '{str(text)[:30]}' is not of the form 2026-03-10T14:00:00Z")
    try:
        return np.datetime64(text[:-1], "ns")
    except ValueError:
        raise SourceError(f"{what}: {name} '{text}' is not on the calendar") from None


def _hourly_part(steps: list[Any], what: str) -> tuple[npt.NDArray[np.datetime64], list[Any]]:
    """Return the leading steps that are one hour apart and have values for the next hour."""
    time = np.array([_moment(s.get("time") if isinstance(s, dict) else None, "the time", what) for s in steps])
    gaps = np.diff(time)
    if (gaps <= np.timedelta64(0, "s")).any():
        raise SourceError(f"{what}: its times are not in order")
    long = np.flatnonzero(gaps > np.timedelta64(1, "h"))
    end = int(long[0]) + 1 if long.size else time.size
    return time[:end], steps[:end]


def _details(step: Any, part: str, what: str) -> dict[str, Any]:
    data = step.get("data")
    if not isinstance(data, dict):
        raise SourceError(f"{what}: a step without data")
    details = data.get(part, {})
    details = details.get("details", {}) if isinstance(details, dict) else None
    if not isinstance(details, dict):
        raise SourceError(f"{what}: a step whose values are not an object")
    return details


def _symbol(step: Any) -> str:
    following = step["data"].get("next_1_hours", {})
    summary = following.get("summary") if isinstance(following, dict) else None
    symbol = summary.get("symbol_code") if isinstance(summary, dict) else None
    return symbol if isinstance(symbol, str) else ""


def _column(values: list[Any], theirs: str, ours: str, units: dict[str, Any], what: str) -> Array | None:
    if all(value is None for value in values):
        return None
    wanted = WANTED_UNITS[VARIABLES[ours].units]
    unit = read_as(units.get(theirs), wanted)
    if unit is None:
        raise SourceError(f"{what}: {theirs} came in '{str(units.get(theirs))[:20]}', wanted '{wanted}'")
    return unit.to_si(np.array([math.nan if v is None else _number(v, f"{what}: {theirs}") for v in values]))


def _number(value: Any, what: str) -> float:
    if not is_number(value):
        raise SourceError(f"{what} holds something that is not a number")
    return float(value)


def _placed(cube: xr.Dataset, place: list[float], site: Site | None, what: str) -> xr.Dataset:
    altitude = place[2] if len(place) > 2 else math.nan
    if site is None:
        return cube.assign_coords(latitude=place[0], longitude=place[1], surface_altitude=altitude)
    if abs(place[0] - site.latitude) > 0.1 or abs((place[1] - site.longitude + 180) % 360 - 180) > 0.1:
        raise SourceError(f"{what}: the answer is for {place[0]:.2f}, {place[1]:.2f}")
    if abs(altitude - site.surface_altitude) > SAME_GROUND:  # the service answers for the height that it receives
        raise SourceError(f"{what}: the answer is for ground at {altitude:.0f} m, not {site.surface_altitude:.0f} m")
    return (
        cube.expand_dims(site=np.array([site.name], dtype=object), axis=1)
        .assign_coords(
            latitude=("site", [site.latitude]),
            longitude=("site", [site.longitude]),
            surface_altitude=("site", [altitude]),
        )
        .transpose("time", "site", ...)
    )
