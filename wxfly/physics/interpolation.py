"""Interpolation by cubics between even points."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def cubic_weights(x: npt.ArrayLike) -> tuple[Array, Array, Array, Array]:
    """Give the weights of four even points for the cubic through them.

    Parameters
    ----------
    x : array_like
        Place between the second point (0) and the third (1) [1].

    Returns
    -------
    tuple of ndarray
        Weights of the points at -1, 0, 1 and 2: Lagrange's polynomials. They add up to 1.
    """
    x = np.asarray(x, dtype=float)
    return (
        np.asarray(-x * (x - 1) * (x - 2) / 6),
        np.asarray((x + 1) * (x - 1) * (x - 2) / 2),
        np.asarray(-(x + 1) * x * (x - 2) / 2),
        np.asarray((x + 1) * x * (x - 1) / 6),
    )
