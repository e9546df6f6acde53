"""Obtain a forecast cube for sites: from the store when it has the newest run, else from the sources."""

from __future__ import annotations

import contextlib
import json
import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from wxfly.cube.age import CLOCKS, TOO_OLD, retrieved_of, run_of, since_of
from wxfly.cube.contract import models_of, side_by_side
from wxfly.cube.joined import hours_by_model, join_models, knows_any_hour, unknown_hours
from wxfly.cube.notes import Note, NoteKind, kind_of
from wxfly.errors import NotAskedError, WxflyError
from wxfly.pilot.elements import ELEMENTS
from wxfly.pilot.own_files import SetAside, damage_notes, make_folder
from wxfly.pilot.services import OF_ONE_MODEL
from wxfly.pilot.settings import DEFAULT_MODEL, Settings, cache_folder, config_folder, load_settings
from wxfly.pilot.site import Site
from wxfly.retrieval.kp import Answered, ask_kp, with_kp
from wxfly.retrieval.model_choice import Wanted, plan_models, rank_models, reaches_for_sure
from wxfly.retrieval.origin import Obtained
from wxfly.retrieval.places import demo_sites, from_demonstration, refuse_set_aside, resolve_site
from wxfly.retrieval.surroundings import Cells, obtain_cells, with_cells
from wxfly.sources.http import LOCK_SECONDS, Together, having, together
from wxfly.sources.open_meteo.models import MODELS, find_model
from wxfly.sources.reply import PlaceReply, SourceError, UnreachableError
from wxfly.store import forecasts, pruning
from wxfly.store.forecasts import newest_stored
from wxfly.store.replies import keep_reply, kept_reply
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


__all__ = ["Obtained", "demo_sites", "obtain", "obtain_forecast", "resolve_site"]

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
    named = [place for place in places if isinstance(place, str)]
    refuse_set_aside(saved, named if named or not places else [place.name for place in places])  # type: ignore[union-attr]
    if forecast_path is not None:
        from wxfly.retrieval.files import open_forecast

        return open_forecast(forecast_path, named, saved=saved, model=model, now=now)
    settings = _with_known_model(load_settings())
    words = list(places) or list(saved)[:1] or list(demo_sites())[:1]
    sites = [
        word if isinstance(word, Site) else resolve_site(word, saved=saved, offline=offline, settings=settings)
        for word in words
    ]
    if _are_of_demonstration(sites, model):
        return from_demonstration(sites, now)
    asked = (wanted or _a_week)(sites, as_moment(utc_now()) if now is None else now)
    rest: dict[str, Any] = {"offline": offline, "now": now, "on_progress": on_progress}
    with together() as group:  # the requests of an answer go out at once
        of_members = None
        if members is not None:
            of_members = group.start(partial(members, sites, asked, settings, offline, on_progress))
        obtained = _from_services(sites, model, asked, settings, group, asks_cells=asks_cells, **rest)
    found, notes = of_members.result() if of_members is not None else ((), ())
    return replace(obtained, notes=(*damage_notes(settings.set_aside), *obtained.notes, *notes), ensembles=found)


def _from_services(
    sites: Sequence[Site],
    model: str | None,
    asked: Wanted,
    settings: Settings,
    group: Together,
    *,
    asks_cells: bool,
    **rest: Any,
) -> Obtained:
    """Return the forecast of the named model, or else of those chosen by place and hours."""
    cells_of = obtain_cells if asks_cells else _no_cells
    online: dict[str, Any] = {"offline": rest["offline"], "settings": settings, "on_progress": rest["on_progress"]}
    if model is not None or settings.names_model:
        around = group.start(partial(cells_of, sites, model or settings.model, **online))
        return _of_sources(sites, model, settings, cells=around.result, height=asked.height, **rest)
    kp = group.start(partial(ask_kp, **online))
    return _of_chosen(sites, asked, settings, kp=kp.result, start=group.start, cells_of=cells_of, **rest)


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


def _no_cells(sites: Sequence[Site], model: str, **_: Any) -> Cells:
    """Return no cells: none are asked for."""
    return Cells(model, {})


_USUAL_DAYS, _USUAL_HEIGHT = 7, 120.0


def _a_week(sites: Sequence[Site], now: np.datetime64) -> Wanted:
    """Return what the three questions may want: a week of hours, at heights up to 120 m."""
    return Wanted(now, now + np.timedelta64(_USUAL_DAYS, "D"), _USUAL_HEIGHT)


