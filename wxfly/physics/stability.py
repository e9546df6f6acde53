"""Stability of the surface layer: how the wind profile bends away from the plain logarithm.

The Obukhov length L says how strongly: positive in stable air, negative in unstable air, infinite in neutral air.

References
----------
[Beljaars-Holtslag-1991] Beljaars, A. C. M. and Holtslag, A. A. M. (1991): Flux parameterization over land
    surfaces for atmospheric models. J. Appl. Meteorol. 30, 327-341.
[Dyer-1974] Dyer, A. J. (1974): A review of flux-profile relationships. Boundary-Layer Meteorol. 7, 363-372.
[Paulson-1970] Paulson, C. A. (1970): The mathematical representation of wind speed and temperature profiles
    in the unstable atmospheric surface layer. J. Appl. Meteorol. 9, 857-861.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

GAMMA = 16.0
"""Constant of the unstable gradient function, [Dyer-1974]."""


def momentum_stability_correction(height_over_obukhov_length: npt.ArrayLike) -> Array:
    """Give the integrated stability correction of the wind profile, psi of zeta = z/L.

    Parameters
    ----------
    height_over_obukhov_length : array_like
        Any shape [1]; positive stable, negative unstable, 0 neutral. Fitted on -2 to 10.

    Returns
    -------
    ndarray
        The same shape [1]; 0 for neutral air, negative for stable. NaN in, NaN out.

    Notes
    -----
    Unstable: [Paulson-1970] with [Dyer-1974]. Stable: [Beljaars-Holtslag-1991] with a = 1, b = 0.667, c = 5,
    d = 0.35, which does not run away as -5 zeta does beyond zeta = 1.
    """
    zeta = np.asarray(height_over_obukhov_length, dtype=float)
    unstable, stable = np.minimum(zeta, 0.0), np.maximum(zeta, 0.0)
    x = np.sqrt(np.sqrt(1.0 - GAMMA * unstable))
    psi_unstable = 2 * np.log((1 + x) / 2) + np.log((1 + x * x) / 2) - 2 * np.arctan(x) + np.pi / 2
    a, b, c, d = 1.0, 0.667, 5.0, 0.35
    psi_stable = -(a * stable + b * (stable - c / d) * np.exp(-d * stable) + b * c / d)
    return np.asarray(np.where(zeta < 0, psi_unstable, psi_stable))
