"""The latest airport report near a site, compared with the forecast of the same time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
import xarray as xr

from wxfly.cube.contract import covers_hours
from wxfly.errors import WxflyError
from wxfly.pilot.coordinates import distance_km
from wxfly.pilot.settings import Settings
from wxfly.pilot.site import Site
from wxfly.retrieval.obtained import Obtained
from wxfly.sources.airport_reports import AirportReport, get_reports, parse_reports
from wxfly.store.replies import KeptReply, asking_alone, keep_reply, kept_reply
from wxfly.times import as_moment, utc_now

OLDEST = np.timedelta64(90, "m")
FARTHEST_KM = 60.0
_ASK_AGAIN = timedelta(minutes=10)
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


def latest_report(site: Site, *, settings: Settings, offline: bool = False) -> AirportReport | None:
    """Return the newest report of the nearest airport, or None when none is near and recent.

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
        When the service fails and no recent report is kept.
    """
    now = utc_now()

    def get() -> str:
        return get_reports(site.latitude, site.longitude, settings=settings)

    kept, fault = newest_reports("reports", site, get, parse_reports, offline=offline, now=now)
    report = None
    if kept is not None:
        report = choose_report(parse_reports(kept.text.encode()), site, as_moment(now))
    if report is None and fault is not None:
        raise fault  # not the fault of one airport
    return report


def newest_reports(
    kind: str,
    site: Site,
    get: Callable[[], str],
    parse: Callable[[bytes], object],
    *,
    offline: bool,
    now: datetime,
) -> tuple[KeptReply | None, WxflyError | None]:
    """Return the reply for the airports around a site, requested again after ten minutes, and the error if that failed.

    Parameters
    ----------
    kind : str
        Name under which the reply is kept.
    site : Site
        The place.
    get : callable
        Requests the reply.
    parse : callable
        Reads the reply; a kept one that cannot be read is requested again.
    offline : bool
        Whether to use only kept replies.
    now : datetime
        The present time.
    """
    key = f"{site.latitude:.1f},{site.longitude:.1f}"

    def is_fresh(kept: KeptReply | None) -> bool:
        return kept is not None and timedelta(0) <= now - kept.retrieved < _ASK_AGAIN

    kept = kept_reply(kind, key, parse)
    if offline or is_fresh(kept):
        return kept, None
    with asking_alone(kind, key):
        kept = kept_reply(kind, key, parse)
        if is_fresh(kept):
            return kept, None
        try:
            text = get()
        except WxflyError as fault:
            return kept, fault
        keep_reply(kind, key, text, now)
        return KeptReply(now, text), None


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


def choose_report(reports: Sequence[AirportReport], site: Site, now: np.datetime64) -> AirportReport | None:
    """Choose the newest report of the nearest airport that has one not older than 90 minutes at `now`."""

    def away(report: AirportReport) -> float:
        return distance_km(site.latitude, site.longitude, report.latitude, report.longitude)

    recent = [r for r in reports if -np.timedelta64(10, "m") <= now - r.observed <= OLDEST and away(r) <= FARTHEST_KM]
    if not recent:
        return None
    nearest = min(recent, key=away).station
    return max((r for r in recent if r.station == nearest), key=lambda r: r.observed)


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
