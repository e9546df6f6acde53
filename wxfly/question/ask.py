"""Asking and judging: obtain the forecast for a question, then judge its hours; one hour of a day; a flight brief.

The pilot's words are read in `wxfly.question.question`.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from wxfly.answer.alternatives import changes_of_hour, find_changes
from wxfly.answer.briefing import age_counts_from, make_briefing
from wxfly.answer.request import Briefing, Change, QuestionKind, Request
from wxfly.assessment.forecast_error import ErrorLaw
from wxfly.assessment.hours import HOUR
from wxfly.assessment.suitability import State
from wxfly.cube.notes import ZONES, Note, NoteKind, kind_of
from wxfly.errors import WxflyError
from wxfly.flight.energy import energy_model, missing_figures
from wxfly.flight.sortie import Plan, Sortie
from wxfly.history.airport_check import with_report_warnings
from wxfly.history.verification import with_record
from wxfly.physics.air.visibility import attitude_sight_range
from wxfly.pilot.aircraft import Aircraft, load_aircraft
from wxfly.pilot.elements import BY_NAME
from wxfly.pilot.limits import Limits, check_height
from wxfly.pilot.options import Words, said
from wxfly.pilot.own_files import damage_notes
from wxfly.pilot.rules import load_rules
from wxfly.pilot.settings import load_settings, own_aircraft_file, own_rules_file, sites_file
from wxfly.pilot.site import Site, SiteClock, date_of, hour_of, period_of, read_sites
from wxfly.pilot.zones import ZoneSearch
from wxfly.question.question import (
    NO_MEMBERS,
    Question,
    SortieAsked,
    read_brief_question,
    read_hour_question,
    read_question,
)
from wxfly.retrieval import forecast
from wxfly.retrieval.members import chosen_members, members_asked_for
from wxfly.retrieval.model_choice import Wanted
from wxfly.retrieval.origin import ForecastOrigin, Obtained
from wxfly.sources.http import tally
from wxfly.units import SYSTEMS, UNITS, errors_in, from_si

if TYPE_CHECKING:
    from wxfly.answer.flight_brief import FlightBrief

log = logging.getLogger(__name__)
Progress = Callable[[str], None]

DEFAULT_DISTANCE = 100.0
"""Planned distance where neither a distance nor the aircraft's size is given [m]."""


@dataclass(frozen=True)
class Asked:
    """A briefing, its display options, and the question."""

    briefing: Briefing
    units: str
    time_zone: str | None
    question: Question
    alarm: timedelta | None = None
    """Time of a calendar's reminder before a window."""


@dataclass(frozen=True, kw_only=True)
class Prepared:
    """A question with its forecast, ready to be judged.

    Attributes
    ----------
    question : Question
        The question.
    cube : xarray.Dataset
        The forecast, with the dimension ``site`` and without values that are too old.
    requests, periods : tuple
        One of each per site.
    now : numpy.datetime64
        Present time, UTC.
    provenance, notes
        As in `wxfly.answer.request.Briefing`.
    ensembles : tuple of xarray.Dataset
        Members, one cube for each model; may be empty.
    law : ErrorLaw or None
        The error law of the site's record, where the pilot switched it on.
    """

    question: Question
    cube: xr.Dataset
    requests: tuple[Request, ...]
    periods: tuple[tuple[np.datetime64, np.datetime64], ...]
    now: np.datetime64
    provenance: ForecastOrigin
    notes: tuple[str, ...]
    ensembles: tuple[xr.Dataset, ...] = ()
    law: ErrorLaw | None = None


def ask(kind: QuestionKind, places: Sequence[str], words: Words, *, on_progress: Progress) -> Asked:
    """Answer one of the questions: read it, obtain the forecast, and judge the hours.

    Parameters
    ----------
    kind, places, words
        As in `wxfly.question.question.read_question`.
    on_progress : callable
        Called with a message before a step that may take over a second.

    Raises
    ------
    WxflyError
        For anything that the pilot can correct.
    """
    with errors_in(words.units):
        question = read_question(kind, places, words)
        prepared = prepare(question, on_progress=on_progress)
        return Asked(judge(prepared, on_progress=on_progress), question.units, question.time_zone, prepared.question)


