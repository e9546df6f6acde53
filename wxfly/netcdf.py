"""Forecast cubes as CF netCDF files: written beside and renamed, read fast, refused when damaged.

The files are plain netCDF-4 that any tool opens. Reading goes straight through the HDF5 library, which takes a
tenth of the time of the general way; a file that holds anything unusual is read the general way.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from wxfly.errors import WxflyError, shortened
from wxfly.forecast import SCHEMA_VERSION, VARIABLES, attributes_of
from wxfly.own_files import write_beside
from wxfly.seal import Seal, read_seal, sealed, try_reading

CHECKSUM = "content_sha256"
SCHEMA = "wxfly_schema"

_INTERNAL = {
    "CLASS", "NAME", "DIMENSION_LIST", "REFERENCE_LIST", "_Netcdf4Dimid", "_Netcdf4Coordinates", "_NCProperties",
    "_nc3_strict", "_FillValue", "coordinates",
}  # fmt: skip
_UNREAD = {"REFERENCE_LIST", "_Netcdf4Dimid", "_Netcdf4Coordinates", "_NCProperties", "_nc3_strict"}
_STEPS = {"days": 86_400, "hours": 3600, "minutes": 60, "seconds": 1}
_SINCE = re.compile(
    r"(days|hours|minutes|seconds) since (\d{4}-\d\d-\d\d)(?:[T ](\d\d:\d\d:\d\d)(?:\.0+)?)?(?: UTC|Z)?"
)


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


def save_cube(cube: xr.Dataset, path: Path, *, private: bool = False) -> None:
    """Write a cube to a file: beside, read back, then renamed, so that the path never holds half a cube.

    Parameters
    ----------
    cube : xarray.Dataset
        Any.
    path : Path
        The file.
    private : bool, optional
        Of the store: open to its owner alone, and an error does not tell the path, which tells the place.

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
        if read_seal(beside) is not Seal.FITS or content_checksum(_read(beside)) != marked.attrs[CHECKSUM]:
            raise OSError("what was read back is not what was written")

    try:
        write_beside(path, sealed(_image(marked.drop_encoding(), encoding)), private=private, check=look)
    except (OSError, RuntimeError) as fault:
        place = "" if private else f"{path}: "
        raise WxflyError(f"{place}the forecast could not be kept ({_short(fault)}); is the disk full?") from None


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


def load_cube(path: Path, *, verify: bool = False, trusted: bool = False) -> xr.Dataset:
    """Read a cube from a netCDF file into memory.

    Parameters
    ----------
    path : Path
        A netCDF-4 file.
    verify : bool, optional
        Refuse a file that `save_cube` did not write.
    trusted : bool, optional
        The caller knows every byte of the file, so that it need not be tried first.

    Raises
    ------
    WxflyError
        When it cannot be read, is damaged, or was written by a newer wxfly.
    """
    try:
        seal = Seal.FITS if trusted else read_seal(path)
        if seal is Seal.BROKEN:
            raise WxflyError(f"{path}: damaged, its checksum does not fit; remove it and fetch again")
        if seal is Seal.ABSENT:
            try_reading(path)
        cube = _read(path)
        schema = cube.attrs.get(SCHEMA)
        is_whole = seal is Seal.FITS or not verify or cube.attrs.get(CHECKSUM) == content_checksum(cube)
    except WxflyError:
        raise
    except FileNotFoundError:
        raise WxflyError(f"{path}: there is no such file") from None
    except Exception as fault:  # a damaged file may make the HDF5 library fail in any way
        raise WxflyError(f"{path}: not a readable netCDF file ({_short(fault)}); remove it and fetch again") from None
    if schema is not None and (not isinstance(schema, int | np.integer) or schema > SCHEMA_VERSION):
        raise WxflyError(
            f"{path}: written by a newer wxfly (schema {shortened(str(schema), 40)}, this one reads {SCHEMA_VERSION})"
        )
    if verify and (schema is None or CHECKSUM not in cube.attrs):
        raise WxflyError(f"{path}: not written by wxfly; remove it from the store")
    if not is_whole:
        raise WxflyError(f"{path}: damaged, its checksum does not fit; remove it and fetch again")
    return cube


def try_to_read(path: str) -> None:
    """Read a file and say nothing of it: what `wxfly.seal.try_reading` has a process of its own do."""
    with contextlib.suppress(Exception):
        content_checksum(_read(Path(path)))


