"""Measure the wind carried to other heights on a tower of hourly means.

    python tests/validation/tower.py FILE.csv.gz [--all] [--latitude N --longitude E]

prints one JSON object of numbers [m/s]. Columns as in ``records.read_tower``; heights that a tower has not are taken
from the nearest it has. Reported are the odd fortnights, on which nothing was fitted; ``--all`` reports every hour.
The keys read ``levels used->height wanted, method, number``.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.handbook.error import exceedance_probability
from tests.handbook.surface_layer import interpolate_in_log_height
from tests.validation.records import Record, mean, read_tower, rmse, scores
from wxfly.physics.sun import sun_position
from wxfly.physics.wind.components import wind_components
from wxfly.physics.wind.error import error_factor
from wxfly.physics.wind.profile import WindAtHeight, wind_at_height
from wxfly.physics.wind.surface_layer import (
    log_law_wind_speed,
    obukhov_length_from_sun_and_cloud,
    obukhov_length_from_temperatures,
    power_law_wind_speed,
)

BETWEEN = ((10, 80, 55), (10, 122, 87), (10, 80, 30), (10, 122, 38), (30, 80, 55), (38, 122, 87), (10, 105, 55))
ABOVE = ((10, 80, 122), (10, 80, 105), (38, 87, 122), (55, 80, 105), (10, 87, 122))
FROM_10 = (3, 30, 55, 80, 122)
STABILITY = {
    "very unstable": (-np.inf, -0.3),
    "unstable": (-0.3, -0.02),
    "neutral": (-0.02, 0.02),
    "stable": (0.02, 0.2),
    "very stable": (0.2, np.inf),
}
SPEEDS = {"below 4 m/s": (0, 4), "4 to 8 m/s": (4, 8), "8 m/s and more": (8, 99)}
TAILS = (50, 68, 80, 90, 95, 98, 99)
MEAN_LIMIT = 10.0
MET_MAST = (39.9106, -105.2347)  # where the tower of the project's data stands [degree]


class Tower:
    """A record, the hours reported, and the Obukhov lengths known in three ways."""

    def __init__(self, record: Record, everything: bool, latitude: float, longitude: float) -> None:
        self.record = record
        self.shown = np.ones(record.time.size, bool) if everything else ~record.fitted
        self.heights = sorted(record.speed)
        self.base = self.nearest(10)
        speed = record.speed[self.base]
        warm = sorted(record.temperature)
        self.by_temperatures = np.full(record.time.size, np.nan)
        near_ground = np.full(record.time.size, np.nan)
        if len(warm) > 1:
            high = min(warm[1:], key=lambda h: abs(h - 87))
            near_ground = record.temperature[warm[0]]
            self.by_temperatures = obukhov_length_from_temperatures(
                speed, float(self.base), near_ground, warm[0], record.temperature[high], high
            )
        elevation = sun_position(latitude, longitude, record.time)[0]
        self.by_sun = obukhov_length_from_sun_and_cloud(speed, float(self.base), elevation, None, near_ground)
        self.zeta = 10.0 / self.by_temperatures
        self.hour = (record.time.astype("datetime64[h]").astype(int) + round(longitude / 15)) % 24

    def nearest(self, wanted: float) -> int:
        """The measured height nearest to the wanted one."""
        return min(self.heights, key=lambda h: abs(np.log(h / wanted)))

    def carry(self, levels: tuple[int, ...], wanted: int, **keywords) -> WindAtHeight:
        """The library's estimate from the winds at these levels."""
        speed = np.stack([self.record.speed[h] for h in levels], axis=-1)
        direction = np.full_like(speed, np.nan)
        return wind_at_height(speed, direction, list(levels), float(wanted), **keywords)

    def alone(self, wanted: int) -> dict[str, WindAtHeight]:
        """The wind from 10 m alone, by what is known of stability."""
        surface = {"roughness_length": 0.03}
        by_temperature = {
            "temperature": self.carry((self.base,), wanted, obukhov_length=self.by_temperatures, **surface)
        }
        return (by_temperature if (~np.isnan(self.by_temperatures)).any() else {}) | {
            "sun": self.carry(
                (self.base,), wanted, obukhov_length=self.by_sun, stability_source="sun and cloud", **surface
            ),
            "no stability": self.carry((self.base,), wanted),
        }

    def error(self, estimate: np.ndarray, wanted: int) -> np.ndarray:
        """Estimate less measured, where it is reported."""
        return np.where(self.shown, estimate - self.record.speed[wanted], np.nan)

    def comparable(self) -> np.ndarray:
        """Hours in which stability by temperatures is known, so that all methods answer for the same ones.

        Every hour where the tower has no temperatures at all; the method by temperatures then has no numbers.
        """
        known = ~np.isnan(self.by_temperatures)
        return known if known.any() else np.ones_like(known)


