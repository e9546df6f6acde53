"""What falls, how far one sees, and the risks of an hour: weather derived from a forecast's own words and values."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.hours import HourValues, values_along
from wxfly.physics import sun
from wxfly.physics.air import cloud, icing, precipitation, thunderstorm, visibility, weather_code
from wxfly.physics.air.atmosphere import relative_humidity_from_dew_point
from wxfly.physics.air.risk import grade_of_chance

Array = npt.NDArray[np.float64]

TRACE = precipitation.LEAST_RATE
"""What the least precipitation counts as [mm h-1]."""
MEASURED_AT = 10.0
"""Height of the wind that fog is judged by [m]."""
FOGGY = 999.0
"""Visibility taken where there is fog and no better number [m]: fog is below 1 km by the WMO's definition."""


EARLIER_FOG = "chance_of_earlier_fog"
"""What is left at a stamp of the radiation fog of the hours before it, in still air [1]."""
_HUMIDITY_LOST = (0.2, 0.3, 0.4)
"""Largest fall of humidity in one, two and three hours of a morning [1]: air that warms by 3 to 7 K.
Common practice, no source."""


def with_earlier_fog(cube: xr.Dataset) -> xr.Dataset:
    """Return a cube with `EARLIER_FOG`, for which stamps before the hours that are wanted count too.

    Before the first stamp the air is taken to have been so much more humid as it can have been. A stamp that has lost
    its humidity counts as saturated.

    Parameters
    ----------
    cube : xarray.Dataset
        A forecast cube; one without humidity and dew point is returned as it is.
    """
    humidity = _humidity_of(cube)
    if humidity is None:
        return cube
    dims, values = humidity
    others = dims[1:]
    reach = len(_HUMIDITY_LOST)
    time = cube["time"].values
    stamps = np.concatenate([time[0] - np.arange(reach, 0, -1) * np.timedelta64(1, "h"), time])
    shape = (stamps.size, *values.shape[1:])
    more = np.array(_HUMIDITY_LOST[::-1]).reshape(-1, *([1] * len(others)))
    air = np.concatenate([values[:1] + more.astype(values.dtype), values])
    air = np.minimum(np.where(np.isnan(air), 1.0, air), 1.0)
    wind = np.full(shape, np.nan, dtype=values.dtype)
    heights = cube["height"].values if "height" in cube.dims else np.array([])
    if "wind_speed" in cube and bool((heights == MEASURED_AT).any()):
        level = cube.variables["wind_speed"].isel(height=int(np.flatnonzero(heights == MEASURED_AT)[0]))
        wind[reach:] = values_along(level, dims)
    latitude, longitude = (values_along(cube.variables[name], dims) for name in ("latitude", "longitude"))
    elevation = sun.sun_elevation(latitude, longitude, stamps.reshape(-1, *([1] * len(others)))).astype(air.dtype)
    chance = visibility.radiation_fog_chance(air, wind, elevation)
    left = [visibility.lasting_fog_chance(chance[reach - k : chance.shape[0] - k], k, 0.0) for k in range(1, reach + 1)]
    return cube.assign({EARLIER_FOG: (dims, np.max(left, axis=0))})


def _humidity_of(cube: xr.Dataset) -> tuple[tuple[str, ...], Array] | None:
    """Return dimensions, time first, and the more humid of humidity and dew point; None without either."""
    names = [n for n in ("relative_humidity", "air_temperature", "dew_point_temperature") if n in cube]
    found = {str(d) for n in names for d in cube[n].dims}
    dims = ("time", *(str(d) for d in cube.dims if d in found and d != "time"))
    each = [values_along(cube.variables["relative_humidity"], dims)] if "relative_humidity" in cube else []
    if {"dew_point_temperature", "air_temperature"} <= set(cube.data_vars):
        air, dew_point = (values_along(cube.variables[n], dims) for n in ("air_temperature", "dew_point_temperature"))
        each.append(relative_humidity_from_dew_point(air, dew_point))
    if not each:
        return None
    humidity = each[0] if len(each) == 1 else np.where(each[0] >= each[1], each[0], each[1] + 0.0 * each[0])
    return dims, np.broadcast_to(humidity, tuple(cube.sizes[d] for d in dims))


