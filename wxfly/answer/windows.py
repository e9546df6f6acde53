"""Windows: consecutive hours within all limits, trimmed to daylight, ranked and compared, and how probable they are.

The most probable stretch of the needed length is found within a window, and in each day's light.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.suitability import State, unknown_elements
from wxfly.pilot.work import hours_touched
from wxfly.probability.chance import Chance, Outlook
from wxfly.probability.site_chance import SiteChance

Times = npt.NDArray[np.datetime64]
Rank = tuple[bool, bool, float, float, float]

EVEN_CHANCE = 0.5
"""Chance below which a window is a probable no [1]; common practice, no source."""


class Room(StrEnum):
    """Whether there is room to fly, from best to worst; what is not known comes last."""

    ROOM = "room"
    LITTLE = "little room"
    PROBABLY_NONE = "probably no room"
    NONE = "no room"
    NOT_KNOWN = "not known"

    @property
    def is_enough(self) -> bool:
        """Whether a pilot may count on it."""
        return self in (Room.ROOM, Room.LITTLE)

    @property
    def is_known(self) -> bool:
        """Whether it is known."""
        return self is not Room.NOT_KNOWN

    @property
    def place(self) -> int:
        """Its place from best to worst."""
        return list(Room).index(self)


def room_of(state: State, chance: float | None) -> Room:
    """Return whether a state has room to fly, with the chance that every limit holds; None where it is unknown."""
    if state == State.NOT_KNOWN:
        return Room.NOT_KNOWN
    if state < State.NARROW:
        return Room.NONE
    if chance is not None and chance < EVEN_CHANCE:
        return Room.PROBABLY_NONE
    return Room.ROOM if state >= State.INSIDE else Room.LITTLE


@dataclass(frozen=True)
class Window:
    """A stretch of hours in which every judged element is within its limit.

    Attributes
    ----------
    start, end : numpy.datetime64
        UTC, to the second, trimmed to daylight.
    margin : float
        The smallest margin of its hours.
    limiting_element : str
        The element of that smallest margin.
    state : State
        The worst state of its hours.
    unknown : tuple of str
        Advised elements that are unknown in some hour of it.
    preferred : bool
        Whether the pilot prefers every hour of it.
    first, last : int
        Positions of its first and last hour on the time axis of the assessment.
    within_start, within_end : numpy.datetime64
        The whole unbroken stretch within all limits that contains it.
    chance : Chance or None
        Chance that every limit is met all along; None where it was not computed.
    surest : Outlook or None
        Its most probable stretch of the needed length; None where it was not computed.
    ends_unknown : bool
        Whether it ends only because a required element is unknown in the next hour.
    """

    start: np.datetime64
    end: np.datetime64
    margin: float
    limiting_element: str
    state: State
    unknown: tuple[str, ...]
    preferred: bool
    first: int
    last: int
    within_start: np.datetime64
    within_end: np.datetime64
    chance: Chance | None = None
    surest: Outlook | None = None
    ends_unknown: bool = False

    @property
    def is_known(self) -> bool:
        """Whether every judged element is known in it, and in the next hour where that ends it."""
        return not self.unknown and not self.ends_unknown

    @property
    def room(self) -> Room:
        """Whether there is room to fly in it, by its most probable stretch."""
        chance = self.chance if self.surest is None else self.surest.chance
        return room_of(self.state, None if chance is None else chance.value)

    @property
    def surest_chance(self) -> float:
        """The chance of its most probable stretch; -1 where it is unknown."""
        value = np.nan if self.surest is None else self.surest.chance.value
        return -1.0 if np.isnan(value) else value

    @property
    def length(self) -> np.timedelta64:
        """How long it is."""
        return self.end - self.start

    @property
    def rank(self) -> Rank:
        """Sort key, the best first: all known, preferred, larger smallest margin, longer, earlier.

        A missing value never lifts a window: one with an unknown advised element, or one that ends because a required
        element is unknown, ranks behind every window without such gaps.
        """
        length, start = self.length.astype("timedelta64[s]"), self.start.astype("datetime64[s]")
        return _rank(not self.is_known, self.preferred, self.margin, int(length.astype(int)), int(start.astype(int)))


def _rank(unknown: bool, preferred: bool, margin: float, seconds: int, start: int) -> Rank:
    return unknown, not preferred, -round(margin, 6), -float(seconds), float(start)


FAR = np.timedelta64(3, "D")
"""A window that starts later than this is an outlook: of two with the same chance the nearer ranks first. Common
practice, no source."""


def in_order(
    windows: Iterable[Window], now: np.datetime64, *, days: int = 1, stays_first: Window | None = None
) -> list[Window]:
    """Put windows in the one order that every output has; the verdict is about the first.

    Windows that are probably no room come last. Of the others those without unknown elements come first, then those
    that the pilot prefers, then the more probable, by their most probable stretch in hundredths, near ones first, and
    then by `Window.rank`. An unknown chance ranks last. Of several days those with room come before those with little,
    and the chance counts in tenths first.

    Parameters
    ----------
    windows : iterable of Window
        Windows, each with its most probable stretch.
    now : numpy.datetime64
        Present time, UTC.
    days : int, optional
        How many days of the site's clock they are from.
    stays_first : Window, optional
        The window of the previous choice, which another one only passes where it has room, or is known, or preferred,
        and this one is not.
    """

    def key(window: Window) -> tuple[object, ...]:
        chance = window.surest_chance
        of_days = (window.room.place, -round(chance, 1)) if days > 1 else ()
        far = bool(window.start - now > FAR)
        return (
            window.room is Room.PROBABLY_NONE, not window.is_known, not window.preferred, window is not stays_first,
            chance < 0, *of_days, -round(chance, 2), far, window.rank,
        )  # fmt: skip

    return sorted(windows, key=key)


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


def find_windows(
    assessment: xr.Dataset,
    *,
    minimum_duration: np.timedelta64,
    start: np.datetime64 | None = None,
    end: np.datetime64 | None = None,
    preferred: npt.NDArray[np.bool_] | None = None,
    breaks: Collection[np.datetime64] = (),
    from_start: bool = False,
    chances: KnownChances | None = None,
) -> list[Window]:
    """Find the windows of one place and rank them, the best first.

    Every unbroken stretch within all limits is cut to daylight and to `start`..`end`. Each stretch at least as long as
    the minimum has one window, its best part of at least that length: what is known and preferred first, then the more
    probable by its most probable stretch of that length, in tenths and an unknown chance last, then the larger smallest
    margin, the longer, the earlier.

    Parameters
    ----------
    assessment : xarray.Dataset
        Assessment of one place, from `wxfly.assessment.suitability.assess` (dimensions time and element only).
    minimum_duration : numpy.timedelta64
        Shortest useful window.
    start, end : numpy.datetime64, optional
        Bounds, UTC; nothing outside counts.
    preferred : ndarray of bool, optional
        Hours that the pilot prefers; windows of only such hours come first. A preference never makes an hour usable.
    breaks : collection of numpy.datetime64, optional
        Times that split a stretch, such as the midnights of a place where the sun does not set.
    from_start : bool, optional
        Whether to return only the stretch that begins at `start`, and all of it instead of its best part.
    chances : KnownChances, optional
        Chances of the hours; without them the margin alone chooses the part.

    Returns
    -------
    list of Window
        Empty when no stretch is long enough.
    """
    usable_start, usable_end = usable_parts(assessment, start, end)
    liked = np.zeros(usable_start.size, dtype=bool) if preferred is None else preferred
    state = assessment["state"].values
    holds = (state >= State.NARROW) & (usable_end > usable_start)
    joins = _joins(usable_start, usable_end)
    for moment in breaks:
        joins[1:] &= ~((usable_start[:-1] < moment) & (usable_start[1:] >= moment))
    windows = []
    for first, last in _stretches(holds, joins):
        if usable_end[last] - usable_start[first] < minimum_duration:
            continue
        if from_start:
            if usable_start[first] == start:
                windows.append(_window(assessment, usable_start, usable_end, liked, (first, last), (first, last)))
        else:
            of_part = first, last, minimum_duration, chances
            windows.append(_best_part(assessment, usable_start, usable_end, liked, *of_part))
    return sorted(windows, key=lambda window: window.rank)


def usable_parts(assessment: xr.Dataset, start: np.datetime64 | None, end: np.datetime64 | None) -> tuple[Times, Times]:
    """Return begin and end of the usable part of each hour within bounds, UTC [s]; NaT where there is none."""
    usable_start = assessment["usable_start"].values.astype("datetime64[s]")
    usable_end = assessment["usable_end"].values.astype("datetime64[s]")
    if start is not None:
        usable_start = np.maximum(usable_start, start.astype("datetime64[s]"))  # NaT stays NaT
    if end is not None:
        usable_end = np.minimum(usable_end, end.astype("datetime64[s]"))
    return usable_start, usable_end


def _joins(usable_start: Times, usable_end: Times) -> npt.NDArray[np.bool_]:
    """Return whether each hour joins the one before: only where there is no darkness between them."""
    return np.concatenate(([False], usable_end[:-1] == usable_start[1:]))[: usable_start.size]


def _stretches(holds: npt.NDArray[np.bool_], joins: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return first and last position of every unbroken run."""
    runs: list[tuple[int, int]] = []
    for position in np.flatnonzero(holds):
        if runs and runs[-1][1] == position - 1 and joins[position]:
            runs[-1] = (runs[-1][0], int(position))
        else:
            runs.append((int(position), int(position)))
    return runs


