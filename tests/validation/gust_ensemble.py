"""Verify a gust's distribution fitted on one file of cases against another, or against blocks of the first.

    python tests/validation/gust_ensemble.py TRAIN.csv.gz [TEST.csv.gz]

prints one JSON object of numbers. With TEST the fit is on TRAIN and every figure on TEST; ``blocks`` holds the same
figures on TRAIN, each seventh of its days forecast from the fit on the others. Columns as in ``gust_fit.read_cases``.
CRPS, Brier score and isotonic fit are those of scoringrules and scores; speeds in m/s, shares 0 to 1.
"""

from __future__ import annotations

import json
import sys
import warnings
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import scoringrules
import xarray as xr
from scores.continuous import mse
from scores.probability import brier_score, isotonic_fit

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.handbook.probability import dressed_exceedance, normal_exceedance
from tests.validation.gust_fit import (
    Cases,
    exceedance,
    fit_with_blocks,
    interval,
    predict_blocks,
    read_cases,
)
from wxfly.assessment.forecast_error import default_error_law
from wxfly.physics.probability import dressing_deviation

Array = npt.NDArray[np.float64]

THRESHOLDS = (5.0, 6.0, 8.0, 10.0, 12.0, 15.0)
HEIGHT = 10.0
"""Of the stations' gusts [m]."""
MODEL = "icon_d2_eps"
"""What follows the ensemble of the cases; its row of the shipped law is used."""
SURE = 0.7
KINDS = ("plain", "station", "station and air")
BINS = 10


def brier_figures(chance: Array, happened: npt.NDArray[np.bool_]) -> dict[str, float]:
    """Return the Brier score and its parts: of ten bins (Murphy 1973), and of an isotonic fit (Dimitriadis 2021)."""
    forecast, event = xr.DataArray(chance, dims="case"), xr.DataArray(happened.astype(float), dims="case")
    bins = np.minimum((chance * BINS).astype(int), BINS - 1)
    counts = np.bincount(bins, minlength=BINS)
    used = counts > 0
    means = [
        xr.DataArray((np.bincount(bins, values, BINS)[used] / counts[used]), dims="bin")
        for values in (chance, event.values)
    ]
    weights = xr.DataArray(counts[used].astype(float), dims="bin")
    base = xr.full_like(means[0], float(event.mean()))
    score = float(brier_score(forecast, event))
    fitted = isotonic_fit(forecast, event)["regression_func"](chance)
    best = float(brier_score(xr.DataArray(fitted, dims="case"), event))
    return {
        "brier": score,
        "reliability": float(mse(means[0], means[1], weights=weights)),
        "resolution": float(mse(means[1], base, weights=weights)),
        "uncertainty": float(event.mean() * (1 - event.mean())),
        "miscalibration_isotonic": score - best,
    }


def reliability_points(chance: Array, happened: npt.NDArray[np.bool_]) -> list[dict[str, float]]:
    """Return mean chance, share that happened and number of cases of each tenth."""
    bins = np.minimum((chance * BINS).astype(int), BINS - 1)
    return [
        {"chance": float(chance[here].mean()), "happened": float(happened[here].mean()), "cases": int(here.sum())}
        for here in (bins == k for k in range(BINS))
        if here.any()
    ]


def raw_figures(cases: Cases) -> dict[str, object]:
    """Return the figures of the members themselves; a member that is missing is left out."""
    share = np.isfinite(cases.members)
    crps = np.empty(len(cases))
    for count in np.unique(share.sum(axis=1)):
        here = share.sum(axis=1) == count
        members = cases.members[here][share[here]].reshape(here.sum(), count)
        crps[here] = scoringrules.crps_ensemble(cases.observed[here], members, estimator="nrg")
    low, high = np.nanquantile(cases.members, [0.1, 0.9], axis=1)
    chances = {t: np.nanmean(np.where(share, cases.members > t, np.nan), axis=1) for t in THRESHOLDS}
    return _figures(cases, crps, low, high, chances)


