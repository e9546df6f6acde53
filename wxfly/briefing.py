"""The briefing: the steps in order, from sites and limits to one value that holds the whole answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
import xarray as xr

from wxfly.advice import Advice, advise, is_low_light
from wxfly.aircraft import Aircraft
from wxfly.chance import Outlook
from wxfly.derived import derive, hours_of
from wxfly.elements import NAMES
from wxfly.forecast_error import ErrorLaw
from wxfly.limits import Limits, check_height
from wxfly.site import Site, zone_of
from wxfly.suitability import assess, judge_worse
from wxfly.sureness import Sureness, find_outlooks, find_surest, judge_sureness
from wxfly.usable_height import find_usable_heights, lower_of
from wxfly.windows import Window, find_windows, rank_by_chance

if TYPE_CHECKING:
    from wxfly.return_leg import Sortie

Question = Literal["best", "compare", "week"]


@dataclass(frozen=True)
class BeforeReading:
    """A forecast as it was before a reading was put in.

    Attributes
    ----------
    cube : xarray.Dataset
        Of the one site.
    may_improve : tuple of str
        The elements that the reading may make better; all others are held to the worse of the two forecasts.
    """

    cube: xr.Dataset
    may_improve: tuple[str, ...]


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
    before : BeforeReading or None
        Where the forecast asked is corrected by a reading.
    """

    site: Site
    aircraft: Aircraft
    limits: Limits
    height: float
    prefers_low_light: bool = False
    toward: float | None = None
    sortie: Sortie | None = None
    before: BeforeReading | None = field(default=None, compare=False)


@dataclass(frozen=True)
class Change:
    """One change, and the window it would make or the element it would break.

    Attributes
    ----------
    kind : str
        ``lower``: fly lower; ``shorter``: fly for less time; ``aircraft``: take another; ``day``: another day;
        ``more``: so much more of an element would break the best window.
    window : Window or None
        What would then hold; None for ``more``.
    height : float
        For ``lower`` [m].
    aircraft : str
        Title, for ``aircraft``.
    element : str
        For ``more``.
    amount : float
        For ``more``, in the element's SI unit.
    """

    kind: Literal["lower", "shorter", "aircraft", "day", "more"]
    window: Window | None = None
    height: float = np.nan
    aircraft: str = ""
    element: str = ""
    amount: float = np.nan


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
        Shortest window of use.
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


def period_of(
    site: Site, now: np.datetime64, *, day: date | None = None, first_day: int = 1, days: int = 1
) -> tuple[np.datetime64, np.datetime64]:
    """Give the UTC bounds of whole days on the site's own clock.

    Parameters
    ----------
    site : Site
        Whose clock counts: two sites may have different days.
    now : numpy.datetime64
        UTC.
    day : date, optional
        The first day; by default `first_day` days after today at the site.
    first_day, days : int, optional
        How many days from today the period starts, and how many days it has.
    """
    zone = zone_of(site.time_zone)
    local_now = datetime.fromisoformat(f"{now.astype('datetime64[s]')}+00:00").astimezone(zone)
    first = day or local_now.date() + timedelta(days=first_day)
    start = datetime.combine(first, time(), tzinfo=zone)
    end = datetime.combine(first + timedelta(days=days), time(), tzinfo=zone)
    return _utc(start), _utc(end)


def midnights(site: Site, start: np.datetime64, end: np.datetime64) -> list[np.datetime64]:
    """Give the midnights on the site's own clock between two moments, UTC."""
    zone = zone_of(site.time_zone)
    first, last = (datetime.fromisoformat(f"{m.astype('datetime64[s]')}+00:00").astimezone(zone) for m in (start, end))
    days = (first.date() + timedelta(days=n) for n in range(1, (last.date() - first.date()).days + 1))
    return [_utc(datetime.combine(day, time(), tzinfo=zone)) for day in days]


def _utc(moment: datetime) -> np.datetime64:
    offset = moment.utcoffset() or timedelta()
    return np.datetime64(moment.replace(tzinfo=None) - offset, "s")


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
        UTC bounds for each site, as `period_of` gives them.
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
    conditions = derive(hours, height=request.height, site=request.site, daylight_rule=request.limits.daylight_rule)
    assessment = assess(conditions, request.limits)
    before = None if request.before is None else _before_reading(request.before, request, start, end)
    if before is not None:
        assessment = judge_worse(assessment, before.assessment, before.unread, request.limits)
    if request.sortie is not None:
        # Only flights that are planned need the rotors; the other answers start faster without.
        from wxfly.return_leg import forecast_deviations, judge_return_leg

        height = request.sortie.plan.return_height
        at_return = derive(hours, height=height, site=request.site, daylight_rule=request.limits.daylight_rule)
        deviation = forecast_deviations(conditions["time"].values, run)
        assessment = judge_return_leg(
            assessment, conditions, at_return, request.sortie, request.limits, forecast_deviation=deviation
        )
    heights = find_usable_heights(hours, conditions, request.limits, site=request.site)
    if before is not None:
        heights = lower_of(heights, before.heights)
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
    return SiteAnswer(
        request, conditions, assessment, heights, tuple(windows), advice, start, end, sureness, tuple(outlooks)
    )


class _Before(NamedTuple):
    """How the hours stood before a reading, and in which elements it may not better them."""

    assessment: xr.Dataset
    heights: xr.Dataset
    unread: tuple[str, ...]


def _before_reading(before: BeforeReading, request: Request, start: np.datetime64, end: np.datetime64) -> _Before:
    hours = hours_of(before.cube, start=start, end=end)
    conditions = derive(hours, height=request.height, site=request.site, daylight_rule=request.limits.daylight_rule)
    heights = find_usable_heights(hours, conditions, request.limits, site=request.site)
    unread = tuple(name for name in NAMES if name not in before.may_improve)
    return _Before(assess(conditions, request.limits), heights, unread)
