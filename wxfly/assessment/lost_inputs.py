"""Lost inputs: what each element is worked out from, and the hours in which some of that is missing.

A method that finds its way without one of its inputs gives an answer that may be kinder than the whole. So an element
is not known in an hour in which its source carries an input and the hour has lost it, whatever else speaks for it. What
a source does not carry at all is not lost: a method then has its fallback, and an advised element stays advised. Nor is
the cloud base of a sky that is known to have no low cloud.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.assessment.hours import Taker
from wxfly.pilot.elements import ELEMENTS

Flags = npt.NDArray[np.bool_]

WARM = 276.15
"""Temperature at 2 m [K] above which nothing freezes at flight height: the +2 degC at which the chance of freezing
precipitation ends, and the fall of temperature over 100 m."""


def lost_inputs(take: Taker, height: float) -> Flags:
    """Tell in which hours some input of an element is lost.

    Parameters
    ----------
    take : Taker
        Of the forecast's hours.
    height : float
        Flight height above ground [m]: of the wind the levels up to the first above it count.

    Returns
    -------
    ndarray of bool
        ``(element, time, horizontal ...)``; an hour has lost what either of its edges has.
    """
    missing: dict[str, Flags] = {}
    for name in {name for element in ELEMENTS for name in element.inputs if take.has(name)}:
        if "height" in take.hours[name].dims:
            values, heights = take.levels(name)
            reach = int(np.searchsorted(heights, height)) + 1
            missing[name] = np.asarray(np.isnan(values[..., :reach]).any(axis=-1))
        else:
            missing[name] = np.isnan(take(name))
    if "cloud_base_altitude" in missing:  # where there is no low cloud, a base has nothing to tell
        missing["cloud_base_altitude"] &= ~(take("low_type_cloud_area_fraction") <= 0.0)
    if "precipitation_probability" in missing:  # it matters where what falls may freeze, on the ground or in flight
        missing["precipitation_probability"] &= ~(take("air_temperature") > WARM)
    # By stability wind is carried to a height: from temperatures, or sun and cloud. With one level all hangs on it.
    stability = () if take.has("air_temperature_aloft") else ("cloud_area_fraction",)
    if take.has("wind_speed") and take.levels("wind_speed")[1].size == 1:
        stability = (*stability, "surface_roughness_length", "air_temperature", "air_temperature_aloft")
    for name in stability:
        if take.has(name):
            lost = missing[name] if name in missing else np.asarray(np.isnan(take(name)))
            missing["wind_speed"] = missing.get("wind_speed", np.zeros(take.shape, dtype=bool)) | lost
    nothing = np.zeros(take.shape, dtype=bool)
    rows = [np.logical_or.reduce([nothing, *(missing[n] for n in e.inputs if n in missing)]) for e in ELEMENTS]
    return np.asarray(np.stack(rows).any(axis=1))
