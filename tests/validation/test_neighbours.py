"""Members and surrounding cells earn their place on measurements, as the evidence page says."""

import numpy as np
import pytest

from tests.validation.records import SHARED
from wxfly.physics.wind.error import FACTOR, LOST_SPREAD, USUAL_SPREAD

pytestmark = pytest.mark.thorough


CASES = SHARED / "gust_ensemble" / "train.csv.gz"


@pytest.fixture(scope="module")
def neighbours():
    from tests.validation import neighbours  # with libraries of scores, which take their time to load

    return neighbours


@pytest.mark.skipif(not CASES.is_file(), reason="the measurements are not beside the checkout")
def test_members_beat_one_run_in_every_score(neighbours):
    found = neighbours.ensemble()
    one, members = found["one run"], found["members"]
    assert members["crps"] < 0.95 * one["crps"]
    assert all(members[f"brier_{limit:g}"] < one[f"brier_{limit:g}"] for limit in neighbours.LIMITS)
    assert 0.77 < members["coverage_80"] < 0.85
    assert members["gain_low"] > 0


@pytest.mark.filterwarnings("ignore")
def test_the_shipped_widening_is_that_of_the_mast_and_mends_the_hours_of_largest_spread(neighbours):
    found = neighbours.mast()
    if found is None:
        pytest.skip("the mast and its cells are not there: python tests/validation/get_brightwind.py")
    assert found["usual_spread"] == pytest.approx(USUAL_SPREAD, abs=0.01)
    assert found["spread_99"] == pytest.approx(LOST_SPREAD, abs=0.1)
    for cell in neighbours.CELLS:
        before, after = (found[cell][f"widened by {factor:g}"] for factor in (0, FACTOR))
        assert after["crps"] < before["crps"]
        assert before["coverage_by_spread"][-1] < 0.75 < 0.79 < after["coverage_by_spread"][-1]
        assert np.isclose(before["coverage_by_spread"][0], after["coverage_by_spread"][0], atol=0.005)
