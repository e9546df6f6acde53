"""An answer is said in few words; the rest stands behind ``--more``."""

import pytest

from tests.halves import spread
from tests.word_counts import CASES, answer_of, count


@pytest.mark.parametrize("name", CASES)
def test_an_answer_is_said_in_few_words(name):
    most = CASES[name][0]
    assert count(name) < most
    about = [line.about for line in answer_of(name).verdict.lines]
    assert len([a for a in about if a not in ("day", "site")]) <= 5


@pytest.mark.parametrize("name", spread(list(CASES), 3))
def test_all_else_stands_behind_more(name):
    assert count(name, more=True) > 4 * count(name)
