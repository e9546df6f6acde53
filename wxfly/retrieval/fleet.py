"""Forecasts for the sites of a fleet: as few requests as the service's limits allow, at a rate that it allows.

What is in the store and fresh is not asked for again, so a fleet that was interrupted goes on where it stopped.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any
from urllib.parse import urlencode

import numpy as np

from wxfly.cube.notes import Note, NoteKind
from wxfly.errors import WxflyError
from wxfly.pilot.settings import Settings
from wxfly.pilot.site import Site
from wxfly.retrieval.forecast import obtain
from wxfly.retrieval.members import chosen_members, obtain_ensembles
from wxfly.retrieval.model_choice import Wanted, choose_ensembles, plan_models
from wxfly.retrieval.neighbour_cells import MOST_PLACES as MOST_WITH_CELLS
from wxfly.retrieval.origin import Obtained
from wxfly.sources.http import tally
from wxfly.sources.open_meteo.ensemble import weight_of
from wxfly.sources.open_meteo.forecast import request_parameters
from wxfly.sources.open_meteo.models import ENSEMBLES, MODELS, call_weight
from wxfly.times import as_moment, utc_now

Progress = Callable[[str], None]

PER_MINUTE, PER_HOUR, PER_DAY = 600.0, 5_000.0, 10_000.0
"""Weighted calls that the free service allows for one address (its published terms); the counters restart on the full
minute, hour and day, UTC."""
AT_ONCE = 580.0
"""Largest weight of one group: the rest of a minute is for the requests that every answer makes."""
MOST_PLACES = 1000
"""Largest number of places in one request (published source of the service)."""
LONGEST_QUERY = 7_000
"""Longest query of a request [characters]. Servers commonly take 8,000 for the whole first line: common practice."""
_LENGTH_OF_MEMBERS = 600
"""Longest query for members without its places [characters]."""
_OF_PLACE = 34
"""Longest part of a query for one place: latitude, longitude, ground, three escaped commas [characters]."""


class Pace:
    """Keeps to the service's limits of weighted calls for as long as a fleet is asked about.

    Parameters
    ----------
    on_progress : callable
        Called with a line before a wait.
    is_limited : bool
        Whether the limits of the free service hold.
    """

    def __init__(self, on_progress: Progress, *, is_limited: bool) -> None:
        self._on_progress, self._is_limited = on_progress, is_limited
        self._spent: list[tuple[float, float]] = []
        self._counted = tally().weight

    def before(self, weight: float) -> None:
        """Wait until a request of so many weighted calls fits.

        Raises
        ------
        WxflyError
            When the day's limit is used up.
        """
        while self._is_limited:
            now = self._note()
            if self._used(now, 86_400) + weight > PER_DAY:
                raise WxflyError(
                    f"the free service's {PER_DAY:.0f} weighted calls of this day (UTC) are used up; "
                    "the same command goes on tomorrow"
                )
            hour, minute = self._used(now, 3600) + weight > PER_HOUR, self._used(now, 60) + weight > PER_MINUTE
            if not (hour or minute):
                return
            span, name = (3600, "hour") if hour else (60, "minute")
            wait = span - now % span + 1.0
            duration = f"{wait / 60:.0f} min" if wait > 120 else f"{wait:.0f} s"
            self._on_progress(f"waiting {duration} for the next {name}'s share of the free service")
            time.sleep(wait)

    def _note(self) -> float:
        """Note what was spent since the last time, as if spent now: never earlier than it was."""
        now, spent = time.time(), tally().weight
        self._spent.append((now, spent - self._counted))
        self._counted = spent
        return now

    def _used(self, now: float, span: float) -> float:
        return sum(weight for at, weight in self._spent if at // span == now // span)


@dataclass(frozen=True)
class Place:
    """A site of a fleet, and what is wanted there.

    Attributes
    ----------
    site : Site
        The site.
    wanted : Wanted
        The hours and the height.
    model : str or None
        The one model asked for.
    ensembles : tuple of str or None
        Members asked for by name, none of them where it is empty; None to choose them by place and hours.
    """

    site: Site
    wanted: Wanted
    model: str | None = None
    ensembles: tuple[str, ...] | None = None


@dataclass(kw_only=True)
class Fetching:
    """How forecasts are fetched.

    Attributes
    ----------
    settings : Settings
        Settings of the services.
    offline : bool
        Whether to ask no service.
    now : numpy.datetime64 or None
        Time of the answer; None for the present.
    chosen_members : bool
        Whether members give the chance where none are named.
    cells_around : bool
        Whether the cells around the sites are asked for.
    on_progress : callable
        Called with a line on each request.
    pace : Pace
        The rate.
    """

    settings: Settings
    offline: bool
    now: np.datetime64 | None
    chosen_members: bool
    cells_around: bool
    on_progress: Progress
    pace: Pace = field(repr=False)


@dataclass(frozen=True)
class Group:
    """Sites that are asked for together.

    Attributes
    ----------
    places : tuple of Place
        Each site once.
    models : tuple of str
        Models that are asked.
    ensembles : tuple of str
        The members that give the chance.
    names_members : bool
        Whether the pilot named them; else they are chosen by place and hours.
    weight : float
        Weighted calls of all its requests for forecasts.
    """

    places: tuple[Place, ...]
    models: tuple[str, ...]
    ensembles: tuple[str, ...]
    names_members: bool
    weight: float

    @property
    def sites(self) -> list[Site]:
        """Return its sites."""
        return [place.site for place in self.places]

    @property
    def wanted(self) -> Wanted:
        """Return the hours and the height that cover what is wanted at every site."""
        each = [place.wanted for place in self.places]
        return Wanted(min(w.start for w in each), max(w.end for w in each), max(w.height for w in each))


def group_places(places: Sequence[Place], settings: Settings) -> list[Group]:
    """Group sites into as few requests as the service's limits allow.

    Parameters
    ----------
    places : sequence of Place
        Each site once.
    settings : Settings
        Settings of the services; they may name one model.

    Returns
    -------
    list of Group
        The sites of a group have the same models as each would have alone. Members follow in smaller parts.
    """
    alike: dict[tuple[Any, ...], list[Place]] = {}
    seen: Counter[tuple[float, float]] = Counter()
    for place in places:
        models, ensembles = _asked_alone(place, settings)
        copy = seen[place.site.key]  # a position with two heights of the ground is in two groups
        seen[place.site.key] += 1
        key = (place.site.is_demo, place.model, models, ensembles, place.ensembles is not None, copy)
        alike.setdefault(key, []).append(place)
    groups = []
    for (is_demo, _, models, ensembles, names_members, _), same in alike.items():
        weight = sum(map(_weight, models))
        most = len(same) if is_demo else _most(weight, max(map(_length, models), default=0))
        for first in range(0, len(same), most):
            part = tuple(same[first : first + most])
            groups.append(Group(part, models, ensembles, names_members, weight * len(part)))
    return groups


def _asked_alone(place: Place, settings: Settings) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the models and the ensembles that are asked for a site alone."""
    if place.site.is_demo:
        return (), ()
    now = as_moment(utc_now())
    ensembles = place.ensembles
    if ensembles is None:
        ensembles = tuple(e.name for e in choose_ensembles([place.site], place.wanted, now)[:1])
    if place.model is not None or settings.names_model:
        return (place.model or settings.model,), ensembles
    return tuple(model.name for model in plan_models([place.site], place.wanted, now).asked), ensembles


