"""The smallest change of height, length, aircraft or day that would give a window.

For an answer that has a window: the increase of the deciding element that would break it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.answer.request import Change, ChangeKind, Request, SiteAnswer
from wxfly.answer.windows import EVEN_CHANCE, Window, find_surest, find_windows
from wxfly.assessment.conditions import derive_flight, hours_of
from wxfly.assessment.suitability import State, add_waiting_hours, assess, counts_as_required, names_of, not_judged
from wxfly.pilot.aircraft import Aircraft
from wxfly.pilot.elements import BY_NAME, RETURN_LEG
from wxfly.pilot.limit_rules import LimitSense
from wxfly.pilot.limits import Limits, is_above_height_limit
from wxfly.probability.site_chance import SiteChance, judge_site_chance

Flags = npt.NDArray[np.bool_]

STEP = 5.0
"""Step between the heights that are tried [m], as in `wxfly.assessment.usable_height`."""
LOWEST = 10.0
"""Lowest height that is suggested [m]."""
SHORTEST = np.timedelta64(10, "m")
"""Shortest flight that is suggested."""
_NO_RUN = np.datetime64("NaT", "s")


def find_changes(
    answer: SiteAnswer,
    cube: xr.Dataset,
    minimum_duration: np.timedelta64,
    *,
    others: Sequence[tuple[Aircraft, Limits]] = (),
    run: np.datetime64 = _NO_RUN,
) -> tuple[Change, ...]:
    """Find what would change an answer.

    Parameters
    ----------
    answer : SiteAnswer
        The answer for one site.
    cube : xarray.Dataset
        The forecast at the site.
    minimum_duration : numpy.timedelta64
        Shortest useful window.
    others : sequence of (Aircraft, Limits)
        The pilot's other aircraft, with their limits under the same rules.
    run : numpy.datetime64, optional
        Start of the forecast's run, UTC, for the uncertainty of a sortie; NaT when unknown.

    Returns
    -------
    tuple of Change
        At most one of each kind: the smallest that is enough.
    """
    if answer.best is not None:
        return tuple(_what_breaks(answer, answer.best))
    found = (
        _later(answer, minimum_duration),
        _lower(answer, cube, minimum_duration, run),
        _shorter(answer),
        _another_aircraft(answer, cube, minimum_duration, others, run),
        _another_day(answer, cube, minimum_duration, run),
    )
    return tuple(change for change in found if change is not None)


def changes_of_hour(
    answer: SiteAnswer,
    cube: xr.Dataset,
    hour: np.datetime64,
    *,
    others: Sequence[tuple[Aircraft, Limits]] = (),
    run: np.datetime64 = _NO_RUN,
) -> tuple[Change, ...]:
    """Find the lower height and the other aircraft with which one hour would be within all limits.

    Parameters are those of `find_changes`; `hour` is the start of the hour, UTC.
    """
    start, end = max(hour, answer.start), min(hour + np.timedelta64(1, "h"), answer.end)
    of_hour = replace(answer, start=start, end=end, windows=())
    found = _lower(of_hour, cube, SHORTEST, run), _another_aircraft(of_hour, cube, SHORTEST, others, run)
    return tuple(change for change in found if change is not None)


def _what_breaks(answer: SiteAnswer, window: Window) -> Iterable[Change]:
    """Return the increase of the deciding element that would break the window, if its limit is a largest value."""
    element = BY_NAME.get(window.limiting_element)
    if element is None or element is RETURN_LEG or element.sense != LimitSense.AT_MOST:
        return
    part = answer.assessment.isel(time=slice(window.first, window.last + 1)).sel(element=window.limiting_element)
    amount = float((part["limit"] - part["demand"]).min())
    if amount >= 0:
        yield Change(ChangeKind.MORE, element=window.limiting_element, amount=amount)


def _windows(answer: SiteAnswer, assessment: xr.Dataset, duration: np.timedelta64) -> list[Window]:
    return find_windows(
        assessment,
        minimum_duration=duration,
        start=answer.start,
        end=answer.end,
        from_start=answer.request.from_now,
    )


def _later(answer: SiteAnswer, minimum_duration: np.timedelta64) -> Change | None:
    """Return the first window of the period, where only one from now on was requested."""
    if not answer.request.from_now:
        return None
    windows = find_windows(answer.assessment, minimum_duration=minimum_duration, start=answer.start, end=answer.end)
    likely = [w for w in windows if _is_likely(answer.site_chance, answer.assessment, w, minimum_duration)]
    first = min(likely, key=lambda w: w.start, default=None)
    return None if first is None else Change(ChangeKind.LATER, window=first)


def _is_likely(
    site_chance: SiteChance | None, assessment: xr.Dataset, window: Window, minimum_duration: np.timedelta64
) -> bool:
    """Return whether the surest stretch of a window is more likely than not to keep every limit."""
    if site_chance is None:
        return False
    surest = find_surest(
        site_chance, assessment, minimum_duration, window.first, window.last,
        start=window.start, end=window.end,
    )  # fmt: skip
    return surest is not None and surest.chance.value >= EVEN_CHANCE


def _with_reserve(windows: Sequence[Window], limits: Limits) -> list[Window]:
    """Return the windows that leave the reserve: less is no advice."""
    return [window for window in windows if window.margin >= limits.reserve]


def _lower(answer: SiteAnswer, cube: xr.Dataset, minimum_duration: np.timedelta64, run: np.datetime64) -> Change | None:
    """Return the greatest lower height with a window; usable heights suggest it, a full assessment confirms it."""
    if answer.request.has_way_back:
        return None  # a lower return leg makes another sortie
    usable = answer.heights["usable_height"].values
    height = STEP * np.floor((answer.request.height - 1e-6) / STEP)
    while height >= LOWEST:
        state = _with_states(answer.assessment, _others_hold(answer) & (usable >= height))
        windows = _windows(answer, state, minimum_duration)
        if windows:
            request = answer.request
            flight, judged = _assessed(cube, request, float(height), answer.start, answer.end, run)
            found = _with_reserve(_windows(answer, judged, minimum_duration), request.limits)
            if found:
                chance = judge_site_chance(
                    flight, judged, run, height=float(height), site=request.site, limits=request.limits, central=cube
                )
                if _is_likely(chance, judged, found[0], minimum_duration):
                    return Change(ChangeKind.LOWER, window=found[0], height=float(height))
                # A chance takes long to work out: where this one is too small, few lower heights are tried.
                height = STEP * np.floor(height / 2 / STEP)
                continue
        height -= STEP
    return None


def _assessed(
    cube: xr.Dataset, request: Request, height: float, start: np.datetime64, end: np.datetime64, run: np.datetime64
) -> tuple[xr.Dataset, xr.Dataset]:
    """Return conditions and assessment at a height, worked out as the answer's own, with the same sortie."""

    def judge(begin: np.datetime64, until: np.datetime64) -> tuple[xr.Dataset, xr.Dataset]:
        hours = hours_of(cube, start=begin, end=until)
        flight = derive_flight(
            hours, height=height, site=request.site, limits=request.limits, return_height=request.return_height
        )
        judged = assess(flight, request.limits)
        if request.sortie is None:
            return flight, judged
        from wxfly.flight.return_leg import add_return_leg

        judged, _ = add_return_leg(judged, flight, hours, request.sortie, request.limits, site=request.site, run=run)
        return flight, judged

    wait, (flight, judged) = request.work.wait_hours, judge(start, end)
    if not wait:
        return flight, judged
    first = start.astype("datetime64[h]")
    return flight, add_waiting_hours(judged, wait, judge(first - np.timedelta64(wait, "h"), first)[1])


