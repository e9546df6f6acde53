"""Obtain a forecast cube for sites: from the store when it has the newest run, else from the sources."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from wxfly import store
from wxfly.errors import WxflyError
from wxfly.forecast import check_forecast, mark_carried
from wxfly.places import demo_sites, parse_coordinates, resolve_site, time_zone_at
from wxfly.settings import Settings, cache_folder, load_settings
from wxfly.site import Site

__all__ = ["Obtained", "demo_sites", "obtain", "obtain_forecast", "open_forecast", "resolve_site"]

Progress = Callable[[str], None]

KP_AGE = timedelta(minutes=30)
OUTLOOK_AGE = timedelta(hours=12)
METADATA_AGE = timedelta(minutes=10)
_LOCK_SECONDS = 120.0
_NEAR_KM = 30.0  # a saved reply of an unknown model serves sites this near


@dataclass(frozen=True)
class Obtained:
    """A forecast for sites, and where it is from.

    Attributes
    ----------
    sites : tuple of Site
        In the order asked.
    cube : xarray.Dataset
        With the dimension ``site`` in that order.
    now : numpy.datetime64
        The moment to answer for, UTC [s].
    origin : str
        ``fetched``, ``store``, ``file`` or ``demo``.
    run, retrieved : numpy.datetime64
        UTC [s]; NaT when not known.
    notes : tuple of str
        What the reader must know first.
    """

    sites: tuple[Site, ...]
    cube: xr.Dataset
    now: np.datetime64
    origin: str
    run: np.datetime64
    retrieved: np.datetime64
    notes: tuple[str, ...] = ()

    @property
    def age(self) -> np.timedelta64:
        """How long ago the forecast came [s]; NaT when not known."""
        return self.now - self.retrieved

    @property
    def is_demo(self) -> bool:
        """Whether the weather is invented."""
        return self.origin == "demo"

    @property
    def provenance(self) -> Mapping[str, Any]:
        """What a briefing says of its forecast."""
        attributes = self.cube.attrs
        keys = ("source", "institution", "license", "attribution", "history", "model")
        return {key: attributes.get(key, "not known") for key in keys} | {
            "run": self.run, "retrieved": self.retrieved, "is_demo": self.is_demo, "origin": self.origin,
        }  # fmt: skip


def _utc_now() -> datetime:
    return datetime.now(UTC)


def _moment(moment: datetime) -> np.datetime64:
    return np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "s")


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
    return obtain_forecast(
        sites, model=model or settings.model, offline=offline, now=now, on_progress=on_progress, settings=settings
    )


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
    run = _run(cube)
    return Obtained(
        tuple(sites), cube, run if now is None else now, "demo", run, run,
        (f"demonstration: site and weather are invented ({entry['title']})",),
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
    find_model(model)
    moment = _moment(_utc_now()) if now is None else now
    notes: list[str] = []
    origin = "store"
    if offline:
        cubes = _stored(sites, model)
    else:
        try:
            cubes, fetched = _fetch(sites, model, settings, on_progress)
            origin = "fetched" if fetched else "store"
        except WxflyError as fault:
            try:
                cubes = _stored(sites, model)
            except WxflyError:
                raise fault from None
            notes.append(f"no newer forecast could be had: {fault}")
    cube = _join(cubes, sites)
    cube, kp_notes = _with_kp(cube, offline, settings, on_progress)
    retrieved = _retrieved(cube)
    if origin == "store":
        notes.insert(0, f"forecast from the store, retrieved {_ago(moment, retrieved)}")
    return Obtained(
        _with_ground(sites, cube), cube, moment, origin,
        _run(cube), retrieved, (*notes, *kp_notes),
    )  # fmt: skip


def _key(site: Site) -> tuple[float, float]:
    return round(site.latitude, 4), round(site.longitude, 4)


def _fetch(
    sites: Sequence[Site], model: str, settings: Settings, on_progress: Progress
) -> tuple[list[xr.Dataset], bool]:
    """Give a cube of the newest run for each site, and whether any had to be asked for."""
    import filelock

    from wxfly.sources.models import find_model
    from wxfly.sources.open_meteo import get_forecast

    # One at a time for each model, so that a second process finds what the first one brought.
    lock = cache_folder() / "locks" / f"fetch-{model}.lock"
    try:
        lock.parent.mkdir(parents=True, exist_ok=True)
        with filelock.FileLock(lock, timeout=_LOCK_SECONDS):
            run = _newest_run(model, settings, on_progress)
            name = f"{_moment(run)!s:.13}Z" if run else f"retrieved-{_moment(_utc_now())!s:.13}Z"
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
                store.keep_forecast(cube)
                store.prune_store(settings)
            return [found[_key(site)] for site in sites], bool(missing)
    except filelock.Timeout:
        raise WxflyError(f"another wxfly has been asking for {model} for {_LOCK_SECONDS:g} s; try again") from None
    except OSError as fault:
        raise WxflyError(
            f"the cache folder {cache_folder()} cannot be written ({fault.strerror}); "
            "set WXFLY_CACHE to one that can"
        ) from None


def _newest_run(model: str, settings: Settings, on_progress: Progress) -> datetime | None:
    """Give the run that a forecast asked for now is from; None when the service does not tell."""
    from wxfly.sources.download import SourceError
    from wxfly.sources.model_metadata import ModelRun, get_model_run
    from wxfly.sources.models import find_model

    now = _utc_now()
    kept = store.kept_reply("metadata", model)
    if kept is not None:
        try:
            start, available, seconds = json.loads(kept.text)
            run = ModelRun(
                datetime.fromisoformat(start), datetime.fromisoformat(available), timedelta(seconds=seconds)
            )
            if now < max(kept.retrieved + METADATA_AGE, run.next_expected()) and now >= kept.retrieved:
                return run.certain_at(now)
        except (ValueError, TypeError):
            pass  # not ours, or of another version: asked again
    on_progress("asking for the newest run")
    try:
        run = get_model_run(find_model(model), settings=settings)
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
    raise WxflyError(
        f"the stored forecasts are of different runs ({', '.join(names)}); ask each site alone, or fetch"
    )


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

    now = _utc_now()
    series = outlook = retrieved = None
    notes = []
    for path, age in ((space_weather.FORECAST_PATH, KP_AGE), (space_weather.OUTLOOK_PATH, OUTLOOK_AGE)):
        name = path.rsplit("/", 1)[-1]
        kept = store.kept_reply("space_weather", name)
        if not offline and (kept is None or not timedelta(0) <= now - kept.retrieved < age):
            on_progress("asking for Kp")
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
    if not known.any():
        notes.append("Kp is not known for these days")
    elif not known[-1]:
        notes.append(f"Kp is not known past {str(kp['time'].values[known][-1] + np.timedelta64(1, 'h'))[:16]}Z")
    return check_forecast(cube, place="forecast with Kp"), notes


# --- a file that the pilot gives -------------------------------------------------------------------------------


def open_forecast(
    path: Path,
    places: Sequence[str] = (),
    *,
    saved: Mapping[str, Site] | None = None,
    model: str | None = None,
    now: np.datetime64 | None = None,
) -> Obtained:
    """Answer from a saved reply of the forecast service (.json) or a cube (.nc); nobody is asked.

    Parameters
    ----------
    path : Path
        The file.
    places : sequence of str, optional
        As in `obtain`. A place must lie where the file's forecast is for; a name that is not saved names the
        file's only place.
    saved : mapping, optional
        The pilot's saved sites.
    model : str, optional
        The model that a saved reply was asked of.
    now : numpy.datetime64, optional
        Answer for this moment; by default the present one if the file covers it, else its first hour.
    """
    from wxfly.sources.open_meteo import read_forecast

    if path.suffix == ".nc":
        cube = check_forecast(store.load_cube(path), place=path.name)
        if model is not None and cube.attrs.get("model") != model:
            raise WxflyError(f"{path.name}: it is of the model {cube.attrs.get('model')}, not of {model}")
    else:
        cube = read_forecast(path, model=model)
    if "latitude" in cube.dims:
        cube = cube.stack(site=("latitude", "longitude")).reset_index("site")
    if "site" not in cube.dims:
        cube = cube.expand_dims("site", axis=1).assign_coords(
            {k: ("site", np.atleast_1d(cube[k].values), cube[k].attrs) for k in _OF_PLACES if k in cube.coords}
        )
    sites, positions = _places_of_file(cube, places, saved or {}, path)
    cube = cube.isel(site=positions).assign_coords(site=np.array([s.name for s in sites], dtype=object))
    cube = cube.transpose("time", "site", ...)
    hours = cube["time"].values.astype("datetime64[s]")
    notes = [f"answered from the file {path.name}"]
    if now is None:
        now = _moment(_utc_now())
        if not hours[0] <= now <= hours[-1]:
            now = hours[0]
            notes.append(f"its hours are not those of today: answered as of {str(now)[:16]}Z, its first hour")
    retrieved = _retrieved(cube)
    if np.isnat(retrieved):
        notes.append("when it was retrieved is not known")
    if "kp_index" not in cube:
        notes.append("Kp is not known: the file has none")
    return Obtained(
        tuple(sites), cube, now, "file", _run(cube), retrieved,
        tuple(notes),
    )  # fmt: skip


_OF_PLACES = ("latitude", "longitude", "surface_altitude")


def _places_of_file(
    cube: xr.Dataset, places: Sequence[str], saved: Mapping[str, Site], path: Path
) -> tuple[list[Site], list[int]]:
    """Match what the pilot wrote with the places of a file."""
    from wxfly.sources.open_meteo import distance_km

    count = cube.sizes["site"]
    names = [str(n) for n in cube["site"].values] if "site" in cube.coords else []
    latitude, longitude = cube["latitude"].values, cube["longitude"].values
    ground = cube["surface_altitude"].values if "surface_altitude" in cube.coords else np.full(count, np.nan)

    def of_file(position: int, name: str) -> Site:
        here = float(latitude[position]), float(longitude[position])
        return Site(name, *here, float(ground[position]), time_zone_at(*here))

    def called(position: int) -> str:
        return names[position] if names else f"{latitude[position]:.2f}, {longitude[position]:.2f}"

    if not places:
        return [of_file(i, called(i)) for i in range(count)], list(range(count))
    sites, positions = [], []
    for text in places:
        known = saved.get(text)
        coordinates = parse_coordinates(text)
        if known is None and coordinates:
            known = Site(f"{coordinates[0]:.4f}, {coordinates[1]:.4f}", *coordinates)
        if known is None:
            position = next(
                (i for i, n in enumerate(names) if n.casefold() == text.casefold()), 0 if count == 1 else -1
            )
            if position < 0:
                of_these = ", ".join(called(i) for i in range(count))
                raise WxflyError(f"{path.name}: '{text}' is not among its places ({of_these[:200]})")
            sites.append(of_file(position, text))
        else:
            away = [
                distance_km(known.latitude, known.longitude, float(a), float(b))
                for a, b in zip(latitude, longitude, strict=True)
            ]
            position = int(np.argmin(away))
            if away[position] > _NEAR_KM:
                raise WxflyError(
                    f"{path.name}: it is for {called(position)}, {away[position]:.0f} km from {known.name}"
                )
            own = of_file(position, known.name)
            sites.append(
                replace(
                    known,
                    time_zone=own.time_zone if known.time_zone == "UTC" else known.time_zone,
                    surface_altitude=own.surface_altitude
                    if math.isnan(known.surface_altitude)
                    else known.surface_altitude,
                )
            )
        positions.append(position)
    return sites, positions


def _run(cube: xr.Dataset) -> np.datetime64:
    run: np.datetime64 = cube["forecast_reference_time"].values.astype("datetime64[s]")[()]
    return run


def _retrieved(cube: xr.Dataset) -> np.datetime64:
    text = str(cube.attrs.get("retrieved", "")).rstrip("Z")
    try:
        return np.datetime64(text or "NaT", "s")
    except ValueError:
        return np.datetime64("NaT", "s")


def _ago(now: np.datetime64, then: np.datetime64) -> str:
    if np.isnat(then):
        return "at a time that is not known"
    hours = (now - then) / np.timedelta64(1, "h")
    return (
        f"{str(then)[:16]}Z, {hours:.0f} h ago"
        if hours >= 1
        else f"{str(then)[:16]}Z, {max(hours, 0) * 60:.0f} min ago"
    )
