"""Work that can stop at any hour and go on later, such as a survey flown by batteries, laid into hours that hold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.chance import Chance, window_chance
from wxfly.planning import interrupted_work
from wxfly.suitability import State
from wxfly.sureness import Sureness

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
    """

    hours: int
    found: int
    spells: tuple[Spell, ...]
    chance: Chance | None

    @property
    def is_done(self) -> bool:
        """Whether the hours that hold suffice."""
        return self.found >= self.hours


def lay_survey(
    assessment: xr.Dataset, sureness: Sureness | None, hours: int, *, start: np.datetime64, end: np.datetime64
) -> Survey:
    """Lay work into the hours of one place that hold, the earliest first.

    Parameters
    ----------
    assessment : xarray.Dataset
        Of one place, as `wxfly.suitability.assess` gives it.
    sureness : Sureness or None
        Of the same hours.
    hours : int
        Of work.
    start, end : numpy.datetime64
        UTC bounds.

    Returns
    -------
    Survey
        An hour that is not known, or dark in part, is never an hour of work.
    """
    usable = _usable(assessment, start, end)
    found = min(int(usable.sum()), hours)
    laid = interrupted_work(usable, found) or []
    time = assessment["time"].values.astype("datetime64[s]")
    spells = tuple(Spell(time[s.first], time[s.first] + s.hours * HOUR, s.is_work) for s in laid)
    chance = None
    if laid and sureness is not None:
        first, last = laid[0].first, laid[-1].first + laid[-1].hours - 1
        is_wait = np.ones(usable.size, dtype=bool)
        for stretch in laid:
            if stretch.is_work:
                is_wait[stretch.first : stretch.first + stretch.hours] = False
        # In a wait nothing can break; the error stays linked across it.
        room = sureness.room.copy(data=np.where(is_wait[None, :, None], np.inf, sureness.room.values))
        chance = window_chance(room, first, last, law=sureness.law)
    return Survey(hours, found, spells, chance)


def _usable(assessment: xr.Dataset, start: np.datetime64, end: np.datetime64) -> npt.NDArray[np.bool_]:
    """Tell which hours hold and can be used from end to end."""
    time = assessment["time"].values.astype("datetime64[s]")
    lit_start, lit_end = (assessment[f"usable_{n}"].values.astype("datetime64[s]") for n in ("start", "end"))
    whole = (lit_start <= time) & (lit_end >= time + HOUR) & (time >= start) & (time + HOUR <= end)
    return np.asarray((assessment["state"].values >= State.NARROW) & whole)
