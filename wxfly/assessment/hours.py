"""What an hour is: stamps of a forecast turned into hours that can be judged.

The hour from h to h+1 is spoken for by the instants at both of its edges, and by the sums and maxima that cover any
part of it. So instants get a dimension ``edge`` (start and end of the hour), and for a value that covers a span the
largest of all stamps whose span overlaps the hour is taken.
"""

from __future__ import annotations

from enum import Enum
from functools import cached_property
from itertools import count as counted
from itertools import takewhile
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.cube.contract import (
    FORECAST_MODEL,
    LARGEST_IS_WORST,
    SMALLEST_IS_WORST,
    covers_hours,
    provided_heights,
    read_entries,
    span_coordinates,
    spans_of,
    state_spans,
    with_provided,
)
from wxfly.cube.joined import provided_by_model
from wxfly.physics import sun
from wxfly.physics.wind.profile import HIGHEST_ABOVE_TOP
from wxfly.pilot.elements import ELEMENTS

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


class Precision(Enum):
    """In which the values of hours are worked out.

    A grid in single precision takes half the memory and two thirds of the time. Its margins differ by less than 1e-5
    (``tests/assessment/test_grid.py``).
    """

    DOUBLE = np.float64
    SINGLE = np.float32


def precision_of(cube: xr.Dataset) -> Precision:
    """Return the precision of a grid: single where every variable of its places is."""
    of_places = [v.dtype for v in cube.data_vars.values() if set(v.dims) - {"time", "height", "realization"}]
    is_single = bool(of_places) and all(dtype == np.float32 for dtype in of_places)
    return Precision.SINGLE if is_single else Precision.DOUBLE


HOUR = np.timedelta64(1, "h")
EDGES = 2
_AT_EDGES = f"{FORECAST_MODEL}_at_edges"


def cut_hours(cube: xr.Dataset, start: np.datetime64 | None, end: np.datetime64 | None) -> tuple[xr.Dataset, int]:
    """Cut or extend a cube to the stamps that the wanted hours need.

    Parameters
    ----------
    cube : xarray.Dataset
        A forecast cube.
    start, end : numpy.datetime64 or None
        UTC bounds; whole hours around them are kept, with missing values where the cube does not reach. None takes
        the cube's own.

    Returns
    -------
    xarray.Dataset
        Its stamps.
    int
        The number of hours.
    """
    time = cube["time"].values
    first = time[0] if start is None else start.astype("datetime64[h]").astype(time.dtype)
    if end is None:
        last = time[-1]
    else:
        whole = end.astype("datetime64[h]")
        last = (whole if whole == end.astype("datetime64[s]") else whole + HOUR).astype(time.dtype)
    last = max(last, first + HOUR)
    spans = spans_of(cube)
    reach = int(max(-min((begin for begin, _ in spans.values()), default=0.0), 1.0))
    stamps = np.arange(first, last + reach * HOUR, HOUR)
    at = int((first - time[0]) / HOUR)
    if at == 0 and stamps.size == time.size:
        return cube, int((last - first) / HOUR)
    if at >= 0 and at + stamps.size <= time.size:
        cube = cube.isel(time=slice(at, at + stamps.size))
    else:
        cube = state_spans(cube.reindex(time=stamps), spans)
    return cube, int((last - first) / HOUR)


def stamps_of_hour(covers: tuple[float, float]) -> list[int]:
    """Return the stamps, in hours after an hour's start, whose span overlaps that hour.

    Parameters
    ----------
    covers : tuple of float
        Span of a stamp in hours; ``(0, 0)`` is an instant and counts at both edges of the hour.
    """
    begin, finish = covers
    if begin == finish:
        return [0, 1]
    return [k for k in range(-24, 25) if k + begin < 1 and k + finish > 0]


CODE_OF_STAMP = "weather_code_of_stamp_{}"
"""Names of the codes of an hour whose codes stand for spans, one for each stamp: no number of a code is the worst."""


