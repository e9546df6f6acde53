"""A netCDF file from a stranger: read by a separate process, within limits, and checked before anything uses it.

The netCDF library loops without end on some files, reserves gigabytes for others, and ignores interrupts meanwhile. So
a child process reads the file, with limits on processor time and memory where the system has them, and returns plain
arrays. An interrupt ends it at once. A file that was read within the limits may still be unsound.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from wxfly.cube.contents import check_contents
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
