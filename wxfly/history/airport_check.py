"""The latest report and the own forecast of an airport near a site, compared with the site's forecast."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from wxfly.cube.contract import covers_hours
from wxfly.physics.air.weather_code import FALLING, FOG, FREEZING, THUNDERSTORM
from wxfly.pilot.settings import Settings
from wxfly.pilot.site import Site, distance_km
from wxfly.retrieval.airports import latest_report
from wxfly.retrieval.origin import Obtained
from wxfly.sources.aviation_weather import WEATHER, AerodromeForecast, AirportReport, Group

HOURS_AHEAD = 12
"""Length of the comparison with an airport's own forecast [h]."""
HALF_AN_HOUR = np.timedelta64(30, "m")
_LAPSE = 0.0065  # K per metre, the standard atmosphere (ICAO Doc 7488)


@dataclass(frozen=True)
class Difference:
    """One quantity, reported and forecast.

    Attributes
    ----------
    name, units : str
        Name and unit in the cube.
    reported, forecast : float
        Values in SI units.
    is_large : bool
        Whether the difference is larger than the usual error of a forecast.
    """

    name: str
    units: str
    reported: float
    forecast: float
    is_large: bool


# Beyond these a forecast counts as wrong. They are the operationally desirable accuracy of aerodrome forecasts, ICAO
# Annex 3, Attachment B (from memory: wind 2.5 m/s, visibility 30 %, cloud height 30 %). The values for the temperature
# of another place, 3 K, and for a gust, 4 m/s, are common practice, no source.
_WIND, _GUST, _TEMPERATURE, _SHARE = 2.5, 4.0, 3.0, 0.3
_FAR = 10_000.0  # visibility above this is as good as any


def with_report_warnings(obtained: Obtained, settings: Settings) -> Obtained:
    """Return a forecast with a note for each recent kept report that disagrees with it; no service is asked.

    Parameters
    ----------
    obtained : Obtained
        The forecast. One for a chosen time, from a file or of the demonstration stays unchanged.
    settings : Settings
        Settings of the services.
    """
    if obtained.is_chosen or obtained.origin not in ("fetched", "store"):
        return obtained
    warnings = []
    for position, site in enumerate(obtained.sites):
        report = latest_report(site, settings=settings, offline=True)
        if report is not None:
            words = what_is_off(report, compare_report(report, obtained.cube.isel(site=position)), site)
            warnings += [f"{site.name}: {words}; see: wxfly observed"] if words else []
    return replace(obtained, notes=(*obtained.notes, *warnings))


def compare_report(report: AirportReport, cube: xr.Dataset) -> list[Difference]:
    """Compare a report with the forecast of its time; a quantity that one of the two does not state is left out.

    Parameters
    ----------
    report : AirportReport
        The report.
    cube : xarray.Dataset
        The forecast of one place, without the dimension ``site``.

    Returns
    -------
    list of Difference
        Wind and temperature at the forecast's nearest full hour, and the gust of the hours around the report. The
        report's temperature is converted to the altitude of the forecast's ground by the standard atmosphere.
    """
    time = cube["time"].values.astype("datetime64[s]")
    position = int(np.argmin(np.abs(time - report.observed)))
    if abs(time[position] - report.observed) > HALF_AN_HOUR:
        return []
    pick: dict[str, float] = {}
    if "wind_speed" in cube and 10.0 in cube["height"].values:
        pick["wind_speed"] = float(cube["wind_speed"].sel(height=10.0)[position])
    for name in ("air_temperature", "visibility_in_air", "wind_speed_of_gust"):
        if name in cube:
            pick[name] = float(cube[name][position])
    if "wind_speed_of_gust" in cube:
        pick["wind_speed_of_gust"] = gust_around(cube, time, report.observed)
    ground = float(cube["surface_altitude"]) if "surface_altitude" in cube.coords else np.nan
    reported = {
        "wind_speed": report.wind_speed,
        "wind_speed_of_gust": report.wind_speed_of_gust,
        "air_temperature": report.air_temperature + _LAPSE * (report.surface_altitude - ground),
        "visibility_in_air": report.visibility,
    }
    rows = []
    for name, forecast in pick.items():
        value = reported[name]
        if np.isfinite(value) and np.isfinite(forecast):
            units = str(cube[name].attrs["units"])
            rows.append(
                Difference(name, units, value, forecast, is_large(name, value, forecast, report.visibility_is_more))
            )
    return rows


