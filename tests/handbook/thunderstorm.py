"""Classes of instability and the rule for lightning, for the checks of published values.

References
----------
[NWS-BMX] US National Weather Service, Birmingham: severe weather parameters (CAPE, lifted index).
[Lightning] University of Nebraska-Lincoln, lightning safety: 30 s from flash to thunder is about 6 miles;
    wait 30 min after the last thunder.
"""

from __future__ import annotations

import numpy as np

STOP_DISTANCE = 10_000.0
"""Land when lightning is nearer than this [m]: thunder 30 s after the flash, 6 miles [Lightning]."""
WAITING_TIME = 1800.0
"""After the last thunder [s] [Lightning]."""


def cape_class(cape: float) -> str:
    """Put a CAPE [J kg-1] into the words of [NWS-BMX]; ``"not known"`` for NaN."""
    if np.isnan(cape):
        return "not known"
    if cape <= 0:
        return "stable"
    bounds = ((1000, "marginally unstable"), (2500, "moderately unstable"), (3500, "very unstable"))
    for limit, words in bounds:
        if cape <= limit:
            return words
    return "extremely unstable"


def lifted_index_class(lifted_index: float) -> str:
    """Put a lifted index [K] into the chance of thunderstorms in the words of [NWS-BMX]."""
    if np.isnan(lifted_index):
        return "not known"
    if lifted_index > 0:
        return "none"
    if lifted_index > -3:
        return "low"
    return "moderate" if lifted_index > -6 else "high"
