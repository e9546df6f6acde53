"""Obtain a forecast cube for sites: from the store when it has the newest run, else from the sources."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from wxfly import store
from wxfly.errors import WxflyError
from wxfly.forecast import check_forecast, mark_carried
from wxfly.obtained import Obtained, as_moment, retrieved_of, run_of, utc_now
from wxfly.places import demo_sites, resolve_site
from wxfly.settings import Settings, cache_folder, load_settings
from wxfly.site import Site

__all__ = ["Obtained", "demo_sites", "obtain", "obtain_forecast", "resolve_site"]

Progress = Callable[[str], None]

MET_NORWAY = "met_norway"
"""Name by which the second source is asked; the forecasts it gives bear it as their model."""
KP_AGE = timedelta(minutes=30)
OUTLOOK_AGE = timedelta(hours=12)
METADATA_AGE = timedelta(minutes=10)
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
    """Obtain a forecast for the places that a pilot wrote.

    Parameters
    ----------
    places : sequence of str
        Saved names, ``LATITUDE,LONGITUDE`` or place names; empty for the first saved site, or the demonstration's
        first site when none is saved.
    saved : mapping
        The pilot's saved sites.
    forecast_path : Path, optional
        A saved reply (.json) or a cube (.nc) to answer from, instead of asking anybody.
    model : str, optional
        The one model to ask; by default that of the settings.
    offline : bool, optional
        Ask nobody.
    now : numpy.datetime64, optional
        Answer for this moment, UTC; by default the present one, and for a demonstration the run's own time.
    on_progress : callable, optional
        Told what is being asked.

    Returns
    -------
    Obtained

    Raises
    ------
    WxflyError
        When no forecast can be had; nothing in the store is lost.
    """
    if forecast_path is not None:
        from wxfly.forecast_file import open_forecast

        return open_forecast(forecast_path, places, saved=saved, model=model, now=now)
    settings = load_settings()
    words = list(places) or list(saved)[:1] or list(demo_sites())[:1]
    sites = [resolve_site(word, saved=saved, offline=offline, settings=settings) for word in words]
    demo = [site.is_demo for site in sites]
    if all(demo):
        if model is not None:
            raise WxflyError("the demonstration is of one invented model; leave --model out or name a real place")
        return _from_demonstration(sites, now)
    if any(demo):
        names = ", ".join(site.name for site in sites if site.is_demo)
        raise WxflyError(f"{names} has invented weather and cannot be asked together with a real place")
    asked = model or settings.model
    rest: dict[str, Any] = {"offline": offline, "now": now, "on_progress": on_progress, "settings": settings}
    try:
        return obtain_forecast(sites, model=asked, **rest)
    except WxflyError as fault:
        # The pilot who named no model wants a forecast more than that one; who named one gets that or none.
        if model is not None or asked == MET_NORWAY or not settings.contact:
            raise
        try:
            other = obtain_forecast(sites, model=MET_NORWAY, **rest)
        except WxflyError:
            raise fault from None
        return replace(other, notes=(f"MET Norway answers in place of {asked}: {fault}", *other.notes))


# --- the demonstration -----------------------------------------------------------------------------------------


def _from_demonstration(sites: list[Site], now: np.datetime64 | None) -> Obtained:
    entries = store.load_manifest()["files"]
    entry = next((e for e in entries if e.get("default")), entries[0])
    if now is not None:
        for other in entries:
            start = np.datetime64(other["forecast_reference_time"].rstrip("Z"), "s")
            if start <= now < start + np.timedelta64(int(other["hours"]), "h"):
                entry = other
    names = [row["name"] for row in entry["sites"]]
    cube = store.shipped_forecast(entry["file"]).isel(site=[names.index(site.name) for site in sites])
    run = run_of(cube)
    return Obtained(
        tuple(sites), cube, run if now is None else now, "demo", run, run,
        (f"demonstration: site and weather are invented ({entry['title']})",), is_chosen=True,
    )  # fmt: skip


# --- real forecasts --------------------------------------------------------------------------------------------


def obtain_forecast(
    sites: Sequence[Site],
    *,
    model: str,
    offline: bool = False,
    now: np.datetime64 | None = None,
    on_progress: Progress = _silent,
    settings: Settings | None = None,
) -> Obtained:
    """Obtain the newest forecast of one model for sites: all that are missing in one request, none of them twice.

    Parameters
    ----------
    sites : sequence of Site
        Real places.
    model : str
        The one model.
    offline, now, on_progress
        As in `obtain`.
    settings : Settings, optional
        Read when left out.

    Raises
    ------
    WxflyError
        When neither the sources nor the store has a forecast for every site.
    """
    from wxfly.sources.models import find_model

    settings = settings or load_settings()
    notes: list[str] = []
    fetched = False
    if model == MET_NORWAY:
        from wxfly import second_source

        cubes, fetched, notes = second_source.obtain_cubes(sites, settings, offline=offline, on_progress=on_progress)
        offline = offline or any(note.startswith("no newer") for note in notes)
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
            notes.append(f"no newer forecast could be had: {fault}")
    moment = as_moment(utc_now()) if now is None else now
    cube = _join(cubes, sites)
    cube, kp_notes = _with_kp(cube, offline, settings, on_progress)
    retrieved = retrieved_of(cube)
    if offline:
        notes.insert(0, f"forecast from the store, retrieved {_ago(moment, retrieved)}")
    return Obtained(
        _with_ground(sites, cube), cube, moment, "fetched" if fetched else "store",
        run_of(cube), retrieved, (*notes, *kp_notes), is_chosen=now is not None,
    )  # fmt: skip


def _key(site: Site) -> tuple[float, float]:
    return round(site.latitude, 4), round(site.longitude, 4)


def _fetch(
    sites: Sequence[Site], model: str, settings: Settings, on_progress: Progress
) -> tuple[list[xr.Dataset], bool, list[str]]:
    """Give a cube of the newest run for each site, whether any had to be asked for, and what went wrong."""
    import filelock

    from wxfly.sources.models import find_model
    from wxfly.sources.open_meteo import get_forecast

    # One at a time for each model, so that a second process finds what the first one brought.
    notes: list[str] = []
    lock = cache_folder() / "locks" / f"fetch-{model}.lock"
    try:
        lock.parent.mkdir(parents=True, exist_ok=True)
        with filelock.FileLock(lock, timeout=_LOCK_SECONDS):
            run = _newest_run(model, settings, on_progress)
            name = f"{as_moment(run)!s:.13}Z" if run else f"retrieved-{as_moment(utc_now())!s:.13}Z"
            found: dict[tuple[float, float], xr.Dataset] = {}
            missing: dict[tuple[float, float], Site] = {}
            for site in sites:
                cube = store.find_forecast(*_key(site), model, surface_altitude=site.surface_altitude, run=name)
                if cube is None:
                    missing[_key(site)] = site
                else:
                    found[_key(site)] = cube
            if missing:
                wanted = list(missing.values())
                count = f"{len(wanted)} places" if len(wanted) > 1 else wanted[0].name
                on_progress(f"asking for {find_model(model).title} at {count}")
                cube = get_forecast(wanted, model, settings=settings, run=run)
                for position, site in enumerate(wanted):
                    found[_key(site)] = cube.isel(site=[position])
                try:
                    store.keep_forecast(cube)
                    store.prune_store(settings)
                except WxflyError as fault:
                    notes.append(str(fault))  # the forecast is at hand; it will not be there offline
            return [found[_key(site)] for site in sites], bool(missing), notes
    except filelock.Timeout:
        raise WxflyError(f"another wxfly has been asking for {model} for {_LOCK_SECONDS:g} s; try again") from None
    except OSError as fault:
        raise WxflyError(
            f"the cache folder {cache_folder()} cannot be written ({fault.strerror}); set WXFLY_CACHE to one that can"
        ) from None


def _newest_run(model: str, settings: Settings, on_progress: Progress) -> datetime | None:
    """Give the run that a forecast asked for now is from; None when the service does not tell."""
    from wxfly.sources.download import SourceError, UnreachableError
    from wxfly.sources.model_metadata import ModelRun, get_model_run
    from wxfly.sources.models import find_model

    now = utc_now()
    kept = store.kept_reply("metadata", model)
    if kept is not None:
        try:
            start, available, seconds = json.loads(kept.text)
            run = ModelRun(datetime.fromisoformat(start), datetime.fromisoformat(available), timedelta(seconds=seconds))
            if now < max(kept.retrieved + METADATA_AGE, run.next_expected()) and now >= kept.retrieved:
                return run.certain_at(now)
        except (ValueError, TypeError):
            pass  # not ours, or of another version: asked again
    on_progress("asking for the newest run")
    try:
        run = get_model_run(find_model(model), settings=settings)
    except UnreachableError:
        raise  # the forecast could not be had either
    except SourceError:
        return None
    text = json.dumps([run.run.isoformat(), run.available.isoformat(), run.interval.total_seconds()])
    store.keep_reply("metadata", model, text, now)
    return run.certain_at(now)


def _stored(sites: Sequence[Site], model: str) -> list[xr.Dataset]:
    """Give the newest stored cubes that are of one run for all sites."""
    newest: list[xr.Dataset] = []
    for site in sites:
        cube = store.find_forecast(*_key(site), model, surface_altitude=site.surface_altitude)
        if cube is None:
            others = sorted({f.model for f in store.list_forecasts() if (f.latitude, f.longitude) == _key(site)})
            hint = f"; stored are forecasts of {', '.join(others)} (--model)" if others else ""
            raise WxflyError(f"{site.name}: no forecast of {model} in the store{hint}; fetch one while online")
        newest.append(cube)
    names = sorted({store.run_name(cube) for cube in newest})
    if len(names) == 1:
        return newest
    for name in names:  # the oldest of the newest is the best chance of one that all have
        same = [store.find_forecast(*_key(s), model, surface_altitude=s.surface_altitude, run=name) for s in sites]
        if all(cube is not None for cube in same):
            return [cube for cube in same if cube is not None]
    raise WxflyError(f"the stored forecasts are of different runs ({', '.join(names)}); ask each site alone, or fetch")


def _join(cubes: list[xr.Dataset], sites: Sequence[Site]) -> xr.Dataset:
    """Put the cubes of single places side by side, named as the pilot names them."""
    if len(cubes) > 1:
        cube = xr.concat(
            cubes,
            "site",
            data_vars="all",
            coords="different",
            compat="equals",
            join="outer",
            combine_attrs="override",
        )
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


def _with_kp(
    cube: xr.Dataset, offline: bool, settings: Settings, on_progress: Progress
) -> tuple[xr.Dataset, list[str]]:
    """Put Kp into the cube, as far as it is known."""
    from wxfly.sources import space_weather
    from wxfly.sources.download import SourceError

    now = utc_now()
    series = outlook = retrieved = None
    notes = []
    for path, age in ((space_weather.FORECAST_PATH, KP_AGE), (space_weather.OUTLOOK_PATH, OUTLOOK_AGE)):
        name = path.rsplit("/", 1)[-1]
        kept = store.kept_reply("space_weather", name)
        if not offline and (kept is None or not timedelta(0) <= now - kept.retrieved < age):
            on_progress("asking for Kp" if path == space_weather.FORECAST_PATH else "asking for the outlook of Kp")
            try:
                text = space_weather.get_kp_text(path, settings=settings)
                kept = store.KeptReply(now, text)
                store.keep_reply("space_weather", name, text, now)
            except SourceError as fault:
                notes.append(f"{'an older Kp is used' if kept else 'Kp is not known in full'}: {fault}")
        if kept is None:
            continue
        try:
            if path == space_weather.OUTLOOK_PATH:
                outlook = space_weather.parse_outlook(kept.text.encode())
            else:
                series, retrieved = space_weather.parse_kp(kept.text.encode()), kept.retrieved
        except SourceError:
            continue  # a damaged file is one that is not there
    if series is None and outlook is None:
        return cube, notes or ["Kp is not known: none in the store"]
    kp = space_weather.kp_on(cube["time"].values, series, outlook, retrieved=retrieved)
    attribution = f"{cube.attrs['attribution']}; {space_weather.ATTRIBUTION}"
    cube = mark_carried(cube.assign(kp_index=kp).assign_attrs(attribution=attribution))
    known = np.isfinite(kp.values)
    if known.any() and kp.attrs.get("outlook_from", "none") != "none":
        told = f"from {kp.attrs['outlook_from']} on Kp is the largest of its day by the outlook"
        notes.append(f"{told} issued {kp.attrs['outlook_issued']}")
    if not known.any():
        notes.append("Kp is not known for these days")
    elif not known[-1]:
        notes.append(f"Kp is not known past {str(kp['time'].values[known][-1] + np.timedelta64(1, 'h'))[:16]}Z")
    return check_forecast(cube, place="forecast with Kp"), notes


def _ago(now: np.datetime64, then: np.datetime64) -> str:
    if np.isnat(then):
        return "at a time that is not known"
    hours = (now - then) / np.timedelta64(1, "h")
    return (
        f"{str(then)[:16]}Z, {hours:.0f} h ago"
        if hours >= 1
        else f"{str(then)[:16]}Z, {max(hours, 0) * 60:.0f} min ago"
    )