def between(tower: Tower) -> dict[str, object]:
    """Between two levels: the curved and the straight interpolation beside the naive ones."""
    numbers: dict[str, object] = {}
    for wish in BETWEEN:
        low, high, wanted = (tower.nearest(h) for h in wish)
        if not low < wanted < high:
            continue
        speed = tower.record.speed
        key = f"{low}+{high}->{wanted}"
        methods = {
            "ln z": interpolate_in_log_height(speed[low], low, speed[high], high, wanted),
            "curved": tower.carry((low, high), wanted, interpolation="curved").wind_speed,
            "1/7 law from the lower": power_law_wind_speed(speed[low], low, wanted),
            "components": _by_components(tower.record, low, high, wanted),
        }
        for name, estimate in methods.items():
            error = tower.error(estimate, wanted)
            numbers[f"{key} {name} rmse"], numbers[f"{key} {name} bias"] = rmse(error), mean(error)
        raw = tower.record.as_recorded
        straight = interpolate_in_log_height(raw[low], low, raw[high], high, wanted)
        numbers[f"{key} ln z rmse, every hour as recorded"] = rmse(straight - raw[wanted])
        both = np.stack([raw[low], raw[high]], axis=-1)
        curved = wind_at_height(both, np.nan * both, [low, high], wanted, interpolation="curved").wind_speed
        numbers[f"{key} curved rmse, every hour as recorded"] = rmse(curved - raw[wanted])
    return numbers


def _by_components(record: Record, low: int, high: int, wanted: int) -> np.ndarray:
    if low not in record.direction or high not in record.direction:
        return np.full(record.time.size, np.nan)
    east, north = wind_components(record.speed[low], record.direction[low])
    east_high, north_high = wind_components(record.speed[high], record.direction[high])
    return np.hypot(
        interpolate_in_log_height(east, low, east_high, high, wanted),
        interpolate_in_log_height(north, low, north_high, high, wanted),
    )


def above(tower: Tower) -> dict[str, object]:
    """Above the top level."""
    numbers: dict[str, object] = {}
    for wish in ABOVE:
        low, high, wanted = (tower.nearest(h) for h in wish)
        if not low < high < wanted:
            continue
        speed, key = tower.record.speed, f"{low}+{high}->{wanted}"
        with np.errstate(divide="ignore", invalid="ignore"):
            exponent = np.log(np.maximum(speed[high], 0.3) / np.maximum(speed[low], 0.3)) / np.log(high / low)
        methods = {
            "part of the slope": tower.carry((low, high), wanted).wind_speed,
            "part of the slope, stability known": tower.carry(
                (low, high), wanted, obukhov_length=tower.by_temperatures
            ).wind_speed,
            "top wind kept": speed[high],
            "exponent carried on": power_law_wind_speed(speed[high], high, wanted, exponent),
            "1/7 law": power_law_wind_speed(speed[high], high, wanted),
        }
        for name, estimate in methods.items():
            error = tower.error(estimate, wanted)
            numbers[f"{key} {name} rmse"], numbers[f"{key} {name} bias"] = rmse(error), mean(error)
        raw = tower.record.as_recorded
        both = np.stack([raw[low], raw[high]], axis=-1)
        ours = wind_at_height(both, np.nan * both, [low, high], wanted).wind_speed
        numbers[f"{key} part of the slope rmse, every hour as recorded"] = rmse(ours - raw[wanted])
        numbers[f"{key} top wind kept rmse, every hour as recorded"] = rmse(raw[high] - raw[wanted])
    return numbers


