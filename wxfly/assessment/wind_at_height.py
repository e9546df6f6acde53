"""Wind aloft: the wind of a forecast's hours at one height or many, over the ground of a site.

Between and above the levels of a model nothing is adjusted: they carry the model's own ground. Only where the model has
wind at one level alone does the ground of the site come in, and only where it raises the wind. Far above the highest
level the wind hangs on roughness and stability as it does from one level alone.
"""

from __future__ import annotations

from functools import cached_property
from types import EllipsisType

import numpy as np
import numpy.typing as npt

from wxfly.assessment.hours import HourValues, at_edges
from wxfly.physics.wind import gust, jets, surface_layer, terrain
from wxfly.physics.wind.profile import (
    DIFFERENCE_DEPTH,
    DIFFERENCE_LOWEST,
    HIGHEST_ABOVE_TOP,
    METHODS_FROM_ONE_LEVEL,
    Interpolation,
    UnknownStability,
    WindAtHeight,
    WindProfile,
)
from wxfly.physics.wind.surface_layer import OPEN_GROUND_ROUGHNESS_LENGTH, StabilitySource
from wxfly.pilot.limits import Limits
from wxfly.pilot.site import Site

Array = npt.NDArray[np.float64]

CONVECTIVE_VELOCITY_BY_DAY = 2.5
"""Taken for a sunny hour where a source has no gust [m s-1]; the upper end of 1 to 2.5 (common practice, no source)."""
GUST_DEVIATION = 0.6
"""Error of a gust that is extrapolated from 10 to 80 m by its increment [m s-1]: 0.58 and 0.59 on two masts (evidence
page on wind)."""
GUST_DEVIATION_WITHOUT_FORECAST = 1.8
"""Error of a gust from the mean wind alone [m s-1]: 1.3 to 1.8 on the same masts."""
_INSTANTS = (
    "wind_speed",
    "wind_from_direction",
    "surface_roughness_length",
    "air_temperature",
    "air_temperature_aloft",
    "cloud_area_fraction",
)  # what the wind aloft depends on, except for the gust


