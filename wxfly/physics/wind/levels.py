"""Wind at a height from the levels of a forecast: between two levels, above the top one, or from one alone.

These are the parts of `wxfly.physics.wind.profile`, which chooses among them.
Between even points it interpolates by cubics.

References
----------
[Tower] Hourly means at ten heights of a 135 m tower (NREL, 2012-2014), see the evidence page on wind.
"""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from wxfly.physics.wind import error
from wxfly.physics.wind.log_law import (
    OPEN_GROUND_ROUGHNESS_LENGTH,
    power_law_wind_speed,
    surface_layer_wind_speed,
    wind_components,
    wind_from_components,
)

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int8]
Mask = npt.NDArray[np.bool_]

LARGEST_RATIO = 2.5
"""Cap on the wind aloft over the wind at the one level it is carried from; more is beyond any law's range."""
LINEAR_ABOVE = 150.0
"""Between levels that are both above this the height itself is interpolated in, not its logarithm [m]."""

# How much the profile bends between two levels: towards the slope that open ground would have below, the more the
# further the slope between the levels is from it. Fitted on [Tower].
CURVATURE = 0.075
CURVATURE_SLOPE = 1.25
STEEPEST_RATIO_SEEN = 2.0
"""Of the wind at the upper level over that at the lower, as far as the measurements go [1]."""
_LARGEST_SPAN = 3.0  # of ln(height) that the bend has been seen on
# Share of the slope between the two highest levels that goes on above them: all of it where they lie close together,
# less where the lower is far below, more in stable air.
CARRIED_LOSS = 0.36
LEAST_CARRIED = 0.25
CARRIED_MORE_STABLE = 0.25
_CARRIED_ZETA = 0.05

# 10 m/L from very unstable to very stable, close together where the wind aloft is strongest by either source of
# stability; the steps between them are made up for by rounding up.
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


class ProfileMethod(IntEnum):
    """How a wind at a height was found, the surest first."""

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
        [m s-1]; NaN where not known.
    wind_from_direction : ndarray
        [degree], 0 up to 360; NaN where not known.
    standard_deviation : ndarray
        Of the error that the change of height adds to the speed [m s-1]; see `wxfly.physics.wind.error`.
    method : ndarray of int8
        Codes of `ProfileMethod`.
    """

    wind_speed: Array
    wind_from_direction: Array
    standard_deviation: Array
    method: Codes


class Level:
    """One level picked for each hour: the last or the first of a mask."""

    def __init__(self, speed: Array, direction: Array, height: Array, mask: Mask, last: bool) -> None:
        count = mask.shape[-1]
        index = count - 1 - np.argmax(mask[..., ::-1], axis=-1) if last else np.argmax(mask, axis=-1)
        self.found = mask.any(axis=-1)
        self.speed, self.direction, self.height = (
            np.where(
                self.found,
                np.take_along_axis(np.broadcast_to(values, mask.shape), index[..., None], axis=-1)[..., 0],
                np.nan,
            )
            for values in (speed, direction, height)
        )


def either(first: Level, other: Level) -> Level:
    """Return the first level where it was found, else the other; for levels of one shape, the choice is ours."""
    only = object.__new__(Level)
    only.found = first.found | other.found
    for name in ("speed", "direction", "height"):
        setattr(only, name, np.where(first.found, getattr(first, name), getattr(other, name)))
    return only


def between_levels(
    below: Level, above: Level, z: Array, obukhov_length: Array, interpolation: str
) -> tuple[Array, Array, Array]:
    """Interpolate between two levels: speed and its standard deviation [m s-1], direction [degree].

    Linear in ln(height), between levels above 150 m in height; the bend was fitted on [Tower], levels 10 to 122 m.
    """
    span = np.log(above.height / below.height)
    weight = np.log(z / below.height) / span
    linear = (z - below.height) / (above.height - below.height)
    weight = np.where(below.height >= LINEAR_ABOVE, linear, weight)
    rise = above.speed - below.speed
    speed = below.speed + weight * rise
    if interpolation == "curved":
        reach = np.minimum(span, _LARGEST_SPAN)
        expected = CURVATURE_SLOPE * below.speed / np.log(np.maximum(below.height, 2.0) / OPEN_GROUND_ROUGHNESS_LENGTH)
        # The bend downwards grows only as far as it was fitted: to a wind above of twice the wind below.
        seen = np.minimum(rise, (STEEPEST_RATIO_SEEN - 1.0) * below.speed)
        bend = 4.0 * weight * (1.0 - weight) * reach * (expected * reach - seen)
        speed = np.maximum(speed + CURVATURE * bend, 0.0)
    east, north = wind_components(below.speed, below.direction)
    east_above, north_above = wind_components(above.speed, above.direction)
    _, direction = wind_from_components(east + weight * (east_above - east), north + weight * (north_above - north))
    deviation = error.deviation_between(below.speed, below.height, above.speed, above.height, z, obukhov_length)
    return speed, direction, deviation


def beyond_top(second: Level, top: Level, z: Array, obukhov_length: Array) -> tuple[Array, Array, Array]:
    """Carry a part of the slope between the two highest levels on above them: speed, direction, standard deviation.

    [m s-1, degree, m s-1]; fitted on [Tower] from tops at 80 and 87 m to 122 m; valid to 1.5 times the top level.
    """
    zeta = np.maximum(np.where(np.isnan(obukhov_length), 0.0, 10.0 / obukhov_length), 0.0)
    span = np.log(top.height / second.height)
    carried = np.maximum(1.0 - CARRIED_LOSS * span, LEAST_CARRIED)
    carried = np.minimum(carried + CARRIED_MORE_STABLE * zeta / (zeta + _CARRIED_ZETA), 1.0)
    slope = (top.speed - second.speed) / span
    speed = np.maximum(top.speed + carried * slope * np.log(z / top.height), 0.0)
    deviation = error.deviation_beyond(second.speed, second.height, top.speed, top.height, z, obukhov_length)
    return speed, top.direction, deviation


def from_one_level(
    only: Level,
    z: Array,
    roughness_length: npt.ArrayLike | None,
    displacement_height: npt.ArrayLike,
    obukhov_length: Array,
    stability_source: str,
) -> tuple[Array, Array, Codes]:
    """Carry the one level there is: log law with stability, neutral log law, power law.

    Speed and standard deviation [m s-1] and codes of `ProfileMethod`; valid from 2 to 150 m, sources in
    `wxfly.physics.wind.log_law`. Never above `LARGEST_RATIO` times the wind it starts from.
    """
    surface_known = roughness_length is not None
    z0 = np.asarray(OPEN_GROUND_ROUGHNESS_LENGTH if roughness_length is None else roughness_length, dtype=float)
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
    # Among the roughness elements the log law has no wind to start from.
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


def cubic_weights(x: npt.ArrayLike) -> tuple[Array, Array, Array, Array]:
    """Return the weights of four even points for the cubic through them.

    Parameters
    ----------
    x : array_like
        Place between the second point (0) and the third (1) [1].

    Returns
    -------
    tuple of ndarray
        Weights of the points at -1, 0, 1 and 2: Lagrange's polynomials. They add up to 1.
    """
    x = np.asarray(x, dtype=float)
    return (
        np.asarray(-x * (x - 1) * (x - 2) / 6),
        np.asarray((x + 1) * (x - 1) * (x - 2) / 2),
        np.asarray(-(x + 1) * x * (x - 2) / 2),
        np.asarray((x + 1) * x * (x - 1) / 6),
    )