def _of_sources(
    sites: Sequence[Site],
    model: str | None,
    settings: Settings,
    *,
    cells: Callable[[], Cells],
    height: float,
    offline: bool,
    now: np.datetime64 | None,
    on_progress: Progress,
) -> Obtained:
    """Obtain the forecast of the requested model, or of the second source where the pilot named no model."""
    asked = model or settings.model
    rest: dict[str, Any] = {"offline": offline, "now": now, "on_progress": on_progress, "settings": settings}
    first: Obtained | None = None
    try:
        first = obtain_forecast(sites, model=asked, cells=cells, height=height, **rest)
        why = [note for note in first.notes if kind_of(note) is NoteKind.NO_NEWER_FORECAST]
        reason = "; ".join([f"no forecast of {asked} is recent enough to use", *why])
    except WxflyError as failure:
        fault, reason = failure, str(failure)
    if first is not None and not (first.origin == "store" and _is_too_old(first)):
        return first
    # A pilot who named no model gets a forecast of another one; a pilot who named a model gets that one or none.
    other = None if model is not None else _of_second_source(sites, first, f"{asked}: {reason}", without=asked, **rest)
    if other is not None:
        return other
    if first is None:
        raise fault
    return first


def _of_second_source(
    sites: Sequence[Site],
    found: Obtained | None,
    in_place_of: str,
    *,
    without: str = "",
    settings: Settings,
    **rest: Any,
) -> Obtained | None:
    """Return the forecast of a service of one model, with a note that says in place of what and why.

    None where there is none, or none that is recent enough to stand in place of the one that was found. Such a service
    is asked only where the settings have a contact.
    """
    for service in OF_ONE_MODEL.values() if settings.contact else ():
        if service.model == without:
            continue
        with contextlib.suppress(WxflyError):
            other = obtain_forecast(sites, model=service.model, settings=settings, **rest)
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


_MOST_ROUNDS, _MOST_REPAIRS = 8, 2
"""Largest number of rounds in which failed models are replaced by the next, within the patience for one request; and of
those in which further models are asked for hours that the chosen ones have lost."""
_SAME_AGE = np.timedelta64(12, "h")
"""Stored runs that differ by more are not joined: all hours would count as old as the oldest."""


@dataclass
class _Replies:
    """What came of the chosen models: forecasts by name, those that know no hour apart, and the faults."""

    sites: Sequence[Site]
    height: float
    needed: frozenset[str] = field(default_factory=lambda: needed_variables())
    got: dict[str, xr.Dataset] = field(default_factory=dict)
    empty: dict[str, xr.Dataset] = field(default_factory=dict)
    failed: dict[str, WxflyError] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    fetched: bool = False

    def add(self, name: str, future: Future[Any]) -> None:
        """Wait for what one model sent."""
        try:
            cubes, is_new, of_model = future.result()
            cube, self.fetched = _join(cubes, self.sites), self.fetched or is_new
        except WxflyError as fault:
            self.failed[name] = fault
            return
        if knows_any_hour(cube, self.needed, height=self.height):
            self.got[name] = cube
        else:
            self.empty[name] = cube
            self.failed[name] = WxflyError(f"{name} has lost values of every hour; name another model with --model")
        self.notes += [note for note in of_model if note not in self.notes]


