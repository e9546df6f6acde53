"""How much longer an answer takes with 51 members than with one forecast: whole processes, the ratio of one run.

    python tests/benchmarks/members.py [RUNS]

Two places, 15 days of hours, the weather invented; `wxfly compare` from a file with members and from one without.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
import xarray as xr

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.start_up import command, print_medians
from tests.cubes import quiet_cube
from tests.probability.test_chance import members_cube
from wxfly.cube.netcdf import save_cube

MEMBERS, HOURS = 51, 15 * 24 + 1
FIRST = "2026-06-10T00:00Z"
"""The first hour of the invented weather."""


def at_two_places(cube: xr.Dataset) -> xr.Dataset:
    """Put a cube at two places."""
    places = ("latitude", "longitude", "surface_altitude")
    parts = [
        cube.expand_dims(site=[name], axis=1).assign_coords({k: ("site", [float(cube[k]) + shift]) for k in places})
        for name, shift in (("here", 0.0), ("there", 0.3))
    ]
    joined = xr.concat(parts, "site", data_vars="all", coords="different", compat="equals", combine_attrs="override")
    named = joined.assign_coords(site=np.array(["here", "there"], dtype=object))
    for k in places:
        named[k].attrs = cube[k].attrs
    return named


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        timed = {}
        for name, cube in (
            ("one forecast", quiet_cube(HOURS)),
            (f"{MEMBERS} members", members_cube(MEMBERS, hours=HOURS)),
        ):
            path = Path(folder) / f"{len(timed)}.nc"
            save_cube(at_two_places(cube), path)
            asked = ["compare", "here", "there", "--forecast", str(path), "--as-of", FIRST]
            timed[f"wxfly compare, {name}"] = [*command(), *asked]
        print_medians(timed)
