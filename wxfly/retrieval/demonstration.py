"""The shipped demonstration: invented places with invented weather, in files with known checksums."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from wxfly.cube.age import run_of
from wxfly.cube.netcdf import load_cube
from wxfly.cube.notes import Note, NoteKind
from wxfly.errors import WxflyError
from wxfly.pilot.site import Site
from wxfly.retrieval.origin import Obtained


def shipped_folder() -> Path:
    """Return the folder of the shipped forecasts, in the installed package or in the checkout."""
    installed = Path(str(files("wxfly"))) / "cached_forecasts"
    checkout = Path(__file__).resolve().parents[2] / "cached_forecasts"
    # The checkout comes first, because an editable install may leave an old copy in the package.
    for folder in (checkout, installed):
        if (folder / "manifest.json").is_file():
            return folder
    raise WxflyError("the shipped demonstration forecasts are missing; install wxfly again")


@cache
def load_manifest() -> dict[str, Any]:
    """Read the list of shipped files, runs, sites and checksums."""
    document: dict[str, Any] = json.loads((shipped_folder() / "manifest.json").read_text(encoding="utf-8"))
    return document


def shipped_forecast(name: str) -> xr.Dataset:
    """Load a shipped cube by its file name, after a check of its checksum."""
    path = shipped_folder() / name
    entry = next((e for e in load_manifest()["files"] if e["file"] == name), None)
    try:
        body = path.read_bytes()
    except OSError:
        body = b""
    if entry is None or hashlib.sha256(body).hexdigest() != entry["sha256"]:
        raise WxflyError(f"the shipped forecast {name} is missing or damaged; install wxfly again")
    return _read_once(path, entry["sha256"]).copy(deep=True)


@cache
def _read_once(path: Path, checksum: str) -> xr.Dataset:
    """Read a file with this checksum, once per process even if a program asks often."""
    return load_cube(path)


def from_demonstration(sites: Sequence[Site], now: np.datetime64 | None) -> Obtained:
    """Return the shipped forecast for sites of the demonstration.

    Parameters
    ----------
    sites : sequence of Site
        Sites of the demonstration.
    now : numpy.datetime64 or None
        Selects the run that covers this time; by default the first run answers, for its own time.
    """
    entries = load_manifest()["files"]
    entry = next((e for e in entries if e.get("default")), entries[0])
    if now is not None:
        for other in entries:
            start = np.datetime64(other["forecast_reference_time"].rstrip("Z"), "s")
            if start <= now < start + np.timedelta64(int(other["hours"]), "h"):
                entry = other
    names = [row["name"] for row in entry["sites"]]
    cube = shipped_forecast(entry["file"]).isel(site=[names.index(site.name) for site in sites])
    run = run_of(cube)
    return Obtained(
        tuple(sites), cube, run if now is None else now, "demo", run, run,
        (Note(f"demonstration: site and weather are invented ({entry['title']})", NoteKind.INVENTED),), is_chosen=True,
    )  # fmt: skip
