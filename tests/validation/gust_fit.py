"""Fit a gust's distribution to members and observations: what the gust validation and its evidence page use.

The distribution is a normal one cut off at 0 (`tests.handbook.probability`). Its location
is linear in the ensemble mean with an offset and a slope for each station, its scale log-linear in spread and mean
with an offset for each station. Everything that belongs to a station, and every further predictor, is shrunk to
none; a station that was not in the training has none. Coefficients minimise the mean CRPS plus that penalty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import scoringrules
from scipy import optimize

from tests.handbook.probability import truncated_normal_exceedance, truncated_normal_quantile

Array = npt.NDArray[np.float64]

CASES_OF_A_STATION = 3.0
"""Strength of the shrinkage: so many cases of a station weigh as much as the prior that it has no offset."""
CASES_OF_A_PREDICTOR = 1.0
_SCALE_PENALTY = 10.0
_PREDICTORS = {"ASOB_S_mean": (100.0, 80.0), "TD_2M_mean": (277.0, 7.0), "yday": (0.0, 1.0)}


@dataclass(frozen=True)
class Cases:
    """Forecasts and what came: members [case, member], observed gust [case], station, predictors, day."""

    members: Array
    observed: Array
    station: npt.NDArray[np.int64]
    predictors: Array
    day: npt.NDArray[np.int64]

    def __len__(self) -> int:
        return self.observed.size

    def take(self, chosen: npt.NDArray[np.bool_]) -> Cases:
        """Return some of the cases."""
        return Cases(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))

    @property
    def mean(self) -> Array:
        """Of the members that are there [m/s]."""
        return np.nanmean(self.members, axis=1)

    @property
    def spread(self) -> Array:
        """Standard deviation of the members that are there [m/s]."""
        return np.nanstd(self.members, axis=1, ddof=1)


def read_cases(path: Path) -> Cases:
    """Read a file of the columns location, obs, yday, TD_2M_mean, ASOB_S_mean, ens_1 ...; rows are in order of time.

    A case without an observation, or with fewer than two members, is left out. A day begins where the number of the
    station does not increase. A predictor that the file lacks is taken as its usual value.
    """
    table = pd.read_csv(path)
    names = sorted((c for c in table.columns if c.startswith("ens_") and c[4:].isdigit()), key=lambda c: int(c[4:]))
    missing = [c for c in ("location", "obs") if c not in table.columns]
    if missing or not names:
        raise SystemExit(f"{path}: the column {(missing or ['ens_1'])[0]} is missing")
    members = table[names].to_numpy(float)
    station = table["location"].to_numpy(int)
    predictors = np.column_stack(
        [
            (table[c].fillna(middle).to_numpy(float) - middle) / width if c in table else np.zeros(len(table))
            for c, (middle, width) in _PREDICTORS.items()
        ]
    )
    day = np.concatenate(([0], np.cumsum(np.diff(station) <= 0)))
    cases = Cases(members, table["obs"].to_numpy(float), station, predictors, day)
    return cases.take(np.isfinite(cases.observed) & (np.isfinite(members).sum(axis=1) >= 2))


@dataclass(frozen=True)
class GustFit:
    """A fitted distribution: which predictors it uses, its stations and its coefficients."""

    kind: str
    stations: tuple[int, ...]
    of_location: Array
    of_scale: Array
    inflation: float = 1.0

    def distribution(self, cases: Cases) -> tuple[Array, Array]:
        """Return location and scale for each case [m/s]."""
        location, scale, _, _ = _design(cases, self.kind, self.stations)
        return location @ self.of_location, self.inflation * np.exp(np.clip(scale @ self.of_scale, -3.0, 3.0))


def _design(cases: Cases, kind: str, stations: Sequence[int]) -> tuple[Array, Array, Array, Array]:
    """Return the predictors of location and of ln scale, and the penalty of each."""
    mean, spread = cases.mean, np.maximum(cases.spread, 0.05)
    one = np.ones((len(cases), 1))
    slope = (mean[:, None] - 9.0) / 3.0
    location, scale = [one, mean[:, None]], [one, np.log(spread)[:, None], np.log(np.maximum(mean, 0.5))[:, None]]
    of_location, of_scale = [0.0, 0.0], [0.0, 0.0, 0.0]
    if kind in ("station", "station and air"):
        known = (cases.station[:, None] == np.array(stations)).astype(float)
        location += [known, known * slope]
        scale.append(known)
        of_location += [CASES_OF_A_STATION] * (2 * len(stations))
        of_scale += [_SCALE_PENALTY] * len(stations)
    if kind == "station and air":
        location += [cases.predictors, cases.predictors[:, :1] * slope]
        scale.append(cases.predictors)
        of_location += [CASES_OF_A_PREDICTOR] * (cases.predictors.shape[1] + 1)
        of_scale += [_SCALE_PENALTY] * cases.predictors.shape[1]
    return np.hstack(location), np.hstack(scale), np.array(of_location), np.array(of_scale)


def fit_gust(cases: Cases, kind: str = "station and air") -> GustFit:
    """Fit by the least mean CRPS.

    Parameters
    ----------
    cases : Cases
        For training.
    kind : {"plain", "station", "station and air"}
        Without stations, with them, and with radiation, temperature and season too.
    """
    stations = tuple(sorted(set(cases.station.tolist())))
    location, scale, of_location, of_scale = _design(cases, kind, stations)
    observed, split = cases.observed, location.shape[1]
    first = np.linalg.solve(location.T @ location + np.diag(of_location + 1e-9), location.T @ observed)
    start = np.concatenate((first, np.zeros(scale.shape[1])))
    start[split] = np.log(np.std(observed - location @ first))

    def cost(coefficients: Array) -> tuple[float, Array]:
        middle = location @ coefficients[:split]
        width = np.exp(np.clip(scale @ coefficients[split:], -3.0, 3.0))
        z = (observed - middle) / width
        density = np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)
        below = 1.0 - truncated_normal_exceedance(0.0, 1.0, z, lowest=-np.inf)
        # Slopes of the CRPS of a normal distribution in its location and in the logarithm of its scale.
        by_location, by_scale = 1.0 - 2.0 * below, width * (2.0 * density - 1.0 / np.sqrt(np.pi))
        penalty = np.concatenate((of_location, of_scale)) * coefficients
        slope = np.concatenate((by_location @ location, by_scale @ scale)) + 2.0 * penalty
        total = scoringrules.crps_normal(observed, middle, width).sum() + penalty @ coefficients
        return total / observed.size, slope / observed.size

    found = optimize.minimize(cost, start, jac=True, method="L-BFGS-B", options={"maxiter": 500})
    return GustFit(kind, stations, found.x[:split], found.x[split:])


def fit_with_blocks(cases: Cases, kind: str = "station and air", blocks: int = 7) -> GustFit:
    """Fit, then widen the scale by what blocks of days left out show that the fit on them is too sure.

    The factor brings the middle 80 % of the distributions of days left out over 80 % of their observations.
    """
    location, scale = predict_blocks(cases, kind, blocks)
    away = np.abs(cases.observed - location) / scale
    factor = float(np.quantile(away, 0.8)) / 1.2815515655446004
    fitted = fit_gust(cases, kind)
    return GustFit(fitted.kind, fitted.stations, fitted.of_location, fitted.of_scale, factor)


def blocks_of(cases: Cases, blocks: int) -> npt.NDArray[np.int64]:
    """Return the block of contiguous days of each case."""
    _, order = np.unique(cases.day, return_inverse=True)
    return np.asarray(order * blocks // (order.max() + 1))


def predict_blocks(cases: Cases, kind: str, blocks: int = 7, *, widened: bool = False) -> tuple[Array, Array]:
    """Return location and scale for every case from a fit on the other blocks of days, widened by those or not."""
    fit = fit_with_blocks if widened else fit_gust
    block = blocks_of(cases, blocks)
    location, scale = np.empty(len(cases)), np.empty(len(cases))
    for left_out in range(blocks):
        here = block == left_out
        location[here], scale[here] = fit(cases.take(~here), kind).distribution(cases.take(here))
    return location, scale


def exceedance(location: Array, scale: Array, limit: float) -> Array:
    """Return the chance of a gust above a limit [m/s]."""
    return truncated_normal_exceedance(location, scale, limit)


def interval(location: Array, scale: Array, share: float = 0.8) -> tuple[Array, Array]:
    """Return the middle interval that holds a share of the distribution [m/s]."""
    low, high = (1.0 - share) / 2, (1.0 + share) / 2
    return truncated_normal_quantile(location, scale, low), truncated_normal_quantile(location, scale, high)