def _others_hold(answer: SiteAnswer) -> Flags:
    """Return in which hours every element that does not change with height is within its limit."""
    assessment = answer.assessment
    skipped = not_judged(assessment)
    margin = assessment["margin"].transpose("element", "time").values
    required = counts_as_required(assessment.transpose("element", "time", ...))
    holds = np.ones(margin.shape[1], dtype=bool)
    for k, name in enumerate(names_of(assessment)):
        if name in skipped or BY_NAME[name].changes_with_height:
            continue
        holds &= np.where(np.isnan(margin[k]), ~required[k], margin[k] >= 0)
    return holds


def _with_states(assessment: xr.Dataset, holds: Flags) -> xr.Dataset:
    """Return an assessment with the hours marked in `holds` within all limits; margins are no longer meaningful."""
    state = np.where(holds, State.NARROW, State.OUTSIDE).astype(np.int8)
    return assessment.assign(
        state=assessment["state"].copy(data=state),
        hour_margin=assessment["hour_margin"].copy(data=np.zeros(holds.size)),
    )


def _shorter(answer: SiteAnswer) -> Change | None:
    """Return the longest stretch within all limits, although it is shorter than requested."""
    windows = _windows(answer, answer.assessment, SHORTEST)
    longest = max(windows, key=lambda w: w.length, default=None)
    return None if longest is None else Change(ChangeKind.SHORTER, window=longest)


def _another_aircraft(
    answer: SiteAnswer,
    cube: xr.Dataset,
    minimum_duration: np.timedelta64,
    others: Sequence[tuple[Aircraft, Limits]],
    run: np.datetime64,
) -> Change | None:
    """Return the aircraft with the smallest gust limit that has a window."""
    if answer.request.has_way_back:
        return None  # the return leg would have to be judged anew for another aircraft
    for aircraft, limits in sorted(others, key=lambda row: row[0].maximum_gust):
        if aircraft.name == answer.request.aircraft.name or is_above_height_limit(answer.request.height, limits):
            continue
        # The hours before the requested period are unknown here, so the first hours may be waiting hours too.
        judged = add_waiting_hours(assess(answer.conditions, limits), answer.request.work.wait_hours)
        windows = _with_reserve(_windows(answer, judged, minimum_duration), limits)
        if not windows:
            continue
        chance = judge_site_chance(
            answer.conditions, judged, run, height=answer.request.height, site=answer.request.site, limits=limits,
            central=cube,
        )  # fmt: skip
        if _is_likely(chance, judged, windows[0], minimum_duration):
            return Change(ChangeKind.AIRCRAFT, window=windows[0], aircraft=aircraft.title)
    return None


def _another_day(
    answer: SiteAnswer, cube: xr.Dataset, minimum_duration: np.timedelta64, run: np.datetime64
) -> Change | None:
    """Return the next window after the requested period, within the forecast and with the same sortie."""
    request: Request = answer.request
    last = cube["time"].values[-1].astype("datetime64[s]")
    if last <= answer.end:
        return None
    flight, later = _assessed(cube, request, request.height, answer.end, last, run)
    windows = _with_reserve(
        find_windows(later, minimum_duration=minimum_duration, start=answer.end, end=last), request.limits
    )
    if not windows:
        return None
    chance = judge_site_chance(
        flight, later, run, height=request.height, site=request.site, limits=request.limits, central=cube,
        return_height=request.return_height,
    )  # fmt: skip
    in_time = sorted(windows, key=lambda window: window.start)
    likely = (window for window in in_time if _is_likely(chance, later, window, minimum_duration))
    first = next(likely, None)
    return None if first is None else Change(ChangeKind.DAY, window=first)
