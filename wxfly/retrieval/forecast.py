"""Obtain a forecast cube for sites: from the store when it has the newest run, else from the sources."""

from __future__ import annotations

import contextlib
import json
import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import xarray as xr

from wxfly.cube.age import CLOCKS, TOO_OLD, retrieved_of, run_of, since_of
from wxfly.cube.contract import models_of, side_by_side
from wxfly.cube.joined import SAME_AGE, hours_by_model, join_models, knows_any_hour, unknown_hours
from wxfly.cube.notes import Note, NoteKind, kind_of
from wxfly.errors import NotAskedError, WxflyError
from wxfly.pilot.elements import ELEMENTS
from wxfly.pilot.own_files import SetAside, damage_notes, make_folder
from wxfly.pilot.services import OF_ONE_MODEL, Service
from wxfly.pilot.settings import DEFAULT_MODEL, Settings, cache_folder, config_folder, load_settings
from wxfly.pilot.site import Site
from wxfly.retrieval.kp import Answered, ask_kp, with_kp
from wxfly.retrieval.model_choice import Wanted, plan_models, rank_models, reaches_for_sure
from wxfly.retrieval.neighbour_cells import Cells, obtain_cells, with_cells
from wxfly.retrieval.origin import Obtained
from wxfly.retrieval.places import demo_sites, from_demonstration, refuse_set_aside, resolve_site
from wxfly.sources.http import LOCK_SECONDS, Together, having, together
from wxfly.sources.open_meteo.models import MODELS, find_model
from wxfly.sources.reply import PlaceReply, SourceError, UnreachableError, sendable
from wxfly.store import forecasts, pruning
from wxfly.store.forecasts import newest_stored
from wxfly.store.replies import asking_alone, keep_reply, kept_reply
from wxfly.times import as_moment, utc_now

if TYPE_CHECKING:
    from concurrent.futures import Future

    from wxfly.sources.open_meteo.runs import ModelRun

METADATA_AGE = timedelta(minutes=10)
METADATA_LONGEST = timedelta(hours=24)
"""Shortest and longest use of a kept answer, whatever time is stated for the next run."""


def newest_run(model: str, settings: Settings, on_progress: Callable[[str], None]) -> datetime | None:
    """Return the run of a forecast requested now; None when the service does not state it.

    Parameters
    ----------
    model : str
        Name of a model.
    settings : Settings
        Settings of the services.
    on_progress : callable
        Called with a line when the service is asked.

    Raises
    ------
    UnreachableError
        When the service cannot be reached: the forecast would not be available either.
    """
    from wxfly.sources.open_meteo.runs import get_model_run

    now = utc_now()
    kept = kept_reply("metadata", model)
    run = None if kept is None else _kept_run(kept.text)
    if kept is not None and run is not None:
        until = min(max(kept.retrieved + METADATA_AGE, run.next_expected()), kept.retrieved + METADATA_LONGEST)
        if kept.retrieved <= now < until and run.run <= now:
            return run.certain_at(now)
    on_progress("asking for the newest run")
    try:
        run = get_model_run(find_model(model), settings=settings, now=now)
    except UnreachableError:
        raise
    except SourceError:
        return None
    text = json.dumps([run.run.isoformat(), run.available.isoformat(), run.interval.total_seconds()])
    keep_reply("metadata", model, text, now)
    return run.certain_at(now)


def next_run_expected(model: str) -> datetime | None:
    """Return when the next run of a model is expected, as its service stated it last; None where it did not."""
    kept = kept_reply("metadata", model)
    run = None if kept is None else _kept_run(kept.text)
    return None if run is None else run.next_expected()


def _kept_run(text: str) -> ModelRun | None:
    from wxfly.sources.open_meteo.runs import ModelRun

    try:
        start, available, seconds = json.loads(text)
        run = ModelRun(datetime.fromisoformat(start), datetime.fromisoformat(available), timedelta(seconds=seconds))
        run.next_expected()
    except (ValueError, TypeError, OverflowError, RecursionError):
        return None  # not ours, or from another version: requested again
    return None if None in (run.run.tzinfo, run.available.tzinfo) else run


Progress = Callable[[str], None]
Members = tuple[tuple[xr.Dataset, ...], tuple[str, ...]]
"""Cubes of members, and what the reader must know about them."""


