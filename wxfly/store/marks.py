"""Which parts of the store are wxfly's own: the tag of its folder, and the marks in its files.

The folder has a ``CACHEDIR.TAG``, the open standard by which backup programs recognise a cache, with a line of ours in
it. A folder without the tag but with other files is the pilot's, and nothing in it is removed. A file is ours when it
has a name of ours and a mark of ours inside; a link is never followed.
"""

from __future__ import annotations

import contextlib
import os
import re
import stat
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from wxfly.errors import WxflyError
from wxfly.pilot.own_files import PART, write_beside
from wxfly.pilot.settings import cache_folder

TAG = "CACHEDIR.TAG"
# https://bford.info/cachedir/ (from memory); the number is the MD5 of ".IsCacheDirectory", which a test checks.
SIGNATURE = b"Signature: 8a477f597d28d172789f06886806bc55"
_OUR_LINE = b"# The store of wxfly, which removes here what it wrote itself and nothing else."
FOLDERS = ("forecasts", "replies", "locks")

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
    Kind(re.compile(r".+\.lock"), b"", ()),
)  # fmt: skip
"""One row for each kind. An empty file with such a name is ours as well; removing it loses no data."""
_BEGUN = re.compile(r"\.(.+)\.\d+-[0-9a-f]+" + re.escape(PART))


def is_ours(path: Path) -> bool:
    """Return whether wxfly wrote a file, from its name and its content. A link is never ours, whatever its target."""
    try:
        with _opened(path.name, path) as descriptor:
            return _holds_our_mark(path.name, descriptor)
    except OSError:
        return False


def _kind_of(name: str) -> Kind | None:
    begun = _BEGUN.fullmatch(name)
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
    begun = bool(_BEGUN.fullmatch(name)) and content.startswith(kind.first[: len(content)])
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
            raise WxflyError(f"{path}: cannot be removed ({fault.strerror})") from None
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
            raise WxflyError(f"{step} is a link; nothing behind it is removed")
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
