"""What it takes to keep forecasts: the reply as it came beside a netCDF file of the same; ratios of one run.

python tests/benchmarks/store.py [PLACES]

The netCDF files are those of ``wxfly store export``, written beside and read back; of many places only a part is
written that way, and its time scaled.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.server import WeatherServer
from wxfly.cube.netcdf import load_cube, save_cube
from wxfly.pilot.settings import load_settings
from wxfly.pilot.site import Site
from wxfly.sources.open_meteo.ensemble import get_ensemble
from wxfly.sources.open_meteo.forecast import get_forecast
from wxfly.sources.reply import PlaceReply
from wxfly.store import forecasts

PLACES = int(sys.argv[1]) if len(sys.argv) > 1 else 50
SAMPLE = 10
TURNS = 5


def seconds(work: Callable[[], object]) -> float:
    """Return the least processor time of a few turns [s]: what else the machine does is not counted."""
    best = float("inf")
    for _ in range(TURNS):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return best


def main() -> None:
    """Fetch from a server on this machine, keep in both ways, read in both ways."""
    server = WeatherServer()
    try:
        with tempfile.TemporaryDirectory() as folder:
            os.environ |= server.environment() | {"WXFLY_CACHE": f"{folder}/cache", "WXFLY_CONFIG": f"{folder}/config"}
            os.environ["WXFLY_PATIENCE"] = "300"
            one_forecast(Path(folder))
            many_places(Path(folder))
            members(Path(folder))
    finally:
        server.close()


def one_forecast(folder: Path) -> None:
    """Compare size, writing and reading of one forecast."""
    replies: list[PlaceReply] = []
    site = Site("heath", 52.31, 6.84, 31.0)
    cube = get_forecast([site], "icon_eu", settings=load_settings(), keep=replies.extend)
    netcdf = folder / "one.nc"
    old = seconds(lambda: save_cube(cube, netcdf)), seconds(lambda: load_cube(netcdf, verify=True))
    (path,) = forecasts.keep_forecasts(replies)
    (stored,) = forecasts.list_forecasts()
    new = seconds(lambda: forecasts.keep_forecasts(replies)), seconds(lambda: forecasts.open_forecast(stored))
    print("one forecast, netCDF over the reply as it came")
    sizes = netcdf.stat().st_size, path.stat().st_size
    print(f"  bytes         {sizes[0] / sizes[1]:8.1f}   ({sizes[0]} over {sizes[1]})")
    print(f"  time to keep  {old[0] / new[0]:8.1f}   ({old[0] * 1000:.0f} over {new[0] * 1000:.1f} ms)")
    print(f"  time to read  {old[1] / new[1]:8.1f}   ({old[1] * 1000:.0f} over {new[1] * 1000:.1f} ms)")


def many_places(folder: Path) -> None:
    """Fetch many places in one request and keep them; show the share of a fetch that keeping takes."""
    sites = [Site(f"place {k}", 50.0 + k * 0.01, 6.84, 31.0) for k in range(PLACES)]
    replies: list[PlaceReply] = []
    start = time.perf_counter()
    cube = get_forecast(sites, "icon_eu", settings=load_settings(), keep=replies.extend)
    asked = time.perf_counter() - start
    start = time.perf_counter()
    forecasts.keep_forecasts(replies)
    kept = time.perf_counter() - start
    part = min(SAMPLE, PLACES)
    start = time.perf_counter()
    for position in range(part):
        save_cube(cube.isel(site=[position]), folder / f"{position}.nc")
    as_netcdf = (time.perf_counter() - start) * PLACES / part
    print(f"a fetch of {PLACES} places")
    print(f"  whole fetch, netCDF over replies  {(asked + as_netcdf) / (asked + kept):8.1f}")
    print(f"  share of keeping, netCDF          {as_netcdf / (asked + as_netcdf):8.2f}")
    print(f"  share of keeping, replies         {kept / (asked + kept):8.2f}   ({asked + kept:.1f} s in all)")


def members(folder: Path) -> None:
    """Read an ensemble of 40 members again."""
    replies: list[PlaceReply] = []
    site = Site("heath", 52.31, 6.84, 31.0)
    start = time.process_time()
    cube = get_ensemble([site], "icon_eu_eps", settings=load_settings(), keep=replies.extend)
    asked = time.process_time() - start
    netcdf = folder / "members.nc"
    save_cube(cube, netcdf)
    (path,) = forecasts.keep_forecasts(replies)
    stored = next(s for s in forecasts.list_forecasts() if s.path == path)
    again = seconds(lambda: forecasts.open_forecast(stored))
    sizes = netcdf.stat().st_size, path.stat().st_size
    print(f"an ensemble of {cube.sizes['realization']} members")
    print(f"  bytes, netCDF over reply  {sizes[0] / sizes[1]:8.1f}   ({sizes[0]} over {sizes[1]})")
    print(f"  asking over reading again {asked / again:8.1f}   ({again * 1000:.0f} ms to read)")


if __name__ == "__main__":
    main()
