"""What to report about an answer: gaps, what decides, how close a day came, what a window is like, the better site.

These are plain functions on a `wxfly.answer.request.SiteAnswer`, or on a briefing of several; reports turn their
results into facts and words.

Sites are compared at the same hours in UTC. A site outside its limits never wins, however close it comes. Among the
other sites the larger margin wins. As with windows, a site with an unknown advised element ranks behind every site
without one.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.answer.windows import Window, find_windows
from wxfly.assessment.hours import HOUR
from wxfly.assessment.suitability import State, counts_as_required, names_of, not_judged, uncut_hour_margins
from wxfly.physics.air.icing import freezing_precipitation_chance
from wxfly.physics.probability import least_chance
from wxfly.physics.sun import CIVIL_TWILIGHT, HORIZON, sun_position
from wxfly.pilot.elements import BY_NAME, GRAVEST, ROW
from wxfly.pilot.site import Site, SiteClock, distance_km
from wxfly.pilot.work import derate
from wxfly.probability.chance import Cause, Chance, ChanceOfBetter, Outlook, chance_of_better

_MINUTE = np.timedelta64(1, "m")
_SHORTEST = np.timedelta64(60, "s")
_OF_WIND = ("wind", "gust", "wind_difference")
_PLACES = 6
"""Decimal places to which margins of sites are compared, as for windows."""


@dataclass(frozen=True)
class Gap:
    """A judged element that is unknown in some lit hours.

    Attributes
    ----------
    element : str
        Its name.
    required : bool
        Whether the hours are *not known* because of it.
    hours : tuple of int
        Positions of the hours.
    everywhere : bool
        Whether it is unknown in every lit hour.
    """

    element: str
    required: bool
    hours: tuple[int, ...]
    everywhere: bool


def gaps(answer: SiteAnswer) -> list[Gap]:
    """Find the judged elements that are unknown in some lit hour, the required ones first."""
    lit = answer.lit_hours
    unknown = np.isnan(answer.assessment["margin"].transpose("element", "time").values) & lit
    skipped = not_judged(answer.assessment)
    required = counts_as_required(answer.assessment.transpose("element", "time", ...))
    found = [
        Gap(name, is_required, tuple(np.flatnonzero(part).tolist()), bool((part == lit).all()))
        for name, row, counts in zip(names_of(answer.assessment), unknown, required, strict=True)
        for is_required, part in ((True, row & counts), (False, row & ~counts))
        if part.any() and name not in skipped
    ]
    return sorted(found, key=lambda gap: not gap.required)


def is_wet(answer: SiteAnswer, stretch: Window | Outlook) -> bool:
    """Return whether precipitation is forecast in every hour of a stretch."""
    rate = answer.conditions["precipitation_rate"].isel(time=slice(stretch.first, stretch.last + 1)).max("edge")
    return bool((rate > 0).all())


def lost_probability(answer: SiteAnswer) -> tuple[int, ...]:
    """Return the positions of the lit hours whose probability of precipitation is missing."""
    lost = answer.conditions["precipitation_probability_is_lost"].max("edge").values > 0
    return tuple(np.flatnonzero(lost & answer.lit_hours).tolist())


def runs(positions: Iterable[int]) -> list[tuple[int, int]]:
    """Join consecutive positions into pairs of first and last."""
    joined: list[tuple[int, int]] = []
    for i in positions:
        if joined and joined[-1][1] == i - 1:
            joined[-1] = (joined[-1][0], i)
        else:
            joined.append((i, i))
    return joined


def deciding_hour(answer: SiteAnswer, window: Window) -> int:
    """Return the position of the hour with the smallest margin in a window."""
    margins = answer.assessment["hour_margin"].values[window.first : window.last + 1]
    return window.first + int(np.argmin(margins))


@dataclass(frozen=True)
class Count:
    """The lit hours of a stretch of time, by state.

    Attributes
    ----------
    lit, holding, not_known : int
        Numbers of hours.
    deciding : str
        The element that decides in most of the lit hours outside a limit; empty when there are none.
    deciding_hours : int
        The number of those hours.
    nearest : int or None
        Position of the lit hour with the largest margin, within limits or not; None when none is known.
    """

    lit: int
    holding: int
    not_known: int
    deciding: str
    deciding_hours: int
    nearest: int | None


def count_hours(answer: SiteAnswer, among: npt.NDArray[np.bool_] | None = None) -> Count:
    """Count the lit hours of an answer, or those that `among` marks."""
    lit = answer.lit_hours
    if among is not None:
        lit = lit & among
    state = answer.assessment["state"].values
    margins = answer.assessment["hour_margin"].values
    outside = lit & (state == State.OUTSIDE)
    elements = Counter(str(name) for name in answer.assessment["limiting_element"].values[outside])
    deciding, times = elements.most_common(1)[0] if elements else ("", 0)
    known = lit & ~np.isnan(margins)
    # Not cut at -1: among hours far outside their limits, the one that exceeds them least comes first.
    at = np.flatnonzero(known)
    is_far = bool(at.size) and margins[at].max() <= -1.0
    nearest = int(at[(uncut_hour_margins(answer.assessment) if is_far else margins)[at].argmax()]) if at.size else None
    return Count(
        int(lit.sum()),
        int((lit & (state >= State.NARROW)).sum()),
        int((lit & (state == State.NOT_KNOWN)).sum()),
        deciding,
        times,
        nearest,
    )


def longest_stretch(
    answer: SiteAnswer, start: np.datetime64, end: np.datetime64
) -> tuple[np.datetime64, np.datetime64] | None:
    """Return the longest unbroken stretch within all limits, however short; None when there is none."""
    windows = find_windows(answer.assessment, minimum_duration=_SHORTEST, start=start, end=end)
    if not windows:
        return None
    longest = max(windows, key=lambda w: w.within_end - w.within_start)
    return longest.within_start, longest.within_end


def chance_for_costs(answer: SiteAnswer, window: Window | None = None) -> Chance | None:
    """Return the chance used for both decisions: that of the most probable stretch; None without a window."""
    chosen = window or answer.best
    if chosen is None:
        return None
    return chosen.chance if chosen.surest is None else chosen.surest.chance


LIKELY_SHARE, SURE_ENOUGH = 0.3, 0.7
"""Chance above which an element that may exceed its limit is reported first, and chance of a window below which the
largest cause is reported; common practice, no source."""


def likely_cause(answer: SiteAnswer, window: Window) -> Cause | None:
    """Return the most likely cause of an exceeded limit in a window; None where all its limits are safe enough.

    It covers the most probable stretch and the least probable hour only: over many hours some limit is exceeded in any
    weather. Among causes with the same share in whole per cent, the deciding element comes first, then the gravest.
    """
    if answer.site_chance is None:
        return None
    hours = answer.site_chance.hours.values[window.first : window.last + 1]
    least = window.first + int(np.argmin(np.where(np.isnan(hours), np.inf, hours)))
    chances = [answer.site_chance.of(least, least), *([window.surest.chance] if window.surest else [])]
    doubtful = [
        cause
        for chance in chances
        if chance.causes and (chance.causes[0].share > LIKELY_SHARE or chance.value < SURE_ENOUGH)
        for cause in chance.causes
    ]
    decides = str(answer.assessment["limiting_element"].values[deciding_hour(answer, window)])
    first = {name: -place for place, name in enumerate(dict.fromkeys([decides, *GRAVEST]))}
    return max(doubtful, key=lambda cause: (round(cause.share, 2), first.get(cause.element, -len(first))), default=None)


@dataclass(frozen=True)
class Standing:
    """One site in one hour.

    Attributes
    ----------
    state : State
        State of the hour.
    holds : bool
        Whether a lit part of the hour is within all limits.
    margin : float
        Margin of the hour; NaN where unknown.
    deciding : str
        The element that decides against the site: the limiting one, or in an unknown hour the first required element
        that is missing; empty where nothing is known to decide.
    unknown : tuple of str
        Judged elements that are unknown.
    """

    state: State
    holds: bool
    margin: float
    deciding: str
    unknown: tuple[str, ...]


@dataclass(frozen=True)
class ComparedHour:
    """One hour at all sites.

    Attributes
    ----------
    time : numpy.datetime64
        Start of the hour, UTC.
    better : tuple of int
        Positions of the best sites: usually one, several when they are equal, none when none is within all limits.
    lead : float
        The best margin minus the next one within limits; NaN when there is no other. Negative where another site has
        a larger margin but an unknown element.
    standings : tuple of Standing
        In the order of the sites.
    is_lit : bool
        Whether one of the sites has light in it, within the requested period.
    """

    time: np.datetime64
    better: tuple[int, ...]
    lead: float
    standings: tuple[Standing, ...]
    is_lit: bool = True


def compared(briefing: Briefing) -> tuple[ComparedHour, ...]:
    """Compare the hours that all sites share within the requested period: which site is better, and why."""
    start, end = max(a.start for a in briefing.answers), min(a.end for a in briefing.answers)
    hours = compare_hours([answer.assessment for answer in briefing.answers])
    inside = [h for h in hours if h.time.astype("datetime64[s]") + HOUR > start and h.time < end]
    lit = {
        t for a in briefing.answers for t in a.assessment["time"].values[a.lit_hours].astype("datetime64[s]").tolist()
    }
    return tuple(replace(h, is_lit=h.time.astype("datetime64[s]").item() in lit) for h in inside)


def compare_hours(assessments: Sequence[xr.Dataset]) -> list[ComparedHour]:
    """Compare sites over the hours that all of them have.

    Parameters
    ----------
    assessments : sequence of xarray.Dataset
        One for each place, from `wxfly.assessment.suitability.assess` (dimensions time and element only).

    Returns
    -------
    list of ComparedHour
        In order of time, without hours that a site does not have.
    """
    if not assessments:
        return []
    times = assessments[0]["time"].values
    for other in assessments[1:]:
        times = np.intersect1d(times, other["time"].values)
    columns = [_standings(assessment, times) for assessment in assessments]
    return [_compare(time, tuple(row)) for time, row in zip(times, zip(*columns, strict=True), strict=True)]


def _standings(assessment: xr.Dataset, times: npt.NDArray[np.datetime64]) -> list[Standing]:
    positions = np.searchsorted(assessment["time"].values, times)
    margins = assessment["margin"].transpose("element", "time").values
    unknown = np.isnan(margins)
    skipped = not_judged(assessment)
    names = names_of(assessment)
    required = counts_as_required(assessment.transpose("element", "time", ...))
    state = assessment["state"].values
    hour_margin = assessment["hour_margin"].values
    limiting = assessment["limiting_element"].values
    lit = assessment["usable_end"].values > assessment["usable_start"].values  # NaT compares as false
    found = []
    for i in positions:
        missing = tuple(
            n for n, is_unknown in zip(names, unknown[:, i], strict=True) if is_unknown and n not in skipped
        )
        here = State(int(state[i]))
        lost = next((n for n, counts in zip(names, required[:, i], strict=True) if counts and n in missing), "")
        deciding = lost if here is State.NOT_KNOWN and lost else str(limiting[i])
        holds = here >= State.NARROW and bool(lit[i])
        found.append(Standing(here, holds, float(hour_margin[i]), deciding, missing))
    return found


def _compare(time: np.datetime64, standings: tuple[Standing, ...]) -> ComparedHour:
    keys = {
        i: (bool(standing.unknown), -round(standing.margin, _PLACES))
        for i, standing in enumerate(standings)
        if standing.holds
    }
    if not keys:
        return ComparedHour(time, (), float("nan"), standings)
    best = min(keys.values())
    better = tuple(i for i, key in keys.items() if key == best)
    others = [-key[1] for i, key in keys.items() if i not in better]
    lead = -best[1] - max(others) if others and len(better) == 1 else float("nan")
    return ComparedHour(time, better, lead, standings)


def better_of_two(briefing: Briefing, first: int, last: int) -> ChanceOfBetter | None:
    """Return the chances that the first site is better, that the second is, that neither is good or both are equal.

    Only for two sites, over hours in the same positions, and from the same members.
    """
    if len(briefing.answers) != 2:
        return None
    one, other = briefing.answers
    if one.site_chance is None or other.site_chance is None:
        return None
    rooms = one.site_chance.standard_margin, other.site_chance.standard_margin
    if rooms[0].sizes["realization"] != rooms[1].sizes["realization"]:
        return None
    if not np.array_equal(rooms[0]["time"].values, rooms[1]["time"].values):
        return None
    here, there = one.request.site, other.request.site
    return chance_of_better(
        rooms[0],
        one.site_chance.margin,
        rooms[1],
        other.site_chance.margin,
        first,
        last,
        distance=distance_km(here.latitude, here.longitude, there.latitude, there.longitude),
        law=one.site_chance.law,
    )


def mean_direction(speed: Sequence[float], degrees: Sequence[float]) -> float:
    """Average wind directions as vectors; NaN where any is missing or they cancel out."""
    angle = np.radians(np.asarray(degrees, dtype=float))
    weight = np.asarray(speed, dtype=float)
    east, north = float(np.sum(weight * np.sin(angle))), float(np.sum(weight * np.cos(angle)))
    if not math.hypot(east, north) > 1e-9:
        return math.nan
    return math.degrees(math.atan2(east, north)) % 360


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """The weather of a window at flight height, SI; NaN where a part of it is unknown.

    Attributes
    ----------
    wind_low, wind_high, wind_uncertainty, wind_from_direction, gust : float
        [m s-1], direction in degrees; `wind_uncertainty` is one standard deviation of the height conversion.
    temperature_low, temperature_high : float
        [K]
    precipitation_probability : float
        Largest [1]; NaN also where it is missing in some hour.
    density_altitude : float
        Largest [m].
    """

    wind_low: float
    wind_high: float
    wind_uncertainty: float
    wind_from_direction: float
    gust: float
    temperature_low: float
    temperature_high: float
    precipitation_probability: float
    density_altitude: float


def conditions_of(answer: SiteAnswer, window: Window) -> Conditions:
    """Return the weather of a window, over both edges of its hours."""
    part = slice(window.first, window.last + 1)

    def values(name: str) -> npt.NDArray[np.float64]:
        return np.asarray(answer.conditions[name].variable[{"time": part}].values, dtype=float).ravel()

    wind, temperature = values("wind_speed"), values("air_temperature")
    return Conditions(
        wind_low=float(wind.min()),
        wind_high=float(wind.max()),
        wind_uncertainty=float(values("wind_standard_deviation").max()),
        wind_from_direction=mean_direction(wind.tolist(), values("wind_from_direction").tolist()),
        gust=float(values("wind_speed_of_gust").max()),
        temperature_low=float(temperature.min()),
        temperature_high=float(temperature.max()),
        precipitation_probability=np.nan
        if values("precipitation_probability_is_lost").any()
        else float(values("precipitation_probability").max()),
        density_altitude=float(values("density_altitude").max()),
    )


@dataclass(frozen=True)
class UsableHeight:
    """The height up to which a whole window may be used.

    Attributes
    ----------
    height : float
        The lowest of its hours [m]; NaN where one of them is unknown.
    ends_by : str
        The element that sets it, ``height_limit`` at the height limit; empty where the height is unknown.
    cloud_base_is_known : bool
        Whether it is known in every hour; otherwise cloud may set a lower height.
    """

    height: float
    ends_by: str
    cloud_base_is_known: bool


def usable_height_of(answer: SiteAnswer, window: Window) -> UsableHeight:
    """Return the height up to which a whole window may be used, and what sets it."""
    part = answer.heights.isel(time=slice(window.first, window.last + 1))
    usable = part["usable_height"].values
    base_is_known = bool(part["cloud_base_is_known"].values.all())
    if np.isnan(usable).any():
        return UsableHeight(np.nan, "", base_is_known)
    lowest = int(np.argmin(usable))
    return UsableHeight(float(usable[lowest]), str(part["usable_height_ends_by"].values[lowest]), base_is_known)


@dataclass(frozen=True)
class Day:
    """One day of the site's clock.

    Attributes
    ----------
    date : datetime.date
        The local day.
    start, end : numpy.datetime64
        UTC, cut to the requested period.
    hours : numpy.ndarray of bool
        The hours of the answer that belong to it.
    windows : tuple of (int, Window)
        The windows that start in it, each with its rank among all windows (1 is best), in order of rank.
    """

    date: date
    start: np.datetime64
    end: np.datetime64
    hours: npt.NDArray[np.bool_]
    windows: tuple[tuple[int, Window], ...]


def days_of(answer: SiteAnswer, clock: SiteClock) -> list[Day]:
    """Split an answer into the days of a clock."""
    times = answer.assessment["time"].values.astype("datetime64[s]")
    inside = (times + HOUR > answer.start) & (times < answer.end)
    dates = np.array([clock.date(t) for t in np.maximum(times, answer.start)], dtype=object)
    days = []
    for day in sorted(set(dates[inside])):
        hours = inside & (dates == day)
        first, last = times[hours][0], times[hours][-1] + HOUR
        ranked = tuple(
            (rank, window) for rank, window in enumerate(answer.windows, start=1) if clock.date(window.start) == day
        )
        days.append(Day(day, max(first, answer.start), min(last, answer.end), hours, ranked))
    return days


def sun_elevations(site: Site, day: Day) -> tuple[float, float]:
    """Return the highest and lowest elevation of the sun at the full hours of a day [degree]."""
    hours = day.start.astype("datetime64[s]") + np.arange(24) * HOUR
    elevation, _ = sun_position(site.latitude, site.longitude, hours)
    return float(elevation.max()), float(elevation.min())


def is_outlook_only(answer: SiteAnswer, window: Window) -> bool:
    """Return whether one forecast alone shows a window, so far ahead that nobody plans with it."""
    chance = answer.site_chance
    return chance is not None and chance.is_weak and derate(float(chance.lead_hours[window.last])) is None


def weakest_hour(answer: SiteAnswer, window: Window) -> int:
    """Return the position of the hour with the smallest margin of the stretch around a window."""
    times = answer.assessment["time"].values
    inside = (times + HOUR > window.within_start) & (times < window.within_end)
    margins = answer.assessment["hour_margin"].values
    return int(np.flatnonzero(inside)[np.argmin(margins[inside])])


LIGHT = "light"
"""What ends a stretch at the end of the light, in place of an element."""


def ended_by(answer: SiteAnswer, window: Window) -> tuple[str | None, bool]:
    """Return what ends the stretch around a window, and whether it is only unknown; None where the period ends there.

    It is the element that decides in the hour after the stretch, or `LIGHT`.
    """
    times = answer.assessment["time"].values.astype("datetime64[s]")
    after = np.flatnonzero(times + HOUR > window.within_end)
    if not after.size or window.within_end >= answer.end:
        return None, False
    hour = int(after[0])
    lit_end = answer.assessment["usable_end"].values[hour].astype("datetime64[s]")
    if not answer.lit_hours[hour] or (times[hour] < window.within_end and lit_end <= window.within_end):
        return LIGHT, False
    element = str(answer.assessment["limiting_element"].values[hour])
    broken = element and float(answer.assessment["margin"].values[ROW[element], hour]) < 0
    missing = [gap.element for gap in gaps(answer) if gap.required and hour in gap.hours]
    return (missing[0], True) if missing and not broken else (element or None, False)


def freezing_chance(answer: SiteAnswer, window: Window) -> float:
    """Return the largest chance of freezing precipitation in a window [1]; 0 where it is not known."""
    part = answer.conditions.isel(time=slice(window.first, window.last + 1))
    names = ("coldest_air_temperature", "air_temperature_near_ground", "weather_code", "precipitation_probability")
    chance = freezing_precipitation_chance(*(part[name].values for name in names))
    return float(np.nanmax(np.append(chance, 0.0)))


def least_risk_shown(answer: SiteAnswer, chance: Chance) -> float:
    """Return the smallest risk that a chance, by its members or by one forecast, can show [1]."""
    law = None if answer.site_chance is None else answer.site_chance.law
    if chance.is_weak and law is not None:
        return law.least_of_single
    return float(least_chance(chance.members))


def at_flight_height(answer: SiteAnswer, element: str) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return demand and limit of an element by hour [SI] at flight height, whichever phase of the flight decides."""
    phase = "flight_" if "flight_demand" in answer.assessment else ""
    demand, limit = (
        answer.assessment[f"{phase}{name}"].transpose("element", "time").values[ROW[element]]
        for name in ("demand", "limit")
    )
    return demand, limit