def to_hours(cube: xr.Dataset, count: int, precision: Precision = Precision.DOUBLE) -> xr.Dataset:
    """Turn stamps into so many hours: instants get both edges, spans give the worst value that overlaps the hour.

    That is the largest or the smallest, as `LARGEST_IS_WORST` and `SMALLEST_IS_WORST` say; what is in neither is
    missing. Of weather codes over spans all that overlap the hour are kept beside the largest, as `CODE_OF_STAMP` names
    them.
    """
    hours: dict[str, tuple[tuple[str, ...], Array]] = {}
    for name, variable in cube.variables.items():
        if name not in cube.data_vars:
            continue
        covers = covers_hours(cube, str(name))
        dims = tuple(str(d) for d in variable.dims)
        axis = dims.index("time")
        values = variable.values.astype(precision.value, copy=False)
        if covers[0] == covers[1]:
            hours[str(name)] = (("edge", *dims), both_edges(_stamps(values, axis, 0, count + 1), axis))
        else:
            taken = [_stamps(values, axis, k, count) for k in stamps_of_hour(covers)]
            worst = np.minimum if name in SMALLEST_IS_WORST else np.maximum
            reduced = worst.reduce(taken)  # NaN in any of them stays NaN
            is_told = name in SMALLEST_IS_WORST or name in LARGEST_IS_WORST
            hours[str(name)] = (dims, reduced if is_told else np.full_like(reduced, np.nan))
            if name == "weather_code" and len(taken) > 1:
                hours |= {CODE_OF_STAMP.format(k): (dims, codes) for k, codes in enumerate(taken)}
    stated = span_coordinates(cube)  # an hour is of one span: what it needs of them has been used
    coords = {
        k: (c.dims, c.values[:count] if c.dims == ("time",) else c.values)
        for k, c in cube.coords.variables.items()
        if k not in stated
    }
    if FORECAST_MODEL in cube.coords:
        flag = cube[FORECAST_MODEL].values.astype(float)
        coords[_AT_EDGES] = (("edge", "time"), both_edges(_stamps(flag, 0, 0, count + 1), 0))
    return xr.Dataset(hours, coords=coords, attrs=cube.attrs)


def both_edges(values: npt.NDArray[Any], axis: int) -> npt.NDArray[Any]:
    """Return the stamps at the start and at the end of every hour along a new first axis; a view, not to be written."""
    shape = (EDGES, *(n - (EDGES - 1 if d == axis else 0) for d, n in enumerate(values.shape)))
    strides = (values.strides[axis], *values.strides)
    return np.lib.stride_tricks.as_strided(values, shape, strides, writeable=False)


def _stamps(values: Array, axis: int, first: int, count: int) -> Array:
    """Return so many stamps from the first along the axis of time; NaN past either end."""
    last = first + count
    inside = (*[slice(None)] * axis, slice(max(first, 0), max(last, 0)))
    taken = values[inside]
    beyond = [(0, 0)] * values.ndim
    before = min(max(-first, 0), count)
    beyond[axis] = (before, count - before - taken.shape[axis])
    return np.pad(taken, beyond, constant_values=np.nan) if any(beyond[axis]) else taken


