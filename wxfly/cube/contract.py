"""The forecast cube: the one form in which forecasts are passed on, and the check that each cube must pass.

A cube is an :class:`xarray.Dataset` of **one run of one model**, or of a few models one after the other, each hour of
one of them (`wxfly.cube.joined`). Its dimensions are

``time``
    UTC, hourly, strictly increasing, ``datetime64[ns]``;
``height``
    metres above ground, increasing, for the variables that have it;
``site``, or ``latitude`` and ``longitude``
    the places; absent for a single place. A grid that is not regular has ``y`` and ``x``, with latitude and longitude
    of every cell and the projection in `GRID_MAPPING`. Code after this module never names them;
``realization``
    ensemble member, optional.

Missing values are NaN and stay NaN to the report. Units are SI. The names are CF standard names where the
table has one (checked by ``tests/cube/test_contract.py``).

Every source takes its names and attributes from `VARIABLES`, `COORDINATES` and `Provenance`; `finish_cube` sets them.
The span of a value is stated as in CF: ``cell_methods`` on the variable and bounds on its time, ``time_bnds``. A
variable with a span other than that of ``time_bnds`` has its own time coordinate, such as
``wind_speed_of_gust_time``, with its own bounds.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.errors import WxflyError, shortened
from wxfly.pilot.own_files import plain

SCHEMA_VERSION = 2
CONVENTIONS = "CF-1.11"

Span = tuple[float, float]
"""The time that a value covers, in hours from its stamp."""


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
        The span of a value, in hours from its stamp: ``(0, 0)`` is an instant, ``(-1, 0)`` the hour before,
        ``(0, 1)`` the hour after. A source with another span passes it to `finish_cube`.
    lowest, highest : float
        A value outside these is a fault of the source, not weather.
    has_height : bool
        Whether the variable has the ``height`` dimension.
    method : str or None
        How a value stands for its span, as CF names it; None where CF has no word for it.
    units_metadata : str or None
        For temperatures, whether the value is one on the scale or a difference.
    """

    name: str
    units: str
    standard_name: str | None
    long_name: str
    covers_hours: Span
    lowest: float
    highest: float
    has_height: bool = False
    method: str | None = None
    units_metadata: str | None = None


_HIGHEST = 1e5  # [m]
_LONGEST_HOURS = 24.0
_INSTANT = (0.0, 0.0)
_HOUR_BEFORE = (-1.0, 0.0)
_HOUR_AFTER = (0.0, 1.0)
_ON_SCALE, _DIFFERENCE = "temperature: on_scale", "temperature: difference"

_ROWS = (
    Variable("wind_speed", "m s-1", "wind_speed", "mean wind", _INSTANT, 0, 120, True),
    Variable(
        "wind_from_direction", "degree", "wind_from_direction", "direction the wind comes from",
        _INSTANT, 0, 360, True,
    ),
    Variable(
        "wind_speed_of_gust", "m s-1", "wind_speed_of_gust", "gust at 10 m", _HOUR_BEFORE, 0, 150,
        method="maximum",
    ),
    Variable(
        "air_temperature", "K", "air_temperature", "air temperature at 2 m", _INSTANT, 170, 340,
        units_metadata=_ON_SCALE,
    ),
    Variable(
        "air_temperature_aloft", "K", "air_temperature", "air temperature aloft", _INSTANT, 170, 340, True,
        units_metadata=_ON_SCALE,
    ),
    Variable(
        "dew_point_temperature", "K", "dew_point_temperature", "dew point at 2 m", _INSTANT, 150, 320,
        units_metadata=_ON_SCALE,
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
        _HOUR_BEFORE, 0, 400, method="sum",
    ),
    Variable(
        "precipitation_probability", "1", None, "probability of more than 0.1 mm in the hour",
        _HOUR_BEFORE, 0, 1,
    ),
    Variable("weather_code", "1", None, "present weather, WMO code table 4677", _INSTANT, 0, 99, method="mode"),
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
        "lifted index", _INSTANT, -30, 80, units_metadata=_DIFFERENCE,
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
        _INSTANT, 170, 340, units_metadata=_ON_SCALE,
    ),
    Variable(
        "air_temperature_percentile_90", "K", None, "ninetieth percentile of the air temperature at 2 m",
        _INSTANT, 170, 340, units_metadata=_ON_SCALE,
    ),
    Variable(
        "wind_speed_spread_of_cells", "m s-1", None, "standard deviation of the wind over the model's cells around",
        _INSTANT, 0, 120,
    ),
    Variable(
        "gust_spread_of_cells", "m s-1", None, "standard deviation of the gust over the model's cells around",
        _HOUR_BEFORE, 0, 150,
    ),
    Variable("kp_index", "1", None, "planetary Kp, held over its three hours", _HOUR_AFTER, 0, 9),
    Variable(
        "kp_index_of_outlook", "1", None, "largest Kp of the day by the outlook, where the forecast of Kp is lost",
        _HOUR_AFTER, 0, 9,
    ),
)  # fmt: skip

