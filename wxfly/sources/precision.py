"""How exactly a service is told where a pilot flies: no more than its answer hangs on.

A service of forecasts answers with the nearest cell of the model's mesh, and takes the height of the ground from the
coordinates only where that is not sent along.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

COARSE_KM = 5.0
"""From this mesh width on, a place is sent to 0.01 degrees (0.6 km off at most); for a finer one to 0.001 (60 m)."""


def decimals_for(resolution_km: float, *, ground_known: bool) -> int:
    """Give the decimals [degree] that a place is sent with.

    Parameters
    ----------
    resolution_km : float
        Mesh width of the model [km].
    ground_known : bool
        The height of the ground is sent along, or nothing of the answer hangs on it.
    """
    if not ground_known:
        return 4  # the service looks the ground up on a mesh of 90 m
    return 2 if resolution_km >= COARSE_KM else 3


def sent_coordinates(
    places: Sequence[tuple[float, float]], resolution_km: float, *, ground_known: bool
) -> tuple[str, str]:
    """Write latitudes and longitudes [degree] as they are sent, joined by commas."""
    decimals = decimals_for(resolution_km, ground_known=ground_known)
    latitudes, longitudes = ([f"{value:.{decimals}f}" for value in axis] for axis in zip(*places, strict=True))
    return ",".join(latitudes), ",".join(longitudes)


def are_known(altitudes: Sequence[float] | None) -> bool:
    """Say whether the height of the ground [m] is known for every place."""
    return altitudes is not None and all(math.isfinite(a) for a in altitudes)
