"""Forecasts compared with what was observed: past ones of a site, the ledger, the latest report of an airport."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import xarray as xr

from wxfly.assessment.conditions import derive
from wxfly.assessment.forecast_error import lead_time
from wxfly.cube.age import retrieved_of, run_of
from wxfly.errors import WxflyError, near_names
from wxfly.history import ledger
from wxfly.history.airport_check import Difference, HourAhead, compare_hours, compare_report
from wxfly.history.observations import HourlyRecord, gather_hours, parse_metar, read_csv
from wxfly.history.previous_choice import clear_choices
from wxfly.history.verification import (
    ErrorRow,
    SiteRecord,
    error_rows,
    join_pairs,
    learn,
    pair_hours,
    records_file,
    save_record,
)
from wxfly.pilot.own_files import SetAside, damage_notes
from wxfly.pilot.settings import Settings, load_settings, sites_file
from wxfly.pilot.site import Site, read_sites
from wxfly.question.ask import Progress
from wxfly.question.defaults import home_of
from wxfly.question.question import DEFAULT_HEIGHT
from wxfly.retrieval import forecast
from wxfly.retrieval.airports import FARTHEST_KM, OLDEST, ask_quietly, latest_report
from wxfly.retrieval.model_choice import rank_models
from wxfly.retrieval.origin import Obtained
from wxfly.retrieval.places import refuse_set_aside, resolve_site
from wxfly.sources.aviation_weather import AerodromeForecast, AirportReport, get_station_reports
from wxfly.sources.open_meteo.runs import get_previous_runs
from wxfly.sources.reply import read_saved
from wxfly.store import forecasts
from wxfly.times import as_moment, read_moment, utc_now
from wxfly.units import parse_quantity

METAR_HEIGHT = 10.0


@dataclass(frozen=True, kw_only=True)
class VerificationAsked:
    """The forecasts and observations to compare.

    Attributes
    ----------
    observed : Path or None
        File of observations; None for the reports of an airport.
    observed_height : float
        Height of the anemometer above ground [m].
    station : str
        The airport, where it is not the nearest or the reports are of several.
    model : str or None
        None for the model of the settings.
    asks_for_past : bool
        Whether to ask the service for forecasts that are not in the store.
    learns : bool
        Whether to write the correction that was learned.
    offline : bool
        Whether to ask no service.
    """

    observed: Path | None = None
    observed_height: float = METAR_HEIGHT
    station: str = ""
    model: str | None = None
    asks_for_past: bool = False
    learns: bool = False
    offline: bool = False


def read_observed_height(text: str | None) -> float:
    """Read the height of an anemometer [m]; by default 10 m."""
    height = parse_quantity(text, "length", "m") if text else METAR_HEIGHT
    if not 1.0 <= height <= 200.0:
        raise WxflyError(f"an observation height of '{text}' is out of range; wanted 1 m to 200 m")
    return height


@dataclass(frozen=True, kw_only=True)
class Verified:
    """Past forecasts of a site compared with its observations.

    Attributes
    ----------
    site, model : str
        Names of the site and of the model.
    origin : tuple of str
        Where the past forecasts are from.
    source : str
        Where the observations are from.
    height : float
        Of the anemometer above ground [m].
    rows : tuple of ErrorRow
        By element and group.
    learned : SiteRecord or None
        None where the days are too few.
    is_learned : bool
        Whether it was written.
    entered : int
        Observed hours entered in the ledger.
    damage : tuple of str
        What cannot be read of the pilot's files.
    """

    site: str
    model: str
    origin: tuple[str, ...]
    source: str
    height: float
    rows: tuple[ErrorRow, ...]
    learned: SiteRecord | None
    is_learned: bool
    entered: int
    damage: tuple[str, ...]


def verify(site_text: str, asked: VerificationAsked, *, on_progress: Progress) -> Verified:
    """Compare past forecasts of a site with its observations.

    Parameters
    ----------
    site_text : str
        As the pilot wrote it.
    asked : VerificationAsked
        The forecasts and observations to compare.
    on_progress : callable
        Called with a message before a step that may take over a second.

    Raises
    ------
    WxflyError
        For anything that the pilot can correct; nothing is then learned or entered.
    """
    settings = load_settings()
    saved = read_sites(sites_file())
    refuse_set_aside(saved, [site_text])
    site = resolve_site(site_text, saved=saved, offline=asked.offline, settings=settings)
    if site.is_demo:
        raise WxflyError(f"{site.name} is invented and has no observations; name a real place")
    record, height = _observed(site, asked, settings, on_progress), asked.observed_height
    model = asked.model or _model_of(site, height, settings)
    parts, origin = [], []
    for cube in _stored(site, model):
        conditions = derive(cube, height=height, site=site)
        run = run_of(cube)
        lead = lead_time(conditions["time"].values, retrieved_of(cube) if np.isnat(run) else run)
        parts.append(pair_hours(conditions, lead, record))
    if parts:
        origin.append(f"{len(parts)} stored forecasts")
    if asked.asks_for_past:
        on_progress(f"asking for past forecasts of {model}")
        for lead_hours, cube in get_previous_runs(site, model, settings=settings).items():
            parts.append(pair_hours(derive(cube, height=height, site=site), lead_hours, record))
        origin.append("the service's past forecasts")
    pairs = join_pairs(p for p in parts if p.hour.size)
    entered = ledger.enter_observations(_for_ledger(site, height, record, model))
    learned = learn(pairs, site.name, model)
    if learned is not None and asked.learns:
        save_record(records_file(), learned)
    return Verified(
        site=site.name,
        model=model,
        origin=tuple(origin),
        source=record.source,
        height=height,
        rows=tuple(error_rows(pairs)),
        learned=learned,
        is_learned=learned is not None and asked.learns,
        entered=entered,
        damage=tuple(damage_notes((*saved.set_aside, *settings.set_aside))),
    )


def _model_of(site: Site, height: float, settings: Settings) -> str:
    """Return the model to verify where none is named: that of the settings, or the first choice for the place."""
    if settings.names_model:
        return settings.model
    ranked = rank_models([site], max(height, DEFAULT_HEIGHT))
    return ranked[0].name if ranked else settings.model


def _observed(site: Site, asked: VerificationAsked, settings: Settings, on_progress: Progress) -> HourlyRecord:
    if asked.observed is None:
        return _of_airport(site, asked, settings, on_progress)
    path = asked.observed
    if path.suffix != ".json":
        return gather_hours(read_csv(path))
    return gather_hours(parse_metar(read_saved(path), station=asked.station or None, what=path.name))


def _of_airport(site: Site, asked: VerificationAsked, settings: Settings, on_progress: Progress) -> HourlyRecord:
    """Request the past reports of the named airport, or of the nearest one with recent reports."""
    if asked.offline:
        raise WxflyError("there are no observations to compare with; give a file with --observed, or go online")
    station = asked.station.upper()
    if not station:
        on_progress(f"asking for the airports around {site.name}")
        nearest = latest_report(site, settings=settings)
        if nearest is None:
            raise WxflyError(
                f"no airport within {FARTHEST_KM:g} km of {site.name} has reported lately; "
                "name one with --station, or give a file with --observed"
            )
        station = nearest.station
    on_progress(f"asking for the reports of {station}")
    body = get_station_reports(station, settings=settings)
    return gather_hours(parse_metar(body.encode(), station=station, what=f"the reports of {station}"))


def _stored(site: Site, model: str) -> list[xr.Dataset]:
    """Return every stored forecast of a place and a model, oldest run first."""
    place = site.key
    cubes = []
    for stored in forecasts.list_forecasts():
        if stored.model == model and (stored.latitude, stored.longitude) == place:
            cube = forecasts.find_forecast(*place, model, run=stored.run)
            if cube is not None:
                cubes.append(cube.isel(site=0))
    return cubes[::-1]


def _for_ledger(site: Site, height: float, record: HourlyRecord, model: str) -> list[ledger.Observation]:
    """Extrapolate observations to the heights of the site's verdicts, by the forecast profile of each hour."""
    heights = sorted({v.height for v in ledger.read_verdicts() if v.site == site.name})
    newest: dict[tuple[float, np.datetime64], tuple[float, float]] = {}
    for cube in _stored(site, model):
        below = derive(cube, height=height, site=site)
        for wanted in heights:
            above = derive(cube, height=wanted, site=site)
            wind, gust = (
                (above[n] / below[n].where(below[n] > 0.5)).isel(edge=0).values
                for n in ("wind_speed", "wind_speed_of_gust")
            )
            for hour, of_wind, of_gust in zip(above["time"].values.astype("datetime64[s]"), wind, gust, strict=True):
                newest[wanted, hour] = float(of_wind), float(of_gust)
    found = []
    for i, hour in enumerate(record.hour):
        for wanted in heights:
            of_wind, of_gust = newest.get((wanted, hour), (np.nan, np.nan))
            # An observation is never made smaller, even where less wind was forecast at the greater height.
            values = {
                "wind": float(record.wind_speed[i]) * max(of_wind, 1.0),
                "gust": float(record.wind_speed_of_gust[i]) * max(of_gust, 1.0),
            }
            known = {k: round(v, 3) for k, v in values.items() if np.isfinite(v)}
            found.append(ledger.Observation(site.name, wanted, f"{hour}Z", known, record.source))
    return found


