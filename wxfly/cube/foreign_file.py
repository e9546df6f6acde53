"""A netCDF file from a stranger: read by a separate process, within limits, and checked before anything uses it.

The netCDF library loops without end on some files, reserves gigabytes for others, and ignores interrupts meanwhile. So
a child process reads the file, with limits on processor time and memory where the system has them, and returns plain
arrays. An interrupt ends it at once. A file that was read within the limits may still be unsound: every attribute and
coordinate must have its type. Text is text, numbers are numbers, and attributes that wxfly does not use are left out.
`wxfly.cube.contract.check_forecast` comes after that.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
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
    LARGEST_IS_WORST,
    NAMES,
    NUMBERS,
    SMALLEST_IS_WORST,
    TIME_BOUNDS,
    TIMES,
    VARIABLES,
    Provenance,
    describe_coordinates,
    from_file,
    method_of,
    span_coordinates,
    state_spans,
    with_lost_members,
    with_lost_spans,
)
from wxfly.cube.netcdf import check_origin, read_netcdf, short, with_spans_of_schema_1
from wxfly.errors import WxflyError

PROCESSOR_SECONDS = 20
MEMORY_BYTES = 1_000_000_000
WALL_SECONDS = 300.0
"""Only this limit stops a child that waits without working, and only this one exists on every system."""

# -P: no module is imported from the current folder.
_CHILD = "import sys; from wxfly.cube import foreign_file; foreign_file.hand_back(*sys.argv[1:])"
_HEAD = "head"


def read_foreign(path: Path, *, ours: bool = False) -> xr.Dataset:
    """Read a cube from a netCDF file of unknown origin.

    Parameters
    ----------
    path : Path
        A netCDF-4 file.
    ours : bool, optional
        Whether to refuse a file that wxfly did not write, or that was changed since.

    Returns
    -------
    xarray.Dataset
        With variables, coordinates and attributes of the types that a cube has; the contract is not checked.

    Raises
    ------
    DamagedError
        With `ours`, when the checksum in the file does not fit.
    WxflyError
        One line: it cannot be read, a limit was reached, or something in it is missing or has a wrong type.
    """
    try:
        if not path.is_file():
            raise WxflyError(f"{path}: " + ("not a file" if path.exists() else "there is no such file"))
        with path.open("rb"):
            pass
    except OSError as fault:
        raise WxflyError(f"{path}: cannot be read ({fault.strerror})") from None
    cube = _unpack(_answer_of_child(path))
    check_origin(cube, path, verify=ours)
    return check_contents(with_spans_of_schema_1(cube, path), path.name)


def _answer_of_child(path: Path) -> bytes:
    if not sys.executable:
        raise WxflyError(f"{path}: a netCDF file is read by a separate process, and there is no Python to start one")
    environment = os.environ | {
        "PYTHONPATH": os.pathsep.join(p for p in sys.path if p),
        "OPENBLAS_NUM_THREADS": "1",  # the memory that each thread reserves counts against the limit
    }
    command = [
        sys.executable, "-P", "-c", _CHILD, str(path.resolve()), str(PROCESSOR_SECONDS), str(MEMORY_BYTES),
    ]  # fmt: skip
    try:
        done = subprocess.run(
            command, env=environment, timeout=WALL_SECONDS, check=False, stdin=subprocess.DEVNULL, capture_output=True
        )
    except subprocess.TimeoutExpired:
        raise WxflyError(f"{path}: reading it took more than {WALL_SECONDS:g} s and was stopped") from None
    if done.returncode == 0 and done.stdout.startswith(b"{"):
        raise WxflyError(f"{path}: {json.loads(done.stdout)['fault']}")
    if done.returncode == 0:
        return done.stdout
    if done.returncode == -getattr(signal, "SIGXCPU", 0):
        raise WxflyError(f"{path}: reading it took more than {PROCESSOR_SECONDS} s of processor time and was stopped")
    if done.returncode < 0 or done.returncode > 255:  # a signal, or its equivalent on Windows
        raise WxflyError(f"{path}: the netCDF library crashed while reading it (code {done.returncode})")
    last = done.stderr.decode(errors="replace").strip().rpartition("\n")[2]
    raise RuntimeError(f"the process that reads netCDF ended with code {done.returncode} ({last[:200]})")


def _unpack(answer: bytes) -> xr.Dataset:
    with np.load(io.BytesIO(answer), allow_pickle=False) as packed:
        head = json.loads(packed[_HEAD].tobytes())
        parts: dict[bool, dict[str, Any]] = {True: {}, False: {}}
        for number, row in enumerate(head["variables"]):
            values = packed[str(number)]
            values = values.astype(object) if values.dtype.kind == "U" else values
            parts[row["is_coordinate"]][row["name"]] = (tuple(row["dims"]), values, _restored(row["attrs"]))
    return xr.Dataset(parts[False], coords=parts[True], attrs=_restored(head["attrs"]))


def _restored(attributes: dict[str, Any]) -> dict[str, Any]:
    return {name: np.array(v, dtype=float) if isinstance(v, list) else v for name, v in attributes.items()}


# --- in the child ----------------------------------------------------------------------------------------------


def hand_back(path: str, seconds: str, memory: str) -> None:
    """Read a file within limits and write its contents to the output; the child process runs this."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    _limit(int(seconds), int(memory))
    try:
        answer = _packed(_read(path))
    except _UnreadableError as fault:
        answer = _fault(f"not a readable netCDF file ({fault})")
    except MemoryError:
        answer = _fault(f"reading it needs more than {int(memory) / 1e6:g} MB of memory and was stopped")
    sys.stdout.buffer.write(answer)
    sys.stdout.buffer.flush()


