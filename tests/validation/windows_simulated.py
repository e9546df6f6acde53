"""Chance of a window against a truth that is known: weather and errors drawn from one law, linked from hour to hour.

    python tests/validation/windows_simulated.py

prints one JSON object. Ways compared: joint over the members and dressed (wxfly), the product of the hours' chances,
the members' share without dressing, and the members' worst hour dressed with one error for the whole window.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import numpy.typing as npt
import xarray as xr

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from wxfly.assessment.forecast_error import default_error_law
from wxfly.physics.probability import normal_probability
from wxfly.pilot.elements import NAMES
from wxfly.probability.chance import hour_chances, window_chance

Array = npt.NDArray[np.float64]

LIMIT = 9.6
MEMBERS = 30
CASES = 1200
WAYS = ("joint, dressed", "product of hours", "members alone", "worst hour, dressed once")


def linked(rng: np.random.Generator, shape: tuple[int, ...], correlation: float) -> Array:
    """Draw standard normal series along the first axis, each value linked with the one before."""
    series = np.empty(shape)
    series[0] = rng.standard_normal(shape[1:])
    for hour in range(1, shape[0]):
        series[hour] = correlation * series[hour - 1] + np.sqrt(1 - correlation**2) * rng.standard_normal(shape[1:])
    return series


def one_room(values: Array) -> xr.DataArray:
    """Return a room of the gust alone, ``(hour, member)``."""
    room = np.full((len(NAMES), *values.shape), np.inf)
    room[NAMES.index("gust")] = values
    time = np.datetime64("2026-06-10T08", "ns") + np.arange(values.shape[0]) * np.timedelta64(1, "h")
    return xr.DataArray(room, dims=("element", "time", "realization"), coords={"element": list(NAMES), "time": time})


def simulate(hours: int, *, level: float, spread: float, error: float, seed: int) -> dict[str, float]:
    """Return the share of truths that hold and the mean chance that each way tells."""
    rng = np.random.default_rng(seed)
    law = default_error_law()
    base = level + rng.normal(0, 1.5, CASES) + np.zeros((hours, 1))
    weather = linked(rng, (hours, CASES, MEMBERS + 1), 0.9) * spread
    # Many truths for each case make the share exact enough to compare with.
    truths = (base + weather[..., 0])[..., None] + error * linked(rng, (hours, CASES, 40), law.correlation)
    told = {way: np.empty(CASES) for way in WAYS}
    for case in range(CASES):
        values = (LIMIT - base[:, case, None] - weather[:, case, 1:]) / error
        room = one_room(values)
        told["joint, dressed"][case] = window_chance(room, 0, hours - 1).value
        told["product of hours"][case] = float(hour_chances(room).prod())
        told["members alone"][case] = float((values >= 0).all(axis=0).mean())
        told["worst hour, dressed once"][case] = float(normal_probability(values.min(axis=0)).mean())
    return {"truth": float((truths <= LIMIT).all(axis=0).mean())} | {way: float(v.mean()) for way, v in told.items()}


def measure() -> dict[str, dict[str, float]]:
    """Run every setting."""
    return {
        f"{hours} h, level {level:g}, spread {spread:g}, error {error:g}": simulate(
            hours, level=level, spread=spread, error=error, seed=hours
        )
        for hours in (1, 3, 6, 10)
        for level, spread, error in ((7.0, 1.0, 1.6), (8.0, 1.5, 2.3))
    }


if __name__ == "__main__":
    print(json.dumps(measure(), indent=1))
