"""Results of a grid in a store: finished parts are kept, what is missing or damaged is told and worked out anew."""

from __future__ import annotations

import os
import signal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

from tests.assessment.test_grid import HEIGHT, grid, limits
from wxfly.assessment import grid as grids
from wxfly.assessment.grid import assess_grid, assess_to_store, open_store
from wxfly.cube.contract import mark_provided
from wxfly.errors import WxflyError

pytest.importorskip("zarr", reason="a store of a grid needs zarr")
dask_array = pytest.importorskip("dask.array", reason="grids need dask")
dask = pytest.importorskip("dask")

ROWS, COLUMNS, HOURS = 4, 6, 7
PARTS = {"cell_hours": HOURS * 4, "height": HEIGHT}  # two rows and two columns each


class Vanished:
    """An array of which some cells cannot be read, until they are there again."""

    def __init__(self, values: np.ndarray, flag: Path) -> None:
        self.values, self.shape, self.dtype, self.ndim, self.flag = (
            values,
            values.shape,
            values.dtype,
            values.ndim,
            flag,
        )

    def __getitem__(self, key):
        if self.flag.exists() and key[-1].start == 2:
            raise OSError("chunk 0.0.0.1 is not there")
        return self.values[key]


def lazy(cube: xr.Dataset, flag: Path) -> xr.Dataset:
    values = cube["wind_speed_of_gust"]
    chunks = tuple(2 if d in ("row", "column") else -1 for d in values.dims)
    array = dask_array.from_array(
        Vanished(values.values, flag), chunks=chunks, asarray=False, meta=np.empty((0,) * values.ndim)
    )
    return cube.assign(wind_speed_of_gust=(values.dims, array, values.attrs))


def _equal(stored: xr.Dataset, cube: xr.Dataset) -> None:
    for name in ("latitude", "longitude", "surface_altitude"):
        np.testing.assert_array_equal(stored[name].values, cube[name].values)
    judged = assess_grid(cube, limits(), height=HEIGHT).load(scheduler="synchronous")
    for name in ("state", "limiting_element", "advised_unknown", "lost", "demand", "limit", "margin", "hour_margin"):
        expected = judged[name].transpose(*stored[name].dims).values
        np.testing.assert_allclose(stored[name].values, expected, rtol=1e-6, atol=1e-6)
    lit = (judged["usable_end"] - judged["time"]) / np.timedelta64(1, "s")
    np.testing.assert_allclose(stored["lit_until"].values, lit.transpose(*stored["lit_until"].dims).values)


def test_a_part_that_cannot_be_read_costs_no_other_and_a_rerun_fills_it_in(tmp_path: Path) -> None:
    flag, path, told = tmp_path / "gone", tmp_path / "grid.zarr", []
    flag.touch()
    whole = grid(ROWS, COLUMNS, HOURS)
    cube = lazy(whole, flag)
    with pytest.raises(WxflyError, match=r"2 of 6 parts failed, first row 0 to 1, column 2 to 3: chunk 0.0.0.1 is not"):
        assess_to_store(cube, limits(), path, **PARTS)
    with pytest.raises(WxflyError, match="2 parts are missing or damaged"):
        open_store(path)
    flag.unlink()
    stored = assess_to_store(cube, limits(), path, on_progress=told.append, **PARTS)
    assert told[0] == "4 of 6 parts are there" and told[-1] == "6 of 6 parts are finished"
    _equal(stored, whole)


def test_a_damaged_or_vanished_chunk_of_the_store_is_told_and_worked_out_anew(tmp_path: Path) -> None:
    path, told = tmp_path / "grid.zarr", []
    cube = grid(ROWS, COLUMNS, HOURS)
    assess_to_store(cube, limits(), path, **PARTS)
    chunks = sorted(
        p for p in (path / "margin").rglob("*") if p.is_file() and "zarr" not in p.name and p.name[0] != "."
    )
    chunks[0].write_bytes(chunks[0].read_bytes()[:-9] + bytes(9))
    chunks[3].unlink()
    with pytest.raises(WxflyError, match=r"grid.zarr: 2 parts are missing or damaged, first row"):
        open_store(path)
    _equal(assess_to_store(cube, limits(), path, on_progress=told.append, **PARTS), cube)
    assert told[0] == "4 of 6 parts are there"


def test_a_part_is_worked_out_block_by_block(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(grids, "BYTES_OF_ARRAY", 3 * HOURS * 8)  # three cells in double precision
    sizes: list[int] = []
    work = grids.assess_block

    def counted(cube: xr.Dataset, **how: Any) -> xr.Dataset:
        sizes.append(cube.sizes["row"] * cube.sizes["column"])
        return work(cube, **how)

    monkeypatch.setattr(grids, "assess_block", counted)
    told: list[str] = []
    cube = grid(5, 7, HOURS).chunk(row=2, column=3)
    stored = assess_to_store(cube, limits(), tmp_path / "grid.zarr", height=HEIGHT, on_progress=told.append)
    assert max(sizes) <= 3 < grids.BLOCKS_OF_PART * 3 and sum(sizes) == 35
    assert int(told[-1].split()[2]) < len(sizes)
    _equal(stored, cube.load())


def test_a_store_of_other_work_is_not_written_over(tmp_path: Path) -> None:
    path = tmp_path / "grid.zarr"
    cube = grid(2, 2, HOURS)
    assess_to_store(cube, limits(), path, **PARTS)
    provides_more = mark_provided(cube, {"wind_speed": [200.0]})
    for other, height in ((cube, 40.0), (provides_more, PARTS["height"])):
        with pytest.raises(WxflyError, match="it holds results of another grid or other limits; give another path"):
            assess_to_store(other, limits(), path, cell_hours=PARTS["cell_hours"], height=height)
    with pytest.raises(WxflyError, match="this is no store of a grid's results; give another path"):
        assess_to_store(cube, limits(), tmp_path, **PARTS)
    with pytest.raises(WxflyError, match="there is no store of a grid's results"):
        open_store(tmp_path / "nothing")


@pytest.mark.thorough
@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")
def test_a_worker_that_is_killed_loses_no_work(tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed", reason="a cluster needs dask.distributed")
    cube = grid(ROWS, COLUMNS, HOURS)
    killed: list[int] = []
    with (
        dask.config.set({"distributed.admin.large-graph-warning-threshold": "1 kB"}),  # as of a large cube in memory
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, local_directory=tmp_path / "work"
        ) as cluster,
    ):

        def kill_one(_: str) -> None:
            if not killed:
                killed.append(next(iter(cluster.workers.values())).process.pid)
                os.kill(killed[0], signal.SIGKILL)

        path = tmp_path / "grid.zarr"
        stored = assess_to_store(
            cube, limits(), path, scheduler=cluster.scheduler_address, on_progress=kill_one, **PARTS
        )
        _equal(stored, cube)
    assert killed


@pytest.mark.thorough
def test_a_scheduler_that_does_not_answer_is_named(tmp_path: Path) -> None:
    pytest.importorskip("distributed", reason="a cluster needs dask.distributed")
    with pytest.raises(WxflyError, match="no scheduler answers at tcp://nowhere; wanted its address"):
        assess_to_store(grid(2, 2, HOURS), limits(), tmp_path / "g.zarr", scheduler="tcp://nowhere", **PARTS)
