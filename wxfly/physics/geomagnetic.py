"""Kp at a place: geomagnetic latitude, the edge of the aurora, and from which Kp on wxfly advises against flying.

A disturbed ionosphere worsens satellite positioning, first and most near the auroral oval. No source gives
metres of error for a Kp and a latitude, so wxfly promises none.

References
----------
[NOAA-aurora] NOAA Space Weather Prediction Center, tips on viewing the aurora: geomagnetic latitude to which
    the aurora reaches by Kp.
[NOAA-scales] NOAA space weather scales: geomagnetic storms G1 to G5.
[IGRF-14] International Geomagnetic Reference Field, 14th generation: dipole pole of 2025.
[Andalsvik-2014] Andalsvik, Y. L., Jacobsen, K. S. (2014): precise positioning disturbed for hours in northern
    Norway at a largest Kp of 4.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

DIPOLE_POLE = (80.789, -72.763)
"""Latitude and longitude of the northern dipole pole, 2025.0 [degree] [IGRF-14]."""

_KP = np.arange(10.0)
_BOUNDARY = np.array([66.5, 64.5, 62.4, 60.4, 58.3, 56.3, 54.2, 52.2, 50.1, 48.1])

NEAR_BOUNDARY = 5.0
"""Within so many degrees equatorward of the boundary the risk is moderate. Common practice, no source."""
LOWEST_LIMIT = 5.0
"""wxfly advises against flying at no Kp up to this: [NOAA-scales] start their storms at Kp 5."""
HIGHEST_KP = 9.0


def dipole_latitude(latitude: npt.ArrayLike, longitude: npt.ArrayLike) -> Array:
    """Give the latitude in the centred dipole of 2025.

    Parameters
    ----------
    latitude, longitude : array_like
        [degree], broadcast.

    Returns
    -------
    ndarray
        [degree]. Up to 6 degrees nearer to the pole than the latitude of the real field in western Europe.
    """
    phi, lam = np.radians(np.asarray(latitude, dtype=float)), np.asarray(longitude, dtype=float)
    pole = np.radians(DIPOLE_POLE[0])
    sine = np.sin(phi) * np.sin(pole) + np.cos(phi) * np.cos(pole) * np.cos(np.radians(lam - DIPOLE_POLE[1]))
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))))


def geomagnetic_latitude(latitude: npt.ArrayLike, longitude: npt.ArrayLike) -> Array:
    """Give the geomagnetic latitude by which aurora and Kp are judged.

    Parameters
    ----------
    latitude, longitude : array_like
        [degree], broadcast.

    Returns
    -------
    ndarray
        [degree], negative in the south.
    """
    return dipole_latitude(latitude, longitude)


def auroral_boundary(kp: npt.ArrayLike) -> Array:
    """Give the geomagnetic latitude down to which the aurora reaches.

    Parameters
    ----------
    kp : array_like
        0 to 9; between whole numbers linear.

    Returns
    -------
    ndarray
        [degree], [NOAA-aurora].
    """
    return np.asarray(np.interp(np.asarray(kp, dtype=float), _KP, _BOUNDARY))


def kp_risk(kp: npt.ArrayLike, geomagnetic_latitude: npt.ArrayLike) -> Array:
    """Give the risk of disturbed satellite positioning.

    Parameters
    ----------
    kp : array_like
        0 to 9.
    geomagnetic_latitude : array_like
        [degree], broadcast.

    Returns
    -------
    ndarray
        0 low, 1 moderate, 2 high, NaN not known. High inside the oval; moderate within 5 degrees of it. At
        least moderate everywhere from Kp 7 (G3, intermittent satellite navigation problems), high above 40
        degrees from Kp 8 (G4, degraded for hours) [NOAA-scales].
    """
    k, lat = np.broadcast_arrays(
        np.asarray(kp, dtype=float), np.abs(np.asarray(geomagnetic_latitude, dtype=float))
    )
    margin = lat - auroral_boundary(k)
    high = (margin >= 0) | ((k >= 8) & (lat > 40))
    moderate = (margin >= -NEAR_BOUNDARY) | (k >= 7)
    risk = np.where(high, 2.0, np.where(moderate, 1.0, 0.0))
    return np.asarray(np.where(np.isnan(k) | np.isnan(lat), np.nan, risk))


def kp_limit(geomagnetic_latitude: npt.ArrayLike) -> Array:
    """Give the Kp above which wxfly advises against flying.

    Parameters
    ----------
    geomagnetic_latitude : array_like
        [degree].

    Returns
    -------
    ndarray
        5 to 9. The Kp at which the auroral boundary [NOAA-aurora] reaches the place; at most 8 above 40
        degrees of geomagnetic latitude (G4) and 9, the end of the scale, below. Not less than 5 anywhere: the
        [NOAA-scales] name no effect below Kp 5, and what was found in the oval at Kp 4 concerns positions to
            the centimetre
        [Andalsvik-2014], which a camera flight by sight does not need.
    """
    lat = np.abs(np.asarray(geomagnetic_latitude, dtype=float))
    reached = np.interp(lat, _BOUNDARY[::-1], _KP[::-1])
    limit = np.clip(reached, LOWEST_LIMIT, np.where(lat > 40, 8.0, HIGHEST_KP))
    return np.asarray(np.where(np.isnan(lat), np.nan, limit))


def g_scale(kp: npt.ArrayLike) -> Array:
    """Give the NOAA geomagnetic storm scale.

    Parameters
    ----------
    kp : array_like
        0 to 9.

    Returns
    -------
    ndarray
        0 below Kp 5, else 1 to 5; G4 spans Kp 8 to 9- and G5 is Kp 9 alone [NOAA-scales]. NaN for NaN.
    """
    k = np.asarray(kp, dtype=float)
    # Kp comes in thirds, rounded to 2 or 3 digits: 4.67 is 5-, which does not reach 5.
    scale = np.clip(np.floor(k + 0.01) - 4, 0, 5)
    return np.asarray(np.where(np.isnan(k), np.nan, scale))
