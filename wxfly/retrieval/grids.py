"""Obtain the cells around a place from the open file store: the newest complete run of the finest model that fits.

The bytes that were read are kept in the store of replies, file by file (`wxfly.store.replies`). So a reading that broke
off resumes where it ended, and an answer without a connection is made from the same bytes.
"""

from __future__ import annotations

import base64
import json
import logging
import math
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial

import numpy as np
import xarray as xr

from wxfly.cube.age import TOO_OLD, retrieved_of, since_of
from wxfly.cube.consistency import hide_contradictions
from wxfly.cube.notes import Note, NoteKind
from wxfly.errors import NotAskedError, WxflyError
from wxfly.pilot.services import OF_ONE_MODEL
from wxfly.pilot.settings import Settings
from wxfly.pilot.site import EARTH_RADIUS, Site, distance_km
from wxfly.retrieval.forecast import needed_variables
from wxfly.retrieval.kp import with_kp
from wxfly.retrieval.model_choice import AROUND, Wanted, rank_models, reaches_for_sure
from wxfly.retrieval.origin import Obtained
from wxfly.retrieval.places import time_zone_at
from wxfly.sources.http import AT_ONCE, together
from wxfly.sources.open_meteo.grids import (
    Box,
    FileBytes,
    FileStore,
    GridBox,
    GridRun,
    check_extra,
    get_grid_run,
    has_grid,
    parse_grid_run,
    path_of,
    store_of,
)
from wxfly.sources.open_meteo.models import Model, find_model
from wxfly.sources.reply import LateError, SourceError, UnreachableError
from wxfly.store.pruning import prune_store
from wxfly.store.replies import keep_reply, kept_reply
from wxfly.times import as_moment, utc_now

log = logging.getLogger(__name__)
Progress = Callable[[str], None]

MOST_CELLS = 4000
"""Most cells in reach: where a model has more, a coarser one is chosen. So many are read and judged within a minute."""
MOST_MODELS = 5
"""Most models that are tried, one after the other."""
RUN_AGE = timedelta(minutes=10)
"""Age below which the kept metadata of the newest run are not requested again."""
_KIND = "grids"


class _LackError(WxflyError):
    """A run that lacks what every hour needs."""


@dataclass(frozen=True)
class _Asked:
    """What every reading is for."""

    centre: Site
    reach: float
    wanted: Wanted
    settings: Settings
    offline: bool
    now: np.datetime64 | None
    on_progress: Progress


@dataclass(frozen=True)
class _Read:
    """A box that was read: its cube, what its run lacks, and whether it came from the service just now."""

    cube: xr.Dataset
    lost: tuple[str, ...]
    is_new: bool


def obtain_grid(
    centre: Site,
    reach: float,
    wanted: Wanted,
    *,
    settings: Settings,
    model: str | None = None,
    offline: bool = False,
    now: np.datetime64 | None = None,
    on_progress: Progress,
) -> Obtained:
    """Obtain the forecast of every cell within reach of a place.

    Parameters
    ----------
    centre : Site
        The place.
    reach : float
        Largest distance of a cell from it [m].
    wanted : Wanted
        The hours and the height that the forecast is for.
    settings : Settings
        Settings of the services.
    model : str, optional
        The only model to ask for; by default that of the settings, and without one there the finest that covers place
        and hours, has wind for the height, at most `MOST_CELLS` cells in reach, and a run with all that an hour needs.
    offline, now, on_progress
        As in `wxfly.retrieval.forecast.obtain`.

    Returns
    -------
    Obtained
        Its sites are the middles of the cells, the nearest first.

    Raises
    ------
    WxflyError
        When no such grid can be had; what was read is kept, and the next reading resumes there.
    """
    check_extra()
    present = as_moment(utc_now())
    named = model or (settings.model if settings.names_model else None)
    models = _models(centre, reach, wanted, present, named)
    asked = _Asked(centre, reach, wanted, settings, offline, now, on_progress)
    notes: list[str] = []
    found: _Read | None = None
    fault: WxflyError | None = None
    poor: list[Model] = []
    for one in [] if offline else models[:MOST_MODELS]:
        try:
            found = _fetched(one, asked, is_whole=named is None)
            break
        except UnreachableError as failure:
            fault = failure
            break
        except WxflyError as failure:
            fault = fault or failure
            notes.append(f"without {one.name}: {failure}")
            poor += [one] if isinstance(failure, _LackError) else []
    if found is None and poor and not isinstance(fault, UnreachableError):
        found = _fetched(poor[0], asked, is_whole=False)  # better than nothing: what it lacks counts as not known
    if found is None:
        found = _stored(models, asked, present)
        if found is None and fault is None:
            raise NotAskedError(f"no grid is stored for {centre.name} and this reach; fetch one while online")
        if found is None:
            raise NotAskedError(f"{fault}; nothing is stored for this place and reach to answer from")
        notes = [] if fault is None else [Note(f"no newer forecast is available: {fault}", NoteKind.NO_NEWER_FORECAST)]
        age = (present - retrieved_of(found.cube)) / np.timedelta64(1, "h")
        notes.insert(0, f"forecast from the store, retrieved {str(retrieved_of(found.cube))[:16]}Z, {age:.0f} h ago")
    if found.lost:
        notes.append(f"not in this run, so not known: {', '.join(found.lost)}")
    return _finished(asked, found, notes)