VARIABLES: dict[str, Variable] = {row.name: row for row in _ROWS}
"""The contract, by name."""
SMALLEST_IS_WORST = frozenset({
    "visibility_in_air", "cloud_base_altitude", "lifted_index", "surface_air_pressure",
    "air_pressure_at_mean_sea_level",
})  # fmt: skip
"""Variables of which the smallest value in an hour counts."""
LARGEST_IS_WORST = frozenset({
    "wind_speed", "wind_speed_of_gust", "wind_speed_spread_of_cells", "gust_spread_of_cells", "precipitation_amount",
    "precipitation_probability", "weather_code", "dew_point_temperature", "relative_humidity", "cloud_area_fraction",
    "low_type_cloud_area_fraction", "medium_type_cloud_area_fraction", "high_type_cloud_area_fraction",
    "atmosphere_convective_available_potential_energy", "kp_index", "kp_index_of_outlook",
})  # fmt: skip
"""Variables of which the largest counts. Of all others a value over a span tells too little: cold and heat have limits
both, and the inhibition of some sources is below zero."""

WIND = ("wind_speed", "wind_from_direction")
"""The two variables of the wind at a height."""

HORIZONTAL = ("site", "latitude", "longitude")
ENSEMBLE = "realization"
FORECAST_MODEL = "forecast_model"
"""Flag along time: the model of an hour, by its position in the attribute ``model``. Absent with one model."""
BETWEEN_MODELS = ", "
"""Between the names in the attribute ``model``."""
GRID_MAPPING = "crs"
"""Name of the coordinate that states the projection of a grid as a CF grid mapping, in its attributes."""


@dataclass(frozen=True)
class Coordinate:
    """One coordinate of a cube.

    Attributes
    ----------
    name, units : str
        Name in the cube, and unit as CF writes it. Times have no unit until they are written; names have none.
    standard_name : str or None
        The CF standard name, where the table has one.
    axis : str or None
        The CF axis, where the coordinate is a dimension.
    positive : str or None
        For heights, the direction in which they grow.
    holds : str
        The kind of its values: one of `NUMBERS`, `TIMES` and `NAMES`.
    over : tuple of tuple of str
        The dimensions that it may have. For places there is one entry each: a single place, sites, a grid.
    """

    name: str
    units: str | None
    standard_name: str | None
    long_name: str
    holds: str
    over: tuple[tuple[str, ...], ...]
    axis: str | None = None
    positive: str | None = None


PROVIDED, PROVIDED_BY_MODEL, RUNS_BY_MODEL = "provided", "provided_by_model", "runs_by_model"
"""Scalar coordinates with the variables and heights that the source of a cube provides, and those of each model of a
joined cube; they survive arithmetic. The runs of a joined cube are an attribute."""
BETWEEN_ENTRIES = " | "
"""Separator of the models in `PROVIDED_BY_MODEL`."""
# In a file both coordinates are attributes.
_ATTRIBUTES_IN_FILES = {PROVIDED: "carried", PROVIDED_BY_MODEL: PROVIDED_BY_MODEL}

_INHIBITION = "atmosphere_convective_inhibition"
TAKEN_BY_THEMSELVES: tuple[tuple[str, ...], ...] = (
    ("visibility_in_air",),
    ("precipitation_probability",),
    ("atmosphere_convective_available_potential_energy", _INHIBITION),
)
"""Groups of variables that may come from one other model where the hour's own model does not provide the first of the
group. Variables of a profile, of the heat of the air or of its water are never taken."""
OLDEST_RUN_TAKEN = "oldest_run_taken"
"""Scalar coordinate of a cube that takes variables from other models: they are as old as the oldest of those runs."""