@dataclass(frozen=True)
class HourAsked:
    """One hour of a day.

    Attributes
    ----------
    briefing : Briefing
        Of the whole day, at one site.
    question : Question
        What was asked.
    hour : numpy.datetime64
        Its start, UTC.
    changes : tuple of Change
        The lower height and the other aircraft that would give it room; empty where it has room.
    """

    briefing: Briefing
    question: Question
    hour: np.datetime64
    changes: tuple[Change, ...]


def ask_hour(given: Sequence[str], words: Words, *, on_progress: Progress) -> HourAsked:
    """Judge the day of one hour, and look for what would give that hour room.

    Parameters
    ----------
    given : sequence of str
        Site, day and hour as the pilot wrote them (`wxfly.question.question.read_hour_question`).
    words, on_progress
        As in `ask`.

    Raises
    ------
    WxflyError
        For anything that the pilot can correct, such as an hour that is over.
    """
    with errors_in(words.units):
        question = read_hour_question(given, words)
        assert question.hour is not None
        prepared = prepare(question, on_progress=on_progress)
        site, now = prepared.requests[0].site, prepared.now
        hour = hour_of(site, now, question.day, question.hour)
        if hour + HOUR <= now:
            clock = SiteClock(question.time_zone or site.time_zone)
            over, present = (f"{clock.date(moment)} {clock.hour(moment)}" for moment in (hour, now))
            raise WxflyError(
                f"the hour of {over} is over (now is {present}); give a later one, or --as-of an earlier time"
            )
        briefing = brief_of(prepared)
        answer = briefing.answers[0]
        positions = np.flatnonzero(answer.assessment["time"].values.astype("datetime64[s]") == hour)
        if not positions.size:
            raise WxflyError(f"the forecast has no hour {str(hour)[:16]}Z; give an earlier one")
        changes: tuple[Change, ...] = ()
        if answer.lit_hours[positions[0]] and answer.assessment["state"].values[positions[0]] == State.OUTSIDE:
            others, run = _other_aircraft(question), age_counts_from(prepared.provenance)
            changes = changes_of_hour(answer, prepared.cube.isel(site=0), hour, others=others, run=run)
        return HourAsked(briefing, prepared.question, hour, changes)


@dataclass(frozen=True)
class BriefAsked:
    """A flight brief, and the question that it answers.

    Attributes
    ----------
    brief : FlightBrief or None
        None where there is no window.
    briefing : Briefing
        The answer that contains it.
    question : Question
        The question.
    """

    brief: FlightBrief | None
    briefing: Briefing
    question: Question


def ask_brief(place: str | None, words: Words, *, on_progress: Progress) -> BriefAsked:
    """Make the flight brief of a window.

    Parameters
    ----------
    place : str or None
        As the pilot wrote it.
    words, on_progress
        As in `ask`.

    Raises
    ------
    WxflyError
        For anything that the pilot can correct.
    """
    from wxfly.answer.flight_brief import make_flight_brief  # only a brief needs it: other answers start faster

    with errors_in(words.units):
        asked = read_brief_question(place, words)
        prepared = prepare(asked.question, on_progress=on_progress)
        question, request = prepared.question, prepared.requests[0]
        briefing = remembered(prepared, on_progress=on_progress)  # window 1 is the one that `best` puts first
        answer = briefing.answers[0]
        if not answer.windows:
            return BriefAsked(None, briefing, question)
        if asked.rank > len(answer.windows):
            raise WxflyError(
                f"there is no window {asked.rank}; there are {len(answer.windows)}, and the best is 1; "
                "give one of them with --rank"
            )
        return_height = None if question.sortie is None else question.sortie.return_height
        brief = make_flight_brief(
            prepared.cube.isel(site=0),
            answer,
            answer.windows[asked.rank - 1],
            sortie=request.sortie,
            energy_missing=request.energy_missing,
            anemometer_height=asked.anemometer_height,
            return_height=request.height if return_height is None else return_height,
            forecast_run=age_counts_from(prepared.provenance),
            confidence=question.confidence,
        )
        return BriefAsked(brief, briefing, question)


