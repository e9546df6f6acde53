"""Reports and forecasts of the airports near a site: kept for ten minutes or requested, and the newest one chosen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import timedelta
from typing import TypeVar

import numpy as np

from wxfly.errors import WxflyError
from wxfly.pilot.settings import Settings
from wxfly.pilot.site import Site, distance_km
from wxfly.sources.aviation_weather import (
    AerodromeForecast,
    AirportReport,
    get_aerodrome_forecasts,
    get_reports,
    parse_aerodrome_forecasts,
    parse_reports,
)
from wxfly.store.replies import KeptReply, newest_reply
from wxfly.times import as_moment, utc_now

OLDEST = np.timedelta64(90, "m")
"""Greatest age of a report."""
OLDEST_FORECAST = np.timedelta64(12, "h")
"""Greatest age of an airport's forecast. They are renewed every three or six hours, so an older one has missed two
renewals (common practice, no source)."""
FARTHEST_KM = 60.0
"""Greatest distance of an airport from the site."""
_ASK_AGAIN = timedelta(minutes=10)
_CLOCKS = np.timedelta64(10, "m")  # largest difference allowed between the service's clock and ours

T = TypeVar("T", AirportReport, AerodromeForecast)


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
    return _latest("reports", site, get_reports, parse_reports, choose_report, settings=settings, offline=offline)


def latest_aerodrome_forecast(site: Site, *, settings: Settings, offline: bool = False) -> AerodromeForecast | None:
    """Return the newest forecast of the nearest airport that has one in force, or None.

    Parameters and errors are those of `latest_report`.
    """
    return _latest(
        "aerodrome_forecasts", site, get_aerodrome_forecasts, parse_aerodrome_forecasts, choose_aerodrome_forecast,
        settings=settings, offline=offline,
    )  # fmt: skip


def _latest(
    kind: str,
    site: Site,
    get: Callable[..., str],
    parse: Callable[[bytes], list[T]],
    choose: Callable[[Sequence[T], Site, np.datetime64], T | None],
    *,
    settings: Settings,
    offline: bool,
) -> T | None:
    """Return what `choose` takes from the newest reply, and the fault of the service only where that is nothing."""
    now = utc_now()

    def ask(_: KeptReply | None) -> KeptReply:
        return KeptReply(now, get(site.latitude, site.longitude, settings=settings))

    key = f"{site.latitude:.1f},{site.longitude:.1f}"
    kept, fault = newest_reply(kind, key, parse, ask, age=_ASK_AGAIN, now=now, offline=offline)
    chosen = None if kept is None else choose(parse(kept.text.encode()), site, as_moment(now))
    if chosen is None and fault is not None:
        raise fault  # not the fault of one airport
    return chosen


def ask_quietly(site: Site, *, settings: Settings, offline: bool) -> tuple[AerodromeForecast | None, str]:
    """Return the airport's forecast or, where there is none, None and the reason."""
    try:
        found = latest_aerodrome_forecast(site, settings=settings, offline=offline)
    except WxflyError as fault:
        return None, f"no airport's own forecast is available: {fault}"
    return found, "" if found else f"no airport within {FARTHEST_KM:g} km has its own forecast in force"


def choose_report(reports: Sequence[AirportReport], site: Site, now: np.datetime64) -> AirportReport | None:
    """Choose the newest report of the nearest airport that has one not older than 90 minutes at `now`."""
    recent = [report for report in reports if -_CLOCKS <= now - report.observed <= OLDEST]
    return _newest_of_nearest(recent, site, lambda report: report.observed)


def choose_aerodrome_forecast(
    forecasts: Sequence[AerodromeForecast], site: Site, now: np.datetime64
) -> AerodromeForecast | None:
    """Choose the newest forecast of the nearest airport that has one in force at `now`, not older than 12 hours."""
    in_force = [
        f
        for f in forecasts
        if -_CLOCKS <= now - f.issued <= OLDEST_FORECAST and f.begin - np.timedelta64(1, "h") <= now < f.end
    ]
    return _newest_of_nearest(in_force, site, lambda forecast: forecast.issued)


def _newest_of_nearest(found: Sequence[T], site: Site, stamp: Callable[[T], np.datetime64]) -> T | None:
    """Return the newest one of the nearest airport within `FARTHEST_KM`; None where there is none."""

    def away(one: T) -> float:
        return distance_km(site.latitude, site.longitude, one.latitude, one.longitude)

    near = [one for one in found if away(one) <= FARTHEST_KM]
    if not near:
        return None
    nearest = min(near, key=away).station
    return max((one for one in near if one.station == nearest), key=stamp)
