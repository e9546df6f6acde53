"""The contents of a file from elsewhere: every attribute and coordinate of a cube, and the type that it must have.

This check comes before `wxfly.cube.contract.check_forecast`, for a cube that a stranger wrote: text is text, numbers
are numbers, and attributes that wxfly does not use are left out.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import numpy as np
import xarray as xr

from wxfly.cube.contract import (
    CF_ATTRIBUTES,
    COORDINATES,
    EDGES_OF_SPAN,
    ENSEMBLE,
    FORECAST_MODEL,
    GRID_MAPPING,
    HORIZONTAL,
    NAMES,
    NUMBERS,
    TIME_BOUNDS,
    TIMES,
    VARIABLES,
    Provenance,
    describe_coordinates,
    from_file,
    span_coordinates,
    state_spans,
    with_lost_members,
)
from wxfly.errors import WxflyError

_TEXT, _COUNT, _PROVIDED = "a text", "a whole number", "names of a cube's variables, each with its heights"

# Attributes of a cube, then those of its variables and coordinates, with their types. Others are left out.
OF_CUBE: Mapping[str, str] = {
    **{field.name: _TEXT for field in fields(Provenance)}, "Conventions": _TEXT, "comment": _TEXT, "not_used": _TEXT,
    "carried": _PROVIDED, "missing_members": _COUNT, "provided_by_model": _TEXT, "runs_by_model": _TEXT,
    "taken_from_models": _TEXT,
    "wxfly_schema": _COUNT, "content_sha256": _TEXT,
}  # fmt: skip
OF_VARIABLE: Mapping[str, str] = {
    **dict.fromkeys(CF_ATTRIBUTES, _TEXT),
    "source": _TEXT, "attribution": _TEXT, "retrieved": _TEXT, "observed_until": _TEXT, "outlook_issued": _TEXT,
    "outlook_from": _TEXT, "known_until": _TEXT, "grid_mapping": _TEXT,
}  # fmt: skip
_KINDS = {NUMBERS: "fiu", TIMES: "M", NAMES: "OU"}
_ENTRY = re.compile(r"[A-Za-z0-9_]+(?: \d+(?:\.\d+)?)*")
_LONGEST_TEXT = 4000


def check_contents(cube: xr.Dataset, place: str) -> xr.Dataset:
    """Check the types of all contents of a cube, and leave out what does not belong in a cube.

    Parameters
    ----------
    cube : xarray.Dataset
        As read from a file.
    place : str
        Its name in an error.

    Returns
    -------
    xarray.Dataset
        Variables unchanged; coordinates and attributes of the types that a cube has.

    Raises
    ------
    WxflyError
        One line: what has a wrong type, and what is wanted.
    """
    layout, across = _layout(cube, place)
    cube = _with_our_mapping(_with_our_bounds(cube))
    spans = span_coordinates(cube)
    for name in map(str, cube.variables):
        if (name in COORDINATES or name in spans) and name not in cube.coords:
            raise WxflyError(f"{place}: {name} is not a coordinate of it")
    coordinates = {
        name: _coordinate(cube[name], name, layout, across, place)
        for name in map(str, cube.coords)
        if name in COORDINATES and name not in VARIABLES
    } | {name: _of_span(cube[name], name, place) for name in spans}
    coordinates |= _of_projection(cube, across, place)
    variables = {
        str(name): (variable.dims, variable.values, _checked(variable.attrs, OF_VARIABLE, f"{place}: {name}"))
        for name, variable in cube.data_vars.items()
    }
    _check_magnitudes(coordinates, place)
    for dimension in (d for d in (*HORIZONTAL, *across) if d in cube.dims):
        if not cube.sizes[dimension]:
            raise WxflyError(f"{place}: there is no {dimension} in it")
    checked = from_file(xr.Dataset(variables, coords=coordinates, attrs=_checked(cube.attrs, OF_CUBE, place)))
    if ENSEMBLE in checked.dims:  # early versions of wxfly noted them as a number
        checked = with_lost_members(checked, int(checked.attrs.pop("missing_members", 0)))
    if FORECAST_MODEL in checked.coords:
        checked = describe_coordinates(checked)  # its flags go by the names in the attributes
    return state_spans(checked) if "time" in checked.coords else checked


def _layout(cube: xr.Dataset, place: str) -> tuple[int, tuple[str, ...]]:
    """Return the layout of the places, and the dimensions of a grid that is not regular.

    The layout is 0 for a single place, 1 for sites, 2 for a regular grid, 3 for one with positions of every cell.
    """
    positions = [cube[name] for name in ("latitude", "longitude") if name in cube.coords]
    if positions and all(position.ndim == 2 for position in positions):
        return 3, tuple(map(str, positions[0].dims))
    across = [d for d in HORIZONTAL if d in cube.dims]
    if across not in ([], ["site"], ["latitude", "longitude"]):
        raise WxflyError(
            f"{place}: its places have the dimensions ({', '.join(across)}), wanted (site) or (latitude, longitude)"
        )
    return min(len(across), 2), ()


def _with_our_mapping(cube: xr.Dataset) -> xr.Dataset:
    """Rename the grid mapping to its name in a cube, whatever the file calls it; leave out one that is not there."""
    named = {str(v.attrs["grid_mapping"]) for v in cube.data_vars.values() if "grid_mapping" in v.attrs}
    if len(named) == 1 and (name := next(iter(named))) in cube.coords and not cube[name].ndim:
        ours = cube if name == GRID_MAPPING or GRID_MAPPING in cube.variables else cube.rename({name: GRID_MAPPING})
        named = set() if GRID_MAPPING in ours.coords else named
        cube = ours
    for variable in cube.data_vars.values():
        if "grid_mapping" in variable.attrs:
            variable.attrs["grid_mapping"] = GRID_MAPPING
            if named:
                del variable.attrs["grid_mapping"]
    return cube


def _of_projection(cube: xr.Dataset, across: tuple[str, ...], place: str) -> dict[str, tuple[Any, ...]]:
    """Return the grid mapping and the coordinates along the axes of a projection, checked."""
    kept: dict[str, tuple[Any, ...]] = {}
    if GRID_MAPPING in cube.coords and not cube[GRID_MAPPING].ndim:
        given = {str(name): _of_mapping(value) for name, value in cube[GRID_MAPPING].attrs.items()}
        kept[GRID_MAPPING] = ((), 0, {name: value for name, value in given.items() if value is not None})
    for name in (d for d in across if d in cube.coords):
        variable = cube[name]
        if variable.dtype.kind not in _KINDS[NUMBERS]:
            raise WxflyError(f"{place}: {name} holds {variable.dtype}, wanted {NUMBERS}")
        kept[name] = ((name,), variable.values.astype(float), _checked(variable.attrs, OF_VARIABLE, f"{place}: {name}"))
    return kept


def _of_mapping(value: Any) -> Any:
    """Return an attribute of a grid mapping: a text, or numbers; None for anything else."""
    if isinstance(value, str):
        return _printable(value)
    numbers = np.asarray(value)
    if numbers.dtype.kind not in "fiu" or numbers.ndim > 1 or not np.isfinite(numbers).all():
        return None
    return numbers.astype(float) if numbers.ndim else float(numbers)


def _with_our_bounds(cube: xr.Dataset) -> xr.Dataset:
    """Rename the bounds of time to their name in a cube, whatever the file calls them."""
    named = str(cube["time"].attrs.get("bounds")) if "time" in cube.coords else ""
    if named not in cube.coords or named == TIME_BOUNDS or TIME_BOUNDS in cube.variables:
        return cube
    cube = cube.rename({named: TIME_BOUNDS})
    cube["time"].attrs["bounds"] = TIME_BOUNDS
    return cube


def _of_span(variable: xr.DataArray, name: str, place: str) -> tuple[Any, ...]:
    """Check the time coordinate of a single variable, or bounds of times."""
    dims = ("time", EDGES_OF_SPAN) if name.endswith(TIME_BOUNDS) else ("time",)
    if variable.dtype.kind not in _KINDS[TIMES]:
        raise WxflyError(f"{place}: {name} holds {variable.dtype}, wanted {TIMES}")
    if variable.dims[:1] != ("time",) or variable.ndim != len(dims) or variable.shape[1:] not in ((), (2,)):
        raise WxflyError(f"{place}: {name} has the shape {variable.shape}, wanted ({', '.join(dims)})")
    return dims, variable.values, _checked(variable.attrs, OF_VARIABLE, f"{place}: {name}")


def _coordinate(variable: xr.DataArray, name: str, layout: int, across: tuple[str, ...], place: str) -> tuple[Any, ...]:
    holds, allowed = COORDINATES[name].holds, COORDINATES[name].over
    if name in ("latitude", "longitude", "surface_altitude"):
        allowed = (across,) if layout == 3 else (allowed[layout],)
    dims = tuple(map(str, variable.dims))
    if variable.dtype.kind not in _KINDS[holds]:
        raise WxflyError(f"{place}: {name} holds {variable.dtype}, wanted {holds}")
    if dims not in allowed:
        written = " or ".join("one value" if not d else f"({', '.join(d)})" for d in allowed)
        raise WxflyError(f"{place}: {name} has the dimensions ({', '.join(dims)}), wanted {written}")
    values = variable.values
    if holds == NAMES:
        values = np.array([_printable(str(v)) for v in values.ravel()], dtype=object).reshape(values.shape)
    elif name == ENSEMBLE:
        if not (np.isfinite(values).all() and (values == np.rint(values)).all() and (np.abs(values) < 1e6).all()):
            raise WxflyError(f"{place}: {name} holds something that is not a whole number")
        values = values.astype(int)
    elif holds == NUMBERS:
        values = values.astype(float)
    return dims, values, _checked(variable.attrs, OF_VARIABLE, f"{place}: {name}")


def _check_magnitudes(coordinates: Mapping[str, tuple[Any, ...]], place: str) -> None:
    for name, largest in (("latitude", 90.0), ("longitude", 180.0), ("surface_altitude", 9000.0)):
        if name in coordinates:
            values = np.ravel(coordinates[name][1])
            bad = values[np.abs(values) > largest]  # the contract reports NaN
            if bad.size:
                raise WxflyError(f"{place}: {name} {bad[0]:g} is not between -{largest:g} and {largest:g}")


def _checked(attributes: Mapping[Any, Any], table: Mapping[str, str], place: str) -> dict[str, Any]:
    return {
        str(name): _value(value, table[str(name)], f"{place}: the attribute '{name}'")
        for name, value in attributes.items()
        if str(name) in table
    }


def _value(value: Any, wanted: str, what: str) -> Any:
    if wanted in (_TEXT, _PROVIDED):
        if isinstance(value, str) and (wanted == _TEXT or _is_provided(value)):
            return _printable(value)
    elif wanted == _COUNT:
        numbers = np.ravel(value) if isinstance(value, int | float | np.ndarray | np.number) else np.array([])
        if numbers.size == 1 and numbers.dtype.kind in "fiu" and float(numbers[0]).is_integer():
            return int(numbers[0])
    given = f"'{_printable(value)[:40]}'" if isinstance(value, str) else "of another kind"
    raise WxflyError(f"{what} is {given}, wanted {wanted}")


def _is_provided(text: str) -> bool:
    entries = [entry for entry in text.split("; ") if entry]
    return all(_ENTRY.fullmatch(entry) and entry.split()[0] in VARIABLES for entry in entries)


def _printable(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:_LONGEST_TEXT]
