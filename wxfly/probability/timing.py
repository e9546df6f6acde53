"""The error of timing: weather that comes some hours earlier or later than forecast.

A front that is forecast for noon may pass at eleven or at one. So the hours beside an hour speak for it too: with the
chance of the shift, the whole forecast, all of its elements together, is moved by so many hours.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.forecast_error import MEMBER, ErrorLaw
from wxfly.physics.probability import shift_chances

Array = npt.NDArray[np.float64]

SHIFT = "shift"
"""Dimension: by how many hours the weather comes later than forecast."""
REACH = 3
"""Most hours that are told apart."""
BESIDE = np.timedelta64(REACH, "h")
"""So much is needed before and after the hours that are asked about."""


def with_timing(padded: xr.DataArray, lead_hours: npt.ArrayLike, law: ErrorLaw) -> xr.DataArray:
    """Return the room of every hour for every shift of the weather in time.

    Parameters
    ----------
    padded : DataArray
        Room ``(element, time, realization)`` as `wxfly.assessment.forecast_error.room_to_limits` returns it, with
        `REACH` hours more on either side.
    lead_hours : array_like
        Of the hours that are asked about [h].
    law : ErrorLaw
        Its error of timing grows with the lead.

    Returns
    -------
    DataArray
        ``(shift, element, time, realization)`` of the hours asked about, with the chance of each shift as coordinate
        ``shift_chance`` (shift, time). Where an hour beside is not known, its shift breaks the limit: what is not known
        never makes an hour surer. A member that has ended by its nature stands there as in the hour itself.
    """
    values = np.asarray(padded.transpose("element", "time", MEMBER).values, dtype=float)
    hours = values.shape[1] - 2 * REACH
    own = values[:, REACH : REACH + hours]
    time = padded["time"].values[REACH : REACH + hours]
    shifts = np.arange(-REACH, REACH + 1)
    moved = np.stack([own if s == 0 else _moved(values, own, padded, int(s)) for s in shifts])
    return xr.DataArray(
        moved,
        dims=(SHIFT, "element", "time", MEMBER),
        coords={
            SHIFT: shifts,
            "element": padded["element"].values,
            "time": time,
            "shift_chance": ((SHIFT, "time"), shift_chances(law.timing_deviation(lead_hours), REACH)),
        },
        name=padded.name,
    )


def _moved(values: Array, own: Array, padded: xr.DataArray, shift: int) -> Array:
    """Return the room when the weather comes so many hours later: that of so many hours before."""
    first = REACH - shift
    there = values[:, first : first + own.shape[1]]
    there = np.where(np.isnan(there), -np.inf, there)
    if "last_time" not in padded.coords:
        return there
    stamps = padded["time"].values[first : first + own.shape[1]]
    has_ended = stamps[:, None] >= padded["last_time"].values[None, :]
    return np.where(has_ended, own, there)
