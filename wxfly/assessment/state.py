"""The states of an hour, one row each: its word, and from which margin on it is given."""

from __future__ import annotations

from collections.abc import Callable
from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt


class State(IntEnum):
    """The states of an hour, from worst to best; its number in data is its place here.

    A state has its word in reports and the least margin that it takes, by the reserve that the pilot wants left.
    """

    NOT_KNOWN = "not known", lambda reserve: np.nan
    OUTSIDE = "outside", lambda reserve: -np.inf
    NARROW = "narrow", lambda reserve: 0.0
    INSIDE = "inside", lambda reserve: reserve

    words: str
    least_margin: Callable[[float], float]

    if not TYPE_CHECKING:  # a checker would take it for the way to find a state by its number

        def __new__(cls, words: str, least_margin: Callable[[float], float]) -> State:
            """Number the rows in their order."""
            state = int.__new__(cls, len(cls.__members__))
            state._value_, state.words, state.least_margin = len(cls.__members__), words, least_margin
            return state


BEST_FIRST = tuple(reversed(State))
STATE_WORDS = tuple(state.words for state in BEST_FIRST)


def state_of(margin: npt.ArrayLike, reserve: float) -> npt.NDArray[np.int8]:
    """Return the state by the margin alone; not known where that is NaN."""
    margin = np.asarray(margin, dtype=float)
    found = np.full(margin.shape, State.NOT_KNOWN, dtype=np.int8)
    for state in reversed(BEST_FIRST):
        found[margin >= state.least_margin(reserve)] = state
    return found