class _UnreadableError(Exception):
    """The libraries cannot read the file."""


def _read(path: str) -> xr.Dataset:
    try:
        return read_netcdf(Path(path))
    except MemoryError:
        raise
    except Exception as fault:  # the libraries may raise anything on a damaged file
        words = short(fault)
        if "memory allocation" in words or "unable to allocate" in words.lower():
            raise MemoryError from None
        raise _UnreadableError(words) from None


def _fault(words: str) -> bytes:
    return json.dumps({"fault": words}).encode()


def _limit(seconds: int, memory: int) -> None:
    """Limit processor time, and memory beyond what is already in use, where the system has such limits."""
    try:
        import resource
    except ImportError:
        return  # Windows has only the limit on elapsed time
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 5))
    taken = 2_000_000_000
    with contextlib.suppress(OSError, ValueError):
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        taken = pages * resource.getpagesize()
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (taken + memory, taken + memory))


def _packed(cube: xr.Dataset) -> bytes:
    rows: list[dict[str, Any]] = []
    arrays: dict[str, Any] = {}
    for name, variable in cube.variables.items():
        values = variable.values
        if values.dtype.kind in "OSU":
            values = np.array([_text(v) for v in values.ravel()], dtype=str).reshape(values.shape)
        if values.dtype.kind not in "fiubMU":
            return _fault(f"'{name}' holds {values.dtype}, which a forecast does not have")
        if len(set(variable.dims)) < variable.ndim:
            return _fault(f"'{name}' has one dimension twice")
        arrays[str(len(rows))] = values
        rows.append(
            {
                "name": str(name), "dims": [str(d) for d in variable.dims], "attrs": _plain(variable.attrs),
                "is_coordinate": name in cube.coords,
            }
        )  # fmt: skip
    head = json.dumps({"variables": rows, "attrs": _plain(cube.attrs)}).encode()
    buffer = io.BytesIO()
    np.savez(buffer, **arrays | {_HEAD: np.frombuffer(head, dtype=np.uint8)})
    return buffer.getvalue()


def _text(value: Any) -> str:
    return value.decode(errors="replace") if isinstance(value, bytes) else str(value)


def _plain(attributes: Any) -> dict[str, Any]:
    """Return attributes in JSON types: texts, numbers and lists of numbers; null for anything else."""
    plain: dict[str, Any] = {}
    for name, value in attributes.items():
        if isinstance(value, bytes | str):
            plain[str(name)] = _text(value).encode(errors="replace").decode()
            continue
        array = np.asarray(value)
        if array.dtype.kind in "fiu" and array.ndim == 0:
            plain[str(name)] = array.item()
        elif array.dtype.kind in "fiu" and array.ndim == 1:
            plain[str(name)] = array.astype(float).tolist()
        else:
            plain[str(name)] = None
    return plain


# --- the contents, in this process again ------------------------------------------------------------------------------

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
    for name in map(str, checked.data_vars):
        _check_method(checked, name, place)
    # A span that the file does not state is as wide as it may be, before the usual one is stated in its place.
    return state_spans(with_lost_spans(checked)) if "time" in checked.coords else checked


def _check_method(cube: xr.Dataset, name: str, place: str) -> None:
    """Refuse a variable whose values stand for their span by something better than the worst or the usual."""
    found = method_of(cube, name)
    if name not in VARIABLES or found is None:
        return
    worst = [m for m, names in (("maximum", LARGEST_IS_WORST), ("minimum", SMALLEST_IS_WORST)) if name in names]
    allowed = dict.fromkeys(("point", VARIABLES[name].method or "mean", *(worst or ["maximum", "minimum"])))
    if found not in allowed:
        raise WxflyError(
            f"{place}: {name} is the {_printable(found)} over its time (cell_methods), wanted {' or '.join(allowed)}"
        )


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
