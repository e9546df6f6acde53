"""The most probable stretch of the needed length, in each day's light and within a window."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.answer.windows import Window, usable_parts
from wxfly.pilot.work import hours_touched
from wxfly.probability.chance import Outlook
from wxfly.probability.site_chance import SiteChance

_TRIED = 3


class KnownChances:
    """Chances of stretches of one site, each worked out once.

    Parameters
    ----------
    site_chance : SiteChance
        Chances of the site.
    """

    def __init__(self, site_chance: SiteChance) -> None:
        self._chance = site_chance
        self._hours = np.nan_to_num(site_chance.hours.values, nan=-1.0)
        self._found: dict[tuple[int, int], float] = {}

    def of(self, first: int, last: int) -> float:
        """Return the chance that every limit holds all along; -1 where it is unknown."""
        if (first, last) not in self._found:
            value = self._chance.of(first, last, with_causes=False).value
            self._found[first, last] = -1.0 if np.isnan(value) else value
        return self._found[first, last]

    def at_most(self, first: int, last: int) -> float:
        """Return the chance of the worst hour; -1 where one is unknown."""
        return float(self._hours[first : last + 1].min())


def find_outlooks(
    site_chance: SiteChance,
    assessment: xr.Dataset,
    minimum_duration: np.timedelta64,
    *,
    start: np.datetime64 | None = None,
    end: np.datetime64 | None = None,
) -> list[Outlook]:
    """Find the most probable stretch of each unbroken period of light, in order of time.

    Parameters
    ----------
    site_chance : SiteChance
        Chances of the site.
    assessment : xarray.Dataset
        Assessment of the one forecast, for its light.
    minimum_duration : numpy.timedelta64
        Length of the stretch; it starts with the hour or with the light.
    start, end : numpy.datetime64, optional
        Bounds, UTC.
    """
    lit_start, lit_end = usable_parts(assessment, start, end)
    lit = lit_end > lit_start  # NaT compares as false
    found = [
        _surest(site_chance, assessment["time"].values, lit_start, lit_end, light, minimum_duration)
        for light in _unbroken(lit, lit_start, lit_end)
    ]
    return [outlook for outlook in found if outlook is not None]


def with_chances(
    windows: Sequence[Window],
    site_chance: SiteChance,
    assessment: xr.Dataset,
    minimum_duration: np.timedelta64,
    *,
    from_start: bool = False,
) -> list[Window]:
    """Return windows with their chance, and that of their surest stretch.

    Parameters
    ----------
    windows : sequence of Window
        Windows of the assessment.
    site_chance, assessment, minimum_duration
        As in `find_outlooks`.
    from_start : bool, optional
        Whether only the stretch that begins with the window counts.
    """
    found = []
    for w in windows:
        end = w.start + minimum_duration if from_start else w.end
        surest = find_surest(site_chance, assessment, minimum_duration, w.first, w.last, start=w.start, end=end)
        found.append(replace(w, chance=site_chance.of(w.first, w.last), surest=surest))
    return found


def find_surest(
    site_chance: SiteChance,
    assessment: xr.Dataset,
    minimum_duration: np.timedelta64,
    first: int,
    last: int,
    *,
    start: np.datetime64,
    end: np.datetime64,
) -> Outlook | None:
    """Find the most probable stretch of the needed length within a window.

    Parameters
    ----------
    site_chance, assessment, minimum_duration
        As in `find_outlooks`.
    first, last : int
        Positions of the window's hours.
    start, end : numpy.datetime64
        Bounds of the window, UTC.
    """
    lit_start, lit_end = usable_parts(assessment, start, end)
    light = list(range(first, last + 1))
    return _surest(site_chance, assessment["time"].values, lit_start, lit_end, light, minimum_duration)


def _surest(
    site_chance: SiteChance,
    time: npt.NDArray[np.datetime64],
    lit_start: npt.NDArray[np.datetime64],
    lit_end: npt.NDArray[np.datetime64],
    light: list[int],
    minimum_duration: np.timedelta64,
) -> Outlook | None:
    chances, hour = site_chance.hours.values, time.astype("datetime64[s]")
    found = []
    for first in light:
        begin = lit_start[first]
        finish = begin + minimum_duration
        minutes = (begin - hour[first]) / np.timedelta64(1, "m"), minimum_duration / np.timedelta64(1, "m")
        last = first + hours_touched(float(minutes[0]), float(minutes[1])) - 1
        if last <= light[-1] and finish <= lit_end[last]:
            lowest = float(np.min(chances[first : last + 1]))
            found.append((-1.0 if np.isnan(lowest) else lowest, -first, begin, finish, last))
    if not found:
        return None
    # A stretch is at most as probable as its worst hour, so only the best few by that bound are computed in full.
    tried = sorted(found, reverse=True)[:_TRIED]
    in_full = [site_chance.of(-minus, last, with_causes=False).value for _, minus, _, _, last in tried]
    best = int(np.argmax([-1.0 if np.isnan(chance) else chance for chance in in_full]))
    _, minus, begin, finish, last = tried[best]
    return Outlook(begin, finish, -minus, last, site_chance.of(-minus, last))


def _unbroken(
    lit: npt.NDArray[np.bool_], start: npt.NDArray[np.datetime64], end: npt.NDArray[np.datetime64]
) -> list[list[int]]:
    runs: list[list[int]] = []
    for position in np.flatnonzero(lit):
        if runs and runs[-1][-1] == position - 1 and end[position - 1] == start[position]:
            runs[-1].append(int(position))
        else:
            runs.append([int(position)])
    return runs
