"""What comes with an answer, as ratios of one run: a week's table of hours, the launch, and reach in a steady wind.

    python tests/benchmarks/answers.py [RUNS]

One process, the shipped weather; the least time of some runs, each task once in every round.
"""

from __future__ import annotations

import contextlib
import io
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.cubes import quiet_cube
from wxfly.assessment.conditions import derive, derive_flight, hours_of
from wxfly.cli import main as wxfly
from wxfly.flight.energy import energy_model
from wxfly.flight.sortie import Plan, Wind, fly_legs, make_ready, reach
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.pilot.site import Site

RUNS = int(sys.argv[1]) if len(sys.argv) > 1 else 3


def ask(*words: str) -> None:
    """Run the command and leave aside what it prints."""
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        wxfly.main(args=list(words), prog_name="wxfly", standalone_mode=False)


def cost(tasks: dict[str, Callable[[], object]]) -> dict[str, float]:
    """The least time of some runs of each task [s]; the first round fills caches."""
    least = dict.fromkeys(tasks, np.inf)
    for turn in range(RUNS + 1):
        for name, task in tasks.items():
            begin = time.perf_counter()
            task()
            if turn:
                least[name] = min(least[name], time.perf_counter() - begin)
    return least


def main() -> None:
    """Print three tables; the first row of each is its yardstick."""
    aircraft = load_aircraft()["camera-quad-250g"]
    model, plan = energy_model(aircraft), Plan(height=60.0, return_height=60.0)
    wind = Wind(6.0, 230.0, 1.0)
    course = np.arange(0.0, 360.0, 5.0)
    air = np.full_like(course, 1.2), np.full_like(course, 293.15)
    fifteen_days = quiet_cube(15 * 24 + 1)
    hours, site = hours_of(fifteen_days), Site("here", 52.0, 6.0, 30.0)
    limits = replace(limits_for(aircraft), maximum_gust_at_launch=8.0)
    tables: list[dict[str, Callable[[], object]]] = [
        {"wxfly week": lambda: ask("week"), "wxfly week --csv": lambda: ask("week", "--csv")},
        {
            "legs in every direction, once": lambda: fly_legs(make_ready(model, plan, wind, wind, *air), course),
            "reach in a steady wind": lambda: reach(model, plan, wind, wind, 1.2, 293.15),
        },
        {
            "conditions of 15 days": lambda: derive(hours, height=60.0, site=site),
            "conditions and launch": lambda: derive_flight(hours, height=60.0, site=site, limits=limits),
            "conditions, launch, way back": lambda: derive_flight(
                hours, height=60.0, site=site, limits=limits, return_height=90.0
            ),
            "hours made ready": lambda: hours_of(fifteen_days),
        },
    ]
    for tasks in tables:
        least = cost(tasks)
        yardstick = next(iter(least.values()))
        for name, seconds in least.items():
            print(f"{name:32} {1e3 * seconds:9.2f} ms  {seconds / yardstick:6.2f} x")


if __name__ == "__main__":
    main()