class HourValues:
    """Takes variables out of the hours as plain arrays with the axes edge, time and the horizontal ones.

    Instants at the end of one hour are those at the start of the next. What hangs on instants alone is worked out once
    for each stamp (`at_stamps`), and laid along both edges by `at_edges`. Arrays may be views: not to be written.
    """

    def __init__(self, hours: xr.Dataset, *, precision: Precision = Precision.DOUBLE, at_stamps: bool = False) -> None:
        self.precision = precision
        self._models = hours[_AT_EDGES].values if _AT_EDGES in hours.coords else None
        self._of_stamps = at_stamps
        self._taken: dict[str, Array] = {}
        self.hours = hours = hours.drop_vars(_AT_EDGES) if _AT_EDGES in hours.coords else hours
        self.horizontal = [str(d) for d in hours.dims if d not in ("edge", "time", "height")]
        self.dims = ("edge", "time", *self.horizontal)
        edges, times = (1, hours.sizes["time"] + 1) if at_stamps else (EDGES, hours.sizes["time"])
        self.shape = (edges, times, *(hours.sizes[d] for d in self.horizontal))

    def __call__(self, name: str) -> Array:
        """Return a variable with axes edge, time, horizontal; NaN throughout when the source does not carry it."""
        if name not in self.hours:
            return np.broadcast_to(self.precision.value(np.nan), self.shape)
        if name not in self._taken:
            along = self._here(values_along(self.hours.variables[name], self.dims))
            self._taken[name] = np.broadcast_to(along, self.shape)
        return self._taken[name]

    def levels(self, name: str) -> tuple[Array, Array]:
        """Return a variable with the height on the last axis, and the heights [m] at which its source provides it."""
        heights = provided_heights(self.hours, name)
        shape = (*self.shape, heights.size)
        if not heights.size:
            return np.full(shape, np.nan, dtype=self.precision.value), heights
        if name in self._taken:
            return self._taken[name], heights
        index = self.hours.get_index("height")
        along = values_along(self.hours.variables[name], ("height", *self.dims))
        # One level after the other in memory: most work takes whole levels.
        values = np.empty((heights.size, *self.shape), dtype=along.dtype)
        for level, height in zip(values, heights, strict=True):
            level[...] = self._here(along[index.get_loc(height)])
        self._taken[name] = np.moveaxis(values, 0, -1)
        return self._taken[name], heights

    def _here(self, along: Array) -> Array:
        """Return values along edge and time as they are, or for each stamp."""
        if not self._of_stamps:
            return along
        return np.concatenate([along[:1], along[-1:, -1:]], axis=1)

    def weather_codes(self) -> list[Array]:
        """Return the weather codes of each hour, axes as of a call: one, or of a span one for each of its stamps."""
        names = (CODE_OF_STAMP.format(k) for k in counted())
        of_stamps = [self(name) for name in takewhile(self.has, names)] if self.has("weather_code") else []
        return of_stamps or [self("weather_code")]

    def at_stamps(self, *names: str) -> HourValues:
        """Return the same values, one for each stamp, or these where some variable is not of instants."""
        of_spans = any("edge" not in self.hours.variables[name].dims for name in names if name in self.hours)
        return self if of_spans or self._of_stamps else self._stamped

    @cached_property
    def _stamped(self) -> HourValues:
        return HourValues(self.hours, precision=self.precision, at_stamps=True)

    @property
    def times(self) -> npt.NDArray[np.datetime64]:
        """The instants, UTC, with the axes edge and time."""
        start = self.hours["time"].values.astype("datetime64[s]")
        if self._of_stamps:
            return np.append(start, start[-1:] + HOUR)[None]
        return np.stack([start, start + HOUR])

    @cached_property
    def sun(self) -> tuple[Array, Array]:
        """Elevation and azimuth of the sun [degree]."""
        if not self._of_stamps:
            elevation, azimuth = self._stamped.sun
            return at_edges(elevation), at_edges(azimuth)
        times = self.times.reshape(*self.shape[:2], *([1] * len(self.horizontal)))
        found = sun.sun_position(self.coordinate("latitude"), self.coordinate("longitude"), times)
        elevation, azimuth = (np.broadcast_to(angle.astype(self.precision.value), self.shape) for angle in found)
        return elevation, azimuth

    def has(self, name: str) -> bool:
        """Whether the source provides the variable at all."""
        return name in self.hours

    def by_model(self) -> list[tuple[HourValues, Flags]]:
        """Return for each model of the hours its variables, and flags of its hours.

        Returns
        -------
        list of tuple
            The values of each, and flags with the axes edge, time and one of length one for each horizontal dimension.
            Every edge is of one model; one past the forecast's ends counts for the first.
        """
        everywhere = np.ones((EDGES, self.shape[1], *([1] * len(self.horizontal))), dtype=bool)
        if self._models is None:
            return [(self, everywhere)]
        provided = provided_by_model(self.hours)
        named = [{name for name, *_ in read_entries(text)} for text in provided]
        of_some = set().union(*named)
        codes = np.nan_to_num(self._models).reshape(everywhere.shape)
        return [
            (
                HourValues(
                    with_provided(
                        self.hours.drop_vars([n for n in of_some - own if n in self.hours]), read_entries(text)
                    ),
                    precision=self.precision,
                ),
                here,
            )
            for code, (text, own) in enumerate(zip(provided, named, strict=True))
            if (here := codes == code).any()
        ]

    def coordinate(self, name: str) -> Array:
        """Return a coordinate of the places, in a shape that goes with the variables."""
        if name not in self.hours.coords:
            return np.full((1,) * len(self.shape), np.nan)
        return values_along(self.hours.variables[name], self.dims).astype(float)