def _of_chosen(
    sites: Sequence[Site],
    wanted: Wanted,
    settings: Settings,
    *,
    offline: bool,
    now: np.datetime64 | None,
    on_progress: Progress,
    kp: Callable[[], tuple[Answered, Answered]],
    start: Callable[..., Future[Any]],
    cells_of: Callable[..., Cells],
) -> Obtained:
    """Obtain the forecast of the models chosen by place and hours; where one fails, the next takes over.

    Services are asked before the store: a young forecast of the next model is better than an old one of the first.
    """
    came = _Replies(sites, wanted.height)
    got, failed = came.got, came.failed
    present = as_moment(utc_now())
    plan = plan_models(sites, wanted, present)
    to_ask = [] if offline else [model.name for model in plan.asked]
    ranked = [model.name for model in rank_models(sites, wanted.height)]
    around: dict[str, Future[Cells]] = {}
    of_cells: dict[str, Any] = {"offline": offline, "settings": settings, "on_progress": on_progress}
    began = time.monotonic()
    for _ in range(_MOST_ROUNDS):
        if not to_ask or time.monotonic() - began > settings.patience_seconds:
            break
        asked = {name: start(partial(_fetch, sites, name, settings, on_progress, at_once=True)) for name in to_ask}
        if plan.models and (finest := plan.models[0].name) not in around:
            around[finest] = start(partial(cells_of, sites, finest, **of_cells))
        for name, future in asked.items():
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
        return _without_service(
            sites, ranked, failed, settings, wanted,
            offline=offline, now=now, on_progress=on_progress, kp=kp, cells_of=cells_of,
        )  # fmt: skip
    # Cells are requested only for the model of the first hours: later hours have a larger error anyway.
    finest = next(name for name in (*(m.name for m in plan.models), *ranked) if name in got)
    cells = around[finest].result() if finest in around else cells_of(sites, finest, **of_cells)
    got[finest] = with_cells(got[finest], sites, cells, wanted.height)
    cube = join_models([got[name] for name in ranked if name in got], came.needed, height=wanted.height)
    notes = [*_of_failures(failed, cube), *_of_losses(cube), *came.notes, *cells.notes]
    return _finished(
        sites, cube, notes, settings, fetched=came.fetched, offline=False, now=now, on_progress=on_progress, kp=kp()
    )


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
    sites: Sequence[Site],
    ranked: Sequence[str],
    failed: Mapping[str, WxflyError],
    settings: Settings,
    wanted: Wanted,
    *,
    offline: bool,
    now: np.datetime64 | None,
    on_progress: Progress,
    kp: Callable[[], tuple[Answered, Answered]],
    cells_of: Callable[..., Cells],
) -> Obtained:
    """Answer from the store, or from the second source where the store has nothing young enough."""
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
        young = [cube for cube in stored if newest is not None and newest - since_of(cube) <= _SAME_AGE]
        young = young or stored[:1]
        finest = models_of(young[0])[0]
        cells = cells_of(sites, finest, offline=True, settings=settings, on_progress=on_progress)
        why += cells.notes
        young[0] = with_cells(young[0], sites, cells, wanted.height)
        cube = join_models(young, needed_variables(), height=wanted.height)
        found = _finished(
            sites, cube, list(why), settings, fetched=False, offline=True, now=now, on_progress=on_progress, kp=kp()
        )
        if offline or not _is_too_old(found):
            return found
    if not offline:
        reason = str(fault) if fault is not None else "no model covers the place"
        other = _of_second_source(
            sites, found, f"{', '.join(failed) or 'any model'}: {reason}",
            offline=offline, now=now, on_progress=on_progress, settings=settings,
        )  # fmt: skip
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
    offline: bool = False,
    now: np.datetime64 | None = None,
    on_progress: Progress = lambda _: None,
    settings: Settings | None = None,
    cells: Callable[[], Cells] | None = None,
    height: float = _USUAL_HEIGHT,
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
    settings : Settings, optional
        By default those in force.
    cells : callable, optional
        Returns the cells around the sites; without it the forecast comes without their spread.
    height : float, optional
        Largest flight height above ground [m], for that spread.

    Raises
    ------
    WxflyError
        When neither the sources nor the store has a forecast for every site.
    """
    settings = settings or load_settings()
    notes: list[str] = []
    fetched = False
    if model in OF_ONE_MODEL:
        from wxfly.retrieval.second_source import obtain_cubes

        of = OF_ONE_MODEL[model]
        cubes, fetched, notes = obtain_cubes(of, sites, settings, offline=offline, on_progress=on_progress)
        offline = offline or any(kind_of(note) is NoteKind.NO_NEWER_FORECAST for note in notes)
    elif find_model(model) and offline:
        cubes = _stored(sites, model)
    else:
        try:
            cubes, fetched, notes = _fetch(sites, model, settings, on_progress)
        except WxflyError as fault:
            try:
                cubes = _stored(sites, model)
            except WxflyError:
                places = ", ".join(site.name for site in sites)
                raise NotAskedError(f"{fault}; nothing is stored for {places} to answer from") from None
            offline = True
            notes.append(Note(f"no newer forecast is available: {fault}", NoteKind.NO_NEWER_FORECAST))
    cube = _join(cubes, sites)
    if cells is not None:
        cube = with_cells(cube, sites, found := cells(), height)
        notes += found.notes
    return _finished(sites, cube, notes, settings, fetched=fetched, offline=offline, now=now, on_progress=on_progress)


def _finished(
    sites: Sequence[Site],
    cube: xr.Dataset,
    notes: list[str],
    settings: Settings,
    *,
    fetched: bool,
    offline: bool,
    now: np.datetime64 | None,
    on_progress: Progress,
    kp: tuple[Answered, Answered] | None = None,
) -> Obtained:
    """Add Kp and what the reader must know first."""
    moment = as_moment(utc_now()) if now is None else now
    cube, kp_notes = with_kp(cube, offline=offline, settings=settings, on_progress=on_progress, answered=kp)
    retrieved = retrieved_of(cube)
    if np.isnat(run_of(cube)):
        notes.append("when the model ran is not known: the age counts from the earliest possible run")
    if offline:
        notes.insert(0, f"forecast from the store, retrieved {_ago(moment, retrieved)}")
    return Obtained(
        sites=_with_ground(sites, cube), cube=cube, now=moment, origin="fetched" if fetched else "store",
        run=run_of(cube), retrieved=retrieved, notes=(*notes, *kp_notes), is_chosen=now is not None,
    )  # fmt: skip


def _fetch(
    sites: Sequence[Site], model: str, settings: Settings, on_progress: Progress, *, at_once: bool = False
) -> tuple[list[xr.Dataset], bool, list[str]]:
    """Return a cube of the newest run for each site, whether any had to be requested, and notes on failures.

    With `at_once` the run is requested together with the forecast where the store has nothing of the model for the
    places, because there is then nothing to compare the run with.
    """
    import filelock

    from wxfly.sources.open_meteo.forecast import get_forecast

    # One request at a time for each model, so that a second process finds the reply of the first.
    notes: list[str] = []
    lock = cache_folder() / "locks" / f"fetch-{model}.lock"
    try:
        make_folder(lock.parent)
        with having(settings.addresses["forecast"]), filelock.FileLock(lock, timeout=LOCK_SECONDS):
            if at_once and not _has_stored(sites, model):
                return _fetch_anew(sites, model, settings, on_progress)
            run = newest_run(model, settings, on_progress)
            name = f"{as_moment(run)!s:.13}Z" if run else f"{forecasts.NOT_KNOWN}{as_moment(utc_now())!s:.13}Z"
            found: dict[tuple[float, float], xr.Dataset] = {}
            missing: dict[tuple[float, float], Site] = {}
            for site in sites:
                cube = forecasts.find_forecast(*site.key, model, surface_altitude=site.surface_altitude, run=name)
                if cube is None:
                    missing[site.key] = site
                else:
                    found[site.key] = cube
            if missing:
                wanted = list(missing.values())
                count = f"{len(wanted)} places" if len(wanted) > 1 else wanted[0].name
                on_progress(f"asking for {find_model(model).title} at {count}")
                replies: list[PlaceReply] = []
                cube = get_forecast(wanted, model, settings=settings, run=run, keep=replies.extend)
                for position, site in enumerate(wanted):
                    found[site.key] = cube.isel(site=[position])
                notes += _kept(replies, settings)
            return [found[site.key] for site in sites], bool(missing), notes
    except filelock.Timeout:
        raise WxflyError(f"another wxfly has been asking for {model} for {LOCK_SECONDS:g} s; try again") from None
    except OSError as fault:
        raise WxflyError(
            f"the cache folder {cache_folder()} cannot be written ({fault.strerror}); set WXFLY_CACHE to one that can"
        ) from None


def _has_stored(sites: Sequence[Site], model: str) -> bool:
    places = {site.key for site in sites}
    return any(f.model == model and (f.latitude, f.longitude) in places for f in forecasts.list_forecasts())


def _fetch_anew(
    sites: Sequence[Site], model: str, settings: Settings, on_progress: Progress
) -> tuple[list[xr.Dataset], bool, list[str]]:
    """Request the run and the forecast at once.

    The run is that of `ModelRun.certain_at`, which is never newer than that of a forecast requested at about the same
    time.
    """
    from wxfly.sources.open_meteo.forecast import get_forecast

    wanted = list({site.key: site for site in sites}.values())
    count = f"{len(wanted)} places" if len(wanted) > 1 else wanted[0].name
    on_progress(f"asking for {find_model(model).title} at {count}")
    replies: list[PlaceReply] = []
    with together() as group:
        run = group.start(lambda: newest_run(model, settings, lambda _: None))

        def started() -> datetime | None:
            with contextlib.suppress(SourceError):
                return run.result()
            return None

        cube = get_forecast(wanted, model, settings=settings, run=started, keep=replies.extend)
    notes = _kept(replies, settings)
    found = {site.key: cube.isel(site=[position]) for position, site in enumerate(wanted)}
    return [found[site.key] for site in sites], True, notes


def _kept(replies: Sequence[PlaceReply], settings: Settings) -> list[str]:
    """Keep replies; return a note where that fails: this answer has the forecast, but a later one offline will not."""
    try:
        forecasts.keep_forecasts(replies)
        pruning.prune_store(settings)
    except WxflyError as fault:
        return [Note(str(fault), NoteKind.NOT_KEPT)]
    return []


def _stored(sites: Sequence[Site], model: str) -> list[xr.Dataset]:
    """Return the newest stored cubes that have the same run for all sites."""
    newest: list[xr.Dataset] = []
    for site in sites:
        cube = newest_stored(site, model)
        if cube is None:
            fault = forecasts.why_unused(*site.key, model, surface_altitude=site.surface_altitude)
            if fault:
                raise NotAskedError(f"{site.name}: the forecast of {model} in the store is not usable: {fault}")
            others = sorted({f.model for f in forecasts.list_forecasts() if (f.latitude, f.longitude) == site.key})
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
