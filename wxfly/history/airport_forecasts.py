"""The hours ahead in the forecast of the nearest airport (TAF), compared with the site's forecast."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from wxfly.errors import WxflyError
from wxfly.history.airport_reports import FARTHEST_KM, gust_around, is_large, newest_reports
from wxfly.physics.air.weather_code import FALLING, FOG, FREEZING, THUNDERSTORM
from wxfly.pilot.coordinates import distance_km
from wxfly.pilot.settings import Settings
from wxfly.pilot.site import Site
from wxfly.sources.airport_forecasts import (
    WEATHER,
    AerodromeForecast,
    Group,
    get_aerodrome_forecasts,
    parse_aerodrome_forecasts,
)
from wxfly.times import as_moment, utc_now

HOURS_AHEAD = 12
"""Length of the comparison [h]."""
OLDEST = np.timedelta64(12, "h")
"""Greatest age of an airport's forecast. They are renewed every three or six hours, so an older one has missed two
renewals (common practice, no source)."""

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


@dataclass(frozen=True)
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


def latest_aerodrome_forecast(site: Site, *, settings: Settings, offline: bool = False) -> AerodromeForecast | None:
    """Return the newest forecast of the nearest airport that has one in force, or None.

    Parameters
    ----------
    site : Site
        A site within 60 km of the airport.
    settings : Settings
        Settings of the services.
    offline : bool, optional
        Whether to use only kept replies.

    Raises
    ------
    WxflyError
        When the service fails and no kept forecast is in force.
    """
    now = utc_now()

    def get() -> str:
        return get_aerodrome_forecasts(site.latitude, site.longitude, settings=settings)

    kept, fault = newest_reports("aerodrome_forecasts", site, get, parse_aerodrome_forecasts, offline=offline, now=now)
    chosen = None
    if kept is not None:
        chosen = choose_aerodrome_forecast(parse_aerodrome_forecasts(kept.text.encode()), site, as_moment(now))
    if chosen is None and fault is not None:
        raise fault
    return chosen


def choose_aerodrome_forecast(
    forecasts: Sequence[AerodromeForecast], site: Site, now: np.datetime64
) -> AerodromeForecast | None:
    """Choose the newest forecast of the nearest airport that has one in force at `now`, not older than 12 hours."""

    def away(forecast: AerodromeForecast) -> float:
        return distance_km(site.latitude, site.longitude, forecast.latitude, forecast.longitude)

    in_force = [
        f
        for f in forecasts
        if -np.timedelta64(10, "m") <= now - f.issued <= OLDEST
        and f.begin - np.timedelta64(1, "h") <= now < f.end
        and away(f) <= FARTHEST_KM
    ]
    if not in_force:
        return None
    nearest = min(in_force, key=away).station
    return max((f for f in in_force if f.station == nearest), key=lambda f: f.issued)


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
        By name in the cube: one value, or several during a change.
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
        name,
        _worst(name, options),
        _worst(name, possible),
        forecast,
        any(not isinstance(o, frozenset) and o[1] and o[0] == _worst(name, options) for o in options),
        bool(options) and all(_differs(name, option, forecast) for option in options),
        any(_differs(name, option, forecast) and _is_worse(name, option, forecast) for option in possible),
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


def ask_quietly(site: Site, *, settings: Settings, offline: bool) -> tuple[AerodromeForecast | None, str]:
    """Return the airport's forecast or, where there is none, None and the reason."""
    try:
        found = latest_aerodrome_forecast(site, settings=settings, offline=offline)
    except WxflyError as fault:
        return None, f"no airport's own forecast is available: {fault}"
    return found, "" if found else f"no airport within {FARTHEST_KM:g} km has its own forecast in force"
