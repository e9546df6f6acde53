"""Where forecasts are kept: the shipped demonstration, and the pilot's cache folder.

The cache folder (``WXFLY_CACHE``, else the platform's) holds files with names that a person can read::

    forecasts/<model>/<run>/<place>.nc      forecasts/icon_eu/2026-11-25T06Z/52.2700N_6.9000E.nc
    replies/<kind>/<name>.json              last replies of small services, with the time they came
    locks/<service>.lock                    one request at a time to each service

A file of a run is written once and never changed; every write goes beside and is renamed. A run that the service
did not tell is written as ``retrieved-<hour>``.
"""

from __future__ import annotations

import json
import logging
import os
import re
import secrets
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from wxfly.errors import WxflyError
from wxfly.netcdf import PART, load_cube, save_cube
from wxfly.settings import Settings, cache_folder

__all__ = [
    "KeptReply",
    "StoredForecast",
    "clear_store",
    "export_forecast",
    "find_forecast",
    "foreign_files",
    "keep_forecast",
    "keep_reply",
    "kept_reply",
    "list_forecasts",
    "load_cube",
    "load_manifest",
    "prune_store",
    "save_cube",
    "shipped_folder",
    "shipped_forecast",
]  # fmt: skip

log = logging.getLogger(__name__)

_NOT_KNOWN = "retrieved-"
_PLACE = re.compile(r"(\d+\.\d{4})([NS])_(\d+\.\d{4})([EW])\.nc")
_SAME_GROUND = 5.0  # a cube serves a site whose ground is known to differ by no more than this [m]


@dataclass(frozen=True)
class StoredForecast:
    """A forecast of one place in the store.

    Attributes
    ----------
    path : Path
        Its file.
    model, run : str
        The model, and the run as its folder writes it.
    latitude, longitude : float
        The place [degree].
    size : int
        Bytes.
    """

    path: Path
    model: str
    run: str
    latitude: float
    longitude: float
    size: int


# --- the shipped demonstration ---------------------------------------------------------------------------------


def shipped_folder() -> Path:
    """Give the folder of the shipped forecasts, in the installed package or in the checkout."""
    installed = Path(str(files("wxfly"))) / "cached_forecasts"
    checkout = Path(__file__).resolve().parents[1] / "cached_forecasts"
    # The checkout goes first: an editable install leaves an old copy in the package's place.
    for folder in (checkout, installed):
        if (folder / "manifest.json").is_file():
            return folder
    raise WxflyError("the shipped demonstration forecasts are missing; install wxfly again")


@cache
def load_manifest() -> dict[str, Any]:
    """Read what is shipped: files, runs, sites and checksums."""
    document: dict[str, Any] = json.loads((shipped_folder() / "manifest.json").read_text(encoding="utf-8"))
    return document


def shipped_forecast(name: str) -> xr.Dataset:
    """Load a shipped cube by its file name, once its bytes are seen to be those that were shipped."""
    import hashlib

    path = shipped_folder() / name
    entry = next((e for e in load_manifest()["files"] if e["file"] == name), None)
    try:
        body = path.read_bytes()
    except OSError:
        body = b""
    if entry is None or hashlib.sha256(body).hexdigest() != entry["sha256"]:
        raise WxflyError(f"the shipped forecast {name} is missing or damaged; install wxfly again")
    return load_cube(path)


# --- forecasts in the cache folder -----------------------------------------------------------------------------


def _forecasts() -> Path:
    return cache_folder() / "forecasts"


def _file_name(latitude: float, longitude: float) -> str:
    north, east = "N" if latitude >= 0 else "S", "E" if longitude >= 0 else "W"
    return f"{abs(latitude):.4f}{north}_{abs(longitude):.4f}{east}.nc"


def run_name(cube: xr.Dataset) -> str:
    """Give the name of a cube's run in the store."""
    run = cube["forecast_reference_time"].values
    if not np.isnat(run):
        return f"{np.datetime_as_string(run, 'h')}Z"
    return f"{_NOT_KNOWN}{str(cube.attrs.get('retrieved', 'not known'))[:13]}Z"


def keep_forecast(cube: xr.Dataset) -> list[Path]:
    """Keep a cube, one file for each of its sites.

    Returns
    -------
    list of Path
        The files, in the order of the sites.
    """
    paths = []
    for position in range(cube.sizes["site"]):
        one = cube.isel(site=[position])
        place = _file_name(float(one["latitude"].values[0]), float(one["longitude"].values[0]))
        path = _forecasts() / str(cube.attrs["model"]) / run_name(cube) / place
        save_cube(one, path)
        _tell("kept", path)
        paths.append(path)
    return paths


def _tell(what: str, path: Path) -> None:
    place, run, model = path.stem, path.parent.name, path.parent.parent.name
    facts = {"place": place, "model": model, "run": run}
    log.info("%s: %s of %s, run %s", what, place, model, run, extra={"facts": facts})


def list_forecasts() -> list[StoredForecast]:
    """List what the store holds, by model, newest run first. Files that are not ours are left out."""
    found = []
    for path in _files(_forecasts()):
        match = _PLACE.fullmatch(path.name)
        if not match or path.parent.parent.parent != _forecasts():
            continue
        latitude = float(match[1]) * (1 if match[2] == "N" else -1)
        longitude = float(match[3]) * (1 if match[4] == "E" else -1)
        try:
            size = path.stat().st_size
        except OSError:
            continue  # another process took it away
        found.append(StoredForecast(path, path.parent.parent.name, path.parent.name, latitude, longitude, size))
    found.sort(key=lambda f: f.run.removeprefix(_NOT_KNOWN), reverse=True)
    return sorted(found, key=lambda f: f.model)