def best_exponent(tower: Tower, wanted: int) -> float:
    """The exponent with the least error on the fortnights for fitting."""
    fitting = tower.record.fitted & tower.comparable()
    low, truth = tower.record.speed[tower.base], tower.record.speed[wanted]
    tried = np.arange(-0.1, 0.6, 0.005)
    errors = [rmse(np.where(fitting, power_law_wind_speed(low, tower.base, wanted, a) - truth, np.nan)) for a in tried]
    return float(tried[int(np.argmin([np.inf if e is None else e for e in errors]))])


def from_10(tower: Tower) -> dict[str, object]:
    """From the lowest usual level alone."""
    numbers: dict[str, object] = {}
    base, low = tower.base, tower.record.speed[tower.base]
    for wish in FROM_10:
        wanted = tower.nearest(wish)
        if wanted == base:
            continue
        exponent, key = best_exponent(tower, wanted), f"{base}->{wanted}"
        estimates = {name: wind.wind_speed for name, wind in tower.alone(wanted).items()}
        estimates |= {
            "1/7 law": power_law_wind_speed(low, base, wanted),
            "best exponent": power_law_wind_speed(low, base, wanted, exponent),
            "neutral log law": log_law_wind_speed(low, base, wanted, 0.03),
            "unchanged": low,
        }
        numbers[f"{key} best exponent"] = round(exponent, 3)
        strong = tower.record.speed[wanted] >= 8.0
        for name, estimate in estimates.items():
            error = np.where(tower.comparable(), tower.error(estimate, wanted), np.nan)
            numbers |= {f"{key} {name} {what}": value for what, value in scores(error).items()}
            numbers[f"{key} {name} bias at 8 m/s and more"] = mean(np.where(strong, error, np.nan))
            for label, (least, most) in STABILITY.items():
                inside = (tower.zeta > least) & (tower.zeta <= most)
                numbers[f"{key} {name} rmse, {label}"] = rmse(np.where(inside, error, np.nan))
                numbers[f"{key} {name} bias, {label}"] = mean(np.where(inside, error, np.nan))
            if wish == 80:
                for hour in range(24):
                    numbers[f"{key} {name} rmse, local hour {hour}"] = rmse(np.where(tower.hour == hour, error, np.nan))
    return numbers


def intervals(tower: Tower) -> dict[str, object]:
    """Share of hours inside the stated 68 % and 95 % intervals."""
    numbers: dict[str, object] = {}
    cases: dict[str, tuple[WindAtHeight, int]] = {}
    for wish in BETWEEN:
        low, high, wanted = (tower.nearest(h) for h in wish)
        if low < wanted < high:
            cases[f"{low}+{high}->{wanted} curved"] = (
                tower.carry((low, high), wanted, interpolation="curved"),
                wanted,
            )
            cases[f"{low}+{high}->{wanted} curved, stability known"] = (
                tower.carry((low, high), wanted, interpolation="curved", obukhov_length=tower.by_temperatures),
                wanted,
            )
    for wish in ABOVE:
        low, high, wanted = (tower.nearest(h) for h in wish)
        if low < high < wanted:
            cases[f"{low}+{high}->{wanted} part of the slope"] = (tower.carry((low, high), wanted), wanted)
            cases[f"{low}+{high}->{wanted} part of the slope, stability known"] = (
                tower.carry((low, high), wanted, obukhov_length=tower.by_temperatures),
                wanted,
            )
    for wish in FROM_10:
        wanted = tower.nearest(wish)
        if wanted != tower.base:
            cases |= {f"{tower.base}->{wanted} {k}": (v, wanted) for k, v in tower.alone(wanted).items()}
    pooled: dict[str, list[np.ndarray]] = {}
    for key, (wind, wanted) in cases.items():
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.abs(tower.error(wind.wind_speed, wanted)) / wind.standard_deviation
        ratio = np.where(tower.comparable(), ratio, np.nan)
        _covered(numbers, f"{key} inside", ratio)
        group = "from 10 m, " + key.split(" ", 1)[1] if "+" not in key else key.split(" ", 1)[1]
        for label, (least, most) in STABILITY.items():
            inside = (tower.zeta > least) & (tower.zeta <= most)
            pooled.setdefault(f"{group}, {label}", []).append(ratio[inside])
        for label, (least, most) in SPEEDS.items():
            inside = (wind.wind_speed >= least) & (wind.wind_speed < most)
            pooled.setdefault(f"{group}, {label}", []).append(ratio[inside])
    for key, parts in pooled.items():
        _covered(numbers, f"all heights, {key}, inside", np.concatenate(parts))
    for group in dict.fromkeys(key.rsplit(", ", 1)[0] for key in pooled):
        ratio = np.concatenate([part for label in SPEEDS for part in pooled[f"{group}, {label}"]])
        ratio = ratio[~np.isnan(ratio)]
        for share in TAILS if ratio.size >= 50 else ():
            held = ratio <= float(error_factor(0.5 + share / 200))
            numbers[f"all heights and hours, {group}, inside {share} %"] = round(100 * float(np.mean(held)), 1)
    return numbers


