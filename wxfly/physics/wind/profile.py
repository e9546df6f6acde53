"""Wind at any height near the ground, from whatever levels a forecast has.

Between two levels the wind is interpolated in the logarithm of height, which needs neither roughness nor stability
and keeps jets and veer. From one level alone it follows the log law, corrected for stability where that is known. A
power law replaces it where not even the surface is known. Every value comes with its method and a standard deviation.

References
----------
[Tower] Hourly means at ten heights of a 135 m tower (NREL, 2012-2014), see the evidence page on wind.
[ICAO-9817] ICAO Doc 9817, Manual on Low-level Wind Shear: shear is reported per 30 m (100 ft) of height.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from wxfly.physics.arrays import at_least, floating
from wxfly.physics.wind import error
from wxfly.physics.wind.components import (
    direction_from_components,
    wind_components,
    within_circle,
)
from wxfly.physics.wind.surface_layer import (
    OPEN_GROUND_ROUGHNESS_LENGTH,
    StabilitySource,
    power_law_wind_speed,
    surface_layer_wind_speed,
)

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
HIGHEST_ABOVE_TOP = 1.53
"""Largest ratio of a height to the top level up to which the slope alone is continued [1]: on [Tower] it was measured
up to 1.525, from 80 to 122 m."""
_NOTHING_LESS_FROM = 1.6
"""Ratio from which the wind is nothing less than by the law of one level [1]. In between that comes in evenly, so that
there is no step in height; common practice, no source."""

# 10 m/L from very unstable to very stable. The steps are small where either source of stability gives the strongest
# wind at flight height; rounding up makes up for the gaps between them.
EVERY_STABILITY = (
    -20.0, 0.02, 0.03, 0.04, 0.05, 0.055, 0.06, 0.065, 0.07, 0.08, 0.09,
    0.1, 0.12, 0.14, 0.16, 0.18, 0.2, 0.23, 0.27, 0.35, 0.5, 1e3,
)  # fmt: skip
ROUNDED_UP = 1.002

DIFFERENCE_LOWEST, DIFFERENCE_DEPTH = 10.0, 30.0
"""Bottom and depth of the lowest layer whose wind difference counts, however low the flight [m]."""


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


METHODS_FROM_ONE_LEVEL = (ProfileMethod.STABILITY_LOG_LAW, ProfileMethod.NEUTRAL_LOG_LAW, ProfileMethod.POWER_LAW)


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


def speed_beyond_top(second: Level, top: Level, z: Array, obukhov_length: Array) -> Array:
    """Return the speed of the wind above the two highest levels [m s-1].

    Part of the slope between the two levels continues above them. Fitted on [Tower] from top levels of 80 and 87 m to
    122 m; valid up to 1.5 times the top level; beyond `HIGHEST_ABOVE_TOP` `WindProfile` has a least wind.
    """
    zeta = np.maximum(np.where(np.isnan(obukhov_length), 0.0, 10.0 / obukhov_length), 0.0)
    span = np.log(top.height / second.height)
    share = np.maximum(1.0 - CONTINUED_LOSS * span, LEAST_CONTINUED)
    share = np.minimum(share + CONTINUED_MORE_STABLE * zeta / (zeta + _CONTINUED_ZETA), 1.0)
    slope = (top.speed - second.speed) / span
    return at_least(top.speed + share * slope * np.log(z / top.height), 0.0)


def deviation_beyond_top(second: Level, top: Level, z: Array, obukhov_length: Array) -> Array:
    """Return the standard deviation of the speed that `speed_beyond_top` returns [m s-1]."""
    return error.deviation_beyond(second.speed, second.height, top.speed, top.height, z, obukhov_length)


def from_one_level(
    only: Level,
    z: Array,
    roughness_length: npt.ArrayLike | None,
    obukhov_length: Array,
    stability_source: StabilitySource,
) -> tuple[Array, Array, Codes]:
    """Return speed and standard deviation [m s-1] and codes of `ProfileMethod`, extrapolated from the only level.

    By the log law with stability, the neutral log law, or the power law of `wxfly.physics.wind.surface_layer`. Valid
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


class UnknownStability(StrEnum):
    """What an Obukhov length of NaN means."""

    NEUTRAL = "neutral"
    CAREFUL = "careful"


