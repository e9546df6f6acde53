"""Obtain a forecast cube for sites: from the store when it has the newest run, else from the sources."""

from __future__ import annotations

import contextlib
import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from wxfly.cube.age import CLOCKS, TOO_OLD
from wxfly.cube.contract import mark_carried, side_by_side
from wxfly.cube.notes import Note, NoteKind, kind_of
from wxfly.errors import WxflyError
from wxfly.pilot.own_files import SetAside, make_folder, told
from wxfly.pilot.services import OF_ONE_MODEL
from wxfly.pilot.settings import DEFAULT_MODEL, Settings, cache_folder, config_folder, load_settings
from wxfly.pilot.site import Site
from wxfly.retrieval.demonstration import from_demonstration
from wxfly.retrieval.kp import with_kp
from wxfly.retrieval.obtained import Obtained, retrieved_of, run_of
from wxfly.retrieval.places import demo_sites, refuse_set_aside, resolve_site
from wxfly.sources.reply import PlaceReply
from wxfly.store import forecasts, layout
from wxfly.store.forecasts import newest_stored
from wxfly.store.replies import keep_reply, kept_reply
from wxfly.times import as_moment, utc_now

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
    from wxfly.sources.open_meteo.models import find_model
    from wxfly.sources.open_meteo.runs import ModelRun, get_model_run
    from wxfly.sources.reply import SourceError, UnreachableError

    now = utc_now()
    kept = kept_reply("metadata", model)
    if kept is not None:
        try:
            start, available, seconds = json.loads(kept.text)
            run = ModelRun(datetime.fromisoformat(start), datetime.fromisoformat(available), timedelta(seconds=seconds))
            until = min(max(kept.retrieved + METADATA_AGE, run.next_expected()), kept.retrieved + METADATA_LONGEST)
            if kept.retrieved <= now < until and run.run <= now:
                return run.certain_at(now)
        except (ValueError, TypeError, OverflowError, RecursionError):
            pass  # not ours, or from another version: requested again
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


__all__ = ["Obtained", "demo_sites", "obtain", "obtain_forecast", "resolve_site"]

Progress = Callable[[str], None]

_LOCK_SECONDS = 120.0


def _silent(_: str) -> None:
    return


def obtain(
    places: Sequence[str],
    *,
    saved: Mapping[str, Site],
    forecast_path: Path | None = None,
    model: str | None = None,
    offline: bool = False,
    now: np.datetime64 | None = None,
    on_progress: Progress = _silent,
) -> Obtained:
    """Obtain a forecast for the places that a pilot names.

    Parameters
    ----------
    places : sequence of str
        Saved names, ``LATITUDE,LONGITUDE`` or place names; empty for the first saved site, or the demonstration's
        first site when none is saved.
    saved : mapping
        The pilot's saved sites.
    forecast_path : Path, optional
        A saved reply (.json) or a cube (.nc) to answer from, without asking any service.
    model : str, optional
        The one model to ask for; by default that of the settings.
    offline : bool, optional
        Whether to ask no service.
    now : numpy.datetime64, optional
        Time of the answer, UTC; by default the present time, and for a demonstration the run's own time.
    on_progress : callable, optional
        Called with a line on each request.

    Returns
    -------
    Obtained

    Raises
    ------
    WxflyError
        When no forecast is available; nothing in the store is lost.
    """
    refuse_set_aside(saved, places)
    if forecast_path is not None:
        from wxfly.retrieval.files import open_forecast

        return open_forecast(forecast_path, places, saved=saved, model=model, now=now)
    settings = _with_known_model(load_settings())
    words = list(places) or list(saved)[:1] or list(demo_sites())[:1]
    sites = [resolve_site(word, saved=saved, offline=offline, settings=settings) for word in words]
    demo = [site.is_demo for site in sites]
    if all(demo):
        if model is not None:
            raise WxflyError("the demonstration has one invented model; leave --model out or name a real place")
        return from_demonstration(sites, now)
    if any(demo):
        names = ", ".join(site.name for site in sites if site.is_demo)
        raise WxflyError(f"{names} has invented weather and cannot be asked together with a real place")
    obtained = _of_sources(sites, model, settings, offline=offline, now=now, on_progress=on_progress)
    return replace(obtained, notes=(*told(settings.set_aside), *obtained.notes))