def _models(centre: Site, reach: float, wanted: Wanted, now: np.datetime64, named: str | None) -> list[Model]:
    """Return the models to try, the first choice first."""
    if named is not None:
        if named in OF_ONE_MODEL:
            raise WxflyError(f"{named} has no grid in the file store; choose another model with --model")
        one = find_model(named)
        store_of(one)
        return [one]
    fitting = [
        m for m in rank_models([centre], wanted.height)
        if has_grid(m) and math.pi * (reach / 1000 / m.resolution_km) ** 2 <= MOST_CELLS
    ]  # fmt: skip
    enough = [m for m in fitting if reaches_for_sure(m, now) >= wanted.end]
    if not enough:
        raise WxflyError(
            f"no model of the file store reaches from {centre.name} to {str(wanted.end)[:16]}Z; give an earlier --date"
        )
    return enough


def _box(centre: Site, reach: float) -> Box:
    """Return the smallest box of latitudes and longitudes around a circle, a little wider."""
    angle = 1.01 * reach / 1000 / EARTH_RADIUS
    south, north = (centre.latitude + sign * math.degrees(angle) for sign in (-1, 1))
    across = math.sin(angle) / math.cos(math.radians(centre.latitude))
    if south <= -90 or north >= 90 or across >= 1:  # the circle holds a pole
        return Box(max(south, -90.0), -180.0, min(north, 90.0), 180.0)
    wide = math.degrees(math.asin(across))
    west, east = ((centre.longitude + sign * wide + 180.0) % 360.0 - 180.0 for sign in (-1, 1))
    return Box(south, west, north, east)


# --- reading, and what is kept ---------------------------------------------------------------------------------


def _fetched(model: Model, asked: _Asked, *, is_whole: bool) -> _Read:
    """Read the newest run of a model; what an earlier reading kept is not asked for again."""
    kept = kept_reply(_KIND, f"{model.name} newest")
    if kept is None or not kept.is_younger_than(RUN_AGE, utc_now()):
        asked.on_progress(f"asking for the newest run of {model.title} in the file store")
        body = get_grid_run(model, settings=asked.settings)
        keep_reply(_KIND, f"{model.name} newest", body.decode(), utc_now())
    else:
        body = kept.text.encode()
    return _read(model, body, asked, FileStore(asked.settings, store_of(model)), is_whole=is_whole)


def _stored(models: Sequence[Model], asked: _Asked, now: np.datetime64) -> _Read | None:
    """Return what is stored of the first model that is young enough, else the newest; None where nothing is."""
    found = []
    for model in models:
        kept = kept_reply(_KIND, _name(model, asked))
        if kept is None:
            continue
        store = FileStore(asked.settings, store_of(model), is_offline=True)
        try:
            found.append(_read(model, kept.text.encode(), asked, store, is_whole=False))
        except WxflyError as fault:
            log.info("a stored grid is passed over: %s", fault)
    young = [read for read in found if now - since_of(read.cube) <= TOO_OLD]
    return next(iter(young), max(found, key=lambda read: since_of(read.cube), default=None))


def _name(model: Model, asked: _Asked) -> str:
    return f"{model.name} {asked.centre.latitude:.4f},{asked.centre.longitude:.4f} {asked.reach:.0f}"


def _read(model: Model, body: bytes, asked: _Asked, store: FileStore, *, is_whole: bool) -> _Read:
    """Read a box; with `is_whole` only of a run that has all that an hour needs."""
    run = parse_grid_run(body, store.what)
    files = _Kept(model, run, store)
    last = (asked.wanted.end + AROUND - run.reference_time) / np.timedelta64(1, "h")
    box = GridBox(model, _box(asked.centre, asked.reach), run, store, lead_hours=(0, max(math.ceil(last), 2)))
    lacking = [entry for entry in box.lost if entry.split()[0] in needed_variables()]
    if lacking and is_whole:
        raise _LackError(f"{store.what}: its run {run.name} lacks {', '.join(lacking)}")
    if not store.is_offline:
        asked.on_progress(f"reading {len(box.names)} files of the run {run.name} of {model.title}")
    is_new = files.read(box, asked.on_progress)
    retrieved = files.oldest(box.names)
    try:
        cube = box.cube(retrieved)
    except WxflyError:
        files.forget()  # bytes that unpack to impossible values are damaged: the next reading asks for them again
        raise
    if not store.is_offline:
        keep_reply(_KIND, _name(model, asked), body.decode(), retrieved)
        prune_store(store.settings)
    return _Read(cube, box.lost, is_new)


