"""What carrying the gust to flight height changes in a real reply of a forecast service.

    python tests/validation/reply.py FILE.json

prints one JSON object: how often the 10 m gust lies below the mean wind aloft, and what a limit of 10.7 m/s would have
let through with the gust as it stands in the reply.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from wxfly.physics.wind.gust import gust_at_height
from wxfly.physics.wind.profile import wind_at_height
from wxfly.sources.open_meteo.forecast import read_forecast

GUST_LIMIT, MEAN_LIMIT = 10.7, 10.0


def measure(path: Path | str) -> dict[str, object]:
    """All numbers of one reply."""
    cube = read_forecast(Path(path))
    heights = cube["height"].values
    speed = cube["wind_speed"].transpose("time", "height").values
    direction = cube["wind_from_direction"].transpose("time", "height").values
    gust = cube["wind_speed_of_gust"].values
    at_10m = wind_at_height(speed, direction, heights, 10.0).wind_speed
    numbers: dict[str, object] = {"hours": int(gust.size), "levels [m]": [float(h) for h in heights]}
    for height in (30.0, 60.0, 80.0, 100.0, 120.0):
        mean = wind_at_height(speed, direction, heights, height, interpolation="curved").wind_speed
        provided = gust_at_height(gust, at_10m, mean, height)
        known = ~np.isnan(mean + gust)
        at = f"{height:g} m"
        numbers |= {
            f"{at}: 10 m gust below the mean wind, % of hours": _percent(gust < mean, known),
            f"{at}: carried gust below the mean wind, % of hours": _percent(provided < mean, known),
            f"{at}: gust over {GUST_LIMIT} m/s by the 10 m gust, hours": int((known & (gust > GUST_LIMIT)).sum()),
            f"{at}: gust over {GUST_LIMIT} m/s by the carried gust, hours": int(
                (known & (provided > GUST_LIMIT)).sum()
            ),
            f"{at}: let through by the 10 m gust alone, hours": int(
                (known & (gust <= GUST_LIMIT) & (provided > GUST_LIMIT)).sum()
            ),
            f"{at}: mean wind over {MEAN_LIMIT} m/s while the 10 m gust is under {GUST_LIMIT} m/s, hours": int(
                (known & (gust <= GUST_LIMIT) & (mean > MEAN_LIMIT)).sum()
            ),
            f"{at}: carried gust less 10 m gust, mean m/s": round(float(np.mean((provided - gust)[known])), 2),
        }
    return numbers


def _percent(true: np.ndarray, known: np.ndarray) -> float:
    return round(100 * float(np.mean(true[known])), 1)


if __name__ == "__main__":
    print(json.dumps(measure(sys.argv[1]), indent=1))