@dataclass(frozen=True)
class LedgerScores:
    """How the verdicts of the ledger compare with what was observed.

    Attributes
    ----------
    site : str or None
        The site that they are of; None for all.
    verdicts : int
        How many are kept.
    scores : tuple of Score
        By lead time.
    set_aside : tuple of SetAside
        What cannot be read.
    """

    site: str | None
    verdicts: int
    scores: tuple[ledger.Score, ...]
    set_aside: tuple[SetAside, ...]
    near: str = ""
    """A name of the ledger that is nearly the site's, where it has no verdict of the site."""


def score_ledger(site: str | None = None) -> LedgerScores:
    """Compare the verdicts of the ledger with what was observed, of one site or of all."""
    kept = ledger.read_ledger()
    verdicts = [v for v in kept.of(ledger.HourVerdict) if site is None or v.site == site]
    scores = ledger.score(verdicts, kept.of(ledger.Observation)) if verdicts else []
    names = {v.site for v in kept.of(ledger.HourVerdict)}
    near = near_names(site, names, likeness=0.75) if site and not verdicts else []
    return LedgerScores(site, len(verdicts), tuple(scores), kept.set_aside, "".join(near[:1]))


def withdraw(site: str | None, when: str | None, reason: str | None) -> str:
    """Withdraw observations of a site in an hour or on a day from the ledger, and return a line with their number.

    Raises
    ------
    WxflyError
        Without a site or a time, or where there is no observation.
    """
    if not site or not when:
        raise WxflyError("name the site and the time, such as: wxfly ledger meadow --withdraw 2026-06-10T14:00Z")
    start = read_moment(when)
    assert start is not None
    length = np.timedelta64(1, "D" if re.fullmatch(r"\d{4}-\d\d-\d\d", when.strip()) else "h")
    count = ledger.withdraw_observations(site, start, start + length, now=as_moment(utc_now()), reason=reason or "")
    if not count:
        known = sorted({o.site for o in ledger.read_observations()})
        where = f"; observations are of {', '.join(known)}" if known and site not in known else ""
        where = where or "; wxfly ledger shows what is noted"
        raise WxflyError(f"the ledger has no observation of {site} in {when}{where}")
    hours = "1 hour" if count == 1 else f"{count} hours"
    return f"{hours} observed at {site} withdrawn; they no longer count, and may be entered again"


def forget_choices() -> str:
    """Forget the choices of earlier answers, and return a line that reports it."""
    clear_choices(as_moment(utc_now()))
    return "the windows chosen in earlier answers are forgotten; the ledger keeps its record of them"


@dataclass(frozen=True, kw_only=True)
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
    return Observed(
        site=place,
        report=report,
        differences=tuple(compare_report(report, cube)),
        obtained=obtained,
        aerodrome=aerodrome,
        ahead=tuple(ahead),
        why_none=why_none,
    )
