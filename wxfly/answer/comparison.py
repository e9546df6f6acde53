"""Comparison: which site is better, hour by hour, and what decides against the others.

Hours are compared at the same times in UTC. A site outside its limits never wins, however close it comes. Among the
other sites the larger margin wins. As with windows, a site with an unknown advised element ranks behind every site
without one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.suitability import State, counts_as_required, names_of, not_judged

# Decimal places to which margins are compared, as for windows.
_PLACES = 6


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