def judge(prepared: Prepared, *, on_progress: Progress) -> Briefing:
    """Judge the hours of a prepared question; the answer includes earlier choices and possible changes."""
    return _with_changes(remembered(prepared, on_progress=on_progress), prepared)


def remembered(prepared: Prepared, *, on_progress: Progress) -> Briefing:
    """Return the briefing of a prepared question, with what earlier runs chose and found."""
    question, briefing = prepared.question, brief_of(prepared)
    if prepared.provenance.obtained_from not in ("fetched", "store") or question.forecast.as_of is not None:
        return briefing
    from wxfly.history.previous_choice import remember  # the demonstration starts faster without the ledger

    return remember(briefing, on_progress, fresh=question.ranks_anew)


def brief_of(
    prepared: Prepared,
    *,
    request: Request | None = None,
    corrected: xr.Dataset | None = None,
    notes: tuple[str, ...] = (),
) -> Briefing:
    """Return the briefing of a prepared question.

    Parameters
    ----------
    prepared : Prepared
        The question and its forecast.
    request : Request, optional
        Replaces the first site's request.
    corrected : xarray.Dataset, optional
        The forecast corrected by a reading. No members are used with it, as their wind is not corrected.
    notes : tuple of str, optional
        Notes that follow those of the forecast.
    """
    return make_briefing(
        prepared.question.kind,
        prepared.cube if corrected is None else corrected,
        prepared.requests if request is None else [request],
        prepared.periods,
        minimum_duration=prepared.question.work.reference_period,
        now=prepared.now,
        provenance=prepared.provenance,
        notes=(*prepared.notes, *notes),
        ensembles=prepared.ensembles if corrected is None else (),
        law=prepared.law,
    )


def _other_aircraft(question: Question) -> list[tuple[Aircraft, Limits]]:
    """Return the pilot's aircraft, each with its limits under the rules of a question."""
    return [(a, question.limits_with(a)) for a in load_aircraft(own_aircraft_file()).values()]


def _with_changes(briefing: Briefing, prepared: Prepared) -> Briefing:
    """Add the changes of height, length, aircraft or day that would change the answer."""
    run = age_counts_from(prepared.provenance)
    others = _other_aircraft(prepared.question) if any(answer.best is None for answer in briefing.answers) else []
    answers = tuple(
        replace(
            a, changes=find_changes(a, prepared.cube.isel(site=i), briefing.minimum_duration, others=others, run=run)
        )
        for i, a in enumerate(briefing.answers)
    )
    return replace(briefing, answers=answers)


def prepare(question: Question, *, on_progress: Progress) -> Prepared:
    """Obtain the forecast for a question.

    Parameters
    ----------
    question : Question
        From `read_question`.
    on_progress : callable
        Called with a message before a step that may take over a second.

    Raises
    ------
    WxflyError
        For anything that the pilot can correct.
    """
    asked, settings = question.forecast, load_settings()
    ensemble_names = asked.ensembles or tuple(part.strip() for part in settings.ensemble.split(",") if part.strip())
    before = tally()
    obtained = forecast.obtain(
        [place.words for place in question.places],
        saved=read_sites(sites_file()),
        forecast_path=asked.path,
        model=asked.model,
        offline=asked.offline,
        now=asked.as_of,
        on_progress=on_progress,
        wanted=partial(hours_wanted, question),
        members=None if ensemble_names else chosen_members,
    )
    prepared = prepare_obtained(question, obtained, ensemble_names, on_progress=on_progress)
    cost = tally().since(before)
    log.info(
        "asked for this answer: %d requests, %.1f weighted calls of the forecast service, %d bytes",
        cost.requests, cost.weight, cost.size,
    )  # fmt: skip
    return prepared


