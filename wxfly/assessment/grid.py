"""Grids: the same work on a cube of many cells, block by block, and its results in a Zarr store.

Every step from a cube to states is of each cell by itself and of all its hours. So a block holds all hours, heights and
members of some cells, whatever the names of the horizontal dimensions. Nothing is loaded that is not asked for.

A store is filled part by part, on this machine or on the workers of a cluster. A part is some blocks of cells. It
counts as finished when the checksum of all its values is in the store. So a run that was broken off goes on where it
was, and what is damaged is worked out anew.
"""

from __future__ import annotations

import contextlib
import ctypes
import hashlib
import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any
from uuid import uuid4

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.conditions import derive_flight, hours_of
from wxfly.assessment.hours import precision_of
from wxfly.assessment.suitability import assess_in_numbers
from wxfly.cube.contract import check_forecast, mark_provided, provided_entries, to_file
from wxfly.errors import WxflyError, missing_extra, shortened
from wxfly.pilot.elements import NAMES
from wxfly.pilot.limits import Limits
from wxfly.pilot.site import Site

BYTES_OF_ARRAY = 1_024_000
"""Size of each array of a step on one block: so those of a step stay in the cache of a core, and what a block costs
whatever its size (some 10 ms) is little beside the rest."""
_KEPT = (-3, 32 * 2**20), (-1, 256 * 2**20)  # M_MMAP_THRESHOLD and M_TRIM_THRESHOLD of malloc.h [bytes]


def horizontal_dimensions(cube: xr.Dataset) -> tuple[str, ...]:
    """Return the dimensions along which places differ: those of latitude and longitude, whatever their names."""
    dims = (*cube["latitude"].dims, *cube["longitude"].dims)
    return tuple(str(d) for d in dict.fromkeys(dims) if d != "time")


def in_blocks(cube: xr.Dataset, cell_hours: int | None = None, *, joining: bool = False) -> xr.Dataset:
    """Return a cube divided into blocks of cells, each with all hours, heights and members.

    Parameters
    ----------
    cube : xarray.Dataset
        A forecast cube of a grid or of many sites, loaded or lazy.
    cell_hours : int, optional
        Largest number of cells times hours in a block, by default as many as fit `BYTES_OF_ARRAY` in the precision of
        the cube; a block has one cell at least. Chunks of a lazy cube are divided but not joined: what is asked of one
        cell reads its chunk alone.
    joining : bool, optional
        Whether small chunks are joined, whole ones to each block: for work that reads them all anyway.

    Returns
    -------
    xarray.Dataset
        Lazy, with the same values.

    Raises
    ------
    WxflyError
        Without dask, which the extra ``grids`` brings.
    """
    try:
        import dask  # noqa: F401
    except ImportError:
        raise missing_extra("grids in blocks need", ["dask"], "grids") from None
    horizontal = horizontal_dimensions(cube)
    lengths = block_lengths(cube, cell_hours, joining=joining)
    whole = {d: -1 for d in map(str, cube.dims) if d not in horizontal}
    # A name of its own: the one that dask would make is a hash of all values.
    divided = cube.chunk(whole | lengths, token=uuid4().hex)
    # Coordinates in memory stay there: as chunks, the whole of each would go along with every block.
    return divided.assign_coords({n: c for n, c in cube.coords.variables.items() if c.chunks is None})


