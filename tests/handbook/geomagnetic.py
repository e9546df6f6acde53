"""Formulas for check values that wxfly itself does not use: geomagnetic."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.geomagnetic import _BOUNDARY, _KP, Array

DIPOLE_POLE = (80.789, -72.763)
"""Latitude and longitude of the northern dipole pole, 2025.0 [degree] [IGRF-14]."""


def dipole_latitude(latitude: npt.ArrayLike, longitude: npt.ArrayLike) -> Array:
    """Return the latitude in the centred dipole of 2025.

    Parameters
    ----------
    latitude, longitude : array_like
        [degree], broadcast.

    Returns
    -------
    ndarray
        [degree]. In western Europe up to 6 degrees closer to the pole than the latitude in the real field.
    """
    phi, lam = np.radians(np.asarray(latitude, dtype=float)), np.asarray(longitude, dtype=float)
    pole = np.radians(DIPOLE_POLE[0])
    sine = np.sin(phi) * np.sin(pole) + np.cos(phi) * np.cos(pole) * np.cos(np.radians(lam - DIPOLE_POLE[1]))
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))))


def auroral_boundary(kp: npt.ArrayLike) -> Array:
    """Return the geomagnetic latitude down to which the aurora reaches.

    Parameters
    ----------
    kp : array_like
        0 to 9; linear between whole numbers.

    Returns
    -------
    ndarray
        [degree], [NOAA-aurora].
    """
    return np.asarray(np.interp(np.asarray(kp, dtype=float), _KP, _BOUNDARY))


_AP = (
    0, 2, 3, 4, 5, 6, 7, 9, 12, 15, 18, 22, 27, 32, 39, 48, 56, 67, 80, 94, 111, 132, 154, 179, 207, 236, 300,
    400,
)  # fmt: skip


def ap_from_kp(kp: npt.ArrayLike) -> Array:
    """Return the linear index ap that belongs to a Kp.

    Parameters
    ----------
    kp : array_like
        0 to 9 in thirds, as 4.667 or 4.67 for 5-.

    Returns
    -------
    ndarray
        [2 nT], by Bartels' table [Matzka-2021]; NaN where Kp is missing or outside 0 to 9.
    """
    k = np.asarray(kp, dtype=float)
    known = (k >= -0.1) & (k <= 9.1)
    thirds = np.clip(np.rint(np.where(known, k, 0.0) * 3).astype(int), 0, len(_AP) - 1)
    return np.asarray(np.where(known, np.asarray(_AP, dtype=float)[thirds], np.nan))
