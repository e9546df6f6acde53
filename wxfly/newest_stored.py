"""The newest sound forecast of a place in the store: one of a run still to come hides none that is sound."""

from __future__ import annotations

import xarray as xr

from wxfly import store
from wxfly.freshness import CLOCKS
from wxfly.obtained import as_moment, utc_now
from wxfly.site import Site


def newest_stored(site: Site, model: str) -> xr.Dataset | None:
    """Give the newest stored forecast of a site and a model.

    Parameters
    ----------
    site : Site
        The place.
    model : str
        Only this model will do.

    Returns
    -------
    xarray.Dataset or None
        With the dimension ``site``. A run still to come is of a wrong clock or a wrong reply; it is given only where
        there is no other.
    """
    latest = f"{as_moment(utc_now()) + CLOCKS!s:.13}Z"
    of_place = [f.run for f in store.list_forecasts() if (f.model, f.latitude, f.longitude) == (model, *site.key)]
    runs = sorted(dict.fromkeys(of_place), key=lambda run: run.removeprefix("retrieved-") > latest)
    for run in runs:  # newest first
        cube = store.find_forecast(*site.key, model, surface_altitude=site.surface_altitude, run=run)
        if cube is not None:
            return cube
    return None
