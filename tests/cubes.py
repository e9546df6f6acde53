"""Small forecast cubes for tests: one quiet day at one place, in which a test changes what it is about."""

from functools import cache
from typing import Any

import numpy as np
import xarray as xr

from wxfly.cube.contract import VARIABLES, Provenance, finish_cube, mark_provided
from wxfly.cube.netcdf import save_cube

OF_SOME_SOURCES = (
    "wind_speed_percentile_10",
    "wind_speed_percentile_90",
    "air_temperature_percentile_10",
    "air_temperature_percentile_90",
    "atmosphere_convective_inhibition",
    "wind_speed_spread_of_cells",
    "gust_spread_of_cells",
    "kp_index_of_outlook",
)
"""Variables that most cubes do not have: the uncertainty of others, what keeps unstable air from rising, what counts
beside a lost Kp."""

START = np.datetime64("2026-06-10T00", "ns")  # a long June day at 52 N: light from about 03 to 21 UTC
HEIGHTS = (10.0, 80.0, 120.0)

QUIET = {
    "wind_speed": (2.0, 3.0, 3.3),
    "wind_from_direction": (230.0, 235.0, 238.0),
    "wind_speed_of_gust": 4.0,
    "air_temperature": 290.15,
    "air_temperature_aloft": (290.1, 289.5, 289.2),
    "dew_point_temperature": 280.15,
    "relative_humidity": 0.52,
    "surface_air_pressure": 101_000.0,
    "air_pressure_at_mean_sea_level": 101_360.0,
    "precipitation_amount": 0.0,
    "precipitation_probability": 0.0,
    "weather_code": 1.0,
    "cloud_area_fraction": 0.25,
    "low_type_cloud_area_fraction": 0.25,
    "medium_type_cloud_area_fraction": 0.0,
    "high_type_cloud_area_fraction": 0.0,
    "cloud_base_altitude": 1500.0,
    "freezing_level_altitude": 3000.0,
    "visibility_in_air": 40_000.0,
    "atmosphere_convective_available_potential_energy": 0.0,
    "lifted_index": 6.0,
    "atmosphere_boundary_layer_thickness": 900.0,
    "surface_roughness_length": 0.1,
    "kp_index": 1.0,
}


def quiet_cube(hours=25, **covers):
    """Make a quiet cube; keyword arguments give a variable another span, such as ``wind_speed_of_gust=(-3, 0)``."""
    return _pattern(hours, tuple(covers.items())).copy(deep=True)


@cache
def _pattern(hours, covers):
    covers, data = dict(covers), {}
    for name, value in QUIET.items():
        row = VARIABLES[name]
        dims = ("time", "height") if row.has_height else ("time",)
        values = np.broadcast_to(np.asarray(value, dtype=float), (hours, *((3,) if row.has_height else ())))
        data[name] = (dims, values.copy())
    cube = xr.Dataset(
        data,
        coords={
            "time": START + np.arange(hours) * np.timedelta64(1, "h"),
            "height": list(HEIGHTS),
            "latitude": 52.0,
            "longitude": 6.0,
            "surface_altitude": 30.0,
            "forecast_reference_time": START,
        },
    )
    made = Provenance("a test", "a test", "a test", "a test", "none", "none", "made for a test")
    return finish_cube(cube, made, spans=covers)


def without(cube, *names):
    """Return the cube of a source that does not provide some variables at all: they are not lost."""
    return mark_provided(cube.drop_vars(names).assign_coords(provided=""))


def lost_of_members(members, name, position=None):
    """Return members that have lost a variable: all of them, or the one at a position."""
    lost = members.copy(deep=True)
    values = lost[name].copy(deep=True)
    if "realization" not in values.dims:
        values = values.expand_dims(realization=lost["realization"].values).copy(deep=True)
    values[{} if position is None else {"realization": position}] = np.nan
    lost[name] = values.assign_attrs(members[name].attrs)
    return lost


def beginning(cube, start):
    """Return a cube that begins at another time, with the bounds of its values."""
    by = np.datetime64(start, "ns") - cube["time"].values[0]
    stamps = [n for n, c in cube.coords.items() if c.dtype.kind == "M" and "time" in c.dims]
    return cube.assign_coords({n: (cube[n].dims, cube[n].values + by, cube[n].attrs) for n in stamps})


GRID_LATITUDES, GRID_LONGITUDES = np.array([51.6, 51.8, 52.0, 52.2]), np.array([5.7, 6.0, 6.3])
WINDY = [[1.0, 9.0, 9.0], [9.0, 9.0, 1.8], [9.0, 9.0, 9.0], [9.0, 1.4, 9.0]]
"""Factors of the wind of a grid in which three cells have room."""


def quiet_grid(wind):
    """Make a grid of a quiet day whose wind is so many times that of the quiet cube, cell by cell."""
    cube = quiet_cube()
    shape = (GRID_LATITUDES.size, GRID_LONGITUDES.size)
    data = {}
    for name, variable in cube.data_vars.items():
        wide = variable.values[..., None, None] * np.ones(shape)
        if name in ("wind_speed", "wind_speed_of_gust"):
            wide = wide * wind
        data[name] = ((*variable.dims, "latitude", "longitude"), wide, variable.attrs)
    own = ("latitude", "longitude", "surface_altitude")
    coords = {k: c for k, c in cube.coords.variables.items() if k not in own}
    return xr.Dataset(data, coords=coords, attrs=cube.attrs).assign_coords(
        latitude=("latitude", GRID_LATITUDES, cube["latitude"].attrs),
        longitude=("longitude", GRID_LONGITUDES, cube["longitude"].attrs),
        surface_altitude=(("latitude", "longitude"), np.full(shape, 30.0), cube["surface_altitude"].attrs),
    )


def save_grid(folder, wind):
    """Write such a grid into a folder; return its path as text."""
    path = folder / "grid.nc"
    save_cube(quiet_grid(np.asarray(wind, dtype=float)), path)
    return str(path)


def block_of_weather(values: np.ndarray, is_code: bool, block_info: Any = None) -> np.ndarray:
    """Return one block of a grid of any size, as dask asks for it: here, where workers find it by its name."""
    where = block_info[None]
    random = np.random.default_rng(where["chunk-location"])
    wide = np.broadcast_to(values[..., None, None].astype(np.float32), where["chunk-shape"])
    return wide.copy() if is_code else wide * random.uniform(0.98, 1.0, wide.shape).astype(np.float32)
