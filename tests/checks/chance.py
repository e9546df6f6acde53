"""Chance: exceedance by our own functions; CRPS and Brier score by the libraries that the validation calls."""

from __future__ import annotations

import re
import warnings

import numpy as np
from checks.reading import NotCoveredError, Row, check, to_number

from tests.handbook import probability as handbook_probability
from wxfly.assessment.forecast_error import default_error_law


def _list(row: Row, *keys: str) -> np.ndarray:
    """Read a list of numbers behind a key: ``ens=6,7,8; y=9``."""
    for key in keys:
        match = re.search(rf"(?<![A-Za-z]){key}\s*=\s*([-+.\d,\s]+)", row.inputs)
        if match:
            return np.array([to_number(x) for x in re.split(r"[,\s]+", match[1].strip(" ,")) if x])
    raise NotCoveredError(f"inputs not understood: none of {', '.join(keys)} in '{row.inputs}'")


@check("brier_score")
def _(row: Row) -> float:
    import xarray as xr
    from scores.probability import brier_score

    chance, happened = _list(row, "p"), _list(row, "o")
    return float(brier_score(xr.DataArray(chance, dims="case"), xr.DataArray(happened, dims="case")))


@check("brier_decomposition")
def _(row: Row) -> tuple[float, ...]:
    from tests.validation.gust_ensemble import brier_figures

    chance, happened = [], []
    for p, n, o in re.findall(r"([\d.]+)\s*n=(\d+)\s*o=(\d+)", row.inputs):
        chance += [float(p)] * int(n)
        happened += [True] * int(o) + [False] * (int(n) - int(o))
    if not chance:
        raise NotCoveredError(f"inputs not understood: no bins in '{row.inputs}'")
    found = brier_figures(np.array(chance), np.array(happened))
    return found["reliability"], found["resolution"], found["uncertainty"], found["brier"]


@check("crps_ensemble")
def _(row: Row) -> float:
    import scoringrules

    return float(scoringrules.crps_ensemble(_list(row, "y")[0], _list(row, "ens"), estimator="nrg"))


@check("crps_ensemble_fair")
def _(row: Row) -> float:
    import scoringrules

    return float(scoringrules.crps_ensemble(_list(row, "y")[0], _list(row, "ens"), estimator="fair"))


@check("crps_normal")
def _(row: Row) -> float:
    import scoringrules

    return float(scoringrules.crps_normal(row.number("y", "obs"), row.number("mu", "mean"), row.number("sigma")))


@check("crps_truncated_normal_at_0")
def _(row: Row) -> float:
    import scoringrules

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the library, for the upper end at infinity
        return float(
            scoringrules.crps_tnormal(row.number("y", "obs"), row.number("mu", "mean"), row.number("sigma"), lower=0.0)
        )


@check("prob_exceed_dressed_ensemble")
def _(row: Row) -> float:
    deviation = re.search(r"sigma\s*=\s*([\d.]+)", row.inputs)
    if not deviation:
        raise NotCoveredError(f"inputs not understood: no sigma in '{row.inputs}'")
    limit = float(_list(row, "limit", "L")[0])
    return float(handbook_probability.dressed_exceedance(_list(row, "ens"), float(deviation[1]), limit))


@check("prob_exceed_truncated_normal")
def _(row: Row) -> float:
    return float(
        handbook_probability.truncated_normal_exceedance(
            row.number("mu", "mean"), row.number("sigma"), row.number("limit", "L")
        )
    )


@check("nwp_10m_wind_rmse_placeholder_m_s")
def _(row: Row) -> float:
    return float(default_error_law().figure("wind", "error", row.number("lead")))
