"""Statements that may be true, false or unknown, and grades of risk derived from them.

Every risk in wxfly combines several pieces of evidence. Each piece is a statement about one value; where the
value is missing, the statement is unknown. The three-valued logic of Kleene (1938) combines the statements: an
unknown part never makes the result more certain. A grade derived from them is therefore **monotone under
deletion**: when a value is removed, it stays the same, gets worse or becomes unknown.

References
----------
[Kleene-1938] Kleene, S. C.: On notation for ordinal numbers. J. Symbolic Logic 3, 150-155.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from wxfly.physics.arrays import floating

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

NONE, POSSIBLE, LIKELY = 0, 1, 2


class Statement(NamedTuple):
    """A statement that is true (`certain`), false (not `possible`) or unknown (possible, not certain)."""

    possible: Flags
    certain: Flags

    def __and__(self, other: Statement) -> Statement:
        """Both are true."""
        return Statement(self.possible & other.possible, self.certain & other.certain)

    def __or__(self, other: Statement) -> Statement:
        """At least one is true."""
        return Statement(self.possible | other.possible, self.certain | other.certain)

    def __invert__(self) -> Statement:
        """The statement is not true."""
        return Statement(~self.certain, ~self.possible)

    def unless_known(self, excluded: Statement) -> Statement:
        """Return the statement, made false where it is unknown and `excluded` is certain."""
        return Statement(self.possible & (self.certain | ~excluded.certain), self.certain)


def statement(flags: npt.ArrayLike, *values: npt.ArrayLike) -> Statement:
    """Return the statement of a comparison; it is unknown where any of the values is missing.

    Parameters
    ----------
    flags : array_like of bool
        Result of the comparison.
    *values : array_like
        The values compared; NaN is missing.
    """
    holds = np.asarray(flags, dtype=bool)
    gone = [here for value in values if (here := np.isnan(floating(value))).any()]
    if not gone:  # the same array twice: who reads them makes new ones
        whole = np.broadcast_to(holds, np.broadcast_shapes(holds.shape, *(np.shape(v) for v in values)))
        return Statement(whole, whole)
    missing = gone[0] if len(gone) == 1 else np.logical_or.reduce(np.broadcast_arrays(*gone))
    return Statement(holds | missing, holds & ~missing)


def grade(possible: Statement, likely: Statement) -> Array:
    """Return the grade of a risk from the rules for its two grades.

    Parameters
    ----------
    possible, likely : Statement
        Whether a rule for the grade applies.

    Returns
    -------
    ndarray
        0 none, 1 possible, 2 likely, NaN unknown. Where missing values leave two neighbouring grades open, it
        is the worse one. Where they leave everything from none to likely open, it is NaN.
    """
    worst = np.where(likely.possible, LIKELY, np.where(possible.possible, POSSIBLE, NONE))
    best = np.where(likely.certain, LIKELY, np.where(possible.certain, POSSIBLE, NONE))
    return np.asarray(np.where(worst - best > 1, np.nan, worst.astype(float)))


POSSIBLE_FROM, LIKELY_ABOVE = 0.1, 0.5
"""Chances from which a risk is possible, and above which it is likely [1]. Common practice, no source."""


def grade_of_chance(chance: npt.ArrayLike) -> Array:
    """Return the grade of a risk whose chance is known: 0 none, 1 possible, 2 likely; NaN stays NaN.

    Parameters
    ----------
    chance : array_like
        0 to 1.
    """
    told = floating(chance)
    graded = np.where(told > LIKELY_ABOVE, np.int8(LIKELY), (told >= POSSIBLE_FROM).view(np.int8))
    return np.asarray(graded + 0.0 * told)  # NaN stays NaN
