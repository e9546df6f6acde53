"""By how many hours a reanalysis misses the ramps of a measured wind: a lower bound for the error of timing.

    python tests/validation/timing_of_ramps.py HUB_VS_REANALYSIS.csv.gz

A ramp is a change of the measured wind by so many m/s within three hours, the largest of the hours around it. The
shift is the one of -6 to 6 h at which the reanalysis, its mean over the 14 hours taken off, is nearest to the
measurement. Half the width between the 16th and the 84th percentile of the shifts is printed [h]: their mean, which may
be a difference of clocks, is not in it. Columns ``hub`` and ``ws_100m``, hourly.
"""

from __future__ import annotations

import json
import sys

import numpy as np
import numpy.typing as npt
import pandas as pd

Array = npt.NDArray[np.float64]

SIZES = (4.0, 5.0, 6.0)
WITHIN, FARTHEST, BEFORE, AFTER = 3, 6, 6, 8


def shifts_of(measured: Array, model: Array, size: float) -> npt.NDArray[np.int64]:
    """Return the best shift of every ramp of at least that size [h]."""
    change = measured[WITHIN:] - measured[:-WITHIN]
    found = []
    for signed in (change, -change):
        for i in range(WITHIN, signed.size - WITHIN):
            middle = i + 1
            if not signed[i] >= size or signed[i] < np.nanmax(signed[i - WITHIN : i + WITHIN + 1]):
                continue
            if middle < BEFORE + FARTHEST or middle + AFTER + FARTHEST > measured.size:
                continue
            errors = [_error(measured, model, middle, shift) for shift in range(-FARTHEST, FARTHEST + 1)]
            if np.isfinite(errors).all():
                found.append(int(np.argmin(errors)) - FARTHEST)
    return np.array(found)


def _error(measured: Array, model: Array, middle: int, shift: int) -> float:
    one = measured[middle - BEFORE : middle + AFTER]
    other = model[middle - BEFORE + shift : middle + AFTER + shift]
    return float(np.sqrt(np.mean((one - one.mean() - other + other.mean()) ** 2)))


def main(path: str) -> dict[str, dict[str, float]]:
    """Return figures for each size of ramp."""
    table = pd.read_csv(path, index_col=0, parse_dates=True).asfreq("h")
    measured, model = table["hub"].to_numpy(), table["ws_100m"].to_numpy()
    model = model * np.nanmean(measured) / np.nanmean(model)
    figures = {}
    for size in SIZES:
        shifts = shifts_of(measured, model, size)
        low, high = np.quantile(shifts, [0.16, 0.84])
        figures[f"{size:g} m/s"] = {"ramps": shifts.size, "half_width": float(high - low) / 2}
    return figures


if __name__ == "__main__":
    print(json.dumps(main(sys.argv[1])))
