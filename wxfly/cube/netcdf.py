"""Forecast cubes as CF netCDF files, for export and for files from other programs: plain netCDF-4 that any tool opens.

A file is written under a temporary name, read back and renamed. It has a checksum of all values and attributes.
"""

from __future__ import annotations

import hashlib
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from wxfly.cube.contract import (
    GRID_MAPPING,
    SCHEMA_VERSION,
    TIMES_IN_FILES,
    Span,
    from_file,
    own_time,
    span_coordinates,
    state_spans,
    to_file,
)
from wxfly.errors import DamagedError, WxflyError, shortened
from wxfly.pilot.own_files import write_beside

CHECKSUM = "content_sha256"
SCHEMA = "wxfly_schema"
_SPAN_OF_SCHEMA_1 = "covers_hours"
_SITE_NAMES = "site_name"  # in a file; CF: only a numeric variable may have the name of its dimension


def content_checksum(cube: xr.Dataset) -> str:
    """Return the SHA-256 of all contents of a cube: values, units, names, provenance."""
    digest = hashlib.sha256()
    cube = to_file(cube)
    for name in sorted(str(n) for n in cube.variables):
        variable = cube[name].variable
        values = variable.values
        head = [name, list(map(str, variable.dims)), list(values.shape), _plain(variable.attrs)]
        digest.update(json.dumps(head, sort_keys=True).encode())
        if values.dtype.kind in "OU":
            digest.update(json.dumps([str(v) for v in values.ravel()]).encode())
        elif values.dtype.kind == "M":
            digest.update(np.ascontiguousarray(values.astype("datetime64[s]")).view("i8").tobytes())
        else:
            digest.update(np.ascontiguousarray(values, dtype="<f8").tobytes())
    rest = {k: v for k, v in _plain(cube.attrs).items() if k not in (CHECKSUM, SCHEMA)}
    digest.update(json.dumps(rest, sort_keys=True).encode())
    return digest.hexdigest()


def _plain(attributes: Any) -> dict[str, Any]:
    return {
        str(k): v if isinstance(v, str) else np.asarray(v).astype(float).ravel().tolist() for k, v in attributes.items()
    }


def save_cube(cube: xr.Dataset, path: Path) -> None:
    """Write a cube to a temporary file, read it back and rename it, so that the path never holds half a cube.

    Parameters
    ----------
    cube : xarray.Dataset
        Any cube.
    path : Path
        The file to write.

    Raises
    ------
    WxflyError
        When the folder is full or not writable; an earlier file stays untouched.
    """
    cube = to_file(cube)
    marked = cube.assign_attrs({SCHEMA: SCHEMA_VERSION, CHECKSUM: content_checksum(cube)})
    encoding: dict[str, dict[str, Any]] = {}
    for name in [str(n) for n in marked.variables]:
        variable = marked[name].variable
        if variable.dtype.kind == "M":
            marked = _with_numbers_for_times(marked, name)
        elif variable.dtype.kind == "f" and variable.ndim:
            encoding[name] = {"zlib": True, "complevel": 4, "shuffle": True, "chunksizes": variable.shape}
            if variable.dims == (name,):
                encoding[name]["_FillValue"] = None  # CF: a coordinate variable has no missing values
    marked = marked.drop_encoding()
    # CF finds bounds through the attribute of their coordinate, and forbids listing them as coordinates of the file.
    bounds = [name for name in span_coordinates(cube) if "bounds" not in cube[name].attrs]
    marked = marked.reset_coords([*bounds, *({GRID_MAPPING} & set(cube.coords))])  # found by an attribute as well
    if "site" in marked.indexes:
        marked = marked.reset_index("site").rename_vars(site=_SITE_NAMES)
    for name in (str(n) for n in cube.data_vars):
        marked[name].encoding["coordinates"] = _listed_coordinates(marked, name)

    def look(beside: Path) -> None:
        if content_checksum(read_netcdf(beside)) != marked.attrs[CHECKSUM]:
            raise OSError("what was read back is not what was written")

    try:
        write_beside(path, _image(marked, encoding), private=False, check=look)
    except OSError as fault:
        raise WxflyError(f"{path}: the forecast could not be kept ({short(fault)}); is the disk full?") from None


