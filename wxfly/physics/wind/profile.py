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

from collections.abc import Sequence
from enum import StrEnum
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from wxfly.physics.precision import floating
from wxfly.physics.wind.levels import (
    EVERY_STABILITY,
    ROUNDED_UP,
    Interpolation,
    Level,
    ProfileMethod,
    WindAtHeight,
    between_levels,
    beyond_top,
    chosen_level,
    components_between_levels,
    deviation_between_levels,
    deviation_beyond_top,
    either,
    from_one_level,
    speed_between_levels,
)
from wxfly.physics.wind.log_law import (
    log_law_wind_speed,
    power_law_wind_speed,
    wind_components,
    wind_from_components,
    within_circle,
)
from wxfly.physics.wind.stability import StabilitySource

__all__ = [
    "Interpolation",
    "MissingLevel",
    "ProfileMethod",
    "StabilitySource",
    "UnknownStability",
    "WindAtHeight",
    "log_law_wind_speed",
    "power_law_wind_speed",
    "wind_at_height",
    "wind_components",
    "wind_difference_with_height",
    "wind_from_components",
    "wind_profile",
]

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int8]
Mask = npt.NDArray[np.bool_]


DIFFERENCE_LOWEST, DIFFERENCE_DEPTH = 10.0, 30.0
"""Bottom and depth of the lowest layer whose wind difference counts, however low the flight [m]."""


class MissingLevel(StrEnum):
    """What a speed of NaN on a level of the axis means for an hour that needs that level."""

    NOT_KNOWN = "not known"
    USE_THE_OTHERS = "use the others"


class UnknownStability(StrEnum):
    """What an Obukhov length of NaN means."""

    NEUTRAL = "neutral"
    CAREFUL = "careful"


def wind_at_height(
    wind_speed: npt.ArrayLike,
    wind_from_direction: npt.ArrayLike,
    heights: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    *,
    roughness_length: npt.ArrayLike | None = None,
    displacement_height: npt.ArrayLike = 0.0,
    obukhov_length: npt.ArrayLike | None = None,
    stability_source: StabilitySource = StabilitySource.TEMPERATURES,
    interpolation: Interpolation = Interpolation.LOGARITHMIC,
    missing_level: MissingLevel = MissingLevel.NOT_KNOWN,
    unknown_stability: UnknownStability = UnknownStability.NEUTRAL,
) -> WindAtHeight:
    """Return the wind at a height from whatever levels exist, with the method used.

    Parameters
    ----------
    wind_speed, wind_from_direction : array_like
        Shape ``[..., level]`` [m s-1, degree]. A missing direction leaves the speed and gives no direction.
    heights : array_like
        Levels above ground, increasing, ``[level]`` or ``[..., level]`` [m], for example heights from 10 m up
        and then pressure levels above ground. NaN removes a level from the axis.
    wanted_height : array_like
        Above ground, scalar or broadcast against ``[...]`` [m]; 2 to 300 m.
    roughness_length, displacement_height : array_like, optional
        The surface that the lowest level belongs to, broadcast against ``[...]`` [m]. Used only below the
        lowest level and where there is only one level.
    obukhov_length : array_like, optional
        From `wxfly.physics.wind.stability`, broadcast against ``[...]`` [m]; NaN where unknown.
    stability_source : StabilitySource, optional
        What the Obukhov length was estimated from. It sets the weight of stability and the standard deviation.
    interpolation : Interpolation, optional
        Between two levels, a straight line in ln(height), or one bent by the shear itself. More shear than over open
        ground means stable air, where the bend lowers the wind between the levels. Less shear means mixing or a jet,
        where it raises the wind. The curve is closer to measurements (evidence page); the line is the reference.
    missing_level : MissingLevel, optional
        What a NaN speed on a level of the axis means for an hour that needs that level. By default the wind is
        unknown there, so that a level lost from a forecast never gives a confident lower wind. A level that is
        not needed changes nothing. A level that the model does not provide is not on the axis. The other
        choice uses the nearest levels that exist; its standard deviation is that of the longer distance.
    unknown_stability : UnknownStability, optional
        What an Obukhov length of NaN means. "careful" gives the largest wind and the largest standard deviation of any
        stability. It is for hours that lack what stability needs, in a forecast that normally provides it.

    Returns
    -------
    WindAtHeight
        Arrays of shape ``[...]``. Exact at the levels, continuous in height and in stability.

    Raises
    ------
    ValueError
        For heights that are not positive or an unknown choice.

    Notes
    -----
    Speed and direction are interpolated separately: the direction is that of the interpolated components. The length
    of the interpolated components would lose wind where the wind turns with height, and is never larger. On [Tower]
    from 10 and 122 m to 38 m its error is 0.67 m/s, that of the interpolated speed 0.40 m/s.
    """
    _check_choices(missing_level, interpolation, stability_source, unknown_stability)
    speed = floating(wind_speed)
    direction = np.broadcast_to(floating(wind_from_direction), speed.shape)
    level = np.broadcast_to(floating(heights), speed.shape)
    shape = np.broadcast_shapes(speed.shape[:-1], np.shape(wanted_height))
    z = np.broadcast_to(floating(wanted_height), shape)
    if (level <= 0).any() or (z <= 0).any():
        raise ValueError("heights must be above ground: positive, in m")
    length = floating(np.nan if obukhov_length is None else obukhov_length)
    if speed.shape[-1] == 0:
        nothing = np.full(shape, np.nan)
        return WindAtHeight(nothing, nothing, nothing, np.zeros(shape, np.int8))

    there = ~np.isnan(level)
    if missing_level == MissingLevel.USE_THE_OTHERS:
        there = there & ~np.isnan(speed)
    at = _Levels(speed, direction, level, there)
    one_level = (roughness_length, displacement_height, length, stability_source)
    wind = _from_nearest_levels(at, z, length, interpolation, one_level)
    is_at_level = wind.method == ProfileMethod.AT_LEVEL
    lost = np.isnan(length) & ~np.isnan(wind.wind_speed) & ~is_at_level
    if unknown_stability == UnknownStability.CAREFUL and lost.any():
        speed, direction, level = (
            np.broadcast_to(a, (*shape, speed.shape[-1]))[lost] for a in (speed, direction, level)
        )
        wind.wind_speed[lost], wind.standard_deviation[lost] = _largest_of_any_stability(
            wind.wind_speed[lost],
            wind.standard_deviation[lost],
            speed,
            direction,
            level,
            z[lost],
            roughness_length=None if roughness_length is None else np.broadcast_to(roughness_length, shape)[lost],
            displacement_height=np.broadcast_to(displacement_height, shape)[lost],
            stability_source=stability_source,
            interpolation=interpolation,
            missing_level=missing_level,
        )
    return _known(wind.wind_speed, np.mod(wind.wind_from_direction, 360.0), wind.standard_deviation, wind.method)