def _of_sources(
    sites: Sequence[Site],
    model: str | None,
    settings: Settings,
    *,
    offline: bool,
    now: np.datetime64 | None,
    on_progress: Progress,
) -> Obtained:
    """Obtain the forecast of the requested model, or of the second source where the pilot named no model."""
    asked = model or settings.model
    rest: dict[str, Any] = {"offline": offline, "now": now, "on_progress": on_progress, "settings": settings}
    first: Obtained | None = None
    try:
        first = obtain_forecast(sites, model=asked, **rest)
        why = [note for note in first.notes if kind_of(note) is NoteKind.NO_NEWER_FORECAST]
        reason = "; ".join([f"no forecast of {asked} is recent enough to use", *why])
    except WxflyError as failure:
        fault, reason = failure, str(failure)
    if first is not None and not (first.origin == "store" and _is_too_old(first)):
        return first
    # A pilot who named no model gets a forecast of another one; a pilot who named a model gets that one or none.
    others = OF_ONE_MODEL.values() if model is None and settings.contact else ()
    for service in (service for service in others if service.model != asked):
        with contextlib.suppress(WxflyError):
            other = obtain_forecast(sites, model=service.model, **rest)
            if first is None or not _is_too_old(other):
                return replace(other, notes=(f"{service.source} answers in place of {asked}: {reason}", *other.notes))
    if first is None:
        raise fault
    return first


def _with_known_model(settings: Settings) -> Settings:
    """Use the default model where the settings name an unknown one, and set that entry aside."""
    from wxfly.sources.open_meteo.models import MODELS, find_model

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


def obtain_forecast(
    sites: Sequence[Site],
    *,
    model: str,
    offline: bool = False,
    now: np.datetime64 | None = None,
    on_progress: Progress = _silent,
    settings: Settings | None = None,
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

    Raises
    ------
    WxflyError
        When neither the sources nor the store has a forecast for every site.
    """
    from wxfly.sources.open_meteo.models import find_model

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
                raise WxflyError(f"{fault}; nothing is stored for {places} to answer from") from None
            offline = True
            notes.append(Note(f"no newer forecast is available: {fault}", NoteKind.NO_NEWER_FORECAST))
    moment = as_moment(utc_now()) if now is None else now
    cube = _join(cubes, sites)
    cube, kp_notes = with_kp(cube, offline=offline, settings=settings, on_progress=on_progress)
    retrieved = retrieved_of(cube)
    if np.isnat(run_of(cube)):
        notes.append("when the model ran is not known: the age counts from the earliest possible run")
    if offline:
        notes.insert(0, f"forecast from the store, retrieved {_ago(moment, retrieved)}")
    return Obtained(
        _with_ground(sites, cube), cube, moment, "fetched" if fetched else "store",
        run_of(cube), retrieved, (*notes, *kp_notes), is_chosen=now is not None,
    )  # fmt: skip


def _fetch(
    sites: Sequence[Site], model: str, settings: Settings, on_progress: Progress
) -> tuple[list[xr.Dataset], bool, list[str]]:
    """Return a cube of the newest run for each site, whether any had to be requested, and notes on failures."""
    import filelock

    from wxfly.sources.open_meteo.forecast import get_forecast
    from wxfly.sources.open_meteo.models import find_model

    # One request at a time for each model, so that a second process finds the reply of the first.
    notes: list[str] = []
    lock = cache_folder() / "locks" / f"fetch-{model}.lock"
    try:
        make_folder(lock.parent)
        with filelock.FileLock(lock, timeout=_LOCK_SECONDS):
            run = newest_run(model, settings, on_progress)
            name = f"{as_moment(run)!s:.13}Z" if run else f"retrieved-{as_moment(utc_now())!s:.13}Z"
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
                try:
                    forecasts.keep_forecasts(replies)
                    forecasts.prune_store(settings)
                except WxflyError as fault:
                    notes.append(
                        Note(str(fault), NoteKind.NOT_KEPT)
                    )  # this answer has the forecast, but a later one offline will not
            return [found[site.key] for site in sites], bool(missing), notes
    except filelock.Timeout:
        raise WxflyError(f"another wxfly has been asking for {model} for {_LOCK_SECONDS:g} s; try again") from None
    except OSError as fault:
        raise WxflyError(
            f"the cache folder {cache_folder()} cannot be written ({fault.strerror}); set WXFLY_CACHE to one that can"
        ) from None


def _stored(sites: Sequence[Site], model: str) -> list[xr.Dataset]:
    """Return the newest stored cubes that have the same run for all sites."""
    newest: list[xr.Dataset] = []
    for site in sites:
        cube = newest_stored(site, model)
        if cube is None:
            fault = forecasts.why_unused(*site.key, model, surface_altitude=site.surface_altitude)
            if fault:
                raise WxflyError(f"{site.name}: the forecast of {model} in the store is not usable: {fault}")
            others = sorted({f.model for f in layout.list_forecasts() if (f.latitude, f.longitude) == site.key})
            hint = f"; stored are forecasts of {', '.join(others)} (--model)" if others else ""
            raise WxflyError(f"{site.name}: no forecast of {model} in the store{hint}; fetch one while online")
        newest.append(cube)
    names = sorted({layout.run_name(cube) for cube in newest})
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
        cube = mark_carried(cube)
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
        return "at a time that is not known"
    hours = (now - then) / np.timedelta64(1, "h")
    return (
        f"{str(then)[:16]}Z, {hours:.0f} h ago"
        if hours >= 1
        else f"{str(then)[:16]}Z, {max(hours, 0) * 60:.0f} min ago"
    )