def obtain(
    places: Sequence[str | Site],
    *,
    saved: Mapping[str, Site],
    forecast_path: Path | None = None,
    model: str | None = None,
    offline: bool = False,
    now: np.datetime64 | None = None,
    on_progress: Progress = lambda _: None,
    wanted: Callable[[Sequence[Site], np.datetime64], Wanted] | None = None,
    members: Callable[[Sequence[Site], Wanted, Settings, bool, Progress], Members] | None = None,
    asks_cells: bool = True,
) -> Obtained:
    """Obtain a forecast for the places that a pilot names.

    Parameters
    ----------
    places : sequence of str or Site
        Saved names, ``LATITUDE,LONGITUDE`` or place names; empty for the first saved site, or the demonstration's
        first site when none is saved. A site stands for itself.
    saved : mapping
        The pilot's saved sites.
    forecast_path : Path, optional
        A saved reply (.json) or a cube (.nc) to answer from, without asking any service.
    model : str, optional
        The one model to ask for; by default that of the settings, and without one there the models that
        `wxfly.retrieval.model_choice` chooses by place and hours.
    offline : bool, optional
        Whether to ask no service.
    now : numpy.datetime64, optional
        Time of the answer, UTC; by default the present time, and for a demonstration the run's own time.
    on_progress : callable, optional
        Called with a line on each request.
    wanted : callable, optional
        Takes the sites and the time of the answer, returns the hours and the height that the forecast is for; by
        default a week from then on, at heights up to 120 m.
    members : callable, optional
        Obtains the members of an ensemble along with the forecast: `wxfly.retrieval.members.chosen_members`.
    asks_cells : bool, optional
        Whether the cells around the places widen the uncertainty of their wind, where the places are few.

    Returns
    -------
    Obtained

    Raises
    ------
    WxflyError
        When no forecast is available; nothing in the store is lost.
    """
    refuse_set_aside(saved, [place if isinstance(place, str) else place.name for place in places])
    if forecast_path is not None:
        from wxfly.retrieval.files import open_forecast

        named = [place for place in places if isinstance(place, str)]
        return open_forecast(forecast_path, named, saved=saved, model=model, now=now)
    settings = _with_known_model(load_settings())
    words = list(places) or list(saved)[:1] or list(demo_sites())[:1]
    sites = [
        word if isinstance(word, Site) else resolve_site(word, saved=saved, offline=offline, settings=settings)
        for word in words
    ]
    if _are_of_demonstration(sites, model):
        return from_demonstration(sites, now)
    hours = (wanted or _a_week)(sites, as_moment(utc_now()) if now is None else now)
    asked = _Asked(sites, settings, offline, now, on_progress, hours.height, asks_cells)
    with together() as group:  # the requests of an answer go out at once
        of_members = None
        if members is not None:
            of_members = group.start(partial(members, sites, hours, settings, offline, on_progress))
        if model is not None or settings.names_model:
            obtained = _of_named(asked, model, group)
        else:
            obtained = _of_chosen(asked, hours, group)
    found, notes = of_members.result() if of_members is not None else ((), ())
    return replace(obtained, notes=(*damage_notes(settings.set_aside), *obtained.notes, *notes), ensembles=found)


@dataclass(frozen=True)
class _Asked:
    """What every step of an answer takes: the places and their height of flight, and how services may be asked."""

    sites: Sequence[Site]
    settings: Settings
    offline: bool
    now: np.datetime64 | None
    on_progress: Progress
    height: float
    asks_cells: bool

    def cells(self, model: str) -> Cells:
        """Return the cells of a model around the places; none where they are not asked for."""
        if not self.asks_cells:
            return Cells(model, {})
        return obtain_cells(
            self.sites, model, offline=self.offline, settings=self.settings, on_progress=self.on_progress
        )


def _are_of_demonstration(sites: Sequence[Site], model: str | None) -> bool:
    """Return whether the sites are of the demonstration; refuse a real place among them, and a model for them."""
    invented = [site.name for site in sites if site.is_demo]
    if invented and len(invented) < len(sites):
        raise WxflyError(
            f"{', '.join(invented)} has invented weather and cannot be asked together with a real place; ask each alone"
        )
    if invented and model is not None:
        raise WxflyError("the demonstration has one invented model; leave --model out or name a real place")
    return bool(invented)