class WindProfile:
    """The wind at the levels of a forecast, hour by hour, converted to any height.

    Parameters
    ----------
    wind_speed, wind_from_direction : array_like
        Shape ``[..., level]`` [m s-1, degree]. A missing direction leaves the speed and gives no direction.
    heights : array_like
        Levels above ground, increasing, ``[level]`` or ``[..., level]`` [m], for example heights from 10 m up
        and then pressure levels above ground. NaN removes a level from the axis. A level of the axis whose speed is NaN
        is lost: the wind is unknown in an hour that needs it, so that a loss never gives a confident lower wind. A
        level that is not needed changes nothing.
    roughness_length : array_like, optional
        Of the surface that the lowest level belongs to, broadcast against ``[...]`` [m]. Used only below the
        lowest level and where there is only one level.
    obukhov_length : array_like, optional
        From `wxfly.physics.wind.surface_layer`, broadcast against ``[...]`` [m]; NaN where unknown.
    stability_source : StabilitySource, optional
        What the Obukhov length was estimated from. It sets the weight of stability and the standard deviation.
    interpolation : Interpolation, optional
        Between two levels, a straight line in ln(height), or one bent by the shear itself. More shear than over open
        ground means stable air, where the bend lowers the wind between the levels. Less shear means mixing or a jet,
        where it raises the wind. The curve is closer to measurements (evidence page); the line is the reference.
    unknown_stability : UnknownStability, optional
        What an Obukhov length of NaN means. "careful" gives the largest wind and the largest standard deviation of any
        stability. It is for hours that lack what stability needs, in a forecast that normally provides it.

    Raises
    ------
    ValueError
        For heights that are not positive or an unknown choice.
    """

    def __init__(
        self,
        wind_speed: npt.ArrayLike,
        wind_from_direction: npt.ArrayLike,
        heights: npt.ArrayLike,
        *,
        roughness_length: npt.ArrayLike | None = None,
        obukhov_length: npt.ArrayLike | None = None,
        stability_source: StabilitySource = StabilitySource.TEMPERATURES,
        interpolation: Interpolation = Interpolation.LOGARITHMIC,
        unknown_stability: UnknownStability = UnknownStability.NEUTRAL,
    ) -> None:
        for choice, valid in zip(
            (interpolation, stability_source, unknown_stability),
            (Interpolation, StabilitySource, UnknownStability),
            strict=True,
        ):
            if choice not in tuple(valid):
                raise ValueError(f"{choice!r} is not one of {', '.join(valid)}")
        self.speed, self.heights = floating(wind_speed), _above_ground(heights)
        self.direction = np.broadcast_to(floating(wind_from_direction), self.speed.shape)
        self.roughness_length = None if roughness_length is None else floating(roughness_length)
        self.length = floating(np.nan if obukhov_length is None else obukhov_length)
        self.stability_source, self.interpolation = stability_source, interpolation
        self.is_careful = unknown_stability == UnknownStability.CAREFUL and bool(np.isnan(self.length).any())

    def at(self, wanted_heights: npt.ArrayLike) -> WindAtHeight:
        """Return the wind at many heights ``[wanted]`` [m]; arrays of shape ``[..., wanted]``, as `wind_at_height`."""
        wanted = _above_ground(wanted_heights)
        if not self._levels:
            count, ground = wanted.size, self.roughness_length
            spread = WindProfile(
                np.broadcast_to(self.speed[..., None, :], (*self.speed.shape[:-1], count, self.speed.shape[-1])),
                self.direction[..., None, :],
                self.heights if self.heights.ndim == 1 else self.heights[..., None, :],
                roughness_length=None if ground is None else ground[..., None],
                obukhov_length=self.length[..., None],
                stability_source=self.stability_source,
                interpolation=self.interpolation,
                unknown_stability=UnknownStability.CAREFUL if self.is_careful else UnknownStability.NEUTRAL,
            )
            return spread.at_each(wanted)
        everywhere = self.speed.shape[:-1]
        found = [self._at_common(z) for z in wanted.tolist()]
        # One height after the other in memory, on the last axis of the result.
        together = (
            np.moveaxis(np.stack([np.broadcast_to(v, everywhere) for v in part]), 0, -1)
            for part in zip(*found, strict=True)
        )
        return WindAtHeight(*together)

    def difference(self, wanted_height: npt.ArrayLike) -> Array:
        """Return the largest vector difference of the wind over 30 m that a climb to the height passes.

        Parameters
        ----------
        wanted_height : array_like
            Scalar, or ``[wanted]`` for many heights at once [m].

        Returns
        -------
        ndarray
            [m s-1] over `DIFFERENCE_DEPTH`, the depth for which shear is reported [ICAO-9817], shape ``[...]``, or
            ``[..., wanted]``; NaN where a needed direction or level is unknown. Layers have their tops every 10 m up to
            the wanted height; the lowest layer always counts. Valid where `wind_at_height` is, for tops up to 300 m.
        """
        wanted = np.atleast_1d(floating(wanted_height))
        lowest_top = DIFFERENCE_LOWEST + DIFFERENCE_DEPTH
        own_top = np.maximum(wanted, lowest_top)
        tops = np.union1d(np.arange(lowest_top, own_top.max(), 10.0), own_top)
        ends = np.concatenate([tops - DIFFERENCE_DEPTH, tops])
        if self._levels:
            at = {z: self._components_at_common(z) for z in np.unique(ends).tolist()}
        else:
            wind = self.at(ends)
            parts = wind_components(np.moveaxis(wind.wind_speed, -1, 0), np.moveaxis(wind.wind_from_direction, -1, 0))
            at = dict(zip(ends.tolist(), zip(*parts, strict=True), strict=True))
        differences = []
        for top in tops.tolist():
            (east_below, north_below), (east, north) = at[top - DIFFERENCE_DEPTH], at[top]
            differences.append(np.sqrt((east - east_below) ** 2 + (north - north_below) ** 2))
        every_10_m = np.isclose(np.mod(tops - lowest_top, 10.0), 0.0)
        passed = (every_10_m & (tops < own_top[:, None])) | (tops == own_top[:, None])
        largest = [
            np.maximum.reduce([d for d, counts in zip(differences, row, strict=True) if counts]) for row in passed
        ]
        return np.asarray(largest[0] if np.ndim(wanted_height) == 0 else np.moveaxis(np.stack(largest), 0, -1))

    # --- levels that are the same in every hour ---

    @cached_property
    def _levels(self) -> list[Level]:
        """The levels, where they are the same in every hour; empty where every hour must look for its own."""
        if self.is_careful or self.heights.ndim != 1 or np.isnan(self.heights).any():
            return []
        everywhere = np.ones(self.speed.shape[:-1], dtype=bool)
        own = self.heights.astype(self.speed.dtype)  # so that single precision stays as it is
        return [Level(everywhere, self.speed[..., k], self.direction[..., k], own[k]) for k in range(own.size)]

    def _method(self, wanted: float) -> tuple[ProfileMethod, tuple[Level, ...]]:
        """Return how the wind at a height is found, and the levels that it is found from."""
        heights = [float(level.height) for level in self._levels]
        above = int(np.searchsorted(heights, wanted, side="right"))
        if above and heights[above - 1] == wanted:
            return ProfileMethod.AT_LEVEL, (self._levels[above - 1],)
        if 0 < above < len(heights):
            return ProfileMethod.BETWEEN_LEVELS, (self._levels[above - 1], self._levels[above])
        if above > 1:
            return ProfileMethod.ABOVE_TOP_LEVEL, (self._levels[-2], self._levels[-1])
        return ProfileMethod.NOT_KNOWN, (self._levels[0],)

    def _at_common(self, wanted: float) -> WindAtHeight:
        """Return the wind at a height [m]."""
        (method, near), z, length = self._method(wanted), np.asarray(wanted, dtype=self.speed.dtype), self.length
        if method is ProfileMethod.AT_LEVEL:
            return _known(near[0].speed, within_circle(near[0].direction), np.zeros((), self.speed.dtype), method)
        if method is ProfileMethod.BETWEEN_LEVELS:
            deviation = deviation_between_levels(near[0], near[1], z, length)
            return _known(*between_levels(near[0], near[1], z, self.interpolation), deviation, method)
        if method is ProfileMethod.ABOVE_TOP_LEVEL:
            speed, deviation = self._above_top(near[0], near[1], z)
            return _known(speed, within_circle(near[1].direction), deviation, method)
        value, deviation, methods = self._from_one_level(near[0], z)
        return _known(value, within_circle(near[0].direction), deviation, methods)

    def _components_at_common(self, wanted: float) -> tuple[Array, Array]:
        """Return the eastward and northward wind [m s-1] by the speed and the direction that `_at_common` gives.

        Sines of a direction are those of the wind it comes from, so no angle is worked out.
        """
        (method, near), z = self._method(wanted), np.asarray(wanted, dtype=self.speed.dtype)
        east, north = near[-1].components
        if method is ProfileMethod.AT_LEVEL:
            return east, north
        if method is ProfileMethod.BETWEEN_LEVELS:
            speed = speed_between_levels(near[0], near[1], z, self.interpolation)
            east, north = components_between_levels(near[0], near[1], z)
            length = np.sqrt(east * east + north * north)
        elif method is ProfileMethod.ABOVE_TOP_LEVEL:
            speed, length = self._above_top(near[0], near[1], z)[0], near[1].speed
        else:
            speed, length = self._from_one_level(near[0], z)[0], near[0].speed
        is_calm = length == 0  # a calm comes from north, by definition
        stretch = speed / np.where(is_calm, 1.0, length)
        return east * stretch, np.where(is_calm, -speed, north * stretch)

    def _from_one_level(self, only: Level, z: Array) -> tuple[Array, Array, Codes]:
        return from_one_level(only, z, self.roughness_length, self.length, self.stability_source)

    def _above_top(self, second: Level, top: Level, z: Array) -> tuple[Array, Array]:
        """Return speed and standard deviation above the two highest levels [m s-1].

        Far above them their slope tells little, so either level alone gives the least speed and the least deviation.
        """
        speed = speed_beyond_top(second, top, z, self.length)
        deviation = deviation_beyond_top(second, top, z, self.length)
        share = (z / top.height - HIGHEST_ABOVE_TOP) / (_NOTHING_LESS_FROM - HIGHEST_ABOVE_TOP)
        share = np.clip(share, 0.0, 1.0).astype(speed.dtype)
        if not (share > 0).any():
            return speed, deviation
        (speed_by_second, deviation_by_second, _), (speed_by_top, deviation_by_top, _) = (
            self._from_one_level(level, z) for level in (second, top)
        )
        more_speed = at_least(np.maximum(speed_by_second, speed_by_top) - speed, 0.0)
        more_deviation = at_least(np.maximum(deviation_by_second, deviation_by_top) - deviation, 0.0)
        return speed + share * more_speed, deviation + share * more_deviation

    # --- every hour by itself ---

    def at_each(self, wanted_height: npt.ArrayLike) -> WindAtHeight:
        """Return the wind of every hour at its own height [m], broadcast against ``[...]``, as `wind_at_height`."""
        shape = np.broadcast_shapes(self.speed.shape[:-1], np.shape(wanted_height))
        z = np.broadcast_to(_above_ground(wanted_height), shape)
        if self.speed.shape[-1] == 0:
            nothing = np.full(shape, np.nan)
            return WindAtHeight(nothing, nothing, nothing, np.zeros(shape, np.int8))
        wind = self._from_nearest_levels(z)
        lost = np.isnan(self.length) & ~np.isnan(wind.wind_speed) & (wind.method != ProfileMethod.AT_LEVEL)
        if self.is_careful and lost.any():
            value, deviation = self._largest_of_any_stability(wind, z, lost)
            wind.wind_speed[lost], wind.standard_deviation[lost] = value, deviation
        return _known(wind.wind_speed, np.mod(wind.wind_from_direction, 360.0), wind.standard_deviation, wind.method)

    def _from_nearest_levels(self, z: Array) -> WindAtHeight:
        """Return the wind by the method that the levels nearest to each height allow; NaN where there is none."""
        heights = np.broadcast_to(self.heights, self.speed.shape)

        def nearest(mask: Mask, *, last: bool) -> Level:
            return chosen_level(self.speed, self.direction, heights, ~np.isnan(heights) & mask, last=last)

        below = nearest(heights <= z[..., None], last=True)
        above = nearest(heights > z[..., None], last=False)
        at_level = below.found & (below.height == z)
        between = below.found & above.found & ~at_level
        beyond = below.found & ~above.found & ~at_level
        alone = (below.found ^ above.found) & ~at_level
        value, turn = np.where(at_level, below.speed, np.nan), np.where(at_level, below.direction, np.nan)
        deviation = np.where(at_level, 0.0, np.nan)
        method = np.where(at_level, np.int8(ProfileMethod.AT_LEVEL), np.int8(ProfileMethod.NOT_KNOWN))
        got: list[tuple[Mask, npt.ArrayLike, tuple[Array, Array, Array]]] = []
        if between.any():
            error = deviation_between_levels(below, above, z, self.length)
            wind = between_levels(below, above, z, self.interpolation)
            got.append((between, ProfileMethod.BETWEEN_LEVELS, (*wind, error)))
        if beyond.any():
            second = nearest(heights < below.height[..., None], last=True)
            beyond = beyond & second.found
            alone = alone & ~beyond
            speed, error = self._above_top(second, below, z)
            got.append((beyond, ProfileMethod.ABOVE_TOP_LEVEL, (speed, below.direction, error)))
        if alone.any():
            only = either(below, above)
            speed, error, methods = self._from_one_level(only, z)
            got.append((alone, methods, (speed, only.direction, error)))
        for mask, code, (new_value, new_turn, new_deviation) in got:
            value, turn = np.where(mask, new_value, value), np.where(mask, new_turn, turn)
            deviation = np.where(mask, new_deviation, deviation)
            method = np.where(mask, np.asarray(code, dtype=np.int8), method)
        return WindAtHeight(value, turn, deviation, method)

    def _largest_of_any_stability(self, wind: WindAtHeight, z: Array, lost: Mask) -> tuple[Array, Array]:
        """Return the largest wind and standard deviation of any stability in lost hours, and of those found there."""
        speed, direction, heights = (
            np.broadcast_to(a, (*z.shape, self.speed.shape[-1]))[lost]
            for a in (self.speed, self.direction, self.heights)
        )
        ground = None if self.roughness_length is None else np.broadcast_to(self.roughness_length, z.shape)[lost]
        value, deviation = wind.wind_speed[lost], wind.standard_deviation[lost]
        for zeta in EVERY_STABILITY:
            other = WindProfile(
                speed,
                direction,
                heights,
                roughness_length=ground,
                obukhov_length=10.0 / zeta,
                stability_source=self.stability_source,
                interpolation=self.interpolation,
            ).at_each(z[lost])
            value = np.where(other.wind_speed > value, other.wind_speed * ROUNDED_UP, value)
            deviation = np.maximum(deviation, other.standard_deviation)
        return value, deviation


