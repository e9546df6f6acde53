"""Precision of arrays: what comes in single precision may stay in it."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt


def floating(values: npt.ArrayLike) -> npt.NDArray[Any]:
    """Return an array of floating point: float32 stays as it is, everything else becomes float64.

    Parameters
    ----------
    values : array_like
        Any shape and unit.

    Notes
    -----
    For functions of a few smooth steps, in which single precision loses some millionths of the value. Grids then take
    half the memory, and their powers and exponentials a fraction of the time.

    Examples
    --------
    >>> floating(np.float32([1.5])).dtype, floating(2).dtype
    (dtype('float32'), dtype('float64'))
    """
    array = np.asarray(values)
    return array if array.dtype == np.float32 else np.asarray(array, dtype=float)
