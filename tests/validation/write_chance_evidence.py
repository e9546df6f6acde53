# ruff: noqa: E501
"""Write the evidence page on chance, its figure and its numbers.

    python tests/validation/write_chance_evidence.py

Needs the project's data folder. Writes ``docs/evidence/chance.md``, ``chance.json`` and the figures beside them; no
number in them is typed by hand.
"""

from __future__ import annotations

import gzip
import json
import sys
import warnings
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.validation import gust_ensemble, svg, windows_simulated
from tests.validation.gust_fit import exceedance, fit_gust, fit_with_blocks, predict_blocks, read_cases
from wxfly.assessment.forecast_error import default_error_law

ROOT = Path(__file__).resolve().parents[2]
DATA = ROOT.parent / "shared" / "data"
PLACE = ROOT / "docs" / "evidence"
CASES = DATA / "gust_ensemble" / "train.csv.gz"


def hour_to_hour() -> dict[str, float]:
    """Return how an error goes on from hour to hour: reanalysis wind at hub height against a wind farm."""
    table = pd.read_csv(DATA / "grid_wind_vs_hub" / "hub_vs_reanalysis_hourly.csv.gz")
    weight = np.log(80 / 50) / np.log(100 / 50)
    error = table["hub"] - (table["ws_50m"] + weight * (table["ws_100m"] - table["ws_50m"]))
    error = error - error.mean()
    return {"hours": int(error.size), "standard_deviation": float(error.std())} | {
        f"after_{lag}_h": float(error.autocorr(lag)) for lag in (1, 2, 3, 6)
    }


def kp_left_open() -> dict[str, float]:
    """Return what the Kp of the same three hours some days before leaves open, of the last 22 years of the record."""
    values = []
    with gzip.open(DATA / "kp" / "SW-All.txt.gz", "rt") as file:
        for line in file:
            if line.startswith("END OBSERVED"):
                break
            if line[:2] in ("19", "20"):
                values += [int(line[18 + 3 * i : 21 + 3 * i]) / 10 for i in range(8)]
    kp = np.array(values[-8 * 365 * 22 :])
    left = {
        f"day_{days}": float(kp.std() * np.sqrt(1 - np.corrcoef(kp[: -8 * days], kp[8 * days :])[0, 1] ** 2))
        for days in (1, 2, 3, 27)
    }
    return left | {"standard_deviation": float(kp.std()), "share_of_4_or_more": float((kp >= 4).mean())}


def points() -> dict[str, list[dict[str, float]]]:
    """Return the reliability diagrams at 10 m/s of members and fit, each block of days forecast from the others."""
    cases = read_cases(CASES)
    happened = cases.observed > 10
    share = np.nanmean(np.where(np.isfinite(cases.members), cases.members > 10, np.nan), axis=1)
    location, scale = predict_blocks(cases, "station and air", widened=True)
    return {
        "members": gust_ensemble.reliability_points(share, happened),
        "fitted": gust_ensemble.reliability_points(exceedance(location, scale, 10.0), happened),
    }


def by_station() -> dict[str, dict[str, float]]:
    """Return bias and error of the ensemble mean at each station."""
    cases = read_cases(CASES)
    off = cases.mean - cases.observed
    return {
        str(s): {"cases": int((cases.station == s).sum()), "bias": float(off[cases.station == s].mean()),
                 "error": float(off[cases.station == s].std())}
        for s in np.unique(cases.station)
    }  # fmt: skip


def small_samples(draws: int = 10, days: int = 30) -> list[dict[str, float]]:
    """Return the three figures on days drawn at random, fitted on the rest: how far small samples scatter."""
    cases = read_cases(CASES)
    rng = np.random.default_rng(1)
    figures = []
    for _ in range(draws):
        here = np.isin(cases.day, rng.permutation(np.unique(cases.day))[:days])
        found = gust_ensemble.summary(
            cases.take(here), *fit_with_blocks(cases.take(~here)).distribution(cases.take(here))
        )
        figures.append({k: float(found[k]) for k in ("crps_gain", "reliability_10_ratio", "coverage_80")})  # type: ignore[arg-type]
    return figures


def numbers() -> dict[str, object]:
    """Measure everything."""
    cases = read_cases(CASES)
    plain = fit_gust(cases, "plain")
    return {
        "gusts": gust_ensemble.validate(cases, None),
        "members_outside": float(
            ((cases.observed < np.nanmin(cases.members, axis=1)) | (cases.observed > np.nanmax(cases.members, axis=1))).mean()
        ),
        "days": int(np.unique(cases.day).size),
        "error_of_mean": float(np.std(cases.observed - cases.mean)),
        "plain_coefficients": {
            "location": [float(v) for v in plain.of_location], "ln_scale": [float(v) for v in plain.of_scale]
        },
        "stations": by_station(),
        "shipped_law": gust_ensemble.shipped_figures(cases),
        "reliability_at_10": points(),
        "small_samples": small_samples(),
        "windows": windows_simulated.measure(),
        "hour_to_hour": hour_to_hour(),
        "kp": kp_left_open(),
    }  # fmt: skip


