"""Forecast grids from the service's open file store: a box of one run, read by ranges of bytes.

Layout: one file for each variable of a run, all lead times in it, ``data_run/<domain>/YYYY/MM/DD/HHMMZ/<variable>.om``
(github.com/open-meteo/open-data, README). The files hold chunks of neighbouring cells, of which only those that a box
needs are read, and only when their values are asked for. They have no names of dimensions and no coordinates; the
positions of the cells follow from the projection in the metadata of the run.
"""

from __future__ import annotations

import importlib.util
import re
import threading
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.cube.contract import VARIABLES, WIND, Provenance, finish_cube
from wxfly.errors import WxflyError, missing_extra
from wxfly.physics import MELTING_POINT
from wxfly.physics.wind.components import wind_from_components
from wxfly.pilot.services import SERVICES
from wxfly.pilot.settings import Settings
from wxfly.sources.http import download
from wxfly.sources.open_meteo.models import Model
from wxfly.sources.open_meteo.reply import NAMES, provided_by
from wxfly.sources.reply import PassingError, Reply, SourceError, parse_json

Array = npt.NDArray[Any]

# Factor and offset from the units of the store (degC, %, hPa) to ours; everything else is stored in ours.
_CELSIUS, _PERCENT, _HECTOPASCAL = (1.0, MELTING_POINT), (0.01, 0.0), (100.0, 0.0)
_STORED: dict[str, tuple[float, float]] = {
    "temperature_2m": _CELSIUS,
    "dew_point_2m": _CELSIUS,
    "relative_humidity_2m": _PERCENT,
    "precipitation_probability": _PERCENT,
    "cloud_cover": _PERCENT,
    "cloud_cover_low": _PERCENT,
    "cloud_cover_mid": _PERCENT,
    "cloud_cover_high": _PERCENT,
    "surface_pressure": _HECTOPASCAL,
    "pressure_msl": _HECTOPASCAL,
}
# What the service works out from other files, so that no run has it; without those files it is lost like the rest.
_WORKED_OUT: dict[str, tuple[str, ...]] = {
    "dew_point_2m": ("temperature_2m", "relative_humidity_2m"),
    "surface_pressure": ("pressure_msl",),
}
_TAIL = 65_536  # bytes read at first: the index of a small file lies at its end
_BLOCK = 16_384  # bytes are read and kept in blocks of so many: neighbouring chunks then cost one request
_CELLS_OF_CHUNK = 32  # along one side, where the chunks of the file are smaller
_RUN = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}(?::\d{2})?Z")
_LARGEST_PART = 64_000_000


class Box(NamedTuple):
    """A part of the globe [degree]; where `west` is larger than `east`, it goes over the date line."""

    south: float
    west: float
    north: float
    east: float

    def holds(self, latitude: Array, longitude: Array) -> npt.NDArray[np.bool_]:
        """Return which positions lie in the box, its edges too."""
        if self.west <= self.east:
            inside = (longitude >= self.west) & (longitude <= self.east)
        else:
            inside = (longitude >= self.west) | (longitude <= self.east)
        return np.asarray(inside & (latitude >= self.south) & (latitude <= self.north))


@dataclass(frozen=True)
class GridRun:
    """The metadata of one run.

    Attributes
    ----------
    reference_time : numpy.datetime64
        Start of the run, UTC.
    valid_times : ndarray of datetime64
        UTC, increasing.
    variables : tuple of str
        Names of its files.
    projection : str
        Coordinate reference system of the cells, in well-known text with the box of their centres.
    """

    reference_time: np.datetime64
    valid_times: npt.NDArray[np.datetime64]
    variables: tuple[str, ...]
    projection: str

    @property
    def name(self) -> str:
        """Return its start in short, such as ``2026-11-25T06Z``."""
        return f"{np.datetime_as_string(self.reference_time, 'h')}Z"