_USUAL_DAYS, _USUAL_HEIGHT = 7, 120.0


def _a_week(sites: Sequence[Site], now: np.datetime64) -> Wanted:
    """Return what the three questions may want: a week of hours, at heights up to 120 m."""
    return Wanted(now, now + np.timedelta64(_USUAL_DAYS, "D"), _USUAL_HEIGHT)


def _of_named(asked: _Asked, model: str | None, group: Together) -> Obtained:
    """Obtain the forecast of the named model, or of the second source where only the settings name one."""
    name = model or asked.settings.model
    cells = group.start(partial(asked.cells, name))
    first: Obtained | None = None
    try:
        first = _of_model(asked, name, cells)
        why = [note for note in first.notes if kind_of(note) is NoteKind.NO_NEWER_FORECAST]
        reason = "; ".join([f"no forecast of {name} is recent enough to use", *why])
    except WxflyError as failure:
        fault, reason = failure, str(failure)
    if first is not None and not (first.origin == "store" and _is_too_old(first)):
        return first
    # A pilot who named no model gets a forecast of another one; a pilot who named a model gets that one or none.
    other = None if model is not None else _of_second_source(asked, first, f"{name}: {reason}", without=name)
    if other is not None:
        return other
    if first is None:
        raise fault
    return first


def _of_second_source(asked: _Asked, found: Obtained | None, in_place_of: str, *, without: str = "") -> Obtained | None:
    """Return the forecast of a service of one model, with a note that says in place of what and why.

    None where there is none, or none that is recent enough to stand in place of the one that was found. Such a service
    is asked only where the settings have a contact.
    """
    for service in OF_ONE_MODEL.values() if asked.settings.contact else ():
        if service.model == without:
            continue
        with contextlib.suppress(WxflyError):
            other = _of_model(asked, service.model)
            if found is None or not _is_too_old(other):
                return replace(other, notes=(f"{service.source} answers in place of {in_place_of}", *other.notes))
    return None


def _with_known_model(settings: Settings) -> Settings:
    """Use the default model where the settings name an unknown one, and set that entry aside."""
    if settings.model in (*MODELS, *OF_ONE_MODEL):
        return settings
    try:
        find_model(settings.model)
    except WxflyError as fault:
        part = SetAside(config_folder() / "config.toml", None, f"{fault}; {DEFAULT_MODEL} is used instead")
        return replace(settings, model=DEFAULT_MODEL, set_aside=(*settings.set_aside, part))
    return settings


def _is_too_old(obtained: Obtained) -> bool:
    """Return whether a forecast is too old for any of its values to be used."""
    age = obtained.now - obtained.since
    return bool(age > TOO_OLD) or not (obtained.is_chosen or bool(age >= -CLOCKS))


class _Fetched(NamedTuple):
    """A cube for each site, whether any was requested just now, and what the reader must know."""

    cubes: list[xr.Dataset]
    is_new: bool
    notes: list[str]


_MOST_ROUNDS, _MOST_REPAIRS = 8, 2
"""Largest number of rounds in which failed models are replaced by the next, within the patience for one request; and of
those in which further models are asked for hours that the chosen ones have lost."""


@dataclass
class _Replies:
    """What came of the chosen models: forecasts by name, those that know no hour apart, and the faults."""

    asked: _Asked
    needed: frozenset[str] = field(default_factory=lambda: needed_variables())
    got: dict[str, xr.Dataset] = field(default_factory=dict)
    empty: dict[str, xr.Dataset] = field(default_factory=dict)
    failed: dict[str, WxflyError] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    fetched: bool = False

    def add(self, name: str, future: Future[_Fetched]) -> None:
        """Wait for what one model sent."""
        try:
            cubes, is_new, of_model = future.result()
            cube, self.fetched = _join(cubes, self.asked.sites), self.fetched or is_new
        except WxflyError as fault:
            self.failed[name] = fault
            return
        if knows_any_hour(cube, self.needed, height=self.asked.height):
            self.got[name] = cube
        else:
            self.empty[name] = cube
            self.failed[name] = WxflyError(f"{name} has lost values of every hour; name another model with --model")
        self.notes += [note for note in of_model if note not in self.notes]