def prepare_obtained(
    question: Question, obtained: Obtained, ensemble_names: Sequence[str] = (), *, on_progress: Progress
) -> Prepared:
    """Make a question ready to be judged with the forecast that was obtained for it.

    Parameters
    ----------
    question : Question
        From `read_question`.
    obtained : Obtained
        The forecast of its sites.
    ensemble_names : sequence of str, optional
        Members to obtain as well.
    on_progress : callable
        As in `prepare`.

    Raises
    ------
    WxflyError
        For anything that the pilot can correct.
    """
    asked = question.forecast
    obtained = with_report_warnings(obtained, load_settings())
    if not question.places and len(obtained.sites) > 1:
        names = ", ".join(site.name for site in obtained.sites)
        raise WxflyError(f"the forecast has several places ({names}); name one of them")
    heights = [place.height for place in question.places] or [question.height] * len(obtained.sites)
    if asked.path is not None and not question.places:
        _refuse_passed_over(obtained.sites[0])
    requests = [_request(question, site, height) for site, height in zip(obtained.sites, heights, strict=True)]
    cube, age_notes = obtained.fresh()
    of_answer = tuple(ensemble_names) if obtained.origin in ("fetched", "store") else asked.ensembles
    ensembles: tuple[xr.Dataset, ...] = ()
    ensemble_notes: list[str] = []
    if of_answer != (NO_MEMBERS,):
        ensembles, ensemble_notes = members_asked_for(obtained, of_answer, asked.offline, on_progress)
    cube, ensembles, law, record_notes = with_record(cube, ensembles, obtained.sites, asked.uses_site_record)
    return Prepared(
        question=_dated(question, obtained),
        cube=cube,
        requests=tuple(requests),
        periods=tuple(_periods(question, obtained)),
        now=obtained.now,
        provenance=obtained.provenance,
        notes=tuple(
            dict.fromkeys(
                [
                    *zone_notes(question),
                    *own_limit_notes(question),
                    *set_aside_notes(),
                    *age_notes,
                    *obtained.notes,
                    *ensemble_notes,
                    *record_notes,
                ]
            )
        ),
        ensembles=ensembles,
        law=law,
    )


def fetch(places: Sequence[str], model: str | None, *, on_progress: Progress) -> Obtained:
    """Fetch the newest forecast of every place, or of every saved site, and keep it for use offline.

    Parameters
    ----------
    places : sequence of str
        As the pilot wrote them; none for every saved site.
    model : str or None
        The one model to ask; None for one chosen by place.
    on_progress : callable
        Called with a message before a step that may take over a second.

    Raises
    ------
    WxflyError
        When no site is named and none is saved, a source fails (what is stored stays), or the forecast cannot be
        kept.
    """
    saved = read_sites(sites_file())
    if not places and not saved:
        raise WxflyError("no site is named and none is saved; save one with: wxfly sites add NAME LATITUDE,LONGITUDE")
    obtained = forecast.obtain(
        list(places) or list(saved),
        saved=saved,
        model=model,
        on_progress=on_progress,
        members=None if load_settings().ensemble else chosen_members,
    )
    failures = (NoteKind.NOT_KEPT, NoteKind.NO_NEWER_FORECAST)
    lost = next((note for note in obtained.notes if kind_of(note) in failures), None)
    if lost:
        raise WxflyError(lost)
    return replace(obtained, notes=(*damage_notes(saved.set_aside), *obtained.notes))


def _dated(question: Question, obtained: Obtained) -> Question:
    """Return the question with the date of its day and the moment of its hour, on the clock of the first site."""
    if question.day is None and question.hour is None:
        return question
    site, now, hour = obtained.sites[0], obtained.now, question.hour
    if hour is not None:
        hour = datetime.fromisoformat(f"{hour_of(site, now, question.day, hour)}+00:00")
    return replace(question, day=_date_asked(question, site, now), hour=hour)