def gust_around(cube: xr.Dataset, time: np.ndarray, moment: np.datetime64) -> float:
    """Return the largest gust whose span contains the time; for an instant, within half an hour of it."""
    gust = cube["wind_speed_of_gust"]
    begin, end = covers_hours(cube, "wind_speed_of_gust")
    if begin == end:
        begin, end = begin - 0.5, end + 0.5
    hours = (moment - time).astype("timedelta64[s]").astype(float) / 3600
    values = gust.values[(hours >= begin) & (hours <= end)]
    return float(values.max()) if values.size else np.nan


def is_large(name: str, said: float, forecast: float, is_more: bool = False) -> bool:
    """Return whether a forecast differs from an airport's value by more than the usual error of a forecast.

    Parameters
    ----------
    name : str
        ``wind_speed``, ``wind_speed_of_gust``, ``air_temperature`` or ``visibility_in_air``.
    said, forecast : float
        The airport's value and the forecast, in SI units.
    is_more : bool, optional
        Whether the airport's visibility is a minimum ("at least").
    """
    if name == "visibility_in_air":
        if is_more and forecast >= said:
            return False
        a, b = min(said, _FAR), min(forecast, _FAR)
        return abs(a - b) > _SHARE * max(a, b)
    limit = {"wind_speed": _WIND, "wind_speed_of_gust": _GUST, "air_temperature": _TEMPERATURE}[name]
    return abs(said - forecast) > limit


def what_is_off(report: AirportReport, differences: Sequence[Difference], site: Site) -> str:
    """Return one line that names the report and the quantities that disagree; empty where none does."""
    off = ", ".join(_NAMES[d.name] for d in differences if d.is_large)
    if not off:
        return ""
    away = distance_km(site.latitude, site.longitude, report.latitude, report.longitude)
    at = f"{report.station}, {away:.0f} km away, {str(report.observed)[11:16]}Z"
    return f"latest airport report ({at}) does not agree with the forecast: {off}"


_NAMES = {
    "wind_speed": "wind", "wind_speed_of_gust": "gust", "air_temperature": "temperature",
    "visibility_in_air": "visibility",
}  # fmt: skip


_LOW = 2000.0  # m, the top of the low clouds in the WMO's classes
# A ceiling covers more than half of the sky. The forecast disagrees with one if its low cloud covers less than 3 oktas,
# and with no ceiling if it covers 7 or more (common practice, no source).
_FEW_OKTAS, _MANY_OKTAS = 3 / 8, 7 / 8

_CODES = {
    "thunderstorm": THUNDERSTORM,
    "freezing precipitation": FREEZING,
    "fog": FOG,
    "precipitation": FALLING,
}


@dataclass(frozen=True, kw_only=True)
class Expected:
    """One quantity of one hour, from the airport and from the forecast.

    Attributes
    ----------
    name : str
        Name in the cube. For ``low_type_cloud_area_fraction`` the airport's value is its ceiling in metres, for
        ``weather_code`` kinds of weather.
    prevailing, at_times : float, frozenset of str or None
        The airport's value: the worse one during a change. None where it states nothing.
    forecast : float or frozenset of str
        The cube's value.
    is_more : bool
        Whether the prevailing value is a minimum ("at least").
    is_large, is_large_at_times : bool
        Whether they differ by more than the usual error of a forecast; at times, whether the value that the airport
        considers possible is that much worse.
    """

    name: str
    prevailing: float | frozenset[str] | None
    at_times: float | frozenset[str] | None
    forecast: float | frozenset[str]
    is_more: bool
    is_large: bool
    is_large_at_times: bool


@dataclass(frozen=True)
class HourAhead:
    """One hour, UTC [s], with the quantities of both forecasts."""

    hour: np.datetime64
    expected: tuple[Expected, ...]


def compare_hours(aerodrome: AerodromeForecast, cube: xr.Dataset, now: np.datetime64) -> list[HourAhead]:
    """Compare the hours ahead; a quantity that one of the two does not state is left out.

    Parameters
    ----------
    aerodrome : AerodromeForecast
        The airport's forecast.
    cube : xarray.Dataset
        The forecast of one place, without the dimension ``site``.
    now : numpy.datetime64
        Present time, UTC.
    """
    time = cube["time"].values.astype("datetime64[s]")
    last = min(aerodrome.end, now + np.timedelta64(HOURS_AHEAD, "h"))
    hours = []
    for position in np.flatnonzero((time >= max(now, aerodrome.begin)) & (time < last)):
        hour = time[position]
        prevailing, at_times = groups_at(aerodrome, hour)
        expected = [
            one
            for name, value in _of_cube(cube, time, int(position)).items()
            if (one := _expected(name, value, prevailing, at_times)) is not None
        ]
        if expected:
            hours.append(HourAhead(hour, tuple(expected)))
    return hours


