"""Derived quantities: the cube's hours carried to flight height.

This is the only place where arrays and their attributes meet: variables are taken out of the cube, given to the
plain functions of `wxfly.physics`, and put back under their names.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.forecast import VARIABLES, restore_carried
from wxfly.hours import HOUR, Taker, cut_hours, to_hours
from wxfly.physics import (
    atmosphere,
    cloud,
    daylight,
    geomagnetic,
    icing,
    thunderstorm,
    visibility,
    weather_code,
)
from wxfly.physics.humidity import (
    dew_point_from_relative_humidity,
    relative_humidity_from_dew_point,
    saturation_vapour_pressure,
)
from wxfly.site import Site
from wxfly.wind_aloft import WindAloft, sun_of

Array = npt.NDArray[np.float64]

TRACE = 0.1
"""What the least precipitation counts as [mm h-1]; common practice, the least that most services resolve."""
FOGGY = 999.0
"""Visibility taken where there is fog and no better number [m]: fog is below 1 km by the WMO's definition."""


def derive(
    cube: xr.Dataset | Taker,
    *,
    height: float,
    site: Site | None = None,
    daylight_rule: str = "civil_twilight",
    start: np.datetime64 | None = None,
    end: np.datetime64 | None = None,
) -> xr.Dataset:
    """Work out what each hour asks of an aircraft at flight height.

    Parameters
    ----------
    cube : xarray.Dataset or Taker
        A forecast cube (`wxfly.forecast`), with any horizontal dimensions or none; or its hours, made ready once by
        `hours_of` for this and `derive_heights`, with their own bounds.
    height : float
        Flight height above ground [m].
    site : Site, optional
        Whose ground counts where the wind must be carried up from one level alone.
    daylight_rule : str, optional
        See `wxfly.physics.daylight.lit_part`.
    start, end : numpy.datetime64, optional
        UTC bounds; whole hours around them are worked out. Hours that the forecast does not reach are there and
        not known. By default every hour of the cube.

    Returns
    -------
    xarray.Dataset
        Dimensions ``time`` (start of the hour), the horizontal ones of the cube, and ``edge`` for instants.
    """
    take = cube if isinstance(cube, Taker) else hours_of(cube, start=start, end=end)
    ground = take.coordinate("surface_altitude")
    result: dict[str, Array] = {}
    result |= _wind(take, height, site)
    result |= _air(take, height, ground)
    result |= _weather(take, height, ground, result)
    result |= _kp(take)
    result |= dict(zip(("sun_elevation", "sun_azimuth"), sun_of(take), strict=True))
    conditions = _dataset(take, result)
    conditions = _daylight(conditions, daylight_rule)
    return conditions.assign_coords(height=float(height)).assign_attrs(take.hours.attrs)


def _dataset(take: Taker, results: dict[str, Array]) -> xr.Dataset:
    """Put results back under their names, with units and long names."""
    coords = {k: v for k, v in take.hours.coords.items() if "height" not in v.dims and k != "height"}
    data = {name: (take.dims, np.broadcast_to(values, take.shape), DERIVED[name]) for name, values in results.items()}
    return xr.Dataset(data, coords=coords)


def hours_of(cube: xr.Dataset, *, start: np.datetime64 | None = None, end: np.datetime64 | None = None) -> Taker:
    """Make the hours of a cube ready, for `derive` and `derive_heights` to share."""
    return Taker(to_hours(cut_hours(restore_carried(cube), start, end)))


def derive_heights(
    cube: xr.Dataset | Taker,
    heights: npt.ArrayLike,
    *,
    site: Site | None = None,
    start: np.datetime64 | None = None,
    end: np.datetime64 | None = None,
) -> xr.Dataset:
    """Work out wind, gust and wind difference at many heights for every hour, the worse edge of each.

    Parameters
    ----------
    cube, site, start, end
        As in `derive`.
    heights : array_like
        Above ground, increasing [m].

    Returns
    -------
    xarray.Dataset
        ``wind_speed``, ``wind_standard_deviation``, ``wind_speed_of_gust``, ``wind_difference`` [m s-1] with
        dimensions time, the horizontal ones and height.
    """
    take = cube if isinstance(cube, Taker) else hours_of(cube, start=start, end=end)
    wanted = np.asarray(heights, dtype=float)
    aloft = WindAloft(take, site)
    judged = np.maximum(wanted, 10.0)  # below 10 m the wind at 10 m counts, as in a climb
    carried = aloft.at(judged)
    values = {
        "wind_speed": carried.wind_speed,
        "wind_standard_deviation": carried.standard_deviation,
        "gust_standard_deviation": aloft.gust_deviation(carried.standard_deviation, judged),
        "wind_speed_of_gust": aloft.gust(carried.wind_speed, judged),
        "wind_difference": aloft.difference(judged),
    }
    dims = (*take.dims[1:], "height")
    coords = {k: v for k, v in take.hours.coords.items() if "height" not in v.dims and k != "height"}
    # Of the two edges the worse one counts; a missing edge is a missing hour.
    data = {name: (dims, of_edges.max(axis=0), DERIVED[name]) for name, of_edges in values.items()}
    return xr.Dataset(data, coords=coords | {"height": wanted})