def weather(forecast: HourValues, height: float, ground: Array, air: dict[str, Array]) -> dict[str, Array]:
    """Return precipitation, sight, cloud base, icing and thunderstorm, and what they are judged by.

    Parameters
    ----------
    forecast : HourValues
        Of the forecast's values at the edges of the hours.
    height : float
        Flight height above ground [m].
    ground : ndarray
        Ground above mean sea level [m].
    air : dict of ndarray
        The air near the ground and at flight height, and the wind at 10 m.

    Notes
    -----
    Where an hour has several codes, as those of a span of hours, the worst of what each tells is taken: the largest
    number of a code is not the worst weather.
    """
    each = [_weather_of_code(forecast, code, height, ground, air) for code in forecast.weather_codes()]
    return {name: _worst([of_code[name] for of_code in each], name) for name in each[0]}


def _worst(values: list[Array], name: str) -> Array:
    """Return the worst that the codes of an hour tell; NaN in any of them stays NaN."""
    if len(values) == 1:
        return values[0]
    is_smallest = name in ("visibility_in_air", "cloud_base_height")
    return np.asarray((np.minimum if is_smallest else np.maximum).reduce(values))


def _weather_of_code(
    forecast: HourValues, given: Array, height: float, ground: Array, air: dict[str, Array]
) -> dict[str, Array]:
    """Return what `weather` does for one code in each hour."""
    code, rate = weather_code.whole_codes(given), forecast("precipitation_amount")
    sight = _visibility(forecast, code)
    fog_chance = _fog(forecast, code, rate, air)
    forecast_rate = _forecast_precipitation(forecast, code, rate)
    probability, probability_is_lost = _probability(forecast)
    storm_chance = _thunderstorm(forecast, code, rate, probability, air["dew_point_temperature"])
    base = cloud.cloud_base(
        forecast("cloud_base_altitude") - ground,
        air["air_temperature_near_ground"],
        air["dew_point_temperature"],
        air["surface_air_pressure"],
        forecast("low_type_cloud_area_fraction"),
        base_is_forecast=forecast.has("cloud_base_altitude"),
    )
    icing_risk = icing.icing_risk(
        air["air_temperature"],
        air["air_temperature_near_ground"],
        air["relative_humidity"],
        rate,
        code,
        sight,
        base.height,
        height,
        air_temperature_between=(air["coldest_air_temperature"], air["warmest_air_temperature"]),
    )
    icing_chance = icing.icing_chance(icing_risk, _freezing_precipitation(forecast, code, air))
    return {
        "precipitation_rate": np.where(forecast_rate > 0, np.fmax(forecast_rate, TRACE), forecast_rate),
        "forecast_precipitation_rate": forecast_rate,
        "precipitation_probability": probability,
        "precipitation_probability_is_lost": probability_is_lost,
        "atmosphere_convective_available_potential_energy": forecast(
            "atmosphere_convective_available_potential_energy"
        ),
        "weather_code": code,
        "cloud_area_fraction": forecast("cloud_area_fraction"),
        "visibility_in_air": _reported_by_code(forecast, code, sight),
        "cloud_base_height": base.height,
        "cloud_base_method": base.method.astype(float),
        "icing_risk": grade_of_chance(icing_chance),
        "icing_chance": icing_chance,
        "icing_chance_by_signs": icing.icing_chance(icing_risk, 0.0),
        "fog_risk": grade_of_chance(fog_chance),
        "fog_chance": fog_chance,
        "thunderstorm_risk": grade_of_chance(storm_chance),
        "thunderstorm_chance": storm_chance,
    }


def _thunderstorm(forecast: HourValues, code: Array, rate: Array, probability: Array, dew_point: Array) -> Array:
    """Return the chance of a thunderstorm; without the source's code, which is lost, it is not known unless likely."""
    chance = thunderstorm.thunderstorm_chance(
        code,
        rate,
        forecast("atmosphere_convective_available_potential_energy"),
        forecast("lifted_index"),
        convective_inhibition=forecast("atmosphere_convective_inhibition"),
        precipitation_probability=probability,
        dew_point_temperature=dew_point,
    )
    code_is_lost = np.isnan(code) & forecast.has("weather_code") & (grade_of_chance(chance) < 2)
    return np.where(code_is_lost, np.nan, chance)