class _Levels(NamedTuple):
    """Levels of every hour, shape ``[..., level]``, and which of them there are."""

    speed: Array
    direction: Array
    height: Array
    there: Mask

    def chosen(self, mask: Mask, *, last: bool) -> Level:
        """Return the last or the first level that there is and that a mask selects."""
        return chosen_level(self.speed, self.direction, self.height, self.there & mask, last=last)


def _from_nearest_levels(
    at: _Levels, z: Array, length: Array, interpolation: Interpolation, one_level: tuple[Any, ...]
) -> WindAtHeight:
    """Return the wind by the method that the levels nearest to each height allow; NaN where there is none."""
    below = at.chosen(at.height <= z[..., None], last=True)
    above = at.chosen(at.height > z[..., None], last=False)
    at_level = below.found & (below.height == z)
    between = below.found & above.found & ~at_level
    beyond = below.found & ~above.found & ~at_level
    alone = (below.found ^ above.found) & ~at_level
    value, turn = np.where(at_level, below.speed, np.nan), np.where(at_level, below.direction, np.nan)
    deviation = np.where(at_level, 0.0, np.nan)
    method = np.where(at_level, np.int8(ProfileMethod.AT_LEVEL), np.int8(ProfileMethod.NOT_KNOWN))
    got: list[tuple[Mask, npt.ArrayLike, tuple[Array, Array, Array]]] = []
    if between.any():
        error = deviation_between_levels(below, above, z, length)
        got.append((between, ProfileMethod.BETWEEN_LEVELS, (*between_levels(below, above, z, interpolation), error)))
    if beyond.any():
        second = at.chosen(at.height < below.height[..., None], last=True)
        beyond = beyond & second.found
        alone = alone & ~beyond
        error = deviation_beyond_top(second, below, z, length)
        got.append((beyond, ProfileMethod.ABOVE_TOP_LEVEL, (*beyond_top(second, below, z, length), error)))
    if alone.any():
        only = either(below, above)
        speed, error, methods = from_one_level(only, z, *one_level)
        got.append((alone, methods, (speed, only.direction, error)))
    for mask, code, (new_value, new_turn, new_deviation) in got:
        value, turn = np.where(mask, new_value, value), np.where(mask, new_turn, turn)
        deviation = np.where(mask, new_deviation, deviation)
        method = np.where(mask, np.asarray(code, dtype=np.int8), method)
    return WindAtHeight(value, turn, deviation, method)


