"""What an ensemble lacks: members that did not come, that stop before the others, or that have lost an element."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.forecast_error import MEMBER
from wxfly.assessment.hours import HOUR
from wxfly.assessment.suitability import not_judged, required_names
from wxfly.cube.contract import hours_of_members, lost_members
from wxfly.cube.notes import Note, NoteKind
from wxfly.pilot.elements import BY_NAME, NAMES
from wxfly.pilot.site import SiteClock

NOT_NAMED = "not known"
"""The model of members whose reply names none."""

Flags = npt.NDArray[np.bool_]
Times = npt.NDArray[np.datetime64]


def tell_gaps(cube: xr.Dataset, assessment: xr.Dataset, asked: Times, clock: SiteClock) -> list[Note]:
    """Return which members are missing, in whole or in part, and from when to when.

    What all members lack is no gap between them: the hours show it as not known.

    Parameters
    ----------
    cube : xarray.Dataset
        One ensemble at the site, with the dimension ``realization``, without what is taken from the one forecast.
    assessment : xarray.Dataset
        Assessment of its members, with at least the hours asked about.
    asked : ndarray of datetime64
        Starts of the hours asked about, UTC.
    clock : SiteClock
        Clock of the site.
    """
    total, model = cube.sizes[MEMBER], str(cube.attrs.get("model", NOT_NAMED))
    stamps = cube["time"].values
    known = hours_of_members(cube)
    came = known.any(axis=0)
    if not came.any():
        return []
    last = stamps[stamps.size - 1 - np.argmax(known[::-1], axis=0)]
    ends = cube["last_time"].values if "last_time" in cube.coords else np.full(total, last[came].max())
    asked = np.intersect1d(asked, assessment["time"].values)
    moments = _Moments(asked, clock)
    stops = came & (last < ends) & (last < asked[-1] + HOUR)
    notes = []
    if not came.all():
        notes.append(_note(lost_members(cube), total, model, "did not come"))
    if stops.any():
        count, first = int(stops.sum()), moments.at(last[stops].min())
        verb = "stops" if count == 1 else "stop"
        at = f"{verb} at {first}" if np.unique(last[stops]).size == 1 else f"{verb} early, the first at {first}"
        notes.append(_note(count, total, model, at))
    reaches = came & (asked[:, None] < np.where(stops, last, ends))
    return notes + _of_elements(assessment.sel(time=asked), reaches, total, model, moments)


def _of_elements(assessment: xr.Dataset, reaches: Flags, total: int, model: str, moments: _Moments) -> list[Note]:
    """Return which elements some members have lost; `reaches` says which members should know which hours."""
    order = ("element", "time", MEMBER)
    margin = assessment["margin"].transpose(*order).values
    lost = assessment["lost"].transpose(*order).values if "lost" in assessment else np.zeros(margin.shape, dtype=bool)
    skipped, required = not_judged(assessment), required_names(assessment)
    found: dict[tuple[int, int, int, bool], list[str]] = {}
    for k, name in enumerate(NAMES):
        if name in skipped:
            continue
        gone = np.isnan(margin[k]) if name in required else lost[k]
        here = gone & reaches
        here &= (reaches & ~here).any(axis=1, keepdims=True)
        if not here.any():
            continue
        hours, members = here.any(axis=1), here.any(axis=0)
        first, last = (int(i) for i in np.flatnonzero(hours)[[0, -1]])
        is_whole = bool(here[first : last + 1, members].all())
        found.setdefault((int(members.sum()), first, last, is_whole), []).append(BY_NAME[name].title)
    return [
        _note(
            count, total, model,
            f"{'has' if count == 1 else 'have'} no {_either(titles)} {'' if is_whole else 'in some hours '}"
            f"{moments.span(first, last)}",
        )
        for (count, first, last, is_whole), titles in found.items()
    ]  # fmt: skip


def _note(count: int, total: int, model: str, what: str) -> Note:
    counted = "it counts" if count == 1 else "they count"
    model = "a model that is not known" if model == NOT_NAMED else model
    return Note(f"{count} of {total} members of {model} {what}: {counted} as breaking a limit", NoteKind.MEMBERS)


def _either(titles: Sequence[str]) -> str:
    return " or ".join(part for part in (", ".join(titles[:-1]), titles[-1]) if part)


class _Moments:
    """Writes moments on the site's clock, with the date where the hours asked about are not all of one day."""

    def __init__(self, asked: Times, clock: SiteClock) -> None:
        self._asked, self._clock = asked.astype("datetime64[s]"), clock
        self._days = {clock.date(moment) for moment in self._asked}

    def at(self, moment: np.datetime64) -> str:
        moment = moment.astype("datetime64[s]")
        return f"{self._written(moment)} {self._clock.zone(moment)}"

    def span(self, first: int, last: int) -> str:
        start, end = self._asked[first], self._asked[last] + HOUR
        is_same_day = self._clock.date(start) == self._clock.date(end)
        until = f"{self._clock.hour(end)} {self._clock.zone(end)}" if is_same_day else self.at(end)
        return f"from {self._written(start)} to {until}"

    def _written(self, moment: np.datetime64) -> str:
        day = self._clock.date(moment)
        return self._clock.hour(moment) if self._days == {day} else f"{day} {self._clock.hour(moment)}"