NUMBERS, TIMES, NAMES = "numbers", "times", "texts"
_BY_ITSELF: tuple[str, ...] = ()
_COORDINATE_ROWS = (
    Coordinate("time", None, "time", "valid time, UTC", TIMES, (("time",),), "T"),
    Coordinate("height", "m", "height", "height above ground", NUMBERS, (("height",),), "Z", "up"),
    Coordinate(
        "latitude", "degrees_north", "latitude", "latitude", NUMBERS, (_BY_ITSELF, ("site",), ("latitude",)), "Y"
    ),
    Coordinate(
        "longitude", "degrees_east", "longitude", "longitude", NUMBERS, (_BY_ITSELF, ("site",), ("longitude",)), "X"
    ),
    Coordinate(
        "surface_altitude", "m", "surface_altitude", "ground above mean sea level",
        NUMBERS, (_BY_ITSELF, ("site",), ("latitude", "longitude")),
    ),
    Coordinate("site", None, None, "name of the site", NAMES, (_BY_ITSELF, ("site",))),
    Coordinate("time_zone", None, None, "IANA time zone", NAMES, (_BY_ITSELF, ("site",))),
    Coordinate(ENSEMBLE, "1", "realization", "member of the ensemble, 0 the control", NUMBERS, ((ENSEMBLE,),)),
    Coordinate(
        "forecast_reference_time", None, "forecast_reference_time", "start of the run, UTC", TIMES, (_BY_ITSELF,)
    ),
    Coordinate("oldest_run", None, None, "earliest start that the run may have had, UTC", TIMES, (_BY_ITSELF,)),
    Coordinate(
        OLDEST_RUN_TAKEN, None, None, "earliest start of a run that variables are taken from, UTC", TIMES, (_BY_ITSELF,)
    ),
    Coordinate(FORECAST_MODEL, "1", None, "model that the hour is of", NUMBERS, (("time",),)),
    Coordinate("last_time", None, None, "last hour at which the member has a value, UTC", TIMES, ((ENSEMBLE,),)),
)  # fmt: skip

COORDINATES: dict[str, Coordinate] = {row.name: row for row in _COORDINATE_ROWS}
"""The coordinates of a cube, by name."""


@dataclass(frozen=True)
class Provenance:
    """The global attributes of a cube: its origin and terms.

    Attributes
    ----------
    model, title, source, institution : str
        The one model, a title for people, the service or the method, and who runs the model.
    license, attribution : str
        License of the data, and the wording that its terms require.
    history : str
        When and by which program it was retrieved or made.
    retrieved : str or None
        Time of retrieval, ISO 8601; None where nothing was retrieved.
    """

    model: str
    title: str
    source: str
    institution: str
    license: str
    attribution: str
    history: str
    retrieved: str | None = None


CF_ATTRIBUTES = (
    "standard_name", "long_name", "units", "units_metadata", "cell_methods", "bounds", "axis", "positive", "comment",
)  # fmt: skip
"""Attributes that `finish_cube` sets on variables and coordinates, and that another program may add."""

# Attributes that every forecast must state.
_NEVER_EMPTY = ("source", "institution", "license", "attribution")


def finish_cube(
    cube: xr.Dataset,
    provenance: Provenance,
    *,
    spans: Mapping[str, Span] | None = None,
    also: Mapping[str, Collection[float]] | None = None,
    place: str = "the forecast",
) -> xr.Dataset:
    """Set names, units, spans and provenance on a cube, and check it; every parser and generator ends with this.

    Parameters
    ----------
    cube : xarray.Dataset
        Values in SI, with the contract's names and their coordinates; attributes of variables are replaced.
    provenance : Provenance
        The global attributes.
    spans : mapping, optional
        The span of each variable that differs from the contract.
    also : mapping, optional
        As in `mark_provided`.
    place : str, optional
        As in `check_forecast`.

    Returns
    -------
    xarray.Dataset
        The finished cube.

    Raises
    ------
    WxflyError
        As in `check_forecast`.
    """
    cube = cube.copy()
    for name in (str(n) for n in cube.data_vars):
        if name in VARIABLES:
            cube[name].attrs = attributes_of(name)
    known = {k: v for k, v in asdict(provenance).items() if v is not None}
    own = {n: VARIABLES[str(n)].covers_hours for n in cube.data_vars if n in VARIABLES} | dict(spans or {})
    cube = state_spans(describe_coordinates(cube), own).assign_attrs(Conventions=CONVENTIONS, **known)
    return check_forecast(mark_provided(cube, also), place=place)