def _of_chosen(asked: _Asked, wanted: Wanted, group: Together) -> Obtained:
    """Obtain the forecast of the models chosen by place and hours; where one fails, the next takes over.

    Services are asked before the store: a young forecast of the next model is better than an old one of the first.
    """
    sites, settings = asked.sites, asked.settings
    kp = group.start(partial(ask_kp, offline=asked.offline, settings=settings, on_progress=asked.on_progress))
    came = _Replies(asked)
    got, failed = came.got, came.failed
    present = as_moment(utc_now())
    plan = plan_models(sites, wanted, present)
    to_ask = [] if asked.offline else [model.name for model in plan.asked]
    ranked = [model.name for model in rank_models(sites, wanted.height)]
    around: dict[str, Future[Cells]] = {}
    began = time.monotonic()
    for _ in range(_MOST_ROUNDS):
        if not to_ask or time.monotonic() - began > settings.patience_seconds:
            break
        under_way = {name: group.start(partial(_fetch, asked, name, at_once=True)) for name in to_ask}
        if plan.models and (finest := plan.models[0].name) not in around:
            around[finest] = group.start(partial(asked.cells, finest))
        for name, future in under_way.items():
            came.add(name, future)
        if failed and all(isinstance(fault, UnreachableError) for fault in failed.values()) and not (got or came.empty):
            break  # no service can be reached, and so no other model either
        plan = plan_models(sites, wanted, present, without=failed)
        to_ask = [model.name for model in plan.asked if model.name not in got]
        if not to_ask and got and len(got) - sum(m.name in got for m in plan.asked) < _MOST_REPAIRS:
            in_order = [got[name] for name in ranked if name in got]
            end = min(wanted.end, max(reaches_for_sure(model, present) for model in plan.models))
            if unknown_hours(in_order, came.needed, wanted.start, end, height=wanted.height):
                to_ask = [m.name for m in plan.in_reserve if m.name not in got][:1]
    got = got or came.empty
    if not got:
        return _without_service(asked, ranked, failed, kp)
    # Cells are requested only for the model of the first hours: later hours have a larger error anyway.
    finest = next(name for name in (*(m.name for m in plan.models), *ranked) if name in got)
    cells = around[finest].result() if finest in around else asked.cells(finest)
    got[finest] = with_cells(got[finest], sites, cells, wanted.height)
    cube = join_models([got[name] for name in ranked if name in got], came.needed, height=wanted.height)
    notes = [*_of_failures(failed, cube), *_of_losses(cube), *came.notes, *cells.notes]
    return _finished(asked, cube, notes, fetched=came.fetched, kp=kp.result())


def needed_variables() -> frozenset[str]:
    """Return the variables that an hour needs from its model: those of the required elements."""
    of_elements = {name for element in ELEMENTS if element.is_required for name in element.inputs}
    return frozenset({*of_elements, "wind_from_direction"} - {"precipitation_probability", "kp_index"})


def _of_failures(failed: Mapping[str, WxflyError], cube: xr.Dataset) -> list[str]:
    """Return notes on the chosen models that failed, and on those that answer instead."""
    answering = models_of(cube)
    verb = "answer" if len(answering) > 1 else "answers"
    return [f"without {name}, {', '.join(answering)} {verb}: {fault}" for name, fault in failed.items()]


def _of_losses(cube: xr.Dataset) -> list[str]:
    """Return notes on hours that a finer model has lost between others of its own, and that the next one took."""
    stretches = hours_by_model(cube)
    notes = []
    for name in dict.fromkeys(s.model for s in stretches):
        own = [k for k, s in enumerate(stretches) if s.model == name]
        between = [s for s in stretches[own[0] : own[-1]] if s.model != name and s.model in models_of(cube)]
        between = [s for s in between if models_of(cube).index(s.model) > models_of(cube).index(name)]
        hours = sum(int((s.last - s.first) / np.timedelta64(1, "h")) + 1 for s in between)
        if hours:
            others = ", ".join(dict.fromkeys(s.model for s in between))
            notes.append(f"{name} has lost values of {hours} hour{'s' if hours > 1 else ''}: {others} answers for them")
    return notes