def _listed_coordinates(cube: xr.Dataset, name: str) -> str:
    """Return the coordinates that the file lists for a variable: no bounds, and no times of other variables."""
    foreign = {*span_coordinates(cube), *cube.dims, GRID_MAPPING} - {own_time(cube, name)}
    dims = set(cube[name].dims)
    return " ".join(sorted(str(k) for k, c in cube.coords.items() if k not in foreign and dims.issuperset(c.dims)))


def _image(cube: xr.Dataset, encoding: dict[str, dict[str, Any]]) -> bytes:
    """Return the bytes of the file. On a full disk, HDF5 itself would keep writing at exit and print errors."""
    import h5netcdf

    buffer = io.BytesIO()
    with h5netcdf.File(buffer, "w") as file:
        cube.dump_to_store(xr.backends.H5NetCDFStore(file), encoding=encoding)
    return buffer.getvalue()


def _with_numbers_for_times(cube: xr.Dataset, name: str) -> xr.Dataset:
    """Convert times to CF numbers, as floating point where one may be missing."""
    variable = cube[name].variable
    seconds = variable.values.astype("datetime64[s]")
    numbers: Any = seconds.astype("i8")
    if not variable.ndim or np.isnat(seconds).any():
        numbers = np.where(np.isnat(seconds), np.nan, numbers.astype(float))
    attributes = {**variable.attrs, **{k: TIMES_IN_FILES[k] for k in ("units", "calendar")}}
    return cube.assign_coords({name: (variable.dims, numbers, attributes)})


def load_cube(path: Path, *, verify: bool = False) -> xr.Dataset:
    """Read a cube into memory from a netCDF file that is known to be undamaged.

    For a file from a stranger use `wxfly.cube.foreign_file.read_foreign`.

    Parameters
    ----------
    path : Path
        A netCDF-4 file.
    verify : bool, optional
        Whether to refuse a file that `save_cube` did not write.

    Raises
    ------
    WxflyError
        When it cannot be read, is damaged, or was written by a newer wxfly.
    """
    try:
        cube = read_netcdf(path)
    except FileNotFoundError:
        raise WxflyError(f"{path}: there is no such file; give the path of a forecast") from None
    except OSError as fault:
        raise WxflyError(f"{path}: not a readable netCDF file ({short(fault)}); save the forecast again") from None
    check_origin(cube, path, verify=verify)
    return from_file(with_spans_of_schema_1(cube, path))


def read_netcdf(path: Path) -> xr.Dataset:
    """Read a file into memory, whatever its contents.

    Raises
    ------
    OSError
        When the library cannot read it. On a file from a stranger the library may raise other errors.
    """
    with xr.open_dataset(path, engine="h5netcdf", decode_timedelta=False) as opened:
        named = {str(v.attrs.get(key)) for v in opened.variables.values() for key in ("bounds", "grid_mapping")}
        cube = _without_invalid(opened.set_coords(named & set(opened.variables)).load()).drop_encoding()
    for variable in cube.variables.values():
        if "bounds" in variable.attrs and variable.dtype.kind == "M":
            variable.encoding = dict(TIMES_IN_FILES)
    if _SITE_NAMES in cube.variables and cube[_SITE_NAMES].dims == ("site",) and "site" not in cube.variables:
        names = cube[_SITE_NAMES]
        cube = cube.drop_vars(_SITE_NAMES).assign_coords(site=("site", names.values, names.attrs))
    return to_file(cube)  # xarray itself writes the coordinates of a cube as they are


_VALID = {"valid_min": (0,), "valid_max": (1,), "valid_range": (0, 1)}


