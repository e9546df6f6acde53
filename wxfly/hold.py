"""The hold after a break: hours that follow one over the wind or the gust limit are held back.

Wind that has just been too strong comes back. Parachutists wait half an hour without a gust over the limit
(`wxfly.planning.hold_after_break`); on hourly values that is an hour at the least.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.planning import hold_after_break
from wxfly.suitability import State

ELEMENTS = ("wind", "gust")
"""Whose break holds back the hours after it."""
Array = npt.NDArray[np.float64]


def hold_back(assessment: xr.Dataset, hours: int, earlier: xr.Dataset | None = None) -> xr.Dataset:
    """Hold back the hours of one place that follow a break.

    Parameters
    ----------
    assessment : xarray.Dataset
        As `wxfly.suitability.assess` gives it, dimensions time and element only.
    hours : int
        How many to hold back after each hour over the wind or the gust limit; 0 changes nothing.
    earlier : xarray.Dataset, optional
        The hours just before, at least as many; without them those hours are not known.

    Returns
    -------
    xarray.Dataset
        With ``held_back`` (element whose limit was broken before, empty where none was). Such an hour is *outside*,
        with the margin of the break; *not known* where it is not known whether there was one. A hold never makes an
        hour better.
    """
    if hours < 1:
        return assessment
    margins = np.concatenate([_before(earlier, hours), _margins(assessment)], axis=1)
    required = np.array([[name in assessment.attrs["required"]] for name in ELEMENTS])
    broken = margins < 0
    unknown = np.isnan(margins) & required
    holds = ~(broken | unknown).any(axis=0)
    held = (~hold_after_break(holds, hours) & holds)[hours:]
    state = assessment["state"].values.copy()
    margin = assessment["hour_margin"].values.copy()
    limiting = assessment["limiting_element"].values.copy()
    cause = np.full(state.shape, "", dtype=object)
    for i in np.flatnonzero(held):
        before = slice(i, i + hours)  # of the longer row: the hours before hour i
        told = np.where(broken[:, before], margins[:, before], np.inf)
        if np.isfinite(told).any():
            which = int(np.unravel_index(int(told.argmin()), told.shape)[0])
            cause[i] = ELEMENTS[which]
            if state[i] != State.NOT_KNOWN:
                if told.min() < margin[i]:
                    margin[i], limiting[i] = told.min(), ELEMENTS[which]
                state[i] = State.OUTSIDE
        else:
            cause[i] = ELEMENTS[int(unknown[:, before].any(axis=1).argmax())]
            if not margin[i] < 0:  # an hour that is outside by itself stays outside
                state[i], margin[i] = State.NOT_KNOWN, np.nan
    like = assessment["limiting_element"]
    result = assessment.assign(
        held_back=like.copy(data=cause),
        hour_margin=assessment["hour_margin"].copy(data=margin),
        limiting_element=like.copy(data=limiting),
        state=assessment["state"].copy(data=state),
    )
    return result.assign_attrs(assessment.attrs | {"hold_hours": hours})


def _margins(assessment: xr.Dataset) -> Array:
    table = assessment["margin"].sel(element=list(ELEMENTS)).transpose("element", "time")
    return np.asarray(table.values, dtype=float)


def _before(earlier: xr.Dataset | None, hours: int) -> Array:
    """Give the margins of the hours just before; those that are not there are not known."""
    known = np.full((len(ELEMENTS), hours), np.nan)
    if earlier is not None:
        table = _margins(earlier)[:, -hours:]
        known[:, hours - table.shape[1] :] = table
    return known
