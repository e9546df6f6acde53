"""What a grid costs for each cell and hour, against other libraries and against copying the inputs once.

    python tests/benchmarks/chain.py [--cell-hours 2000000]

Five quantities that other libraries can compute too: wind and gust at 60 m, density altitude, air in which ice forms,
and the smallest margin. They are composed from windpowerlib and MetPy where both are installed (the extra `peers`),
and from the physics functions that the chain calls, in single precision and block by block. The results are compared
before anything is timed. The peers are given double precision, which tables and replies of services have; what they
take in single precision is told beside it. The full chain, from a cube to states with every element and its deviation,
is timed on its own. It prints one JSON object. Its times are of one run; only their ratios mean something.
"""

from __future__ import annotations

import argparse
import json
import mmap
import sys
import time
from collections.abc import Callable
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from wxfly.physics import MELTING_POINT

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.cubes import quiet_cube
from wxfly.assessment.grid import keep_memory
from wxfly.physics.air import atmosphere
from wxfly.physics.air.atmosphere import relative_humidity, saturation_vapour_pressure
from wxfly.physics.air.icing import DAMP_HUMIDITY, NEARLY_FREEZING
from wxfly.physics.wind.gust import gust_at_height
from wxfly.physics.wind.profile import Level, speed_between_levels
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limit_rules import margin_at_most
from wxfly.pilot.limits import limits_for

HEIGHT = 60.0
LIMITS = limits_for(find_aircraft("camera-quad-250g"))
BLOCK = 131_072
PART = 500_000
NAMES = ("wind_10m", "wind_80m", "gust", "temperature", "dew_point", "pressure")
# Largest difference: wind m s-1; gust m s-1 (ours grows the peak factor by 1.5 %); density altitude m; share of hours.
TOLERANCES = {"wind": 1e-4, "gust": 0.25, "density_altitude": 15.0, "ice_forms": 0.002, "margin": 0.03}

Inputs = dict[str, np.ndarray]


def inputs(count: int) -> Inputs:
    """Make weather of `count` cell-hours; float32, as forecasts come."""
    random = np.random.default_rng(1)
    low = random.uniform(1.0, 12.0, count)
    temperature = random.uniform(255.0, 305.0, count)
    made = {
        "wind_10m": low,
        "wind_80m": low * random.uniform(1.0, 1.8, count),
        "gust": low * random.uniform(1.2, 2.0, count),
        "temperature": temperature,
        "dew_point": temperature - random.uniform(0.0, 15.0, count),
        "pressure": random.uniform(85_000.0, 103_000.0, count),
    }
    return {name: made[name].astype(np.float32) for name in NAMES}


def ours(part: Inputs) -> dict[str, np.ndarray]:
    """Return the five quantities by the physics functions of the chain."""
    found = np.ones(part["gust"].shape, dtype=bool)
    low, high = (
        Level(found, part[name], found, np.float64(height)) for name, height in (("wind_10m", 10.0), ("wind_80m", 80.0))
    )
    wind = speed_between_levels(low, high, np.float64(HEIGHT), "logarithmic")
    gust = gust_at_height(part["gust"], part["wind_10m"], wind, HEIGHT)
    pressure = atmosphere.pressure_at_height(part["pressure"], part["temperature"], HEIGHT)
    vapour = saturation_vapour_pressure(part["dew_point"])
    altitude = atmosphere.density_altitude(atmosphere.air_density(part["temperature"], vapour, pressure))
    humidity = relative_humidity(vapour, part["temperature"])
    ice = (humidity >= DAMP_HUMIDITY) & (part["temperature"] <= NEARLY_FREEZING)
    ice &= part["temperature"] >= MELTING_POINT - 14.0
    margin = np.minimum(
        np.minimum(margin_at_most(wind, LIMITS.maximum_wind), margin_at_most(gust, LIMITS.maximum_gust)),
        margin_at_most(altitude, LIMITS.maximum_density_altitude or 4000.0),
    )
    return {"wind": wind, "gust": gust, "density_altitude": altitude, "ice_forms": ice, "margin": margin}


