"""What the wind at flight height costs, as ratios measured in one run.

    python tests/benchmarks/wind.py

Three sites, 384 hours, five levels; the unit is one interpolation of a single hour, so that machines can be compared.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from wxfly.physics.wind.profile import WindProfile, wind_at_height
from wxfly.physics.wind.surface_layer import obukhov_length_from_sun_and_cloud

HEIGHTS = [10, 80, 100, 120, 180]


def cost(task, runs: int = 15) -> float:
    """The least time of some runs [s]."""
    least = np.inf
    for _ in range(runs):
        begin = time.perf_counter()
        task()
        least = min(least, time.perf_counter() - begin)
    return float(least)


def main() -> None:
    """Print the table."""
    random = np.random.default_rng(1)
    speed, direction = random.uniform(0, 15, (3, 384, 5)), random.uniform(0, 360, (3, 384, 5))
    length = obukhov_length_from_sun_and_cloud(speed[..., 0], 10.0, random.uniform(-60, 60, (3, 384)))
    unit = cost(lambda: wind_at_height(speed[0, :1], direction[0, :1], HEIGHTS, 60.0))
    tasks = {
        "between levels": lambda: wind_at_height(speed, direction, HEIGHTS, 60.0),
        "between levels, curved, stability known": lambda: wind_at_height(
            speed, direction, HEIGHTS, 60.0, interpolation="curved", obukhov_length=length
        ),
        "from 10 m with stability": lambda: wind_at_height(
            speed[..., :1], direction[..., :1], [10], 60.0, obukhov_length=length, roughness_length=0.1
        ),
        "from 10 m, careful without stability": lambda: wind_at_height(
            speed[..., :1], direction[..., :1], [10], 60.0, roughness_length=0.1, unknown_stability="careful"
        ),
        "stability from sun and cloud": lambda: obukhov_length_from_sun_and_cloud(speed[..., 0], 10.0, 30.0),
        "24 heights": lambda: WindProfile(speed, direction, HEIGHTS).at(np.arange(5.0, 125.0, 5.0)),
        "wind difference below 60 m": lambda: WindProfile(speed, direction, HEIGHTS).difference(60.0),
    }
    print(f"one hour, one place: {1e3 * unit:.2f} ms; the rest for 1152 hours:")
    for name, task in tasks.items():
        spent = cost(task)
        print(f"{name:42s} {1e3 * spent:7.2f} ms  {spent / unit:7.1f} times one hour")


if __name__ == "__main__":
    main()
