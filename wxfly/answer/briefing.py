"""The briefing: all steps in order, from sites and limits to one value that holds the whole answer."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
import xarray as xr

from wxfly.answer.request import BeforeReading, Briefing, QuestionKind, Request, SiteAnswer, preferred_hours
from wxfly.answer.survey import lay_survey
from wxfly.answer.windows import KnownChances, Window, find_outlooks, find_windows, in_order, with_chances
from wxfly.assessment.conditions import derive_flight, hours_of, pressure_note
from wxfly.assessment.forecast_error import ErrorLaw
from wxfly.assessment.hours import HourValues
from wxfly.assessment.suitability import add_waiting_hours, assess, judge_worse
from wxfly.assessment.usable_height import find_usable_heights, lower_of
from wxfly.cube.notes import Note
from wxfly.flight.advice import advise
from wxfly.pilot.elements import NAMES
from wxfly.pilot.limits import check_height
from wxfly.pilot.site import days_touched, midnights
from wxfly.probability.site_chance import SiteChance, judge_site_chance
from wxfly.retrieval.origin import ForecastOrigin, provenance_of

if TYPE_CHECKING:
    from wxfly.flight.return_leg import WorstMoment


def make_briefing(
    question: QuestionKind,
    cube: xr.Dataset,
    requests: Sequence[Request],
    periods: Sequence[tuple[np.datetime64, np.datetime64]],
    *,
    minimum_duration: np.timedelta64,
    now: np.datetime64,
    provenance: ForecastOrigin,
    notes: Sequence[str] = (),
    ensembles: Sequence[xr.Dataset] = (),
    law: ErrorLaw | None = None,
) -> Briefing:
    """Answer a question from a forecast cube.

    Parameters
    ----------
    question : str
        ``best``, ``compare``, ``week`` or ``now``.
    cube : xarray.Dataset
        A forecast, of one model or of several in turn, with the dimension ``site`` in the order of `requests`.
    requests : sequence of Request
        One for each site.
    periods : sequence of tuple
        UTC bounds for each site, as `wxfly.pilot.site.period_of` returns them.
    minimum_duration : numpy.timedelta64
        Shortest useful window.
    now : numpy.datetime64
        Present time, UTC; hours that are over do not count.
    provenance, notes
        See `Briefing`.
    ensembles : sequence of xarray.Dataset, optional
        Members of ensembles, one cube per model, with the same sites; without any, only the one forecast is used.
    law : ErrorLaw, optional
        Error law for the forecasts; by default wxfly's own.
    """
    answers = []
    for position, (request, (start, end)) in enumerate(zip(requests, periods, strict=True)):
        check_height(request.height, request.limits)
        of_site = cube.isel(site=position)
        members = [ensemble.isel(site=position) for ensemble in ensembles]
        run = age_counts_from(provenance)
        answers.append(_answer(of_site, request, max(start, now), end, minimum_duration, run, members, law, now))
    pressure_notes = {pressure_note(answer.conditions) for answer in answers} - {""}
    return Briefing(
        question=question,
        answers=tuple(answers),
        minimum_duration=minimum_duration,
        now=now,
        provenance=provenance,
        notes=(*_notes_on_members(answers), *notes, *pressure_notes),
        ensembles=tuple(provenance_of(ensemble) for ensemble in ensembles),
    )


def _notes_on_members(answers: Sequence[SiteAnswer]) -> list[Note]:
    """Return notes on what is missing in the ensembles, by site where they differ."""
    notes_of_sites = [() if answer.site_chance is None else answer.site_chance.notes for answer in answers]
    if len(set(notes_of_sites)) == 1:
        return list(notes_of_sites[0])
    return [
        Note(f"{answer.request.site.name}: {note}", note.kind)
        for answer, notes in zip(answers, notes_of_sites, strict=True)
        for note in notes
    ]


def age_counts_from(provenance: ForecastOrigin) -> np.datetime64:
    """Return the time from which age and lead time count; NaT when none is known.

    It is the start of the run. Where that is unknown, it is the earliest possible start, from the time of retrieval and
    the length of the forecast. Otherwise it is the first hour of the forecast: services start their hours at the
    run's start or at the start of the day.
    """
    return _since(provenance)[0]


AgeCountsFrom = Literal["run", "oldest_run", "retrieved", "first_hour"]


def _since(provenance: ForecastOrigin) -> tuple[np.datetime64, AgeCountsFrom | None]:
    moments: tuple[tuple[AgeCountsFrom, np.datetime64], ...] = (
        ("run", provenance.run),
        ("oldest_run", provenance.oldest_run),
        ("retrieved", provenance.retrieved),
        ("first_hour", provenance.first_hour),
    )
    for name, moment in moments:
        if not np.isnat(moment):
            return moment, name
    return np.datetime64("NaT", "s"), None


def age_of(provenance: ForecastOrigin, now: np.datetime64) -> tuple[np.timedelta64, AgeCountsFrom | None]:
    """Return the age of a forecast, NaT where unknown, and what it counts from (see `age_counts_from`)."""
    since, counts_from = _since(provenance)
    return now - since, counts_from


def _answer(
    cube: xr.Dataset,
    request: Request,
    start: np.datetime64,
    end: np.datetime64,
    minimum_duration: np.timedelta64,
    run: np.datetime64,
    ensembles: Sequence[xr.Dataset],
    law: ErrorLaw | None,
    now: np.datetime64,
) -> SiteAnswer:
    hours = hours_of(cube, start=start, end=end)
    derive_hours = partial(
        derive_flight,
        height=request.height,
        site=request.site,
        limits=request.limits,
        return_height=request.return_height,
    )
    conditions = derive_hours(hours)
    assessment = assess(conditions, request.limits)
    before = None
    if request.before is not None:
        unread = hours_of(request.before.cube, start=start, end=end)
        before = _before_reading(request.before, request, unread, derive_hours(unread))
        assessment = judge_worse(assessment, before.assessment, before.unread, request.limits)
    assessment, at_return = _with_return_leg(assessment, conditions, hours, request, run)
    wait = request.work.wait_hours
    if wait:
        first = start.astype("datetime64[h]")
        earlier = hours_of(cube, start=first - np.timedelta64(wait, "h"), end=first)
        assessment = add_waiting_hours(assessment, wait, assess(derive_hours(earlier), request.limits))
    heights = find_usable_heights(hours, conditions, request.limits, site=request.site)
    if before is not None:
        heights = lower_of(heights, before.heights)
    site_chance = judge_site_chance(
        conditions,
        assessment,
        run,
        height=request.height,
        site=request.site,
        limits=request.limits,
        central=cube,
        ensembles=ensembles,
        law=law,
        sortie=request.sortie,
        at_return=at_return,
        return_height=request.return_height,
    )
    windows = windows_with_chances(request, conditions, assessment, site_chance, minimum_duration, start, end)
    outlooks = find_outlooks(site_chance, assessment, minimum_duration, start=start, end=end)
    survey = None
    if request.work.survey_hours:
        days = midnights(request.site, start, end)
        survey = lay_survey(assessment, site_chance, request.work.survey_hours, start=start, end=end, midnights=days)
    answer = SiteAnswer(
        request=request,
        conditions=conditions,
        assessment=assessment,
        heights=heights,
        windows=(),
        advice=None,
        start=start,
        end=end,
        site_chance=site_chance,
        outlooks=tuple(outlooks),
        survey=survey,
    )
    answer = with_windows(answer, windows, now)
    return answer if at_return is None else replace(answer, return_leg=_return_leg(answer, at_return, run))


def windows_with_chances(
    request: Request,
    conditions: xr.Dataset,
    assessment: xr.Dataset,
    site_chance: SiteChance,
    minimum_duration: np.timedelta64,
    start: np.datetime64,
    end: np.datetime64,
) -> list[Window]:
    """Return the windows of one site in a period, with their chances, as `Window.rank` orders them."""
    windows = find_windows(
        assessment,
        minimum_duration=minimum_duration,
        start=start,
        end=end,
        preferred=preferred_hours(conditions, request),
        breaks=midnights(request.site, start, end),
        from_start=request.from_now,
        chances=KnownChances(site_chance),
    )
    return with_chances(windows, site_chance, assessment, minimum_duration, from_start=request.from_now)


def _with_return_leg(
    assessment: xr.Dataset, conditions: xr.Dataset, hours: HourValues, request: Request, run: np.datetime64
) -> tuple[xr.Dataset, xr.Dataset | None]:
    """Return the hours judged with the return leg, and the conditions of it; None without a planned flight."""
    if request.sortie is None and not request.energy_missing:
        return assessment, None
    # Only planned flights need the rotor model; other answers start faster without it.
    from wxfly.flight.return_leg import add_return_leg, without_figures

    if request.sortie is None:
        return without_figures(assessment), None
    return add_return_leg(assessment, conditions, hours, request.sortie, request.limits, site=request.site, run=run)


def with_windows(
    answer: SiteAnswer, windows: Iterable[Window], now: np.datetime64, *, stays_first: Window | None = None
) -> SiteAnswer:
    """Return an answer with windows in their order, and with the advice for the first; see `in_order`."""
    days = days_touched(answer.request.site, answer.start, answer.end)
    ordered = tuple(in_order(windows, now, days=days, stays_first=stays_first))
    if not ordered:
        return replace(answer, windows=(), advice=None)
    best, asked = ordered[0], answer.request
    stretch = answer.conditions.isel(time=slice(best.first, best.last + 1))
    advice = advise(stretch, asked.aircraft, best.start, best.end, toward=asked.toward, hill=asked.site.hill)
    return replace(answer, windows=ordered, advice=advice)


def _return_leg(answer: SiteAnswer, at_return: xr.Dataset, run: np.datetime64) -> WorstMoment | None:
    """Find the time of the best window that is most demanding for the sortie."""
    if answer.best is None or answer.request.sortie is None:
        return None
    from wxfly.flight.return_leg import worst_moment

    part = {"time": slice(answer.best.first, answer.best.last + 1)}
    return worst_moment(answer.conditions.isel(part), at_return.isel(part), answer.request.sortie, run)


class _Before(NamedTuple):
    """The hours before a reading was applied, and the elements that it may not improve."""

    assessment: xr.Dataset
    heights: xr.Dataset
    unread: tuple[str, ...]


def _before_reading(
    before: BeforeReading, request: Request, hours: xr.Dataset | HourValues, conditions: xr.Dataset
) -> _Before:
    heights = find_usable_heights(hours, conditions, request.limits, site=request.site)
    unread = tuple(name for name in NAMES if name not in before.may_improve)
    return _Before(assess(conditions, request.limits), heights, unread)
