"""How steady an answer is from run to run: when to stay with an earlier choice, and how much an answer jumps.

References
----------
[Griffiths2019] Griffiths, D., Foley, M., Ioannou, I. and Leeuwenburg, T. (2019): Flip-Flop Index: Quantifying
    revision stability for fixed-event forecasts. Meteorological Applications 26 (cited from memory; the formula is that
    of `flip_flop_index` of the Python package scores 2.7.0).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

KEEP_STEP = 0.10
"""The chosen window is kept unless another is better by more than this chance: an estimate of ours."""


def keeps_choice(chosen: float, best: float, step: float = KEEP_STEP) -> bool:
    """Tell whether to stay with the window chosen before: unless another has gained more than a step on it.

    Parameters
    ----------
    chosen, best : float
        Chance of the window chosen before and of the best one now; a chosen one that is not known is not kept.
    step : float, optional
        [1]
    """
    return best - chosen <= step


def jumpiness(values: npt.ArrayLike) -> float:
    """Tell how much an answer went to and fro over the runs, [Griffiths2019].

    Parameters
    ----------
    values : array_like
        The chance of the same hour from run to run, at least three.

    Returns
    -------
    float
        ``(sum of |change| - range) / (N - 2)``; 0 for one that only rose or only fell; NaN for fewer than three.
    """
    told = np.asarray(values, dtype=float)
    if told.size < 3:
        return float("nan")
    return float((np.abs(np.diff(told)).sum() - (told.max() - told.min())) / (told.size - 2))