def _best_part(
    assessment: xr.Dataset,
    usable_start: Times,
    usable_end: Times,
    liked: npt.NDArray[np.bool_],
    first: int,
    last: int,
    minimum_duration: np.timedelta64,
    chances: KnownChances | None,
) -> Window:
    margin = assessment["hour_margin"].values
    hidden = (assessment["advised_unknown"].values > 0).tolist()
    # Plain numbers are faster here: the number of parts grows with the square of the hours.
    margins, likes = margin.tolist(), liked.tolist()
    starts, ends = usable_start.astype(np.int64).tolist(), usable_end.astype(np.int64).tolist()
    shortest = int(minimum_duration.astype("timedelta64[s]").astype(np.int64))
    parts: list[tuple[Rank, int, int]] = []
    for i in range(first, last + 1):
        smallest, unknown, preferred = np.inf, False, True
        for j in range(i, last + 1):
            smallest = min(smallest, margins[j])
            unknown, preferred = unknown or hidden[j], preferred and likes[j]
            length = ends[j] - starts[i]
            if length < shortest:
                continue
            parts.append((_rank(unknown, preferred, smallest, length, starts[i]), i, j))
    best = min(parts)  # the whole stretch is long enough
    if chances is not None:
        alike = sorted(part for part in parts if part[0][:2] == best[0][:2])
        fits = [
            (at, last_of)
            for at in range(first, last + 1)
            if (last_of := _last_hour(starts, ends, at, last, shortest)) is not None
        ]
        best = _surest_part(alike, fits, chances)
    return _window(assessment, usable_start, usable_end, liked, best[1:], (first, last))


