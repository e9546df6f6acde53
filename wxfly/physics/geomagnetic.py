"""Kp at a place: geomagnetic latitude, the auroral boundary, and the Kp above which wxfly advises against flying.

A disturbed ionosphere makes satellite positioning worse, first and most near the auroral oval. No source gives the
error in metres for a Kp and a latitude, so wxfly states none.

References
----------
[NOAA-aurora] NOAA Space Weather Prediction Center, tips on viewing the aurora: the geomagnetic latitude that the
    aurora reaches at each Kp.
[NOAA-scales] NOAA space weather scales: geomagnetic storms G1 to G5.
[AACGM] Shepherd, S. G. (2014): Altitude-adjusted corrected geomagnetic coordinates (AACGM-v2). J. Geophys.
    Res. Space Phys. 119, 7501-7521; through the package aacgmv2 2.7.1.
[IGRF-14] International Geomagnetic Reference Field, 14th generation: dipole pole of 2025.
[Matzka-2021] Matzka, J. et al. (2021): The geomagnetic Kp index and derived indices of geomagnetic activity.
    Space Weather 19, e2020SW002641.
[Andalsvik-2014] Andalsvik, Y. L., Jacobsen, K. S. (2014): precise positioning was disturbed for hours in northern
    Norway while Kp was at most 4.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


_KP = np.arange(10.0)
_BOUNDARY = np.array([66.5, 64.5, 62.4, 60.4, 58.3, 56.3, 54.2, 52.2, 50.1, 48.1])

LOWEST_HIGH = 5.0
"""The risk is never high below this Kp: storms of the [NOAA-scales] start at Kp 5."""
HIGHEST_MODERATE = 7.0
"""From this Kp (G3) the risk is at least moderate everywhere [NOAA-scales]."""
MIDDLE_LATITUDE = 40.0
"""Beyond this geomagnetic latitude [degree] the risk is high from Kp 8. By the [NOAA-scales] the aurora of G4 is seen
down to 45 degrees and that of G5 down to 40 degrees."""
_ROUNDING = 0.005
HIGHEST_KP = 9.0


def geomagnetic_latitude(latitude: npt.ArrayLike, longitude: npt.ArrayLike) -> Array:
    """Return the geomagnetic latitude that determines the effect of Kp.

    Parameters
    ----------
    latitude, longitude : array_like
        [degree], broadcast.

    Returns
    -------
    ndarray
        [degree], negative in the south: [AACGM] of 2025 at 110 km, interpolated by cubics in a shipped grid of 5 by
        10 degrees. It is within 0.04 degree of AACGM from 30 to 80 degrees, and within 0.8 degree closer to the
        magnetic poles. The field changes it by up to 0.1 degree in a year. Within about 20 degrees of the magnetic
        equator AACGM is not defined everywhere, and the grid is filled in.
    """
    lat, lon = np.broadcast_arrays(np.asarray(latitude, dtype=float), np.asarray(longitude, dtype=float))
    grid = _grid()
    rows, columns = grid.shape
    known = np.isfinite(lat) & np.isfinite(lon)
    row = (np.where(known, np.clip(lat, -90, 90), 0.0) + 90) / 180 * (rows - 1)
    column = ((np.where(known, lon, 0.0) + 180) % 360) / 360 * columns
    i = np.clip(row.astype(int), 1, rows - 3)
    j = column.astype(int)
    across, along = cubic_weights(row - i), cubic_weights(column - j)
    result = np.zeros(lat.shape)
    for m in range(4):
        for n in range(4):
            result = result + across[m] * along[n] * grid[i + m - 1, (j + n - 1) % columns]
    return np.asarray(np.where(known, result, np.nan))


@lru_cache(maxsize=1)
def _grid() -> Array:
    """Return the shipped grid: rows from south to north, columns eastward from -180 degrees."""
    text = (files("wxfly") / "data" / "magnetic_latitude.csv").read_text(encoding="ascii")
    lines = [line for line in text.splitlines() if not line.startswith("#")][1:]
    return np.array([[float(value) for value in line.split(",")[1:]] for line in lines])


def kp_risk(kp: npt.ArrayLike, geomagnetic_latitude: npt.ArrayLike) -> Array:
    """Return the risk of disturbed satellite positioning.

    Parameters
    ----------
    kp : array_like
        0 to 9.
    geomagnetic_latitude : array_like
        [degree], broadcast.

    Returns
    -------
    ndarray
        0 low, 1 moderate, 2 high, NaN unknown. High above `kp_limit`, so that risk and verdict agree. Moderate within
        one whole Kp below the first high one (one step of the storm scale; common practice, no source), and everywhere
        from Kp 7 (G3, intermittent satellite navigation problems) [NOAA-scales].
    """
    k, lat = np.broadcast_arrays(np.asarray(kp, dtype=float), np.abs(np.asarray(geomagnetic_latitude, dtype=float)))
    moderate = k >= np.minimum(_first_high(lat) - 1.0, HIGHEST_MODERATE) - _ROUNDING
    risk = np.where(k > kp_limit(lat), 2.0, np.where(moderate, 1.0, 0.0))
    return np.asarray(np.where(np.isnan(k) | np.isnan(lat), np.nan, risk))


def kp_limit(geomagnetic_latitude: npt.ArrayLike) -> Array:
    """Return the highest Kp at which the risk is not yet high; above it wxfly advises against flying.

    Parameters
    ----------
    geomagnetic_latitude : array_like
        [degree].

    Returns
    -------
    ndarray
        In thirds of Kp, 4.67 (5-) to 8.67 (9-): the last third below the Kp at which the auroral boundary reaches the
        place [NOAA-aurora]. That Kp is limited to at least 5 (G1, where the [NOAA-scales] begin), at most 8 beyond 40
        degrees (G4, satellite navigation degraded for hours) and at most 9 elsewhere (G5, degraded for days). The
        disturbance found in the oval at Kp 4 concerns positioning to a centimetre [Andalsvik-2014], which a camera
        flight in sight does not need.
    """
    lat = np.abs(np.asarray(geomagnetic_latitude, dtype=float))
    # Kp comes in thirds, rounded to 2 or 3 digits: 7.67 and 7.667 are both 8-, the last third below 8.
    limit = (np.ceil(3 * _first_high(lat) - _ROUNDING) - 1) / 3 + _ROUNDING
    return np.asarray(np.where(np.isnan(lat), np.nan, limit))


def _first_high(latitude: Array) -> Array:
    """Return the Kp from which the risk is high at a northern geomagnetic latitude [degree]."""
    reaches = np.interp(latitude, _BOUNDARY[::-1], _KP[::-1])
    return np.asarray(np.clip(reaches, LOWEST_HIGH, np.where(latitude > MIDDLE_LATITUDE, 8.0, HIGHEST_KP)))


def g_scale(kp: npt.ArrayLike) -> Array:
    """Return the NOAA geomagnetic storm scale.

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