def _without_service(
    asked: _Asked,
    ranked: Sequence[str],
    failed: Mapping[str, WxflyError],
    kp: Future[tuple[Answered, Answered]],
) -> Obtained:
    """Answer from the store, or from the second source where the store has nothing young enough."""
    sites, from_store = asked.sites, replace(asked, offline=True)
    fault = next(iter(failed.values()), None)
    why: list[str] = (
        [] if fault is None else [Note(f"no newer forecast is available: {fault}", NoteKind.NO_NEWER_FORECAST)]
    )
    stored: list[xr.Dataset] = []
    nothing: WxflyError | None = None
    for name in (*ranked, *(m for m in (DEFAULT_MODEL,) if m not in ranked)):
        try:
            stored.append(_join(_stored(sites, name), sites))
        except WxflyError as missing:
            nothing = nothing or missing
    found = None
    if stored:
        newest = max((since_of(cube) for cube in stored if not np.isnat(since_of(cube))), default=None)
        young = [cube for cube in stored if newest is not None and newest - since_of(cube) <= SAME_AGE]
        young = young or stored[:1]
        finest = models_of(young[0])[0]
        cells = from_store.cells(finest)
        why += cells.notes
        young[0] = with_cells(young[0], sites, cells, asked.height)
        cube = join_models(young, needed_variables(), height=asked.height)
        found = _finished(from_store, cube, why, fetched=False, kp=kp.result())
        if asked.offline or not _is_too_old(found):
            return found
    if not asked.offline:
        reason = str(fault) if fault is not None else "no model covers the place"
        other = _of_second_source(asked, found, f"{', '.join(failed) or 'any model'}: {reason}")
        if other is not None:
            return other
    if found is not None:
        return found
    if fault is not None:
        places = ", ".join(site.name for site in sites)
        raise NotAskedError(f"{fault}; nothing is stored for {places} to answer from")
    raise nothing or WxflyError("no model covers these places at this height; name one with --model")


def obtain_forecast(
    sites: Sequence[Site],
    *,
    model: str,
    offline: bool,
    now: np.datetime64 | None,
    on_progress: Progress,
    settings: Settings,
) -> Obtained:
    """Obtain the newest forecast of one model for sites: one request for all that are missing, each place once.

    Parameters
    ----------
    sites : sequence of Site
        Real places.
    model : str
        Name of the model.
    offline, now, on_progress
        As in `obtain`.
    settings : Settings
        Settings of the services.

    Returns
    -------
    Obtained
        Without the spread of the cells around the sites.

    Raises
    ------
    WxflyError
        When neither the sources nor the store has a forecast for every site.
    """
    return _of_model(_Asked(sites, settings, offline, now, on_progress, _USUAL_HEIGHT, asks_cells=False), model)


def _of_model(asked: _Asked, model: str, cells: Future[Cells] | None = None) -> Obtained:
    """Obtain the newest forecast of one model, with the spread of the cells around where they are given."""
    if model in OF_ONE_MODEL:
        came = _of_one_model(asked, OF_ONE_MODEL[model])
        is_stored = any(kind_of(note) is NoteKind.NO_NEWER_FORECAST for note in came.notes)
    elif find_model(model) and asked.offline:
        came, is_stored = _Fetched(_stored(asked.sites, model), False, []), True
    else:
        is_stored = False
        try:
            came = _fetch(asked, model)
        except WxflyError as fault:
            try:
                cubes = _stored(asked.sites, model)
            except WxflyError:
                places = ", ".join(site.name for site in asked.sites)
                raise NotAskedError(f"{fault}; nothing is stored for {places} to answer from") from None
            note = Note(f"no newer forecast is available: {fault}", NoteKind.NO_NEWER_FORECAST)
            came, is_stored = _Fetched(cubes, False, [note]), True
    cube, notes = _join(came.cubes, asked.sites), list(came.notes)
    if cells is not None:
        cube = with_cells(cube, asked.sites, found := cells.result(), asked.height)
        notes += found.notes
    return _finished(replace(asked, offline=asked.offline or is_stored), cube, notes, fetched=came.is_new)


