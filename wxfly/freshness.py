"""The age of a forecast: told always, and past a limit the forecast counts as not known."""

from __future__ import annotations

import numpy as np
import xarray as xr

# Global models are renewed every 6 hours and regional ones every 3 or 1 (their providers' schedules). After three
# missed runs a forecast is told as old; after a day and a half it is not used. Common practice, no source.
OLD = np.timedelta64(18, "h")
TOO_OLD = np.timedelta64(36, "h")


def hide_stale(cube: xr.Dataset, now: np.datetime64, *, since: np.datetime64) -> tuple[xr.Dataset, tuple[str, ...]]:
    """Make a forecast that is too old not known, and say how old one is that is merely old.

    Parameters
    ----------
    cube : xarray.Dataset
        A forecast cube.
    now : numpy.datetime64
        UTC.
    since : numpy.datetime64
        When the run started, or, when that is not known, when the forecast was retrieved, UTC. NaT when neither
        is known: the forecast then counts as old.

    Returns
    -------
    cube : xarray.Dataset
        The same, or with every value missing.
    notes : tuple of str
        What the reader must know first.
    """
    if np.isnat(since):
        return cube, ("the age of this forecast is not known",)
    age = now.astype("datetime64[s]") - since.astype("datetime64[s]")
    hours = age / np.timedelta64(1, "h")
    if age > TOO_OLD:
        limit = TOO_OLD / np.timedelta64(1, "h")
        hidden = cube.assign({n: cube[n].copy(data=np.full(cube[n].shape, np.nan)) for n in map(str, cube.data_vars)})
        return hidden, (f"this forecast is {hours:.0f} h old, more than {limit:.0f} h: not used, fetch a newer one",)
    if age > OLD:
        return cube, (f"this forecast is old: its run started {hours:.0f} h ago",)
    if age < np.timedelta64(-1, "h"):
        return cube, (f"this forecast's run starts {-hours:.0f} h after the time asked about",)
    return cube, ()
