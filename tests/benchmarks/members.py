"""How much longer an answer takes with 51 members than with one forecast: whole processes, the ratio of one run.

    python tests/benchmarks/members.py [RUNS]

Two places, 15 days of hours, the weather invented; `wxfly compare` from a file with members and from one without.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import xarray as xr

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.cubes import quiet_cube
from tests.probability.test_chance import members_cube
from wxfly.cube.netcdf import save_cube

RUNS = int(sys.argv[1]) if len(sys.argv) > 1 else 2
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


def main() -> None:
    """Run both in turn, so that a machine that slows down slows both."""
    installed = Path(sys.executable).with_name("wxfly")
    wxfly = [str(installed)] if installed.is_file() else [sys.executable, "-m", "wxfly"]
    with tempfile.TemporaryDirectory() as folder:
        files = {"one forecast": Path(folder) / "one.nc", f"{MEMBERS} members": Path(folder) / "many.nc"}
        for path, cube in zip(files.values(), (quiet_cube(HOURS), members_cube(MEMBERS, hours=HOURS)), strict=True):
            save_cube(at_two_places(cube), path)
        seconds: dict[str, list[float]] = {name: [] for name in files}
        for turn in range(RUNS + 1):
            for name, path in files.items():
                start = time.perf_counter()
                subprocess.run(
                    [*wxfly, "compare", "here", "there", "--forecast", str(path), "--as-of", FIRST],
                    check=True,
                    capture_output=True,
                )
                if turn:  # the first turn fills caches
                    seconds[name].append(time.perf_counter() - start)
    medians = {name: statistics.median(values) for name, values in seconds.items()}
    yardstick = next(iter(medians.values()))
    for name, median in medians.items():
        print(f"wxfly compare, {name:14} median {median:6.3f} s  {median / yardstick:5.2f} x")


if __name__ == "__main__":
    main()