def _date_asked(question: Question, site: Site, now: np.datetime64) -> date | None:
    """Return the date of the requested day or hour; None where neither is named."""
    if question.hour is not None:
        return SiteClock(site.time_zone).date(hour_of(site, now, question.day, question.hour))
    return None if question.day is None else date_of(site, now, question.day)


def _whole_day(question: Question, site: Site, now: np.datetime64) -> tuple[np.datetime64, np.datetime64]:
    """Return the requested day on the site's clock, UTC."""
    return period_of(site, now, day=_date_asked(question, site, now), first_day=question.first_day)


def _refuse_passed_over(site: Site) -> None:
    """Refuse to judge a saved site without its defaults: a file names its place only once it is opened."""
    for saved in read_sites(sites_file()).values():
        if any(said(saved.defaults)) and (saved.name == site.name or saved.key == site.key):
            raise WxflyError(
                f"the forecast is of {saved.name}, which has defaults of its own; name the site: {saved.name}"
            )


def hours_wanted(question: Question, sites: Sequence[Site], now: np.datetime64) -> Wanted:
    """Return the hours and the height for which a forecast is needed."""
    if question.kind == "week":
        periods = [period_of(site, now, first_day=0, days=question.days) for site in sites]
    elif question.kind == "now":
        periods = [_from_now(question, site, now) for site in sites]
    else:
        periods = [_whole_day(question, site, now) for site in sites]
    heights = [place.height for place in question.places] or [question.height]
    sortie = question.sortie
    if sortie is not None and sortie.return_height is not None:
        heights.append(sortie.return_height)
    return Wanted(max(min(p[0] for p in periods), now), max(p[1] for p in periods), max(heights))


def _request(question: Question, site: Site, height: float) -> Request:
    """Return the request for one site."""
    request = Request(
        site,
        question.aircraft,
        question.limits,
        height,
        prefers_low_light=question.prefers_low_light,
        toward=question.toward,
        work=question.work,
        from_now=question.kind == "now",
        zones=zone_search(question),
    )
    return request if question.sortie is None else _with_sortie(request, question.sortie, question.confidence)


def _with_sortie(request: Request, asked: SortieAsked, confidence: float) -> Request:
    """Return a request with the planned sortie, or with the names of the figures for it that the aircraft lacks."""
    return_height = request.height if asked.return_height is None else asked.return_height
    check_height(return_height, request.limits)
    missing = missing_figures(request.aircraft)
    if missing:
        return replace(request, return_height=return_height, energy_missing=missing)
    plan = Plan(
        height=request.height,
        return_height=return_height,
        distance=_default_distance(request.aircraft) if asked.distance is None else asked.distance,
        direction=request.toward,
        work_time=asked.work_time,
        reserve=asked.reserve,
        confidence=confidence,
        cell_temperature=asked.battery_temperature,
    )
    model = energy_model(request.aircraft, payload=asked.payload)
    return replace(request, return_height=return_height, sortie=Sortie(model, plan, asked.batteries))


def _default_distance(aircraft: Aircraft) -> float:
    """Return the distance at which the aircraft is still visible; farther must be the pilot's own decision."""
    if aircraft.characteristic_dimension is None:
        return DEFAULT_DISTANCE
    return float(attitude_sight_range(aircraft.characteristic_dimension, aircraft.kind))


def zone_search(question: Question) -> ZoneSearch | None:
    """Return where to look for zones: as far as was given, else as far as the aircraft's attitude is seen."""
    if question.zones is None:
        return None
    given = None if question.sortie is None else question.sortie.distance
    return ZoneSearch(question.zones, _default_distance(question.aircraft) if given is None else given)


