"""Advice for a period of hours: what a pilot should know, but what never enters the verdict.

The distance at which the aircraft can be seen, light and glare, cold hands and heat, frost on a parked aircraft.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import xarray as xr

from wxfly.physics import sun
from wxfly.physics.air import atmosphere, comfort, icing, precipitation, visibility
from wxfly.physics.wind import terrain
from wxfly.pilot.aircraft import Aircraft
from wxfly.pilot.site import Hill

HIGH_SUN = 25.0
"""Elevation from which the sun is called high [degree]: above the golden hour and below this it still dazzles."""


class SightLimit(StrEnum):
    """What decides how far the aircraft is seen."""

    SIZE = "size"
    VISIBILITY = "visibility"


@dataclass(frozen=True)
class Advice:
    """Advice for a period of hours, in SI units; NaN or an empty text where there is none.

    Attributes
    ----------
    sight_range : float
        Distance at which the pilot can still see this aircraft in the worst of the hours [m]; where visibility is
        unknown, from the aircraft's size alone.
    sight_decided_by : SightLimit or None
        None when the range is unknown.
    visibility_is_known : bool
        Whether visibility is known throughout.
    wind_chill, heat_index : float
        The lowest wind chill and the highest heat index [K].
    hands, heat : str
        Advice on cold hands and on heat; empty when there is none.
    sun_elevation : tuple of float
        Lowest and highest elevation at the hours' edges [degree].
    sun_azimuth : float
        Azimuth at the middle of the period [degree].
    light : tuple of str
        Photographers' words for the light of the period, in order.
    shadow_length : tuple of float
        Shortest and longest shadow of one metre [1]; NaN when the sun is not up.
    glare : bool or None
        Whether the pilot looks into a low sun at some time when flying toward the given direction; None when no
        direction was given.
    frost : bool
        Whether frost may form on an aircraft parked outside. This is not icing in flight.
    spare_thrust : float
        Thrust in reserve relative to the maker's highest take-off altitude, as a share [1].
    wind_over_hill : float
        Wind that may occur at flight height over the site's hill [m s-1]; NaN without a hill.
    hill_in_range : bool
        Whether hill and wind are within the guideline's range; if not, the largest factor is used.
    """

    sight_range: float
    sight_decided_by: SightLimit | None
    visibility_is_known: bool
    wind_chill: float
    heat_index: float
    hands: str
    heat: str
    sun_elevation: tuple[float, float]
    sun_azimuth: float
    light: tuple[str, ...]
    shadow_length: tuple[float, float]
    glare: bool | None
    frost: bool
    spare_thrust: float
    wind_over_hill: float = np.nan
    hill_in_range: bool = True


def light_words(sun_elevation: np.ndarray) -> tuple[str, ...]:
    """Return photographers' words for the light at elevations of the sun [degree], in order, each once."""
    kinds = sun.kind_of_light(sun_elevation)
    high = np.where(sun_elevation < HIGH_SUN, "low sun", "high sun")
    conditions = [kinds == kind for kind in (sun.Light.DARK, sun.Light.BLUE_HOUR, sun.Light.GOLDEN_HOUR)]
    words = np.select(conditions, ["dark", "blue hour", "golden hour"], high)[kinds != sun.Light.NOT_KNOWN]
    return tuple(dict.fromkeys(words.tolist()))