def parse_grid_run(body: bytes, what: str) -> GridRun:
    """Read the metadata of a run.

    Raises
    ------
    SourceError
        When a key is missing or is not what it should be.
    """
    document = parse_json(body, what)
    given: Mapping[str, Any] = document if isinstance(document, dict) else {}
    start, times, names, projection = (given.get(k) for k in ("reference_time", "valid_times", "variables", "crs_wkt"))
    if not isinstance(times, list) or not times or not all(isinstance(t, str) and _RUN.fullmatch(t) for t in times):
        raise SourceError(f"{what}: valid_times is missing or not times")
    if not isinstance(start, str) or not _RUN.fullmatch(start):
        raise SourceError(f"{what}: reference_time is missing or not a time")
    if not isinstance(names, list) or not all(isinstance(n, str) and re.fullmatch(r"\w{1,80}", n) for n in names):
        raise SourceError(f"{what}: variables is missing or not names")
    if not isinstance(projection, str) or not projection:
        raise SourceError(f"{what}: crs_wkt is missing; where the cells lie is not known")
    stamps = np.array([_utc(t) for t in times])
    if (np.diff(stamps) <= np.timedelta64(0, "s")).any():
        raise SourceError(f"{what}: valid_times do not increase")
    return GridRun(_utc(start), stamps, tuple(names), projection)


def _utc(text: str) -> np.datetime64:
    try:
        return np.datetime64(
            datetime.fromisoformat(text.replace("Z", "+00:00")).astimezone(UTC).replace(tzinfo=None), "ns"
        )
    except ValueError:
        raise SourceError(f"'{text}' is not a time") from None


def get_grid_run(model: Model, *, settings: Settings) -> bytes:
    """Return the metadata of the newest complete run of a model, for `parse_grid_run`.

    Raises
    ------
    WxflyError
        Without the extra ``grids``, and for a model that has no single grid in the store.
    SourceError
        When the store does not have it.
    """
    check_extra()

    def read(reply: Reply) -> bytes:
        parse_grid_run(reply.body, what)
        return reply.body

    what = store_of(model)
    return download(f"{_root(model, settings)}/latest.json", {}, read, settings=settings, what=what)


def store_of(model: Model) -> str:
    """Return the name of the grids of a model, for errors.

    Raises
    ------
    WxflyError
        For a model that has no single grid in the store.
    """
    if not has_grid(model):
        raise WxflyError(f"{model.title} has no single grid in the file store; choose another model with --model")
    return f"Open-Meteo file store, {model.title}"


def has_grid(model: Model) -> bool:
    """Return whether a model has one grid in the store."""
    return len(model.domains) == 1 and not model.is_blend


def _root(model: Model, settings: Settings) -> str:
    return f"{settings.addresses['grids']}/data_run/{model.domains[0]}"


def path_of(model: Model, run: GridRun, name: str, settings: Settings) -> str:
    """Return the address of a file of a run."""
    stamp = np.datetime_as_string(run.reference_time, "m").replace("-", "/").replace("T", "/").replace(":", "")
    return f"{_root(model, settings)}/{stamp}Z/{name}.om"


def get_grid(
    model: Model,
    box: Box,
    *,
    settings: Settings,
    now: datetime,
    heights: Sequence[int] | None = None,
    lead_hours: tuple[int, int] = (0, 48),
) -> xr.Dataset:
    """Return a box of the newest run of a model as a lazy cube.

    Parameters
    ----------
    model : Model
        One with a grid of its own.
    box : Box
        The part of the globe that is wanted; of a projected grid the smallest rectangle of cells around it.
    settings : Settings
        Address of the store, hosts, User-Agent and patience.
    now : datetime
        Present time, for the history of the cube.
    heights : sequence of int, optional
        Heights of wind and temperature [m] among those of the model; by default all.
    lead_hours : tuple of int, optional
        First and last lead time [h]; later steps than the last hourly one are left out.

    Returns
    -------
    xarray.Dataset
        A forecast cube (`wxfly.cube.contract`) with the dimensions latitude and longitude on a regular grid, else ``y``
        and ``x`` with latitude and longitude of every cell, and the CF grid mapping ``crs``. What the model provides
        and the run lacks counts as lost. The heights of the ground are not in the store; so density altitude stays
        unknown where the model has pressure at sea level only.

    Raises
    ------
    WxflyError
        Without the extra ``grids``, for a model without such a grid, a height that it lacks, or a box outside it.
    SourceError
        When the store does not have the run, or a file is damaged.
    """
    run = parse_grid_run(get_grid_run(model, settings=settings), store_of(model))
    return GridBox(model, box, run, FileStore(settings, store_of(model)), heights, lead_hours).cube(now)