class _Kept:
    """The files of a run: their bytes in the store of replies, under the names of model, run and file."""

    def __init__(self, model: Model, run: GridRun, store: FileStore) -> None:
        self._prefix, self.store = f"{model.name} {run.name}", store
        self._since: dict[str, datetime] = {}
        self._guard = threading.Lock()
        self._paths = {name: path_of(model, run, name, store.settings) for name in run.variables}
        for name, path in self._paths.items():
            kept = kept_reply(_KIND, f"{self._prefix} {name}")
            try:
                document = json.loads(kept.text if kept is not None else "")
                blocks = {int(k): base64.b64decode(v) for k, v in document["blocks"].items()}
                store.files[path] = FileBytes(int(document["size"]), blocks)
            except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
                continue  # not kept, or damaged
            assert kept is not None
            self._since[name] = kept.retrieved

    def read(self, box: GridBox, on_progress: Progress) -> bool:
        """Read the files of a box, a few at once, and keep each when it is read; return whether any was asked for.

        Raises
        ------
        SourceError
            The first fault; the other files are read and kept.
        """
        done: list[bool] = []
        faults: list[SourceError] = []

        def work(names: Sequence[str]) -> None:
            for name in names:
                if any(isinstance(fault, UnreachableError | LateError) for fault in faults):
                    return
                try:
                    is_new = self._read_one(box, name)
                except SourceError as fault:
                    faults.append(fault)
                    continue
                with self._guard:
                    done.append(is_new)
                    if is_new and len(done) % 10 == 0:
                        on_progress(f"read {len(done)} of {len(box.names)} files")

        with together() as group:
            at_work = [group.start(partial(work, box.names[k::AT_ONCE])) for k in range(AT_ONCE)]
            for one in at_work:
                one.result()
        if faults:
            read = f" ({len(done)} of {len(box.names)} files are read and kept)" if done else ""
            raise type(faults[0])(f"{faults[0]}{read}")
        return any(done)

    def _read_one(self, box: GridBox, name: str) -> bool:
        path = self._paths[name]
        try:
            box.fetch(name)
        finally:
            file = self.store.files.get(path)
            is_new = file is None or file.is_new
            if file is not None and file.is_new:
                file.is_new = False
                self._since[name] = utc_now()
                blocks = {str(k): base64.b64encode(v).decode() for k, v in file.blocks.items()}
                text = json.dumps({"size": file.size, "blocks": blocks})
                keep_reply(_KIND, f"{self._prefix} {name}", text, self._since[name])
            elif file is None:  # damaged
                keep_reply(_KIND, f"{self._prefix} {name}", "", utc_now())
        return is_new

    def forget(self) -> None:
        """Let the next reading ask for every file again."""
        for name in self._paths:
            keep_reply(_KIND, f"{self._prefix} {name}", "", utc_now())

    def oldest(self, names: Sequence[str]) -> datetime:
        """Return when the oldest of some files was read."""
        return min((self._since[name] for name in names if name in self._since), default=utc_now())


# --- from a box to cells in reach ------------------------------------------------------------------------------


def _finished(asked: _Asked, read: _Read, notes: list[str]) -> Obtained:
    cube = _in_reach(read.cube, asked.centre, asked.reach)
    end = cube["time"].values[-1]
    if end < asked.wanted.end:
        notes.append(f"the hourly steps of this run end at {str(end)[:16]}Z; later hours are not known")
    cube, kp_notes = with_kp(
        hide_contradictions(cube), offline=asked.offline, settings=asked.settings, on_progress=asked.on_progress
    )
    sites = tuple(
        Site(str(name), float(latitude), float(longitude), math.nan, time_zone_at(float(latitude), float(longitude)))
        for name, latitude, longitude in zip(
            cube["site"].values, cube["latitude"].values, cube["longitude"].values, strict=True
        )
    )
    return Obtained(
        sites=sites, cube=cube, now=as_moment(utc_now()) if asked.now is None else asked.now,
        origin="store" if asked.offline or not read.is_new else "fetched", notes=(*notes, *kp_notes),
        is_chosen=asked.now is not None,
    )  # fmt: skip


def _in_reach(cube: xr.Dataset, centre: Site, reach: float) -> xr.Dataset:
    """Return the cells within reach as sites, the nearest first."""
    across = [d for d in cube["wind_speed"].dims if d not in ("time", "height")]
    flat = cube.stack(site=across).reset_index("site")
    latitude, longitude = flat["latitude"].values, flat["longitude"].values
    away = np.array(
        [
            1000 * distance_km(centre.latitude, centre.longitude, float(a), float(b))
            for a, b in zip(latitude, longitude, strict=True)
        ]
    )
    order = [i for i in np.argsort(away, kind="stable") if away[i] <= reach]
    if not order:
        raise WxflyError(
            f"no cell of the grid lies within {reach / 1000:g} km of {centre.name}; give a longer --within"
        )
    flat = flat.isel(site=order).drop_vars([n for n in ("crs", *across) if n in flat.coords and n not in _KEPT])
    for name in flat.data_vars:
        flat[name].attrs.pop("grid_mapping", None)
    names = [f"{a:.3f}, {b:.3f}" for a, b in zip(flat["latitude"].values, flat["longitude"].values, strict=True)]
    return flat.assign_coords(site=np.array(names, dtype=object)).transpose("time", "site", ...)


_KEPT = ("latitude", "longitude")