def zone_notes(question: Question) -> list[Note]:
    """Return a note on the zones of the pilot's file whose outlines cannot be read."""
    if question.zones is None or not question.zones.faults:
        return []
    file = question.zones
    first = file.faults[0]
    more = f"; and {len(file.faults) - 1} more" if len(file.faults) > 1 else ""
    words = f"{ZONES}{file.path.name} has zones that cannot be read, look them up: {first.name}, {first.fault}{more}"
    return [Note(words, NoteKind.ZONES)]


def _periods(question: Question, obtained: Obtained) -> list[tuple[np.datetime64, np.datetime64]]:
    """Return the requested period of each site, UTC."""
    now = obtained.now
    if question.kind == "week":
        periods = [period_of(site, now, first_day=0, days=question.days) for site in obtained.sites]
        horizon = obtained.cube["time"].values[-1].astype("datetime64[s]")
        periods = [(start, min(end, max(horizon, start))) for start, end in periods]
    elif question.kind == "now":
        periods = [_from_now(question, site, now) for site in obtained.sites]
    else:
        periods = [_whole_day(question, site, now) for site in obtained.sites]
    if question.kind == "compare":
        # All sites get the same hours: from the first start of day to the last end.
        periods = [(min(p[0] for p in periods), max(p[1] for p in periods))] * len(periods)
    if all(end <= now for _, end in periods):
        raise WxflyError(f"that day is over (now is {str(now)[:16]}Z); give a later --date, or --as-of an earlier time")
    return periods


def own_limit_notes(question: Question) -> list[Note]:
    """Return notes on the pilot's limits for today; first those that are looser than the maker's or the rule's."""
    usual = question.usual_limits
    looser, others = [], []
    for own in question.asked_of_limits.own_limits:
        limit = _limit_in_words(own.element, [own.values[name] for name in own.values], question.units)
        words = f"your {BY_NAME[own.element].title} limit {own.since} is {limit}"
        fields = own.looser_fields(usual)
        if not fields:
            others.append(words)
            continue
        instead = [getattr(usual, name) for name in own.values]
        if None in instead:
            looser.append(f"{words}; it may be looser than the one that follows from the place")
        else:
            of = usual.sources.get(fields[0], "the usual one")
            looser.append(f"{words}, looser than {_limit_in_words(own.element, instead, question.units)} ({of})")
    launch, of_aircraft = question.asked_of_limits.gust_at_launch, question.aircraft.maximum_gust_at_launch
    if launch is not None and of_aircraft is not None and launch > of_aircraft:
        limit, usually = (_limit_in_words("gust", [value], question.units) for value in (launch, of_aircraft))
        looser.append(f"your launch limit is {limit}, looser than {usually} of the aircraft")
    notes = [Note("; ".join(looser), NoteKind.LOOSER_LIMITS)] if looser else []
    return [*notes, Note("; ".join(others), NoteKind.OWN_LIMITS)] if others else notes


def _limit_in_words(element: str, values: Sequence[float], units: str) -> str:
    """Return a limit in the pilot's units."""
    unit = SYSTEMS[units].get(BY_NAME[element].quantity)
    if unit is None:
        return " to ".join(f"{value:g}" for value in values)
    shown = " to ".join(f"{float(from_si(value, unit)):.3g}" for value in values)
    return f"{shown} {UNITS[unit].written}"


def _from_now(question: Question, site: Site, now: np.datetime64) -> tuple[np.datetime64, np.datetime64]:
    """Return the time from now on: the requested hours, or the rest of the day on the site's clock."""
    if question.hours is None:
        return now, period_of(site, now, first_day=0)[1]
    return now, now + np.timedelta64(question.hours, "h")


def set_aside_notes() -> list[str]:
    """Return notes on unreadable parts of the pilot's settings, sites, aircraft and rules."""
    tables = load_settings(), read_sites(sites_file()), load_aircraft(own_aircraft_file()), load_rules(own_rules_file())
    return damage_notes([part for table in tables for part in table.set_aside])