def _last_hour(starts: list[int], ends: list[int], first: int, last: int, shortest: int) -> int | None:
    """Return the hour in which a stretch of the shortest length from one hour on ends; None where it does not fit."""
    return next((k for k in range(first, last + 1) if ends[k] - starts[first] >= shortest), None)


def _surest_part(
    parts: list[tuple[Rank, int, int]], fits: list[tuple[int, int]], chances: KnownChances
) -> tuple[Rank, int, int]:
    """Return the first of parts, in order of their rank, of those whose most probable stretch is as probable in tenths.

    Parameters
    ----------
    parts : list of tuple
        Rank, first and last hour of each.
    fits : list of tuple
        First and last hour of each stretch of the shortest length.
    chances : KnownChances
        Chances of the hours.
    """
    within = [fit for fit in fits if any(i <= fit[0] and fit[1] <= j for _, i, j in parts)]
    # A stretch is at most as probable as its worst hour, so those whose bound is too low are not worked out.
    by_bound = sorted(within, key=lambda fit: -chances.at_most(*fit))
    most = -1.0
    for fit in by_bound:
        if chances.at_most(*fit) <= most:
            break
        most = max(most, chances.of(*fit))
    tenth = round(most, 1)
    for part in parts:
        inside = [fit for fit in within if part[1] <= fit[0] and fit[1] <= part[2]]
        if any(round(chances.at_most(*fit), 1) >= tenth and round(chances.of(*fit), 1) >= tenth for fit in inside):
            return part
    return parts[0]


def _window(
    assessment: xr.Dataset,
    usable_start: Times,
    usable_end: Times,
    liked: npt.NDArray[np.bool_],
    chosen: tuple[int, int],
    within: tuple[int, int],
) -> Window:
    """Return the window from one hour to another, a part of an unbroken stretch."""
    (i, j), (first, last) = chosen, within
    state, part = assessment["state"].values, slice(i, j + 1)
    margin = assessment["hour_margin"].values
    at = i + int(np.argmin(margin[part]))
    return Window(
        start=usable_start[i],
        end=usable_end[j],
        margin=float(margin[at]),
        limiting_element=str(assessment["limiting_element"].values[at]),
        state=State(int(state[part].min())),
        unknown=unknown_elements(assessment.isel(time=part)),
        preferred=bool(liked[part].all()),
        first=i,
        last=j,
        within_start=usable_start[first],
        within_end=usable_end[last],
        ends_unknown=j == last and _is_unknown_after(state, usable_start, usable_end, last),
    )


def _is_unknown_after(state: npt.NDArray[np.int8], usable_start: Times, usable_end: Times, last: int) -> bool:
    """Return whether the next hour has light within the requested period but is not known."""
    after = last + 1
    if after >= state.size or state[after] != State.NOT_KNOWN:
        return False
    return bool(usable_start[after] == usable_end[last] and usable_end[after] > usable_start[after])


_TRIED = 3
"""Number of stretches, the best by their worst hour, whose chance is worked out in full."""


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
        _surest(site_chance, assessment["time"].values, lit_start, lit_end, first, last, minimum_duration)
        for first, last in _stretches(lit, _joins(lit_start, lit_end))
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
    return _surest(site_chance, assessment["time"].values, lit_start, lit_end, first, last, minimum_duration)


def _surest(
    site_chance: SiteChance,
    time: Times,
    lit_start: Times,
    lit_end: Times,
    earliest: int,
    latest: int,
    minimum_duration: np.timedelta64,
) -> Outlook | None:
    """Return the most probable stretch among the hours from `earliest` to `latest`."""
    chances, hour = site_chance.hours.values, time.astype("datetime64[s]")
    found = []
    for first in range(earliest, latest + 1):
        begin = lit_start[first]
        finish = begin + minimum_duration
        minutes = (begin - hour[first]) / np.timedelta64(1, "m"), minimum_duration / np.timedelta64(1, "m")
        last = first + hours_touched(float(minutes[0]), float(minutes[1])) - 1
        if last <= latest and finish <= lit_end[last]:
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
