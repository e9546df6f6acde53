"""The layout of the store: the names of its files, their meaning, and which of them are wxfly's own.

::

    forecasts/<model>/<run>/<place>.gz      forecasts/icon_eu/2026-11-25T06Z/52.2700N_6.9000E.gz
    replies/<kind>/<name>.json              last replies of small services, with the time of retrieval
    grids/<model>/<run>/<file>.<bytes>.grib2  messages of a forecast grid
    locks/<service>.lock                    one request at a time to each service
    CACHEDIR.TAG                            marks the folder as a cache, and as ours

A run that the service did not state is named ``retrieved-<hour>``. Early versions of wxfly kept each forecast as
``<place>.nc``; those are read as well.
"""

from __future__ import annotations

import contextlib
import os
import re
import stat
import threading
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path

import numpy as np
import xarray as xr

from wxfly.errors import WxflyError
from wxfly.pilot.own_files import PART, write_beside
from wxfly.pilot.settings import cache_folder
from wxfly.sources.reply import PlaceReply
from wxfly.store.replies import replies_folder

TAG = "CACHEDIR.TAG"
# https://bford.info/cachedir/ (from memory); the number is the MD5 of ".IsCacheDirectory", which a test checks.
SIGNATURE = b"Signature: 8a477f597d28d172789f06886806bc55"
_OUR_LINE = b"# The store of wxfly, which removes here what it wrote itself and nothing else."
FOLDERS = ("forecasts", "replies", "grids", "locks")

_ENDS = 256  # a complete file of ours has its mark this close to its start or its end [bytes]
_LARGEST = 1 << 26  # greatest size of a file of ours [bytes]
_FOLLOWS_NOTHING = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
_WITHIN_FOLDERS = hasattr(os, "O_NOFOLLOW") and {os.open, os.unlink, os.rmdir} <= os.supports_dir_fd


@dataclass(frozen=True)
class Kind:
    """A kind of file that wxfly writes into the store.

    Attributes
    ----------
    name : re.Pattern
        Pattern of its name.
    first : bytes
        Its first bytes: a killed writer may have left only these.
    marks : tuple of bytes
        A complete or a damaged file contains one of these.
    packed : bool
        Whether it is gzip: the mark is then at the start of the unpacked content.
    """

    name: re.Pattern[str]
    first: bytes
    marks: tuple[bytes, ...]
    packed: bool = False


KINDS = (
    Kind(re.compile(r"\d+\.\d{4}[NS]_\d+\.\d{4}[EW]\.gz"), b"\x1f\x8b", (b'{"wxfly_reply": ',), packed=True),
    Kind(
        re.compile(r"\d+\.\d{4}[NS]_\d+\.\d{4}[EW]\.nc"), b"\x89HDF\r\n\x1a\n",
        (b"covers_hours", b"wxfly_schema", b"\nsha256 of the bytes before this line: "),
    ),
    Kind(re.compile(r"[^.].*\.json"), b'{"retrieved": "', (b'{"retrieved": "', b'"sha256": "')),
    Kind(re.compile(r"[^.].*\.\d+-(?:\d+|end)\.grib2"), b"GRIB", (b"GRIB",)),
    Kind(re.compile(r".+\.lock"), b"", ()),
)  # fmt: skip
"""One row for each kind. An empty file with such a name is ours as well; removing it loses no data."""
_BEGUN_FILE = re.compile(r"\.(.+)\.\d+-[0-9a-f]+" + re.escape(PART))


def is_ours(path: Path) -> bool:
    """Return whether wxfly wrote a file, from its name and its content. A link is never ours, whatever its target."""
    try:
        with _opened(path.name, path) as descriptor:
            return _holds_our_mark(path.name, descriptor)
    except OSError:
        return False


def _kind_of(name: str) -> Kind | None:
    begun = _BEGUN_FILE.fullmatch(name)
    whole = begun[1] if begun else name
    return next((kind for kind in KINDS if kind.name.fullmatch(whole)), None)


def _holds_our_mark(name: str, descriptor: int) -> bool:
    kind = _kind_of(name)
    state = os.fstat(descriptor)
    if kind is None or not stat.S_ISREG(state.st_mode) or state.st_size > _LARGEST:
        return False
    with os.fdopen(descriptor, "rb", closefd=False) as file:
        content = file.read(_ENDS)
        if kind.packed and _unpacked(content).startswith(kind.marks):
            return True
        file.seek(max(0, state.st_size - _ENDS))
        ends = content + file.read()
        if any(mark in ends for mark in kind.marks):
            return True
        file.seek(0)
        content = file.read()
    begun = bool(_BEGUN_FILE.fullmatch(name)) and content.startswith(kind.first[: len(content)])
    return not content or begun or any(mark in content for mark in kind.marks)