class GridBox:
    """A box of a run: which files it takes, which part of each, and the cube of them.

    Parameters
    ----------
    model, box, heights, lead_hours
        As in `get_grid`.
    run : GridRun
        A run of the model.
    store : FileStore
        Where its files are read.

    Attributes
    ----------
    names : tuple of str
        The files that it takes.
    lost : tuple of str
        Names of the cube's variables that the model provides and the run lacks, with their heights.
    """

    def __init__(
        self,
        model: Model,
        box: Box,
        run: GridRun,
        store: FileStore,
        heights: Sequence[int] | None = None,
        lead_hours: tuple[int, int] = (0, 48),
    ) -> None:
        wanted = tuple(model.wind_heights if heights is None else heights)
        absent = [h for h in wanted if h not in model.wind_heights]
        if absent:
            raise WxflyError(f"{model.title} has no wind at {absent[0]} m; wanted some of {list(model.wind_heights)}")
        self.model, self.run, self.store, what = model, run, store, store.what
        self._steps = _hourly_steps(run, lead_hours, what)
        self._at_ground = [n for n in run.variables if n in NAMES and VARIABLES[NAMES[n]].has_height is False]
        self._levels = {h: _level_names(h) for h in wanted if set(_level_names(h)[:2]) <= set(run.variables)}
        if not self._levels:
            raise SourceError(f"{what}: no wind at the heights {list(wanted)} m in this run")
        aloft = [name for names in self._levels.values() for name in names if name in run.variables]
        self.names = (*self._at_ground, *aloft)
        self._provided = _provided_by(model, run, wanted)
        self.lost = self._lost()
        self._shape = _Stored(store, self.path(aloft[0])).full_shape
        if len(self._shape) != 3 or self._shape[2] != run.valid_times.size:
            raise SourceError(f"{what}: the files have the shape {self._shape}, which is not (rows, columns, times)")
        self._values: dict[str, Array] = {}
        self._cells = _cells_in(box, run.projection, (self._shape[0], self._shape[1]), what)

    def _lost(self) -> tuple[str, ...]:
        here = {NAMES[n]: set[float]() for n in self._at_ground}
        here |= {name: {float(h) for h in self._levels} for name in WIND}
        here["air_temperature_aloft"] = {float(h) for h, (*_, n) in self._levels.items() if n in self.names}
        lost = []
        for name, heights in self._provided.items():
            missing = sorted(heights - here.get(name, set()))
            if missing or name not in here:
                lost.append(" ".join([name, *(f"{h:g} m" for h in missing)]))
        return tuple(lost)

    def path(self, name: str) -> str:
        """Return the address of a file."""
        return path_of(self.model, self.run, name, self.store.settings)

    def fetch(self, name: str) -> None:
        """Read the part of a file that the box needs; the cube then has its values."""
        stored = self._stored(name)
        parts = [stored.read((self._cells.rows, columns, self._steps)) for columns in self._cells.columns]
        self._values[name] = np.concatenate(parts, axis=1).transpose(2, 0, 1)

    def _stored(self, name: str) -> _Stored:
        stored = _Stored(self.store, self.path(name))
        if stored.full_shape != self._shape:
            raise SourceError(f"{self.store.what}: {name} has the shape {stored.full_shape}, wanted {self._shape}")
        return stored

    def cube(self, now: datetime) -> xr.Dataset:
        """Return the cube, lazy unless every file is fetched; `now` is the time of retrieval."""
        is_here = set(self.names) <= set(self._values)

        def values_of(name: str) -> Any:
            factor, offset = _STORED.get(name, _CELSIUS if name.startswith("temperature_") else (1.0, 0.0))
            values = self._values[name] if is_here else self._cells.read_lazily(self._stored(name), self._steps)
            return values if (factor, offset) == (1.0, 0.0) else values * np.float32(factor) + np.float32(offset)

        model, service = self.model, SERVICES["grids"]
        at_ground = {NAMES[n]: values_of(n) for n in self._at_ground}
        cube = _cube(self.run, self._cells, self._steps, at_ground, self._levels, values_of)
        provenance = Provenance(
            model=model.name, title=f"{model.title}, grid", source=service.source, institution=model.institution,
            license=model.license, attribution=service.attribution,
            history=f"{now.astimezone(UTC):%Y-%m-%dT%H:%MZ} read from the file store by wxfly",
            retrieved=f"{now.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
        )  # fmt: skip
        spans = {"wind_speed_of_gust": model.gust_covers_hours} if "wind_speed_of_gust" in cube else {}
        cube = finish_cube(cube, provenance, spans=spans, also=self._provided, place=self.store.what)
        for name in cube.data_vars:
            cube[name].attrs["grid_mapping"] = "crs"
        return cube