def attributes_of(name: str) -> dict[str, Any]:
    """Return the attributes that the variable of this name has in every cube, whatever its span."""
    row = VARIABLES[name]
    attributes: dict[str, Any] = {"units": row.units, "long_name": row.long_name}
    if row.standard_name:
        attributes["standard_name"] = row.standard_name
    if row.units_metadata:
        attributes["units_metadata"] = row.units_metadata
    return attributes


def describe_coordinates(cube: xr.Dataset) -> xr.Dataset:
    """Set the attributes of `COORDINATES` on the coordinates of a cube."""
    cube = cube.copy()
    for row in COORDINATES.values():
        if row.name in cube.coords:
            stated = {
                "standard_name": row.standard_name,
                "long_name": row.long_name,
                "units": row.units,
                "positive": row.positive,
                "axis": row.axis if row.name in cube.dims else None,
                "bounds": cube[row.name].attrs.get("bounds"),
            }
            cube[row.name].attrs = {k: v for k, v in stated.items() if v is not None}
    if FORECAST_MODEL in cube.coords:
        names = models_of(cube)
        flags = {"flag_values": np.arange(len(names), dtype=float), "flag_meanings": " ".join(names)}
        cube[FORECAST_MODEL].attrs |= flags
    return cube


def models_of(cube: xr.Dataset) -> tuple[str, ...]:
    """Return the names of the models whose hours a cube holds, in order; "not known" where it names none."""
    return tuple(str(cube.attrs.get("model", "not known")).split(BETWEEN_MODELS))


TIME_BOUNDS = "time_bnds"
EDGES_OF_SPAN = "bnds"
"""Name of the dimension of a span's two ends; `TIME_BOUNDS` is the name of the bounds of ``time``."""
# CF writes bounds in the unit of their coordinate, so that unit is fixed for every writer of the cube.
TIMES_IN_FILES = {"units": "seconds since 1970-01-01", "calendar": "standard", "dtype": "int64"}


def _own_time(name: str) -> str:
    """Return the name of the time coordinate for a variable with a span other than the common one."""
    return f"{name}_time"


def span_coordinates(cube: xr.Dataset) -> list[str]:
    """Return the names of the coordinates that state spans: bounds, and the time coordinates of single variables."""
    own = [f"{_own_time(name)}{ending}" for name in VARIABLES for ending in ("", "_bnds")]
    return [name for name in (TIME_BOUNDS, *own) if name in cube.variables]


def own_time(cube: xr.Dataset, name: str) -> str | None:
    """Return the name of the variable's own time coordinate; None where it has none."""
    return _own_time(name) if _own_time(name) in cube.variables else None


def covers_hours(cube: xr.Dataset, name: str) -> Span:
    """Return the span that a value of the variable of this name covers, in hours from its stamp."""
    own = f"{_own_time(name)}_bnds"
    default = VARIABLES[name].covers_hours if name in VARIABLES else _INSTANT
    method = method_of(cube, name)
    if own in cube.variables:
        return _span_of(cube, own, default)
    if method == "point" or (method is None and default == _INSTANT):
        return _INSTANT
    return _span_of(cube, TIME_BOUNDS, default) if TIME_BOUNDS in cube.variables else default


def method_of(cube: xr.Dataset, name: str) -> str | None:
    """Return the stated method by which a value represents its span; None where none is stated."""
    stated = re.search(r"time: (?:\w+: )*(\w+)", str(cube.variables[name].attrs.get("cell_methods")))
    return stated[1] if stated else None


def spans_of(cube: xr.Dataset) -> dict[str, Span]:
    """Return the span of every variable of a cube."""
    return {str(name): covers_hours(cube, str(name)) for name in cube.data_vars}


def _span_of(cube: xr.Dataset, bounds: str, default: Span) -> Span:
    offsets = (cube.variables[bounds].values - cube.variables["time"].values[:, None]) / np.timedelta64(1, "h")
    known = offsets[np.isfinite(offsets).all(axis=1)]
    if not known.size:
        return default
    return float(known[:, 0].min()), float(known[:, 1].max())