def peers(part: Inputs) -> dict[str, np.ndarray]:
    """Return the same by windpowerlib and MetPy, and numpy where they have no such function."""
    import metpy.calc as mpcalc
    import pandas as pd
    from metpy.units import units
    from windpowerlib.tools import logarithmic_interpolation_extrapolation

    winds = pd.DataFrame({10.0: part["wind_10m"], 80.0: part["wind_80m"]})
    wind = logarithmic_interpolation_extrapolation(winds, HEIGHT).to_numpy()
    gust = wind + np.maximum(part["gust"] - part["wind_10m"], 0.0)
    temperature, dew_point = part["temperature"] * units.kelvin, part["dew_point"] * units.kelvin
    pressure = mpcalc.add_height_to_pressure(part["pressure"] * units.pascal, HEIGHT * units.meter)
    mixing = mpcalc.saturation_mixing_ratio(pressure, dew_point)
    density = mpcalc.density(pressure, temperature, mixing).to("kg/m**3").magnitude
    altitude = 288.15 / 0.0065 * (1 - (density / 1.225) ** (1 / 4.2559))
    humidity = mpcalc.relative_humidity_from_dewpoint(temperature, dew_point).to("dimensionless").magnitude
    ice = (humidity >= DAMP_HUMIDITY) & (part["temperature"] <= 275.15) & (part["temperature"] >= 259.15)
    limits = (LIMITS.maximum_wind, LIMITS.maximum_gust, LIMITS.maximum_density_altitude or 4000.0)
    margin = np.min([np.clip(1 - v / m, -1, 1) for v, m in zip((wind, gust, altitude), limits, strict=True)], axis=0)
    return {"wind": wind, "gust": gust, "density_altitude": altitude, "ice_forms": ice, "margin": margin}


def peers_in_parts(given: Inputs) -> None:
    """Work out all of it by the peers, in the size of part that suits them and the memory."""
    for start in range(0, given["gust"].size, PART):
        peers({name: values[start : start + PART] for name, values in given.items()})


class Task(NamedTuple):
    """What the blocks are worked out from, and where their results go; the processes that are forked share both."""

    given: Inputs
    out: np.ndarray

    @classmethod
    def of(cls, given: Inputs) -> Task:
        """Return a task with room for its results in float32, as they would be stored."""
        shape = len(TOLERANCES), given["gust"].size
        return cls(given, np.frombuffer(mmap.mmap(-1, 4 * shape[0] * shape[1]), dtype=np.float32).reshape(shape))

    @property
    def starts(self) -> range:
        """Where the blocks begin."""
        return range(0, self.out.shape[1], BLOCK)

    def block(self, start: int) -> None:
        """Work out one block."""
        at = slice(start, start + BLOCK)
        found = ours({name: values[at] for name, values in self.given.items()})
        for row, values in zip(self.out, found.values(), strict=True):
            row[at] = values

    def all_blocks(self) -> None:
        """Work out all blocks, in this process."""
        for start in self.starts:
            self.block(start)


_forked: Task


def _forked_block(start: int) -> None:
    _forked.block(start)


Clock = Callable[[], float]


def least(task: Callable[[], Any], cell_hours: int, *, clock: Clock = time.process_time, runs: int = 5) -> float:
    """Return the least time of some runs [ns per cell and hour]; of the processor, other work on the machine apart."""
    spent = []
    for _ in range(runs):
        begin = clock()
        task()
        spent.append(clock() - begin)
    return 1e9 * min(spent) / cell_hours


def compare() -> dict[str, float]:
    """Return the largest differences to the peers; more than a tolerance ends the benchmark."""
    part = inputs(200_000)
    mine, theirs = ours(part), peers(part)
    off = {k: float(np.abs(mine[k].astype(float) - theirs[k].astype(float)).max()) for k in TOLERANCES}
    off["ice_forms"] = float((mine["ice_forms"] != theirs["ice_forms"]).mean())
    beyond = [f"{k} differs by {off[k]:g}, more than {TOLERANCES[k]:g}" for k in off if off[k] > TOLERANCES[k]]
    if beyond:
        raise SystemExit("; ".join(beyond))
    return off


