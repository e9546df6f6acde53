"""What would change an answer, and what became of the one before: values that a briefing carries."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from wxfly.windows import Window


@dataclass(frozen=True)
class Change:
    """One change, and the window it would make or the element it would break.

    Attributes
    ----------
    kind : str
        ``lower``: fly lower; ``shorter``: fly for less time; ``aircraft``: take another; ``day``: another day;
        ``more``: so much more of an element would break the best window.
    window : Window or None
        What would then hold; None for ``more``.
    height : float
        For ``lower`` [m].
    aircraft : str
        Title, for ``aircraft``.
    element : str
        For ``more``.
    amount : float
        For ``more``, in the element's SI unit.
    """

    kind: Literal["lower", "shorter", "aircraft", "day", "more"]
    window: Window | None = None
    height: float = np.nan
    aircraft: str = ""
    element: str = ""
    amount: float = np.nan


@dataclass(frozen=True)
class Choice:
    """The window chosen in the run before, and what became of it.

    Attributes
    ----------
    verdict : str
        ``same``: the best window is still around it; ``kept``: another would be better, by too little to change;
        ``left``: another has gained more than that; ``gone``: it does not hold any more.
    run : str
        Start of that run.
    start, end : numpy.datetime64
        Of the chosen stretch, UTC.
    chance, best : float
        Of the chosen stretch and of the best one, now; NaN where they do not matter.
    """

    verdict: Literal["same", "kept", "left", "gone"]
    run: str
    start: np.datetime64
    end: np.datetime64
    chance: float = np.nan
    best: float = np.nan
