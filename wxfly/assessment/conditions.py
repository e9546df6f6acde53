"""Conditions: the cube's hours at flight height, and at the other heights of a flight.

Variables are taken out of the cube, given to the plain functions of `wxfly.physics`, and put back under their names.

A flight has phases at heights of their own: launch and landing at 2 m, the way back at its height. A phase takes less
than an hour and a forecast comes by the hour, so every phase of a flight meets the demand of the same hour: each is
compared with its own limit, and the tightest counts (`wxfly.assessment.suitability.assess`). Over several hours there
is a launch and a landing in every one of them, with each change of the battery.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import reduce
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.hours import HOUR, HourValues, Precision, at_edges, cut_hours, lost_inputs, to_hours
from wxfly.assessment.weather import weather, with_earlier_fog
from wxfly.assessment.wind_at_height import WindAloft
from wxfly.cube.contract import VARIABLES, restore_provided
from wxfly.physics import geomagnetic, sun
from wxfly.physics.air import atmosphere
from wxfly.physics.air.atmosphere import (
    dew_point_from_vapour_pressure,
    relative_humidity_from_dew_point,
    saturation_vapour_pressure,
)
from wxfly.physics.wind.error import LOST_SPREAD, deviation_from_spread
from wxfly.pilot.elements import ELEMENTS, NAMES, ROW
from wxfly.pilot.limits import HEIGHT_OF_LAUNCH, Limits
from wxfly.pilot.site import Site

Array = npt.NDArray[np.float64]

HIGH_GROUND = 1000.0
"""Height of the ground above which a note says that methods of reducing pressure to sea level differ [m]: here by up to
85 m of density altitude."""


def in_phase(name: str, phase: str) -> str:
    """Return the name that conditions give to a variable in a phase of the flight, ``launch`` or ``return``."""
    return f"{name}_at_{phase}"


def of_phase(conditions: xr.Dataset, phase: str) -> dict[str, xr.Variable]:
    """Return what conditions have of a phase, under the names that it has at flight height."""
    suffix = in_phase("", phase)
    variables = {str(name): conditions.variables[name] for name in conditions.data_vars}
    return {name.removesuffix(suffix): values for name, values in variables.items() if name.endswith(suffix)}


def derive(
    cube: xr.Dataset | HourValues,
    *,
    height: float,
    site: Site | None = None,
    daylight_rule: str = "civil_twilight",
    start: np.datetime64 | None = None,
    end: np.datetime64 | None = None,
    with_launch: bool = False,
    return_height: float | None = None,
) -> xr.Dataset:
    """Work out what each hour asks of an aircraft at flight height.

    Parameters
    ----------
    cube : xarray.Dataset or HourValues
        A forecast cube (`wxfly.cube.contract`), with any horizontal dimensions or none; or its hours, made ready once
        by `hours_of` for this and `derive_heights`, with their own bounds.
    height : float
        Flight height above ground [m].
    site : Site, optional
        Whose ground counts where the wind must be carried up from one level alone.
    daylight_rule : str, optional
        See `wxfly.physics.sun.lit_part`.
    start, end : numpy.datetime64, optional
        UTC bounds; whole hours around them are worked out. Hours that the forecast does not reach are there and
        not known. By default every hour of the cube.
    with_launch : bool, optional
        Whether the gust at anemometer height is worked out too.
    return_height : float, optional
        Of the way back above ground [m], where its wind, air and weather are worked out too.

    Returns
    -------
    xarray.Dataset
        Dimensions ``time`` (start of the hour), the horizontal ones of the cube, and ``edge`` for instants; with
        ``input_is_lost`` (element, time, ...), as `wxfly.assessment.hours.lost_inputs` returns it.
    """
    forecast = cube if isinstance(cube, HourValues) else hours_of(cube, start=start, end=end)
    ground = forecast.coordinate("surface_altitude").astype(forecast.precision.value)
    phases = {"launch": HEIGHT_OF_LAUNCH} if with_launch else {}
    phases |= {} if return_height is None else {"return": float(return_height)}

    def of_model(part: HourValues) -> dict[str, Array]:
        found, of_phases = _wind(part, height, site, phases)
        found |= _air(part, height, ground)
        found |= _surroundings(part)
        if return_height is not None:
            of_phases |= _air_at_return(part, return_height, ground, found)
        return found | weather(part, height, ground, found) | of_phases

    result = of_each_model(forecast, of_model)
    result |= _kp(forecast)
    result |= dict(zip(("sun_elevation", "sun_azimuth"), forecast.sun, strict=True))
    is_reduced = any(
        not part.has("surface_air_pressure") and part.has("air_pressure_at_mean_sea_level")
        for part, _ in forecast.by_model()
    )
    lost = lost_inputs(forecast, max(float(height), return_height or 0.0, 10.0))
    coords = {k: v for k, v in forecast.hours.coords.variables.items() if "height" not in v.dims and k != "height"}
    # All in one go: to put a dataset together costs more than the work of an hour at one place.
    return xr.Dataset(
        {
            **_described_arrays(forecast, result),
            **_daylight(dict(zip(forecast.dims, forecast.shape, strict=True)), forecast.hours.variables, daylight_rule),
            "input_is_lost": (("element", *forecast.dims[1:]), lost, DERIVED["input_is_lost"]),
        },
        coords={**coords, "element": list(NAMES), "height": float(height), "pressure_is_reduced": is_reduced},
        attrs=forecast.hours.attrs,
    )


def of_each_model(forecast: HourValues, work: Callable[[HourValues], dict[str, Array]]) -> dict[str, Array]:
    """Do the work for each model of the hours, and put every edge of them together from that of its own model."""
    parts = forecast.by_model()
    if len(parts) == 1:
        return work(parts[0][0])
    result: dict[str, Array] = {}
    for part, here in parts:
        for name, values in work(part).items():
            more = values.ndim - len(forecast.shape)  # a last axis of heights
            where = here.reshape((*here.shape, *([1] * max(more, 0))))
            whole = np.broadcast_to(values, np.broadcast_shapes(values.shape, where.shape))
            result[name] = np.where(where, whole, result[name]) if name in result else np.where(where, whole, np.nan)
    return result


_Described = tuple[tuple[str, ...], npt.NDArray[Any], Mapping[str, str]]


def _described_arrays(forecast: HourValues, results: dict[str, Array]) -> dict[str, _Described]:
    """Return results under their names, with dimensions, units and long names."""
    rows = {name: row for of_phase in _OF_PHASES.values() for name, row in of_phase.items()}
    rows |= {in_phase(name, "return"): name for name in AIR_OF_RETURN}
    return {
        name: (forecast.dims, np.broadcast_to(values, forecast.shape), DERIVED[rows.get(name, name)])
        for name, values in results.items()
    }


def hours_of(
    cube: xr.Dataset,
    *,
    start: np.datetime64 | None = None,
    end: np.datetime64 | None = None,
    precision: Precision = Precision.DOUBLE,
) -> HourValues:
    """Make the hours of a cube ready, for `derive` and `derive_heights` to share."""
    hours = to_hours(*cut_hours(with_earlier_fog(restore_provided(cube)), start, end), precision)
    return HourValues(hours, precision=precision)


def derive_heights(
    cube: xr.Dataset | HourValues,
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
        dimensions time, the horizontal ones and height; NaN where an input that a height needs is lost.
    """
    forecast = cube if isinstance(cube, HourValues) else hours_of(cube, start=start, end=end)
    wanted = np.asarray(heights, dtype=float)
    judged = np.maximum(wanted, 10.0)  # below 10 m the wind at 10 m counts, as in a climb

    def of_model(part: HourValues) -> dict[str, Array]:
        aloft = WindAloft(part, site)
        extrapolated = aloft.at(judged)
        return {
            "wind_speed": extrapolated.wind_speed,
            "wind_standard_deviation": extrapolated.standard_deviation,
            "gust_standard_deviation": aloft.gust_deviation(extrapolated.standard_deviation, judged),
            "wind_speed_of_gust": aloft.gust(extrapolated.wind_speed, judged),
            "wind_difference": aloft.difference(judged),
        }

    values = of_each_model(forecast, of_model)
    dims = (*forecast.dims[1:], "height")
    coords = {k: v for k, v in forecast.hours.coords.items() if "height" not in v.dims and k != "height"}
    # Of the two edges the worse one counts; a missing edge is a missing hour.
    worst = {name: of_edges.max(axis=0) for name, of_edges in values.items()}
    demands = {"wind_speed": "wind", "wind_speed_of_gust": "gust", "wind_difference": "wind_difference"}
    rows = [ROW[element] for element in demands.values()]
    if lost_inputs(forecast, judged.max())[rows].any():  # a greater height needs whatever a lower one needs
        lost = np.stack([lost_inputs(forecast, height)[rows] for height in judged.tolist()], axis=-1)
        worst |= {name: np.where(gone, np.nan, worst[name]) for name, gone in zip(demands, lost, strict=True)}
    data = {name: (dims, of_hours, DERIVED[name]) for name, of_hours in worst.items()}
    return xr.Dataset(data, coords=coords | {"height": wanted})


