"""Formulas for check values that wxfly itself does not use: comfort."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics import MELTING_POINT
from wxfly.physics.air.comfort import _BEAUFORT, Array, _rothfusz


def beaufort_lower_bound(force: npt.ArrayLike) -> Array:
    """Return the least wind of a Beaufort force, 0 to 12 [m s-1]; NaN for NaN."""
    f = np.asarray(force, dtype=float)
    bounds = np.concatenate([[0.0], _BEAUFORT])
    index = np.clip(np.where(np.isnan(f), 0, f).astype(int), 0, 12)
    return np.asarray(np.where(np.isnan(f), np.nan, bounds[index]))


def heat_index_by_regression(air_temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike) -> Array:
    """Return the heat index [K] by the regression alone, from which the US weather service's printed chart was made."""
    t = (np.asarray(air_temperature, dtype=float) - MELTING_POINT) * 1.8 + 32.0
    return np.asarray((_rothfusz(t, np.asarray(relative_humidity, dtype=float) * 100.0) - 32.0) / 1.8 + MELTING_POINT)
