"""The briefing: the steps in order, from sites and limits to one value that holds the whole answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Literal

import numpy as np
import xarray as xr

from wxfly.advice import Advice, advise, is_low_light
from wxfly.aircraft import Aircraft
from wxfly.chance import Outlook
from wxfly.derived import hours_of
from wxfly.forecast_error import ErrorLaw
from wxfly.hold import hold_back
from wxfly.intent import Intent
from wxfly.limits import Limits, check_height
from wxfly.outlooks import find_outlooks, find_surest
from wxfly.periods import midnights
from wxfly.phases import derive_flight
from wxfly.revisions import Change, Choice
from wxfly.site import Site
from wxfly.suitability import assess
from wxfly.sureness import Sureness, judge_sureness
from wxfly.survey import Survey, lay_survey
from wxfly.usable_height import find_usable_heights
from wxfly.windows import Window, find_windows, rank_by_chance

if TYPE_CHECKING:
    from wxfly.return_leg import Sortie
    from wxfly.worst_moment import WorstMoment

Question = Literal["best", "compare", "week"]


@dataclass(frozen=True)
class Request:
    """What one site is asked for: where, with what, how high.

    Attributes
    ----------
    site, aircraft, limits
        Where, with what, held against what.
    height : float
        Flight height above ground [m].
    prefers_low_light : bool
        Whether windows in golden or blue hour come first.
    toward : float or None
        Direction in which the pilot looks at the aircraft, for glare [degree].
    sortie : Sortie or None
        What is to be flown; its way home is then held against every hour.
    energy_missing : tuple of str
        Figures of the aircraft that are missing where a sortie was asked for: the way home is then not judged.
    intent : Intent
        For how long, with how much in hand, and how.
    """

    site: Site
    aircraft: Aircraft
    limits: Limits
    height: float
    prefers_low_light: bool = False
    toward: float | None = None
    sortie: Sortie | None = None
    energy_missing: tuple[str, ...] = ()
    intent: Intent = field(default_factory=Intent)


@dataclass(frozen=True)
class SiteAnswer:
    """The answer for one site.

    Attributes
    ----------
    request : Request
        What was asked.
    conditions, assessment : xarray.Dataset
        The hours of the period at flight height, and their margins; dimensions time (and edge, element).
    heights : xarray.Dataset
        Usable height of the same hours (`wxfly.usable_height`).
    windows : tuple of Window
        Ranked, the best first.
    advice : Advice or None
        For the best window, or None when there is none.
    start, end : numpy.datetime64
        The period asked about, UTC: whole days of the site's own clock, and never before now.
    sureness : Sureness or None
        The chance of every hour, and where it is from.
    outlooks : tuple of Outlook
        The surest stretch of each day's light, in order of time, whether the one forecast holds there or not.
    earlier : tuple of (str, float)
        What earlier runs told of the surest stretch of the best window: run and chance, oldest first.
    changes : tuple of Change
        What would change the answer (`wxfly.changes`).
    way_home : WorstMoment or None
        The moment of the best window that asks the most of the sortie; None without a sortie.
    survey : Survey or None
        How work that can stop is laid into the hours; None where none is asked for.
    choice : Choice or None
        What became of the window chosen in the run before; None where there was none.
    """

    request: Request
    conditions: xr.Dataset
    assessment: xr.Dataset
    heights: xr.Dataset
    windows: tuple[Window, ...]
    advice: Advice | None
    start: np.datetime64
    end: np.datetime64
    sureness: Sureness | None = None
    outlooks: tuple[Outlook, ...] = ()
    earlier: tuple[tuple[str, float], ...] = ()
    changes: tuple[Change, ...] = ()
    way_home: WorstMoment | None = None
    survey: Survey | None = None
    choice: Choice | None = None

    @property
    def best(self) -> Window | None:
        """The best window, or None when no hour holds long enough."""
        return self.windows[0] if self.windows else None


@dataclass(frozen=True)
class Briefing:
    """Everything an output needs; reports read it and nothing else.

    Attributes
    ----------
    question : str
        ``best``, ``compare`` or ``week``.
    answers : tuple of SiteAnswer
        One for each site, in the order asked.
    minimum_duration : numpy.timedelta64
        Shortest window of use: what is planned and what is kept in hand.
    now : numpy.datetime64
        The moment the answer is given for, UTC.
    provenance : mapping
        Attributes of the cube (source, model, licence, attribution, history), ``run`` and ``retrieved`` as
        numpy.datetime64 (NaT when not known), and ``is_demo``.
    notes : tuple of str
        What the reader must know first: old forecast, Kp past its horizon, a demo.
    """

    question: Question
    answers: tuple[SiteAnswer, ...]
    minimum_duration: np.timedelta64
    now: np.datetime64
    provenance: Mapping[str, object]
    notes: tuple[str, ...] = field(default=())


def make_briefing(
    question: Question,
    cube: xr.Dataset,
    requests: Sequence[Request],
    periods: Sequence[tuple[np.datetime64, np.datetime64]],
    *,
    minimum_duration: np.timedelta64,
    now: np.datetime64,
    provenance: Mapping[str, object],
    notes: Sequence[str] = (),
    ensembles: Sequence[xr.Dataset] = (),
    law: ErrorLaw | None = None,
) -> Briefing:
    """Answer a question from a forecast cube.

    Parameters
    ----------
    question : str
        ``best``, ``compare`` or ``week``.
    cube : xarray.Dataset
        One run of one model, with the dimension ``site`` in the order of `requests`.
    requests : sequence of Request
        One for each site.
    periods : sequence of tuple
        UTC bounds for each site, as `wxfly.periods.period_of` gives them.
    minimum_duration : numpy.timedelta64
        Shortest window of use.
    now : numpy.datetime64
        UTC; hours that are over do not count.
    provenance, notes
        See `Briefing`.
    ensembles : sequence of xarray.Dataset, optional
        Members of ensembles, each cube of one model, with the same sites; without any the one forecast stands for
        itself.
    law : ErrorLaw, optional
        With which forecasts are dressed; by default wxfly's own.
    """
    answers = []
    for position, (request, (start, end)) in enumerate(zip(requests, periods, strict=True)):
        check_height(request.height, request.limits)
        of_site = cube.isel(site=position)
        members = [ensemble.isel(site=position) for ensemble in ensembles]
        run = run_of(provenance)
        answers.append(_answer(of_site, request, max(start, now), end, minimum_duration, run, members, law))
    return Briefing(question, tuple(answers), minimum_duration, now, provenance, tuple(notes))


def run_of(provenance: Mapping[str, object]) -> np.datetime64:
    """Give when the run started, or was retrieved where that is not known; NaT when neither is."""
    moments = (provenance.get(key) for key in ("run", "retrieved"))
    known = [m for m in moments if isinstance(m, np.datetime64) and not np.isnat(m)]
    return known[0] if known else np.datetime64("NaT", "s")


def _answer(
    cube: xr.Dataset,
    request: Request,
    start: np.datetime64,
    end: np.datetime64,
    minimum_duration: np.timedelta64,
    run: np.datetime64,
    ensembles: Sequence[xr.Dataset],
    law: ErrorLaw | None,
) -> SiteAnswer:
    hours = hours_of(cube, start=start, end=end)
    return_height = None if request.sortie is None else request.sortie.plan.return_height
    derive_hours = partial(
        derive_flight, height=request.height, site=request.site, limits=request.limits, return_height=return_height
    )
    conditions = derive_hours(hours)
    assessment = assess(conditions, request.limits)
    at_return = None
    if request.sortie is not None or request.energy_missing:
        # Only flights that are planned need the rotors; the other answers start faster without.
        from wxfly.return_leg import add_return_leg, without_figures

        if request.sortie is None:
            assessment = without_figures(assessment)
        else:
            assessment, at_return = add_return_leg(
                assessment, conditions, hours, request.sortie, request.limits, site=request.site, run=run
            )
    hold = request.intent.hold_hours
    if hold:
        first = start.astype("datetime64[h]")
        earlier = hours_of(cube, start=first - np.timedelta64(hold, "h"), end=first)
        assessment = hold_back(assessment, hold, assess(derive_hours(earlier), request.limits))
    heights = find_usable_heights(hours, conditions, request.limits, site=request.site)
    windows = find_windows(
        assessment,
        minimum_duration=minimum_duration,
        start=start,
        end=end,
        preferred=is_low_light(conditions) if request.prefers_low_light else None,
        breaks=midnights(request.site, start, end),
    )
    sureness = judge_sureness(
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
        return_height=return_height,
    )
    windows = [
        replace(
            w,
            chance=sureness.of(w.first, w.last),
            surest=find_surest(sureness, assessment, minimum_duration, w.first, w.last, start=w.start, end=w.end),
        )
        for w in windows
    ]
    if not sureness.is_weak:
        windows = rank_by_chance(windows)
    outlooks = find_outlooks(sureness, assessment, minimum_duration, start=start, end=end)
    advice = None
    if windows:
        best = windows[0]
        stretch = conditions.isel(time=slice(best.first, best.last + 1))
        advice = advise(stretch, request.aircraft, best.start, best.end, toward=request.toward, hill=request.site.hill)
    survey = None
    if request.intent.survey_hours:
        days = midnights(request.site, start, end)
        survey = lay_survey(assessment, sureness, request.intent.survey_hours, start=start, end=end, midnights=days)
    answer = SiteAnswer(
        request,
        conditions,
        assessment,
        heights,
        tuple(windows),
        advice,
        start,
        end,
        sureness,
        tuple(outlooks),
        survey=survey,
    )
    return answer if at_return is None else replace(answer, way_home=_way_home(answer, at_return, run))


def _way_home(answer: SiteAnswer, at_return: xr.Dataset, run: np.datetime64) -> WorstMoment | None:
    """Find the moment of the best window that asks the most of the sortie."""
    if answer.best is None or answer.request.sortie is None:
        return None
    from wxfly.worst_moment import worst_moment

    part = {"time": slice(answer.best.first, answer.best.last + 1)}
    return worst_moment(answer.conditions.isel(part), at_return.isel(part), answer.request.sortie, run)
