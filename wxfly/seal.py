"""Whether a netCDF file may be handed to the HDF5 library, which loops without end over some damaged files.

A file that wxfly writes ends with a line of its own behind the HDF5 data, where netCDF tools do not look::

    sha256 of the bytes before this line: 8a0f…

It comes with the same rename as the data, so no kill parts the two, and it is compared before anything else is done
with the file. A file without one (of another program, or of an early wxfly) is first opened by a process of its own,
which may not take longer than `TRIAL_SECONDS`.
"""

from __future__ import annotations

import hashlib
import os
import re
import sys
from enum import Enum
from functools import cache
from pathlib import Path

from wxfly.errors import WxflyError

TRIAL_SECONDS = 20.0
_WORDS = b"\nsha256 of the bytes before this line: "
_SEAL = re.compile(re.escape(_WORDS) + rb"([0-9a-f]{64})\n")
_LENGTH = len(_WORDS) + 64 + 1
_HDF5 = b"\x89HDF\r\n\x1a\n"
# -P: no module is taken from the folder in which the program happens to run.
_TRIAL = "import sys; from wxfly import netcdf; netcdf.try_to_read(sys.argv[1])"


class Seal(Enum):
    """What the last line of a file says of the rest."""

    FITS = "fits"
    BROKEN = "broken"
    ABSENT = "absent"


def sealed(content: bytes) -> bytes:
    """Give the content of a file with the line behind it."""
    return content + _WORDS + hashlib.sha256(content).hexdigest().encode() + b"\n"


def read_seal(path: Path) -> Seal:
    """Compare a file with its last line.

    Raises
    ------
    OSError
        When it cannot be read.
    """
    with path.open("rb") as file:
        end = file.seek(0, os.SEEK_END)
        start = max(0, end - _LENGTH)
        file.seek(start)
        match = _SEAL.fullmatch(file.read(_LENGTH))
        if match is None:
            return Seal.ABSENT
        file.seek(0)
        digest, left = hashlib.sha256(), start
        while left and (part := file.read(min(left, 1 << 20))):
            digest.update(part)
            left -= len(part)
    return Seal.FITS if digest.hexdigest().encode() == match[1] else Seal.BROKEN


def try_reading(path: Path) -> None:
    """See in a process of its own that reading a file comes to an end; whether well is not asked.

    Raises
    ------
    WxflyError
        When it does not end, or ends the process.
    OSError
        When the file cannot be read.
    """
    state = path.stat()
    with path.open("rb") as file:
        is_hdf5 = _HDF5 in file.read(1 << 16)
    if is_hdf5 and not _ends(str(path.resolve()), state.st_mtime_ns, state.st_size):
        raise WxflyError(f"{path}: damaged, it cannot be read to its end; remove it and fetch again")


@cache
def _ends(path: str, changed: int, size: int) -> bool:
    """Try a file once; one that was changed meanwhile is another."""
    import subprocess

    if not sys.executable:
        return False  # nobody to try it
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    command = [sys.executable, "-P", "-c", _TRIAL, path]
    try:
        done = subprocess.run(
            command, env=environment, timeout=TRIAL_SECONDS, check=False,
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return False
    return done.returncode == 0