def _weight(model: str) -> float:
    """Return the weighted calls of one model at one place."""
    return call_weight(request_parameters([(0.0, 0.0)], MODELS[model])) if model in MODELS else 0.0


def _length(model: str) -> int:
    """Return the length of the query for one model without its places [characters]."""
    return len(urlencode(request_parameters([(0.0, 0.0)], MODELS[model]))) if model in MODELS else 0


def _most(weight: float, length: int) -> int:
    """Return how many places fit into a request: by their number, the length of the query, and the weight."""
    by_weight = MOST_PLACES if weight == 0 else int(AT_ONCE // weight)
    return max(1, min(MOST_PLACES, (LONGEST_QUERY - length) // _OF_PLACE, by_weight))


def too_many_members(groups: Sequence[Group], fetching: Fetching) -> Note | None:
    """Return a note where the members of all sites do not fit into an hour of the free service and are left out."""
    if fetching.offline or fetching.settings.key:
        return None
    weight = sum(_weight_of_members(g, len(g.places)) for g in groups if not g.names_members)
    if weight == 0 or sum(group.weight for group in groups) + weight <= PER_HOUR:
        return None
    words = (
        f"chance from one forecast, without members: members would take {weight:.0f} weighted calls, the free service "
        f"allows {PER_HOUR:.0f} in an hour; name them with --ensemble to wait for them"
    )
    return Note(words, NoteKind.MEMBERS)


def obtain_group(group: Group, fetching: Fetching) -> Iterator[Obtained]:
    """Obtain the forecast of a group, and its members part by part.

    Parameters
    ----------
    group : Group
        From `group_places`.
    fetching : Fetching
        How.

    Yields
    ------
    Obtained
        The forecast of some of the sites, in the group's order, with their members.

    Raises
    ------
    WxflyError
        When no forecast is available for one of them.
    """
    if not fetching.offline:
        fetching.pace.before(group.weight)
    obtained = obtain(
        group.sites, saved={}, model=group.places[0].model, offline=fetching.offline, now=fetching.now,
        on_progress=fetching.on_progress, wanted=lambda *_: group.wanted, asks_cells=fetching.cells_around,
    )  # fmt: skip
    if obtained.is_demo or not (group.ensembles and (group.names_members or fetching.chosen_members)):
        yield obtained
        return
    most = _most(_weight_of_members(group, 1), _LENGTH_OF_MEMBERS)
    for first in range(0, len(group.places), most):
        part = slice(first, first + most)
        some = replace(obtained, sites=obtained.sites[part], cube=obtained.cube.isel(site=part))
        ensembles, notes = _members(some.sites, group, fetching)
        yield replace(some, ensembles=ensembles, notes=(*some.notes, *notes))


def obtain_alone(place: Place, fetching: Fetching) -> Obtained:
    """Obtain the stored forecast of one site, where its group has failed."""
    (group,) = group_places([place], fetching.settings)
    return next(obtain_group(group, replace(fetching, offline=True)))


def _weight_of_members(group: Group, places: int) -> float:
    return sum(weight_of(ENSEMBLES[n], places) if n in ENSEMBLES else places * _weight(n) for n in group.ensembles)


def _members(sites: Sequence[Site], group: Group, fetching: Fetching) -> tuple[tuple[Any, ...], tuple[str, ...]]:
    """Return the members at some sites, and what the reader must know about them."""
    if not fetching.offline:
        fetching.pace.before(_weight_of_members(group, len(sites)))
    if not group.names_members:
        return chosen_members(sites, group.wanted, fetching.settings, fetching.offline, fetching.on_progress)
    cubes, notes = obtain_ensembles(
        group.ensembles, sites, offline=fetching.offline, settings=fetching.settings, now=fetching.now,
        on_progress=fetching.on_progress,
    )  # fmt: skip
    return tuple(cubes), tuple(notes)


def cells_fit(count: int) -> bool:
    """Return whether the cells around so many sites are asked for; each costs nine weighted calls."""
    return count <= MOST_WITH_CELLS
