"""Consistency: columns of a forecast compared with each other, within stated bounds.

Where two columns contradict each other, one is damaged or in another unit, and nobody knows which. In that hour all
columns of the contradiction count as unknown. The bounds are wide enough for real models and rounded replies, so a
value that passes is not proved right.

References
----------
[WMO-8] WMO-No. 8, Guide to Instruments and Methods of Observation, Part I, chapter 5: a gust is a maximum of the wind
    over the averaging time of its mean, so it is not below that mean (from memory).
[Buck-1996] As in `wxfly.physics.air.atmosphere`: humidity follows from temperature and dew point.
[Doc7488] ICAO Doc 7488, Manual of the ICAO Standard Atmosphere: the hydrostatic equation.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.physics import MELTING_POINT, STANDARD_GRAVITY
from wxfly.physics.air.atmosphere import relative_humidity_from_dew_point
from wxfly.physics.air.weather_code import FALLING
from wxfly.physics.wind.gust import is_no_gust

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

GUST_BELOW_WIND = 0.6
"""Largest amount by which a gust may be below the mean wind of its stamp [m s-1]: replies are rounded, and models take
the mean at the stamp itself. 0.4 occurs in a real week of hours; common practice, no source."""
GUST_HOURS = 6
"""So many hours in a row with a gust that is none by `wxfly.physics.wind.gust.is_no_gust` are not credible."""
LEAST_SHARE_ALOFT, WIND_BELOW = 0.5, 4.0
"""No level up to 200 m has less than the first, as a share of a wind at 10 m above the second [m s-1]. Over land the
wind grows with height; strong convection lowers it by a tenth at most (common practice, no source)."""
LESS_ALOFT, ALOFT_HOURS, LIGHT_WIND, NEAR_GROUND = 0.8, 6, 2.0, 120.0
"""No level up to the last [m] has less than the first, as a share of the wind at 10 m, over so many hours in a row with
a wind at 10 m above the third [m s-1]. It happens in 0.6 of 100 hours of a reanalysis at 100 m and in 0.4 on a tower at
the foot of a mountain (the project's own count, on the reanalysis and tower of the evidence pages)."""
DEW_POINT_ABOVE = 0.6
"""A dew point may be this far above the temperature [K]: 0.3 occurs in a real week; common practice, no source."""
HUMIDITY_APART = 0.2
"""A humidity may differ this much from the one computed from temperature and dew point [1]. 0.07 occurs in a real
week; humidity over ice and over water differs by 0.2 at -20 degC. Common practice, no source."""
STEEPEST_LAPSE = 0.0098
"""Dry adiabatic lapse rate, g / cp [K m-1]: air with a steeper lapse turns over."""
SUPERADIABATIC = 6.0
"""Over sunlit ground the air at 2 m may be this much warmer than that lapse allows [K]; common practice, no source."""
INVERSION_ALOFT = 20.0
"""In the strongest inversions the air at 2 m may be this much colder than a level within 200 m [K]; common practice, no
source."""
PRESSURE_APART = 0.03
"""Largest difference, as a share, between the pressure at the ground and the one from sea level and altitude,
[Doc7488]: services reduce pressure in different ways; common practice, no source."""
REAL_RAIN = 0.5
"""Least amount [kg m-2] that needs a code of precipitation at the end or the start of its hour; smaller amounts may
fall between the times of the codes (common practice, no source)."""
RAINY_HOURS = 3
"""Number of hours with a code of rain or snow that need some amount; in single hours it is rounded away."""
MUCH_LOW_CLOUD, HIGHEST_LOW_BASE = 0.5, 4000.0
"""Low cloud over at least the first share of the sky has its base below the second above ground [m]: models count cloud
as low up to 2 to 3.7 km (the low level of the WMO's International Cloud Atlas ends at 2 km; from memory). The bounds:
common practice, no source."""
NO_ENERGY, UNSTABLE, MUCH_ENERGY, STABLE_AIR = 100.0, -3.0, 1000.0, 3.0
"""A lifted index at or below the second [K] needs at least the first of energy (CAPE) [J kg-1], and an energy of at
least the third has no lifted index at or above the fourth [K]: both tell whether a parcel is warmer than the air around
it (AMS Glossary, from memory). A parcel that is 3 K warmer at 500 hPa, and no warmer 50 hPa above and below, already
has 86 J/kg, by ``CAPE = R int dT dln p``; an index of -3 K begins the class of a moderate chance (US National Weather
Service, Birmingham, severe weather parameters). Where the index says so beside less energy, another parcel was lifted:
storms above a stable layer are not ruled out. The bounds themselves are our judgement."""
WHOLE_HOURS, DAMAGED, UNUSUAL = 6, 0.05, 0.25
"""Damage in so many hours, and in so large a share of them, affects the whole column: in the other hours it only does
not show. The larger share is for what weather can do, though seldom. Common practice, no source."""
FROZEN, FROZEN_WIND = 48, 12
"""Hours in a row after which an unchanged value, or an unchanged wind, is a fault while a column of the same kind
changes; common practice, no source (a real week has 5 at most)."""
_GRAVITY_BY_GAS = STANDARD_GRAVITY / 287.05  # g / R of the hydrostatic equation [K m-1]
_SATURATED = 0.985  # in fog, humidity may stay the same for days


class Columns:
    """The columns of a cube as plain arrays. The axes are time, the horizontal ones and, where it applies, height."""

    def __init__(self, cube: xr.Dataset) -> None:
        self.cube = cube
        self.dims = ("time", *(str(d) for d in cube.dims if d not in ("time", "height")))
        self.heights = cube["height"].values if "height" in cube.dims else np.array([])

    def __call__(self, name: str) -> Array | None:
        """Return a column; None where the cube has none."""
        if name not in self.cube.variables:
            return None
        variable = self.cube.variables[name]
        dims = (*self.dims, "height") if "height" in variable.dims else self.dims
        absent = tuple(i for i, d in enumerate(dims) if d not in variable.dims)
        ordered = variable.transpose(*(d for d in dims if d in variable.dims)).values
        return np.asarray(np.expand_dims(ordered, absent), dtype=np.float64)

    def at_10m(self) -> Array | None:
        """Return the mean wind at 10 m."""
        wind, at = self("wind_speed"), np.flatnonzero(self.heights == 10.0)
        return None if wind is None or not at.size else wind[..., at[0]]


@dataclass(frozen=True)
class Check:
    """One check between columns.

    Attributes
    ----------
    words : str
        What was found, for the reader.
    variables : tuple of str
        The columns that contradict each other; all of them then count as unknown.
    broken : callable
        Returns flags for the columns, with their axes except height; None where a column that it needs is absent.
    whole_share : float
        Share of the hours from which on, with at least `WHOLE_HOURS` of them, all hours of the columns count as
        unknown; more than 1 for never.
    """

    words: str
    variables: tuple[str, ...]
    broken: Callable[[Columns], Flags | None]
    whole_share: float = 2.0


def _gust_below_wind(columns: Columns) -> Flags | None:
    gust, wind = columns("wind_speed_of_gust"), columns.at_10m()
    return None if gust is None or wind is None else gust < wind - GUST_BELOW_WIND


def _gust_of_no_gust(columns: Columns) -> Flags | None:
    gust, wind = columns("wind_speed_of_gust"), columns.at_10m()
    if gust is None or wind is None:
        return None
    weak = is_no_gust(gust, wind)
    return weak & _stands(weak.astype(float), GUST_HOURS)


def _wind_falls_off(columns: Columns) -> Flags | None:
    wind, at_10m = columns("wind_speed"), columns.at_10m()
    above = (columns.heights > 10.0) & (columns.heights <= 200.0)
    if wind is None or at_10m is None or not above.any():
        return None
    weak = wind[..., above] < LEAST_SHARE_ALOFT * at_10m[..., None]
    return np.asarray((at_10m > WIND_BELOW) & weak.any(axis=-1))


def _less_aloft(columns: Columns) -> Flags | None:
    wind, at_10m = columns("wind_speed"), columns.at_10m()
    above = (columns.heights > 10.0) & (columns.heights <= NEAR_GROUND)
    if wind is None or at_10m is None or not above.any():
        return None
    weak = (at_10m > LIGHT_WIND)[..., None] & (wind[..., above] < LESS_ALOFT * at_10m[..., None])
    return np.asarray((weak & _stands(weak.astype(float), ALOFT_HOURS)).any(axis=-1))


def _rain_without_code(columns: Columns) -> Flags | None:
    amount, code = columns("precipitation_amount"), columns("weather_code")
    if amount is None or code is None:
        return None
    dry = ~np.isin(code, FALLING) & ~np.isnan(code)
    before = np.concatenate([dry[:1], dry[:-1]])
    return np.asarray((amount >= REAL_RAIN) & dry & before)


def _code_without_rain(columns: Columns) -> Flags | None:
    amount, code = columns("precipitation_amount"), columns("weather_code")
    if amount is None or code is None:
        return None
    rainy = np.isin(code, FALLING) & (code >= 60) & ~np.isnan(amount)
    return np.asarray(rainy & (rainy.sum(axis=0) >= RAINY_HOURS) & ~(amount > 0).any(axis=0))


def _dew_point_above(columns: Columns) -> Flags | None:
    air, dew_point = columns("air_temperature"), columns("dew_point_temperature")
    return None if air is None or dew_point is None else dew_point > air + DEW_POINT_ABOVE


def _humidity_apart(columns: Columns) -> Flags | None:
    air, dew_point = columns("air_temperature"), columns("dew_point_temperature")
    humidity = columns("relative_humidity")
    if air is None or dew_point is None or humidity is None:
        return None
    return np.asarray(np.abs(humidity - relative_humidity_from_dew_point(air, dew_point)) > HUMIDITY_APART)


def _too_steep(columns: Columns) -> Flags | None:
    air, freezing = columns("air_temperature"), columns("freezing_level_altitude")
    ground = columns("surface_altitude")
    if air is None or freezing is None or ground is None:
        return None
    return np.asarray(air - MELTING_POINT > STEEPEST_LAPSE * np.maximum(freezing - ground, 0.0) + SUPERADIABATIC)


def _aloft_apart(columns: Columns) -> Flags | None:
    air, aloft = columns("air_temperature"), columns("air_temperature_aloft")
    if air is None or aloft is None:
        return None
    near, heights = aloft[..., columns.heights <= 200.0], columns.heights[columns.heights <= 200.0]
    steep = air[..., None] - near > STEEPEST_LAPSE * heights + SUPERADIABATIC
    return np.asarray((steep | (near - air[..., None] > INVERSION_ALOFT)).any(axis=-1))


def _pressures_apart(columns: Columns) -> Flags | None:
    here, sea = columns("surface_air_pressure"), columns("air_pressure_at_mean_sea_level")
    ground = columns("surface_altitude")
    if here is None or sea is None or ground is None:
        return None
    air = columns("air_temperature")
    warm = 288.15 - 0.0065 * ground if air is None else np.where(np.isnan(air), 288.15 - 0.0065 * ground, air)
    reduced = sea * np.exp(-_GRAVITY_BY_GAS * ground / (warm + 0.00325 * ground))
    return np.asarray(np.abs(here / reduced - 1.0) > PRESSURE_APART)


def _base_above_low_cloud(columns: Columns) -> Flags | None:
    low, base = columns("low_type_cloud_area_fraction"), columns("cloud_base_altitude")
    ground = columns("surface_altitude")
    if low is None or base is None:
        return None
    above = base - (0.0 if ground is None else np.where(np.isnan(ground), 0.0, ground))
    return np.asarray((low >= MUCH_LOW_CLOUD) & (above > HIGHEST_LOW_BASE))


def _energies_apart(columns: Columns) -> Flags | None:
    energy, lifted = columns("atmosphere_convective_available_potential_energy"), columns("lifted_index")
    if energy is None or lifted is None:
        return None
    unstable = (energy < NO_ENERGY) & (lifted <= UNSTABLE)
    return np.asarray(unstable | ((energy >= MUCH_ENERGY) & (lifted >= STABLE_AIR)))


def _frozen(name: str, kind: tuple[str, ...], hours: int) -> Callable[[Columns], Flags | None]:
    def broken(columns: Columns) -> Flags | None:
        own = columns(name)
        if own is None or own.shape[0] < hours:
            return None
        stands = _stands(own, hours)
        if not stands.any():
            return None
        if name == "relative_humidity":
            stands &= own < _SATURATED
        moves = np.zeros(own.shape[: len(columns.dims)], dtype=bool)
        for other in kind:
            values = columns(other)
            if values is not None:
                still = _stands(values, hours) | np.isnan(values)
                moves = moves | (~still if values.ndim == moves.ndim else (~still).any(axis=-1))
        return moves & (stands if stands.ndim == moves.ndim else stands.any(axis=-1))

    return broken


def _stands(values: Array, hours: int) -> Flags:
    """Flag the values that belong to a run of at least this many equal ones along the first axis."""
    size = values.shape[0]
    at = np.arange(size).reshape(-1, *([1] * (values.ndim - 1)))
    begins = np.ones(values.shape, dtype=bool)
    begins[1:] = values[1:] != values[:-1]  # NaN equals nothing
    ends = np.ones(values.shape, dtype=bool)
    ends[:-1] = begins[1:]
    first = np.maximum.accumulate(np.where(begins, at, 0), axis=0)
    last = np.flip(np.minimum.accumulate(np.flip(np.where(ends, at, size), 0), axis=0), 0)
    return np.asarray(last - first + 1 >= hours)


def _frozen_words(words: str, hours: int) -> str:
    return f"{words} that does not change for {'hours' if hours == FROZEN_WIND else 'days'}"


_WIND = ("wind_speed", "wind_speed_of_gust")
_AIR = ("air_temperature", "dew_point_temperature", "relative_humidity", "air_temperature_aloft")
_RAIN = ("precipitation_amount", "weather_code")
_HUMID = ("air_temperature", "dew_point_temperature", "relative_humidity")
CHECKS = (
    Check("a gust below the mean wind", ("wind_speed_of_gust", "wind_speed"), _gust_below_wind, whole_share=DAMAGED),
    Check(
        "a gust that is hardly above the mean wind for hours",
        ("wind_speed_of_gust", "wind_speed"),
        _gust_of_no_gust,
        whole_share=UNUSUAL,
    ),
    Check("a wind aloft far below the wind at 10 m", ("wind_speed",), _wind_falls_off, whole_share=UNUSUAL),
    Check("a wind aloft that is weaker than at 10 m for hours", ("wind_speed",), _less_aloft, whole_share=UNUSUAL),
    Check("rain without a code of it", _RAIN, _rain_without_code),
    Check("codes of rain without any amount", _RAIN, _code_without_rain),
    Check("a dew point above the temperature", _HUMID, _dew_point_above, whole_share=DAMAGED),
    Check("a humidity that temperature and dew point contradict", _HUMID, _humidity_apart, whole_share=DAMAGED),
    Check(
        "a temperature that the freezing level contradicts",
        ("air_temperature", "freezing_level_altitude"),
        _too_steep,
    ),
    Check(
        "a temperature that the air aloft contradicts", ("air_temperature", "air_temperature_aloft"), _aloft_apart
    ),
    Check(
        "pressures that the altitude of the ground contradicts",
        ("surface_air_pressure", "air_pressure_at_mean_sea_level"),
        _pressures_apart,
    ),
    Check(
        "a cloud base far above the low cloud",
        ("cloud_base_altitude", "low_type_cloud_area_fraction"),
        _base_above_low_cloud,
    ),
    Check(
        "a lifted index that the convective energy contradicts",
        ("atmosphere_convective_available_potential_energy", "lifted_index"),
        _energies_apart,
    ),
    *(Check(_frozen_words(words, hours), (name,), _frozen(name, kind, hours)) for name, words, kind, hours in (
        ("wind_speed", "a wind", _WIND, FROZEN_WIND),
        ("wind_speed_of_gust", "a gust", _WIND, FROZEN_WIND),
        ("wind_from_direction", "a wind direction", ("wind_from_direction",), FROZEN),
        ("air_temperature", "a temperature", _AIR, FROZEN),
        ("dew_point_temperature", "a dew point", _AIR, FROZEN),
        ("relative_humidity", "a humidity", _AIR, FROZEN),
        ("air_temperature_aloft", "a temperature aloft", _AIR, FROZEN),
    )),
)  # fmt: skip
"""The checks between columns, one row each."""


def hide_contradictions(cube: xr.Dataset) -> xr.Dataset:
    """Hide contradictory values, hour by hour; every parser ends with this.

    Parameters
    ----------
    cube : xarray.Dataset
        A forecast cube, with any horizontal dimensions, with or without members. It states what its source provides.

    Returns
    -------
    xarray.Dataset
        The same cube where nothing is contradictory; else with the attribute ``contradictions``, for the reader.
    """
    columns = Columns(cube)
    hidden: dict[str, Flags] = {}
    contradictions = []
    for check in CHECKS:
        broken = check.broken(columns)
        if broken is None or not broken.any():
            continue
        count_of_hours = broken.sum(axis=0)
        whole = (count_of_hours >= WHOLE_HOURS) & (count_of_hours >= check.whole_share * broken.shape[0])
        broken = broken | whole
        for name in check.variables:
            if name in cube.data_vars:
                hidden[name] = hidden.get(name, np.zeros((), dtype=bool)) | broken
        hours = np.flatnonzero(broken.reshape(broken.shape[0], -1).any(axis=1))
        first = str(cube["time"].values[hours[0]])[:16]
        count = f"{hours.size} hour{'s' if hours.size > 1 else ''}"
        if whole.any():
            count = "so many hours that none of them is believed"
            contradictions.append(f"the forecast contradicts itself: {check.words}, in {count}")
        else:
            contradictions.append(
                f"the forecast contradicts itself: {check.words}, in {count} from {first}Z on; not used there"
            )
    if not contradictions:
        return cube
    cube = cube.assign({name: _without(cube[name], columns, broken) for name, broken in hidden.items()})
    return cube.assign_attrs(contradictions="; ".join(contradictions))


def _without(variable: xr.DataArray, columns: Columns, broken: Flags) -> xr.DataArray:
    dims = (*columns.dims, "height") if "height" in variable.dims else columns.dims
    flags = xr.DataArray(broken if "height" not in dims else broken[..., None], dims=dims)
    flags = flags.isel(height=0, drop=True) if "height" in dims else flags
    absent = [d for d in columns.dims if d not in variable.dims]
    flags = flags.any(absent) if absent else flags
    return variable.copy(data=variable.where(~flags).transpose(*variable.dims).values)