def _read(path: Path) -> xr.Dataset:
    cube = _read_fast(path)
    return _read_general(path) if cube is None else cube


def _short(fault: BaseException) -> str:
    words = getattr(fault, "strerror", None) or str(fault)
    return " ".join(str(words).split())[:120] or type(fault).__name__


def _read_general(path: Path) -> xr.Dataset:
    with xr.open_dataset(path, engine="h5netcdf") as opened:
        return opened.load()


def _read_fast(path: Path) -> xr.Dataset | None:
    """Read through the HDF5 library; None when something needs the general way."""
    import h5py  # type: ignore[import-untyped]

    variables: dict[str, Any] = {}
    coordinates: set[str] = set()
    with h5py.File(path, "r") as file:
        ours = file.attrs.get(SCHEMA) == SCHEMA_VERSION
        for name, dataset in file.items():
            if not isinstance(dataset, h5py.Dataset):
                return None
            # Reading attributes takes most of the time. What the contract says of a variable need not be read, and
            # what the format keeps for itself neither.
            contract = attributes_of(name) if ours and name in VARIABLES else {}
            told = {k: v for k, v in contract.items() if isinstance(v, str)}
            attributes = {k: told[k] if k in told else dataset.attrs[k] for k in dataset.attrs if k not in _UNREAD}
            label = attributes.get("NAME", b"")
            if isinstance(label, bytes) and label.startswith(b"This is a netCDF dimension but not a netCDF variable"):
                continue
            if "scale_factor" in attributes or "add_offset" in attributes or "missing_value" in attributes:
                return None
            if "DIMENSION_LIST" in attributes:
                dims = tuple(file[refs[0]].name.lstrip("/") for refs in attributes["DIMENSION_LIST"])
            elif dataset.ndim == 1 and attributes.get("CLASS") == b"DIMENSION_SCALE":
                dims = (name,)
            elif dataset.ndim == 0:
                dims = ()
            else:
                return None
            kept = {k: _attribute(v) for k, v in attributes.items() if k not in _INTERNAL}
            values = _values(dataset, attributes.get("_FillValue"), kept)
            if values is None:
                return None
            listed = _attribute(attributes.get("coordinates", ""))
            coordinates.update(str(listed).split())
            if dims == (name,):
                coordinates.add(name)
            variables[name] = (dims, values, kept)
        attributes = {k: _attribute(v) for k, v in file.attrs.items() if k not in _INTERNAL}
        listed = _attribute(file.attrs.get("coordinates", ""))
        coordinates.update(str(listed).split())
    return xr.Dataset(
        {n: v for n, v in variables.items() if n not in coordinates},
        coords={n: v for n, v in variables.items() if n in coordinates},
        attrs=attributes,
    )


def _values(dataset: Any, fill: Any, attributes: dict[str, Any]) -> Any:
    """Read values and decode times and texts; takes the attributes of the encoding away. None when unusual."""
    kind = dataset.dtype.kind
    if kind == "O":
        return dataset.asstr()[()] if dataset.ndim else np.array(dataset.asstr()[()], dtype=object)
    values = dataset[()]
    units = attributes.get("units")
    if isinstance(units, str) and " since " in units:
        match = _SINCE.fullmatch(units)
        if not match or attributes.get("calendar", "standard") not in (
            "standard",
            "gregorian",
            "proleptic_gregorian",
        ):
            return None
        attributes.pop("units"), attributes.pop("calendar", None)
        start = np.datetime64(f"{match[2]}T{match[3] or '00:00:00'}", "s")
        seconds = np.asarray(values, dtype=float) * _STEPS[match[1]]
        missing = ~np.isfinite(seconds)
        with np.errstate(invalid="ignore"):  # numbers beyond any calendar, from a damaged file
            moments = start + np.where(missing, 0, np.round(seconds)).astype("timedelta64[s]")
        return np.where(missing, np.datetime64("NaT"), moments).astype("datetime64[ns]")
    if kind not in "fiu":
        return None
    if fill is not None and not (kind == "f" and np.isnan(fill).all()):
        return None
    return values


def _attribute(value: Any) -> Any:
    if isinstance(value, bytes):
        return value.decode("utf-8", errors="replace")
    if isinstance(value, np.ndarray) and value.size == 1:
        return _attribute(value.ravel()[0])
    return value
