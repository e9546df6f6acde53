"""Work that can stop at any hour and go on later, such as a survey flown by batteries, laid into hours that hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.suitability import State
from wxfly.pilot.intent import interrupted_work
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
    """How work of so many hours can be done.

    Attributes
    ----------
    hours : int
        Of work asked for.
    found : int
        Hours that hold, lit from end to end, up to those asked for.
    spells : tuple of Spell
        Work and waits in turn; of what is found where that is not enough.
    chance : Chance or None
        That every limit holds in every hour of work; None where there is none.
    surer : Survey or None
        The same work within one later day, where that is surer by more than a step; None where it is not.
    """

    hours: int
    found: int
    spells: tuple[Spell, ...]
    chance: Chance | None
    surer: Survey | None = None

    @property
    def is_done(self) -> bool:
        """Whether the hours that hold suffice."""
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
    """Lay work into the hours of one place that hold, the earliest first, and look for a surer day.

    Parameters
    ----------
    assessment : xarray.Dataset
        Of one place, as `wxfly.assessment.suitability.assess` returns it.
    sureness : SiteChance or None
        Of the same hours.
    hours : int
        Of work.
    start, end : numpy.datetime64
        UTC bounds.
    midnights : sequence of numpy.datetime64, optional
        Of the place's clock between them.

    Returns
    -------
    Survey
        An hour that is not known, or dark in part, is never an hour of work.
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
        # In a wait nothing can break; the error stays linked across it.
        room = site_chance.room.where(xr.DataArray(~is_wait, dims="time"), np.inf)
        chance = window_chance(room, first, last, law=site_chance.law)
    return Survey(hours, found, spells, chance)


def _usable(assessment: xr.Dataset, start: np.datetime64, end: np.datetime64) -> npt.NDArray[np.bool_]:
    """Tell which hours hold and can be used from end to end."""
    time = assessment["time"].values.astype("datetime64[s]")
    lit_start, lit_end = (assessment[f"usable_{n}"].values.astype("datetime64[s]") for n in ("start", "end"))
    whole = (lit_start <= time) & (lit_end >= time + HOUR) & (time >= start) & (time + HOUR <= end)
    return np.asarray((assessment["state"].values >= State.NARROW) & whole)