def _largest_of_any_stability(
    value: Array, deviation: Array, speed: Array, direction: Array, level: Array, z: Array, **how: Any
) -> tuple[Array, Array]:
    """Return the largest wind and the largest standard deviation of any stability, and of those that were found."""
    for zeta in EVERY_STABILITY:
        other = wind_at_height(speed, direction, level, z, obukhov_length=10.0 / zeta, **how)
        value = np.where(other.wind_speed > value, other.wind_speed * ROUNDED_UP, value)
        deviation = np.maximum(deviation, other.standard_deviation)
    return value, deviation


def _check_choices(*given: str) -> None:
    for choice, valid in zip(given, (MissingLevel, Interpolation, StabilitySource, UnknownStability), strict=True):
        if choice not in tuple(valid):
            raise ValueError(f"{choice!r} is not one of {', '.join(valid)}")


def _known(value: Array, turn: Array, deviation: Array, method: npt.ArrayLike) -> WindAtHeight:
    """Put the results together; where the speed is unknown, all is."""
    known = ~np.isnan(value)
    return WindAtHeight(
        value,
        np.where(known, turn, np.nan),
        np.where(known, deviation, np.nan),
        np.where(known, method, np.int8(ProfileMethod.NOT_KNOWN)).astype(np.int8),
    )


def common_levels(speed: Array, direction: Array, heights: Array) -> list[Level]:
    """Return levels that are the same in every hour; empty where they differ or one has no height.

    Parameters
    ----------
    speed, direction : ndarray
        Shape ``[..., level]`` [m s-1, degree].
    heights : ndarray
        ``[level]``, or ``[..., level]`` where they differ [m].
    """
    if heights.ndim != 1 or np.isnan(heights).any():
        return []
    turn = np.broadcast_to(direction, speed.shape)
    everywhere = np.ones(speed.shape[:-1], dtype=bool)
    own = heights.astype(speed.dtype)  # so that single precision stays as it is
    return [Level(everywhere, speed[..., k], turn[..., k], own[k]) for k in range(heights.size)]


class _Profile:
    """The wind at any height from levels that are the same in every hour, as `wind_at_height` gives it."""

    def __init__(
        self,
        levels: Sequence[Level],
        length: Array,
        roughness_length: Array | None,
        displacement_height: npt.ArrayLike,
        stability_source: StabilitySource,
        interpolation: Interpolation,
    ) -> None:
        self.levels, self.length, self.interpolation = levels, length, interpolation
        self.precision = levels[0].speed.dtype
        self.one_level = (roughness_length, displacement_height, length, stability_source)

    def _method(self, wanted: float) -> tuple[ProfileMethod, tuple[Level, ...]]:
        """Return how the wind at a height is found, and the levels that it is found from."""
        heights = [float(level.height) for level in self.levels]
        above = int(np.searchsorted(heights, wanted, side="right"))
        if above and heights[above - 1] == wanted:
            return ProfileMethod.AT_LEVEL, (self.levels[above - 1],)
        if 0 < above < len(heights):
            return ProfileMethod.BETWEEN_LEVELS, (self.levels[above - 1], self.levels[above])
        if above > 1:
            return ProfileMethod.ABOVE_TOP_LEVEL, (self.levels[-2], self.levels[-1])
        return ProfileMethod.NOT_KNOWN, (self.levels[0],)

    def at(self, wanted: float) -> WindAtHeight:
        """Return the wind at a height [m]."""
        (method, near), z, length = self._method(wanted), np.asarray(wanted, dtype=self.precision), self.length
        if method is ProfileMethod.AT_LEVEL:
            return _known(near[0].speed, within_circle(near[0].direction), np.zeros((), self.precision), method)
        if method is ProfileMethod.BETWEEN_LEVELS:
            deviation = deviation_between_levels(near[0], near[1], z, length)
            return _known(*between_levels(near[0], near[1], z, self.interpolation), deviation, method)
        if method is ProfileMethod.ABOVE_TOP_LEVEL:
            deviation = deviation_beyond_top(near[0], near[1], z, length)
            speed, direction = beyond_top(near[0], near[1], z, length)
            return _known(speed, within_circle(direction), deviation, method)
        value, deviation, methods = from_one_level(near[0], z, *self.one_level)
        return _known(value, within_circle(near[0].direction), deviation, methods)

    def components(self, wanted: float) -> tuple[Array, Array]:
        """Return the eastward and northward wind at a height [m s-1], by the speed and the direction that `at` gives.

        Sines of a direction are those of the wind it comes from, so no angle is worked out.
        """
        (method, near), z = self._method(wanted), np.asarray(wanted, dtype=self.precision)
        east, north = near[-1].components
        if method is ProfileMethod.AT_LEVEL:
            return east, north
        if method is ProfileMethod.BETWEEN_LEVELS:
            speed = speed_between_levels(near[0], near[1], z, self.interpolation)
            east, north = components_between_levels(near[0], near[1], z)
            length = np.sqrt(east * east + north * north)
        elif method is ProfileMethod.ABOVE_TOP_LEVEL:
            speed, length = beyond_top(near[0], near[1], z, self.length)[0], near[1].speed
        else:
            speed, length = from_one_level(near[0], z, *self.one_level)[0], near[0].speed
        is_calm = length == 0  # a calm comes from north, by definition
        stretch = speed / np.where(is_calm, 1.0, length)
        return east * stretch, np.where(is_calm, -speed, north * stretch)


