"""Wind at a height from the levels of a forecast: between two levels, above the top one, or from one alone.

`wxfly.physics.wind.profile` chooses among these methods.

References
----------
[Tower] Hourly means at ten heights of a 135 m tower (NREL, 2012-2014), see the evidence page on wind.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum
from functools import cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from wxfly.physics.precision import at_least, floating
from wxfly.physics.wind import error
from wxfly.physics.wind.log_law import (
    OPEN_GROUND_ROUGHNESS_LENGTH,
    direction_from_components,
    power_law_wind_speed,
    surface_layer_wind_speed,
    wind_components,
)
from wxfly.physics.wind.stability import StabilitySource

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int8]
Mask = npt.NDArray[np.bool_]

LARGEST_RATIO = 2.5
"""Cap on the ratio of the wind at the wanted height to the wind at a single level; more is beyond any law's range."""
LINEAR_ABOVE = 150.0
"""Between two levels above this height, interpolation is linear in height, not in its logarithm [m]."""

# The profile between two levels bends towards the slope that open ground would have below. It bends more, the further
# the slope between the levels is from that. Fitted on [Tower].
CURVATURE = 0.075
CURVATURE_SLOPE = 1.25
STEEPEST_RATIO_SEEN = 2.0
"""Largest measured ratio of the wind at the upper level to that at the lower [1]."""
_LARGEST_SPAN = 3.0  # in ln(height), the largest on which the bend was measured
# Share of the slope between the two highest levels that continues above them. It is 1 where they are close together,
# less where the lower one is far below, and more in stable air.
CONTINUED_LOSS = 0.36
LEAST_CONTINUED = 0.25
CONTINUED_MORE_STABLE = 0.25
_CONTINUED_ZETA = 0.05

# 10 m/L from very unstable to very stable. The steps are small where either source of stability gives the strongest
# wind at flight height; rounding up makes up for the gaps between them.
EVERY_STABILITY = (
    -20.0,
    0.02,
    0.03,
    0.04,
    0.05,
    0.055,
    0.06,
    0.065,
    0.07,
    0.08,
    0.09,
    0.1,
    0.12,
    0.14,
    0.16,
    0.18,
    0.2,
    0.23,
    0.27,
    0.35,
    0.5,
    1e3,
)
ROUNDED_UP = 1.002


class Interpolation(StrEnum):
    """How the wind between two levels follows ln(height)."""

    LOGARITHMIC = "logarithmic"
    CURVED = "curved"


class ProfileMethod(IntEnum):
    """How a wind at a height was found; of those that found it, the most certain method first."""

    NOT_KNOWN = 0
    AT_LEVEL = 1
    BETWEEN_LEVELS = 2
    ABOVE_TOP_LEVEL = 3
    STABILITY_LOG_LAW = 4
    NEUTRAL_LOG_LAW = 5
    POWER_LAW = 6


class WindAtHeight(NamedTuple):
    """Wind at the wanted height, arrays of one shape.

    Attributes
    ----------
    wind_speed : ndarray
        [m s-1]; NaN where unknown.
    wind_from_direction : ndarray
        [degree], 0 up to 360; NaN where unknown.
    standard_deviation : ndarray
        Error that the height conversion adds to the speed [m s-1]; see `wxfly.physics.wind.error`.
    method : ndarray of int8
        Codes of `ProfileMethod`.
    """

    wind_speed: Array
    wind_from_direction: Array
    standard_deviation: Array
    method: Codes


@dataclass
class Level:
    """One level for each hour.

    Attributes
    ----------
    found : ndarray of bool
        Where there is such a level.
    speed, direction, height : ndarray
        Of the wind there, and above ground [m s-1, degree, m].
    """

    found: Mask
    speed: Array
    direction: Array
    height: Array

    @cached_property
    def components(self) -> tuple[Array, Array]:
        """Eastward and northward wind [m s-1], worked out once for all heights that need them."""
        return wind_components(self.speed, self.direction)


def chosen_level(speed: Array, direction: Array, height: Array, mask: Mask, *, last: bool) -> Level:
    """Return the last or the first level that a mask selects, hour by hour."""
    count = mask.shape[-1]
    index = count - 1 - np.argmax(mask[..., ::-1], axis=-1) if last else np.argmax(mask, axis=-1)
    found = np.asarray(mask.any(axis=-1))
    taken = (
        np.take_along_axis(np.broadcast_to(v, mask.shape), index[..., None], -1)[..., 0]
        for v in (speed, direction, height)
    )
    return Level(found, *(np.where(found, values, np.nan) for values in taken))


def either(first: Level, other: Level) -> Level:
    """Return the first level where it was found, else the other; both have one shape."""
    pairs = ((getattr(first, name), getattr(other, name)) for name in ("speed", "direction", "height"))
    return Level(np.logical_or(first.found, other.found), *(np.where(first.found, one, two) for one, two in pairs))


def between_levels(below: Level, above: Level, z: Array, interpolation: Interpolation) -> tuple[Array, Array]:
    """Return the wind between two levels: speed [m s-1], direction [degree]; see `speed_between_levels`."""
    direction = direction_from_components(*components_between_levels(below, above, z))
    return speed_between_levels(below, above, z, interpolation), direction


