"""What falls, how far one sees, and the risks of an hour: weather derived from a forecast's own words and values."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.hours import Taker
from wxfly.physics import cloud, icing, precipitation, thunderstorm, visibility, weather_code
from wxfly.wind_aloft import sun_of

Array = npt.NDArray[np.float64]

TRACE = 0.1
"""What the least precipitation counts as [mm h-1]; common practice, the least that most services resolve."""
FOGGY = 999.0
"""Visibility taken where there is fog and no better number [m]: fog is below 1 km by the WMO's definition."""


def weather(take: Taker, height: float, ground: Array, air: dict[str, Array]) -> dict[str, Array]:
    """Give precipitation, sight, cloud base, icing and thunderstorm, and what they are judged by.

    Parameters
    ----------
    take : Taker
        Of the forecast's values at the edges of the hours.
    height : float
        Flight height above ground [m].
    ground : ndarray
        Ground above mean sea level [m].
    air : dict of ndarray
        The air near the ground and at flight height, and the wind at 10 m.
    """
    code, rate = take("weather_code"), take("precipitation_amount")
    sight = _visibility(take, code, rate, air)
    base = cloud.cloud_base(
        take("cloud_base_altitude") - ground,
        air["air_temperature_near_ground"],
        air["dew_point_temperature"],
        air["surface_air_pressure"],
        take("low_type_cloud_area_fraction"),
        base_is_forecast=take.has("cloud_base_altitude"),
    )
    return {
        "precipitation_rate": _precipitation(take, code, rate),
        "precipitation_probability": _probability(take),
        "atmosphere_convective_available_potential_energy": take("atmosphere_convective_available_potential_energy"),
        "weather_code": code,
        "cloud_area_fraction": take("cloud_area_fraction"),
        "visibility_in_air": sight,
        "cloud_base_height": base.height,
        "cloud_base_method": base.method.astype(float),
        "icing_risk": icing.icing_risk(
            air["air_temperature"],
            air["air_temperature_near_ground"],
            air["relative_humidity"],
            rate,
            code,
            sight,
            base.height,
            height,
        ),
        "thunderstorm_risk": _thunderstorm(take, code, rate),
    }


def _thunderstorm(take: Taker, code: Array, rate: Array) -> Array:
    """Give the risk of a thunderstorm; where the source's own code is lost, anything short of likely is not known."""
    risk = thunderstorm.thunderstorm_risk(
        code, rate, take("atmosphere_convective_available_potential_energy"), take("lifted_index")
    )
    code_is_lost = np.isnan(code) & take.has("weather_code") & (risk < 2)
    return np.where(code_is_lost, np.nan, risk)


def _precipitation(take: Taker, code: Array, rate: Array) -> Array:
    """Give the rate of precipitation: the worse of amount and code, and the least trace counts as the least measured.

    Amounts of a grid cell and an hour hide short showers, and a code may tell of drizzle that the amount rounds away,
    or of heavy rain that the amount lacks. Where the source's code is lost it could have told of more.
    """
    falls = (rate > 0) | np.isin(code, weather_code.FALLING)
    at_least_a_trace = np.where(falls, np.fmax(rate, TRACE), rate)
    worse = np.fmax(at_least_a_trace, precipitation.least_rate(code))
    code_is_lost = np.isnan(code) & take.has("weather_code") & ~(rate >= precipitation.LARGEST_LEAST_RATE)
    return np.where(np.isnan(rate) | code_is_lost, np.nan, worse)


def _probability(take: Taker) -> Array:
    """Give the probability of precipitation; one that the source carries and that is lost counts as certain."""
    given = take("precipitation_probability")
    return np.where(np.isnan(given), 1.0, given) if take.has("precipitation_probability") else given


def _visibility(take: Taker, code: Array, rate: Array, air: dict[str, Array]) -> Array:
    """Give the visibility: the forecast's, below 1 km with a code of fog, and without any what speaks for fog.

    Dry air alone is no measure of visibility, so without a forecast of it good sight stays not known.
    """
    given = take("visibility_in_air")
    fog = np.isin(code, weather_code.FOG)
    if take.has("visibility_in_air"):
        code_is_lost = np.isnan(code) & take.has("weather_code") & (given > FOGGY)
        return np.where(code_is_lost, np.nan, np.where(fog, np.minimum(given, FOGGY), given))
    forms = visibility.fog_likely(
        given,
        code,
        air["air_temperature_near_ground"],
        air["dew_point_temperature"],
        air["wind_speed_at_10m"],
        rate,
        sun_of(take)[0],
    )
    return np.where(fog | (forms == 2), FOGGY, np.nan)