def wind_at_height(
    wind_speed: npt.ArrayLike,
    wind_from_direction: npt.ArrayLike,
    heights: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    **known: Any,
) -> WindAtHeight:
    """Return the wind at a height from whatever levels exist, with the method used.

    Parameters
    ----------
    wind_speed, wind_from_direction, heights
        As in `WindProfile`.
    wanted_height : array_like
        Above ground, scalar or broadcast against ``[...]`` [m]; 2 to 300 m.
    **known
        Keyword arguments of `WindProfile`.

    Returns
    -------
    WindAtHeight
        Arrays of shape ``[...]``. Exact at the levels, continuous in height and in stability.

    Notes
    -----
    Speed and direction are interpolated separately: the direction is that of the interpolated components. The length
    of the interpolated components would lose wind where the wind turns with height, and is never larger. On [Tower]
    from 10 and 122 m to 38 m its error is 0.67 m/s, that of the interpolated speed 0.40 m/s.

    Examples
    --------
    >>> wind_at_height([5.0, 9.0], [240.0, 260.0], [10.0, 80.0], 40.0).wind_speed.round(2).item()
    7.67
    """
    return WindProfile(wind_speed, wind_from_direction, heights, **known).at_each(wanted_height)


def _above_ground(heights: npt.ArrayLike) -> Array:
    above = floating(heights)
    if (above <= 0).any():
        raise ValueError("heights must be above ground: positive, in m")
    return above


def _known(value: Array, turn: Array, deviation: Array, method: npt.ArrayLike) -> WindAtHeight:
    """Put the results together; where the speed is unknown, all is."""
    known = ~np.isnan(value)
    return WindAtHeight(
        value,
        np.where(known, turn, np.nan),
        np.where(known, deviation, np.nan),
        np.where(known, method, np.int8(ProfileMethod.NOT_KNOWN)).astype(np.int8),
    )