def _forecast_precipitation(forecast: HourValues, code: Array, rate: Array) -> Array:
    """Return the rate of precipitation: the worse of amount and code, which states a trace at least.

    Amounts of a grid cell and an hour hide short showers, and a code may report drizzle that the amount rounds away,
    or of heavy rain that the amount lacks. Where the source's code is lost, it could have reported more.
    """
    falls = weather_code.is_code_of(code, (*weather_code.FALLING, *weather_code.RECENT_PRECIPITATION))
    of_code = np.fmax(precipitation.least_rate(code), np.where(falls, TRACE, 0.0).astype(rate.dtype))
    code_is_lost = np.isnan(code) & forecast.has("weather_code") & ~(rate >= precipitation.LARGEST_LEAST_RATE)
    return np.where(np.isnan(rate) | code_is_lost, np.nan, np.fmax(rate, of_code))


def _probability(forecast: HourValues) -> tuple[Array, Array]:
    """Return the probability of precipitation, and where it is lost: provided and missing, it counts as certain."""
    given = forecast("precipitation_probability")
    is_lost = np.isnan(given) & forecast.has("precipitation_probability")
    return np.where(is_lost, 1.0, given), is_lost.astype(float)


def _freezing_precipitation(forecast: HourValues, code: Array, air: dict[str, Array]) -> Array:
    """Return the chance of precipitation that freezes; not known where its probability is lost, 0 without any."""
    given = forecast("precipitation_probability")
    probability = given if forecast.has("precipitation_probability") else np.zeros_like(given)
    return icing.freezing_precipitation_chance(
        air["coldest_air_temperature"], air["air_temperature_near_ground"], code, probability
    )


def _visibility(forecast: HourValues, code: Array) -> Array:
    """Return the visibility: the forecast's, below 1 km with a code of fog.

    Dry air alone is no measure of visibility, so without a forecast of it good sight stays not known.
    """
    given = forecast("visibility_in_air")
    fog = weather_code.is_code_of(code, weather_code.FOG)
    if forecast.has("visibility_in_air"):
        code_is_lost = np.isnan(code) & forecast.has("weather_code") & (given > FOGGY)
        return np.where(code_is_lost, np.nan, np.where(fog, np.minimum(given, FOGGY), given))
    return np.where(fog, FOGGY, np.nan)


def _reported_by_code(forecast: HourValues, code: Array, sight: Array) -> Array:
    """Return the visibility, no larger than what a code of dust, blowing snow or haze leaves.

    Where the source has none, only what hides as much as fog shows it.
    """
    most = weather_code.largest_visibility(code)
    if forecast.has("visibility_in_air"):
        return np.minimum(sight, most)  # NaN stays NaN
    return np.where(most <= FOGGY, np.fmin(sight, most), sight)


def _fog(forecast: HourValues, code: Array, rate: Array, air: dict[str, Array]) -> Array:
    """Return the chance of fog in humid air beside the visibility of the forecast, which is judged by itself.

    Where the source gives a visibility it is possible at the most, however humid the air; where it gives none, drier
    air may hold fog already, and a code of fog shows it. Where neither a cloud base nor low cloud is stated, moist air
    may hold cloud by day and in wind too: sun and wind take nothing off then.
    """
    wind, elevation, humidity = air["wind_speed_at_10m"], forecast.sun[0], air["relative_humidity"]
    no_cloud_reported = np.isnan(forecast("cloud_base_altitude")) & ~(forecast("low_type_cloud_area_fraction") > 0)
    chance = visibility.radiation_fog_chance(
        humidity, np.where(no_cloud_reported, np.nan, wind), np.where(no_cloud_reported, np.nan, elevation)
    )
    if forecast.has(EARLIER_FOG):
        lasting = visibility.lasting_fog_chance(forecast(EARLIER_FOG), 0.0, np.where(no_cloud_reported, np.nan, wind))
        chance = np.where(np.isnan(lasting), chance, np.maximum(chance, lasting))  # NaN in the chance stays NaN
    chance = np.maximum(chance, weather_code.fog_chance_of(code))
    if forecast.has("visibility_in_air"):
        return chance
    temperature, dew_point = air["air_temperature_near_ground"], air["dew_point_temperature"]
    chance = np.maximum(chance, visibility.unseen_fog_chance(temperature, dew_point))  # NaN in either stays NaN
    unseen = np.where(weather_code.is_code_of(code, weather_code.FOG), 1.0, chance)
    unseen = np.where(np.isnan(code) & (grade_of_chance(chance) < 2), np.nan, unseen)
    return np.where(temperature - dew_point > visibility.DRY_SPREAD, chance, unseen)