def _wind(
    forecast: HourValues, height: float, site: Site | None, phases: Mapping[str, float]
) -> tuple[dict[str, Array], dict[str, Array]]:
    """Return the wind at flight height, and that of each phase by its height [m], all worked out in one pass."""
    aloft = WindAloft(forecast, site)
    climbs = [aloft.climb_to(wanted) for wanted in (height, *phases.values())]
    every = np.concatenate(climbs)
    winds = aloft.at(every)
    gusts_at_all = aloft.gust(winds.wind_speed, every)
    deviations = winds.standard_deviation
    of_gusts = aloft.gust_deviation(deviations, every)
    last = np.cumsum([climb.size for climb in climbs])

    def of_climb(number: int) -> dict[str, Array]:
        here = slice(last[number] - climbs[number].size, last[number])
        speeds, gusts = winds.wind_speed[..., here], gusts_at_all[..., here]
        return {
            "wind_standard_deviation": deviations[..., here][..., -1],
            "wind_speed_of_gust": gusts[..., -1],
            "gust_standard_deviation": of_gusts[..., here][..., -1],
            # The aircraft climbs through what is below: a jet under the flight height counts.
            "largest_wind_speed": reduce(np.maximum, np.moveaxis(speeds, -1, 0)),
            "largest_gust": reduce(np.maximum, np.moveaxis(gusts, -1, 0)),
        }

    at_flight = last[0] - 1
    found = of_climb(0) | {
        "wind_speed": winds.wind_speed[..., at_flight],
        "wind_from_direction": winds.wind_from_direction[..., at_flight],
        "wind_method": np.asarray(winds.method[..., at_flight], dtype=float),
        "wind_difference": aloft.difference(climbs[0][-1:])[..., 0],
        "wind_speed_at_10m": aloft.at_10m,
        "gust_at_10m": forecast("wind_speed_of_gust"),
        "low_level_jet": aloft.jet(),
    }
    of_phases: dict[str, Array] = {}
    for number, phase in enumerate(phases, start=1):
        felt = of_climb(number)
        if "wind_difference" in _OF_PHASES[phase].values():
            felt["wind_difference"] = aloft.difference(climbs[number][-1:])[..., 0]
        of_phases |= {name: felt[row] for name, row in _OF_PHASES[phase].items()}
    return found, of_phases


