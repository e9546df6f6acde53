"""Forecast cubes as CF netCDF files, for export and for what other programs give: plain netCDF-4 that any tool opens.

A file is written beside its place, read back and renamed. It holds a checksum of every value and attribute.
"""

from __future__ import annotations

import hashlib
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from wxfly.cube.contract import SCHEMA_VERSION
from wxfly.errors import DamagedError, WxflyError, shortened
from wxfly.pilot.own_files import write_beside

CHECKSUM = "content_sha256"
SCHEMA = "wxfly_schema"


def content_checksum(cube: xr.Dataset) -> str:
    """Give the SHA-256 of everything a cube says: values, units, names, provenance."""
    digest = hashlib.sha256()
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
    """Write a cube to a file: beside, read back, then renamed, so that the path never holds half a cube.

    Parameters
    ----------
    cube : xarray.Dataset
        Any.
    path : Path
        The file.

    Raises
    ------
    WxflyError
        When the folder cannot be written or is full; what was there before is untouched.
    """
    marked = cube.assign_attrs({SCHEMA: SCHEMA_VERSION, CHECKSUM: content_checksum(cube)})
    encoding: dict[str, dict[str, Any]] = {}
    for name in [str(n) for n in marked.variables]:
        variable = marked[name].variable
        if variable.dtype.kind == "M":
            marked = _with_numbers_for_times(marked, name)
        elif variable.dtype.kind == "f" and variable.ndim:
            encoding[name] = {"zlib": True, "complevel": 4, "shuffle": True, "chunksizes": variable.shape}

    def look(beside: Path) -> None:
        if content_checksum(read_netcdf(beside)) != marked.attrs[CHECKSUM]:
            raise OSError("what was read back is not what was written")

    try:
        write_beside(path, _image(marked.drop_encoding(), encoding), private=False, check=look)
    except OSError as fault:
        raise WxflyError(f"{path}: the forecast could not be kept ({short(fault)}); is the disk full?") from None


def _image(cube: xr.Dataset, encoding: dict[str, dict[str, Any]]) -> bytes:
    """Give the bytes of the file: the HDF5 library, left alone with a full disk, writes on at the end and complains."""
    import h5netcdf

    buffer = io.BytesIO()
    with h5netcdf.File(buffer, "w") as file:
        cube.dump_to_store(xr.backends.H5NetCDFStore(file), encoding=encoding)
    return buffer.getvalue()


def _with_numbers_for_times(cube: xr.Dataset, name: str) -> xr.Dataset:
    """Write times as CF numbers; a scalar one may be missing, so it is a floating-point number."""
    variable = cube[name].variable
    seconds = variable.values.astype("datetime64[s]")
    numbers: Any
    if variable.ndim:
        numbers, units = seconds.astype("i8") // 3600, "hours since 1970-01-01"
    else:
        numbers = np.where(np.isnat(seconds), np.nan, seconds.astype("i8").astype(float))
        units = "seconds since 1970-01-01"
    attributes = {**variable.attrs, "units": units, "calendar": "standard"}
    return cube.assign_coords({name: (variable.dims, numbers, attributes)})


def load_cube(path: Path, *, verify: bool = False) -> xr.Dataset:
    """Read a cube from a netCDF file whose bytes are known to be sound, into memory.

    A file of a stranger goes through `wxfly.cube.foreign_file.read_foreign`.

    Parameters
    ----------
    path : Path
        A netCDF-4 file.
    verify : bool, optional
        Refuse a file that `save_cube` did not write.

    Raises
    ------
    WxflyError
        When it cannot be read, is damaged, or was written by a newer wxfly.
    """
    try:
        cube = read_netcdf(path)
    except FileNotFoundError:
        raise WxflyError(f"{path}: there is no such file") from None
    except OSError as fault:
        raise WxflyError(f"{path}: not a readable netCDF file ({short(fault)})") from None
    check_origin(cube, path, verify=verify)
    return cube


def read_netcdf(path: Path) -> xr.Dataset:
    """Read a file into memory, whatever is in it.

    Raises
    ------
    OSError
        When the library cannot read it. What else it raises over a file of a stranger is not foreseen.
    """
    with xr.open_dataset(path, engine="h5netcdf", decode_timedelta=False) as opened:
        return opened.load().drop_encoding()


def check_origin(cube: xr.Dataset, path: Path, *, verify: bool) -> None:
    """Refuse a file of a newer wxfly; with `verify` also one that is not as wxfly wrote it.

    Raises
    ------
    DamagedError
        When the checksum in it does not fit.
    WxflyError
        When it was written by a newer wxfly, or not by wxfly at all.
    """
    schema = cube.attrs.get(SCHEMA)
    if schema is not None and (not isinstance(schema, int | np.integer) or schema > SCHEMA_VERSION):
        raise WxflyError(
            f"{path}: written by a newer wxfly (schema {shortened(str(schema), 40)}, this one reads {SCHEMA_VERSION})"
        )
    if not verify:
        return
    if schema is None or CHECKSUM not in cube.attrs:
        raise WxflyError(f"{path}: not written by wxfly")
    if cube.attrs[CHECKSUM] != content_checksum(cube):
        raise DamagedError(f"{path}: damaged, its checksum does not fit")


def short(fault: BaseException) -> str:
    """Return the words of a fault of the system or of a library, on one line."""
    words = getattr(fault, "strerror", None) or str(fault)
    return " ".join(str(words).split())[:120] or type(fault).__name__
