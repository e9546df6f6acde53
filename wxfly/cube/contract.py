"""The forecast cube: the one shape in which forecasts travel, and the check at its door.

A cube is an :class:`xarray.Dataset` of **one run of one model**. Its dimensions are

``time``
    UTC, hourly, strictly increasing, ``datetime64[ns]``;
``height``
    metres above ground, increasing, for the variables that have it;
``site``, or ``latitude`` and ``longitude``
    the places; absent for a single place. Code after this module never names them;
``realization``
    ensemble member, optional.

Missing values are NaN and stay NaN to the report. Units are SI. The names are CF standard names where the
table has one (checked by ``tests/test_forecast.py``).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.errors import WxflyError, shortened
from wxfly.pilot.own_files import plain

SCHEMA_VERSION = 1


@dataclass(frozen=True)
class Variable:
    """One row of the cube's contract.

    Attributes
    ----------
    name, units : str
        Name in the cube and SI unit as CF writes it.
    standard_name : str or None
        The CF standard name; None where the table has none, then `long_name` alone describes it.
    covers_hours : tuple of float
        The span a stamp speaks for, in hours from the stamp: ``(0, 0)`` is an instant, ``(-1, 0)`` the hour
        before, ``(0, 1)`` the hour after. A source that means something else says so in the variable's
        attribute of the same name.
    lowest, highest : float
        Magnitudes outside are a fault of the source, not weather.
    has_height : bool
        Whether the variable has the ``height`` dimension.
    """

    name: str
    units: str
    standard_name: str | None
    long_name: str
    covers_hours: tuple[float, float]
    lowest: float
    highest: float
    has_height: bool = False
    cell_methods: str | None = None


_HIGHEST = 1e5  # [m]
_LONGEST_HOURS = 24.0
_INSTANT = (0.0, 0.0)
_HOUR_BEFORE = (-1.0, 0.0)
_HOUR_AFTER = (0.0, 1.0)

_ROWS = (
    Variable("wind_speed", "m s-1", "wind_speed", "mean wind", _INSTANT, 0, 120, True),
    Variable(
        "wind_from_direction", "degree", "wind_from_direction", "direction the wind comes from",
        _INSTANT, 0, 360, True,
    ),
    Variable(
        "wind_speed_of_gust", "m s-1", "wind_speed_of_gust", "gust at 10 m", _HOUR_BEFORE, 0, 150,
        cell_methods="time: maximum",
    ),
    Variable("air_temperature", "K", "air_temperature", "air temperature at 2 m", _INSTANT, 170, 340),
    Variable(
        "air_temperature_aloft", "K", "air_temperature", "air temperature aloft", _INSTANT, 170, 340, True
    ),
    Variable(
        "dew_point_temperature", "K", "dew_point_temperature", "dew point at 2 m", _INSTANT, 150, 320
    ),
    Variable("relative_humidity", "1", "relative_humidity", "relative humidity at 2 m", _INSTANT, 0, 1.2),
    Variable(
        "surface_air_pressure", "Pa", "surface_air_pressure", "pressure at the ground",
        _INSTANT, 40_000, 112_000,
    ),
    Variable(
        "air_pressure_at_mean_sea_level", "Pa", "air_pressure_at_mean_sea_level", "pressure at mean sea level",
        _INSTANT, 85_000, 112_000,
    ),
    Variable(
        "precipitation_amount", "kg m-2", "precipitation_amount", "precipitation of the hour",
        _HOUR_BEFORE, 0, 400, cell_methods="time: sum",
    ),
    Variable(
        "precipitation_probability", "1", None, "probability of more than 0.1 mm in the hour",
        _HOUR_BEFORE, 0, 1,
    ),
    Variable("weather_code", "1", None, "present weather, WMO code table 4677", _INSTANT, 0, 99),
    Variable("cloud_area_fraction", "1", "cloud_area_fraction", "cloud cover", _INSTANT, 0, 1),
    Variable(
        "low_type_cloud_area_fraction", "1", "low_type_cloud_area_fraction", "low cloud cover", _INSTANT, 0, 1
    ),
    Variable(
        "medium_type_cloud_area_fraction", "1", "medium_type_cloud_area_fraction", "medium cloud cover",
        _INSTANT, 0, 1,
    ),
    Variable(
        "high_type_cloud_area_fraction", "1", "high_type_cloud_area_fraction", "high cloud cover",
        _INSTANT, 0, 1,
    ),
    Variable(
        "cloud_base_altitude", "m", "cloud_base_altitude", "cloud base above mean sea level",
        _INSTANT, -500, 25_000,
    ),
    Variable(
        "freezing_level_altitude", "m", "freezing_level_altitude", "freezing level above mean sea level",
        _INSTANT, -5_000, 10_000,
    ),
    Variable("visibility_in_air", "m", "visibility_in_air", "visibility", _INSTANT, 0, 500_000),
    Variable(
        "atmosphere_convective_available_potential_energy", "J kg-1",
        "atmosphere_convective_available_potential_energy", "convective available potential energy",
        _INSTANT, 0, 12_000,
    ),
    Variable(
        "atmosphere_convective_inhibition", "J kg-1", "atmosphere_convective_inhibition", "convective inhibition",
        _INSTANT, -12_000, 12_000,
    ),
    Variable(
        "lifted_index", "K",
        "temperature_difference_between_ambient_air_and_air_lifted_adiabatically_from_the_surface",
        "lifted index", _INSTANT, -30, 80,
    ),
    Variable(
        "atmosphere_boundary_layer_thickness", "m", "atmosphere_boundary_layer_thickness",
        "boundary-layer height", _INSTANT, 0, 10_000,
    ),
    Variable(
        "surface_roughness_length", "m", "surface_roughness_length", "roughness length of the model's surface",
        _INSTANT, 0, 20,
    ),
    Variable(
        "wind_speed_percentile_10", "m s-1", None, "tenth percentile of the mean wind at 10 m", _INSTANT, 0, 120
    ),
    Variable(
        "wind_speed_percentile_90", "m s-1", None, "ninetieth percentile of the mean wind at 10 m", _INSTANT, 0, 120
    ),
    Variable(
        "air_temperature_percentile_10", "K", None, "tenth percentile of the air temperature at 2 m",
        _INSTANT, 170, 340,
    ),
    Variable(
        "air_temperature_percentile_90", "K", None, "ninetieth percentile of the air temperature at 2 m",
        _INSTANT, 170, 340,
    ),
    Variable("kp_index", "1", None, "planetary Kp, held over its three hours", _HOUR_AFTER, 0, 9),
)  # fmt: skip

VARIABLES: dict[str, Variable] = {row.name: row for row in _ROWS}
"""The contract, by name."""

OF_SOME_SOURCES = (
    "wind_speed_percentile_10",
    "wind_speed_percentile_90",
    "air_temperature_percentile_10",
    "air_temperature_percentile_90",
    "atmosphere_convective_inhibition",
)
"""Variables that most sources do not give: how uncertain the others are, and what holds unstable air back."""

WIND = ("wind_speed", "wind_from_direction")
"""The two that make the wind at a height."""

HORIZONTAL = ("site", "latitude", "longitude")
ENSEMBLE = "realization"

# What a cube says of itself; the first four are never empty.
PROVENANCE = ("source", "institution", "license", "attribution", "history", "model")


def attributes_of(name: str) -> dict[str, object]:
    """Give the attributes that the variable of this name carries in a cube."""
    row = VARIABLES[name]
    attributes: dict[str, object] = {"units": row.units, "long_name": row.long_name}
    if row.standard_name:
        attributes["standard_name"] = row.standard_name
    if row.cell_methods:
        attributes["cell_methods"] = row.cell_methods
    attributes["covers_hours"] = np.array(row.covers_hours)
    return attributes


def covers_hours(variable: xr.Variable | xr.DataArray, name: str) -> tuple[float, float]:
    """Give the span, in hours from its stamp, for which a value of the variable of this name speaks."""
    default = VARIABLES[name].covers_hours if name in VARIABLES else _INSTANT
    start, end = (float(x) for x in np.asarray(variable.attrs.get("covers_hours", default)).ravel())
    return start, end


def mark_carried(cube: xr.Dataset, also: Mapping[str, Collection[float]] | None = None) -> xr.Dataset:
    """Note on the cube which variables, and at which heights, its source carries.

    Parameters
    ----------
    cube : xarray.Dataset
        A cube, marked before or not; what was noted before stays noted.
    also : mapping, optional
        By variable the heights [m], none for one without height, that the source is known to carry by what was asked
        and what its model has: what of it did not come is lost, not foreign.

    Notes
    -----
    A variable or a height that goes missing later is then told from one that the model never had: the first is
    *not known*, the second leaves a method its fallback. Every parser and generator ends with this and
    `check_forecast`.
    """
    known: dict[str, set[float]] = {str(name): set() for name in cube.data_vars}
    before = [(name, [float(h) for h in heights]) for name, *heights in carried_entries(cube)]
    for name, of_name in [*before, *((name, [float(h) for h in heights]) for name, heights in (also or {}).items())]:
        known.setdefault(name, set()).update(of_name)
    for name in (n for n in known if n in cube and VARIABLES[n].has_height):
        known[name] |= {float(h) for h in _heights_with_values(cube[name])}
    carried = [" ".join([name, *(f"{h:g}" for h in sorted(known[name]))]) for name in sorted(known)]
    return cube.assign_attrs(carried="; ".join(carried))


def _check_hours_covered(variable: xr.DataArray, place: str) -> None:
    told = np.asarray(variable.attrs.get("covers_hours", _INSTANT)).ravel()
    is_span = told.dtype.kind in "fiu" and told.size == 2
    if not is_span or not -_LONGEST_HOURS <= told[0] <= 0 <= told[1] <= _LONGEST_HOURS:
        raise WxflyError(
            f"{place}: {variable.name} has the attribute covers_hours = {shortened(plain(str(told.tolist())))}, "
            "wanted first and last hour from its stamp"
        )


def carried_heights(cube: xr.Dataset, name: str) -> npt.NDArray[np.float64]:
    """Give the heights [m] at which the source carries a variable, lost or not; empty when it carries none."""
    for first, *heights in carried_entries(cube):
        if first == name:
            return np.array([float(h) for h in heights])
    return _heights_with_values(cube[name]) if name in cube else np.array([])


def carried_entries(cube: xr.Dataset) -> list[list[str]]:
    """Give for each variable that the source carries its name and its heights [m], as they were noted."""
    return [entry.split() for entry in str(cube.attrs.get("carried", "")).split("; ") if entry]


def _heights_with_values(variable: xr.DataArray) -> npt.NDArray[np.float64]:
    others = [d for d in variable.dims if d != "height"]
    has_values = variable.notnull().any(others).values
    heights: npt.NDArray[np.float64] = variable["height"].values[has_values].astype(float)
    return heights


def restore_carried(cube: xr.Dataset) -> xr.Dataset:
    """Put back, as missing values, what `mark_carried` noted and the cube no longer has."""
    entries = carried_entries(cube)
    wanted = np.array(sorted({float(h) for _, *heights in entries for h in heights}))
    here = cube["height"].values if "height" in cube.dims else np.array([])
    if not np.isin(wanted, here).all():
        union = np.union1d(wanted, here)
        cube = cube.reindex(height=union) if here.size else cube.assign_coords(height=union)
    lost = [name for name, *_ in entries if name not in cube]
    horizontal = [d for d in cube.dims if d in (*HORIZONTAL, ENSEMBLE)]
    for name in lost:
        dims = ["time", *horizontal, *(["height"] if VARIABLES[name].has_height else [])]
        shape = [cube.sizes[d] for d in dims]
        cube = cube.assign({name: (dims, np.full(shape, np.nan), attributes_of(name))})
    return cube


def check_forecast(cube: xr.Dataset, *, place: str = "the forecast") -> xr.Dataset:
    """Check a cube against the contract; every parser ends with this.

    Parameters
    ----------
    cube : xarray.Dataset
        The cube to check. It is returned unchanged.
    place : str, optional
        What to call the cube in an error: source and place.

    Returns
    -------
    xarray.Dataset
        The same cube.

    Raises
    ------
    WxflyError
        Naming the first fault: no time, time not hourly or not increasing, a variable that is not in the
        contract, a wrong or missing unit, a wrong dimension, an absurd magnitude, missing provenance.
    """
    _check_time(cube, place)
    _check_heights(cube, place)
    for name in cube.data_vars:
        _check_variable(cube[str(name)], place)
    lost = next((str(name) for name in cube.coords if name in VARIABLES), None)
    if lost is not None:
        raise WxflyError(f"{place}: {lost} is told to be a coordinate; the attribute 'coordinates' is damaged")
    if not any(name in cube for name in VARIABLES):
        raise WxflyError(f"{place}: no variable of a forecast in it; wanted some of {', '.join(VARIABLES)}")
    if "forecast_reference_time" not in cube.coords:
        raise WxflyError(f"{place}: forecast_reference_time is missing; give NaT when the run is not known")
    if cube["forecast_reference_time"].dtype.kind != "M" or cube["forecast_reference_time"].ndim:
        raise WxflyError(f"{place}: forecast_reference_time is no moment; give NaT when the run is not known")
    for name in ("latitude", "longitude", "surface_altitude"):
        if name not in cube.coords:
            if name == "surface_altitude":
                continue
            raise WxflyError(f"{place}: the coordinate {name} is missing")
        if cube[name].dtype.kind not in "fiu":
            raise WxflyError(f"{place}: {name} is {cube[name].dtype}, wanted numbers")
        if name != "surface_altitude" and not bool(np.all(np.isfinite(cube[name].values))):
            raise WxflyError(f"{place}: {name} is not a number; the model may not cover the place")
    for key in PROVENANCE[:4]:
        if not isinstance(cube.attrs.get(key), str) or not cube.attrs[key]:
            raise WxflyError(f"{place}: the attribute '{key}' is missing; a forecast must say where it is from")
    _check_carried(cube, place)
    return cube


def _check_carried(cube: xr.Dataset, place: str) -> None:
    """Without it, a variable that was lost could not be told from one that the model never had."""
    try:
        sound = all(
            name in VARIABLES and all(0.0 < float(height) < _HIGHEST for height in heights)
            for name, *heights in carried_entries(cube)
        )
    except ValueError:
        sound = False
    if not sound or not isinstance(cube.attrs.get("carried", ""), str):
        raise WxflyError(f"{place}: the attribute 'carried' is damaged; what the forecast has lost is not known")


def _check_time(cube: xr.Dataset, place: str) -> None:
    if "time" not in cube.dims:
        raise WxflyError(f"{place}: there is no time dimension")
    time = cube["time"].values
    if time.size == 0:
        raise WxflyError(f"{place}: there are no hours in it")
    if time.dtype.kind != "M":
        raise WxflyError(f"{place}: time is {time.dtype}, wanted datetime64 in UTC")
    if np.isnat(time).any():
        raise WxflyError(f"{place}: some times are missing")
    step = np.diff(time)
    if (step <= np.timedelta64(0, "s")).any():
        at = str(time[1:][step <= np.timedelta64(0, "s")][0])[:16]
        raise WxflyError(f"{place}: time does not increase at {at}Z; each hour must come once and in order")
    if (step != np.timedelta64(1, "h")).any():
        at = str(time[1:][step != np.timedelta64(1, "h")][0])[:16]
        raise WxflyError(f"{place}: time is not hourly at {at}Z; wanted every hour")
    if (time.astype("datetime64[h]") != time).any():
        raise WxflyError(f"{place}: time is not on the full hour")


def _check_heights(cube: xr.Dataset, place: str) -> None:
    if "height" not in cube.dims:
        return
    height = cube["height"].values
    if height.dtype.kind not in "fiu":
        raise WxflyError(f"{place}: height is {height.dtype}, wanted numbers in m above ground")
    if height.size and (not np.all(np.isfinite(height)) or np.any(height <= 0) or np.any(np.diff(height) <= 0)):
        raise WxflyError(f"{place}: heights {list(height)} must be positive and increasing, in m above ground")


def _check_variable(variable: xr.DataArray, place: str) -> None:
    name = str(variable.name)
    row = VARIABLES.get(name)
    if row is None:
        raise WxflyError(f"{place}: '{name}' is not in the forecast contract (wxfly.cube.contract.VARIABLES)")
    units = variable.attrs.get("units")
    if not isinstance(units, str) or units != row.units:
        raise WxflyError(f"{place}: {name} is in '{shortened(plain(str(units)))}', wanted '{row.units}'")
    _check_hours_covered(variable, place)
    allowed = {"time", ENSEMBLE, *HORIZONTAL} | ({"height"} if row.has_height else set())
    if "time" not in variable.dims:
        raise WxflyError(f"{place}: {name} has no time dimension")
    if row.has_height and "height" not in variable.dims:
        raise WxflyError(f"{place}: {name} has no height dimension")
    foreign = [str(d) for d in variable.dims if d not in allowed]
    if foreign:
        raise WxflyError(f"{place}: {name} has the dimension {foreign[0]}, which is not of a forecast")
    values = variable.values
    if values.dtype.kind != "f":
        raise WxflyError(f"{place}: {name} is {values.dtype}, wanted floating point with NaN for missing")
    bad = (values < row.lowest) | (values > row.highest) | np.isinf(values)
    if bad.any():
        worst = values[bad].flat[0]
        raise WxflyError(
            f"{place}: {name} has the value {worst:g} {row.units}, outside {row.lowest:g} to {row.highest:g}"
        )


def as_members(cube: xr.Dataset) -> xr.Dataset:
    """Give a cube the dimension of members; a single forecast becomes one member."""
    return cube if ENSEMBLE in cube.dims else cube.expand_dims({ENSEMBLE: [0]}, axis=-1)
