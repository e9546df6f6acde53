"""The gust validation reaches what was asked, and runs as it is documented."""

import json
import subprocess
import sys
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

ROOT = Path(__file__).resolve().parents[2]
TRAIN = ROOT.parent / "shared" / "data" / "gust_ensemble" / "train.csv.gz"
needs_data = pytest.mark.skipif(not TRAIN.exists(), reason="the measurements are not beside the checkout")


@pytest.fixture(scope="module")
def cases():
    from tests.validation.gust_fit import read_cases  # with libraries of scores, which take their time to load

    return read_cases(TRAIN)


@pytest.fixture(scope="module")
def figures(cases):
    from tests.validation import gust_ensemble
    from tests.validation.gust_fit import predict_blocks

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the scoring libraries
        return gust_ensemble.summary(cases, *predict_blocks(cases, "station and air", widened=True))


@pytest.mark.thorough
@needs_data
def test_blocks_of_days_left_out(figures):
    assert figures["crps_gain"] >= 0.15
    assert figures["reliability_10_ratio"] <= 1 / 3
    assert 0.77 <= figures["coverage_80"] <= 0.83
    assert figures["coverage_80_raw"] < 0.5  # the members alone are far too sure


@needs_data
def test_no_day_is_in_two_blocks(cases):
    from tests.validation.gust_fit import blocks_of

    block = blocks_of(cases, 7)
    assert all(len(set(block[cases.day == day])) == 1 for day in np.unique(cases.day))
    assert len(set(block)) == 7


@needs_data
def test_a_station_that_was_not_in_the_training_has_no_offset(cases):
    from tests.validation.gust_fit import fit_gust

    fitted = fit_gust(cases.take(cases.station != 10), "station and air")
    location, scale = fitted.distribution(cases.take(cases.station == 10))
    assert np.isfinite(location).all()
    assert (scale > 0.3).all()


def make_file(path, days=12, members=5, seed=0):
    rng = np.random.default_rng(seed)
    rows = []
    for day in range(days):
        for station in (1, 2, 3):
            mean = rng.uniform(5, 13)
            ensemble = mean + rng.normal(0, 1, members)
            rows.append([station, mean + rng.normal(0, 2), day / days, 280.0, 100.0, *ensemble])
    names = ["location", "obs", "yday", "TD_2M_mean", "ASOB_S_mean", *(f"ens_{i}" for i in range(1, members + 1))]
    pd.DataFrame(rows, columns=names).to_csv(path)
    return path


@pytest.mark.thorough
def test_the_command_prints_one_object_for_any_files_of_the_same_columns(tmp_path):
    train, test = make_file(tmp_path / "a.csv.gz", days=14), make_file(tmp_path / "b.csv.gz", days=6, seed=1)
    done = subprocess.run(
        [sys.executable, "tests/validation/gust_ensemble.py", str(train), str(test)],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    found = json.loads(done.stdout)
    assert found["cases"] == 18
    assert found["blocks"]["cases"] == 42
    for key in ("crps_raw", "crps", "crps_gain", "reliability_10", "reliability_10_raw", "coverage_80"):
        assert isinstance(found[key], float)


def test_a_file_without_observations_is_refused(tmp_path):
    path = tmp_path / "none.csv.gz"
    from tests.validation.gust_fit import read_cases

    pd.DataFrame({"location": [1], "ens_1": [3.0]}).to_csv(path)
    with pytest.raises(SystemExit, match="obs"):
        read_cases(path)