def table(head: list[str], rows: list[list[object]]) -> str:
    """Return a Markdown table."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join("" if c is None else str(c) for c in row) + " |" for row in lines) + "\n"


def percent(value: float) -> str:
    """Return a share in per cent."""
    return f"{100 * value:.1f} %"


def _gusts(n: dict) -> str:
    gusts = n["gusts"]
    law = n["shipped_law"]
    ladder = gusts["ladder"]
    steps = [["members as they come", gusts["crps_raw"], gusts["raw"]["coverage_80"], gusts["raw"]["thresholds"]["10"]]]
    steps.append(
        [
            "each member with one bias and one error",
            ladder["dressed"]["crps"],
            None,
            ladder["dressed"]["thresholds"]["10"],
        ]
    )
    steps += [[f"fitted: {k}", ladder[k]["crps"], ladder[k]["coverage_80"], ladder[k]] for k in gust_ensemble.KINDS]
    rows = [
        [name, f"{crps:.3f}", percent(1 - crps / gusts["crps_raw"]), f"{b['brier']:.4f}", f"{b['reliability']:.4f}",
         f"{b['miscalibration_isotonic']:.4f}", "-" if cover is None else percent(cover)]
        for name, crps, cover, b in steps
    ]  # fmt: skip
    rows.append(
        [
            "climate of the station",
            f"{gusts['crps_climatology']:.3f}",
            percent(1 - gusts["crps_climatology"] / gusts["crps_raw"]),
            "-",
            "-",
            "-",
            "-",
        ]
    )
    thresholds = [
        [f"{t} m/s", *(f"{gusts[w]['thresholds'][t][k]:.4f}" for k in ("brier", "reliability", "resolution") for w in ("raw", "fitted")),
         f"{law[t]['brier']:.4f}", f"{law[t]['reliability']:.4f}"]
        for t in (f"{v:g}" for v in gust_ensemble.THRESHOLDS)
    ]  # fmt: skip
    stations = [[s, v["cases"], f"{v['bias']:+.2f}", f"{v['error']:.2f}"] for s, v in n["stations"].items()]
    return f"""# Evidence: how sure

Written by `python tests/validation/write_chance_evidence.py`; every number stands in [chance.json](chance.json). CRPS, Brier
score and isotonic fit are those of the packages scoringrules and scores, not ours.

## 1. Gusts of a real ensemble against stations

{gusts["cases"]} cases of a 20-member ensemble at ten stations, {n["days"]} days (data of Schulz and Lerch 2022, Monthly Weather
Review 150, MIT licence; its authors added noise to all numbers). {percent(n["members_outside"])} of the observations lie outside all
members. Every figure is of days left out: the days are cut into seven blocks in order of time, each forecast from a fit on the
other six, the widening of the scale included.

{table(["forecast", "CRPS [m/s]", "better than the members by", "Brier at 10 m/s", "its reliability term (ten bins)", "the same by isotonic fit", "80 % interval holds"], rows)}
Asked was: at least 15 % better CRPS, a reliability term of at most a third of the members' ({gusts["reliability_10_raw"] / 3:.4f}),
and 77 to 83 %. Reached: **{percent(gusts["crps_gain"])}**, **{gusts["reliability_10_ratio"]:.2f}** of the members', **{percent(gusts["coverage_80"])}**.

The fit is a normal distribution cut off at 0. Its location is linear in the ensemble mean, its scale log-linear in spread and mean;
"station" adds an offset and a slope for each, shrunk to none, "station and air" adds radiation, temperature and season.

{table(["threshold", "Brier, members", "Brier, fitted", "reliability, members", "reliability, fitted", "resolution, members", "resolution, fitted", "Brier, shipped law", "reliability, shipped law"], thresholds)}
![Reliability at 10 m/s](chance-reliability.svg)

{table(["station", "cases", "mean less observed [m/s]", "error without it [m/s]"], stations)}
"""


def _shipped_law(n: dict) -> str:
    gusts = n["gusts"]
    law = n["shipped_law"]
    ladder = gusts["ladder"]
    told = [
        [f"{t} m/s", what, law[t][kind][group]["cases"],
         *(percent(law[t][kind][group][k]) if k in law[t][kind][group] else "-" for k in ("told", "kept"))]
        for t in (f"{v:g}" for v in gust_ensemble.THRESHOLDS)
        for kind, what in (("single", "one member"), ("members", "all members"))
        for group in ("forecast_keeps",)
    ]  # fmt: skip
    small = n["small_samples"]

    def low(key: str) -> str:
        return percent(min(s[key] for s in small))

    def high(key: str) -> str:
        return percent(max(s[key] for s in small))

    return f"""### What wxfly uses without any fit