def _unpacked(beginning: bytes) -> bytes:
    """Return the readable part of the start of a gzip file, unpacked."""
    with contextlib.suppress(zlib.error):
        return zlib.decompressobj(wbits=31).decompress(beginning)
    return b""


@contextlib.contextmanager
def _opened(name: str, path: Path, *, within: int | None = None) -> Iterator[int]:
    """Open a file without following a link, by its name within an open folder where the system can."""
    if path.is_symlink():
        raise OSError(None, "a link")
    descriptor = os.open(name if within is not None else path, os.O_RDONLY | _FOLLOWS_NOTHING, dir_fd=within)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


# --- the folder ------------------------------------------------------------------------------------------------


def is_marked(root: Path) -> bool:
    """Return whether a folder has our tag."""
    try:
        with _opened(TAG, root / TAG) as descriptor:
            content = os.read(descriptor, 4096)
    except OSError:
        return False
    return content.startswith(SIGNATURE) and _OUR_LINE in content


def foreign_files() -> list[Path]:
    """Return the files in the store that are not ours, links included."""
    root = cache_folder()
    found = [path for name in FOLDERS for path in files_below(root / name) if not is_ours(path)]
    with contextlib.suppress(OSError):
        found += [path for path in root.iterdir() if path.name not in (*FOLDERS, TAG)]
    return sorted(found)


def files_below(folder: Path) -> Iterator[Path]:
    """Return the files and links below a folder; no link is followed, and a folder that is a link has none."""
    if _is_link(folder):
        yield folder
        return
    for parent, folders, names in os.walk(folder, followlinks=False):
        yield from (Path(parent) / name for name in names)
        yield from (Path(parent) / name for name in folders if _is_link(Path(parent) / name))


def _is_link(path: Path) -> bool:
    return path.is_symlink() or getattr(os.path, "isjunction", lambda _: False)(path)


def claim_store(*, mark: bool = True) -> None:
    """Check that files in the folder are ours to remove, and mark the folder as ours.

    Parameters
    ----------
    mark : bool, optional
        Whether to write the mark.

    Raises
    ------
    WxflyError
        When it has no mark and contains files that are not ours.
    """
    with _MARKING:
        _claim(mark)


_MARKING = threading.Lock()  # requests that go out together are kept by separate threads


def _claim(mark: bool) -> None:
    root = cache_folder()
    if is_marked(root) or not root.is_dir():
        return
    foreign = foreign_files() + ([root / TAG] if os.path.lexists(root / TAG) else [])
    if foreign:
        raise WxflyError(
            f"{root} has files that wxfly did not write ({foreign[0].relative_to(root)}), so nothing in it is removed; "
            "move them, or give the store its own folder with WXFLY_CACHE"
        )
    if not mark:
        return
    with contextlib.suppress(OSError):
        write_beside(root / TAG, SIGNATURE + b"\n" + _OUR_LINE + b"\n", private=True)


# --- removed ---------------------------------------------------------------------------------------------------


def remove_ours(paths: list[Path]) -> list[Path]:
    """Remove files of the store that are ours, then empty folders; return the removed files.

    Raises
    ------
    WxflyError
        When a file of ours cannot be removed; those after it stay.
    """
    root = cache_folder()
    removed = []
    for path in paths:
        try:
            if _remove(root, path):
                removed.append(path)
        except FileNotFoundError:
            continue  # gone already
        except OSError as fault:
            raise WxflyError(f"{path}: cannot be removed ({fault.strerror}); remove it by hand") from None
    for folder in {path.parent for path in removed}:
        for empty in (folder, folder.parent):
            with contextlib.suppress(OSError, WxflyError), _folder(root, empty.parent) as within:
                os.rmdir(empty.name if within is not None else empty, dir_fd=within)
    return removed


def _remove(root: Path, path: Path) -> bool:
    with _folder(root, path.parent) as within:
        try:
            with _opened(path.name, path, within=within) as descriptor:
                if not _holds_our_mark(path.name, descriptor):
                    return False
        except FileNotFoundError:
            raise
        except OSError:
            return False  # a link, or unreadable: it may not be ours
        os.unlink(path.name if within is not None else path, dir_fd=within)
    return True


