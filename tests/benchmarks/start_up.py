"""How long an answer takes as a whole process, beside the libraries it cannot do without; ratios of one run.

python tests/benchmarks/start_up.py [RUNS]
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

# What no answer can do without: xarray imports dask, where that is installed, when it makes its first variable.
SHIPPED = Path(__file__).resolve().parents[2] / "cached_forecasts"
READ = f"import xarray; xarray.load_dataset({str(min(SHIPPED.glob('*.nc')))!r}, engine='h5netcdf')"
RUNS = int(sys.argv[1]) if len(sys.argv) > 1 else 2


def command() -> list[str]:
    """Return the installed command where there is one: a checkout may have no compiled modules."""
    installed = Path(sys.executable).with_name("wxfly")
    return [str(installed)] if installed.is_file() else [sys.executable, "-m", "wxfly"]


def commands(folder: Path) -> dict[str, list[str]]:
    """Return what is timed, the yardstick first."""
    wxfly = command()
    return {
        "import numpy, pandas, xarray": [sys.executable, "-c", "import numpy, pandas, xarray"],
        "and read one forecast": [sys.executable, "-c", READ],
        "wxfly best": [*wxfly, "best"],
        "wxfly best --html": [*wxfly, "best", "--html", str(folder / "best.html")],
        "wxfly compare": [*wxfly, "compare", "Kelderness", "Valdrenna"],
        "wxfly week": [*wxfly, "week"],
    }


def print_medians(timed: dict[str, list[str]]) -> None:
    """Run each in turn, so that a machine that slows down slows all of them; print each beside the first."""
    seconds: dict[str, list[float]] = {name: [] for name in timed}
    for turn in range(RUNS + 1):
        for name, command in timed.items():
            start = time.perf_counter()
            subprocess.run(command, check=True, capture_output=True)
            if turn:  # the first turn fills caches
                seconds[name].append(time.perf_counter() - start)
    medians = {name: statistics.median(values) for name, values in seconds.items()}
    yardstick = next(iter(medians.values()))
    for name, median in medians.items():
        print(f"{name:32} median {median:6.3f} s  {median / yardstick:5.2f} x")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        print_medians(commands(Path(folder)))
