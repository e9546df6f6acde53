"""Tell heights that a model carries from heights that a service made up from a neighbour.

Open-Meteo fills a height that a model lacks by a fixed logarithmic law from another one (github.com/open-meteo/
open-meteo, ``Meteorology.scaleWindFactor``): the wind at 120 m is then the wind at 100 m times a constant, and the
direction is taken over. Such a height adds nothing and hides the true shear, so it is left out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

# A height -> the heights it is made from when the model lacks it, in the service's order.
MADE_FROM: dict[int, tuple[int, ...]] = {
    80: (75, 100),
    120: (125, 150, 100),
    180: (175, 200),
    100: (70, 120),
    200: (170, 180),
}
_ROUNDING = 0.06  # replies are rounded to 0.1 km/h or 0.01 m/s [m s-1]
_FEWEST_HOURS = 3


def rescaling_factor(height: float, from_height: float) -> float:
    """Give the service's fixed ratio of the wind at `height` to that at `from_height` [m].

    It is the logarithmic profile of FAO Irrigation and Drainage Paper 56, equation 47 (Allen et al. 1998).
    """
    return math.log(67.8 * height - 5.42) / math.log(67.8 * from_height - 5.42)


def drop_rescaled_heights(
    levels: Mapping[str, Mapping[int, Array]],
) -> tuple[dict[str, dict[int, Array]], list[str]]:
    """Leave out heights whose wind is another height's times the fixed ratio in every hour.

    Parameters
    ----------
    levels : mapping
        Columns by our name and height [m]; wind in m s-1.

    Returns
    -------
    levels : dict
        What is left. A direction that was taken over goes back to the height it came from.
    dropped : list of str
        What was left out, as ``wind_speed_120m``.
    """
    kept = {name: dict(by_height) for name, by_height in levels.items()}
    speed = kept.get("wind_speed", {})
    direction = kept.get("wind_from_direction", {})
    dropped = []
    for height, sources in MADE_FROM.items():
        origin = next((s for s in sources if _is_rescaled(speed, height, s)), None)
        if origin is None:
            continue
        del speed[height]
        dropped.append(f"wind_speed_{height}m")
        if height in direction:
            direction.setdefault(origin, direction[height])
            del direction[height]
    return kept, dropped


def _is_rescaled(speed: Mapping[int, Array], height: int, origin: int) -> bool:
    if height not in speed or origin not in speed:
        return False
    here, there = speed[height], speed[origin]
    both = np.isfinite(here) & np.isfinite(there)
    if not np.array_equal(np.isfinite(here), np.isfinite(there)) or both.sum() < _FEWEST_HOURS:
        return False
    if there[both].max() < 1.0:
        return False  # too calm to tell
    return bool(np.all(np.abs(here[both] - rescaling_factor(height, origin) * there[both]) <= _ROUNDING))