def _air_at_return(forecast: HourValues, height: float, ground: Array, found: dict[str, Array]) -> dict[str, Array]:
    """Return what the air and the weather at the height of the way back ask."""
    there = found | _air(forecast, height, ground)
    there |= weather(forecast, height, ground, there)
    return {in_phase(name, "return"): there[name] for name in AIR_OF_RETURN}


def _surroundings(forecast: HourValues) -> dict[str, Array]:
    """Return what the spread of the cells around adds to the error of wind and gust; nothing without such cells."""
    if not forecast.has("wind_speed_spread_of_cells"):
        return {}
    wind = forecast("wind_speed_spread_of_cells")
    gust = forecast("gust_spread_of_cells") if forecast.has("gust_spread_of_cells") else wind
    return {
        "wind_deviation_of_cells": deviation_from_spread(_with_lost(wind)),
        "gust_deviation_of_cells": deviation_from_spread(_with_lost(gust)),
        "cells_are_lost": (np.isnan(wind) | np.isnan(gust)).astype(float),
    }


def _with_lost(spread: Array) -> Array:
    """Put the largest known spread of a place in its lost hours, and no less than what a loss counts as anywhere."""
    largest = np.fmax.reduce(spread, axis=(0, 1), initial=LOST_SPREAD, keepdims=True)
    return np.where(np.isnan(spread), largest, spread)


_INSTANTS_OF_AIR = (
    "air_temperature",
    "air_temperature_aloft",
    "relative_humidity",
    "dew_point_temperature",
    "surface_air_pressure",
    "air_pressure_at_mean_sea_level",
)