def describe_kp(kp: float, geomagnetic_latitude: float) -> str:
    """Return Kp at a place in words, without an error in metres.

    Parameters
    ----------
    kp : float
        0 to 9; NaN unknown.
    geomagnetic_latitude : float
        [degree].

    Returns
    -------
    str
        One line for a pilot.
    """
    risk = float(kp_risk(kp, geomagnetic_latitude))
    if np.isnan(risk):
        return "Kp not known: watch the number of satellites and the position hold before going far"
    storm = int(g_scale(kp))
    named = f"Kp {kp:.2g}" + (f" (G{storm})" if storm else "")
    if risk == 0:
        return f"{named}: no disturbance of satellite positioning is expected at this latitude"
    if risk == 1:
        return f"{named}: satellite positioning may be worse than usual; watch the compass and the position hold"
    return f"{named}: satellite positioning may drift or drop out; be ready to fly by hand and stay near"


def cubic_weights(x: npt.ArrayLike) -> tuple[Array, Array, Array, Array]:
    """Return the weights of four equally spaced points for the cubic through them.

    Parameters
    ----------
    x : array_like
        Place between the second point (0) and the third (1) [1].

    Returns
    -------
    tuple of ndarray
        Weights of the points at -1, 0, 1 and 2 by Lagrange's polynomials. They add up to 1.
    """
    x = np.asarray(x, dtype=float)
    return (
        np.asarray(-x * (x - 1) * (x - 2) / 6),
        np.asarray((x + 1) * (x - 1) * (x - 2) / 2),
        np.asarray(-(x + 1) * x * (x - 2) / 2),
        np.asarray((x + 1) * x * (x - 1) / 6),
    )