def state_spans(cube: xr.Dataset, spans: Mapping[str, Span] | None = None) -> xr.Dataset:
    """State the span of each value as in CF: cell methods, and bounds of time.

    Parameters
    ----------
    cube : xarray.Dataset
        A cube, with or without stated spans.
    spans : mapping, optional
        Spans in hours from the stamp, by variable; all others stay the same.

    Returns
    -------
    xarray.Dataset
        With ``time_bnds`` for the span of the precipitation, or else of the first variable that has a span. A
        variable with another span has its own time coordinate.
    """
    spans = spans_of(cube) | {n: s for n, s in (spans or {}).items() if n in cube}
    covering = {name: span for name, span in spans.items() if span != _INSTANT}
    common = covering.get("precipitation_amount") or next(iter(covering.values()), None)
    cube = cube.drop_vars(span_coordinates(cube)).copy()
    cube["time"].attrs.pop("bounds", None)
    time = cube["time"].values

    def bounds(span: Span) -> tuple[tuple[str, str], Any]:
        return ("time", EDGES_OF_SPAN), time[:, None] + (np.array(span) * 3600).astype("timedelta64[s]")

    if common is not None:
        cube = cube.assign_coords({TIME_BOUNDS: bounds(common)})
        cube["time"].attrs["bounds"] = TIME_BOUNDS
        cube["time"].encoding = dict(TIMES_IN_FILES)
    for name, span in spans.items():
        axis, method = "time", method_of(cube, name)
        if span not in (_INSTANT, common):
            axis = _own_time(name)
            stated = {"long_name": f"valid time of {name}, UTC", "bounds": f"{axis}_bnds"}
            own = xr.Variable(("time",), time, stated, encoding=dict(TIMES_IN_FILES))
            cube = cube.assign_coords({axis: own, f"{axis}_bnds": bounds(span)})
        if span == _INSTANT:
            method = "point"
        elif name in VARIABLES and method in (None, "point"):
            row = VARIABLES[name]
            method = row.method or ("mean" if row.covers_hours == _INSTANT else None)
        cube[name].attrs.pop("cell_methods", None)
        if method is not None:
            cube[name].attrs["cell_methods"] = f"{axis}: {method}"
    return cube


def with_lost_spans(cube: xr.Dataset) -> xr.Dataset:
    """State the widest span that values may have, the instant included, where arithmetic has dropped their span."""
    spans = {
        name: (span[0], max(span[1], 1.0))
        for name, span in spans_of(cube).items()
        if name in VARIABLES and VARIABLES[name].method and span != _INSTANT
        if own_time(cube, name) is None and method_of(cube, name) is None
    }
    return state_spans(cube, spans) if spans else cube


def side_by_side(cubes: Sequence[xr.Dataset]) -> xr.Dataset:
    """Join cubes of single places along ``site``; an hour that one of them lacks is missing there."""
    if len(cubes) == 1:
        return cubes[0]
    spans = [spans_of(cube) for cube in cubes]
    joined = xr.concat(
        [cube.drop_vars([*span_coordinates(cube), *_ATTRIBUTES_IN_FILES], errors="ignore") for cube in cubes],
        "site",
        data_vars="all",
        coords="different",
        compat="equals",
        join="outer",
        combine_attrs="override",
    )
    # Where places differ, the widest span is used: a gust then counts too often, never too seldom.
    widest = {
        name: (min(s[name][0] for s in spans if name in s), max(s[name][1] for s in spans if name in s))
        for name in {n for s in spans for n in s}
    }
    joined = mark_provided(with_provided(joined, (entry for cube in cubes for entry in provided_entries(cube))))
    if PROVIDED_BY_MODEL in cubes[0].coords:
        joined = joined.assign_coords({PROVIDED_BY_MODEL: cubes[0][PROVIDED_BY_MODEL].variable})
    return state_spans(joined, {str(n): widest[str(n)] for n in joined.data_vars})


