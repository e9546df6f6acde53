"""What a source's own percentiles say of how uncertain its one forecast is.

Some sources give no members but the tenth and the ninetieth percentile of theirs, at 10 m for the wind and at 2 m for
the temperature. Half the distance between them, over 1.28, is a standard deviation. It is used as the spread of members
would be: beside what is left of the forecast's usual error, so that a wide spread makes a chance less, and a narrow one
never makes it more than the usual error does.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.physics.probability import normal_quantile

Array = npt.NDArray[np.float64]

PERCENTILES = {
    "wind": ("wind_speed_percentile_10", "wind_speed_percentile_90"),
    "temperature": ("air_temperature_percentile_10", "air_temperature_percentile_90"),
}
"""By element, the variables of the cube."""
_WIDTH = 2.0 * float(normal_quantile(0.9))
_CALM = 0.5  # [m s-1]: below, the ratio of two winds says nothing
_LARGEST_RATIO = 3.0


def spreads_of(cube: xr.Dataset | None, conditions: xr.Dataset) -> dict[str, Array]:
    """Return the standard deviation of wind, gust and temperature by the percentiles of a source.

    Parameters
    ----------
    cube : xarray.Dataset or None
        Of the one forecast at the site.
    conditions : xarray.Dataset
        Its hours at flight height.

    Returns
    -------
    dict of ndarray
        By element, for each hour, the larger of its two edges [m s-1] or [K]; the widest of all where some hour has
        none. Empty where the source gives no percentiles at all. Wind and gust at flight height take the spread at
        10 m as the ratio of the winds carries it, never less than at 10 m.
    """
    found: dict[str, Array] = {}
    if cube is None:
        return found
    time = conditions["time"].values
    for element, (low, high) in PERCENTILES.items():
        if low in cube and high in cube:
            width = np.maximum(_at_edges(cube[high], time) - _at_edges(cube[low], time), 0.0)
            deviation = width.max(axis=0) / _WIDTH
            if np.isfinite(deviation).any():
                # An hour without percentiles among hours that have them takes the widest: missing is never surer.
                found[element] = np.where(np.isnan(deviation), np.nanmax(deviation), deviation)
    if "wind" in found:
        at_ground = _at_edges(cube["wind_speed"].sel(height=10.0), time).max(axis=0)
        at_ground = np.where(at_ground > _CALM, at_ground, np.nan)
        ratios = {
            name: conditions[variable].max("edge").values / at_ground
            for name, variable in (("wind", "wind_speed"), ("gust", "wind_speed_of_gust"))
        }
        deviation = found["wind"]
        for name, ratio in ratios.items():
            found[name] = deviation * np.clip(np.nan_to_num(ratio, nan=1.0), 1.0, _LARGEST_RATIO)
    return {name: values for name, values in found.items() if (values > 0).any()}


def _at_edges(values: xr.DataArray, time: npt.NDArray[np.datetime64]) -> Array:
    """Return the instants at both edges of each hour."""
    edges = [time, time + np.timedelta64(1, "h")]
    return np.stack([values.reindex(time=edge).values for edge in edges])