def _without_invalid(cube: xr.Dataset) -> xr.Dataset:
    """Hide values outside the range that a file states as valid: by CF (section 2.5.1) they are missing.

    The range of packed values is one of packed values where it has their type, else one of unpacked values.
    """
    hidden: dict[str, xr.DataArray] = {}
    for name, variable in cube.variables.items():
        stated = {key: variable.attrs[key] for key in _VALID if key in variable.attrs}
        if not stated or name in cube.dims or variable.dtype.kind not in "fiu":
            continue
        ends = np.array([-np.inf, np.inf])
        for key, given in stated.items():
            numbers = np.ravel(given)
            if numbers.dtype.kind not in "fiu" or numbers.size != len(_VALID[key]):
                raise OSError(f"{key} of {name} is not {len(_VALID[key])} number{'s' if len(_VALID[key]) > 1 else ''}")
            values = numbers.astype(float)
            packed = variable.encoding.get("dtype")
            if packed is not None and np.dtype(packed).kind in "iu" and numbers.dtype == packed:
                scale, offset = (variable.encoding.get(k, d) for k, d in (("scale_factor", 1.0), ("add_offset", 0.0)))
                values = np.sort(values * scale + offset) if values.size > 1 else values * scale + offset
            for end, value in zip(_VALID[key], values, strict=True):
                ends[end] = (max, min)[end](ends[end], value)
        outside = (variable.values < ends[0]) | (variable.values > ends[1])
        if outside.any():
            values = np.where(outside, np.nan, variable.values)
            hidden[str(name)] = cube[name].copy(data=values)
    return cube.assign({n: v for n, v in hidden.items() if n in cube.data_vars}).assign_coords(
        {n: v for n, v in hidden.items() if n in cube.coords}
    )


def check_origin(cube: xr.Dataset, path: Path, *, verify: bool) -> None:
    """Refuse a file of a newer wxfly; with `verify` also one that wxfly did not write, or that has changed.

    Raises
    ------
    DamagedError
        When its checksum does not match.
    WxflyError
        When it was written by a newer wxfly, or not by wxfly at all.
    """
    schema = cube.attrs.get(SCHEMA)
    if schema is not None and (not isinstance(schema, int | np.integer) or schema > SCHEMA_VERSION):
        raise WxflyError(
            f"{path}: written by a newer wxfly (schema {shortened(str(schema), 40)!a}, this one reads "
            f"{SCHEMA_VERSION}); upgrade wxfly"
        )
    if not verify:
        return
    if schema is None or CHECKSUM not in cube.attrs:
        raise WxflyError(f"{path}: not written by wxfly; wanted a forecast that wxfly saved")
    if cube.attrs[CHECKSUM] != content_checksum(cube):
        raise DamagedError(f"{path}: damaged, its checksum does not match; save the forecast again")


def with_spans_of_schema_1(cube: xr.Dataset, path: Path) -> xr.Dataset:
    """Convert the spans of a file of schema 1, which stated them in an attribute of each variable.

    Raises
    ------
    WxflyError
        When such an attribute is not a first and a last hour.
    """
    spans: dict[str, Span] = {}
    for name, variable in cube.data_vars.items():
        stated = np.ravel(variable.attrs.get(_SPAN_OF_SCHEMA_1, ()))
        if not stated.size:
            continue
        if stated.dtype.kind not in "fiu" or stated.size != 2 or not np.isfinite(stated).all():
            raise WxflyError(
                f"{path}: the attribute '{_SPAN_OF_SCHEMA_1}' of {name} is not two numbers of hours; "
                "save the forecast again"
            )
        spans[str(name)] = (float(stated[0]), float(stated[1]))
    if not spans or "time" not in cube.coords or cube["time"].dtype.kind != "M":
        return cube
    cube = state_spans(cube, spans)
    for name in spans:
        del cube[name].attrs[_SPAN_OF_SCHEMA_1]
    return cube


def short(fault: BaseException) -> str:
    """Return the message of an error of the system or of a library, on one line."""
    words = getattr(fault, "strerror", None) or str(fault)
    return " ".join(str(words).split())[:120] or type(fault).__name__
