"""How much the cells of a model around a place widen the error of its wind.

Where neighbouring cells differ, at coasts and ridges above all, the one cell that answers for a place says less of it.
The law widens an error and never narrows it: its variance gains `FACTOR` times what the spread squared is over its
usual value, which the usual error contains already.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

FACTOR = 2.0
"""Fitted on the even fortnights of a mast of 80 m among four cells of a reanalysis, scored on the odd ones: an 80 %
interval then holds 80 to 85 % of the tenth of hours with the largest spread, 67 to 74 % without
(``docs/evidence/neighbours.md``). Measured for the wind; taken for the gust too, an estimate of ours."""
USUAL_SPREAD = 0.8
"""Root mean square of the spread in those fortnights [m s-1]."""
LOST_SPREAD = 2.2
"""Taken where the spread is lost [m s-1]: larger than in 99 of 100 of those hours."""


def deviation_from_spread(spread: npt.ArrayLike) -> Array:
    """Return the standard deviation that the spread of surrounding cells adds to the error of the wind.

    Parameters
    ----------
    spread : array_like
        Standard deviation of wind or gust over the cells [m s-1]; any shape. One that is missing counts as
        `LOST_SPREAD`, because a loss must not make an hour surer.

    Returns
    -------
    ndarray
        [m s-1], of the shape of `spread`.

    Examples
    --------
    >>> deviation_from_spread([0.5, 1.0, 2.0]).round(2).tolist()
    [0.0, 0.85, 2.59]
    """
    known = np.asarray(spread, dtype=float)
    known = np.where(np.isnan(known), LOST_SPREAD, known)
    return np.asarray(np.sqrt(FACTOR * np.maximum(known**2 - USUAL_SPREAD**2, 0.0)))
