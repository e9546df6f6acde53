"""Precision of arrays: what comes in single precision may stay in it."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt


def unrepeated(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return an array with a length of one along every axis on which broadcasting repeats its values.

    Parameters
    ----------
    values : ndarray
        Any shape and unit.

    Notes
    -----
    For dear functions of each value by itself: their result is broadcast to the shape of `values` again.

    Examples
    --------
    >>> unrepeated(np.broadcast_to([1.0, 2.0], (50, 2))).shape
    (1, 2)
    """
    return values[tuple(slice(0, 1) if step == 0 else slice(None) for step in values.strides)]


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
