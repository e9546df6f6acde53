"""The latest airport report and the airport's own forecast, compared with the forecast of a site."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from wxfly.errors import WxflyError
from wxfly.history.airport_forecasts import HourAhead, ask_quietly, compare_hours
from wxfly.history.airport_reports import FARTHEST_KM, OLDEST, Difference, compare_report, latest_report
from wxfly.pilot.own_files import damage_notes
from wxfly.pilot.settings import load_settings, sites_file
from wxfly.pilot.site import Site, read_sites
from wxfly.question.ask import Progress
from wxfly.question.usual import home_of
from wxfly.retrieval.obtained import Obtained
from wxfly.sources.airport_forecasts import AerodromeForecast
from wxfly.sources.airport_reports import AirportReport


@dataclass(frozen=True)
class Observed:
    """An airport report and the forecast of its hour.

    Attributes
    ----------
    site : Site
        The site.
    report : AirportReport
        The newest report of the nearest airport.
    differences : tuple of Difference
        The quantities that both have.
    obtained : Obtained
        The forecast.
    aerodrome : AerodromeForecast or None
        The forecast of the nearest airport that makes one.
    ahead : tuple of HourAhead
        The hours ahead, from that airport and from the forecast.
    why_none : str
        Why no airport has a forecast; empty when one has.
    """

    site: Site
    report: AirportReport
    differences: tuple[Difference, ...]
    obtained: Obtained
    aerodrome: AerodromeForecast | None = None
    ahead: tuple[HourAhead, ...] = ()
    why_none: str = ""


def ask_observed(site: str | None, *, model: str | None, offline: bool, on_progress: Progress) -> Observed:
    """Compare the forecast with the latest airport report near a site and with an airport's own forecast.

    Parameters
    ----------
    site : str or None
        As the pilot wrote it; None for the first saved one.
    model : str or None
        Forecast model.
    offline : bool
        Whether to use only kept replies.
    on_progress : callable
        Called with a message before each request.

    Raises
    ------
    WxflyError
        When there is no forecast, no recent report of an airport nearby, or the service cannot be reached.
    """
    from wxfly.retrieval import forecast

    saved = read_sites(sites_file())
    places = [site] if site else home_of(load_settings(), saved)
    obtained = forecast.obtain(places, saved=saved, model=model, offline=offline, on_progress=on_progress)
    place = obtained.sites[0]
    if obtained.is_demo:
        raise WxflyError(f"{place.name} has invented weather, so no airport reports it; name a real place")
    if not offline:
        on_progress("asking for airport reports")
    settings = load_settings()
    report = latest_report(place, settings=settings, offline=offline)
    if report is None:
        minutes = OLDEST / np.timedelta64(1, "m")
        raise WxflyError(
            f"no airport within {FARTHEST_KM:g} km of {place.name} has reported in the last {minutes:g} minutes"
            f"{', as far as is kept on this machine' if offline else ''}; measure on the spot: wxfly check"
        )
    if not offline:
        on_progress("asking for airports' own forecasts")
    aerodrome, why_none = ask_quietly(place, settings=settings, offline=offline)
    # A forecast that is too old to use is not compared either.
    cube, notes = obtained.fresh()
    cube, obtained = (
        cube.isel(site=0),
        replace(obtained, notes=(*damage_notes(saved.set_aside), *notes, *obtained.notes)),
    )
    ahead = compare_hours(aerodrome, cube, obtained.now) if aerodrome is not None else []
    return Observed(place, report, tuple(compare_report(report, cube)), obtained, aerodrome, tuple(ahead), why_none)