A pilot has no such training. wxfly then dresses each member with the error it ships ({law["error"]:.1f} m/s for a gust of the first day, of
which this ensemble's spread of {law["spread"]:.2f} m/s shows a part, so that {law["deviation"]:.2f} m/s are left): the last two columns. One forecast alone has the error of
one member, {law["error_of_single"]:.2f} m/s. A gust forecast below {default_error_law().rows["gust"]["low"][0]:g} m/s is held for too low, by half of what it lacks; above, where forecasts were too high here, nothing is taken off. Both were read from these very cases, so that this is no independent proof.

Where the forecast keeps the limit, what is told and what was kept (of one member each member counts as a forecast):

{table(["limit", "forecast", "cases", "told", "kept"], told)}
### What would speak against this

- One ensemble, one lead time, one climate, ten stations, one variable. Nothing here shows that the chance is right at 72 h,
  in mountains, or for rain. For those wxfly's figures are estimates, and its file `forecast_error.toml` says so one by one.
- The fit knows the stations. At a place without a record only "plain" applies: {percent(1 - ladder["plain"]["crps"] / gusts["crps_raw"])} better, reliability {ladder["plain"]["reliability"]:.4f}.
- Small samples scatter. On {len(small)} draws of 30 days, fitted on the other 70, the CRPS was {low("crps_gain")} to {high("crps_gain")} better, the
  interval held {low("coverage_80")} to {high("coverage_80")}, and the reliability term was {min(s["reliability_10_ratio"] for s in small):.2f} to {max(s["reliability_10_ratio"] for s in small):.2f} of the members'; {sum(s["reliability_10_ratio"] > 1 / 3 for s in small)} of
  the {len(small)} draws miss a third. A term of ten bins on 300 cases is mostly noise.
- Nights and seasons are pooled. See `wxfly verify` and the ledger for scores within season and time of day.

"""


def _windows(n: dict) -> str:
    windows = [
        [
            name,
            percent(w["truth"]),
            *(f"{100 * w[way]:.1f} ({100 * (w[way] - w['truth']):+.1f})" for way in windows_simulated.WAYS),
        ]
        for name, w in n["windows"].items()
    ]
    worst = max(abs(w["joint, dressed"] - w["truth"]) for w in n["windows"].values())
    worst_product = max(abs(w["product of hours"] - w["truth"]) for w in n["windows"].values())
    return f"""## 2. Windows in a simulation with a known truth

Weather that the members show, linked by 0.9 from hour to hour, and an error that they do not, linked by
{default_error_law().correlation:g}; {windows_simulated.CASES} cases each, {windows_simulated.MEMBERS} members. Shares in per cent, in brackets the difference from the truth.

{table(["setting", "truth", *windows_simulated.WAYS], windows)}
The joint chance is within **{100 * worst:.1f} points** of the truth, the product of hours up to {100 * worst_product:.0f} points away. This
shows that the counting is right, not that the weather follows such a law.

"""


def _hour_to_hour(n: dict) -> str:
    link = n["hour_to_hour"]
    return f"""## 3. How an error goes on

Reanalysis wind at hub height against a wind farm ({link["hours"]} hours, La Haute Borne 2014-2015, ENGIE, Etalab Open Licence
2.0): standard deviation {link["standard_deviation"]:.2f} m/s; correlation of the error with that of one hour before {link["after_1_h"]:.2f}, two
{link["after_2_h"]:.2f}, three {link["after_3_h"]:.2f}, six {link["after_6_h"]:.2f}. wxfly takes {default_error_law().correlation:g} for an hour, which gives {default_error_law().correlation ** 3:.2f} for three and {default_error_law().correlation ** 6:.2f} for six.

"""


def _kp(n: dict) -> str:
    kp = n["kp"]
    return f"""## 4. Kp

What the Kp of one, two and three days before leaves open (22 years to 2025): {kp["day_1"]:.2f}, {kp["day_2"]:.2f}, {kp["day_3"]:.2f} of a
standard deviation of {kp["standard_deviation"]:.2f}. A forecast leaves less open; wxfly takes these, the cautious side.
"""


def page(n: dict) -> str:
    """Write the page from the numbers."""
    return "".join(section(n) for section in (_gusts, _shipped_law, _windows, _hour_to_hour, _kp))


def main() -> None:
    """Measure and write."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the scoring libraries, for a scale far from the observation
        measured = gust_ensemble._rounded(numbers())
    assert isinstance(measured, dict)
    series = {
        name: [(p["chance"], p["happened"]) for p in measured["reliability_at_10"][name] if p["cases"] >= 10]
        for name in ("members", "fitted")
    }
    series["shipped law"] = [
        (p["chance"], p["happened"]) for p in measured["shipped_law"]["points"] if p["cases"] >= 10
    ]
    series["as told"] = [(0.0, 0.0), (1.0, 1.0)]
    picture = svg.lines(
        "Gust above 10 m/s: told and happened", "chance told", "share that happened", series, [0, 0.2, 0.4, 0.6, 0.8, 1]
    )
    PLACE.mkdir(parents=True, exist_ok=True)
    (PLACE / "chance-reliability.svg").write_text(picture, encoding="utf-8")
    (PLACE / "chance.json").write_text(json.dumps(measured, indent=1) + "\n", encoding="utf-8")
    (PLACE / "chance.md").write_text(page(measured), encoding="utf-8")


if __name__ == "__main__":
    main()