Option = tuple[float, bool] | frozenset[str]
"""The content of one group: a value and whether it may be more, or kinds of weather."""


def groups_at(aerodrome: AerodromeForecast, hour: np.datetime64) -> tuple[dict[str, list[Option]], list[Group]]:
    """Return the prevailing values at an hour, and the groups for conditions at times.

    Returns
    -------
    prevailing : dict of list
        By the name in the cube: one value, or several during a change.
    at_times : list of Group
        The groups in force.
    """
    prevailing: dict[str, list[Option]] = {}
    at_times = []
    for group in aerodrome.groups:
        if group.begin > hour:
            continue
        if group.change == "at times":
            at_times += [group] if hour < group.end else []
        elif group.change == "replaces":
            prevailing = {name: [option] for name, option in _said(group).items()}
        else:
            for name, option in _said(group).items():
                before = prevailing.get(name, []) if hour < group.settled else []
                prevailing[name] = [*before, option]
    return prevailing, at_times


def _said(group: Group) -> dict[str, Option]:
    values: dict[str, tuple[float, bool]] = {
        "wind_speed": (group.wind_speed, False),
        "wind_speed_of_gust": (group.wind_speed_of_gust, False),
        "visibility_in_air": (group.visibility, group.visibility_is_more),
        "low_type_cloud_area_fraction": (group.ceiling, False),
    }
    said: dict[str, Option] = {name: pair for name, pair in values.items() if not np.isnan(pair[0])}
    return said if group.weather is None else said | {"weather_code": group.weather}


def _of_cube(cube: xr.Dataset, time: np.ndarray, position: int) -> dict[str, float | frozenset[str]]:
    """Return the forecast's values of an hour, without missing ones."""
    values = {
        name: float(cube[name][position])
        for name in ("visibility_in_air", "low_type_cloud_area_fraction")
        if name in cube
    }
    if "wind_speed" in cube and 10.0 in cube["height"].values:
        values = {"wind_speed": float(cube["wind_speed"].sel(height=10.0)[position])} | values
    if "wind_speed_of_gust" in cube:
        values["wind_speed_of_gust"] = gust_around(cube, time, time[position])
    known: dict[str, float | frozenset[str]] = {name: value for name, value in values.items() if np.isfinite(value)}
    code = float(cube["weather_code"][position]) if "weather_code" in cube else np.nan
    if np.isfinite(code):
        known["weather_code"] = frozenset(kind for kind in WEATHER if code in _CODES[kind])
    return known


def _expected(
    name: str, forecast: float | frozenset[str], prevailing: dict[str, list[Option]], at_times: list[Group]
) -> Expected | None:
    options = prevailing.get(name, [])
    possible = [said[name] for said in map(_said, at_times) if name in said]
    if not options and not possible:
        return None
    return Expected(
        name=name,
        prevailing=_worst(name, options),
        at_times=_worst(name, possible),
        forecast=forecast,
        is_more=any(not isinstance(o, frozenset) and o[1] and o[0] == _worst(name, options) for o in options),
        is_large=bool(options) and all(_differs(name, option, forecast) for option in options),
        is_large_at_times=any(
            _differs(name, option, forecast) and _is_worse(name, option, forecast) for option in possible
        ),
    )


def _worst(name: str, options: Sequence[Option]) -> float | frozenset[str] | None:
    if not options:
        return None
    kinds = [option for option in options if isinstance(option, frozenset)]
    if kinds:
        return frozenset().union(*kinds)
    values = [option[0] for option in options if not isinstance(option, frozenset)]
    return max(values) if name.startswith("wind") else min(values)


def _differs(name: str, option: Option, forecast: float | frozenset[str]) -> bool:
    if isinstance(option, frozenset) or isinstance(forecast, frozenset):
        return option != forecast
    value, is_more = option
    if name == "low_type_cloud_area_fraction":
        return forecast < _FEW_OKTAS if value < _LOW else forecast > _MANY_OKTAS
    return is_large(name, value, forecast, is_more)


def _is_worse(name: str, option: Option, forecast: float | frozenset[str]) -> bool:
    if isinstance(option, frozenset) or isinstance(forecast, frozenset):
        return isinstance(option, frozenset) and isinstance(forecast, frozenset) and bool(option - forecast)
    if name == "low_type_cloud_area_fraction":
        return option[0] < _LOW
    return option[0] > forecast if name.startswith("wind") else option[0] < forecast