def _shared_profile(
    wind_speed: npt.ArrayLike,
    wind_from_direction: npt.ArrayLike,
    heights: npt.ArrayLike,
    levels: Sequence[Level] | None,
    *,
    roughness_length: npt.ArrayLike | None = None,
    displacement_height: npt.ArrayLike = 0.0,
    obukhov_length: npt.ArrayLike | None = None,
    stability_source: StabilitySource = StabilitySource.TEMPERATURES,
    interpolation: Interpolation = Interpolation.LOGARITHMIC,
    missing_level: MissingLevel = MissingLevel.NOT_KNOWN,
    unknown_stability: UnknownStability = UnknownStability.NEUTRAL,
) -> _Profile | None:
    """Return the profile of levels that are the same in every hour; None where every hour must look for its own."""
    _check_choices(missing_level, interpolation, stability_source, unknown_stability)
    if levels is None:
        levels = common_levels(*(floating(v) for v in (wind_speed, wind_from_direction, heights)))
    length = floating(np.nan if obukhov_length is None else obukhov_length)
    is_careful = unknown_stability == UnknownStability.CAREFUL and bool(np.isnan(length).any())
    if not levels or is_careful or missing_level != MissingLevel.NOT_KNOWN:
        return None
    ground = None if roughness_length is None else floating(roughness_length)
    return _Profile(levels, length, ground, displacement_height, stability_source, interpolation)