def foreign_files() -> list[Path]:
    """List what lies among the forecasts and is not named as one; what a writer has just begun is left out."""
    ours = {stored.path for stored in list_forecasts()}
    return sorted(p for p in _files(_forecasts()) if p not in ours and not p.name.endswith(PART))


def _files(folder: Path) -> Iterator[Path]:
    for parent, _, names in os.walk(folder):
        yield from (Path(parent) / name for name in names)


def find_forecast(
    latitude: float, longitude: float, model: str, *, surface_altitude: float = np.nan, run: str | None = None
) -> xr.Dataset | None:
    """Find the newest readable cube of a place and a model.

    Parameters
    ----------
    latitude, longitude : float
        The place [degree]; only this place, to 4 decimals, will do.
    model : str
        Only this model will do.
    surface_altitude : float, optional
        Ground [m]; a cube for ground at another height will not do. NaN takes any.
    run : str, optional
        Only this run, as `run_name` writes it.

    Returns
    -------
    xarray.Dataset or None
        With the dimension ``site``. A damaged file is passed over.
    """
    folder = _forecasts() / model
    try:
        runs = (
            [run]
            if run
            else sorted((p.name for p in folder.iterdir()), key=lambda n: n.removeprefix(_NOT_KNOWN), reverse=True)
        )
    except OSError:
        return None
    for name in runs:
        path = folder / name / _file_name(latitude, longitude)
        if not path.is_file():
            continue
        try:
            cube = load_cube(path, verify=True)
        except WxflyError as fault:
            log.info("%s", fault)
            continue
        place = round(float(cube["latitude"].values[0]), 4), round(float(cube["longitude"].values[0]), 4)
        inside = (place, cube.attrs["model"], run_name(cube))
        if inside != ((round(latitude, 4), round(longitude, 4)), model, name):
            continue  # a file that was moved here is of another place, model or run
        ground = float(cube["surface_altitude"].values[0])
        if abs(ground - surface_altitude) <= _SAME_GROUND or np.isnan(surface_altitude) or np.isnan(ground):
            _tell("found in the store", path)
            return cube
    return None


def export_forecast(stored: StoredForecast, path: Path) -> None:
    """Copy a stored forecast to a file of the pilot's choice, once it is seen to be whole."""
    save_cube(load_cube(stored.path, verify=True), path)


def prune_store(settings: Settings, *, now: float | None = None) -> list[Path]:
    """Take away what is too old, then the oldest until the rest fits; also what a killed writer left behind.

    Parameters
    ----------
    settings : Settings
        ``maximum_age_days`` and ``maximum_megabytes``.
    now : float, optional
        Seconds since 1970.

    Returns
    -------
    list of Path
        What was removed.
    """
    now = time.time() if now is None else now
    removed = []
    dated = []
    for path in [*_files(_forecasts()), *_files(cache_folder() / "replies")]:
        try:
            state = path.stat()
        except OSError:
            continue
        age = now - state.st_mtime
        if age > settings.maximum_age_days * 86_400 or (path.name.endswith(PART) and age > 3600):
            removed.append(path)
        elif not path.name.endswith(PART):
            dated.append((state.st_mtime, state.st_size, path))
    left = sum(size for _, size, _ in dated)
    for _, size, path in sorted(dated):
        if left <= settings.maximum_megabytes * 1e6:
            break
        removed.append(path)
        left -= size
    remove_files(removed)
    return removed


def clear_store() -> int:
    """Remove every forecast and reply of the store; give the number of files."""
    paths = [*_files(_forecasts()), *_files(cache_folder() / "replies")]
    remove_files(paths)
    return len(paths)


def remove_files(paths: list[Path]) -> None:
    """Remove files of the store, and folders that are empty then; one that is gone already is no fault.

    Raises
    ------
    WxflyError
        When a file cannot be removed; those after it stay.
    """
    for path in paths:
        try:
            path.unlink(missing_ok=True)
        except OSError as fault:
            raise WxflyError(f"{path}: cannot be removed ({fault.strerror})") from None
    for path in {p.parent for p in paths}:
        for folder in (path, path.parent):
            try:
                folder.rmdir()
            except OSError:
                break  # not empty


# --- last replies of small services ----------------------------------------------------------------------------


@dataclass(frozen=True)
class KeptReply:
    """A reply, and when it came."""

    retrieved: datetime
    text: str


def _reply_path(kind: str, name: str) -> Path:
    readable = re.sub(r"[^0-9A-Za-z.,-]+", "_", name)[:80] or "_"
    if readable != name:
        import hashlib

        readable += "-" + hashlib.sha256(name.encode()).hexdigest()[:8]
    return cache_folder() / "replies" / kind / f"{readable}.json"


def keep_reply(kind: str, name: str, text: str, retrieved: datetime) -> bool:
    """Keep the last reply of a small service, and say whether it was kept.

    A store that cannot be written is no reason to lose the reply.
    """
    path = _reply_path(kind, name)
    beside = path.with_name(f".{path.name}.{os.getpid()}-{secrets.token_hex(4)}{PART}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            beside.write_text(json.dumps({"retrieved": retrieved.astimezone(UTC).isoformat(), "text": text}), "utf-8")
            beside.replace(path)
        finally:
            beside.unlink(missing_ok=True)
    except OSError:
        return False
    return True


def kept_reply(kind: str, name: str) -> KeptReply | None:
    """Give the last reply kept, or None when there is none that can be read."""
    try:
        document = json.loads(_reply_path(kind, name).read_text(encoding="utf-8"))
        retrieved = datetime.fromisoformat(document["retrieved"])
        text = document["text"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return KeptReply(retrieved, text) if isinstance(text, str) and retrieved.tzinfo else None