def at_edges(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return what was worked out for each stamp, or at edges already, with the axes edge, time and all others."""
    return values if values.shape[0] == EDGES else both_edges(values[0], 0)


def values_along(variable: xr.Variable, dims: tuple[str, ...]) -> Array:
    """Return values with these axes in this order, of length one where the variable lacks the dimension."""
    ordered = variable.transpose(*(d for d in dims if d in variable.dims))
    absent = tuple(i for i, d in enumerate(dims) if d not in variable.dims)
    return np.asarray(np.expand_dims(ordered.values, absent))


WARM = 276.15
"""Temperature at 2 m [K] above which nothing freezes at flight height: the +2 degC at which the chance of freezing
precipitation ends, and the fall of temperature over 100 m."""


def lost_inputs(forecast: HourValues, height: float) -> Flags:
    """Return in which hours some input of an element is lost.

    Parameters
    ----------
    forecast : HourValues
        Of the forecast's hours.
    height : float
        Greatest height of the flight above ground [m]: levels up to the first at or above it count, and as far as an
        element needs them however low the flight.

    Returns
    -------
    ndarray of bool
        ``(element, time, horizontal ...)``; an hour has lost what either of its edges has.
    """
    rows = np.zeros((len(ELEMENTS), *forecast.shape[1:]), dtype=bool)
    for part, here in forecast.by_model():
        by_reach = {
            reach: {name: (at & here).any(axis=0) for name, at in _lost_at_edges(part, reach).items()}
            for reach in {max(height, element.needs_levels_to) for element in ELEMENTS}
        }
        for row, element in zip(rows, ELEMENTS, strict=True):
            lost = by_reach[max(height, element.needs_levels_to)]
            for name in lost.keys() & set(element.inputs):
                row |= lost[name]
    return rows


def _lost_at_edges(forecast: HourValues, height: float) -> dict[str, Flags]:
    """Return at which edges of hours of one model an input is lost; only inputs that are lost somewhere."""
    missing: dict[str, Flags] = {}
    nowhere = np.zeros(forecast.shape, dtype=bool)
    judged = {name for element in ELEMENTS for name in element.inputs if forecast.has(name)}
    for name in judged:
        part = forecast.at_stamps(name)
        if "height" in forecast.hours.variables[name].dims:
            values, heights = part.levels(name)
            reach = int(np.searchsorted(heights, height)) + 1
            gone = np.asarray(np.isnan(values[..., :reach]).any(axis=-1))
        else:
            gone = np.isnan(part(name))
        if gone.any():
            missing[name] = at_edges(gone)
    ground_is_lost = ~np.isfinite(forecast.coordinate("surface_altitude"))
    if ground_is_lost.any() and forecast.has("cloud_base_altitude"):
        # Without the ground a base above sea level is at no height above ground.
        missing["cloud_base_altitude"] = missing.get("cloud_base_altitude", nowhere) | ground_is_lost
    if forecast.has("air_pressure_at_mean_sea_level") and not forecast.has("surface_air_pressure"):
        # The pressure at the ground is made of it. A source without any ground does not provide that: it is not lost.
        provides_ground = "surface_altitude" in forecast.hours.coords
        at_sea_level = np.isnan(forecast("air_pressure_at_mean_sea_level"))
        missing["surface_air_pressure"] = at_sea_level | (ground_is_lost & provides_ground)
    if "cloud_base_altitude" in missing:  # where there is no low cloud, a base means nothing
        has_low = ~(forecast("low_type_cloud_area_fraction") <= 0.0)
        missing["cloud_base_altitude"] = missing["cloud_base_altitude"] & has_low
    if "precipitation_probability" in missing:  # it matters where what falls may freeze, on the ground or in flight
        may_freeze = ~(forecast("air_temperature") > WARM)
        missing["precipitation_probability"] = missing["precipitation_probability"] & may_freeze
    if not forecast.has("wind_speed_of_gust") and forecast.has("surface_roughness_length"):
        # The gust is worked out from the mean wind and the ground then.
        missing["wind_speed_of_gust"] = np.asarray(np.isnan(forecast("surface_roughness_length")))
    # From one level of wind, and far above the highest, stability by temperatures or by sun and cloud gives the wind.
    stability = () if forecast.has("air_temperature_aloft") else ("cloud_area_fraction",)
    levels = forecast.levels("wind_speed")[1] if forecast.has("wind_speed") else np.array([])
    if levels.size and (levels.size == 1 or height > HIGHEST_ABOVE_TOP * levels.max()):
        stability = (*stability, "surface_roughness_length", "air_temperature", "air_temperature_aloft")
    for name in stability:
        if name in missing or (forecast.has(name) and name not in judged):
            lost = missing[name] if name in missing else np.asarray(np.isnan(forecast(name)))
            missing["wind_speed"] = missing.get("wind_speed", nowhere) | lost
    return missing
