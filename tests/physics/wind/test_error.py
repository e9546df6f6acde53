"""What the spread of surrounding cells adds to an error: never less than nothing, and most where it is lost."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from wxfly.physics.wind.error import LOST_SPREAD, USUAL_SPREAD, deviation_from_spread

SPREADS = st.floats(0.0, 30.0)


@given(SPREADS, SPREADS)
def test_more_spread_adds_more_and_the_usual_adds_nothing(one, other):
    low, high = deviation_from_spread(sorted([one, other]))
    assert 0.0 <= low <= high
    assert (low == 0.0) or max(one, other) > USUAL_SPREAD
    assert deviation_from_spread(USUAL_SPREAD) == 0.0


@given(st.floats(0.0, LOST_SPREAD))
def test_a_lost_spread_adds_as_much_as_any_up_to_it(spread):
    assert deviation_from_spread(np.nan) >= deviation_from_spread(spread)