def mark_provided(cube: xr.Dataset, also: Mapping[str, Collection[float]] | None = None) -> xr.Dataset:
    """Note on the cube which variables its source provides, and at which heights.

    Parameters
    ----------
    cube : xarray.Dataset
        A cube, marked before or not; earlier marks are kept.
    also : mapping, optional
        Heights [m] by variable, none for a variable without height, that the source should provide: they were
        requested and the model has them. What is absent from the reply then counts as lost.

    Notes
    -----
    The mark separates a value that went missing from one that the model never had. The first is *not known*; for the
    second a method may use its fallback.
    """
    known: dict[str, set[float]] = {str(name): set() for name in cube.data_vars}
    before = [(name, [float(h) for h in heights]) for name, *heights in provided_entries(cube)]
    for name, of_name in [*before, *((name, [float(h) for h in heights]) for name, heights in (also or {}).items())]:
        known.setdefault(name, set()).update(of_name)
    for name in (n for n in known if n in cube and VARIABLES[n].has_height):
        if cube[name].chunks is not None and known[name]:
            continue  # a lazy cube is not read for this: its source stated the heights
        known[name] |= {float(h) for h in _heights_with_values(cube[name])}
    return with_provided(cube, ([name, *(f"{h:g}" for h in sorted(known[name]))] for name in sorted(known)))


def with_provided(cube: xr.Dataset, entries: Iterable[Sequence[str]]) -> xr.Dataset:
    """State on a cube what its source provides, as `provided_entries` returns it, in place of what was stated."""
    return _without_attribute(cube, PROVIDED).assign_coords({PROVIDED: "; ".join(map(" ".join, entries))})


def from_file(cube: xr.Dataset) -> xr.Dataset:
    """Turn the attributes of a file that state what the source provides into coordinates."""
    stated = {name: cube.attrs[key] for name, key in _ATTRIBUTES_IN_FILES.items() if key in cube.attrs}
    for name in stated:
        cube = _without_attribute(cube, name)
    return cube.assign_coords(stated)


def to_file(cube: xr.Dataset) -> xr.Dataset:
    """Turn the coordinates that state what the source provides into attributes, as files have them."""
    stated = {key: str(cube[name].values) for name, key in _ATTRIBUTES_IN_FILES.items() if name in cube.variables}
    return cube.drop_vars(list(_ATTRIBUTES_IN_FILES), errors="ignore").assign_attrs(stated)


def _without_attribute(cube: xr.Dataset, name: str) -> xr.Dataset:
    cube = cube.copy()
    cube.attrs.pop(_ATTRIBUTES_IN_FILES[name], None)
    return cube


def provided_heights(cube: xr.Dataset, name: str) -> npt.NDArray[np.float64]:
    """Return the heights [m] at which the source provides a variable, lost or not; empty where there are none."""
    for first, *heights in provided_entries(cube):
        if first == name:
            return np.array([float(h) for h in heights])
    return _heights_with_values(cube[name]) if name in cube else np.array([])


def provided_entries(cube: xr.Dataset) -> list[list[str]]:
    """Return the name and heights [m] of each variable that the source provides, as stated on the cube or its file."""
    return read_entries(stated_text(cube, PROVIDED))


def read_entries(text: str) -> list[list[str]]:
    """Return the name and heights [m] of each variable from the text of `PROVIDED`, or of one model."""
    return [entry.split() for entry in text.split("; ") if entry]


def stated_text(cube: xr.Dataset, name: str) -> str:
    """Return the text of `PROVIDED` or `PROVIDED_BY_MODEL`, also of a file just opened; empty where none is stated."""
    return str(cube[name].values if name in cube.coords else cube.attrs.get(_ATTRIBUTES_IN_FILES[name], ""))


def _heights_with_values(variable: xr.DataArray) -> npt.NDArray[np.float64]:
    if variable.chunks is not None:
        return np.asarray(variable["height"].values, dtype=float)
    others = tuple(i for i, d in enumerate(variable.dims) if d != "height")
    has_values = ~np.isnan(variable.values.astype(float)).all(axis=others)
    heights: npt.NDArray[np.float64] = variable["height"].values[has_values].astype(float)
    return heights


def restore_provided(cube: xr.Dataset) -> xr.Dataset:
    """Put back, as missing values, the variables and heights that `mark_provided` noted and the cube has lost."""
    entries = provided_entries(cube)
    provided = np.array(sorted({float(h) for _, *heights in entries for h in heights}))
    here = cube["height"].values if "height" in cube.dims else np.array([])
    if not np.isin(provided, here).all():
        union = np.union1d(provided, here)
        cube = cube.reindex(height=union) if here.size else cube.assign_coords(height=union)
    lost = [name for name, *_ in entries if name not in cube]
    horizontal = [d for d in cube.dims if d not in ("time", "height", EDGES_OF_SPAN)]
    for name in lost:
        dims = ["time", *horizontal, *(["height"] if VARIABLES[name].has_height else [])]
        shape = [cube.sizes[d] for d in dims]
        cube = cube.assign({name: (dims, np.full(shape, np.nan), attributes_of(name))})
    return cube