def _provided_by(model: Model, run: GridRun, wanted: Collection[int]) -> dict[str, set[float]]:
    """Return the heights by variable that a run of a model should have, as `wxfly.cube.contract.mark_provided` wants.

    What the service works out from other files is left out where these are there.
    """
    provided = provided_by(run.variables, {}, model.name, is_whole=True)
    for name, made_of in _WORKED_OUT.items():
        if name not in run.variables and set(made_of) <= set(run.variables):
            provided.pop(NAMES[name], None)
    heights = {float(h) for h in wanted}
    return {name: {float(h) for h in of_model} & heights for name, of_model in provided.items()}


def check_extra() -> None:
    """Raise a `WxflyError` where a library of the extra ``grids`` is absent."""
    absent = [name for name in ("dask", "omfiles", "pyproj") if importlib.util.find_spec(name) is None]
    if absent:
        raise missing_extra("grids need", absent, "grids")


def _dask_array() -> Any:
    import dask.array

    return dask.array


def _level_names(height: int) -> tuple[str, str, str]:
    return f"wind_u_component_{height}m", f"wind_v_component_{height}m", f"temperature_{height}m"


def _hourly_steps(run: GridRun, lead_hours: tuple[int, int], what: str) -> slice:
    """Return the steps of the lead times, up to the last that is an hour after the one before it."""
    lead = (run.valid_times - run.reference_time) / np.timedelta64(1, "h")
    inside = np.flatnonzero((lead >= lead_hours[0]) & (lead <= lead_hours[1]))
    if inside.size < 2:
        raise SourceError(
            f"{what}: the run of {run.reference_time} has no lead times from {lead_hours[0]} to {lead_hours[1]} h"
        )
    gaps = np.flatnonzero(np.diff(lead[inside]) != 1.0)
    count = int(gaps[0]) + 1 if gaps.size else inside.size
    if count < 2:
        raise SourceError(f"{what}: its steps are not hourly from lead time {lead_hours[0]} h on")
    return slice(int(inside[0]), int(inside[0]) + count)


