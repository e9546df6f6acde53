"""Formulas of the check values that wxfly itself does not need: comfort."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.air.comfort import _BEAUFORT, Array


def beaufort_lower_bound(force: npt.ArrayLike) -> Array:
    """Return the least wind of a Beaufort force, 0 to 12 [m s-1]; NaN for NaN."""
    f = np.asarray(force, dtype=float)
    bounds = np.concatenate([[0.0], _BEAUFORT])
    index = np.clip(np.where(np.isnan(f), 0, f).astype(int), 0, 12)
    return np.asarray(np.where(np.isnan(f), np.nan, bounds[index]))
