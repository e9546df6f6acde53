"""Fetch again and again from a server on this machine, and print memory and open files as they go.

Run as ``python -m tests.soak 10000``. Every fetch goes the whole way: run, forecast and Kp asked over a real socket,
checked, put together, kept in the store, found there again; the store is pruned as ever. Memory and open files are
those of this process; the server is another one.
"""

import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PLACES = 40


@dataclass
class Sample:
    """What the process held after so many fetches."""

    fetches: int
    megabytes: float
    files: int
    seconds: float


def resident_megabytes():
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def open_files():
    return len(os.listdir("/proc/self/fd"))  # noqa: PTH208


def soak(times, every, *, tell=lambda sample: None):
    """Fetch `times` times; give a sample at the start and after every so many."""
    from wxfly.retrieval.forecast import obtain
    from wxfly.store import forecasts, pruning

    samples = []
    started = time.monotonic()
    for k in range(times + 1):
        if k % every == 0:
            samples.append(Sample(k, resident_megabytes(), open_files(), time.monotonic() - started))
            tell(samples[-1])
        if k == times:
            break
        if k % PLACES == 0:
            pruning.clear_store()  # so that run and Kp are asked for anew as well
        place = f"{50 + (k % PLACES) * 0.01:.2f},6.84"
        got = obtain([place], saved={}, model="icon_eu")
        assert got.origin == "fetched", got.notes
        assert len(forecasts.list_forecasts()) == k % PLACES + 1
    return samples


def main(times):
    """Print a line for every twentieth part."""
    server = subprocess.Popen([sys.executable, "-m", "tests.server"], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    try:
        with tempfile.TemporaryDirectory() as folder:
            for line in server.stdout:
                name, mark, value = line.removeprefix("export ").strip().partition("=")
                if mark:
                    os.environ[name] = value
                if name == "WXFLY_PATIENCE":
                    break
            os.environ |= {"WXFLY_CACHE": f"{folder}/cache", "WXFLY_CONFIG": f"{folder}/config"}
            print("fetches  memory MB  open files  seconds")
            soak(times, max(times // 20, 1), tell=_tell)
    finally:
        server.terminate()
        server.wait()
    return 0


def _tell(sample):
    print(f"{sample.fetches:7d}  {sample.megabytes:9.1f}  {sample.files:10d}  {sample.seconds:7.0f}", flush=True)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000))