@dataclass
class FileBytes:
    """What is at hand of a file: its size, blocks of its bytes by their number, and whether some came just now."""

    size: int
    blocks: dict[int, bytes] = field(default_factory=dict)
    is_new: bool = False

    def put(self, first: int, body: bytes) -> None:
        """Keep the whole blocks of a range of bytes that begins at `first`."""
        for number in range(-(-first // _BLOCK), -(-(first + len(body)) // _BLOCK)):
            block = body[number * _BLOCK - first : (number + 1) * _BLOCK - first]
            if len(block) == min(_BLOCK, self.size - number * _BLOCK):
                self.blocks[number], self.is_new = block, True


@dataclass
class FileStore:
    """What a reader of files needs of a file system: sizes, and ranges of bytes by HTTP.

    Attributes
    ----------
    settings : Settings
        As in `get_grid`.
    what : str
        Its name in errors.
    files : dict
        The bytes at hand by address: those that were kept, and those that were read.
    is_offline : bool
        Whether to ask for nothing that is not at hand.
    """

    settings: Settings
    what: str
    files: dict[str, FileBytes] = field(default_factory=dict)
    is_offline: bool = False

    def size(self, path: str) -> int:
        """Return the size of a file [byte]; its last bytes come with the answer and are kept."""
        if path not in self.files:
            self._ask(path, f"bytes=-{_TAIL}")
        return self.files[path].size

    def cat_file(self, path: str, start: int | None = None, end: int | None = None) -> bytes:
        """Return the bytes from start up to, but without, end."""
        total = self.size(path)
        blocks = self.files[path].blocks
        first, last = start or 0, min(total if end is None else end, total)
        numbers = range(first // _BLOCK, -(-last // _BLOCK))
        missing = [number for number in numbers if number not in blocks]
        for at in (k for k in missing if k - 1 not in missing):  # each run of missing blocks by one request
            until = next(k for k in range(at, at + len(missing) + 1) if k not in missing)
            self._ask(path, f"bytes={at * _BLOCK}-{min(until * _BLOCK, total) - 1}")
        begin = numbers.start * _BLOCK
        return b"".join(self.files[path].blocks[number] for number in numbers)[first - begin : last - begin]

    def forget(self, path: str) -> None:
        """Drop what is at hand of a file, which is damaged."""
        self.files.pop(path, None)

    def _ask(self, path: str, wanted: str) -> None:
        name = path.rsplit("/", 1)[-1]
        if self.is_offline:
            raise SourceError(f"{self.what}: {name} is not stored in full")

        def read(reply: Reply) -> tuple[int, int, bytes]:
            found = re.fullmatch(r"bytes (\d+)-(\d+)/(\d+)", reply.headers.get("content-range", ""))
            if reply.status != 206 or not found:
                raise SourceError(f"{self.what}: the store does not answer ranges of bytes")
            first, last, total = (int(text) for text in found.groups())
            if last - first + 1 != len(reply.body):
                raise PassingError(f"{self.what}: a range of bytes of {name} came incomplete")
            return first, total, reply.body

        headers = {"Range": wanted, "Accept-Encoding": "identity"}
        first, total, body = download(
            path, {}, read, settings=self.settings, what=f"{self.what}, {name}", headers=headers, accepted=(206,),
            maximum_bytes=_LARGEST_PART,
        )  # fmt: skip
        if self.files.setdefault(path, FileBytes(total)).size != total:
            self.forget(path)
            raise SourceError(f"{self.what}: {name} has changed since it was read; try again")
        self.files[path].put(first, body)


class _Stored:
    """One file of the store; its values are read when they are asked for."""

    def __init__(self, store: FileStore, path: str) -> None:
        self.store, self.path = store, path
        self._open()

    def _open(self) -> None:
        import omfiles

        self._lock = threading.Lock()
        try:
            self._reader = omfiles.OmFileReader.from_fsspec(self.store, self.path)
            self.full_shape = tuple(int(n) for n in self._reader.shape)
            self.chunks = tuple(int(n) for n in self._reader.chunks)
        except (WxflyError, KeyboardInterrupt):
            raise
        except Exception as fault:  # the reader raises errors of several kinds
            raise self._damaged(fault) from None

    def __getstate__(self) -> dict[str, Any]:
        return {"store": self.store, "path": self.path}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)
        self._open()

    def read(self, at: tuple[slice, ...]) -> Array:
        """Return a part of the values, float32."""
        try:
            with self._lock:
                return np.asarray(self._reader.read_array(at), dtype=np.float32)
        except (WxflyError, KeyboardInterrupt):
            raise
        except Exception as fault:
            raise self._damaged(fault) from None

    def _damaged(self, fault: Exception) -> SourceError:
        name = self.path.rsplit("/", 1)[-1]
        self.store.forget(self.path)
        said = str(fault).splitlines()[0][:120] if str(fault) else type(fault).__name__
        return SourceError(f"{self.store.what}: {name} cannot be read ({said})")


class _Part:
    """A rectangle of cells and a stretch of steps of a file, as an array that is read piece by piece."""

    ndim, dtype = 3, np.dtype(np.float32)

    def __init__(self, stored: _Stored, at: tuple[slice, slice, slice]) -> None:
        self.stored, self.at = stored, at
        self.shape = tuple(s.stop - s.start for s in at)

    def __getitem__(self, key: tuple[slice, ...]) -> Array:
        inside = (part.indices(length) for part, length in zip(key, self.shape, strict=True))
        return self.stored.read(
            tuple(slice(s.start + begin, s.start + end) for s, (begin, end, _) in zip(self.at, inside, strict=True))
        )

    def lengths(self, axis: int) -> tuple[int, ...]:
        """Return lengths of pieces along an axis whose bounds are bounds of the file's chunks."""
        chunk, at = self.stored.chunks[axis], self.at[axis]
        step = chunk * max(_CELLS_OF_CHUNK // chunk, 1)
        bounds = [at.start, *range((at.start // step + 1) * step, at.stop, step), at.stop]
        return tuple(int(n) for n in np.diff(bounds))


@dataclass(frozen=True)
class _Cells:
    """The cells of a box: rows, one or two stretches of columns, positions, and grid mapping."""

    rows: slice
    columns: tuple[slice, ...]
    latitude: Array
    longitude: Array
    is_regular: bool
    mapping: dict[str, Any]

    def read_lazily(self, stored: _Stored, steps: slice) -> Any:
        """Return a dask array of the cells, times first."""
        parts = []
        for columns in self.columns:
            part = _Part(stored, (self.rows, columns, steps))
            chunks = (part.lengths(0), part.lengths(1), (part.shape[2],))
            meta = np.empty((0, 0, 0), np.float32)
            parts.append(_dask_array().from_array(part, chunks=chunks, asarray=False, name=False, meta=meta))
        whole = parts[0] if len(parts) == 1 else _dask_array().concatenate(parts, axis=1)
        return whole.transpose(2, 0, 1)


def _cells_in(box: Box, projection: str, shape: tuple[int, int], what: str) -> _Cells:
    from omfiles.grids import OmGrid
    from pyproj import CRS

    try:
        grid = OmGrid(projection, shape)
        reference = CRS.from_wkt(projection)
        latitude, longitude = np.asarray(grid.latitude), (np.asarray(grid.longitude) + 180.0) % 360.0 - 180.0
    except Exception as fault:  # pyproj and the reader raise errors of several kinds
        raise SourceError(f"{what}: the projection of its grid is not understood ({type(fault).__name__})") from None
    inside = box.holds(latitude, longitude)
    if not inside.any():
        raise WxflyError(f"{what}: none of its cells lies in the box {tuple(box)}; choose a model that covers it")
    rows = np.flatnonzero(inside.any(axis=1))
    columns = np.flatnonzero(inside.any(axis=0))
    gap = np.flatnonzero(np.diff(columns) > 1)
    if gap.size and box.west > box.east:  # the columns east of the date line come first in the grid, last in the box
        cut = int(gap[0])
        stretches: tuple[slice, ...] = (_run(columns[cut + 1 :]), _run(columns[: cut + 1]))
    else:
        stretches = (_run(columns),)
    at_rows = _run(rows)
    lat, lon = (
        np.concatenate([positions[at_rows, part] for part in stretches], axis=1) for positions in (latitude, longitude)
    )
    return _Cells(
        at_rows, stretches, lat, lon, bool(reference.is_geographic and _is_regular(lat, lon)), reference.to_cf()
    )


def _run(indices: npt.NDArray[np.int_]) -> slice:
    return slice(int(indices[0]), int(indices[-1]) + 1)


def _is_regular(latitude: Array, longitude: Array) -> bool:
    return bool(np.allclose(latitude, latitude[:, :1]) and np.allclose(longitude, longitude[:1]))


def _cube(
    run: GridRun,
    cells: _Cells,
    steps: slice,
    at_ground: dict[str, Any],
    levels: dict[int, tuple[str, str, str]],
    values_of: Any,
) -> xr.Dataset:
    """Put the arrays together: winds from their components, levels along the height."""
    across = ("latitude", "longitude") if cells.is_regular else ("y", "x")
    winds = [_wind(values_of(u), values_of(v)) for u, v, _ in levels.values()]
    arrays: Any = np if isinstance(winds[0][0], np.ndarray) else _dask_array()
    data: dict[str, Any] = {name: (("time", *across), values) for name, values in at_ground.items()}
    dims = ("time", "height", *across)
    for name, which in (("wind_speed", 0), ("wind_from_direction", 1)):
        data[name] = (dims, arrays.stack([wind[which] for wind in winds], axis=1))
    warm = [t if t in run.variables else None for *_, t in levels.values()]
    if any(name is not None for name in warm):
        missing = arrays.full_like(winds[0][0], np.nan)
        aloft = [missing if name is None else values_of(name) for name in warm]
        data["air_temperature_aloft"] = (dims, arrays.stack(aloft, axis=1))
    lat, lon = (cells.latitude[:, 0], cells.longitude[0]) if cells.is_regular else (cells.latitude, cells.longitude)
    return xr.Dataset(
        data,
        coords={
            "time": run.valid_times[steps].astype("datetime64[ns]"),
            "height": np.array(list(levels), dtype=float),
            "latitude": (across[:1] if cells.is_regular else across, lat),
            "longitude": (across[1:] if cells.is_regular else across, lon),
            "forecast_reference_time": run.reference_time.astype("datetime64[ns]"),
            "crs": ((), 0, cells.mapping),
        },
    )


def _wind(eastward: Any, northward: Any) -> tuple[Any, Any]:
    """Return speed and direction of components."""
    if isinstance(eastward, np.ndarray):
        speed, direction = wind_from_components(eastward, northward)
        return speed.astype(np.float32), direction.astype(np.float32)
    both = _dask_array().map_blocks(
        lambda u, v: np.stack(wind_from_components(u, v)).astype(np.float32), eastward, northward,
        dtype=np.float32, new_axis=0, chunks=((2,), *eastward.chunks), meta=np.empty((0,) * 4, np.float32),
    )  # fmt: skip
    return both[0], both[1]