def block_lengths(cube: xr.Dataset, cell_hours: int | None = None, *, joining: bool = False) -> dict[str, int]:
    """Return how many cells a block has along each horizontal dimension; arguments as of `in_blocks`."""
    horizontal = horizontal_dimensions(cube)
    cells = max((cell_hours or cell_hours_of_block(cube)) // cube.sizes["time"], 1)
    chunks = {str(d): max(parts) for d, parts in cube.chunksizes.items()}
    lengths: dict[str, int] = {}
    for position, dim in enumerate(horizontal):
        # The same number along every dimension, as near as their lengths allow.
        share = min(max(round(cells ** (1 / (len(horizontal) - position))), 1), cube.sizes[dim])
        chunk = chunks.get(dim)
        if chunk is not None and chunk <= share:
            lengths[dim] = chunk * (share // chunk) if joining else chunk
        else:
            blocks = -(-cube.sizes[dim] // share)
            lengths[dim] = -(-cube.sizes[dim] // blocks)  # blocks of one size, as near as can be
        cells = max(cells // lengths[dim], 1)
    return lengths


def cell_hours_of_block(cube: xr.Dataset) -> int:
    """Return how many cells times hours a block has, by `BYTES_OF_ARRAY` and the precision of the cube."""
    return int(BYTES_OF_ARRAY // np.dtype(precision_of(cube).value).itemsize)


def by_blocks(work: Callable[[xr.Dataset], xr.Dataset], cube: xr.Dataset) -> xr.Dataset:
    """Do work on every block of a cube when its values are asked for.

    Parameters
    ----------
    work : callable
        Takes a loaded cube of any number of cells, returns a dataset of the same cells; each cell by itself.
    cube : xarray.Dataset
        As `in_blocks` returns it.

    Returns
    -------
    xarray.Dataset
        Lazy: what `work` returns for the whole cube.
    """
    import dask.array

    horizontal = horizontal_dimensions(cube)
    lengths = {d: cube.sizes[d] for d in horizontal}
    chunks = {d: cube.chunksizes[d] for d in horizontal if d in cube.chunksizes}
    pattern = work(_one_cell(cube, horizontal))

    def spread(variable: xr.Variable) -> xr.Variable:
        shape = tuple(lengths.get(str(d), n) for d, n in variable.sizes.items())
        parts = tuple(chunks.get(str(d), (n,)) for d, n in zip(variable.dims, shape, strict=True))
        empty = dask.array.empty(shape, dtype=variable.dtype, chunks=parts)
        return xr.Variable(variable.dims, empty, variable.attrs)

    given = {str(k): v for k, v in cube.coords.variables.items() if set(v.dims) & set(horizontal)}
    template = xr.Dataset(
        {str(k): spread(v) for k, v in pattern.variables.items() if k in pattern.data_vars},
        coords={str(k): given.get(str(k), v) for k, v in pattern.coords.variables.items()},
        attrs=pattern.attrs,
    )
    kept = [str(k) for k in template.coords if k not in template.dims]
    mapped = xr.map_blocks(partial(_without, work, kept), cube, template=template.drop_vars(kept))
    return mapped.assign_coords({k: template.coords[k] for k in kept})


def _without(work: Callable[[xr.Dataset], xr.Dataset], names: list[str], cube: xr.Dataset) -> xr.Dataset:
    return work(cube).drop_vars(names)


def _one_cell(cube: xr.Dataset, horizontal: tuple[str, ...]) -> xr.Dataset:
    """Return one cell of a cube with its coordinates, without reading values: what they are does not matter."""
    cell = cube.isel(dict.fromkeys(horizontal, slice(0, 1)))
    empty = {
        str(name): (v.dims, np.full(v.shape, np.nan, dtype=v.dtype), v.attrs)
        for name, v in cell.variables.items()
        if name in cell.data_vars
    }
    coords = {str(k): v.load() if v.chunks else v for k, v in cell.coords.variables.items()}
    return xr.Dataset(empty, coords=coords, attrs=cube.attrs)


def assess_grid(
    cube: xr.Dataset,
    limits: Limits,
    *,
    height: float,
    site: Site | None = None,
    start: np.datetime64 | None = None,
    end: np.datetime64 | None = None,
    cell_hours: int | None = None,
) -> xr.Dataset:
    """Compare every hour of every cell of a grid with the limits.

    Parameters
    ----------
    cube : xarray.Dataset
        A forecast cube with any horizontal dimensions, loaded or lazy.
    limits : Limits
        What the hours are compared with.
    height : float
        Flight height above ground [m].
    site : Site, optional
        Whose ground cover counts everywhere; by default the model's own counts.
    start, end : numpy.datetime64, optional
        UTC bounds, as in `wxfly.assessment.conditions.derive`.
    cell_hours : int, optional
        As in `in_blocks`.

    Returns
    -------
    xarray.Dataset
        Lazy: what `wxfly.assessment.suitability.assess_in_numbers` returns, each cell as it would be alone.

    Raises
    ------
    WxflyError
        Without dask; and when values are asked for, as in `wxfly.cube.contract.check_forecast`.
    """
    if not provided_entries(cube):
        cube = mark_provided(cube)  # a block alone cannot tell a level that is lost from one that never was
    work: Callable[[xr.Dataset], xr.Dataset] = partial(
        assess_block, limits=limits, height=height, site=site, start=start, end=end
    )
    return by_blocks(work, in_blocks(cube, cell_hours))


def keep_memory() -> None:
    """Have memory that arrays leave kept for the next ones, where the C library is glibc.

    By default it goes back to the system after every step, and to get it again takes a third of the time. On workers of
    dask the two variables of ``docs/how-to/cluster.md`` do the same.
    """
    set_memory_options(*_KEPT)


def set_memory_options(*options: tuple[int, int]) -> None:
    """Set options of the C library's memory by their numbers in its ``malloc.h``; nothing where that is not glibc."""
    if sys.platform != "linux":
        return
    with contextlib.suppress(AttributeError):  # other C libraries of Linux have no such function
        for option, value in options:
            ctypes.CDLL(None).mallopt(option, value)


def assess_block(cube: xr.Dataset, *, limits: Limits, height: float, site: Site | None, **bounds: Any) -> xr.Dataset:
    """Compare every hour of some cells of a grid, with all that `assess_grid` is given."""
    keep_memory()
    cube = check_forecast(cube, place="a part of the grid")
    hours = hours_of(cube, precision=precision_of(cube), **bounds)
    return assess_in_numbers(derive_flight(hours, height=height, site=site, limits=limits), limits)


_CHECKSUMS = "part_checksum"
_QUESTION = "question_sha256"
_BYTES = 32
_SECOND = np.timedelta64(1, "s")
BLOCKS_OF_PART = 4
"""A part has so many blocks as go through the cache of a core at once: what a part costs whatever its size (some 100 ms
of the processor) is little beside the rest then."""
_RETRIES = 3
"""How often a part is given to another worker, where its own is lost."""


@dataclass(frozen=True)
class Part:
    """Some cells of a grid, by their positions along the horizontal dimensions."""

    number: int
    cells: tuple[tuple[str, int, int], ...]

    def __str__(self) -> str:
        return ", ".join(f"{dim} {first} to {last - 1}" for dim, first, last in self.cells)

    @property
    def slices(self) -> dict[str, slice]:
        """By dimension, as xarray takes them."""
        return {dim: slice(first, last) for dim, first, last in self.cells}


def assess_to_store(
    cube: xr.Dataset,
    limits: Limits,
    path: Path,
    *,
    height: float,
    site: Site | None = None,
    scheduler: str | None = None,
    cell_hours: int | None = None,
    on_progress: Callable[[str], None] = lambda _: None,
) -> xr.Dataset:
    """Compare every hour of every cell of a grid with the limits, and write what comes out to a Zarr store.

    Parameters
    ----------
    cube : xarray.Dataset
        A forecast cube with any horizontal dimensions. A lazy one is read part by part.
    limits : Limits
        What the hours are compared with.
    path : Path
        Folder of the store; every worker must reach it. One that holds a part of the same work is filled up: its parts
        are checked, and those that are missing or damaged are worked out.
    height : float
        Flight height above ground [m].
    site : Site, optional
        Whose ground cover counts everywhere; by default the model's own counts.
    scheduler : str, optional
        Address of a scheduler of dask.distributed, such as ``tcp://10.0.0.5:8786``; by default all cores of this
        machine do the work.
    cell_hours : int, optional
        Largest number of cells times hours in a part, by default `BLOCKS_OF_PART` blocks.
    on_progress : callable, optional
        Called with a line of text when a part is finished.

    Returns
    -------
    xarray.Dataset
        As `open_store` returns it.

    Raises
    ------
    WxflyError
        Where the extra ``cluster`` is absent, the store holds other work, no scheduler answers, or some part cannot be
        worked out. All other parts are then finished first, and kept.
    """
    _zarr()
    if not provided_entries(cube):
        cube = mark_provided(cube)
    cell_hours = cell_hours or BLOCKS_OF_PART * cell_hours_of_block(cube)
    cube = in_blocks(cube, cell_hours, joining=True)
    parts = _parts(horizontal_dimensions(cube), cube.chunksizes)
    question = _fingerprint(cube, limits, height, site)
    if path.exists():
        left = _left_of(path, parts, question)
    else:
        _create(cube, limits, path, height, site, cell_hours, len(parts), question)
        left = parts
    on_progress(f"{len(parts) - len(left)} of {len(parts)} parts are there")
    work = partial(_finish, path=str(path), limits=limits, height=height, site=site)
    failed: list[tuple[Part, BaseException]] = []
    done = len(parts) - len(left)
    for part, fault in _worked(work, cube, left, scheduler):
        if fault is not None:
            failed.append((part, fault))
            continue
        done += 1
        on_progress(f"{done} of {len(parts)} parts are finished")
    if failed:
        part, fault = failed[0]
        raise WxflyError(
            f"{path.name}: {len(failed)} of {len(parts)} parts failed, first {part}: {shortened(str(fault))}; "
            f"the {done} finished parts are kept; put it right and run the same again"
        ) from fault
    return _as_read(_opened(path))  # every part was read back where it was worked out


def open_store(path: Path) -> xr.Dataset:
    """Open the results of a grid, every part checked.

    Parameters
    ----------
    path : Path
        Folder of the store.

    Returns
    -------
    xarray.Dataset
        Lazy: ``demand``, ``limit``, ``margin`` (element, time, ...), ``hour_margin``, ``state``, ``advised_unknown``
        and ``lost`` as `wxfly.assessment.suitability.assess` gives them, numbers in single precision;
        ``limiting_element`` as the position of the element, -1 where there is none; ``lit_from`` and ``lit_until`` [s]
        from the start of the hour, NaN where it is dark.

    Raises
    ------
    WxflyError
        Where there is no such store, or a part is missing or damaged.
    """
    stored = _opened(path)
    parts = _parts(horizontal_dimensions(stored), stored["state"].chunksizes)
    bad = [part for part in parts if not _is_whole(path, part)]
    if bad:
        raise WxflyError(
            f"{path.name}: {len(bad)} parts are missing or damaged, first {bad[0]}; work out the same grid again to "
            "fill them in, the others are kept"
        )
    return _as_read(stored)


def _opened(path: Path) -> xr.Dataset:
    _zarr()
    try:
        stored: xr.Dataset = xr.open_zarr(path, consolidated=False)
    except (FileNotFoundError, KeyError, ValueError) as fault:
        raise WxflyError(
            f"{path}: there is no store of a grid's results ({shortened(str(fault))}); give the folder of one"
        ) from fault
    return stored.assign_coords({n: c.variable.compute() for n, c in stored.coords.items()})


def _as_read(stored: xr.Dataset) -> xr.Dataset:
    """Return a store without its checksums, the elements by name."""
    return stored.drop_vars(_CHECKSUMS).assign_coords(element=list(NAMES))


def _zarr() -> Any:
    try:
        import zarr  # here, because it slows the start of the program
    except ImportError:
        raise missing_extra("a store of a grid's results needs", ["zarr"], "cluster") from None
    return zarr


def _parts(dims: Sequence[str], chunks: Mapping[Any, tuple[int, ...]]) -> list[Part]:
    """Return the parts of a grid: the blocks of cells in which it lies."""
    bounds = {d: np.concatenate([[0], np.cumsum(chunks[d])]).tolist() for d in dims}
    spans = [list(zip(bounds[d][:-1], bounds[d][1:], strict=True)) for d in dims]
    counts = [len(of_dim) for of_dim in spans]
    return [
        Part(number, tuple((d, *spans[k][i]) for k, (d, i) in enumerate(zip(dims, at, strict=True))))
        for number, at in enumerate(np.ndindex(*counts))
    ]


def _fingerprint(cube: xr.Dataset, limits: Limits, height: float, site: Site | None) -> str:
    """Return a checksum of what is asked, without the forecast's own values."""
    digest = hashlib.sha256()
    sizes = {str(d): n for d, n in cube.sizes.items()}
    chunks = {str(d): list(n) for d, n in cube.chunksizes.items()}
    digest.update(
        json.dumps([sizes, chunks, repr(limits), height, repr(site), to_file(cube).attrs], default=str).encode()
    )
    for name in ("time", "latitude", "longitude", "surface_altitude", "forecast_reference_time"):
        if name in cube.coords:
            digest.update(np.ascontiguousarray(cube[name].values).tobytes())
    return digest.hexdigest()


def _as_stored(judged: xr.Dataset) -> xr.Dataset:
    """Return an assessment as numbers alone, in single precision."""
    kept = {str(n): judged[n].astype(np.float32) for n in ("demand", "limit", "margin", "hour_margin")}
    kept |= {n: judged[n].astype(np.int8) for n in ("limiting_element", "state", "advised_unknown", "lost")}
    start = judged["time"].variable
    for name, edge in (("lit_from", "usable_start"), ("lit_until", "usable_end")):
        after = (judged[edge].variable - start) / _SECOND  # NaN where there is no light
        kept[name] = xr.DataArray(
            after.astype(np.float32), attrs={"units": "s", "long_name": f"{edge}, from the start of the hour"}
        )
    kept_coords = ("time", "latitude", "longitude", "surface_altitude", "height", *judged.dims)
    # Loaded: a lazy coordinate would be left out of a store that is made without values.
    coords = {n: c.variable.compute() for n, c in judged.coords.items() if n in kept_coords and n != "element"}
    return xr.Dataset({n: v.variable for n, v in kept.items()}, coords=coords)


def _create(
    cube: xr.Dataset,
    limits: Limits,
    path: Path,
    height: float,
    site: Site | None,
    cell_hours: int,
    count: int,
    question: str,
) -> None:
    """Write the store without values: coordinates and attributes, and room for the checksum of every part."""
    import dask.array

    stored = _as_stored(assess_grid(cube, limits, height=height, site=site, cell_hours=cell_hours))
    stored[_CHECKSUMS] = (
        ("part", "byte"),
        dask.array.zeros((count, _BYTES), dtype=np.uint8, chunks=(1, _BYTES)),
    )
    kept = {k: str(v) for k, v in cube.attrs.items() if k in ("source", "model")}
    stored.attrs = kept | {_QUESTION: question, "elements": list(NAMES)}
    making = path.with_name(f"{path.name}.new-{os.getpid()}")
    stored.to_zarr(making, compute=False, consolidated=False)
    making.rename(path)  # so that there is never half a store


def _left_of(path: Path, parts: Sequence[Part], question: str) -> list[Part]:
    """Return the parts of a store that are not finished or not whole."""
    try:
        found = _zarr().open_group(str(path), mode="r").attrs.get(_QUESTION)
    except (FileNotFoundError, KeyError, ValueError) as fault:
        raise WxflyError(f"{path}: this is no store of a grid's results; give another path") from fault
    if found != question:
        raise WxflyError(f"{path}: it holds results of another grid or other limits; give another path")
    return [part for part in parts if not _is_whole(path, part)]


def _is_whole(path: Path, part: Part) -> bool:
    """Return whether the values of a part are those that were written."""
    group = _zarr().open_group(str(path), mode="r")
    try:
        noted = bytes(group[_CHECKSUMS][part.number])
        return any(noted) and noted == _checksum(_regions(group, part))
    except Exception:  # a codec has errors of its own for what it cannot read
        return False


def _regions(group: Any, part: Part) -> Iterator[tuple[str, Any]]:
    """Give the values of a part by the name of their array."""
    for name, array in _arrays(group):
        yield name, array[_region(array, part)]


def _arrays(group: Any) -> list[tuple[str, Any]]:
    return [(n, a) for n, a in sorted(group.arrays()) if n != _CHECKSUMS and "time" in _dims_of(a) and a.ndim > 1]


def _dims_of(array: Any) -> tuple[str, ...]:
    of_format_3 = getattr(array.metadata, "dimension_names", None) if hasattr(array, "metadata") else None
    return tuple(of_format_3 or array.attrs.get("_ARRAY_DIMENSIONS", ()))


def _region(array: Any, part: Part) -> tuple[slice, ...]:
    return tuple(part.slices.get(d, slice(None)) for d in _dims_of(array))


def _shape(array: Any, part: Part) -> tuple[int, ...]:
    sizes = {dim: last - first for dim, first, last in part.cells}
    return tuple(sizes.get(d, n) for d, n in zip(_dims_of(array), array.shape, strict=True))


def _blocks(cube: xr.Dataset) -> dict[str, tuple[int, ...]]:
    """Return the lengths of the blocks of a loaded cube along its horizontal dimensions."""
    return {
        dim: tuple(min(length, cube.sizes[dim] - first) for first in range(0, cube.sizes[dim], length))
        for dim, length in block_lengths(cube).items()
    }


def _checksum(values: Iterable[tuple[str, Any]]) -> bytes:
    """Return the checksum of arrays in the order of their names."""
    digest = hashlib.sha256()
    for name, array in values:
        digest.update(name.encode())
        digest.update(np.ascontiguousarray(array).data)
    return digest.digest()


def _finish(cube: xr.Dataset, part: Part, *, path: str, limits: Limits, height: float, site: Site | None) -> int:
    """Work out one part, write it, note its checksum last, and read it back."""
    group = _zarr().open_group(path, mode="r+")
    arrays = dict(_arrays(group))
    work = partial(assess_block, limits=limits, height=height, site=site)
    values = _values(cube.compute(scheduler="synchronous"), part, arrays, work)
    for name, array in arrays.items():
        array[_region(array, part)] = values[name]
    group[_CHECKSUMS][part.number] = np.frombuffer(_checksum(values.items()), dtype=np.uint8)
    del values
    if not _is_whole(Path(path), part):
        raise OSError("what was read back is not what was written")
    return part.number


def _values(
    cube: xr.Dataset, part: Part, arrays: Mapping[str, Any], work: Callable[[xr.Dataset], xr.Dataset]
) -> dict[str, npt.NDArray[Any]]:
    """Return the values of a part by the name of their array, worked out block by block."""
    values = {name: np.empty(_shape(array, part), dtype=array.dtype) for name, array in arrays.items()}
    for block in _parts(horizontal_dimensions(cube), _blocks(cube)):
        judged = _as_stored(work(cube.isel(block.slices)))
        for name, array in arrays.items():
            values[name][_region(array, block)] = judged[name].transpose(*_dims_of(array)).values
    return values


def _worked(
    work: Callable[[xr.Dataset, Part], int], cube: xr.Dataset, parts: Iterable[Part], scheduler: str | None
) -> Iterator[tuple[Part, BaseException | None]]:
    """Give each part when it is finished, with the fault that kept it from that."""
    if scheduler is None:
        with ThreadPoolExecutor(os.cpu_count()) as pool:
            # Each cuts out its own cells: to cut out all beforehand took more memory than the work itself.
            waiting = {pool.submit(lambda own: work(cube.isel(own.slices), own), part): part for part in parts}
            for finished in as_completed(waiting):
                yield waiting[finished], finished.exception()
        return
    try:
        import dask.base
        import dask.config
        from distributed import Client
        from distributed import as_completed as as_finished
    except ImportError:
        raise missing_extra("a scheduler needs", ["dask.distributed"], "cluster") from None
    try:
        client = Client(scheduler, timeout=20, set_as_default=False)
    except (OSError, ValueError) as fault:
        raise WxflyError(
            f"no scheduler answers at {shortened(scheduler)}; wanted its address, such as tcp://10.0.0.5:8786"
        ) from fault
    # A cube that is in memory goes along with its parts; dask would warn of that.
    with client, dask.config.set({"distributed.admin.large-graph-warning-threshold": "1 TB"}):
        # A part is one task, which reads it too: a worker holds no more than it works on, and the scheduler has little
        # to do.
        futures = {}
        for part in parts:
            (own,) = dask.base.optimize(cube.isel(part.slices))  # type: ignore[no-untyped-call]  # of this part alone
            futures[client.submit(partial(work, own, part), pure=False, retries=_RETRIES)] = part
        for future in as_finished(list(futures), loop=client.loop):
            yield futures[future], future.exception()
