"""Grids in blocks: lazy to the end, each cell as it would be alone, whatever the horizontal dimensions are called."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from tests.cubes import quiet_cube
from wxfly.assessment.conditions import derive_flight, hours_of
from wxfly.assessment.grid import assess_grid, horizontal_dimensions, in_blocks
from wxfly.assessment.hours import Precision
from wxfly.assessment.suitability import State, assess
from wxfly.errors import WxflyError
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.elements import NAMES
from wxfly.pilot.limits import Limits, limits_for
from wxfly.pilot.site import Site

dask_array = pytest.importorskip("dask.array", reason="grids need dask")

HEIGHT = 60.0


def limits() -> Limits:
    return limits_for(find_aircraft("camera-quad-250g"))


class Counted:
    """An array that counts the values read from it."""

    def __init__(self, values: np.ndarray) -> None:
        self.values, self.shape, self.dtype, self.ndim = values, values.shape, values.dtype, values.ndim
        self.read = 0

    def __getitem__(self, key):
        part = self.values[key]
        self.read += part.size
        return part


def grid(rows: int, columns: int, hours: int = 7) -> xr.Dataset:
    """Make a grid around the globe, poles and date line too; every cell has weather of its own."""
    random = np.random.default_rng(3)
    cube = quiet_cube(hours)
    dims = {"row": rows, "column": columns}
    data = {}
    for name, variable in cube.data_vars.items():
        wide = variable.values.reshape(*variable.shape, 1, 1) * np.ones((rows, columns))
        if name == "wind_speed" or name == "wind_speed_of_gust":
            wide = wide * random.uniform(0.2, 3.0, wide.shape)
        elif name in ("air_temperature", "air_temperature_aloft", "dew_point_temperature"):
            wide = wide - random.choice([0.0, 25.0], wide.shape)
        elif name == "precipitation_amount":
            wide = wide + random.choice([0.0] * 9 + [2.0], wide.shape)
        elif name == "wind_from_direction":
            wide = random.uniform(0, 360, wide.shape)
        wide[..., 0, 0] = np.nan if name in ("precipitation_amount", "wind_speed") else wide[..., 0, 0]
        data[name] = ((*variable.dims, *dims), wide, variable.attrs)
    latitude = np.linspace(-89.0, 89.0, rows)[:, None] + np.linspace(0, 0.9, columns)
    longitude = np.linspace(-179.9, 180.0, columns) + np.linspace(0, -0.5, rows)[:, None]
    own = ("latitude", "longitude", "surface_altitude")
    coords = {k: c for k, c in cube.coords.items() if k not in own}
    made = xr.Dataset(data, coords=coords, attrs=cube.attrs)
    return made.assign_coords(
        latitude=(tuple(dims), latitude),
        longitude=(tuple(dims), longitude),
        surface_altitude=(tuple(dims), random.uniform(0.0, 1500.0, (rows, columns))),
    )


def counted(cube: xr.Dataset, side: int) -> tuple[xr.Dataset, dict[str, Counted]]:
    """Return the cube with its variables behind counters, in chunks of `side` cells."""
    counters = {str(name): Counted(variable.values) for name, variable in cube.data_vars.items()}
    lazy = {}
    for name, counter in counters.items():
        dims = cube[name].dims
        chunks = tuple(side if d in ("row", "column") else -1 for d in dims)
        array = dask_array.from_array(counter, chunks=chunks, asarray=False, name=name, meta=np.empty((0,) * len(dims)))
        lazy[name] = (dims, array, cube[name].attrs)
    return cube.assign(lazy), counters


def test_nothing_is_read_until_values_are_asked_for_and_then_only_their_block() -> None:
    lazy, counters = counted(grid(6, 8), side=2)
    judged = assess_grid(lazy, limits(), height=HEIGHT)
    assert judged.sizes == {"element": 13, "time": 6, "row": 6, "column": 8}
    assert all(judged[name].chunks is not None for name in judged.data_vars)
    assert {name: counter.read for name, counter in counters.items() if counter.read} == {}
    judged["state"].isel(row=3, column=5).load(scheduler="synchronous")
    for name, counter in counters.items():
        of_one_cell = counter.values.size // 48
        assert counter.read == 4 * of_one_cell, name


def _compare_with_cells_alone(cube: xr.Dataset, cells: list[tuple[int, ...]]) -> None:
    judged = assess_grid(cube, limits(), height=HEIGHT, cell_hours=60).load(scheduler="synchronous")
    assert len(np.unique(judged["state"])) > 2
    limiting = judged["limiting_element"]
    named = judged.assign(limiting_element=limiting.copy(data=np.array([*NAMES, ""], dtype=object)[limiting]))
    for row, column in cells:
        place = {"row": row, "column": column}
        alone = assess(derive_flight(hours_of(cube.isel(place)), height=HEIGHT, site=None, limits=limits()), limits())
        xr.testing.assert_allclose(named.isel(place), alone, rtol=1e-12, atol=1e-12)
        assert judged.attrs == alone.attrs


def test_a_cell_of_a_grid_is_the_cell_alone() -> None:
    _compare_with_cells_alone(grid(3, 4), [(0, 0), (0, 3), (1, 1), (2, 3)])


@pytest.mark.thorough
def test_every_cell_of_a_grid_is_the_cell_alone() -> None:
    _compare_with_cells_alone(grid(12, 20), list(np.ndindex(12, 20)))


@pytest.mark.parametrize("dims", [("latitude", "longitude"), ("y", "x")])
def test_horizontal_dimensions_have_any_names(dims: tuple[str, str]) -> None:
    cube = grid(3, 4).rename(row=dims[0], column=dims[1]) if dims[0] == "y" else _regular(grid(3, 4))
    assert horizontal_dimensions(cube) == dims
    judged = assess_grid(cube, limits(), height=HEIGHT)
    assert judged["state"].dims == ("time", *dims)
    judged.load(scheduler="synchronous")


def _regular(cube: xr.Dataset) -> xr.Dataset:
    latitude, longitude = cube["latitude"].values[:, 0], cube["longitude"].values[0]
    bare = cube.drop_vars(["latitude", "longitude"]).rename(row="latitude", column="longitude")
    return bare.assign_coords(latitude=latitude, longitude=longitude)


def test_blocks_are_small_and_hold_all_hours() -> None:
    cube = in_blocks(grid(20, 30), 7 * 25)
    chunks = cube["wind_speed"].chunksizes
    assert chunks["time"] == (7,) and len(chunks["height"]) == 1
    assert chunks["row"][0] * chunks["column"][0] <= 25


def test_whole_chunks_are_joined_where_asked_and_stay_as_they_are_otherwise() -> None:
    chunked = grid(7, 9).chunk(row=2, column=2)
    joined = in_blocks(chunked, 7 * 16, joining=True)
    assert joined["wind_speed"].chunksizes["row"] == (4, 3) and joined["wind_speed"].chunksizes["column"] == (4, 4, 1)
    for cube in (in_blocks(joined, 7 * 16), in_blocks(joined, 7 * 60)):
        assert cube.chunksizes == joined.chunksizes
    assert in_blocks(chunked, 7 * 16).chunksizes["row"] == (2, 2, 2, 1)


def test_an_impossible_value_is_an_error_of_its_block() -> None:
    cube = grid(2, 2)
    cube["wind_speed"][0, 0, 1, 1] = 900.0
    judged = assess_grid(cube, limits(), height=HEIGHT, cell_hours=7)
    judged["state"].isel(row=0, column=1).load(scheduler="synchronous")
    with pytest.raises(WxflyError, match="wind_speed has the value 900"):
        judged["state"].isel(row=1, column=1).load(scheduler="synchronous")


def _points(count: int) -> xr.Dataset:
    """Make a grid whose cells lie anywhere: both hemispheres, on both sides of the date line, inside polar circles."""
    random = np.random.default_rng(17)
    rows, columns = count // 25, 25
    cube = grid(rows, columns)
    latitude = np.degrees(np.arcsin(random.uniform(-1, 1, (rows, columns))))
    latitude[:, :5] = random.choice([-1, 1], (rows, 5)) * random.uniform(66.6, 89.9, (rows, 5))
    longitude = random.uniform(-180, 180, (rows, columns))
    longitude[:, 3:8] = random.choice([-1, 1], (rows, 5)) * random.uniform(179.9, 180.0, (rows, 5))
    dims = ("row", "column")
    warmer = xr.DataArray(random.uniform(-1, 1, (rows, columns)), dims=dims)  # no margin lies on a bound by design
    for name in ("air_temperature", "air_temperature_aloft", "dew_point_temperature"):
        cube[name] = (cube[name] + warmer).transpose(*cube[name].dims).assign_attrs(cube[name].attrs)
    return cube.assign_coords(latitude=(dims, latitude), longitude=(dims, longitude))


def _compare_with_points(cube: xr.Dataset, points: xr.Dataset) -> None:
    """Compare a grid of single precision with the answers for points of the same values in double precision.

    Margins differ by the rounding of values near 300 (K) and near 1e5 (Pa), 1e-5 at the most; a state differs only
    where its margin lies that near to a bound.
    """
    single = cube.assign({n: v.astype(np.float32) for n, v in cube.data_vars.items()})
    judged = assess_grid(single, limits(), height=HEIGHT).load(scheduler="synchronous")
    judged = judged.stack(site=("row", "column")).transpose(..., "site")
    for name in ("margin", "hour_margin"):
        one, other = judged[name].values, points[name].values
        np.testing.assert_array_equal(np.isnan(one), np.isnan(other))
        assert np.nan_to_num(np.abs(one - other)).max() < 1e-5
    for name in ("usable_start", "usable_end", "lost"):
        np.testing.assert_array_equal(judged[name].values, points[name].values)
    bounds = np.array([0.0, limits().reserve])
    near = (np.abs(points["hour_margin"].values[..., None] - bounds) < 1e-5).any(axis=-1)
    differs = judged["state"].values != points["state"].values
    assert not (differs & ~near).any() and differs.sum() <= 1


def test_a_point_out_of_a_grid_of_single_precision_is_the_point_alone() -> None:
    cube = _points(25)
    alone = []
    for place in (dict(zip(("row", "column"), at, strict=True)) for at in [(0, k) for k in range(25)]):
        point = cube.isel(place)
        site = Site("here", *(float(point[n]) for n in ("latitude", "longitude", "surface_altitude")))
        alone.append(assess(derive_flight(hours_of(point), height=HEIGHT, site=site, limits=limits()), limits()))
    _compare_with_points(cube, xr.concat(alone, dim="site", coords="different", compat="equals").transpose(..., "site"))


def _states_in_both_precisions(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return margins in double precision and states in both, of a grid with weather of its own."""
    cube, random = grid(40, 50), np.random.default_rng(seed)
    for name, variable in cube.data_vars.items():
        most = 0.6 if name in ("wind_speed", "wind_speed_of_gust") else 1.0  # hours of every state
        if name != "weather_code":
            variable = variable * random.uniform(0.97 * most, most, variable.shape)
        cube[name] = variable.astype(np.float32).assign_attrs(cube[name].attrs)
    double, single = (
        assess(derive_flight(hours_of(cube, precision=precision), height=HEIGHT, site=None, limits=limits()), limits())
        for precision in Precision
    )
    return double["hour_margin"].values, double["state"].values, single["state"].values


def test_single_precision_changes_no_state() -> None:
    _, double, single = _states_in_both_precisions(0)
    assert np.unique(double).size == len(State)
    np.testing.assert_array_equal(double, single)


@pytest.mark.thorough
def test_single_precision_changes_few_states_in_a_million() -> None:
    hours = changed = 0
    for seed in range(84):
        margin, double, single = _states_in_both_precisions(seed)
        differs = double != single
        hours, changed = hours + differs.size, changed + int(differs.sum())
        assert (np.abs(margin[differs, None] - [0.0, limits().reserve]).min(axis=1) < 1e-5).all()
    assert hours >= 1_000_000 and changed <= 5


@pytest.mark.thorough
def test_a_thousand_points_out_of_a_grid_are_the_points() -> None:
    cube = _points(1000)
    sites = cube.stack(site=("row", "column")).reset_index("site", drop=True).transpose("time", "site", ...)
    conditions = derive_flight(hours_of(sites), height=HEIGHT, site=None, limits=limits())
    _compare_with_points(cube, assess(conditions, limits()).transpose(..., "site"))