class WindAloft:
    """Works out the wind of the hours in a `HourValues` at wanted heights.

    Parameters
    ----------
    forecast : HourValues
        The hours.
    site : Site, optional
        Its ground, obstacles and nothing else.
    """

    def __init__(self, forecast: HourValues, site: Site | None) -> None:
        self.forecast = forecast
        self.stamps = stamps = forecast.at_stamps(*_INSTANTS)
        self.speed, self.heights = stamps.levels("wind_speed")
        direction, direction_heights = stamps.levels("wind_from_direction")
        self.direction = _at_heights(direction, direction_heights, self.heights)
        self.site = site
        roughness = stamps("surface_roughness_length")
        self.model_roughness = np.where(np.isnan(roughness), OPEN_GROUND_ROUGHNESS_LENGTH, roughness)
        self.length, self.stability_source, self.stability_is_lost = self._stability()
        self.profile = WindProfile(
            self.speed,
            self.direction,
            self.heights,
            roughness_length=self.model_roughness,
            obukhov_length=self.length,
            stability_source=self.stability_source,
            interpolation=Interpolation.CURVED,
            # Above the top level, too, stability has a say: losing it must not give less wind.
            unknown_stability=UnknownStability.CAREFUL if self.stability_is_lost.any() else UnknownStability.NEUTRAL,
        )
        self.at_10m = at_edges(self._at(np.array([10.0])).wind_speed[..., 0])

    def at(self, wanted: Array) -> WindAtHeight:
        """Return the wind at heights ``[wanted]`` [m]; arrays of shape ``[..., wanted]``."""
        return WindAtHeight._make(at_edges(part) for part in self._at(wanted))

    def _at(self, wanted: Array) -> WindAtHeight:
        extrapolated = self.profile.at(wanted)
        alone = np.isin(extrapolated.method, METHODS_FROM_ONE_LEVEL)
        by_law = alone | self._is_far_above(wanted)
        if not by_law.any():
            return extrapolated
        speed = np.where(by_law & self.stability_is_lost[..., None], np.nan, extrapolated.wind_speed)
        over_site = self._over_site(wanted)
        if over_site is not None:
            speed = np.where(alone, np.maximum(speed, over_site), speed)  # NaN stays NaN
        return extrapolated._replace(wind_speed=speed)

    def _is_far_above(self, wanted: Array) -> npt.NDArray[np.bool_]:
        """Return at which heights [m] the slope at the highest levels alone tells too little."""
        return np.asarray(wanted > HIGHEST_ABOVE_TOP * self.heights.max(initial=0.0))

    def climb_to(self, height: float) -> Array:
        """Return the heights that stand for a climb to a height [m], which is the last of them.

        They are 10 m, the source's own levels below the height, and the height itself: between two levels nothing is
        stronger than at one of them, but for the little that the bend of the interpolation adds. A flight below 10 m
        counts as one at 10 m: nearer to the ground gusts come down that no profile shows.
        """
        below = self.heights[(self.heights > 10.0) & (self.heights < height)]
        return np.concatenate([[10.0], below, [height]])

    def gust_deviation(self, of_wind: Array, wanted: Array) -> Array:
        """Return the standard deviation of the gust at heights ``[wanted]`` from that of the wind there [m s-1]."""
        share = np.clip(np.log(np.maximum(wanted, 10.0) / 10.0) / np.log(8.0), 0.0, 1.0)
        if not self.forecast.has("wind_speed_of_gust"):
            own = np.asarray(GUST_DEVIATION_WITHOUT_FORECAST)
        else:
            own = GUST_DEVIATION * share
            if self.is_no_gust.any():
                own = np.where(self.is_no_gust[..., None], GUST_DEVIATION_WITHOUT_FORECAST, own)
        return np.sqrt(of_wind * of_wind + np.asarray(own * own, dtype=of_wind.dtype))

    def difference(self, wanted: Array) -> Array:
        """Return the largest difference of wind over 30 m on the climb to each height ``[wanted]`` [m s-1]."""
        found = self.profile.difference(wanted)
        by_law = self._is_far_above(np.maximum(wanted, DIFFERENCE_LOWEST + DIFFERENCE_DEPTH)) | (self.heights.size == 1)
        if by_law.any():
            found = np.where(by_law & self.stability_is_lost[..., None], np.nan, found)
        return at_edges(found)

    def gust(self, wind_speed: Array, wanted: Array) -> Array:
        """Return the gust at heights ``[wanted]`` from the mean wind there, shape ``[..., wanted]`` [m s-1].

        Where the forecast's gust is none, it is no less than the one from the mean wind alone.
        """
        if not self.forecast.has("wind_speed_of_gust"):
            return self._gust_of_wind(wind_speed, wanted)
        at_10m = self.forecast("wind_speed_of_gust")
        each = [gust.gust_at_height(at_10m, self.at_10m, wind_speed[..., k], z) for k, z in enumerate(wanted)]
        found = np.moveaxis(np.stack(each), 0, -1)  # one height after the other in memory
        here = self.is_no_gust
        if here.any():
            found[here] = np.maximum(found[here], self._gust_of_wind(wind_speed, wanted, here))
        return found

    @cached_property
    def is_no_gust(self) -> npt.NDArray[np.bool_]:
        """Return where the gust of the forecast is too near to the mean wind to be one."""
        return gust.is_no_gust(self.forecast("wind_speed_of_gust"), self.at_10m)

    def _gust_of_wind(
        self, wind_speed: Array, wanted: Array, here: npt.NDArray[np.bool_] | EllipsisType = ...
    ) -> Array:
        """Return the gust from the mean wind alone, at heights ``[wanted]``, where it is asked for."""
        # No other roughness stands in for one that is lost: over rougher ground gusts are stronger.
        lost = at_edges(self._lost("surface_roughness_length"))
        at_10m = np.where(lost, np.nan, self.at_10m)
        sunny = np.where(self.forecast.sun[0] > 0, CONVECTIVE_VELOCITY_BY_DAY, 0.0)
        return gust.gust_without_forecast(
            at_10m[here][..., None],
            wind_speed[here],
            wanted,
            roughness_length=at_edges(self.model_roughness)[here][..., None],
            convective_velocity=sunny[here][..., None],
        )

    def jet(self) -> Array:
        """Return whether there is a low-level jet: 1, 0, or NaN where that is unknown."""
        if self.heights.size < 2:
            return np.full(self.forecast.shape, np.nan)
        return at_edges(jets.low_level_jet(self.speed, self.heights))

    def chance_of_lower_jet(self, height: float, limits: Limits) -> dict[str, Array]:
        """Return for wind and gust the chance that what is over its limit above a height comes down to it [1].

        A jet is forecast at a height that has an error of its own: `wxfly.physics.wind.jets.chance_of_lower_jet`.
        """
        speeds = at_edges(self.speed)
        gusts = self.gust(speeds, self.heights)
        return {
            name: jets.chance_of_lower_jet(speed, self.heights, max(height, 10.0), limit)
            for name, speed, limit in (("wind", speeds, limits.maximum_wind), ("gust", gusts, limits.maximum_gust))
        }

    def _over_site(self, wanted: Array) -> Array | None:
        rough = None if self.site is None else self.site.roughness_by_sector
        if self.site is None or rough is None or not self.heights.size:
            return None
        lowest = self.speed[..., 0]
        over = terrain.roughness_length_upwind(self.direction[..., 0], rough)
        return terrain.wind_over_other_ground(
            lowest[..., None],
            self.heights[0],
            self.model_roughness[..., None],
            over[..., None],
            wanted,
            site_displacement_height=terrain.displacement_height(self.site.obstacle_height),
        )

    def _stability(self) -> tuple[Array, StabilitySource, npt.NDArray[np.bool_]]:
        """Return the Obukhov length, what it is from, and where it is lost though the source provides what it needs."""
        near_ground = self.stamps("air_temperature")
        aloft, heights = self.stamps.levels("air_temperature_aloft")
        lowest = self.speed[..., 0] if self.heights.size else np.full(self.stamps.shape, np.nan)
        height = float(self.heights[0]) if self.heights.size else 10.0
        usable = np.flatnonzero(heights >= 40.0)
        if usable.size and self.stamps.has("air_temperature"):
            level = int(usable[0])
            length = surface_layer.obukhov_length_from_temperatures(
                lowest, height, near_ground, 2.0, aloft[..., level], float(heights[level])
            )
            return length, StabilitySource.TEMPERATURES, np.isnan(length) | self._lost("surface_roughness_length")
        cloud = self.stamps("cloud_area_fraction")
        length = surface_layer.obukhov_length_from_sun_and_cloud(lowest, height, self.stamps.sun[0], cloud, near_ground)
        lost = self._lost("cloud_area_fraction", "air_temperature", "surface_roughness_length")
        return length, StabilitySource.SUN_AND_CLOUD, lost

    def _lost(self, *names: str) -> npt.NDArray[np.bool_]:
        """Return where something that the source provides is missing."""
        lost = np.zeros(self.stamps.shape, dtype=bool)
        for name in names:
            if self.stamps.has(name):
                lost |= np.isnan(self.stamps(name))
        return lost


def _at_heights(values: Array, heights: Array, wanted: Array) -> Array:
    """Return levels at the wanted heights; one that is not provided is missing."""
    if np.array_equal(heights, wanted):
        return values
    result = np.full((*values.shape[:-1], wanted.size), np.nan, dtype=values.dtype)
    for position, height in enumerate(wanted):
        here = np.flatnonzero(heights == height)
        if here.size:
            result[..., position] = values[..., here[0]]
    return result