def _covered(numbers: dict[str, object], key: str, ratio: np.ndarray) -> None:
    kept = ratio[~np.isnan(ratio)]
    if kept.size >= 50:
        factor = float(error_factor(0.975))
        numbers[f"{key} 68 %"] = round(100 * float(np.mean(kept <= 1.0)), 1)
        numbers[f"{key} 95 %"] = round(100 * float(np.mean(kept <= factor)), 1)


def decision(tower: Tower) -> dict[str, object]:
    """Finding the hours in which the mean wind at 80 m is over 10 m/s, from 10 m alone."""
    wanted = tower.nearest(80)
    low, truth = tower.record.speed[tower.base], tower.record.speed[wanted]
    winds = tower.alone(wanted)
    numbers: dict[str, object] = {}
    keep = tower.shown & tower.comparable() & ~np.isnan(truth) & ~np.isnan(low)
    over = truth[keep] > MEAN_LIMIT
    chances = {
        f"{name}": exceedance_probability(wind.wind_speed, wind.standard_deviation, MEAN_LIMIT)
        for name, wind in winds.items()
    }
    chances["1/7 law"] = (power_law_wind_speed(low, tower.base, wanted) > MEAN_LIMIT).astype(float)
    chances["unchanged"] = (low > MEAN_LIMIT).astype(float)
    for name, chance in chances.items():
        numbers |= contingency(f"{tower.base}->{wanted} over 10 m/s, {name},", chance[keep], over)
    return numbers


def contingency(key: str, chance: np.ndarray, over: np.ndarray) -> dict[str, object]:
    """Hits, misses, false alarms at even odds, and the Brier score of the chance."""
    said = chance > 0.5
    return {
        f"{key} found %": round(100 * float(np.mean(said[over])), 1) if over.any() else None,
        f"{key} hits": int((said & over).sum()),
        f"{key} misses": int((~said & over).sum()),
        f"{key} false alarms": int((said & ~over).sum()),
        f"{key} false alarms % of alarms": round(100 * float(np.mean(~over[said])), 1) if said.any() else None,
        f"{key} Brier score": round(float(np.mean((chance - over) ** 2)), 4),
        f"{key} found % at a chance of 20 %": round(100 * float(np.mean(chance[over] > 0.2)), 1)
        if over.any()
        else None,
    }


def measure(
    path: Path | str, *, everything: bool = False, latitude: float = MET_MAST[0], longitude: float = MET_MAST[1]
) -> dict[str, object]:
    """All numbers of one tower file."""
    tower = Tower(read_tower(path), everything, latitude, longitude)
    hours = {"hours reported": int(tower.shown.sum()), "hours in the file": int(tower.shown.size)}
    return hours | between(tower) | above(tower) | from_10(tower) | intervals(tower) | decision(tower)


def main() -> None:
    """Print the numbers of the file named on the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file")
    parser.add_argument("--all", action="store_true", help="report every hour, not only the odd fortnights")
    parser.add_argument("--latitude", type=float, default=MET_MAST[0])
    parser.add_argument("--longitude", type=float, default=MET_MAST[1])
    options = parser.parse_args()
    numbers = measure(options.file, everything=options.all, latitude=options.latitude, longitude=options.longitude)
    print(json.dumps(numbers, indent=1))


if __name__ == "__main__":
    main()