def fitted_figures(cases: Cases, location: Array, scale: Array) -> dict[str, object]:
    """Return the figures of the fitted distribution."""
    crps = scoringrules.crps_tnormal(cases.observed, location, scale, lower=0.0)
    chances = {t: exceedance(location, scale, t) for t in THRESHOLDS}
    return _figures(cases, crps, *interval(location, scale), chances)


def dressed_figures(train: Cases, test: Cases) -> dict[str, object]:
    """Return the figures of members dressed with one deviation and one bias from the training, without distribution."""
    error = train.observed - train.mean
    bias = -float(error.mean())
    deviation = float(np.sqrt(max(np.var(error) - np.mean(train.spread**2), 0.01)))
    complete = test.take(np.isfinite(test.members).all(axis=1))
    members = complete.members - bias
    crps = scoringrules.crps_mixnorm(
        complete.observed, members, np.full(members.shape, deviation), np.full(members.shape, 1 / members.shape[1])
    )
    chances = {t: dressed_exceedance(members, deviation, np.full(len(complete), t)) for t in THRESHOLDS}
    figures = _figures(complete, crps, None, None, chances)
    return figures | {"deviation": deviation, "bias": bias, "mean_spread": float(np.sqrt(np.mean(train.spread**2)))}


def shipped_figures(cases: Cases, limits: Sequence[float] = THRESHOLDS) -> dict[str, object]:
    """Return what the law that wxfly ships tells of limits, and how often they were kept; nothing is fitted.

    "single" takes each member for the one forecast, "members" all of them for an ensemble.
    """
    complete = cases.take(np.isfinite(cases.members).all(axis=1))
    usual = default_error_law()
    single, many = (usual.of_forecast([MODEL], HEIGHT, count) for count in (1, complete.members.shape[1]))
    error = float(many.figure("gust", "error", 24.0))
    spread = float(np.sqrt(np.mean(complete.spread**2)))
    deviation = float(dressing_deviation(error, spread, many.share_left * error))
    alone = float(single.figure("gust", "error", 24.0))
    below, share = single.rows["gust"]["low"]
    held_for = complete.members + share * np.maximum(below - complete.members, 0.0)
    figures: dict[str, object] = {
        "cases": len(complete), "error": error, "error_of_single": alone, "spread": spread, "deviation": deviation,
    }  # fmt: skip
    every = np.repeat(complete.observed[:, None], complete.members.shape[1], axis=1)
    for limit in limits:
        of_one = 1.0 - normal_exceedance(held_for, alone, limit)
        of_all = 1.0 - dressed_exceedance(held_for, deviation, np.full(len(complete), limit))
        figures[f"{limit:g}"] = {
            "single": _kept(of_one.ravel(), (every <= limit).ravel(), (complete.members <= limit).ravel()),
            "members": _kept(of_all, complete.observed <= limit, complete.mean <= limit),
        } | brier_figures(1.0 - of_all, complete.observed > limit)
        if limit == 10:
            figures["points"] = reliability_points(1.0 - of_all, complete.observed > limit)
    return figures


def _kept(told: Array, kept: npt.NDArray[np.bool_], forecast_keeps: npt.NDArray[np.bool_]) -> dict[str, object]:
    """Return the mean chance told and the share that was kept: of all cases, of good forecasts, of sure ones."""
    groups = {
        "all": np.ones(told.shape, bool),
        "forecast_keeps": forecast_keeps,
        f"told_{SURE:g}_or_more": told >= SURE,
    }
    return {
        name: {"cases": int(here.sum())}
        | ({"told": float(told[here].mean()), "kept": float(kept[here].mean())} if here.any() else {})
        for name, here in groups.items()
    }


