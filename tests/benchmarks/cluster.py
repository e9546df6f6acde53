"""What a grid costs at size: by its size, its memory, and by the number of workers.

    python tests/benchmarks/cluster.py [--cell-hours 1e6 4e6] [--input-gigabytes 2] [--workers-cell-hours 1e6]

The input is virtual: made block by block when a part is worked out, so that no disk holds it; making it is timed too.
`ns_per_cell_hour` is processor time for each size, `cost_of_largest_to_smallest` its ratio. `peak_gigabytes` is the
largest memory of a process that works out and writes the whole of `input_gigabytes`. `two_workers_to_one` is the time
of one worker of dask.distributed over that of two; on a machine with other work it tells less than the machine could.
`same_when_killed` tells whether a run whose worker is killed gives the same values. It prints one JSON object.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import signal
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import dask
import dask.array

from tests.cubes import block_of_weather, quiet_cube
from wxfly.assessment.grid import assess_grid, assess_to_store
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for

HOURS, HEIGHT = 48, 60.0
MEMORY = {
    "MALLOC_MMAP_THRESHOLD_": "33554432",
    "MALLOC_TRIM_THRESHOLD_": "268435456",
}  # as docs/how-to/cluster.md tells
SIDE = 62  # cells of a block along either dimension: 184,512 cell-hours
LIMITS = limits_for(find_aircraft("camera-quad-250g"))


def virtual(cell_hours: float) -> xr.Dataset:
    """Return a lazy cube of about so many cells times hours, every block with its own weather."""
    point = quiet_cube(HOURS + 1)
    side = max(round((cell_hours / HOURS) ** 0.5 / SIDE), 1) * SIDE
    parts = (SIDE,) * (side // SIDE)
    data = {}
    for name, variable in point.data_vars.items():
        chunks = (*((n,) for n in variable.shape), parts, parts)
        made = dask.array.map_blocks(
            block_of_weather, values=variable.values, is_code=name == "weather_code", chunks=chunks, dtype=np.float32
        )
        data[name] = ((*variable.dims, "y", "x"), made, variable.attrs)
    coords = {k: c for k, c in point.coords.items() if k not in ("latitude", "longitude", "surface_altitude")}
    plane, places = np.ones((side, side)), np.linspace(0.0, 8.0, side)
    return xr.Dataset(data, coords=coords, attrs=point.attrs).assign_coords(
        latitude=(("y", "x"), 46.0 + places[:, None] * plane),
        longitude=(("y", "x"), 2.0 + places * plane),
        surface_altitude=(("y", "x"), 30.0 * plane),
    )


def cell_hours_of(cube: xr.Dataset) -> int:
    """Return how many cells times hours a cube has."""
    return HOURS * cube.sizes["y"] * cube.sizes["x"]


def cost(cell_hours: float) -> float:
    """Return what a size costs [ns of the processor for each cell and hour]: the margins' sum alone is kept."""
    cube = virtual(cell_hours)
    judged = assess_grid(cube, LIMITS, height=HEIGHT)
    begin = time.process_time()
    with dask.config.set(scheduler="synchronous"):
        judged["hour_margin"].sum().compute()
    return 1e9 * (time.process_time() - begin) / cell_hours_of(cube)


def memory(gigabytes: float) -> dict[str, float]:
    """Work out and write an input of so many GB; return its size and the peak of this process [GB]."""
    each = virtual(1.0)
    by_cell_hour = sum(v.nbytes for v in each.data_vars.values()) / cell_hours_of(each)
    cube = virtual(gigabytes * 1e9 / by_cell_hour)
    with tempfile.TemporaryDirectory() as folder:
        assess_to_store(cube, LIMITS, Path(folder) / "grid.zarr", height=HEIGHT)
        stored = sum(p.stat().st_size for p in Path(folder).rglob("*") if p.is_file())
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e9
    size = sum(v.nbytes for v in cube.data_vars.values()) / 1e9
    return {
        "input_gigabytes": size,
        "peak_gigabytes": peak,
        "stored_bytes_per_cell_hour": stored / cell_hours_of(cube),
    }


def with_workers(count: int, cell_hours: float, kill: bool = False) -> tuple[float, xr.Dataset]:
    """Return the seconds that so many workers take, and the states; one of them may be killed on the way."""
    from distributed import LocalCluster

    killed: list[int] = []
    with (
        tempfile.TemporaryDirectory() as folder,
        LocalCluster(
            n_workers=count,
            threads_per_worker=1,
            processes=True,
            dashboard_address=None,
            local_directory=folder,
            env=MEMORY,
        ) as cluster,
    ):

        def told(_: str) -> None:
            if kill and not killed:
                killed.append(next(iter(cluster.workers.values())).process.pid)
                os.kill(killed[0], signal.SIGKILL)

        def run(size: float, name: str) -> xr.Dataset:
            return assess_to_store(
                virtual(size), LIMITS, Path(folder) / name, height=HEIGHT,
                scheduler=cluster.scheduler_address, on_progress=told,
            )  # fmt: skip

        if not kill:
            run(count * HOURS * SIDE**2, "first.zarr")  # imports and tables of every worker
        begin = time.perf_counter()
        stored = run(cell_hours, "grid.zarr")
        seconds = time.perf_counter() - begin
        return seconds, stored[["state", "margin"]].load()


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cell-hours", type=float, nargs="+", default=[1e6, 4e6])
    parser.add_argument("--input-gigabytes", type=float, default=2.0)
    parser.add_argument("--workers-cell-hours", type=float, default=1e6)
    given = parser.parse_args()
    cost(HOURS * SIDE**2)
    costs = {f"{size:g}": cost(size) for size in given.cell_hours}
    figures: dict[str, Any] = {"ns_per_cell_hour": costs}
    figures["cost_of_largest_to_smallest"] = costs[f"{max(given.cell_hours):g}"] / costs[f"{min(given.cell_hours):g}"]
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as apart:
        figures |= apart.submit(memory, given.input_gigabytes).result()
    one, whole = with_workers(1, given.workers_cell_hours)
    two, _ = with_workers(2, given.workers_cell_hours)
    _, broken = with_workers(2, given.workers_cell_hours, kill=True)
    figures |= {"two_workers_to_one": one / two, "same_when_killed": bool(whole.equals(broken))}
    print(json.dumps(figures, indent=2))


if __name__ == "__main__":
    main()