def check_forecast(cube: xr.Dataset, *, place: str = "the forecast") -> xr.Dataset:
    """Check a cube against the contract; `finish_cube` ends with this.

    Parameters
    ----------
    cube : xarray.Dataset
        The cube to check. It is returned unchanged.
    place : str, optional
        Name of the cube in an error: source and place.

    Returns
    -------
    xarray.Dataset
        The same cube.

    Raises
    ------
    WxflyError
        States the first fault: no time, time not hourly or not increasing, a variable that is not in the
        contract, a wrong or missing unit, a wrong dimension, an impossible value, missing provenance.
    """
    _check_time(cube, place)
    _check_heights(cube, place)
    of_places = [d for name in ("latitude", "longitude") if name in cube.coords for d in cube.variables[name].dims]
    for name in map(str, cube.data_vars):
        _check_variable(name, cube.variables[name], of_places, place)
        _check_span(name, covers_hours(cube, name), place)
    lost = next((str(name) for name in cube.coords if name in VARIABLES), None)
    if lost is not None:
        raise WxflyError(f"{place}: {lost} is a coordinate, wanted a variable; the attribute 'coordinates' is damaged")
    if not any(name in cube for name in VARIABLES):
        raise WxflyError(f"{place}: no variable of a forecast in it; wanted some of {', '.join(VARIABLES)}")
    if "forecast_reference_time" not in cube.coords:
        raise WxflyError(f"{place}: forecast_reference_time is missing; give NaT when the run is not known")
    if cube["forecast_reference_time"].dtype.kind != "M" or cube["forecast_reference_time"].ndim:
        raise WxflyError(f"{place}: forecast_reference_time is not a time; give NaT when the run is not known")
    for name in ("latitude", "longitude", "surface_altitude"):
        if name not in cube.coords:
            if name == "surface_altitude":
                continue
            raise WxflyError(f"{place}: the coordinate {name} is missing")
        if cube[name].dtype.kind not in "fiu":
            raise WxflyError(f"{place}: {name} is {cube[name].dtype}, wanted numbers")
        if name != "surface_altitude" and not bool(np.all(np.isfinite(cube[name].values))):
            raise WxflyError(f"{place}: {name} is not a number; the model may not cover the place")
    for key in _NEVER_EMPTY:
        if not isinstance(cube.attrs.get(key), str) or not cube.attrs[key]:
            raise WxflyError(f"{place}: the attribute '{key}' is missing; a forecast must state its origin")
    _check_provided(cube, place)
    _check_models(cube, place)
    return cube


def _check_models(cube: xr.Dataset, place: str) -> None:
    """Check the flag that states the model of each hour."""
    if FORECAST_MODEL not in cube.coords:
        return
    names = models_of(cube)
    codes = cube[FORECAST_MODEL].values.astype(float)
    provided = stated_text(cube, PROVIDED_BY_MODEL).split(BETWEEN_ENTRIES)
    runs = str(cube.attrs.get(RUNS_BY_MODEL, "")).split(" ")
    is_flag = np.isin(codes[np.isfinite(codes)], np.arange(len(names))).all()
    if not (is_flag and len(provided) == len(runs) == len(names)):
        raise WxflyError(f"{place}: {FORECAST_MODEL} is damaged; which model an hour is of is not known")


def _check_provided(cube: xr.Dataset, place: str) -> None:
    """Check the coordinate that separates a lost variable from one that the model never had."""
    try:
        sound = all(
            name in VARIABLES and all(0.0 < float(height) < _HIGHEST for height in heights)
            for name, *heights in provided_entries(cube)
        )
    except ValueError:
        sound = False
    if not sound or (PROVIDED in cube.coords and cube[PROVIDED].dtype.kind not in "OU"):
        raise WxflyError(f"{place}: the coordinate '{PROVIDED}' is damaged; what the forecast has lost is not known")


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


def _check_span(name: str, span: Span, place: str) -> None:
    begin, end = span
    if not -_LONGEST_HOURS <= begin <= 0 <= end <= _LONGEST_HOURS:
        raise WxflyError(
            f"{place}: {name} covers {begin:+g} to {end:+g} hours around its stamp, wanted its stamp within them and "
            f"{_LONGEST_HOURS:g} hours to either side at most"
        )