def _air(forecast: HourValues, height: float, ground: Array) -> dict[str, Array]:
    forecast = forecast.at_stamps(*_INSTANTS_OF_AIR)
    near_ground = forecast("air_temperature")
    aloft, heights = forecast.levels("air_temperature_aloft")
    at_height = atmosphere.temperature_at_height(near_ground, aloft, heights, height)
    passed = [aloft[..., k] for k in np.flatnonzero((heights > atmosphere.SCREEN_HEIGHT) & (heights < height))]
    on_climb = [near_ground, *passed, at_height]

    humidity, vapour_pressure = _humidity(forecast, near_ground)
    dew_point = dew_point_from_vapour_pressure(vapour_pressure)
    surface_pressure = _surface_pressure(forecast, near_ground, ground)
    pressure = atmosphere.pressure_at_height(surface_pressure, near_ground, height)
    density = atmosphere.air_density(at_height, vapour_pressure, pressure)
    # Over hot ground the air at the take-off place may be the thinner one.
    thinnest = np.minimum(density, atmosphere.air_density(near_ground, vapour_pressure, surface_pressure))
    found = {
        "air_temperature": at_height,
        "air_temperature_near_ground": near_ground,
        "coldest_air_temperature": reduce(np.minimum, on_climb),  # NaN in any stays NaN
        "warmest_air_temperature": reduce(np.maximum, on_climb),
        "relative_humidity": humidity,
        "dew_point_temperature": dew_point,
        "surface_air_pressure": surface_pressure,
        "air_density": density,
        "pressure_altitude": atmosphere.pressure_altitude(pressure),
        "density_altitude": atmosphere.density_altitude(thinnest),
    }
    return {name: at_edges(values) for name, values in found.items()}


def _humidity(forecast: HourValues, air_temperature: Array) -> tuple[Array, Array]:
    """Return relative humidity and vapour pressure: the more humid of the two where the source carries both.

    Real replies differ by several per cent between the two, so one cannot stand in for the other when it is lost.
    """
    given, dew_point = forecast("relative_humidity"), forecast("dew_point_temperature")
    from_dew_point = relative_humidity_from_dew_point(air_temperature, dew_point)
    if not forecast.has("dew_point_temperature"):
        humidity = given
    elif not forecast.has("relative_humidity"):
        humidity = from_dew_point
    else:
        humidity = np.maximum(given, from_dew_point)  # NaN in either stays NaN
    humidity = np.clip(humidity, 0.0, 1.0)
    vapour_pressure = humidity * saturation_vapour_pressure(air_temperature)
    return humidity, np.where(vapour_pressure > 0, vapour_pressure, np.nan)


def _surface_pressure(forecast: HourValues, air_temperature: Array, ground: Array) -> Array:
    """Return the pressure at the ground: the source's own, or from sea level where it carries none.

    Services differ in the column that they fill in below the ground: warm as the day's air, or the standard
    atmosphere's. The lower pressure of the two counts, which gives the higher density altitude.
    """
    if forecast.has("surface_air_pressure"):
        return forecast("surface_air_pressure")
    at_sea_level = forecast("air_pressure_at_mean_sea_level")
    standard = atmosphere.STANDARD_TEMPERATURE - atmosphere.STANDARD_LAPSE_RATE * ground
    of_the_day, of_the_standard = (
        atmosphere.surface_pressure_from_sea_level(at_sea_level, temperature, ground)
        for temperature in (air_temperature, standard)
    )
    return np.minimum(of_the_day, of_the_standard)


def pressure_note(conditions: xr.Dataset) -> str:
    """Say that density altitude hangs on a pressure reduced to sea level, where the ground is high; else empty.

    Parameters
    ----------
    conditions : xarray.Dataset
        Of one place, as `derive` gives them.
    """
    ground = float(conditions["surface_altitude"]) if "surface_altitude" in conditions.coords else np.nan
    if not bool(conditions["pressure_is_reduced"]) or not ground > HIGH_GROUND:
        return ""
    return (
        "the forecast gives pressure at sea level only, and services reduce it in different ways: over ground this high"
        " density altitude may be off by some hundred metres; the higher of two is taken"
    )


