"""Whether the forecast is right this morning, and whether the nearest airport expects the same of the hours ahead."""

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
    """An airport report beside the forecast of its hour.

    Attributes
    ----------
    site : Site
        For which it was asked.
    report : AirportReport
        The newest of the nearest airport.
    differences : tuple of Difference
        What both know.
    obtained : Obtained
        The forecast.
    aerodrome : AerodromeForecast or None
        What the nearest airport that makes forecasts expects.
    ahead : tuple of HourAhead
        The hours to come, by that airport and by the forecast.
    why_none : str
        Why there is none of an airport; empty when there is one.
    """

    site: Site
    report: AirportReport
    differences: tuple[Difference, ...]
    obtained: Obtained
    aerodrome: AerodromeForecast | None = None
    ahead: tuple[HourAhead, ...] = ()
    why_none: str = ""


def ask_observed(site: str | None, *, model: str | None, offline: bool, on_progress: Progress) -> Observed:
    """Set the latest airport report near a site, and what an airport expects, beside the forecast.

    Parameters
    ----------
    site : str or None
        As the pilot wrote it; None for the first saved one.
    model : str or None
        Forecast model to ask.
    offline : bool
        Use what is kept.
    on_progress : callable
        Told what is being asked.

    Raises
    ------
    WxflyError
        When there is no forecast, no airport near that has reported lately, or its service cannot be reached.
    """
    from wxfly.retrieval import forecast

    saved = read_sites(sites_file())
    places = [site] if site else home_of(load_settings(), saved)
    obtained = forecast.obtain(places, saved=saved, model=model, offline=offline, on_progress=on_progress)
    place = obtained.sites[0]
    if obtained.is_demo:
        raise WxflyError(f"{place.name} has invented weather, of which no airport reports; name a real place")
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
    # A forecast that is too old to answer from is too old to be found right.
    cube, notes = obtained.fresh()
    cube, obtained = (
        cube.isel(site=0),
        replace(obtained, notes=(*damage_notes(saved.set_aside), *notes, *obtained.notes)),
    )
    ahead = compare_hours(aerodrome, cube, obtained.now) if aerodrome is not None else []
    return Observed(place, report, tuple(compare_report(report, cube)), obtained, aerodrome, tuple(ahead), why_none)
