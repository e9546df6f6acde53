"""How sure an answer is, in words."""

import pytest

from wxfly.report.facts.windows import CauseFacts
from wxfly.report.text.details import causes_in_words


@pytest.mark.parametrize(
    ("causes", "words"),
    [
        (
            [CauseFacts("gust", 0.39, 0.11), CauseFacts("wind", 0.16, 0.001)],
            "gust 39 % (11 % on its own); wind 16 % (under 1 % on its own)",
        ),
        ([CauseFacts("gust", 0.39, None), CauseFacts("wind", 0.16, 0.02)], "gust 39 %; wind 16 % (2 % on its own)"),
        ([CauseFacts("gust", None, None), CauseFacts("wind", 0.16, 0.02)], "wind 16 % (2 % on its own)"),
        ([CauseFacts("gust", None, None)], ""),
    ],
)
def test_a_share_that_is_not_known_is_left_out(causes, words):
    assert causes_in_words(causes) == words
