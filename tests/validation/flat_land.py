"""Measure the stated error of the wind over gently rolling and flat land, by stability, where nothing is fitted.

    python tests/validation/flat_land.py HUB.csv.gz SODAR.csv

prints one JSON object of shares in per cent and speeds in m/s. HUB is a reanalysis over the fields of eastern France
(10 and 50 m of one model; its 100 m are of another and are left out), two years of hours; SODAR a sodar and a weather
model beside it over two days, every ten minutes, for heights above an 80 m top.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.validation.tower import STABILITY
from wxfly.physics.sun import sun_position
from wxfly.physics.wind.error import error_factor
from wxfly.physics.wind.profile import WindAtHeight, wind_at_height
from wxfly.physics.wind.surface_layer import obukhov_length_from_sun_and_cloud, obukhov_length_from_temperatures

PLACE = (48.45, 5.59)
"""Of the wind farm of HUB [degree]."""
TOPS = (120, 140, 160)


def measure(hub: Path | str, sodar: Path | str) -> dict[str, object]:
    """Return all numbers."""
    return from_10(hub) | above_80(sodar)


def from_10(path: Path | str) -> dict[str, object]:
    """Return the coverage of the wind carried from 10 to 50 m, by day and night and by stability."""
    table = pd.read_csv(path)
    time = pd.to_datetime(table.iloc[:, 0]).dt.tz_convert(None).to_numpy().astype("datetime64[s]")
    low, truth, warm = (table[name].to_numpy() for name in ("ws10", "ws_50m", "temp_2m"))
    elevation = sun_position(*PLACE, time)[0]
    nothing = np.full(low.shape, np.nan)
    lengths = {
        "temperatures": obukhov_length_from_temperatures(low, 10.0, warm, 2.0, table["temp_10m"].to_numpy(), 10.0),
        "sun and cloud": obukhov_length_from_sun_and_cloud(low, 10.0, elevation, None, warm),
        "not known": nothing,
    }
    numbers: dict[str, object] = {"hours": int(low.size)}
    for source, length in lengths.items():
        wind = wind_at_height(
            low[:, None], nothing[:, None], [10.0], 50.0, roughness_length=0.03, obukhov_length=length,
            stability_source="sun and cloud" if source == "sun and cloud" else "temperatures",
        )  # fmt: skip
        zeta = 10.0 / length
        groups = {"day": elevation > 0, "night": elevation <= 0}
        if source != "not known":
            groups |= {name: (zeta > least) & (zeta <= most) for name, (least, most) in STABILITY.items()}
        for group, here in groups.items():
            numbers |= covered(f"10->50 {source}, {group}", wind, truth, here)
    return numbers


def above_80(path: Path | str) -> dict[str, object]:
    """Return the coverage above a top level of 80 m with 40 m below it, on the sodar and on the model's own profile."""
    table = pd.read_csv(path, header=[0, 1], index_col=0)
    numbers: dict[str, object] = {}
    for source in table.columns.levels[0]:
        low, top = (table[(source, f"{height}.0")].to_numpy() for height in (40, 80))
        both = np.stack([low, top], axis=-1)
        for wanted in TOPS:
            truth = table[(source, f"{wanted}.0")].to_numpy()
            wind = wind_at_height(both, np.full_like(both, np.nan), [40.0, 80.0], float(wanted))
            numbers |= covered(f"40+80->{wanted} {source}", wind, truth, np.ones(truth.shape, bool))
    return numbers


def covered(key: str, wind: WindAtHeight, truth: np.ndarray, here: np.ndarray) -> dict[str, object]:
    """Return the share of values within one deviation and within the 95 % interval, and bias and mean deviation."""
    error = wind.wind_speed - truth
    kept = here & np.isfinite(error)
    ratio = np.abs(error[kept]) / wind.standard_deviation[kept]
    return {
        f"{key}, cases": int(kept.sum()),
        f"{key}, 68 %": round(100 * float(np.mean(ratio <= 1.0)), 1),
        f"{key}, 95 %": round(100 * float(np.mean(ratio <= float(error_factor(0.975)))), 1),
        f"{key}, bias": round(float(error[kept].mean()), 2),
        f"{key}, stated": round(float(wind.standard_deviation[kept].mean()), 2),
    }


if __name__ == "__main__":
    print(json.dumps(measure(*sys.argv[1:3]), indent=1))