def _figures(
    cases: Cases, crps: Array, low: Array | None, high: Array | None, chances: dict[float, Array]
) -> dict[str, object]:
    figures: dict[str, object] = {"cases": len(cases), "crps": float(np.mean(crps))}
    if low is not None and high is not None:
        figures["coverage_80"] = float(np.mean((cases.observed >= low) & (cases.observed <= high)))
        figures["width_80"] = float(np.mean(high - low))
    figures["thresholds"] = {f"{t:g}": brier_figures(p, cases.observed > t) for t, p in chances.items()}
    return figures


def climatology_crps(train: Cases, test: Cases) -> float:
    """Return the CRPS of the observed gusts of training at the station, or at all stations where it has none."""
    crps = np.empty(len(test))
    for station in np.unique(test.station):
        here = test.station == station
        known = train.observed[train.station == station]
        sample = known if known.size >= 20 else train.observed
        members = np.broadcast_to(sample, (int(here.sum()), sample.size))
        crps[here] = scoringrules.crps_ensemble(test.observed[here], members, estimator="nrg")
    return float(crps.mean())


def summary(test: Cases, location: Array, scale: Array) -> dict[str, object]:
    """Put the figures of members and fit side by side."""
    raw, fitted = raw_figures(test), fitted_figures(test, location, scale)
    of = {name: figures["thresholds"]["10"] for name, figures in (("raw", raw), ("fitted", fitted))}  # type: ignore[index]
    return {
        "cases": len(test),
        "crps_raw": raw["crps"],
        "crps": fitted["crps"],
        "crps_gain": 1.0 - float(fitted["crps"]) / float(raw["crps"]),  # type: ignore[arg-type]
        "reliability_10_raw": of["raw"]["reliability"],
        "reliability_10": of["fitted"]["reliability"],
        "reliability_10_ratio": of["fitted"]["reliability"] / of["raw"]["reliability"],
        "brier_10_raw": of["raw"]["brier"],
        "brier_10": of["fitted"]["brier"],
        "coverage_80_raw": raw["coverage_80"],
        "coverage_80": fitted["coverage_80"],
        "raw": raw,
        "fitted": fitted,
    }


def validate(train: Cases, test: Cases | None) -> dict[str, object]:
    """Return every figure: on the test cases if there are any, and on blocks of the training."""
    ladder: dict[str, object] = {}
    figures: dict[str, object] = {}
    for kind in KINDS:
        location, scale = predict_blocks(train, kind, widened=True)
        if kind == KINDS[-1]:
            figures = summary(train, location, scale)
        fitted = fitted_figures(train, location, scale)
        ladder[kind] = {"crps": fitted["crps"], "coverage_80": fitted["coverage_80"]} | fitted["thresholds"]["10"]  # type: ignore[index]
    figures["ladder"] = ladder | {"dressed": dressed_figures(train, train)}
    figures["crps_climatology"] = climatology_crps(train, train)
    figures["shipped"] = shipped_figures(train)
    if test is None:
        return figures
    location, scale = fit_with_blocks(train).distribution(test)
    against = summary(test, location, scale)
    against["crps_climatology"] = climatology_crps(train, test)
    against["shipped"] = shipped_figures(test)
    plain = fitted_figures(test, *fit_with_blocks(train, "plain").distribution(test))
    against["plain"] = {"crps": plain["crps"], "coverage_80": plain["coverage_80"]} | plain["thresholds"]["10"]  # type: ignore[index]
    return against | {"blocks": figures}


def main(arguments: list[str]) -> int:
    """Print the figures of the files named."""
    if not 1 <= len(arguments) <= 2:
        print(__doc__, file=sys.stderr)
        return 2
    cases = [read_cases(Path(name)) for name in arguments]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the scoring libraries, for a scale far from the observation
        figures = validate(cases[0], cases[1] if len(cases) > 1 else None)
    print(json.dumps(_rounded(figures), indent=1))
    return 0


def _rounded(value: object) -> object:
    if isinstance(value, dict):
        return {key: _rounded(v) for key, v in value.items()}
    return round(value, 6) if isinstance(value, float) else value


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