def advise(
    conditions: xr.Dataset,
    aircraft: Aircraft,
    start: np.datetime64,
    end: np.datetime64,
    *,
    toward: float | None = None,
    hill: Hill | None = None,
) -> Advice:
    """Return the advice for a period of hours at one place.

    Parameters
    ----------
    conditions : xarray.Dataset
        The hours, from `wxfly.assessment.conditions.derive`; dimensions edge and time only.
    aircraft : Aircraft
        Its size and its highest take-off altitude are used.
    start, end : numpy.datetime64
        Start and end of the period, UTC; dusk may cut it inside an hour.
    toward : float, optional
        Direction from the pilot to the aircraft, for glare [degree].
    hill : Hill, optional
        The hill below the flight.

    Returns
    -------
    Advice
    """
    value = {str(name): conditions[name].values for name in conditions.data_vars}
    chill = _lowest(comfort.wind_chill(value["air_temperature_near_ground"], value["wind_speed_at_10m"]))
    index = _highest(comfort.heat_index(value["air_temperature_near_ground"], value["relative_humidity"]))
    # Only inside the period: the minute in which the light begins would be reported as dark.
    first = -(-start.astype("datetime64[s]").astype(np.int64) // 60)
    minutes = np.arange(np.datetime64(int(first), "m"), end.astype("datetime64[m]") + np.timedelta64(1, "m"))
    place = float(conditions["latitude"]), float(conditions["longitude"])
    elevation, azimuth = sun.sun_position(*place, minutes)
    shadow = sun.shadow_length(1.0, elevation)
    seen, by = sight(value["visibility_in_air"], aircraft)
    frost = icing.frost_risk(value["air_temperature_near_ground"], value["dew_point_temperature"])
    thrust = np.nan
    if aircraft.maximum_takeoff_altitude is not None:
        thrust = _lowest(atmosphere.spare_thrust(value["air_density"], aircraft.maximum_takeoff_altitude))
    over_hill, in_range = _over_hill(conditions, value, hill)
    return Advice(
        sight_range=seen,
        sight_decided_by=by,
        visibility_is_known=not np.isnan(value["visibility_in_air"]).any(),
        wind_chill=chill,
        heat_index=index,
        hands=comfort.describe_cold(chill),
        heat=comfort.describe_heat(index),
        sun_elevation=(_lowest(elevation), _highest(elevation)),
        sun_azimuth=float(azimuth[azimuth.size // 2]),
        light=light_words(elevation),
        shadow_length=(_lowest(shadow), _highest(shadow)),
        glare=None if toward is None else bool(np.nansum(sun.glare(elevation, azimuth, toward)) > 0),
        frost=bool((frost > 0).any()),
        spare_thrust=thrust,
        wind_over_hill=over_hill,
        hill_in_range=in_range,
    )


def _over_hill(conditions: xr.Dataset, value: dict[str, np.ndarray], hill: Hill | None) -> tuple[float, bool]:
    if hill is None:
        return np.nan, True
    found = terrain.hill_speed_up(
        hill.shape,
        hill.height,
        hill.half_width,
        float(conditions["height"]),
        distance_from_crest=hill.distance_from_crest,
        wind_speed=value["wind_speed_at_10m"],
    )
    return _highest(value["wind_speed"] * found.factor), bool(np.all(found.in_range))


def sight(visibility_in_air: np.ndarray, aircraft: Aircraft) -> tuple[float, SightLimit | None]:
    """Return the sight range [m] and what decides it.

    Where visibility is unknown, the size alone decides; without a size the range is NaN.
    """
    if aircraft.characteristic_dimension is None:
        return np.nan, None
    by_size = float(visibility.attitude_sight_range(aircraft.characteristic_dimension, aircraft.kind))
    by_air = _lowest(visibility.detection_sight_range(visibility_in_air))
    if np.isnan(by_air) or by_size <= by_air:
        return by_size, SightLimit.SIZE
    return by_air, SightLimit.VISIBILITY


def precipitation_words(weather_code: float, precipitation_rate: float) -> str:
    """Return kind and class of an hour's precipitation in words; empty when there is none or it is unknown."""
    kind = precipitation.PrecipitationKind(int(precipitation.precipitation_kind(weather_code, precipitation_rate)))
    if kind in (precipitation.PrecipitationKind.NOT_KNOWN, precipitation.PrecipitationKind.NONE):
        return ""
    strength = precipitation.rate_class(precipitation_rate, system=precipitation.class_system(weather_code))
    return f"{strength} {kind.name.lower().replace('_', ' ')}".strip()


def is_low_light(conditions: xr.Dataset) -> np.ndarray:
    """Return for each hour of one place whether golden or blue hour fills at least half of its lit part."""
    place = float(conditions["latitude"]), float(conditions["longitude"])
    start = conditions["usable_start"].values.astype("datetime64[m]")
    end = conditions["usable_end"].values.astype("datetime64[m]")
    minutes = start[:, None] + np.arange(60).astype("timedelta64[m]")
    inside = minutes < end[:, None]  # NaT is in no hour
    kinds = sun.kind_of_light(sun.sun_position(*place, minutes)[0])
    low = np.isin(kinds, (sun.Light.BLUE_HOUR, sun.Light.GOLDEN_HOUR)) & inside
    return np.asarray(inside.any(axis=1) & (2 * low.sum(axis=1) >= inside.sum(axis=1)))


def _lowest(values: np.ndarray) -> float:
    return float(np.min(values[~np.isnan(values)])) if (~np.isnan(values)).any() else np.nan


def _highest(values: np.ndarray) -> float:
    return -_lowest(-np.asarray(values))
