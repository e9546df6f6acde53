"""Measure winds between and above levels on a sodar and on a weather model's own profile, 40 to 200 m.

    python tests/validation/sodar.py FILE.csv

prints one JSON object of numbers [m/s]. FILE has two header rows, source and height. Nothing was fitted on it.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.handbook.surface_layer import interpolate_in_log_height
from tests.validation.records import rmse
from tests.validation.tower import _covered
from wxfly.physics.wind.profile import wind_at_height
from wxfly.physics.wind.surface_layer import power_law_wind_speed

BETWEEN = ((40, 120, 80), (40, 200, 100), (40, 200, 140), (80, 180, 120), (80, 200, 120), (100, 200, 120))
ABOVE = ((40, 80, 120), (40, 100, 120), (80, 100, 120), (80, 120, 180))


def measure(path: Path | str) -> dict[str, object]:
    """All numbers of one file."""
    table = pd.read_csv(path, header=[0, 1], index_col=0)
    numbers: dict[str, object] = {"records": len(table)}
    for source in dict.fromkeys(table.columns.get_level_values(0)):
        speed = {round(float(h)): table[(source, h)].to_numpy(dtype=float) for h in table[source].columns}
        for low, high, wanted in (*BETWEEN, *ABOVE):
            levels = np.stack([speed[low], speed[high]], axis=-1)
            wind = wind_at_height(levels, np.nan, [low, high], wanted, interpolation="curved")
            key = f"{source} {low}+{high}->{wanted}"
            methods = {"ours": wind.wind_speed, "1/7 law": power_law_wind_speed(speed[low], low, wanted)}
            if wanted < high:
                methods["ln z"] = interpolate_in_log_height(speed[low], low, speed[high], high, wanted)
            else:
                methods |= {
                    "1/7 law": power_law_wind_speed(speed[high], high, wanted),
                    "top wind kept": speed[high],
                }
            numbers |= {f"{key} {name} rmse": rmse(value - speed[wanted]) for name, value in methods.items()}
            _covered(numbers, f"{key} ours inside", np.abs(wind.wind_speed - speed[wanted]) / wind.standard_deviation)
    return numbers


if __name__ == "__main__":
    print(json.dumps(measure(sys.argv[1]), indent=1))
