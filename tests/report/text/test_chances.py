"""How sure an answer is, in words."""

import pytest

from wxfly.report.facts.windows import CauseFacts
from wxfly.report.text.details import causes_in_words


@pytest.mark.parametrize(
    ("causes", "words"),
    [
        (
            [CauseFacts("gust", 0.39, 0.11), CauseFacts("wind", 0.16, 0.001)],
            "gust 4 in 10 (1 in 10 on its own); wind 2 in 10 (less than 1 in 10 on its own)",
        ),
        (
            [CauseFacts("gust", 0.39, None), CauseFacts("wind", 0.16, 0.02)],
            "gust 4 in 10; wind 2 in 10 (less than 1 in 10 on its own)",
        ),
        (
            [CauseFacts("gust", None, None), CauseFacts("wind", 0.16, 0.12)],
            "wind 2 in 10 (1 in 10 on its own)",
        ),
        (
            [CauseFacts("gust", 0.39, 0.34), CauseFacts("wind", 0.03, 0.01)],
            "gust 4 in 10 (3 in 10 on its own); wind less than 1 in 10",
        ),
        ([CauseFacts("gust", None, None)], ""),
    ],
)
def test_a_share_that_is_not_known_is_left_out(causes, words):
    assert causes_in_words(causes) == words
