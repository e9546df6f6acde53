"""The one door for what a file says: every attribute and coordinate of a cube, and the type that it must have.

`wxfly.cube.contract.check_forecast` holds a cube against its contract; this comes before it, for a cube that a stranger
wrote: text is text, numbers are numbers, and what nobody uses is left out.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from wxfly.cube.contract import ENSEMBLE, HORIZONTAL, VARIABLES
from wxfly.errors import WxflyError

_TEXT, _COUNT, _SPAN, _CARRIED = "a text", "a whole number", "two numbers of hours, the first not above the second", (
    "names of a cube's variables, each with its heights"
)  # fmt: skip

# Attributes of a cube, then those of its variables and coordinates, and what each must be. Others are left out.
OF_CUBE: Mapping[str, str] = {
    "source": _TEXT, "institution": _TEXT, "license": _TEXT, "attribution": _TEXT, "history": _TEXT, "model": _TEXT,
    "retrieved": _TEXT, "not_used": _TEXT, "title": _TEXT, "comment": _TEXT, "Conventions": _TEXT,
    "carried": _CARRIED, "members": _COUNT, "missing_members": _COUNT,
    "wxfly_schema": _COUNT, "content_sha256": _TEXT,
}  # fmt: skip
OF_VARIABLE: Mapping[str, str] = {
    "units": _TEXT, "standard_name": _TEXT, "long_name": _TEXT, "cell_methods": _TEXT, "comment": _TEXT,
    "positive": _TEXT, "axis": _TEXT, "bounds": _TEXT, "covers_hours": _SPAN,
    "source": _TEXT, "attribution": _TEXT, "retrieved": _TEXT, "observed_until": _TEXT, "outlook_issued": _TEXT,
    "outlook_from": _TEXT, "known_until": _TEXT,
}  # fmt: skip

# Coordinates: the kinds of their values, in words, and the dimensions that they may have.
_NUMBERS, _TIMES, _NAMES = ("fiu", "numbers"), ("M", "times"), ("OU", "texts")
OF_COORDINATES: Mapping[str, tuple[tuple[str, str], tuple[tuple[str, ...], ...]]] = {
    "time": (_TIMES, (("time",),)),
    "height": (_NUMBERS, (("height",),)),
    "latitude": (_NUMBERS, ((), ("site",), ("latitude",))),  # one place, sites, a grid
    "longitude": (_NUMBERS, ((), ("site",), ("longitude",))),
    "surface_altitude": (_NUMBERS, ((), ("site",), ("latitude", "longitude"))),
    "site": (_NAMES, (("site",),)),
    "time_zone": (_NAMES, ((), ("site",))),
    "forecast_reference_time": (_TIMES, ((),)),
    "oldest_run": (_TIMES, ((),)),
    ENSEMBLE: (_NUMBERS, ((ENSEMBLE,),)),
    "last_time": (_TIMES, ((ENSEMBLE,),)),
}
_ENTRY = re.compile(r"[A-Za-z0-9_]+(?: \d+(?:\.\d+)?)*")
_LONGEST_TEXT = 4000


def check_contents(cube: xr.Dataset, place: str) -> xr.Dataset:
    """Check the types of all that a cube says, and leave out what a cube does not have.

    Parameters
    ----------
    cube : xarray.Dataset
        As a file gave it.
    place : str
        What to call it in an error.

    Returns
    -------
    xarray.Dataset
        Variables as they were; coordinates and attributes of the types that a cube has.

    Raises
    ------
    WxflyError
        In one line: what is of a wrong type, and what is wanted.
    """
    layout = _layout(cube, place)
    coordinates = {
        name: _coordinate(cube[name], name, layout, place)
        for name in map(str, cube.coords)
        if name in OF_COORDINATES and name not in VARIABLES
    }
    for name in map(str, cube.variables):
        if name in OF_COORDINATES and name not in cube.coords:
            raise WxflyError(f"{place}: {name} is not a coordinate of it")
    variables = {
        str(name): (variable.dims, variable.values, _checked(variable.attrs, OF_VARIABLE, f"{place}: {name}"))
        for name, variable in cube.data_vars.items()
    }
    _check_magnitudes(coordinates, place)
    for dimension in (d for d in HORIZONTAL if d in cube.dims):
        if not cube.sizes[dimension]:
            raise WxflyError(f"{place}: there is no {dimension} in it")
    return xr.Dataset(variables, coords=coordinates, attrs=_checked(cube.attrs, OF_CUBE, place))


def _layout(cube: xr.Dataset, place: str) -> int:
    """Return how the places are laid out: 0 for a single one, 1 for sites, 2 for a grid."""
    across = [d for d in HORIZONTAL if d in cube.dims]
    if across not in ([], ["site"], ["latitude", "longitude"]):
        raise WxflyError(f"{place}: its places are over ({', '.join(across)}), wanted (site) or (latitude, longitude)")
    return min(len(across), 2)


def _coordinate(variable: xr.DataArray, name: str, layout: int, place: str) -> tuple[Any, ...]:
    (kinds, words), allowed = OF_COORDINATES[name]
    if name in ("latitude", "longitude", "surface_altitude"):
        allowed = (allowed[layout],)
    dims = tuple(map(str, variable.dims))
    if variable.dtype.kind not in kinds:
        raise WxflyError(f"{place}: {name} holds {variable.dtype}, wanted {words}")
    if dims not in allowed:
        written = " or ".join("one value" if not d else f"({', '.join(d)})" for d in allowed)
        raise WxflyError(f"{place}: {name} is over ({', '.join(dims)}), wanted {written}")
    values = variable.values
    if kinds == _NAMES[0]:
        values = np.array([_printable(str(v)) for v in values.ravel()], dtype=object).reshape(values.shape)
    elif name == ENSEMBLE:
        if not (np.isfinite(values).all() and (values == np.rint(values)).all() and (np.abs(values) < 1e6).all()):
            raise WxflyError(f"{place}: {name} holds something that is not a whole number")
        values = values.astype(int)
    elif kinds == _NUMBERS[0]:
        values = values.astype(float)
    return dims, values, _checked(variable.attrs, OF_VARIABLE, f"{place}: {name}")


def _check_magnitudes(coordinates: Mapping[str, tuple[Any, ...]], place: str) -> None:
    for name, largest in (("latitude", 90.0), ("longitude", 180.0), ("surface_altitude", 9000.0)):
        if name in coordinates:
            values = np.ravel(coordinates[name][1])
            bad = values[np.abs(values) > largest]  # NaN is told by the contract
            if bad.size:
                raise WxflyError(f"{place}: {name} {bad[0]:g} is not between -{largest:g} and {largest:g}")


def _checked(attributes: Mapping[Any, Any], table: Mapping[str, str], place: str) -> dict[str, Any]:
    return {
        str(name): _value(value, table[str(name)], f"{place}: the attribute '{name}'")
        for name, value in attributes.items()
        if str(name) in table
    }


def _value(value: Any, wanted: str, what: str) -> Any:
    if wanted in (_TEXT, _CARRIED):
        if isinstance(value, str) and (wanted == _TEXT or _is_carried(value)):
            return _printable(value)
    elif wanted == _COUNT:
        numbers = np.ravel(value) if isinstance(value, int | float | np.ndarray | np.number) else np.array([])
        if numbers.size == 1 and numbers.dtype.kind in "fiu" and float(numbers[0]).is_integer():
            return int(numbers[0])
    elif isinstance(value, np.ndarray) and value.dtype.kind in "fiu" and value.size == 2:
        start, end = (float(v) for v in value.ravel())
        if -24 <= start <= end <= 24:
            return np.array([start, end])
    given = f"'{_printable(value)[:40]}'" if isinstance(value, str) else "of another kind"
    raise WxflyError(f"{what} is {given}, wanted {wanted}")


def _is_carried(text: str) -> bool:
    entries = [entry for entry in text.split("; ") if entry]
    return all(_ENTRY.fullmatch(entry) and entry.split()[0] in VARIABLES for entry in entries)


def _printable(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:_LONGEST_TEXT]