def _finished(
    asked: _Asked,
    cube: xr.Dataset,
    notes: Sequence[str],
    *,
    fetched: bool,
    kp: tuple[Answered, Answered] | None = None,
) -> Obtained:
    """Add Kp and what the reader must know first."""
    moment = as_moment(utc_now()) if asked.now is None else asked.now
    cube, kp_notes = with_kp(
        cube, offline=asked.offline, settings=asked.settings, on_progress=asked.on_progress, answered=kp
    )
    of_store = [f"forecast from the store, retrieved {_ago(moment, retrieved_of(cube))}"] if asked.offline else []
    of_run = ["when the model ran is not known: the age counts from the earliest possible run"]
    return Obtained(
        sites=_with_ground(asked.sites, cube), cube=cube, now=moment, origin="fetched" if fetched else "store",
        is_chosen=asked.now is not None,
        notes=(*of_store, *notes, *(of_run if np.isnat(run_of(cube)) else []), *kp_notes),
    )  # fmt: skip


# --- from the services ------------------------------------------------------------------------------------------


def _fetch(asked: _Asked, model: str, *, at_once: bool = False) -> _Fetched:
    """Return a cube of the newest run for each site.

    With `at_once` the run is requested together with the forecast where the store has nothing of the model for the
    places, because there is then nothing to compare the run with.
    """
    import filelock

    # One request at a time for each model, so that a second process finds the reply of the first.
    lock = cache_folder() / "locks" / f"fetch-{model}.lock"
    places = {site.key: site for site in asked.sites}
    try:
        make_folder(lock.parent)
        with having(asked.settings.addresses["forecast"]), filelock.FileLock(lock, timeout=LOCK_SECONDS):
            if at_once and not _has_stored(asked.sites, model):
                found, notes = _fetch_anew(asked, model, [*places.values()])
                return _Fetched([found[site.key] for site in asked.sites], True, notes)
            run = newest_run(model, asked.settings, asked.on_progress)
            name = f"{as_moment(run)!s:.13}Z" if run else f"{forecasts.NOT_KNOWN}{as_moment(utc_now())!s:.13}Z"
            stored = {
                key: forecasts.find_forecast(*key, model, surface_altitude=site.surface_altitude, run=name)
                for key, site in places.items()
            }
            found = {key: cube for key, cube in stored.items() if cube is not None}
            missing = [site for key, site in places.items() if key not in found]
            notes = []
            if missing:
                came, notes = _request(asked, model, missing, run)
                found |= came
            return _Fetched([found[site.key] for site in asked.sites], bool(missing), notes)
    except filelock.Timeout:
        raise WxflyError(f"another wxfly has been asking for {model} for {LOCK_SECONDS:g} s; try again") from None
    except OSError as fault:
        raise WxflyError(
            f"the cache folder {cache_folder()} cannot be written ({fault.strerror}); set WXFLY_CACHE to one that can"
        ) from None


def _has_stored(sites: Sequence[Site], model: str) -> bool:
    places = {site.key for site in sites}
    return any(f.model == model and f.key in places for f in forecasts.list_forecasts())


_Found = tuple[dict[tuple[float, float], xr.Dataset], list[str]]
"""Cubes by place, and what the reader must know."""


def _fetch_anew(asked: _Asked, model: str, sites: Sequence[Site]) -> _Found:
    """Request the run and the forecast at once.

    The run is that of `ModelRun.certain_at`, which is never newer than that of a forecast requested at about the same
    time.
    """
    with together() as group:
        run = group.start(lambda: newest_run(model, asked.settings, lambda _: None))

        def started() -> datetime | None:
            with contextlib.suppress(SourceError):
                return run.result()
            return None

        return _request(asked, model, sites, started)


def _request(
    asked: _Asked, model: str, sites: Sequence[Site], run: datetime | Callable[[], datetime | None] | None
) -> _Found:
    """Request the forecast of a model for places, and keep the replies."""
    from wxfly.sources.open_meteo.forecast import get_forecast

    count = f"{len(sites)} places" if len(sites) > 1 else sites[0].name
    asked.on_progress(f"asking for {find_model(model).title} at {count}")
    replies: list[PlaceReply] = []
    cube = get_forecast(sites, model, settings=asked.settings, run=run, keep=replies.extend)
    found = {site.key: cube.isel(site=[position]) for position, site in enumerate(sites)}
    return found, keep_and_prune(replies, asked.settings)


