"""How sure an answer is, in words."""

import pytest

from wxfly.report.facts.windows import CauseFacts
from wxfly.report.text.details import causes_in_words


@pytest.mark.parametrize(
    ("causes", "words"),
    [
        (
            [CauseFacts("gust", 0.39, 0.11), CauseFacts("wind", 0.16, 0.001)],
            "gust 39 %, alone 11 %; wind 16 %, alone under 1 %",
        ),
        ([CauseFacts("gust", 0.39, None), CauseFacts("wind", 0.16, 0.02)], "gust 39 %; wind 16 %, alone 2 %"),
        ([CauseFacts("gust", None, None), CauseFacts("wind", 0.16, 0.02)], "wind 16 %, alone 2 %"),
        ([CauseFacts("gust", None, None)], ""),
    ],
)
def test_a_share_that_is_not_known_is_left_out(causes, words):
    assert causes_in_words(causes) == words