@contextlib.contextmanager
def _folder(root: Path, folder: Path) -> Iterator[int | None]:
    """Open a folder of the store level by level, so that no link is followed; None where the system cannot do that."""
    steps = folder.relative_to(root).parts
    for k in range(len(steps)):
        step = root.joinpath(*steps[: k + 1])
        if _is_link(step):
            raise WxflyError(f"{step} is a link; nothing behind it is removed: put a folder in its place")
    if not _WITHIN_FOLDERS:
        yield None
        return
    descriptor = os.open(root, os.O_RDONLY | os.O_DIRECTORY)
    try:
        for step_name in steps:
            below = os.open(step_name, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=descriptor)
            os.close(descriptor)
            descriptor = below
        yield descriptor
    finally:
        os.close(descriptor)


NOT_KNOWN = "retrieved-"
SUFFIX = ".gz"
EARLY_SUFFIX = ".nc"
_PLACE = re.compile(r"(\d+\.\d{4})([NS])_(\d+\.\d{4})([EW])\.(?:gz|nc)")
_REPLY = re.compile(r"[^.].*\.json")
_MESSAGE = re.compile(r"[^.].*\.\d+-(?:\d+|end)\.grib2")


@dataclass(frozen=True)
class StoredForecast:
    """A forecast of one place in the store.

    Attributes
    ----------
    path : Path
        Its file.
    model, run : str
        The model, and the run as in the name of its folder.
    latitude, longitude : float
        The place [degree].
    size : int
        Size of the file [bytes].
    """

    path: Path
    model: str
    run: str
    latitude: float
    longitude: float
    size: int

    @property
    def is_early(self) -> bool:
        """Return whether an early version of wxfly kept it, as netCDF."""
        return self.path.suffix == EARLY_SUFFIX


def grids_folder() -> Path:
    """Return the folder of the messages of forecast grids."""
    return cache_folder() / "grids"


def forecasts_folder() -> Path:
    """Return the folder of the forecasts."""
    return cache_folder() / "forecasts"


def file_name(latitude: float, longitude: float) -> str:
    """Return the name of the file of a place."""
    north, east = "N" if latitude >= 0 else "S", "E" if longitude >= 0 else "W"
    return f"{abs(latitude):.4f}{north}_{abs(longitude):.4f}{east}{SUFFIX}"


def run_name(cube: xr.Dataset) -> str:
    """Return the name of a cube's run in the store."""
    run = cube["forecast_reference_time"].values
    if not np.isnat(run):
        return f"{np.datetime_as_string(run, 'h')}Z"
    return f"{NOT_KNOWN}{str(cube.attrs.get('retrieved', 'not known'))[:13]}Z"


def run_of_reply(reply: PlaceReply) -> str:
    """Return the name of a reply's run in the store."""
    moment = reply.retrieved if reply.run is None else reply.run
    return f"{NOT_KNOWN if reply.run is None else ''}{moment.astimezone(UTC):%Y-%m-%dT%H}Z"


def list_forecasts() -> list[StoredForecast]:
    """Return our forecasts in the store, by model, newest run first, north to south."""
    found = []
    for path in files_below(forecasts_folder()):
        match = _PLACE.fullmatch(path.name)
        if not match or path.parent.parent.parent != forecasts_folder():
            continue
        latitude = float(match[1]) * (1 if match[2] == "N" else -1)
        longitude = float(match[3]) * (1 if match[4] == "E" else -1)
        try:
            size = path.stat().st_size
        except OSError:
            continue  # another process removed it
        found.append(StoredForecast(path, path.parent.parent.name, path.parent.name, latitude, longitude, size))
    found.sort(key=lambda f: (f.run.removeprefix(NOT_KNOWN), f.latitude, f.longitude, not f.is_early), reverse=True)
    return sorted(found, key=lambda f: f.model)


def own_files() -> Iterator[Path]:
    """Return the forecasts and replies, and the temporary files of their writers."""
    yield from _named(forecasts_folder(), _PLACE, 3)
    yield from _named(replies_folder(), _REPLY, 2)


def grid_files() -> Iterator[Path]:
    """Return the messages of forecast grids, and the temporary files of their writers."""
    yield from _named(grids_folder(), _MESSAGE, 3)


def _named(folder: Path, name: re.Pattern[str], depth: int) -> Iterator[Path]:
    for path in files_below(folder):
        if (name.fullmatch(path.name) or _BEGUN_FILE.fullmatch(path.name)) and len(
            path.relative_to(folder).parts
        ) == depth:
            yield path
