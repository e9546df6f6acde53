"""Wind at any height near the ground, from whatever levels a forecast has.

Between two levels the components of the wind are interpolated in the logarithm of height, which needs neither
roughness nor stability and keeps jets and veer. From one level alone the wind follows the log law, bent by
stability where that is known, or a power law where not even the surface is known. Every value comes with the
method that gave it and a standard deviation.

References
----------
[Stull-1988] Stull, R. B. (1988): An Introduction to Boundary Layer Meteorology, chapter 9: log law.
[WMO-8] WMO-No. 8, Guide to Instruments and Methods of Observation: wind is measured 10 m above open ground;
    direction is that from which the wind comes, clockwise from north.
"""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from wxfly.physics.stability import momentum_stability_correction

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int8]

POWER_LAW_EXPONENT = 1 / 7
"""Exponent of the power law over open land [1]; common practice in wind engineering."""
DEFAULT_ROUGHNESS_LENGTH = 0.03
"""Roughness length that a 10 m wind belongs to where none is known [m]: open ground with short grass, [WMO-8]."""
LARGEST_RATIO = 2.5
"""Cap on wind aloft over wind at the level it was carried from; beyond, similarity theory is out of its range."""
MISSING_LEVEL = ("not known", "use the others")


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
        [degree], 0 to 360; NaN where not known or calm levels leave none.
    standard_deviation : ndarray
        Of the error that the change of height adds to the speed [m s-1].
    method : ndarray of int8
        Codes of `ProfileMethod`.
    """

    wind_speed: Array
    wind_from_direction: Array
    standard_deviation: Array
    method: Codes


def wind_components(wind_speed: npt.ArrayLike, wind_from_direction: npt.ArrayLike) -> tuple[Array, Array]:
    """Split a wind into its eastward and northward components.

    Parameters
    ----------
    wind_speed : array_like
        [m s-1], not negative.
    wind_from_direction : array_like
        Where the wind comes from, clockwise from north [degree]; broadcast against the speed.

    Returns
    -------
    eastward_wind, northward_wind : ndarray
        [m s-1]. A calm has no direction and gives 0, 0 whatever the direction.
    """
    speed = np.asarray(wind_speed, dtype=float)
    angle = np.deg2rad(np.where(speed == 0, 0.0, wind_from_direction))
    return np.asarray(-speed * np.sin(angle)), np.asarray(-speed * np.cos(angle))


def wind_from_components(eastward_wind: npt.ArrayLike, northward_wind: npt.ArrayLike) -> tuple[Array, Array]:
    """Put a wind together from its components; the inverse of `wind_components`.

    Parameters
    ----------
    eastward_wind, northward_wind : array_like
        [m s-1], broadcast against each other.

    Returns
    -------
    wind_speed : ndarray
        [m s-1].
    wind_from_direction : ndarray
        [degree], 0 up to but not including 360; 0 for a calm.
    """
    east, north = np.asarray(eastward_wind, dtype=float), np.asarray(northward_wind, dtype=float)
    direction = np.mod(np.rad2deg(np.arctan2(-east, -north)), 360.0)
    speed = np.hypot(east, north)
    direction = np.where((direction >= 360.0) | (speed == 0), 0.0, direction)
    return np.asarray(speed), np.asarray(np.where(np.isnan(speed), np.nan, direction))


def log_law_wind_speed(
    wind_speed: npt.ArrayLike,
    height: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    roughness_length: npt.ArrayLike,
    *,
    displacement_height: npt.ArrayLike = 0.0,
    obukhov_length: npt.ArrayLike = np.inf,
) -> Array:
    """Carry a wind speed from one height to another by the log law.

    Parameters
    ----------
    wind_speed : array_like
        At `height` [m s-1].
    height, wanted_height : array_like
        Above ground [m].
    roughness_length : array_like
        [m], 1e-5 to 3.
    displacement_height : array_like, optional
        Of woods and towns [m]; both heights are counted from it.
    obukhov_length : array_like, optional
        [m]; infinite (neutral) by default.

    Returns
    -------
    ndarray
        [m s-1], never negative. All arguments are broadcast. Within the roughness elements, below
        displacement height plus roughness length, it is 0.

    Notes
    -----
    ``U(z)/U(zr) = [ln((z-d)/z0) - psi((z-d)/L) + psi(z0/L)] / [same at zr]``, [Stull-1988]. Valid for
    z > d + 10 z0 in the surface layer. Not capped; `wind_at_height` caps it.
    """
    z0 = np.asarray(roughness_length, dtype=float)
    over = _log_law_shape(np.asarray(wanted_height, float) - displacement_height, z0, obukhov_length)
    under = _log_law_shape(np.asarray(height, float) - displacement_height, z0, obukhov_length)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(under > 0, over / under, np.nan)
    return np.asarray(np.asarray(wind_speed, dtype=float) * ratio)


def _log_law_shape(height: npt.ArrayLike, z0: Array, obukhov_length: npt.ArrayLike) -> Array:
    z = np.maximum(np.asarray(height, dtype=float), z0)
    over_length = 1.0 / np.asarray(obukhov_length, dtype=float)
    psi = momentum_stability_correction(z * over_length) - momentum_stability_correction(z0 * over_length)
    return np.asarray(np.maximum(np.log(z / z0) - psi, 0.0))


def power_law_wind_speed(
    wind_speed: npt.ArrayLike,
    height: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    exponent: npt.ArrayLike = POWER_LAW_EXPONENT,
) -> Array:
    """Carry a wind speed from one height to another by the power law.

    Parameters
    ----------
    wind_speed : array_like
        At `height` [m s-1].
    height, wanted_height : array_like
        Above ground [m].
    exponent : array_like, optional
        [1]; 1/7 by default (open land, neutral air; common practice).

    Returns
    -------
    ndarray
        ``U(zr) (z/zr)**exponent`` [m s-1].
    """
    ratio = np.asarray(wanted_height, dtype=float) / np.asarray(height, dtype=float)
    return np.asarray(np.asarray(wind_speed, dtype=float) * ratio ** np.asarray(exponent, dtype=float))


def wind_at_height(
    wind_speed: npt.ArrayLike,
    wind_from_direction: npt.ArrayLike,
    heights: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    *,
    roughness_length: npt.ArrayLike | None = None,
    obukhov_length: npt.ArrayLike | None = None,
    missing_level: str = "not known",
) -> WindAtHeight:
    """Give the wind at a height from whatever levels exist, and say which method gave it.

    Parameters
    ----------
    wind_speed, wind_from_direction : array_like
        Shape ``[..., level]`` [m s-1, degree]. A missing direction leaves the speed, interpolated without
        turning (which is never lower), and gives no direction.
    heights : array_like
        Of the levels above ground, increasing, ``[level]`` or ``[..., level]`` [m]; NaN takes a level out.
    wanted_height : array_like
        Above ground, scalar or broadcast against ``[...]`` [m]; 2 to 300 m.
    roughness_length : array_like, optional
        Of the surface that the lowest level belongs to, broadcast against ``[...]`` [m]. Used only below the
        lowest level and from one level alone.
    obukhov_length : array_like, optional
        From `wxfly.physics.stability`, broadcast against ``[...]`` [m]; NaN where not known.
    missing_level : {"not known", "use the others"}
        What a NaN speed on a level of the axis means for an hour that needs the level. By default the wind is
        not known there, so that a level lost from a forecast never gives a confident lower wind; a level that is
        not needed changes nothing, and a level that the model does not carry is not on the axis. The other
        choice takes the next levels there are; its standard deviation is that of the longer way.

    Returns
    -------
    WindAtHeight
        Arrays of shape ``[...]``.

    Raises
    ------
    ValueError
        For heights that are not positive or an unknown `missing_level`.
    """
    if missing_level not in MISSING_LEVEL:
        raise ValueError(f"missing_level {missing_level!r} is not one of {', '.join(MISSING_LEVEL)}")
    speed = np.asarray(wind_speed, dtype=float)
    direction = np.broadcast_to(np.asarray(wind_from_direction, dtype=float), speed.shape)
    level = np.broadcast_to(np.asarray(heights, dtype=float), speed.shape)
    z = np.broadcast_to(np.asarray(wanted_height, dtype=float), speed.shape[:-1])
    if speed.shape[-1] == 0:
        nothing = np.full(speed.shape[:-1], np.nan)
        return WindAtHeight(nothing, nothing, nothing, np.zeros(nothing.shape, np.int8))
    if (level <= 0).any() or (z <= 0).any():
        raise ValueError("heights must be above ground: positive, in m")

    there = ~np.isnan(level)
    if missing_level == "use the others":
        there = there & ~np.isnan(speed)
    below = _Level(speed, direction, level, there & (level <= z[..., None]), last=True)
    above = _Level(speed, direction, level, there & (level > z[..., None]), last=False)
    second = _Level(speed, direction, level, there & (level < below.height[..., None]), last=True)

    at_level = below.found & (below.height == z)
    between = below.found & above.found & ~at_level
    beyond = below.found & ~above.found & ~at_level & second.found
    alone = (below.found | above.found) & ~at_level & ~between & ~beyond

    value = np.full(z.shape, np.nan)
    turn = np.full(z.shape, np.nan)
    method = np.zeros(z.shape, np.int8)
    for mask, code, (got_speed, got_direction) in (
        (at_level, ProfileMethod.AT_LEVEL, (below.speed, below.direction)),
        (between, ProfileMethod.BETWEEN_LEVELS, _between(below, above, z)),
        (beyond, ProfileMethod.ABOVE_TOP_LEVEL, _above(second, below, z)),
    ):
        value, turn = np.where(mask, got_speed, value), np.where(mask, got_direction, turn)
        method = np.where(mask, np.int8(code), method)
    if alone.any():
        only = _nearest(below, above)
        alone_speed, alone_method = _alone(only, z, roughness_length, obukhov_length)
        value, turn = np.where(alone, alone_speed, value), np.where(alone, only.direction, turn)
        method = np.where(alone, alone_method, method)
    method = np.where(np.isnan(value), np.int8(ProfileMethod.NOT_KNOWN), method).astype(np.int8)
    from_height = np.where(below.found, below.height, above.height)
    deviation = _standard_deviation(method, value, z, from_height, above.height)
    return WindAtHeight(value, np.mod(turn, 360.0), deviation, method)


class _Level:
    """One level picked for each hour."""

    def __init__(self, speed: Array, direction: Array, height: Array, mask: npt.NDArray[np.bool_], last: bool):
        count = mask.shape[-1]
        index = count - 1 - np.argmax(mask[..., ::-1], axis=-1) if last else np.argmax(mask, axis=-1)
        self.found = mask.any(axis=-1)
        self.speed, self.direction, self.height = (
            np.where(self.found, np.take_along_axis(values, index[..., None], axis=-1)[..., 0], np.nan)
            for values in (speed, direction, height)
        )


def _nearest(below: _Level, above: _Level) -> _Level:
    only = object.__new__(_Level)
    only.found = below.found | above.found
    for name in ("speed", "direction", "height"):
        setattr(only, name, np.where(below.found, getattr(below, name), getattr(above, name)))
    return only


def _between(below: _Level, above: _Level, z: Array) -> tuple[Array, Array]:
    weight = np.log(z / below.height) / np.log(above.height / below.height)
    east_below, north_below = wind_components(below.speed, below.direction)
    east_above, north_above = wind_components(above.speed, above.direction)
    speed, direction = wind_from_components(
        east_below + weight * (east_above - east_below), north_below + weight * (north_above - north_below)
    )
    without_turning = below.speed + weight * (above.speed - below.speed)
    return np.where(np.isnan(speed), without_turning, speed), direction


def _above(second: _Level, top: _Level, z: Array) -> tuple[Array, Array]:
    """Keep the wind of the top level: carrying on the shear below it misleads more than it helps."""
    del second, z
    return top.speed, top.direction


def _alone(
    only: _Level, z: Array, roughness_length: npt.ArrayLike | None, obukhov_length: npt.ArrayLike | None
) -> tuple[Array, Codes]:
    length = np.full(z.shape, np.nan) if obukhov_length is None else np.broadcast_to(obukhov_length, z.shape)
    known_surface = roughness_length is not None
    z0 = np.broadcast_to(
        np.asarray(roughness_length if known_surface else DEFAULT_ROUGHNESS_LENGTH, dtype=float), z.shape
    )
    stable_known = ~np.isnan(np.asarray(length, dtype=float))
    by_log_law = log_law_wind_speed(
        only.speed, only.height, z, z0, obukhov_length=np.where(stable_known, length, np.inf)
    )
    by_power = power_law_wind_speed(only.speed, only.height, z)
    method = np.where(
        stable_known,
        np.int8(ProfileMethod.STABILITY_LOG_LAW),
        np.int8(ProfileMethod.NEUTRAL_LOG_LAW if known_surface else ProfileMethod.POWER_LAW),
    )
    value = np.where(method == ProfileMethod.POWER_LAW, by_power, by_log_law)
    return np.minimum(value, LARGEST_RATIO * only.speed), method


def _standard_deviation(method: Codes, speed: Array, z: Array, nearest: Array, above: Array) -> Array:
    """Give the error that the change of height adds: a share of the speed per unit of ln z."""
    with np.errstate(invalid="ignore"):
        way = np.abs(np.log(z / nearest))
        between = np.minimum(way, np.abs(np.log(above / z)))
        way = np.where(method == ProfileMethod.BETWEEN_LEVELS, between, way)
    share = np.array([np.nan, 0.0, 0.06, 0.12, 0.08, 0.10, 0.11])[method]
    deviation = np.hypot(0.3, share * speed) * np.minimum(way, 1.5)
    return np.where(method == ProfileMethod.NOT_KNOWN, np.nan, deviation)


def wind_difference_with_height(
    wind_speed: npt.ArrayLike,
    wind_from_direction: npt.ArrayLike,
    heights: npt.ArrayLike,
    wanted_height: float,
    *,
    depth: float = 30.0,
    **profile: object,
) -> Array:
    """Give the largest vector difference of the wind over a layer that a climb to the height passes.

    Parameters
    ----------
    wind_speed, wind_from_direction, heights, wanted_height
        As in `wind_at_height`; `wanted_height` is a scalar [m].
    depth : float, optional
        Depth of the layer [m]; the aviation practice is 30 m (100 ft).
    **profile
        Keyword arguments of `wind_at_height`.

    Returns
    -------
    ndarray
        [m s-1] per `depth`, shape ``[...]``; NaN where a direction or a level needed is not known. Layers have
        their top every 10 m from 10 m plus the depth up to the wanted height; below that height the lowest one.
    """
    tops = np.append(np.arange(10.0 + depth, wanted_height, 10.0), max(wanted_height, 10.0 + depth))
    largest = None
    for top in tops:
        low = wind_at_height(wind_speed, wind_from_direction, heights, top - depth, **profile)  # type: ignore[arg-type]
        high = wind_at_height(wind_speed, wind_from_direction, heights, top, **profile)  # type: ignore[arg-type]
        east_low, north_low = wind_components(low.wind_speed, low.wind_from_direction)
        east_high, north_high = wind_components(high.wind_speed, high.wind_from_direction)
        difference = np.hypot(east_high - east_low, north_high - north_low)
        largest = difference if largest is None else np.maximum(largest, difference)
    assert largest is not None
    return largest
