"""Suitability: each hour measured against the limits, its state, and which element decides.

Every element has a *demand* (what the hour asks), a *limit*, and a *margin*: the share of the limit left, 1 when
nothing of it is used, 0 at the limit, negative beyond. The margin of the hour is the smallest of its elements, and that
element is the *limiting element*. Nothing is averaged: good visibility never pays for wind.

Hours after one over the wind or the gust limit may be held back. Wind that has just been too strong comes back.
Parachutists wait half an hour without a gust over the limit (`wxfly.pilot.work.wait_after_break`); on hourly values
that is an hour at the least.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from enum import IntEnum
from functools import reduce
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.conditions import of_phase
from wxfly.physics.arrays import floating
from wxfly.physics.wind.error import error_factor
from wxfly.pilot.elements import BY_NAME, ELEMENTS, GRAVEST, NAMES, Element
from wxfly.pilot.limit_rules import LimitSense
from wxfly.pilot.limits import HEIGHT_OF_LAUNCH, Limits
from wxfly.pilot.work import wait_after_break

Array = npt.NDArray[np.float64]


class State(IntEnum):
    """The states of an hour, from worst to best; its number in data is its place here.

    A state has its word in reports and the least margin that it takes, by the reserve that the pilot wants left.
    """

    NOT_KNOWN = "not known", lambda reserve: np.nan
    OUTSIDE = "outside", lambda reserve: -np.inf
    NARROW = "narrow", lambda reserve: 0.0
    INSIDE = "inside", lambda reserve: reserve

    words: str
    least_margin: Callable[[float], float]

    if not TYPE_CHECKING:  # a checker would take it for the way to find a state by its number

        def __new__(cls, words: str, least_margin: Callable[[float], float]) -> State:
            """Number the rows in their order."""
            state = int.__new__(cls, len(cls.__members__))
            state._value_, state.words, state.least_margin = len(cls.__members__), words, least_margin
            return state


BEST_FIRST = tuple(reversed(State))
STATE_WORDS = tuple(state.words for state in BEST_FIRST)


def state_of(margin: npt.ArrayLike, reserve: float) -> npt.NDArray[np.int8]:
    """Return the state by the margin alone; not known where that is NaN."""
    margin = np.asarray(margin, dtype=float)
    found = np.full(margin.shape, State.NOT_KNOWN, dtype=np.int8)
    for state in reversed(BEST_FIRST):
        found[margin >= state.least_margin(reserve)] = state
    return found


REQUIRED, JUDGED = "required", "judged"
"""Coordinates along ``element``: whether an hour without it is not known, and whether it has a limit.
Coordinates, because arithmetic and joining drop attributes."""


def assess(conditions: xr.Dataset, limits: Limits) -> xr.Dataset:
    """Measure every hour against the limits.

    Parameters
    ----------
    conditions : xarray.Dataset
        The hours at flight height, as `wxfly.assessment.conditions.derive` returns them; any horizontal dimensions.
    limits : Limits
        What the hours are held against.

    Returns
    -------
    xarray.Dataset
        ``demand``, ``limit``, ``margin`` (element, time, ...), SI and 1; ``hour_margin`` (NaN where not known);
        ``required`` and ``judged`` (element): whether an hour without it is not known, and whether it has a limit;
        ``limiting_element`` (name, empty where nothing is known); ``state`` (`State`); ``advised_unknown`` (how
        many advised elements are not known and leave the state to the others); ``lost`` (element, time, ...: the hour
        has lost an input that the source carries, so that the element counts as required in it); ``usable_start`` and
        ``usable_end`` (the lit part of the hour, NaT
        when dark). Where elements are held in other phases of the flight too (`wxfly.assessment.conditions`), the
        tightest phase is told; ``phase_height`` (element, time, ...) [m] says at which height it is, and
        ``flight_demand`` and ``flight_limit`` are those at flight height.
    """
    return _named(assess_in_numbers(conditions, limits))


def assess_in_numbers(conditions: xr.Dataset, limits: Limits) -> xr.Dataset:
    """Measure every hour as `assess` does, for grids, whose hours are too many for a name each.

    Returns
    -------
    xarray.Dataset
        As of `assess`, with ``limiting_element`` as the position of the element in `NAMES`, -1 where nothing is known.
    """
    template = conditions.variables["usable_start"]
    precision = floating(conditions.variables[ELEMENTS[0].condition].values).dtype  # single in a grid
    demand, limit, margin = (np.empty((len(ELEMENTS), *template.shape), dtype=precision) for _ in range(3))
    lost = _lost(conditions, demand.shape)
    for k, element in enumerate(ELEMENTS):
        demand[k], limit[k], margin[k] = _measure(element.name, conditions, limits, template)
        if lost[k].any():
            demand[k][lost[k]] = margin[k][lost[k]] = np.nan
    for k, element in enumerate(ELEMENTS):
        if element.stand_in and element.stand_in in conditions:
            value = _of_edges(conditions, element.stand_in, template).max(axis=0)
            left = element.margin(value, limit[k])
            counts = np.isnan(margin[k]) & (left < 0)
            demand[k], margin[k] = np.where(counts, value, demand[k]), np.where(counts, left, margin[k])
    has_phases = limits.maximum_gust_at_launch is not None or "height_at_return" in conditions.coords
    at_height = {"flight_demand": demand.copy(), "flight_limit": limit.copy()} if has_phases else {}
    heights = _tightest_phase(demand, limit, margin, conditions, limits, template)
    assessment = _judge(demand, limit, margin, limits, conditions)
    if heights is None:
        return assessment
    rows = at_height | {"phase_height": heights}
    return assessment.assign({name: (("element", *template.dims), values) for name, values in rows.items()})


def _tightest_phase(
    demand: Array, limit: Array, margin: Array, conditions: xr.Dataset, limits: Limits, template: xr.Variable
) -> Array | None:
    """Put the tightest phase of each hour into the rows; return the heights of these phases, None without phases.

    At launch the gust has a limit of its own. On the way back everything that changes with height is held against the
    limit that it has in flight.
    """
    heights = np.full(demand.shape, float(conditions["height"]))
    phases: list[tuple[xr.Dataset, Limits, Sequence[Element]]] = []
    if limits.maximum_gust_at_launch is not None:
        gust = (BY_NAME["gust"],)
        at_hand = replace(limits, maximum_gust=limits.maximum_gust_at_launch)
        phases.append((_in_phase(conditions, "launch", HEIGHT_OF_LAUNCH, gust), at_hand, gust))
    if "height_at_return" in conditions.coords:
        aloft = [element for element in ELEMENTS if element.changes_with_height]
        home = float(conditions["height_at_return"])
        phases.append((_in_phase(conditions, "return", home, aloft), limits, aloft))
    for there, own_limits, elements in phases:
        for k in (NAMES.index(element.name) for element in elements):
            measured = _measure(NAMES[k], there, own_limits, template)
            tighter = (measured[-1] < margin[k]) | (np.isnan(measured[-1]) & ~np.isnan(margin[k]))
            for row, found in zip((demand, limit, margin), measured, strict=True):
                row[k] = np.where(tighter, found, row[k])
            heights[k] = np.where(tighter, float(there["height"]), heights[k])
    return heights if phases else None


def _in_phase(conditions: xr.Dataset, phase: str, height: float, elements: Sequence[Element]) -> xr.Dataset:
    """Return the conditions of a phase in place of those at flight height; NaN for what was not worked out."""
    missing = {e.condition: conditions.variables[e.condition] * np.nan for e in elements}
    return conditions.assign(missing | of_phase(conditions, phase)).assign_coords(height=height)


def _lost(conditions: xr.Dataset, shape: tuple[int, ...]) -> npt.NDArray[np.bool_]:
    """Tell where an element has lost an input, with the axes of the rows."""
    for name in ("input_is_lost", "lost"):
        if name in conditions.variables:
            dims = ("element", *conditions.variables["usable_start"].dims)
            # Arithmetic makes numbers of flags; a missing one is a loss.
            return conditions.variables[name].transpose(*dims).values[: len(NAMES)].astype(bool)
    return np.zeros(shape, dtype=bool)


def _with_uncertainty(
    name: str, conditions: xr.Dataset, variable: str, suffix: str, limits: Limits, template: xr.Variable
) -> Array:
    """Return wind or gust at the edges of the hour, with what a chosen confidence adds to it."""
    values = _of_edges(conditions, variable, template)
    if name in ("wind", "gust") and limits.confidence > 0.5:
        uncertainty = _of_edges(conditions, f"{name}_standard_deviation{suffix}", template)
        values = values + error_factor(limits.confidence) * uncertainty
    return values


def judge_worse(one: xr.Dataset, other: xr.Dataset, elements: Sequence[str], limits: Limits) -> xr.Dataset:
    """Judge hours anew by the worse of two assessments in some elements, and by the first in all others.

    Parameters
    ----------
    one, other : xarray.Dataset
        Of the same hours, as `assess` gives them.
    elements : sequence of str
        In which the worse counts; where either does not know it, it is not known.
    limits : Limits
        What both are held against.
    """
    chosen = _along(np.array([name in elements for name in NAMES]), one["margin"].values)
    margin, others = one["margin"].values, other["margin"].values
    takes_other = chosen & ~np.isnan(margin) & ~(others >= margin)
    demand, limit, margin = (
        np.where(takes_other, other[name].values, one[name].values) for name in ("demand", "limit", "margin")
    )
    lost = one["lost"].copy(data=one["lost"].values | other["lost"].values)
    result = _named(_judge(demand, limit, margin, limits, one.assign(lost=lost)))
    if "phase_height" not in one:
        return result
    dims = result["demand"].dims
    heights = np.where(takes_other, other["phase_height"].values, one["phase_height"].values)
    kept = {name: one[name] for name in ("flight_demand", "flight_limit")}
    return result.assign(kept | {"phase_height": (dims, heights)})


_BY_GRAVITY = (*GRAVEST, *(name for name in NAMES if name not in GRAVEST))
"""On equal margins the first of these decides."""
_BEHIND = 2.0
"""Larger than any margin."""
_NAMES_AND_NONE = np.array([*NAMES, ""], dtype=object)
POSITIONS = {"flag_values": np.arange(len(NAMES), dtype=np.int8), "flag_meanings": " ".join(NAMES)}
"""Attributes of the position of an element, as CF has them for flags."""
_ROWS_BY_GRAVITY = [NAMES.index(name) for name in _BY_GRAVITY]


def _judge(demand: Array, limit: Array, margin: Array, limits: Limits, conditions: xr.Dataset) -> xr.Dataset:
    unknown = np.isnan(margin)
    can_lose = np.array([_is_judged(name, limits) and name not in limits.accepted for name in NAMES])
    lost = _lost(conditions, margin.shape) & unknown
    lost[~can_lose] = False
    hours = margin.shape[1:]
    required_unknown, possible = np.zeros(hours, dtype=bool), np.zeros(hours, dtype=bool)
    advised_unknown = np.zeros(hours, dtype=np.int8)
    smallest, limiting = np.full(hours, np.inf, dtype=margin.dtype), np.full(hours, -1, dtype=np.int8)
    decides = smallest.copy()
    # Of equal margins the first decides.
    for k in _ROWS_BY_GRAVITY:
        name, row = NAMES[k], margin[k]
        graded = ELEMENTS[k].sense == LimitSense.GRADE
        if graded:  # "possible" is narrow whatever the reserve
            possible |= demand[k] == 1
        if not _is_judged(name, limits):
            continue
        if name in limits.required:
            required_unknown |= unknown[k]
        elif unknown[k].any():
            required_unknown |= lost[k]
            advised_unknown += unknown[k] & ~lost[k]
        np.fmin(smallest, row, out=smallest)
        if graded:  # what is graded "none" does not decide beside anything else
            row = np.where((demand[k] == 0) & np.isfinite(row), _BEHIND, row)
        comes_first = row < decides
        np.fmin(decides, row, out=decides)
        np.copyto(limiting, np.int8(k), where=comes_first)
    nothing = np.isinf(smallest)
    state = state_of(smallest, limits.reserve)
    state = np.where(possible & (state == State.INSIDE), np.int8(State.NARROW), state)
    not_known = required_unknown | nothing
    dims = conditions.variables["usable_start"].dims
    flags = {
        "flag_values": np.array([int(s) for s in State], dtype=np.int8),
        "flag_meanings": " ".join(s.name.lower() for s in State),
    }
    return xr.Dataset(
        {
            "demand": (("element", *dims), demand),
            "limit": (("element", *dims), limit),
            "margin": (("element", *dims), margin),
            "hour_margin": (dims, np.where(not_known, np.nan, smallest)),
            "limiting_element": (dims, limiting, POSITIONS),
            "state": (dims, np.where(not_known, State.NOT_KNOWN, state).astype(np.int8), flags),
            "advised_unknown": (dims, advised_unknown),
            "lost": (("element", *dims), lost),
            "usable_start": conditions.variables["usable_start"],
            "usable_end": conditions.variables["usable_end"],
        },
        coords={
            **conditions.coords.variables,
            "element": list(NAMES),
            REQUIRED: ("element", [name in limits.required for name in NAMES]),
            JUDGED: ("element", [_is_judged(name, limits) for name in NAMES]),
        },
    )


def _named(assessment: xr.Dataset) -> xr.Dataset:
    """Return an assessment with the name of each limiting element, empty where nothing is known."""
    position = assessment.variables["limiting_element"]
    # As it is: xarray would first have pandas look at every name.
    named = xr.Variable(position.dims, _NAMES_AND_NONE[position.values], fastpath=True)
    return assessment.assign(limiting_element=named)


def _along(flags: npt.NDArray[np.bool_], like: Array) -> npt.NDArray[np.bool_]:
    return flags.reshape(-1, *([1] * (like.ndim - 1)))


def _is_judged(name: str, limits: Limits) -> bool:
    """An element without a limit is not judged; the answer says so."""
    row = BY_NAME[name].limit
    return not row.pilot or bool(row.condition) or getattr(limits, row.pilot) is not None


def names_of(assessment: xr.Dataset) -> tuple[str, ...]:
    """Name the elements of an assessment, in the order of its rows."""
    return tuple(assessment.variables["element"].values.tolist())


def required_names(assessment: xr.Dataset) -> tuple[str, ...]:
    """Name the elements that are required."""
    return _names_where(assessment, assessment[REQUIRED].values)


def not_judged(assessment: xr.Dataset) -> tuple[str, ...]:
    """Name the elements that have no limit."""
    return _names_where(assessment, ~assessment[JUDGED].values)


def _names_where(assessment: xr.Dataset, flags: npt.NDArray[np.bool_]) -> tuple[str, ...]:
    return tuple(name for name, is_so in zip(names_of(assessment), flags.tolist(), strict=True) if is_so)


def counts_as_required(assessment: xr.Dataset) -> npt.NDArray[np.bool_]:
    """Tell where an element that is not known makes the hour not known: required, or lost; with the axes of margins."""
    margin = assessment["margin"]
    wide = np.broadcast_to(_along(assessment[REQUIRED].values, margin.values), margin.shape)
    return wide | assessment["lost"].transpose(*margin.dims).values if "lost" in assessment else wide


def unknown_elements(assessment: xr.Dataset, *, required: bool = False) -> tuple[str, ...]:
    """Name the judged elements that are not known in some hour.

    Parameters
    ----------
    assessment : xarray.Dataset
        As `assess` gives it.
    required : bool, optional
        Name the required elements instead of the advised ones.
    """
    unknown = np.isnan(assessment["margin"].values)
    any_hour = unknown.reshape(unknown.shape[0], -1).any(axis=1)
    chosen = (assessment[REQUIRED].values == required) & assessment[JUDGED].values
    return _names_where(assessment, any_hour & chosen)


def _measure(
    name: str, conditions: xr.Dataset, limits: Limits, template: xr.Variable
) -> tuple[npt.ArrayLike, npt.ArrayLike, Array]:
    """Return demand, limit and margin of one element for every hour, with the axes of the template."""
    values = _with_uncertainty(name, conditions, BY_NAME[name].condition, "", limits, template)
    if BY_NAME[name].sense == LimitSense.WITHIN:
        # The aircraft starts and lands in the air near the ground: an inversion or a hot field counts.
        near_ground = _of_edges(conditions, "air_temperature_near_ground", template)
        return _measure_within(BY_NAME[name], (*values, *near_ground), limits)
    rule = BY_NAME[name].rule
    # Of the two edges of the hour the worse one counts; a missing edge is a missing hour.
    demand = values.min(axis=0) if rule.is_least else values.max(axis=0)
    limit = _limit(BY_NAME[name], conditions, limits, template)
    margin = rule.margin(demand, limit)
    if BY_NAME[name].chance and rule.of_chance is not None:
        chance = _of_edges(conditions, BY_NAME[name].chance, template).max(axis=0)
        margin = np.where(np.isnan(demand), np.nan, rule.of_chance(chance))
    return demand, limit, margin


def _of_edges(conditions: xr.Dataset, name: str, template: xr.Variable) -> Array:
    """Return a condition with the edges of the hour on the first axis, then the axes of the template."""
    variable = conditions.variables[name]
    wanted = ("edge", *template.dims)
    if "edge" not in variable.dims:
        return floating(variable.transpose(*template.dims).values)[None]
    return floating(variable.transpose(*wanted).values)


def _limit(element: Element, conditions: xr.Dataset, limits: Limits, template: xr.Variable) -> npt.ArrayLike:
    """Return what an element is compared with, as its row says; NaN where there is no limit."""
    row = element.limit
    given: float | None = getattr(limits, row.pilot) if row.pilot else None
    if given is not None:
        return float(given) + (float(conditions["height"]) if row.adds_flight_height else 0.0)
    if row.condition:
        return np.asarray(_of_edges(conditions, row.condition, template).min(axis=0))
    return row.fixed


def _measure_within(element: Element, values: Sequence[Array], limits: Limits) -> tuple[Array, Array, Array]:
    """Temperature: of both heights and edges of the hour, the one with the least room to an end of the band counts."""
    lowest, highest = limits.minimum_temperature, limits.maximum_temperature
    coldest, warmest = reduce(np.minimum, values), reduce(np.maximum, values)  # NaN in any of them stays NaN
    demand = np.where(coldest - lowest <= highest - warmest, coldest, warmest)
    limit = np.where(demand < (lowest + highest) / 2, lowest, highest)
    return demand, limit, element.margin(demand, (lowest, highest))


def uncut_hour_margins(assessment: xr.Dataset) -> Array:
    """Return the margin of every hour of one place, below -1 too, so that hours far over a limit can be ranked.

    Parameters
    ----------
    assessment : xarray.Dataset
        As `assess` returns it, dimensions time and element only.
    """
    margin = assessment["hour_margin"].values
    least = np.full(margin.shape, -1.0)
    for name in names_of(assessment):
        row, beyond = assessment.sel(element=name), BY_NAME[name].rule.beyond
        if beyond is not None and bool(row[JUDGED]):
            far = row["margin"].values <= -1.0
            told = beyond(np.where(far, row["demand"].values, np.nan), row["limit"].values)
            least = np.fmin(least, told)
    return np.where(margin <= -1.0, least, margin)


BREAKING_ELEMENTS = ("wind", "gust")
"""Whose break holds back the hours after it."""


def add_waiting_hours(assessment: xr.Dataset, hours: int, earlier: xr.Dataset | None = None) -> xr.Dataset:
    """Hold back the hours of one place that follow a break.

    Parameters
    ----------
    assessment : xarray.Dataset
        As `wxfly.assessment.suitability.assess` gives it, dimensions time and element only.
    hours : int
        How many to hold back after each hour over the wind or the gust limit; 0 changes nothing.
    earlier : xarray.Dataset, optional
        The hours just before, at least as many; without them those hours are not known.

    Returns
    -------
    xarray.Dataset
        With ``waiting_after`` (element whose limit was broken before, empty where none was). Such an hour is *outside*,
        with the margin of the break; *not known* where it is not known whether there was one. A hold never makes an
        hour better.
    """
    if hours < 1:
        return assessment
    margins = np.concatenate([_before(earlier, hours), _margins(assessment)], axis=1)
    required = assessment[REQUIRED].sel(element=list(BREAKING_ELEMENTS)).values[:, None]
    broken = margins < 0
    unknown = np.isnan(margins) & required
    holds = ~(broken | unknown).any(axis=0)
    held = (~wait_after_break(holds, hours) & holds)[hours:]
    state = assessment["state"].values.copy()
    margin = assessment["hour_margin"].values.copy()
    limiting = assessment["limiting_element"].values.copy()
    cause = np.full(state.shape, "", dtype=object)
    for i in np.flatnonzero(held):
        before = slice(i, i + hours)  # of the longer row: the hours before hour i
        told = np.where(broken[:, before], margins[:, before], np.inf)
        if np.isfinite(told).any():
            which = int(np.unravel_index(int(told.argmin()), told.shape)[0])
            cause[i] = BREAKING_ELEMENTS[which]
            if state[i] != State.NOT_KNOWN:
                if told.min() < margin[i]:
                    margin[i], limiting[i] = told.min(), BREAKING_ELEMENTS[which]
                state[i] = State.OUTSIDE
        else:
            cause[i] = BREAKING_ELEMENTS[int(unknown[:, before].any(axis=1).argmax())]
            if not margin[i] < 0:  # an hour that is outside by itself stays outside
                state[i], margin[i] = State.NOT_KNOWN, np.nan
    like = assessment["limiting_element"]
    return assessment.assign(
        waiting_after=like.copy(data=cause),
        hour_margin=assessment["hour_margin"].copy(data=margin),
        limiting_element=like.copy(data=limiting),
        state=assessment["state"].copy(data=state),
    )


def _margins(assessment: xr.Dataset) -> Array:
    table = assessment["margin"].sel(element=list(BREAKING_ELEMENTS)).transpose("element", "time")
    return np.asarray(table.values, dtype=float)


def _before(earlier: xr.Dataset | None, hours: int) -> Array:
    """Return the margins of the hours just before; those that are not there are not known."""
    known = np.full((len(BREAKING_ELEMENTS), hours), np.nan)
    if earlier is not None:
        table = _margins(earlier)[:, -hours:]
        known[:, hours - table.shape[1] :] = table
    return known