def margins_by_height(answer: SiteAnswer) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.object_]]:
    """Return what each height leaves in each hour, and the element that decides, both by height and hour.

    Wind, gust, wind difference and the distance to cloud are those of the height; every other element, and a wait after
    a gust, are those of the hour. What makes an hour not known makes it so at every height.
    """
    assessment = answer.assessment.transpose("element", "time", ...)
    profile = answer.heights.transpose("height", "time")
    heights = profile["height"].values
    names, rows = ["wind"], [1.0 - profile["share_of_limit"].values]
    counts, skipped = counts_as_required(assessment), not_judged(assessment)
    shape = rows[0].shape
    for k, name in enumerate(names_of(assessment)):
        if name in _OF_WIND or name in skipped:
            continue
        margin = assessment["margin"].values[k]
        if name == "cloud_base":
            demand, limit = at_flight_height(answer, name)
            margin = BY_NAME[name].margin(demand, limit - answer.request.height + heights[:, None])
        names.append(name)
        rows.append(np.broadcast_to(np.where(np.isnan(margin) & ~counts[k], np.inf, margin), shape))
    if "waiting_after" in assessment:
        cause = assessment["waiting_after"].values.astype(str)
        for name in sorted(set(cause) - {""}):
            names.append(name)
            rows.append(np.broadcast_to(np.where(cause == name, assessment["hour_margin"].values, np.inf), shape))
    stacked = np.stack(rows)
    decides = np.where(np.isnan(stacked), -np.inf, stacked).argmin(axis=0)
    return stacked.min(axis=0), np.array(names, dtype=object)[decides]


LightKind = Literal["night", "twilight", "day"]


def light_spans(answer: SiteAnswer) -> list[tuple[np.datetime64, np.datetime64, LightKind]]:
    """Return start, end and kind of the spans of night, twilight and day over the hours of an answer, to the minute."""
    times = answer.assessment["time"].values.astype("datetime64[m]")
    minutes = np.arange(times[0], times[-1] + 61 * _MINUTE, _MINUTE)
    site = answer.request.site
    elevation, _ = sun_position(site.latitude, site.longitude, minutes)
    kind = np.where(elevation >= HORIZON, 2, np.where(elevation >= CIVIL_TWILIGHT, 1, 0))
    edges = [0, *(np.flatnonzero(np.diff(kind)) + 1).tolist(), kind.size - 1]
    words: tuple[LightKind, ...] = ("night", "twilight", "day")
    return [(minutes[a], minutes[b], words[kind[a]]) for a, b in pairwise(edges) if b > a]