def _wind(take: Taker, height: float, site: Site | None) -> dict[str, Array]:
    aloft = WindAloft(take, site)
    climb = aloft.climb_to(height)
    wind = aloft.at(climb)
    gusts = aloft.gust(wind.wind_speed, climb)
    deviation = wind.standard_deviation[..., -1]
    return {
        "wind_speed": wind.wind_speed[..., -1],
        "wind_from_direction": wind.wind_from_direction[..., -1],
        "wind_standard_deviation": deviation,
        "wind_method": np.asarray(wind.method[..., -1], dtype=float),
        "wind_difference": aloft.difference(climb[-1:])[..., 0],
        "wind_speed_at_10m": aloft.at_10m,
        "gust_at_10m": take("wind_speed_of_gust"),
        "wind_speed_of_gust": gusts[..., -1],
        "gust_standard_deviation": aloft.gust_deviation(deviation[..., None], climb[-1:])[..., 0],
        # The aircraft climbs through what is below: a jet under the flight height counts.
        "largest_wind_speed": wind.wind_speed.max(axis=-1),
        "largest_gust": gusts.max(axis=-1),
        "low_level_jet": aloft.jet(),
    }


def _air(take: Taker, height: float, ground: Array) -> dict[str, Array]:
    near_ground = take("air_temperature")
    aloft, heights = take.levels("air_temperature_aloft")
    at_height = atmosphere.temperature_at_height(near_ground, aloft, heights, height)

    humidity, dew_point = _humidity(take, near_ground)
    vapour_pressure = saturation_vapour_pressure(dew_point)
    surface_pressure = _surface_pressure(take, near_ground, ground)
    pressure = atmosphere.pressure_at_height(surface_pressure, near_ground, height)
    density = atmosphere.air_density(at_height, vapour_pressure, pressure)
    return {
        "air_temperature": at_height,
        "air_temperature_near_ground": near_ground,
        "relative_humidity": humidity,
        "dew_point_temperature": dew_point,
        "surface_air_pressure": surface_pressure,
        "air_density": density,
        "pressure_altitude": atmosphere.pressure_altitude(pressure),
        "density_altitude": atmosphere.density_altitude(density),
    }


def _humidity(take: Taker, air_temperature: Array) -> tuple[Array, Array]:
    """Give relative humidity and dew point: the more humid of the two where the source carries both.

    Real replies differ by several per cent between the two, so one cannot stand in for the other when it is lost.
    """
    given, dew_point = take("relative_humidity"), take("dew_point_temperature")
    from_dew_point = relative_humidity_from_dew_point(air_temperature, dew_point)
    if not take.has("dew_point_temperature"):
        humidity = given
    elif not take.has("relative_humidity"):
        humidity = from_dew_point
    else:
        humidity = np.maximum(given, from_dew_point)  # NaN in either stays NaN
    humidity = np.clip(humidity, 0.0, 1.0)
    return humidity, dew_point_from_relative_humidity(air_temperature, humidity)


def _surface_pressure(take: Taker, air_temperature: Array, ground: Array) -> Array:
    """Give the pressure at the ground: the source's own, or from sea level where it carries none."""
    if take.has("surface_air_pressure"):
        return take("surface_air_pressure")
    return atmosphere.surface_pressure_from_sea_level(take("air_pressure_at_mean_sea_level"), air_temperature, ground)


def _weather(take: Taker, height: float, ground: Array, air: dict[str, Array]) -> dict[str, Array]:
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
        "precipitation_probability": take("precipitation_probability"),
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
    """Give the rate of precipitation; the least trace of it, by amount or by code, counts as the least measured.

    Amounts of a grid cell and an hour hide short showers, and a code may tell of drizzle that the amount rounds away.
    """
    falls = (rate > 0) | np.isin(code, weather_code.FALLING)
    at_least_a_trace = np.where(falls, np.fmax(rate, TRACE), rate)
    code_is_lost = np.isnan(code) & take.has("weather_code") & ~(rate > TRACE)
    return np.where(np.isnan(rate) | code_is_lost, np.nan, at_least_a_trace)


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


def _kp(take: Taker) -> dict[str, Array]:
    magnetic = geomagnetic.geomagnetic_latitude(take.coordinate("latitude"), take.coordinate("longitude"))
    return {
        "kp_index": take("kp_index"),
        "kp_limit": geomagnetic.kp_limit(magnetic),
        "geomagnetic_latitude": magnetic,
    }


