"""Parameters of which a spread belongs to the quick half of the suite and the rest to the thorough one."""

from collections.abc import Iterable

import pytest


def spread(values: Iterable, step: int) -> list:
    """Leave every `step`-th value to the quick half, the first among them; mark the others as thorough."""
    return [
        value
        if position % step == 0
        else pytest.param(*(value if isinstance(value, tuple) else (value,)), marks=pytest.mark.thorough)
        for position, value in enumerate(values)
    ]