def wind_profile(
    wind_speed: npt.ArrayLike,
    wind_from_direction: npt.ArrayLike,
    heights: npt.ArrayLike,
    wanted_heights: npt.ArrayLike,
    *,
    roughness_length: npt.ArrayLike | None = None,
    displacement_height: npt.ArrayLike = 0.0,
    obukhov_length: npt.ArrayLike | None = None,
    stability_source: StabilitySource = StabilitySource.TEMPERATURES,
    interpolation: Interpolation = Interpolation.LOGARITHMIC,
    missing_level: MissingLevel = MissingLevel.NOT_KNOWN,
    unknown_stability: UnknownStability = UnknownStability.NEUTRAL,
    levels: Sequence[Level] | None = None,
) -> WindAtHeight:
    """Return the wind at many heights at once.

    Parameters
    ----------
    wind_speed, wind_from_direction, heights
        As in `wind_at_height`, shape ``[..., level]``.
    wanted_heights : array_like
        Shape ``[wanted]`` [m], for example every 5 m up to the height limit.
    roughness_length, displacement_height, obukhov_length : array_like, optional
        As in `wind_at_height`, broadcast against ``[...]``.
    stability_source, interpolation, missing_level, unknown_stability : optional
        As in `wind_at_height`.
    levels : sequence of Level, optional
        As `common_levels` returns them for these arguments, for several calls to share.

    Returns
    -------
    WindAtHeight
        Arrays of shape ``[..., wanted]``; methods, range (2 to 300 m) and sources as in `wind_at_height`.
    """
    speed, direction, level, wanted = (
        floating(given) for given in (wind_speed, wind_from_direction, heights, wanted_heights)
    )
    shared = _shared_profile(
        speed,
        direction,
        level,
        levels,
        roughness_length=roughness_length,
        displacement_height=displacement_height,
        obukhov_length=obukhov_length,
        stability_source=stability_source,
        interpolation=interpolation,
        missing_level=missing_level,
        unknown_stability=unknown_stability,
    )
    if shared is None:
        ground, length = (
            None if given is None else floating(given)[..., None] for given in (roughness_length, obukhov_length)
        )
        displacement = floating(displacement_height)[..., None]
        return wind_at_height(
            np.broadcast_to(speed[..., None, :], (*speed.shape[:-1], wanted.size, speed.shape[-1])),
            direction[..., None, :],
            level if level.ndim == 1 else level[..., None, :],
            wanted,
            roughness_length=ground,
            displacement_height=displacement,
            obukhov_length=length,
            stability_source=stability_source,
            interpolation=interpolation,
            missing_level=missing_level,
            unknown_stability=unknown_stability,
        )
    if (level <= 0).any() or (wanted <= 0).any():
        raise ValueError("heights must be above ground: positive, in m")
    everywhere = speed.shape[:-1]
    found = [shared.at(z) for z in wanted.tolist()]
    # One height after the other in memory, on the last axis of the result.
    together = (
        np.moveaxis(np.stack([np.broadcast_to(v, everywhere) for v in part]), 0, -1)
        for part in zip(*found, strict=True)
    )
    return WindAtHeight(*together)


def wind_difference_with_height(
    wind_speed: npt.ArrayLike,
    wind_from_direction: npt.ArrayLike,
    heights: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    *,
    depth: float = DIFFERENCE_DEPTH,
    lowest_height: float = DIFFERENCE_LOWEST,
    levels: Sequence[Level] | None = None,
    **how: Any,
) -> Array:
    """Return the largest vector difference of the wind across a layer that a climb to the height passes.

    Parameters
    ----------
    wind_speed, wind_from_direction, heights
        As in `wind_at_height`.
    wanted_height : array_like
        Scalar, or ``[wanted]`` for many heights at once [m].
    depth : float, optional
        Depth of the layer [m]; shear is reported per 30 m, [ICAO-9817].
    lowest_height : float, optional
        Bottom of the lowest layer [m].
    levels : sequence of Level, optional
        As in `wind_profile`.
    **how
        Keyword arguments of `wind_at_height`.

    Returns
    -------
    ndarray
        [m s-1] per `depth`, shape ``[...]``, or ``[..., wanted]``; NaN where a needed direction or level is unknown.
        Layers have their tops every 10 m up to the wanted height; the lowest layer always counts. Valid where
        `wind_at_height` is, for tops up to 300 m.
    """
    wanted = np.atleast_1d(floating(wanted_height))
    lowest_top = lowest_height + depth
    own_top = np.maximum(wanted, lowest_top)
    tops = np.union1d(np.arange(lowest_top, own_top.max(), 10.0), own_top)
    ends = np.concatenate([tops - depth, tops])
    shared = _shared_profile(wind_speed, wind_from_direction, heights, levels, **how)
    if shared is None:
        wind = wind_profile(wind_speed, wind_from_direction, heights, ends, **how)
        parts = wind_components(np.moveaxis(wind.wind_speed, -1, 0), np.moveaxis(wind.wind_from_direction, -1, 0))
        at = dict(zip(ends.tolist(), zip(*parts, strict=True), strict=True))
    else:
        at = {z: shared.components(z) for z in np.unique(ends).tolist()}
    differences = []
    for top in tops.tolist():
        (east_below, north_below), (east, north) = at[top - depth], at[top]
        differences.append(np.sqrt((east - east_below) ** 2 + (north - north_below) ** 2))
    every_10_m = np.isclose(np.mod(tops - lowest_top, 10.0), 0.0)
    passed = (every_10_m & (tops < own_top[:, None])) | (tops == own_top[:, None])
    largest = [np.maximum.reduce([d for d, counts in zip(differences, row, strict=True) if counts]) for row in passed]
    return np.asarray(largest[0] if np.ndim(wanted_height) == 0 else np.moveaxis(np.stack(largest), 0, -1))