def components_between_levels(below: Level, above: Level, z: Array) -> tuple[Array, Array]:
    """Return the interpolated components between two levels [m s-1]: of them the direction counts, not the length."""
    weight = _weight(below, above, z)
    (east, north), (east_above, north_above) = below.components, above.components
    return east + weight * (east_above - east), north + weight * (north_above - north)


def _weight(below: Level, above: Level, z: Array) -> Array:
    """Return the share of the upper level in the wind between two levels, linear in ln(height), or in height."""
    weight = np.log(z / below.height) / np.log(above.height / below.height)
    linear = (z - below.height) / (above.height - below.height)
    share = np.where(below.height >= LINEAR_ABOVE, linear, weight)
    return np.asarray(share, dtype=below.speed.dtype) if share.ndim == 0 else share


def speed_between_levels(below: Level, above: Level, z: Array, interpolation: Interpolation) -> Array:
    """Return the speed of the wind between two levels [m s-1].

    Linear in ln(height), and in height between levels above 150 m. The bend was fitted on [Tower], levels 10 to 122 m.
    """
    weight, rise = _weight(below, above, z), above.speed - below.speed
    speed = below.speed + weight * rise
    if interpolation == Interpolation.CURVED:
        reach = np.minimum(np.log(above.height / below.height), _LARGEST_SPAN)
        expected = CURVATURE_SLOPE * below.speed / np.log(np.maximum(below.height, 2.0) / OPEN_GROUND_ROUGHNESS_LENGTH)
        # The bend was fitted only up to a wind at the upper level of twice that at the lower.
        seen = np.minimum(rise, (STEEPEST_RATIO_SEEN - 1.0) * below.speed)
        bend = 4.0 * weight * (1.0 - weight) * reach * (expected * reach - seen)
        speed = at_least(speed + CURVATURE * bend, 0.0)
    return np.asarray(speed)


def deviation_between_levels(below: Level, above: Level, z: Array, obukhov_length: Array) -> Array:
    """Return the standard deviation of the speed that `between_levels` returns [m s-1]."""
    return error.deviation_between(below.speed, below.height, above.speed, above.height, z, obukhov_length)


def beyond_top(second: Level, top: Level, z: Array, obukhov_length: Array) -> tuple[Array, Array]:
    """Return speed and direction above the two highest levels [m s-1, degree].

    Part of the slope between the two levels continues above them. Fitted on [Tower] from top levels of 80 and 87 m to
    122 m; valid up to 1.5 times the top level.
    """
    zeta = np.maximum(np.where(np.isnan(obukhov_length), 0.0, 10.0 / obukhov_length), 0.0)
    span = np.log(top.height / second.height)
    share = np.maximum(1.0 - CONTINUED_LOSS * span, LEAST_CONTINUED)
    share = np.minimum(share + CONTINUED_MORE_STABLE * zeta / (zeta + _CONTINUED_ZETA), 1.0)
    slope = (top.speed - second.speed) / span
    speed = at_least(top.speed + share * slope * np.log(z / top.height), 0.0)
    return speed, top.direction


def deviation_beyond_top(second: Level, top: Level, z: Array, obukhov_length: Array) -> Array:
    """Return the standard deviation of the speed that `beyond_top` returns [m s-1]."""
    return error.deviation_beyond(second.speed, second.height, top.speed, top.height, z, obukhov_length)


def from_one_level(
    only: Level,
    z: Array,
    roughness_length: npt.ArrayLike | None,
    displacement_height: npt.ArrayLike,
    obukhov_length: Array,
    stability_source: StabilitySource,
) -> tuple[Array, Array, Codes]:
    """Return speed and standard deviation [m s-1] and codes of `ProfileMethod`, extrapolated from the only level.

    By the log law with stability, the neutral log law, or the power law; sources in `wxfly.physics.wind.log_law`. Valid
    from 2 to 150 m. The speed is at most `LARGEST_RATIO` times the wind at the level.
    """
    surface_known = roughness_length is not None
    z0 = floating(OPEN_GROUND_ROUGHNESS_LENGTH if roughness_length is None else roughness_length)
    stability_known = ~np.isnan(obukhov_length) & np.ones(z.shape, bool)
    by_log = surface_layer_wind_speed(
        only.speed,
        only.height,
        z,
        z0,
        obukhov_length=np.where(stability_known, obukhov_length, np.inf),
        displacement_height=displacement_height,
        stability_source=stability_source,
    )
    by_power = power_law_wind_speed(only.speed, only.height, z)
    # A level among the roughness elements gives the log law no wind to start from.
    lawful = ~np.isnan(by_log) & (surface_known | stability_known)
    value = np.where(lawful, by_log, by_power)
    method = np.where(
        lawful,
        np.where(stability_known, np.int8(ProfileMethod.STABILITY_LOG_LAW), np.int8(ProfileMethod.NEUTRAL_LOG_LAW)),
        np.int8(ProfileMethod.POWER_LAW),
    )
    deviation = error.deviation_from_one_level(
        only.speed, only.height, z, np.where(stability_known, obukhov_length, np.nan), stability_source
    )
    return np.minimum(value, LARGEST_RATIO * only.speed), deviation, method
