"""The layout of the store: the names of its files, their meaning, and which of them are wxfly's own.

::

    forecasts/<model>/<run>/<place>.gz      forecasts/icon_eu/2026-11-25T06Z/52.2700N_6.9000E.gz
    replies/<kind>/<name>.json              last replies of small services, with the time of retrieval
    locks/<service>.lock                    one request at a time to each service
    CACHEDIR.TAG                            marks the folder as a cache, and as ours

A run that the service did not state is named ``retrieved-<hour>``. Early versions of wxfly kept each forecast as
``<place>.nc``; those are read as well.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path

import numpy as np
import xarray as xr

from wxfly.pilot.own_files import PART
from wxfly.pilot.settings import cache_folder
from wxfly.sources.place_reply import PlaceReply
from wxfly.store.marks import files_below
from wxfly.store.replies import replies_folder

NOT_KNOWN = "retrieved-"
SUFFIX = ".gz"
EARLY_SUFFIX = ".nc"
_PLACE = re.compile(r"(\d+\.\d{4})([NS])_(\d+\.\d{4})([EW])\.(?:gz|nc)")
_REPLY = re.compile(r"[^.].*\.json")
_BEGUN = re.compile(r"\..+\.\d+-[0-9a-f]+" + re.escape(PART))


@dataclass(frozen=True)
class StoredForecast:
    """A forecast of one place in the store.

    Attributes
    ----------
    path : Path
        Its file.
    model, run : str
        The model, and the run as in the name of its folder.
    latitude, longitude : float
        The place [degree].
    size : int
        Size of the file [bytes].
    """

    path: Path
    model: str
    run: str
    latitude: float
    longitude: float
    size: int

    @property
    def is_early(self) -> bool:
        """Return whether an early version of wxfly kept it, as netCDF."""
        return self.path.suffix == EARLY_SUFFIX


def forecasts_folder() -> Path:
    """Return the folder of the forecasts."""
    return cache_folder() / "forecasts"


def file_name(latitude: float, longitude: float) -> str:
    """Return the name of the file of a place."""
    north, east = "N" if latitude >= 0 else "S", "E" if longitude >= 0 else "W"
    return f"{abs(latitude):.4f}{north}_{abs(longitude):.4f}{east}{SUFFIX}"


def run_name(cube: xr.Dataset) -> str:
    """Return the name of a cube's run in the store."""
    run = cube["forecast_reference_time"].values
    if not np.isnat(run):
        return f"{np.datetime_as_string(run, 'h')}Z"
    return f"{NOT_KNOWN}{str(cube.attrs.get('retrieved', 'not known'))[:13]}Z"


def run_of_reply(reply: PlaceReply) -> str:
    """Return the name of a reply's run in the store."""
    moment = reply.retrieved if reply.run is None else reply.run
    return f"{NOT_KNOWN if reply.run is None else ''}{moment.astimezone(UTC):%Y-%m-%dT%H}Z"


def list_forecasts() -> list[StoredForecast]:
    """Return our forecasts in the store, by model, newest run first, north to south."""
    found = []
    for path in files_below(forecasts_folder()):
        match = _PLACE.fullmatch(path.name)
        if not match or path.parent.parent.parent != forecasts_folder():
            continue
        latitude = float(match[1]) * (1 if match[2] == "N" else -1)
        longitude = float(match[3]) * (1 if match[4] == "E" else -1)
        try:
            size = path.stat().st_size
        except OSError:
            continue  # another process removed it
        found.append(StoredForecast(path, path.parent.parent.name, path.parent.name, latitude, longitude, size))
    found.sort(key=lambda f: (f.run.removeprefix(NOT_KNOWN), f.latitude, f.longitude, not f.is_early), reverse=True)
    return sorted(found, key=lambda f: f.model)


def own_files() -> Iterator[Path]:
    """Return the forecasts and replies, and the temporary files of their writers."""
    for folder, name in ((forecasts_folder(), _PLACE), (replies_folder(), _REPLY)):
        for path in files_below(folder):
            named = name.fullmatch(path.name) or _BEGUN.fullmatch(path.name)
            depth = len(path.relative_to(folder).parts)
            if named and depth == (3 if name is _PLACE else 2):
                yield path
