"""Grids in blocks: the same work on a cube of many cells, block by block, without loading what is not asked for.

Every step from a cube to states is of each cell by itself and of all its hours. So a block holds all hours, heights and
members of some cells, whatever the names of the horizontal dimensions.
"""

from __future__ import annotations

import contextlib
import ctypes
import sys
from collections.abc import Callable
from functools import partial
from typing import Any
from uuid import uuid4

import numpy as np
import xarray as xr

from wxfly.assessment.conditions import derive_flight, hours_of
from wxfly.assessment.hours import precision_of
from wxfly.assessment.suitability import assess_in_numbers
from wxfly.cube.contract import check_forecast, mark_provided, provided_entries
from wxfly.errors import missing_extra
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
