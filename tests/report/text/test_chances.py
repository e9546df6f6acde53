"""How sure an answer is, in words."""

import pytest

from wxfly.probability.chance import Cause, Chance
from wxfly.report.text.chances import causes_in_words

NAN = float("nan")


@pytest.mark.parametrize(
    ("causes", "words"),
    [
        ([Cause("gust", 0.39, 0.11), Cause("wind", 0.16, 0.001)], "gust 39 %, alone 11 %; wind 16 %, alone under 1 %"),
        ([Cause("gust", 0.39, NAN), Cause("wind", 0.16, 0.02)], "gust 39 %; wind 16 %, alone 2 %"),
        ([Cause("gust", NAN, NAN), Cause("wind", 0.16, 0.02)], "wind 16 %, alone 2 %"),
        ([Cause("gust", NAN, NAN)], ""),
    ],
)
def test_a_share_that_is_not_known_is_left_out(causes, words):
    assert causes_in_words(Chance(NAN, 40, False, tuple(causes))) == words
