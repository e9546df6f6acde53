"""Measure the rule for an anemometer in the hand on a tower: readings just below it, by day, by night and by year.

    python tests/validation/hand.py FILE.csv.gz

prints one JSON object of shares in per cent. Cups at 3 m play the hand; the profile of the hour before plays the
forecast, brought down from 10 m by the log law. Counted are readings from four fifths of the rule up to it.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.validation.records import read_tower
from tests.validation.tower import MET_MAST
from wxfly.flight.anemometer_reading import CONFIDENCE, largest_reading, ratio_to_anemometer
from wxfly.physics.sun import sun_position

HEIGHTS = (30, 55, 80, 122)
LIMITS = (6.0, 8.5, 10.7)
OPEN = 0.03
FEWEST = 50


def measure(path: Path | str) -> dict[str, object]:
    """Return all numbers."""
    tower = read_tower(path)
    hand, ten = tower.speed[3], tower.speed[10]
    night = sun_position(*MET_MAST, tower.time)[0] <= 0
    year = tower.time.astype("datetime64[Y]")
    numbers: dict[str, object] = {"confidence": 100 * CONFIDENCE}
    for height in HEIGHTS:
        aloft = tower.speed[height]
        before = np.roll(np.stack([ten * np.log(3.0 / OPEN) / np.log(10.0 / OPEN), aloft]), 1, axis=1)
        ratio = ratio_to_anemometer(before[0], before[1], 3.0, float(height), OPEN)
        for limit in LIMITS:
            for name, is_night, here in (
                ("day", night, ~night),
                ("night", night, night),
                ("night without more held back", np.zeros_like(night), night),
            ):
                with np.errstate(invalid="ignore"):
                    holds = largest_reading(limit, ratio, 3.0, float(height), is_night=is_night)
                    counted = here & np.isfinite(hand + aloft + ratio) & (hand <= holds) & (hand > 0.8 * holds)
                kept = [
                    float(np.mean(aloft[counted & (year == y)] <= limit))
                    for y in np.unique(year)
                    if (counted & (year == y)).sum() >= FEWEST
                ]
                key = f"{height} m, {limit:g} m/s, {name}"
                numbers |= {
                    f"{key}, hours": int(counted.sum()),
                    f"{key}, kept %": round(100 * float(np.mean(aloft[counted] <= limit)), 1),
                    f"{key}, kept % in the worst year": round(100 * min(kept), 1),
                }
    return numbers


if __name__ == "__main__":
    print(json.dumps(measure(sys.argv[1]), indent=1))
