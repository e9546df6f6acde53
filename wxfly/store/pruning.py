"""Pruning the store: which files in it are wxfly's own, and what is too old, too much or damaged. Only ours go."""

from __future__ import annotations

import contextlib
import logging
import os
import re
import stat
import threading
import time
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from wxfly.errors import WxflyError
from wxfly.pilot.own_files import LEFT_OVER_SECONDS, PART, write_beside
from wxfly.pilot.settings import Settings, cache_folder
from wxfly.store.forecasts import PLACE, damage_of, files_below, is_link, list_forecasts

log = logging.getLogger(__name__)

TAG = "CACHEDIR.TAG"
# https://bford.info/cachedir/ (from memory); the number is the MD5 of ".IsCacheDirectory", which a test checks.
SIGNATURE = b"Signature: 8a477f597d28d172789f06886806bc55"
_OUR_LINE = b"# The store of wxfly, which removes here what it wrote itself and nothing else."
FOLDERS = {"forecasts": 3, "replies": 2, "grids": 3, "locks": 1}
"""Folders of the store, and how deep in them its files lie."""

_ENDS = 256  # a complete file of ours has its mark this close to its start or its end [bytes]
_LARGEST = 1 << 26  # greatest size of a file of ours [bytes]
_FOLLOWS_NOTHING = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
_WITHIN_FOLDERS = hasattr(os, "O_NOFOLLOW") and {os.open, os.unlink, os.rmdir} <= os.supports_dir_fd


@dataclass(frozen=True)
class Kind:
    """A kind of file that wxfly writes into the store.

    Attributes
    ----------
    folder : str
        Folder of the store.
    name : re.Pattern
        Pattern of its name.
    first : bytes
        Its first bytes: a killed writer may have left only these.
    marks : tuple of bytes
        A complete or a damaged file contains one of these.
    packed : bool
        Whether it is gzip: the mark is then at the start of the unpacked content.
    """

    folder: str
    name: re.Pattern[str]
    first: bytes
    marks: tuple[bytes, ...]
    packed: bool = False


KINDS = (
    Kind("forecasts", re.compile(PLACE + r"\.gz"), b"\x1f\x8b", (b'{"wxfly_reply": ',), packed=True),
    Kind(
        "forecasts", re.compile(PLACE + r"\.nc"), b"\x89HDF\r\n\x1a\n",
        (b"covers_hours", b"wxfly_schema", b"\nsha256 of the bytes before this line: "),
    ),
    Kind("replies", re.compile(r"[^.].*\.json"), b'{"retrieved": "', (b'{"retrieved": "', b'"sha256": "')),
    Kind("grids", re.compile(r"[^.].*\.\d+-(?:\d+|end)\.grib2"), b"GRIB", (b"GRIB",)),
    Kind("locks", re.compile(r".+\.lock"), b"", ()),
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


def files_in(*folders: str) -> Iterator[Path]:
    """Return the files with names of ours in folders of the store, and the temporary files of their writers."""
    for folder in folders:
        root = cache_folder() / folder
        for path in files_below(root):
            kind = _kind_of(path.name)
            if kind is not None and kind.folder == folder and len(path.relative_to(root).parts) == FOLDERS[folder]:
                yield path


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
        if is_link(step):
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


# --- what is removed -------------------------------------------------------------------------------------------


def prune_wanted(settings: Settings, *, damaged: bool = False, dry_run: bool = False) -> list[Path]:
    """Remove what `too_old_or_much` returns and, where wanted, damaged files of ours; return the files.

    Parameters
    ----------
    settings : Settings
        As in `prune_store`.
    damaged : bool, optional
        Whether damaged files go too.
    dry_run : bool, optional
        Whether nothing is removed; the files that would go are returned.

    Raises
    ------
    WxflyError
        When the folder holds what is not ours and was never marked as the store.
    """
    claim_store(mark=not dry_run)
    going = [s.path for s in list_forecasts() if damage_of(s) and is_ours(s.path)] if damaged else []
    going = list(dict.fromkeys([*going, *too_old_or_much(settings)]))
    return going if dry_run else remove_ours(going)


def prune_store(settings: Settings, *, now: float | None = None) -> list[Path]:
    """Remove the files that `too_old_or_much` returns; a folder with files that are not ours stays unchanged.

    Parameters
    ----------
    settings : Settings
        With ``maximum_age_days`` and ``maximum_megabytes``.
    now : float, optional
        Present time, seconds since 1970.

    Returns
    -------
    list of Path
        The removed files.
    """
    try:
        claim_store()
    except WxflyError as fault:
        log.info("%s", fault)
        return []
    return remove_ours(too_old_or_much(settings, now=now))


def too_old_or_much(settings: Settings, *, now: float | None = None) -> list[Path]:
    """Return files that are too old, then the oldest until the rest fits, and temporary files of killed writers.

    Files that wxfly did not write are left out.

    Parameters
    ----------
    settings, now
        As in `prune_store`.
    """
    now = time.time() if now is None else now
    going = []
    dated = []
    messages = set(files_in("grids"))  # by age alone: those of one grid are larger than all forecasts
    for path in (*files_in("forecasts", "replies"), *messages):
        try:
            state = path.lstat()
        except OSError:
            continue
        if not stat.S_ISREG(state.st_mode):
            continue
        age = now - state.st_mtime
        begun = path.name.endswith(PART)
        if age > settings.maximum_age_days * 86_400 or (begun and age > LEFT_OVER_SECONDS):
            going.append(path)
        elif not begun and path not in messages:
            dated.append((state.st_mtime, state.st_size, path))
    left = sum(size for _, size, _ in dated)
    for _, size, path in sorted(dated):
        if left <= settings.maximum_megabytes * 1e6:
            break
        going.append(path)
        left -= size
    return [path for path in going if is_ours(path)]


def clear_store() -> list[Path]:
    """Remove every forecast, grid and reply of the store; return the removed files.

    Raises
    ------
    WxflyError
        When the folder has files that are not ours, or a file cannot be removed.
    """
    claim_store()
    return remove_ours([*files_in("forecasts", "replies", "grids")])