def keep_and_prune(replies: Sequence[PlaceReply], settings: Settings) -> list[str]:
    """Keep replies; return a note where that fails: this answer has the forecast, but a later one offline will not."""
    try:
        forecasts.keep_forecasts(replies)
        pruning.prune_store(settings)
    except WxflyError as fault:
        return [Note(str(fault), NoteKind.NOT_KEPT)]
    return []


# --- a service of one model: asked no sooner than it allows, one place at a time --------------------------------


def _of_one_model(asked: _Asked, service: Service) -> _Fetched:
    """Return a cube of the service for each site, from one request after the other.

    Raises
    ------
    WxflyError
        When a site has no forecast, neither fresh nor stored.
    """
    cubes, is_new, notes = [], False, list[str]()
    for site in asked.sites:
        if asked.offline:
            cube = newest_stored(site, service.model)
            if cube is None:
                raise WxflyError(f"{site.name}: no forecast of {service.model} in the store; fetch one while online")
        else:
            with asking_alone(service.name, _key(site)):
                cube, is_asked, of_site = _newest_of(service, site, asked)
            is_new |= is_asked
            notes += of_site
        cubes.append(cube)
    # Each place is renewed separately; together they are as old as the oldest, or of unknown age if one is.
    oldest = min(cube["forecast_reference_time"].values for cube in cubes)
    cubes = [cube.assign_coords(forecast_reference_time=((), oldest)) for cube in cubes] if len(cubes) > 1 else cubes
    return _Fetched(cubes, is_new, notes)


def _key(site: Site) -> str:
    return f"{site.latitude:.4f},{site.longitude:.4f},{site.surface_altitude:.0f}"


def _newest_of(service: Service, site: Site, asked: _Asked) -> tuple[xr.Dataset, bool, list[str]]:
    """Return the newest forecast of a site, whether it was sent now, and notes on failures."""
    now = utc_now()
    reader, stored = import_module(service.reader), newest_stored(site, service.model)
    terms = _Terms.read(service.name, _key(site)) if stored is not None else None
    if stored is not None and terms is not None and terms.asked <= now < terms.expires:
        return stored, False, []
    asked.on_progress(f"asking {service.source} for {site.name}")
    # "Nothing newer" from the service must refer to the forecast that is stored here.
    is_of_stored = terms is not None and stored is not None and terms.retrieved == stored.attrs["retrieved"]
    modified = terms.last_modified if terms is not None and is_of_stored else ""
    try:
        reply, retrieved = reader.get_forecast(site, settings=asked.settings, last_modified=modified)
    except WxflyError as fault:
        if stored is None:
            raise
        return stored, False, [Note(f"no newer forecast is available: {fault}", NoteKind.NO_NEWER_FORECAST)]
    expires = _expiry(reply.headers.get("expires", ""), now)
    if stored is not None and reply.status == 304:
        _Terms(modified, now, expires, str(stored.attrs["retrieved"])).write(service.name, _key(site))
        return stored, False, []
    cube = reader.parse_forecast(reply.body, retrieved=retrieved, site=site)
    if stored is not None and run_of(cube) < run_of(stored) <= as_moment(now) + CLOCKS:
        return stored, False, [f"{service.source} sent an older forecast than the one in the store, which is kept"]
    notes: list[str] = []
    try:
        run = run_of(cube).astype(datetime).replace(tzinfo=UTC)
        kept = PlaceReply.at(
            site, reply.body, service=service.kept_as, model=service.model, retrieved=retrieved, run=run
        )
        forecasts.keep_forecasts([kept])
        modified = sendable(reply.headers.get("last-modified", ""))
        _Terms(modified, now, expires, str(cube.attrs["retrieved"])).write(service.name, _key(site))
        pruning.prune_store(asked.settings)
    except WxflyError as fault:
        notes.append(Note(str(fault), NoteKind.NOT_KEPT))  # this answer still has the forecast
    if reply.status == 203:
        notes.append(f"{service.source} will retire this product: update wxfly")
    return cube, True, notes


