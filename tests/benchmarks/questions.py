"""Requests, bytes and seconds of a question: whole processes against a server on this machine that takes 80 ms.

    python tests/benchmarks/questions.py [RUNS]

Each question is asked with one named model and no members, with one named model and one named ensemble, and as it
comes; each for the first time and again. Rounds are the most requests of which each started after another had ended.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.server import Asked, WeatherServer

RUNS = int(sys.argv[1]) if len(sys.argv) > 1 else 1
DELAY = 0.08
RANGES = {"icon_d2": 2, "icon_eu": 5, "ecmwf_ifs": 10, "icon_global": 7.5, "ecmwf_ifs025": 15}
SITES = "".join(
    f'[{name}]\nlatitude = {latitude}\nlongitude = 6.84\nsurface_altitude = 31\ntime_zone = "Europe/Amsterdam"\n'
    for name, latitude in (("heath", 52.31), ("dune", 52.41))
)
QUESTIONS = {"best": ["best", "heath"], "compare": ["compare", "heath", "dune"], "week": ["week", "heath"]}
WAYS = {
    "one model, no members": ["--model", "ncep_gfs_global", "--ensemble", "none"],
    "one model, one ensemble": ["--model", "ncep_gfs_global", "--ensemble", "ncep_gefs025"],
    "as it comes": [],
}


def rounds(log: list[Asked]) -> int:
    """Return the longest chain of requests in which each started after the one before had ended."""
    chain: list[tuple[float, int]] = []
    for one in sorted(log, key=lambda a: a.started):
        before = max((length for ended, length in chain if ended <= one.started), default=0)
        chain.append((one.ended, before + 1))
    return max((length for _, length in chain), default=0)


def main() -> None:
    """Ask each question in each way, first and again, in folders of its own."""
    print(f"{'question':9}{'way':26}{'':7}{'requests':>9}{'rounds':>8}{'kB':>8}{'seconds':>9}")
    for question, words in QUESTIONS.items():
        for way, options in WAYS.items():
            found: dict[str, list[tuple[int, int, float, float]]] = {"first": [], "again": []}
            for _ in range(RUNS):
                ask(words + options, found)
            for turn, runs in found.items():
                requests, chain, size, seconds = (statistics.median(column) for column in zip(*runs, strict=True))
                print(f"{question:9}{way:26}{turn:7}{requests:9.0f}{chain:8.0f}{size:8.0f}{seconds:9.2f}")


def ask(arguments: list[str], found: dict[str, list[tuple[int, int, float, float]]]) -> None:
    """Ask a question twice with an empty store, and note what each asking cost."""
    server = WeatherServer()
    server.days = RANGES
    server.delay = DELAY
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "config").mkdir()
        (Path(folder) / "config" / "sites.toml").write_text(SITES)
        environment = os.environ | server.environment() | {
            "WXFLY_CACHE": f"{folder}/cache", "WXFLY_CONFIG": f"{folder}/config",
            # As in earnest the members are on a host of their own.
            "WXFLY_ENSEMBLE_URL": f"http://localhost:{server.port}/v1/ensemble",
        }  # fmt: skip
        for name in ("WXFLY_MODEL", "WXFLY_ENSEMBLE"):
            environment.pop(name, None)
        for runs in found.values():
            server.log.clear()
            sent = server.sent
            start = time.perf_counter()
            subprocess.run(
                [sys.executable, "-m", "wxfly", *arguments], check=True, capture_output=True, env=environment
            )
            seconds = time.perf_counter() - start
            runs.append((len(server.log), rounds(server.log), (server.sent - sent) / 1000, seconds))
    server.close()


if __name__ == "__main__":
    main()
