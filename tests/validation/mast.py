"""Measure gusts, and winds between and above levels, on a mast of ten-minute means and maxima.

    python tests/validation/mast.py FILE [--all]

prints one JSON object of numbers [m/s]. FILE is the 20/30/40 m mast (``date_time``, ``vN_Hm_avg``, ``_max``) or the
40/60/80 m mast (``Timestamp``, ``SpdHmN``, ``SpdHmNMax``), by its columns. Reported are the odd fortnights; on the
masts nothing was fitted but the best exponent named so.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.handbook.error import exceedance_probability
from tests.handbook.surface_layer import interpolate_in_log_height
from tests.validation.records import Record, hourly, mean, read_breeze, read_brightwind, rmse, scores
from tests.validation.tower import SPEEDS, _covered, contingency
from wxfly.physics.wind.gust import gust_at_height, gust_without_forecast
from wxfly.physics.wind.profile import wind_at_height
from wxfly.physics.wind.surface_layer import log_law_wind_speed, power_law_wind_speed

GUST_LIMIT = 10.7
MEAN_LIMIT = 10.0


def read(path: Path | str) -> Record:
    """Read either kind of mast file."""
    columns = pd.read_csv(path, nrows=0, encoding="utf-8-sig").columns
    return read_breeze(path) if "date_time" in columns else read_brightwind(path)


def measure(path: Path | str, *, everything: bool = False) -> dict[str, object]:
    """All numbers of one mast file."""
    record = read(path)
    shown = np.ones(record.time.size, bool) if everything else ~record.fitted
    low, middle, high = sorted(record.speed)
    numbers: dict[str, object] = {"records reported": int(shown.sum()), "records in the file": int(shown.size)}
    for wanted in (middle, high):
        numbers |= _gusts(record, shown, low, wanted)
    numbers |= _means(record, shown, low, middle, high)
    numbers |= _intervals(record, low, middle, high, everything)
    numbers |= _intervals(hourly(record), low, middle, high, everything, ", hourly means")
    numbers |= _decision(record, shown, low, high)
    return numbers


def _gusts(record: Record, shown: np.ndarray, low: int, high: int) -> dict[str, object]:
    speed, gust = record.speed, record.gust
    provided = power_law_wind_speed(speed[low], low, high)
    methods = {
        "increment": gust_at_height(gust[low], speed[low], speed[high], high, gust_height=low),
        "increment, mean wind carried too": gust_at_height(gust[low], speed[low], provided, high, gust_height=low),
        "gust factor kept": speed[high] * gust[low] / np.maximum(speed[low], 0.3),
        "1/7 law on the gust": power_law_wind_speed(gust[low], low, high),
        "gust unchanged": gust[low],
        "from the mean winds alone": gust_without_forecast(
            log_law_wind_speed(speed[low], low, 10.0, 0.1),
            speed[high],
            high,
            roughness_length=0.1,
        ),
    }
    numbers: dict[str, object] = {}
    for name, estimate in methods.items():
        error = np.where(shown, estimate - gust[high], np.nan)
        numbers |= {f"gust {low}->{high} {name} {what}": value for what, value in scores(error).items()}
    strong = np.where(shown & (speed[high] > 5), 1.0, np.nan)
    numbers[f"gust increment {high} over {low}, mean ratio above 5 m/s"] = mean(
        strong * (gust[high] - speed[high]) / np.where(gust[low] - speed[low] > 0.2, gust[low] - speed[low], np.nan)
    )
    return numbers


def _means(record: Record, shown: np.ndarray, low: int, middle: int, high: int) -> dict[str, object]:
    speed = record.speed
    both = np.stack([speed[low], speed[high]], axis=-1)
    lower = np.stack([speed[low], speed[middle]], axis=-1)
    between = {
        "ln z": interpolate_in_log_height(speed[low], low, speed[high], high, middle),
        "curved": wind_at_height(both, np.nan, [low, high], middle, interpolation="curved").wind_speed,
        "1/7 law from the lower": power_law_wind_speed(speed[low], low, middle),
    }
    beyond = {
        "part of the slope": wind_at_height(lower, np.nan, [low, middle], high).wind_speed,
        "top wind kept": speed[middle],
        "1/7 law": power_law_wind_speed(speed[middle], middle, high),
    }
    numbers: dict[str, object] = {}
    for key, methods, wanted in (
        (f"{low}+{high}->{middle}", between, middle),
        (f"{low}+{middle}->{high}", beyond, high),
    ):
        for name, estimate in methods.items():
            error = np.where(shown, estimate - speed[wanted], np.nan)
            numbers[f"{key} {name} rmse"], numbers[f"{key} {name} bias"] = rmse(error), mean(error)
    return numbers


def _intervals(record: Record, low: int, middle: int, high: int, everything: bool, kind: str = "") -> dict[str, object]:
    """Share of records inside the stated intervals; the stated deviation is that of an hour's mean."""
    speed, numbers = record.speed, {}
    shown = np.ones(record.time.size, bool) if everything else ~record.fitted
    for key, heights, wanted in (
        (f"{low}+{high}->{middle} curved{kind}", [low, high], middle),
        (f"{low}+{middle}->{high} part of the slope{kind}", [low, middle], high),
    ):
        levels = np.stack([speed[h] for h in heights], axis=-1)
        wind = wind_at_height(levels, np.nan, heights, wanted, interpolation="curved")
        ratio = np.where(shown, np.abs(wind.wind_speed - speed[wanted]) / wind.standard_deviation, np.nan)
        _covered(numbers, f"{key} inside", ratio)
        for label, (least, most) in SPEEDS.items():
            _covered(numbers, f"{key}, {label}, inside", ratio[(wind.wind_speed >= least) & (wind.wind_speed < most)])
    return numbers


def _decision(record: Record, shown: np.ndarray, low: int, high: int) -> dict[str, object]:
    """Finding records over the limits at the top from the lowest level alone."""
    speed, gust = record.speed, record.gust
    wind = wind_at_height(speed[low][:, None], np.nan, [low], high)
    provided = gust_at_height(gust[low], speed[low], wind.wind_speed, high, gust_height=low)
    keep = shown & ~np.isnan(speed[low] + speed[high] + gust[low] + gust[high])
    numbers: dict[str, object] = {}
    over = speed[high][keep] > MEAN_LIMIT
    for name, chance in {
        "carried": exceedance_probability(wind.wind_speed, wind.standard_deviation, MEAN_LIMIT),
        "unchanged": (speed[low] > MEAN_LIMIT).astype(float),
    }.items():
        numbers |= contingency(f"mean {low}->{high} over 10 m/s, {name},", chance[keep], over)
    over = gust[high][keep] > GUST_LIMIT
    for name, value in {
        "increment, mean wind carried too": provided,
        "increment over the known mean": gust_at_height(gust[low], speed[low], speed[high], high, gust_height=low),
        "1/7 law on the gust": power_law_wind_speed(gust[low], low, high),
        "gust unchanged": gust[low],
    }.items():
        numbers |= contingency(
            f"gust {low}->{high} over 10.7 m/s, {name},", (value > GUST_LIMIT).astype(float)[keep], over
        )
    return numbers


def main() -> None:
    """Print the numbers of the file named on the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file")
    parser.add_argument("--all", action="store_true", help="report every record, not only the odd fortnights")
    options = parser.parse_args()
    print(json.dumps(measure(options.file, everything=options.all), indent=1))


if __name__ == "__main__":
    main()