def _daylight(conditions: xr.Dataset, rule: str) -> xr.Dataset:
    """Add the lit part of every hour, to the second, for every place; members of an ensemble share their place's."""
    everywhere = conditions["wind_speed"].isel(edge=0, time=0, drop=True)
    places = everywhere.isel(realization=0, drop=True) if "realization" in everywhere.dims else everywhere
    latitude = conditions["latitude"].broadcast_like(places)
    longitude = conditions["longitude"].broadcast_like(latitude).values
    start = conditions["time"].values.astype("datetime64[s]")
    usable_start = np.empty((start.size, *latitude.shape), dtype="datetime64[s]")
    usable_end = np.empty_like(usable_start)
    for index in np.ndindex(latitude.shape):
        usable_start[:, *index], usable_end[:, *index] = daylight.lit_part(
            float(latitude.values[index]), float(longitude[index]), start, HOUR, rule=rule
        )
    lit = usable_end - usable_start
    minutes = np.where(np.isnat(lit), 0.0, lit.astype("timedelta64[s]").astype(float) / 60)
    dims = ("time", *everywhere.dims)
    absent = [i for i, d in enumerate(dims) if d not in ("time", *latitude.dims)]
    shape = (start.size, *everywhere.shape)

    def spread(values: npt.NDArray[np.generic]) -> npt.NDArray[np.generic]:
        return np.broadcast_to(np.expand_dims(values, absent), shape)

    return conditions.assign(
        minutes_of_light=(dims, spread(minutes), DERIVED["minutes_of_light"]),
        usable_start=(dims, spread(usable_start.astype("datetime64[ns]"))),
        usable_end=(dims, spread(usable_end.astype("datetime64[ns]"))),
    )


def _described(units: str, long_name: str, standard_name: str | None = None) -> dict[str, str]:
    described = {"units": units, "long_name": long_name}
    return described | ({"standard_name": standard_name} if standard_name else {})


def _kept(*names: str) -> dict[str, dict[str, str]]:
    """Describe what is handed on as the cube has it."""
    rows = (VARIABLES[name] for name in names)
    return {row.name: _described(row.units, row.long_name, row.standard_name) for row in rows}


DERIVED: dict[str, dict[str, str]] = {
    "wind_speed": _described("m s-1", "mean wind at flight height", "wind_speed"),
    "wind_from_direction": _described(
        "degree", "direction the wind comes from at flight height", "wind_from_direction"
    ),
    "wind_standard_deviation": _described("m s-1", "standard deviation of the wind's carrying to flight height"),
    "gust_standard_deviation": _described("m s-1", "standard deviation of the gust's carrying to flight height"),
    "largest_wind_speed": _described("m s-1", "largest mean wind from 10 m up to flight height"),
    "largest_gust": _described("m s-1", "largest gust from 10 m up to flight height"),
    "wind_method": _described("1", "how the wind was carried (wxfly.physics.wind_profile.ProfileMethod)"),
    "wind_difference": _described("m s-1", "largest wind difference over 30 m of height up to flight height"),
    "wind_speed_at_10m": _described("m s-1", "mean wind at 10 m", "wind_speed"),
    "low_level_jet": _described("1", "a low-level jet or its lower flank: 1 there is one, 0 none"),
    "gust_at_10m": _described("m s-1", "gust at 10 m", "wind_speed_of_gust"),
    "wind_speed_of_gust": _described("m s-1", "gust at flight height", "wind_speed_of_gust"),
    "air_temperature": _described("K", "air temperature at flight height", "air_temperature"),
    "air_temperature_near_ground": _described("K", "air temperature at 2 m", "air_temperature"),
    "air_density": _described("kg m-3", "air density at flight height", "air_density"),
    "pressure_altitude": _described("m", "pressure altitude at flight height"),
    "density_altitude": _described("m", "density altitude at flight height"),
    "precipitation_rate": _described("mm h-1", "precipitation of the hour"),
    "cloud_base_height": _described("m", "cloud base above ground"),
    "cloud_base_method": _described("1", "how the cloud base was found (wxfly.physics.cloud.CloudBaseMethod)"),
    "icing_risk": _described("1", "icing at flight height: 0 none, 1 possible, 2 likely"),
    "thunderstorm_risk": _described("1", "thunderstorm: 0 none, 1 possible, 2 likely"),
    "geomagnetic_latitude": _described("degree", "geomagnetic latitude (AACGM)"),
    "kp_limit": _described("1", "Kp limit from the place's geomagnetic latitude"),
    "sun_elevation": _described("degree", "sun above the level horizon", "solar_elevation_angle"),
    "sun_azimuth": _described("degree", "direction of the sun, clockwise from north", "solar_azimuth_angle"),
    "minutes_of_light": _described("min", "minutes of the hour in which the daylight rule holds"),
    **_kept(
        "relative_humidity", "dew_point_temperature", "surface_air_pressure", "precipitation_probability",
        "weather_code", "cloud_area_fraction", "visibility_in_air", "kp_index",
        "atmosphere_convective_available_potential_energy",
    ),
}  # fmt: skip