def full_chain(cells: int, hours: int = 48) -> float | None:
    """Return what cube to states costs, every element and its deviation [ns per cell and hour]; None without dask."""
    try:
        import dask
    except ImportError:
        return None
    import xarray as xr

    from wxfly.assessment.grid import assess_grid

    point, side = quiet_cube(hours + 1), int(cells**0.5)
    places = np.linspace(0.0, 8.0, side)
    random = np.random.default_rng(2)
    data = {}
    for name, variable in point.data_vars.items():
        wide = np.broadcast_to(variable.values[..., None, None], (*variable.shape, side, side))
        values = (wide * random.uniform(0.98, 1.0, wide.shape)).astype(np.float32)
        data[name] = ((*variable.dims, "y", "x"), values, variable.attrs)
    data["weather_code"] = (data["weather_code"][0], np.round(data["weather_code"][1]), data["weather_code"][2])
    coords = {k: c for k, c in point.coords.items() if k not in ("latitude", "longitude", "surface_altitude")}
    plane = np.ones((side, side))
    cube = xr.Dataset(data, coords=coords, attrs=point.attrs).assign_coords(
        latitude=(("y", "x"), 46.0 + places[:, None] * plane),
        longitude=(("y", "x"), 2.0 + places * plane),
        surface_altitude=(("y", "x"), 30.0 * plane),
    )
    with dask.config.set(scheduler="synchronous"):
        # A block works out everything; what is put together of all blocks is what a map shows, as memory holds no more.
        shown = ["state", "hour_margin", "limiting_element"]
        return least(lambda: assess_grid(cube, LIMITS, height=HEIGHT)[shown].compute(), side * side * hours, runs=3)


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cell-hours", type=int, default=500_000)
    count = parser.parse_args().cell_hours
    given = inputs(count)
    double = {name: values.astype(np.float64) for name, values in given.items()}
    try:  # first, in a process as their users have it
        theirs = least(lambda: peers_in_parts(double), count, runs=3)
        theirs_in_single = least(lambda: peers_in_parts(given), count, runs=3)
    except ImportError as error:
        theirs, absent = None, str(error)
    global _forked
    _forked = task = Task.of(given)
    keep_memory()
    one = least(task.all_blocks, count)
    # The processes are there before anything is timed, as workers are. In turns, so that other work on the machine
    # meets both.
    with get_context("fork").Pool(2, keep_memory) as pool:
        two_at_once = partial(pool.map, _forked_block, task.starts, chunksize=max(len(task.starts) // 8, 1))
        turns = [
            [least(work, count, clock=time.perf_counter, runs=1) for work in (task.all_blocks, two_at_once)]
            for _ in range(10)
        ]
    wall, two = map(min, zip(*turns, strict=True))
    copied = least(lambda: [values.copy() for values in given.values()], count)
    figures: dict[str, Any] = {"cell_hours": count, "ns_per_cell_hour": one, "copy_ns_per_cell_hour": copied}
    if theirs is not None:
        figures["differences"] = compare()
        figures |= {
            "peers_ns_per_cell_hour": theirs,
            "speedup_one_core": theirs / one,
            "speedup_two_cores": theirs / one * wall / two,
            "peers_in_single_precision_ns_per_cell_hour": theirs_in_single,
            "speedup_one_core_over_single_precision": theirs_in_single / one,
        }
    else:
        figures |= dict.fromkeys(("peers_ns_per_cell_hour", "speedup_one_core", "speedup_two_cores"))
        figures["peers_absent"] = f"{absent}; pip install 'wxfly[peers]'"
    figures["ratio_to_copy"] = one / copied
    figures["two_cores_over_one"] = wall / two
    figures["full_chain_ns_per_cell_hour"] = full_chain(min(count // 48, 25_600))
    print(json.dumps({k: round(v, 3) if isinstance(v, float) else v for k, v in figures.items()}, indent=2))


if __name__ == "__main__":
    main()