def _kp(forecast: HourValues) -> dict[str, Array]:
    magnetic = geomagnetic.geomagnetic_latitude(forecast.coordinate("latitude"), forecast.coordinate("longitude"))
    of_outlook = {"kp_index_of_outlook": forecast("kp_index_of_outlook")} if forecast.has("kp_index_of_outlook") else {}
    return {
        "kp_index": forecast("kp_index"),
        **of_outlook,
        "kp_limit": geomagnetic.kp_limit(magnetic),
        "geomagnetic_latitude": magnetic,
    }


def with_daylight(conditions: xr.Dataset, rule: str) -> xr.Dataset:
    """Return conditions with the lit part of every hour, to the second, for every place, in place of any they had.

    Members of an ensemble share their place's.

    Parameters
    ----------
    conditions : xarray.Dataset
        As `derive` gives them.
    rule : str
        See `wxfly.physics.sun.lit_part`.
    """
    sizes = {str(d): n for d, n in conditions.variables["wind_speed"].sizes.items()}
    return conditions.assign(_daylight(sizes, conditions.variables, rule))


def _daylight(sizes: dict[str, int], coordinates: Mapping[Any, xr.Variable], rule: str) -> dict[str, _Described]:
    """Return the lit part of every hour of the places, spread over all dimensions but the edges of the hour."""
    sizes = {d: n for d, n in sizes.items() if d not in ("edge", "time")}
    of_places = {d: n for d, n in sizes.items() if d != "realization"}
    everywhere = xr.Variable(tuple(of_places), np.broadcast_to(0.0, tuple(of_places.values())))
    latitude, longitude = (everywhere + coordinates[name] for name in ("latitude", "longitude"))
    start = coordinates["time"].values.astype("datetime64[s]")
    usable_start, usable_end = sun.lit_part(
        latitude.values, longitude.values, start.reshape(-1, *([1] * latitude.ndim)), HOUR, rule=rule
    )
    lit = usable_end - usable_start
    minutes = np.where(np.isnat(lit), 0.0, lit.astype(float) / 60)
    dims = ("time", *sizes)
    absent = tuple(i for i, d in enumerate(dims) if d not in ("time", *of_places))
    shape = (start.size, *sizes.values())

    def spread(values: npt.NDArray[np.generic]) -> npt.NDArray[np.generic]:
        return np.broadcast_to(np.expand_dims(values, absent), shape)

    return {
        "minutes_of_light": (dims, spread(minutes), DERIVED["minutes_of_light"]),
        "usable_start": (dims, spread(usable_start.astype("datetime64[ns]")), {}),
        "usable_end": (dims, spread(usable_end.astype("datetime64[ns]")), {}),
    }


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
    "wind_standard_deviation": _described("m s-1", "standard deviation of the wind extrapolated to flight height"),
    "gust_standard_deviation": _described("m s-1", "standard deviation of the gust extrapolated to flight height"),
    "wind_deviation_of_cells": _described("m s-1", "what the spread of the cells around adds to the wind's error"),
    "gust_deviation_of_cells": _described("m s-1", "what the spread of the cells around adds to the gust's error"),
    "cells_are_lost": _described("1", "whether the spread of the cells around is lost"),
    "largest_wind_speed": _described("m s-1", "largest mean wind from 10 m up to flight height"),
    "largest_gust": _described("m s-1", "largest gust from 10 m up to flight height"),
    "wind_method": _described("1", "how the wind was carried (wxfly.physics.wind.profile.ProfileMethod)"),
    "wind_difference": _described("m s-1", "largest wind difference over 30 m of height up to flight height"),
    "wind_speed_at_10m": _described("m s-1", "mean wind at 10 m", "wind_speed"),
    "low_level_jet": _described("1", "a low-level jet or its lower flank: 1 there is one, 0 none"),
    "gust_at_10m": _described("m s-1", "gust at 10 m", "wind_speed_of_gust"),
    "wind_speed_of_gust": _described("m s-1", "gust at flight height", "wind_speed_of_gust"),
    "air_temperature": _described("K", "air temperature at flight height", "air_temperature"),
    "air_temperature_near_ground": _described("K", "air temperature at 2 m", "air_temperature"),
    "coldest_air_temperature": _described("K", "lowest air temperature from 2 m up to flight height"),
    "warmest_air_temperature": _described("K", "highest air temperature from 2 m up to flight height"),
    "air_density": _described("kg m-3", "air density at flight height", "air_density"),
    "pressure_altitude": _described("m", "pressure altitude at flight height"),
    "density_altitude": _described("m", "density altitude, the larger of that at 2 m and at flight height"),
    "precipitation_rate": _described("mm h-1", "precipitation of the hour, the least trace counted as 0.1"),
    "forecast_precipitation_rate": _described("mm h-1", "precipitation of the hour, a trace as it is forecast"),
    "precipitation_probability_is_lost": _described("1", "whether its probability is lost and taken as 1"),
    "cloud_base_height": _described("m", "cloud base above ground"),
    "cloud_base_method": _described("1", "how the cloud base was found (wxfly.physics.air.cloud.CloudBaseMethod)"),
    "icing_risk": _described("1", "icing up to flight height: 0 none, 1 possible, 2 likely"),
    "icing_chance": _described("1", "chance of icing up to flight height"),
    "icing_chance_by_signs": _described("1", "chance of icing without the probability of precipitation"),
    "fog_risk": _described("1", "fog in humid air: 0 none, 1 possible, 2 likely"),
    "fog_chance": _described("1", "chance of fog in humid air"),
    "thunderstorm_risk": _described("1", "thunderstorm: 0 none, 1 possible, 2 likely"),
    "thunderstorm_chance": _described("1", "chance of a thunderstorm"),
    "geomagnetic_latitude": _described("degree", "geomagnetic latitude (AACGM)"),
    "kp_limit": _described("1", "Kp limit from the place's geomagnetic latitude"),
    "sun_elevation": _described("degree", "sun above the level horizon", "solar_elevation_angle"),
    "sun_azimuth": _described("degree", "direction of the sun, clockwise from north", "solar_azimuth_angle"),
    "input_is_lost": _described("1", "whether an input of an element is lost in the hour"),
    "minutes_of_light": _described("min", "minutes of the hour in which the daylight rule holds"),
    **_kept(
        "relative_humidity", "dew_point_temperature", "surface_air_pressure", "precipitation_probability",
        "weather_code", "cloud_area_fraction", "visibility_in_air", "kp_index", "kp_index_of_outlook",
        "atmosphere_convective_available_potential_energy",
    ),
}  # fmt: skip


