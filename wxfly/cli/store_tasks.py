"""What the store holds, told and kept in order: the words behind ``wxfly store``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from wxfly.report.facts.stored import StoreFacts
from wxfly.errors import DamagedError, WxflyError
from wxfly.pilot.coordinates import parse_coordinates
from wxfly.pilot.own_files import damage_notes
from wxfly.pilot.settings import Settings, cache_folder, load_settings
from wxfly.pilot.site import place_key, read_sites
from wxfly.report.text.console import aligned
from wxfly.retrieval.obtained import retrieved_of, run_of
from wxfly.store import forecasts, layout
from wxfly.store.layout import StoredForecast
from wxfly.times import as_moment, utc_now

_MEGABYTE = 1e6
_TO_CLEAR = "clear it with: wxfly store prune --damaged"


def list_store(sites_file: Path, *, check: bool = False) -> str:
    """Return the stored forecasts as aligned text, a line for each.

    Parameters
    ----------
    sites_file : Path
        The pilot's saved sites, whose names are shown.
    check : bool, optional
        Read every file and compare it with its checksum.
    """
    found = layout.list_forecasts()
    names = _names(sites_file)
    rows = []
    for stored in found:
        state = (forecasts.fault_of(stored) or "whole") if check else ""
        rows.append((*_row(stored, names), *([state] if check else [])))
    head = ("site", "latitude,longitude", "model", "run", "kept", "size", *(["state"] if check else []))
    lines = [aligned([head, *rows])] if rows else [f"the store is empty ({cache_folder()})"]
    lines += _not_ours()
    return "\n".join(lines)


def store(sites_file: Path, *, check: bool = False) -> StoreFacts:
    """Return the facts of the store; parameters are those of `list_store`."""
    from wxfly.report.facts.stored import store_facts

    found = layout.list_forecasts()
    faults = {stored.path: forecasts.fault_of(stored) or None for stored in found} if check else None
    return store_facts(cache_folder(), found, _names(sites_file), faults, layout.foreign_files())


def _not_ours() -> list[str]:
    return [f"not written by wxfly, and left alone: {path}" for path in layout.foreign_files()]


def describe_store() -> str:
    """Say where the store is, what it holds in all and what it may hold."""
    settings = load_settings()
    found = layout.list_forecasts()
    size = sum(stored.size for stored in found)
    places = {(stored.latitude, stored.longitude) for stored in found}
    return aligned(
        [
            ("folder", str(cache_folder())),
            ("forecasts", f"{len(found)} of {len(places)} places, {size / _MEGABYTE:.1f} MB"),
            ("may hold", _limits(settings)),
        ]
    )


def _limits(settings: Settings) -> str:
    if math.isinf(settings.maximum_megabytes) or math.isinf(settings.maximum_age_days):
        return "anything: its limits in the settings cannot be read"
    return f"{settings.maximum_megabytes:g} MB, none older than {settings.maximum_age_days:g} days"


def describe_forecast(site: str, sites_file: Path, *, model: str | None = None, run: str | None = None) -> str:
    """Say everything that is known of a stored forecast: the newest of a place that fits.

    Parameters
    ----------
    site : str
        A saved site or ``LATITUDE,LONGITUDE``.
    sites_file : Path
        The pilot's saved sites.
    model, run : str, optional
        Only of this model, of this run as the list writes it.

    Raises
    ------
    WxflyError
        When none is stored, or it cannot be used.
    """
    stored = _choose(site, sites_file, model, run)[0]
    try:
        cube = forecasts.open_forecast(stored)
    except DamagedError as fault:
        raise WxflyError(f"{fault}; {_TO_CLEAR}") from None
    now = as_moment(utc_now())
    time = cube["time"].values
    known = [str(n) for n in cube.data_vars if bool(cube[n].notnull().any())]
    ground = float(np.atleast_1d(cube["surface_altitude"].values)[0])
    rows = [
        ("place", f"{stored.latitude:.4f},{stored.longitude:.4f}, ground of the forecast {ground:.0f} m"),
        ("source", str(cube.attrs.get("source", "not known"))),
        ("model", stored.model),
        ("run", _moment(run_of(cube), now)),
        ("retrieved", _moment(retrieved_of(cube), now)),
        ("hours", f"{str(time[0])[:16]}Z to {str(time[-1])[:16]}Z, {time.size} of them"),
        ("variables", ", ".join(known)),
        ("licence", str(cube.attrs.get("license", "not known"))),
        ("file", str(stored.path)),
        ("size", f"{stored.size / 1000:.0f} kB"),
        ("form", "netCDF, by an early wxfly" if stored.is_early else "the reply of the service, its checksum fits"),
    ]
    return aligned(rows)


def prune(
    *, days: float | None = None, megabytes: float | None = None, damaged: bool = False, dry_run: bool = False
) -> str:
    """Take away what is too old or too much, and name what went.

    Parameters
    ----------
    days, megabytes : float, optional
        Limits in place of those of the settings [d], [MB].
    damaged : bool, optional
        Also files of ours that are damaged.
    dry_run : bool, optional
        Only name what would go.

    Raises
    ------
    WxflyError
        When the folder holds what is not ours and was never marked as the store.
    """
    layout.claim_store(mark=not dry_run)
    settings = load_settings()
    if days is not None:
        settings = replace(settings, maximum_age_days=days)
    if megabytes is not None:
        settings = replace(settings, maximum_megabytes=megabytes)
    going = (
        [s.path for s in layout.list_forecasts() if forecasts.damage_of(s) and layout.is_ours(s.path)]
        if damaged
        else []
    )
    going = list(dict.fromkeys([*going, *forecasts.too_old_or_much(settings)]))
    return "\n".join([*damage_notes(settings.set_aside), *_removed(going, dry_run), *_not_ours()])


def _removed(going: list[Path], dry_run: bool) -> list[str]:
    if dry_run:
        return [*(f"would remove {path}" for path in going), f"would remove {len(going)} files; {_left()}"]
    gone = layout.remove_ours(going)
    return [*(f"removed {path}" for path in gone), f"removed {len(gone)} files; {_left()}"]


def export(folder: Path, sites: Sequence[str], sites_file: Path, *, model: str | None = None) -> str:
    """Copy the newest forecast of each site and model into a folder, and say which.

    Parameters
    ----------
    folder : Path
        Made where it is missing; a file there of the same name is never written over.
    sites : sequence of str
        Saved sites or ``LATITUDE,LONGITUDE``; none for every place of the store.
    sites_file : Path
        The pilot's saved sites.
    model : str, optional
        Only of this model.

    Raises
    ------
    WxflyError
        When a named site has none, a file is in the way or cannot be written.
    """
    if sites:
        chosen = [stored for site in sites for stored in _choose(site, sites_file, model, None)]
    else:
        chosen = [stored for stored in layout.list_forecasts() if model in (None, stored.model)]
    newest: dict[tuple[str, float, float], StoredForecast] = {}
    for stored in chosen:
        newest.setdefault((stored.model, stored.latitude, stored.longitude), stored)
    lines = []
    for stored in newest.values():
        path = folder / f"{stored.path.stem}_{stored.model}_{stored.run}.nc"
        if path.exists():
            raise WxflyError(f"{path} is there already; nothing is written over, give another folder")
        forecasts.export_forecast(stored, path)
        lines.append(f"wrote {path}")
    return "\n".join(lines or ["the store has nothing to export"])


def clear(*, certain: bool) -> str:
    """Remove every forecast and reply, and name them.

    Raises
    ------
    WxflyError
        When it is not `certain` and there is something to lose.
    """
    if not certain:
        raise WxflyError(f"this removes every forecast and reply in {cache_folder()}; {_left()}; to do it, add --yes")
    gone = forecasts.clear_store()
    return "\n".join([*(f"removed {path}" for path in gone), f"removed {len(gone)} files; {_left()}", *_not_ours()])


def _left() -> str:
    found = layout.list_forecasts()
    return f"the store holds {len(found)} forecasts, {sum(s.size for s in found) / _MEGABYTE:.1f} MB"


def _names(sites_file: Path) -> dict[tuple[float, float], str]:
    return {site.key: name for name, site in read_sites(sites_file).items()}


def _row(stored: StoredForecast, names: dict[tuple[float, float], str]) -> tuple[str, ...]:
    place = stored.latitude, stored.longitude
    kept = np.datetime64(int(stored.path.stat().st_mtime), "s") if stored.path.exists() else np.datetime64("NaT", "s")
    where = f"{stored.latitude:.4f},{stored.longitude:.4f}"
    return names.get(place, "-"), where, stored.model, stored.run, f"{kept!s:.16}Z", f"{stored.size / 1000:.0f} kB"


def _choose(site: str, sites_file: Path, model: str | None, run: str | None) -> list[StoredForecast]:
    """Return what is stored of a place, the newest run first."""
    saved = read_sites(sites_file)
    name = next((n for n in saved if n.casefold() == site.strip().casefold()), None)
    coordinates = parse_coordinates(site)
    if name is None and coordinates is None:
        known = ", ".join(saved) or "none"
        raise WxflyError(f"'{site}' is no saved site (saved: {known}) and not LATITUDE,LONGITUDE")
    key = saved[name].key if name is not None else place_key(*(coordinates or (np.nan, np.nan)))
    here = [s for s in layout.list_forecasts() if (s.latitude, s.longitude) == key]
    fitting = [s for s in here if model in (None, s.model) and run in (None, s.run)]
    if not fitting:
        others = ", ".join(f"{s.model} {s.run}" for s in here)
        hint = f"; stored for it are: {others}" if here else "; see: wxfly store list"
        raise WxflyError(f"no such forecast for {site} is in the store{hint}")
    return sorted(fitting, key=lambda s: s.run.removeprefix("retrieved-"), reverse=True)


def _moment(moment: np.datetime64, now: np.datetime64) -> str:
    if np.isnat(moment):
        return "not known"
    return f"{str(moment)[:16]}Z, {(now - moment) / np.timedelta64(1, 'h'):.0f} h ago"
