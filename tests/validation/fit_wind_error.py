"""Fit the constants of the wind's bend between levels and of its standard deviation on the tower's even fortnights.

    python tests/validation/fit_wind_error.py FILE.csv.gz

prints the constants that stand in ``wxfly/physics/wind/error.py`` and ``profile.py``. They are rounded there by
hand; those of stable air from one level, of unknown stability and above the top are wider there than the fit, by what
``flat_land.py`` shows. Needs scipy.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.validation.records import Record, read_tower
from wxfly.physics.wind import error as wind_error
from wxfly.physics.wind.profile import wind_at_height
from wxfly.physics.wind.surface_layer import (
    OPEN_GROUND_ROUGHNESS_LENGTH,
    obukhov_length_from_sun_and_cloud,
    obukhov_length_from_temperatures,
)

BETWEEN = ((10, 80, 55), (10, 80, 30), (10, 122, 87), (10, 122, 38), (30, 80, 55), (38, 122, 87), (10, 105, 55))
BEYOND = ((10, 80, 105), (38, 87, 122), (55, 80, 105), (10, 87, 122), (10, 80, 122), (10, 55, 80))
ALONE = (30, 38, 55, 80, 87, 105, 122)
# The tower's place, for the height of the sun [degree].
LATITUDE, LONGITUDE = 39.9106, -105.2347


def carry(record: Record, levels, wanted, **keywords):
    """Carry the winds at `levels` to `wanted` and give the estimate."""
    speed = np.stack([record.speed[h] for h in levels], axis=-1)
    return wind_at_height(speed, np.full_like(speed, np.nan), list(levels), wanted, **keywords)


def obukhov_lengths(record: Record, latitude: float = LATITUDE, longitude: float = LONGITUDE):
    """Obukhov length by temperatures of the lowest and the 87 m level, and by sun without cloud."""
    from wxfly.physics.sun import sun_position

    heights = sorted(record.temperature)
    low, high = heights[0], min(heights, key=lambda h: abs(h - 87))
    by_temperatures = obukhov_length_from_temperatures(
        record.speed[10], 10.0, record.temperature[low], low, record.temperature[high], high
    )
    elevation = sun_position(latitude, longitude, record.time)[0]
    by_sun = obukhov_length_from_sun_and_cloud(record.speed[10], 10.0, elevation, None, record.temperature[low])
    return by_temperatures, by_sun


def fit_bend(record: Record) -> dict[str, float]:
    """Least squares for the two constants of the curved interpolation."""
    rows, errors = [], []
    for low, high, wanted in BETWEEN:
        span, weight = np.log(high / low), np.log(wanted / low) / np.log(high / low)
        s1, s2, truth = record.speed[low], record.speed[high], record.speed[wanted]
        size = 4 * weight * (1 - weight)
        ground = np.log(low / OPEN_GROUND_ROUGHNESS_LENGTH)
        row = np.stack([size * span**2 * s1 / ground, -size * span * (s2 - s1)], axis=-1)
        error = truth - s1 - weight * (s2 - s1)
        keep = record.fitted & ~np.isnan(row).any(axis=-1) & ~np.isnan(error)
        rows.append(row[keep])
        errors.append(error[keep])
    solution = np.linalg.lstsq(np.concatenate(rows), np.concatenate(errors), rcond=None)[0]
    return {"CURVATURE": solution[1], "CURVATURE_SLOPE": solution[0] / solution[1]}


def fit_deviation(errors: list[np.ndarray], deviation_of, start) -> list[float]:
    """Fit ``deviation_of(constants)``, a list like the errors, so that it and 2.18 of it hold 68 % and 95 % of them.

    By the loss of quantile regression, relative to the deviation itself; every step of height weighs the same.
    """
    size = [np.abs(e) for e in errors]
    wide = float(wind_error.error_factor(0.975))
    found = np.array(start, dtype=float)
    for _ in range(4):
        usual = deviation_of(found)

        def loss(constants, usual=usual):
            total = 0.0
            for e, deviation, scale in zip(size, deviation_of(np.abs(constants)), usual, strict=True):
                middle = _quantile_loss(e - deviation, wind_error.ONE_SIGMA)
                tail = _quantile_loss(e - wide * deviation, 0.95)
                total += float(np.mean((middle + 0.5 * tail) / scale))
            return total / len(size)

        before = found
        options = {"maxiter": 3000, "maxfev": 3000, "xatol": 1e-4, "fatol": 1e-6, "adaptive": True}
        found = np.abs(minimize(loss, found, method="Nelder-Mead", options=options).x)
        if np.allclose(found, before, rtol=0.01, atol=0.002):
            break
    return [round(float(v), 4) for v in found]


def _quantile_loss(excess: np.ndarray, share: float) -> np.ndarray:
    return np.maximum(share * excess, (share - 1.0) * excess)


def fit(path: Path | str) -> dict[str, object]:
    """Fit everything; returns the constants by name."""
    record = read_tower(path)
    lengths = dict(zip(("temperatures", "sun and cloud"), obukhov_lengths(record), strict=True))
    result: dict[str, object] = {k: round(float(v), 4) for k, v in fit_bend(record).items()}

    result["BETWEEN"] = fit_levels(record, lengths["temperatures"], BETWEEN, wind_error.deviation_between, "BETWEEN")
    result["BEYOND"] = fit_levels(record, lengths["temperatures"], BEYOND, wind_error.deviation_beyond, "BEYOND")
    alone = {}
    for source in wind_error.FROM_ONE_LEVEL:
        length = lengths.get(source, np.full(record.time.size, np.nan))
        used = {} if source == "not known" else {"obukhov_length": length, "roughness_length": 0.03}
        named = "temperatures" if source == "not known" else source
        parts = []
        for wanted in ALONE:
            e = carry(record, (10,), wanted, stability_source=named, **used).wind_speed - record.speed[wanted]
            keep = record.fitted & ~np.isnan(e) & ((source == "not known") | ~np.isnan(length))
            parts.append((e[keep], record.speed[10][keep], wanted, length[keep]))

        def deviation(constants, parts=parts, named=named):
            return [
                wind_error.deviation_from_one_level(s, 10.0, z, length, named, constants=constants)
                for _, s, z, length in parts
            ]

        alone[source] = fit_deviation([p[0] for p in parts], deviation, wind_error.FROM_ONE_LEVEL[source])
    result["FROM_ONE_LEVEL"] = alone

    low = min(record.speed)
    e = carry(record, (10,), low, roughness_length=0.03).wind_speed - record.speed[low]
    keep = record.fitted & ~np.isnan(e)
    way = np.sqrt(np.log(10 / low))
    result["DOWNWARD"] = fit_deviation(
        [e[keep]], lambda c: [way * (c[0] + c[1] * record.speed[10][keep])], wind_error.DOWNWARD
    )
    return result


def fit_levels(record: Record, length: np.ndarray, pairs, deviation_of, name: str) -> dict[str, list[float]]:
    """Fit the deviation between or beyond two levels, with stability known and not."""
    fitted = {}
    for knowledge, start in getattr(wind_error, name).items():
        known = length if knowledge == "known" else np.full_like(length, np.nan)
        cases = []
        for low, high, wanted in pairs:
            wind = carry(record, (low, high), wanted, interpolation="curved", obukhov_length=known)
            e = wind.wind_speed - record.speed[wanted]
            keep = record.fitted & ~np.isnan(e + length)
            s1, s2 = record.speed[low][keep], record.speed[high][keep]
            cases.append((e[keep], s1, low, s2, high, wanted, known[keep]))
        fitted[knowledge] = fit_deviation(
            [c[0] for c in cases],
            lambda constants, cases=cases: [deviation_of(*c[1:], constants=constants) for c in cases],
            start,
        )
    return fitted


if __name__ == "__main__":
    print(json.dumps(fit(sys.argv[1]), indent=1))