def _check_heights(cube: xr.Dataset, place: str) -> None:
    if "height" not in cube.dims:
        return
    height = cube["height"].values
    if height.dtype.kind not in "fiu":
        raise WxflyError(f"{place}: height is {height.dtype}, wanted numbers in m above ground")
    if height.size and (not np.all(np.isfinite(height)) or np.any(height <= 0) or np.any(np.diff(height) <= 0)):
        raise WxflyError(f"{place}: heights {list(height)} must be positive and increasing, in m above ground")


def _check_variable(name: str, variable: xr.Variable, of_places: Sequence[Hashable], place: str) -> None:
    row = VARIABLES.get(name)
    if row is None:
        raise WxflyError(f"{place}: '{name}' is not in the forecast contract (wxfly.cube.contract.VARIABLES)")
    units = variable.attrs.get("units")
    if not isinstance(units, str) or units != row.units:
        raise WxflyError(f"{place}: {name} is in '{shortened(plain(str(units)))}', wanted '{row.units}'")
    allowed = {"time", ENSEMBLE, *HORIZONTAL, *of_places} | ({"height"} if row.has_height else set())
    if "time" not in variable.dims:
        raise WxflyError(f"{place}: {name} has no time dimension")
    if row.has_height and "height" not in variable.dims:
        raise WxflyError(f"{place}: {name} has no height dimension")
    foreign = [str(d) for d in variable.dims if d not in allowed]
    if foreign:
        raise WxflyError(f"{place}: {name} has the dimension {foreign[0]}, which a forecast does not have")
    if variable.dtype.kind != "f":
        raise WxflyError(f"{place}: {name} is {variable.dtype}, wanted floating point with NaN for missing")
    if variable.chunks is not None:  # a lazy cube is checked block by block, when its values are asked for
        return
    values = variable.values
    lowest, highest = (
        np.fmin.reduce(values, axis=None, initial=np.nan),
        np.fmax.reduce(values, axis=None, initial=np.nan),
    )
    if lowest < row.lowest or highest > row.highest or np.isinf(lowest) or np.isinf(highest):
        bad = (values < row.lowest) | (values > row.highest) | np.isinf(values)
        worst = values[bad].flat[0]
        raise WxflyError(
            f"{place}: {name} has the value {worst:g} {row.units}, outside {row.lowest:g} to {row.highest:g}"
        )


def with_lost_members(cube: xr.Dataset, lost: int) -> xr.Dataset:
    """Return an ensemble with the members that are missing from the reply, without values.

    A member without a value for a required element counts as outside its limit: the ten lost members may be the ten
    with the storm.

    Parameters
    ----------
    cube : xarray.Dataset
        With the dimension ``realization``.
    lost : int
        Number of missing members; they get the lowest free numbers.
    """
    if not lost:
        return cube
    here = [int(m) for m in cube[ENSEMBLE].values]
    free = [m for m in range(len(here) + lost + max(here) + 1) if m not in here][:lost]
    wide = cube.reindex({ENSEMBLE: [*here, *free]})
    if "last_time" in cube.coords:
        last = cube["last_time"].values
        wide = wide.assign_coords(
            last_time=(ENSEMBLE, np.append(last, np.full(lost, last.max())), cube["last_time"].attrs)
        )
    return wide


def lost_members(cube: xr.Dataset) -> int:
    """Return the number of ensemble members without any value: they were missing from the reply."""
    return int((~hours_of_members(cube).any(axis=0)).sum())


def hours_of_members(cube: xr.Dataset) -> npt.NDArray[np.bool_]:
    """Return for which hours ensemble members have any value, ``(time, realization)``."""
    known = np.zeros((cube.sizes["time"], cube.sizes[ENSEMBLE]), dtype=bool)
    for variable in cube.data_vars.values():
        if ENSEMBLE in variable.dims:
            others = [d for d in variable.dims if d not in ("time", ENSEMBLE)]
            known |= variable.notnull().any(others).transpose("time", ENSEMBLE).values
    return known


def as_members(cube: xr.Dataset) -> xr.Dataset:
    """Return a cube with the dimension of members; a single forecast becomes one member."""
    return cube if ENSEMBLE in cube.dims else cube.expand_dims({ENSEMBLE: [0]}, axis=-1)
