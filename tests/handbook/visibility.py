"""Visibility in fog, for the checks of published values; no forecast gives its liquid water.

References
----------
[Koschmieder] Visual range ``-ln(contrast) / extinction``; the WMO's meteorological optical range takes 0.05.
[Kunkel-1984] Kunkel, B. A. (1984): extinction of fog from its liquid water. J. Clim. Appl. Meteorol. 23,
    34-41.
[Gultepe-2006] Gultepe, I. et al. (2006): visibility of fog from liquid water and droplet number. J. Appl.
    Meteorol. Climatol. 45, 1469-1480.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def visual_range(extinction: npt.ArrayLike, *, contrast: float = 0.05) -> Array:
    """Return the distance at which contrast fades to a threshold.

    Parameters
    ----------
    extinction : array_like
        [m-1], above 0.
    contrast : float, optional
        Threshold [1]: 0.05 is the WMO's meteorological optical range, 0.02 the older visual range.

    Returns
    -------
    ndarray
        [m], [Koschmieder].
    """
    return np.asarray(-np.log(contrast) / np.asarray(extinction, dtype=float))


def fog_visibility(liquid_water_content: npt.ArrayLike) -> Array:
    """Return the visibility in fog from its liquid water.

    Parameters
    ----------
    liquid_water_content : array_like
        [kg m-3], above 0.

    Returns
    -------
    ndarray
        [m] at a contrast of 0.02: ``extinction = 144.7 LWC^0.88`` per km with LWC in g m-3 [Kunkel-1984].
    """
    grams = np.asarray(liquid_water_content, dtype=float) * 1000
    return visual_range(144.7 * grams**0.88 / 1000, contrast=0.02)


def fog_visibility_from_droplets(liquid_water_content: npt.ArrayLike, droplet_number: npt.ArrayLike) -> Array:
    """Return the visibility in fog from its liquid water and its droplets.

    Parameters
    ----------
    liquid_water_content : array_like
        [kg m-3], above 0.
    droplet_number : array_like
        [m-3], above 0; broadcast.

    Returns
    -------
    ndarray
        [m]: ``1002 (LWC Nd)^-0.6473`` with g m-3 and cm-3 [Gultepe-2006].
    """
    grams = np.asarray(liquid_water_content, dtype=float) * 1000
    per_cubic_centimetre = np.asarray(droplet_number, dtype=float) * 1e-6
    return np.asarray(1002.0 * (grams * per_cubic_centimetre) ** -0.6473)