@dataclass(frozen=True)
class _Terms:
    """When and how the service may be asked again, and for which stored forecast that holds."""

    last_modified: str
    asked: datetime
    expires: datetime
    retrieved: str

    @classmethod
    def read(cls, kind: str, key: str) -> _Terms | None:
        """Return the kept terms; None where there are none or they are damaged."""
        kept = kept_reply(kind, key)
        try:
            document = json.loads(kept.text if kept else "")
            expires = datetime.fromisoformat(document["expires"])
            modified, retrieved = document["last_modified"], document["retrieved"]
        except (ValueError, KeyError, TypeError, RecursionError):
            return None
        if kept is None or expires.tzinfo is None or not isinstance(modified, str):
            return None
        return cls(modified, kept.retrieved, expires, str(retrieved))

    def write(self, kind: str, key: str) -> None:
        document = {
            "last_modified": self.last_modified,
            "expires": self.expires.isoformat(),
            "retrieved": self.retrieved,
        }
        keep_reply(kind, key, json.dumps(document), self.asked)


_ASK_AGAIN = timedelta(minutes=30)  # used when a reply does not state how long it is valid
_ASK_AGAIN_AT_LAST = timedelta(hours=12)


def _expiry(header: str, now: datetime) -> datetime:
    """Return the time before which the service wants no further request."""
    try:
        moment = parsedate_to_datetime(header)
    except ValueError:
        return now + _ASK_AGAIN
    if moment.tzinfo is None or not now < moment < now + _ASK_AGAIN_AT_LAST:
        return now + _ASK_AGAIN
    return moment


# --- from the store, and put together ----------------------------------------------------------------------------


def _stored(sites: Sequence[Site], model: str) -> list[xr.Dataset]:
    """Return the newest stored cubes that have the same run for all sites."""
    newest: list[xr.Dataset] = []
    for site in sites:
        cube = newest_stored(site, model)
        if cube is None:
            fault = forecasts.why_unused(*site.key, model, surface_altitude=site.surface_altitude)
            if fault:
                raise NotAskedError(f"{site.name}: the forecast of {model} in the store is not usable: {fault}")
            others = sorted({f.model for f in forecasts.list_forecasts() if f.key == site.key})
            hint = f"; stored are forecasts of {', '.join(others)} (--model)" if others else ""
            raise NotAskedError(f"{site.name}: no forecast of {model} in the store{hint}; fetch one while online")
        newest.append(cube)
    names = sorted({forecasts.run_name(cube) for cube in newest})
    if len(names) == 1:
        return newest
    for name in names:  # the oldest of the newest runs is the most likely one that all sites have
        same = [forecasts.find_forecast(*s.key, model, surface_altitude=s.surface_altitude, run=name) for s in sites]
        if all(cube is not None for cube in same):
            return [cube for cube in same if cube is not None]
    raise WxflyError(f"the stored forecasts are of different runs ({', '.join(names)}); ask each site alone, or fetch")


def _join(cubes: list[xr.Dataset], sites: Sequence[Site]) -> xr.Dataset:
    """Join the cubes of single places, with the pilot's names."""
    if len(cubes) > 1:
        cube = side_by_side(cubes)
        oldest = min(cubes, key=lambda c: str(c.attrs.get("retrieved")))
        cube = cube.assign_attrs({k: oldest.attrs[k] for k in ("retrieved", "history") if k in oldest.attrs})
    else:
        cube = cubes[0]
    return cube.assign_coords(site=np.array([site.name for site in sites], dtype=object))


def _with_ground(sites: Sequence[Site], cube: xr.Dataset) -> tuple[Site, ...]:
    """Take the height of the ground from the forecast where the pilot gave none."""
    ground = np.atleast_1d(cube["surface_altitude"].values)
    return tuple(
        replace(site, surface_altitude=float(height)) if math.isnan(site.surface_altitude) else site
        for site, height in zip(sites, ground, strict=True)
    )


def _ago(now: np.datetime64, then: np.datetime64) -> str:
    if np.isnat(then):
        return "at an unknown time"
    hours = (now - then) / np.timedelta64(1, "h")
    return (
        f"{str(then)[:16]}Z, {hours:.0f} h ago"
        if hours >= 1
        else f"{str(then)[:16]}Z, {max(hours, 0) * 60:.0f} min ago"
    )