_OF_PHASES = {
    "launch": {
        "largest_gust_at_launch": "wind_speed_of_gust",
        "gust_standard_deviation_at_launch": "gust_standard_deviation",
    },
    "return": {
        in_phase(name, "return"): name
        for name in (
            "largest_wind_speed", "largest_gust", "wind_standard_deviation", "gust_standard_deviation",
            "wind_difference",
        )
    },
}  # fmt: skip
"""What conditions have of the wind in a phase besides the flight at its height, and the row of `DERIVED` of it."""
_OF_MEMBERS = "icing_chance_by_signs"
AIR_OF_RETURN = {
    name
    for element in ELEMENTS
    if element.changes_with_height
    for name in (element.condition, element.chance, element.limit.condition, _OF_MEMBERS)
    if name and name not in _OF_PHASES["return"].values()
}
"""Conditions that are worked out at the height of the way back too: those of elements that change with height."""


def derive_flight(
    hours: HourValues, *, height: float, site: Site | None, limits: Limits, return_height: float | None = None
) -> xr.Dataset:
    """Work out what each hour asks of an aircraft at flight height, and in the other phases of its flight.

    Parameters
    ----------
    hours : HourValues
        As `wxfly.assessment.conditions.hours_of` gives it.
    height : float
        Flight height above ground [m].
    site : Site or None
        Whose ground counts; None takes the forecast's own.
    limits : Limits
        Its rule of daylight counts, and whether it has a limit of its own for the launch.
    return_height : float, optional
        Of the way back above ground [m]. Up to the flight height the climb is held against the limits already.

    Returns
    -------
    xarray.Dataset
        As `wxfly.assessment.conditions.derive` gives it, with ``largest_gust_at_launch`` where there is a limit for it,
        and with ``largest_wind_speed_at_return``, ``largest_gust_at_return``, each with its standard deviation, and
        wind difference, temperature, density altitude and icing at the return height where the way back is higher; the
        return height is the coordinate ``height_at_return`` [m].
    """
    higher = return_height if return_height is not None and return_height > height else None
    conditions = derive(
        hours,
        height=height,
        site=site,
        daylight_rule=limits.daylight_rule,
        with_launch=limits.maximum_gust_at_launch is not None,
        return_height=higher,
    )
    return conditions if higher is None else conditions.assign_coords(height_at_return=float(higher))
