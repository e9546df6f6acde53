"""A schedule for work that can be interrupted, such as a survey on several batteries."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.suitability import State
from wxfly.pilot.work import interrupted_work
from wxfly.probability.chance import KEEP_STEP, Chance, window_chance
from wxfly.probability.site_chance import SiteChance

HOUR = np.timedelta64(1, "h")


@dataclass(frozen=True)
class Spell:
    """A stretch of work or of waiting.

    Attributes
    ----------
    start, end : numpy.datetime64
        UTC, full hours.
    is_work : bool
        Whether it is work.
    """

    start: np.datetime64
    end: np.datetime64
    is_work: bool


@dataclass(frozen=True)
class Survey:
    """A schedule for a number of hours of work.

    Attributes
    ----------
    hours : int
        Requested hours of work.
    found : int
        Hours within all limits and lit from end to end, at most those requested.
    spells : tuple of Spell
        Work and waits in turn; as many as were found.
    chance : Chance or None
        Chance that every limit is met in every hour of work; None where it is not available.
    surer : Survey or None
        The same work within one later day, where its chance is better by more than a step; else None.
    """

    hours: int
    found: int
    spells: tuple[Spell, ...]
    chance: Chance | None
    surer: Survey | None = None

    @property
    def is_done(self) -> bool:
        """Whether enough hours were found."""
        return self.found >= self.hours


def lay_survey(
    assessment: xr.Dataset,
    site_chance: SiteChance | None,
    hours: int,
    *,
    start: np.datetime64,
    end: np.datetime64,
    midnights: Sequence[np.datetime64] = (),
) -> Survey:
    """Schedule work in the earliest hours of one place that are within all limits, and look for a better day.

    Parameters
    ----------
    assessment : xarray.Dataset
        Assessment of one place, from `wxfly.assessment.suitability.assess`.
    site_chance : SiteChance or None
        Chances of the same hours.
    hours : int
        Hours of work.
    start, end : numpy.datetime64
        UTC bounds.
    midnights : sequence of numpy.datetime64, optional
        Midnights of the place's clock between the bounds.

    Returns
    -------
    Survey
        An hour that is unknown or partly dark is never an hour of work.
    """
    first = _lay(assessment, site_chance, hours, start, end)
    if not first.is_done or first.chance is None:
        return first
    surest = first
    for a, b in pairwise([start, *midnights, end]) if midnights else ():
        on_day = _lay(assessment, site_chance, hours, a, b)
        if on_day.is_done and _value(on_day) > _value(surest):
            surest = on_day
    return replace(first, surer=surest) if _value(surest) - _value(first) > KEEP_STEP else first


def _value(survey: Survey) -> float:
    return -1.0 if survey.chance is None or np.isnan(survey.chance.value) else survey.chance.value


def _lay(
    assessment: xr.Dataset, site_chance: SiteChance | None, hours: int, start: np.datetime64, end: np.datetime64
) -> Survey:
    usable = _usable(assessment, start, end)
    found = min(int(usable.sum()), hours)
    laid = interrupted_work(usable, found) or []
    time = assessment["time"].values.astype("datetime64[s]")
    spells = tuple(Spell(time[s.first], time[s.first] + s.hours * HOUR, s.is_work) for s in laid)
    chance = None
    if laid and site_chance is not None:
        first, last = laid[0].first, laid[-1].first + laid[-1].hours - 1
        is_wait = np.ones(usable.size, dtype=bool)
        for stretch in laid:
            if stretch.is_work:
                is_wait[stretch.first : stretch.first + stretch.hours] = False
        # Nothing can break in a wait, but the forecast error stays correlated across it.
        room = site_chance.standard_margin.where(xr.DataArray(~is_wait, dims="time"), np.inf)
        chance = window_chance(room, first, last, law=site_chance.law)
    return Survey(hours, found, spells, chance)


def _usable(assessment: xr.Dataset, start: np.datetime64, end: np.datetime64) -> npt.NDArray[np.bool_]:
    """Return which hours are within all limits and lit from end to end."""
    time = assessment["time"].values.astype("datetime64[s]")
    lit_start, lit_end = (assessment[f"usable_{n}"].values.astype("datetime64[s]") for n in ("start", "end"))
    whole = (lit_start <= time) & (lit_end >= time + HOUR) & (time >= start) & (time + HOUR <= end)
    return np.asarray((assessment["state"].values >= State.NARROW) & whole)
