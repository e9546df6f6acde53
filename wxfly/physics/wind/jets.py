"""Low-level jets above calm ground.

References
----------
[Baas-2009] Baas, P., Bosveld, F. C., Klein Baltink, H. and Holtslag, A. A. M. (2009): A climatology of nocturnal
    low-level jets at Cabauw. J. Appl. Meteorol. Climatol. 48, 1627-1642: on 20 % of nights, core at 140 to 260 m.
[Whiteman-1997] Whiteman, C. D., Bian, X. and Zhong, S. (1997): Low-level jet climatology from enhanced rawinsonde
    observations at a site in the southern Great Plains. J. Appl. Meteorol. 36, 1363-1376: 10 m/s, falling by 5 m/s.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.arrays import floating
from wxfly.physics.probability import normal_probability

Array = npt.NDArray[np.float64]

JET_SPEED = 8.0
"""Least wind of a suspected jet, at the strongest level up to `HIGHEST_CORE` [m s-1]; common practice, no source."""
JET_EXPONENT = 0.35
"""Least shear exponent below the jet [1]; stable air (common practice)."""
HIGHEST_CORE = 300.0
"""Jets higher up do not matter to drones [m]."""
LOWEST_TOP = 80.0
"""Without a level at least this high, a jet is unknown [m]."""
JET_HEIGHT_ERROR = 60.0
"""Standard deviation of the height of a forecast jet [m]. Common practice, no source: the levels of a forecast lie 40 m
and more apart there, and models mix too much in stable air."""
FULLY_OVER = 0.1
"""Share of a limit by which a wind above is over it when it counts in full [1]; an estimate of ours, so that there is
no step at the limit."""


def low_level_jet(wind_speed: npt.ArrayLike, heights: npt.ArrayLike) -> Array:
    """Find a low-level jet, or the steep shear below one, in the levels of a forecast.

    Parameters
    ----------
    wind_speed : array_like
        Shape ``[..., level]`` [m s-1].
    heights : array_like
        ``[level]``, increasing [m].

    Returns
    -------
    ndarray
        Shape ``[...]``: 1 a jet or its lower flank, 0 none. NaN where a level up to 300 m is missing or no level is at
        80 m or higher.

    Notes
    -----
    The first criterion: the strongest level up to 300 m has 8 m/s or more, and the shear exponent from the lowest level
    to it is above 0.35. The second: that level has 10 m/s or more, and the wind falls by 5 m/s to a level above it
    ([Whiteman-1997]). The first is weaker than published criteria because forecasts end below the core: [Baas-2009].
    """
    speed, level = floating(wind_speed), floating(heights)
    low = level <= HIGHEST_CORE
    near = speed[..., low]
    if low.sum() < 2 or level[low][-1] < LOWEST_TOP:
        return np.full(speed.shape[:-1], np.nan)
    unknown = np.isnan(near).any(axis=-1)
    filled = np.where(np.isnan(near), 0.0, near)
    strongest = filled.argmax(axis=-1)
    core = np.take_along_axis(filled, strongest[..., None], axis=-1)[..., 0]
    core_height = level[low][strongest]
    flag = (core >= JET_SPEED) & (core_height >= LOWEST_TOP) & (core_height > level[0])
    way = np.log(core_height[flag] / level[0])
    flag[flag] = np.log(core[flag] / np.maximum(filled[..., 0][flag], 0.1)) / way > JET_EXPONENT
    strong = core >= 10.0
    over = np.where(np.isnan(speed[strong]) | (level <= core_height[strong][:, None]), np.inf, speed[strong])
    flag[strong] |= core[strong] - over.min(axis=-1) >= 5.0
    return np.where(unknown, np.nan, flag.astype(speed.dtype))


def chance_of_lower_jet(wind_speed: npt.ArrayLike, heights: npt.ArrayLike, wanted_height: float, limit: float) -> Array:
    """Return the chance that a wind over a limit, forecast above a height, blows at that height.

    Parameters
    ----------
    wind_speed : array_like
        At the levels of a forecast, shape ``[..., level]`` [m s-1].
    heights : array_like
        ``[level]`` [m].
    wanted_height : float
        Above ground [m]. Levels up to it are left out.
    limit : float
        [m s-1], above 0.

    Returns
    -------
    ndarray
        Shape ``[...]`` [1], below 0.5: of the levels above, up to `HIGHEST_CORE`, the largest chance that the jet lies
        lower than forecast by their distance, with a normal error of `JET_HEIGHT_ERROR`. A level within the limit has
        none; from the limit on it rises to the whole at `FULLY_OVER` beyond. A level that is missing counts as one
        over the limit.

    Examples
    --------
    >>> float(chance_of_lower_jet([3.0, 6.0, 15.0], [10.0, 80.0, 120.0], 80.0, 10.0).round(2))
    0.25
    """
    speed, level = floating(wind_speed), floating(heights)
    above = (level > wanted_height) & (level <= HIGHEST_CORE)
    over = np.clip((speed[..., above] / limit - 1.0) / FULLY_OVER, 0.0, 1.0)
    lower = normal_probability((wanted_height - level[above]) / JET_HEIGHT_ERROR)
    return np.asarray((np.where(np.isnan(over), 1.0, over) * lower).max(axis=-1, initial=0.0))
