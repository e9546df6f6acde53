"""Files on this machine: read with one-line errors, and written to a temporary file and renamed, so no data is lost."""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import stat
import time
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from wxfly.errors import WxflyError, shortened

PART = ".part"
"""Ending of the name of a file that is being written."""
LEFT_OVER_SECONDS = 3600.0
"""Age above which a file with such a name was left behind by a killed writer."""
LOCK_SECONDS = 30.0
"""Longest time that a change of a file waits for another one."""
LARGEST_BYTES = 1_000_000
"""Greatest size of a file that the pilot writes by hand."""


@dataclass(frozen=True)
class SetAside:
    """An unreadable part of a pilot's file: it stays in the file, and the answer is made without it.

    Attributes
    ----------
    path : Path
        The file.
    line : int or None
        Its line; None where no part of the file can be read.
    fault : str
        What is wrong, shortened to fit one line.
    """

    path: Path
    line: int | None
    fault: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "fault", shortened(plain(self.fault)))

    @property
    def where(self) -> str:
        """Return the file and the line."""
        return str(self.path) if self.line is None else f"{self.path}, line {self.line}"


def damage_notes(set_aside: Iterable[SetAside]) -> list[str]:
    """Return what was set aside, one line for each file."""
    by_file: dict[Path, list[SetAside]] = {}
    for part in set_aside:
        by_file.setdefault(part.path, []).append(part)
    return [
        f"{parts[0].where}: {parts[0].fault}"
        + (f"; {len(parts) - 1} more like it" if len(parts) > 1 else "")
        + "; set aside, none of it is used"
        for parts in by_file.values()
    ]


def plain(text: str) -> str:
    """Remove invisible characters: control characters and marks that change the writing direction."""
    return "".join(c if c.isprintable() else " " if c.isspace() else "" for c in text).strip()


# --- read ------------------------------------------------------------------------------------------------------


def read_bytes_if_there(path: Path) -> bytes | None:
    """Read a pilot's file; None when the path does not exist.

    A folder, a pipe, a broken link or a file without read permission counts as unreadable, not absent.

    Raises
    ------
    WxflyError
        When it cannot be read or is larger than `LARGEST_BYTES`.
    """
    try:
        path.lstat()
    except FileNotFoundError:
        return None
    except OSError as fault:
        raise WxflyError(f"{path}: cannot be read ({fault.strerror})") from None
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise WxflyError(f"{path}: cannot be read (not a file); mend or remove it")
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
    except OSError as fault:
        raise WxflyError(f"{path}: cannot be read ({fault.strerror}); mend or remove it") from None
    if len(content) > LARGEST_BYTES:
        raise WxflyError(f"{path}: larger than {LARGEST_BYTES / 1e6:g} MB; mend or remove it")
    return content


def read_if_there(path: Path) -> str | None:
    """Read a pilot's text file; None when the path does not exist.

    Raises
    ------
    WxflyError
        As in `read_bytes_if_there`, and when it is not UTF-8.
    """
    content = read_bytes_if_there(path)
    try:
        return None if content is None else content.decode("utf-8-sig")  # some editors write a byte-order mark first
    except UnicodeDecodeError:
        raise WxflyError(f"{path}: not a text in UTF-8; save it as UTF-8") from None


def parse_toml(text: str, place: str) -> dict[str, Any]:
    """Read TOML; `place` names the file in the error."""
    try:
        document = tomllib.loads(text)
        _refuse_huge_numbers(document)
    except RecursionError:
        raise WxflyError(f"{place}: not a TOML file (nested too deeply); mend or remove it") from None
    except ValueError as fault:
        raise WxflyError(f"{place}: not a TOML file ({fault}); mend or remove it") from None
    return document


def _refuse_huge_numbers(entry: Any) -> None:
    """Refuse whole numbers of any length, which TOML allows: wxfly converts numbers to floating point."""
    for value in entry.values() if isinstance(entry, dict) else entry:
        if isinstance(value, dict | list):
            _refuse_huge_numbers(value)
        elif type(value) is int and value.bit_length() > 63:
            raise ValueError("a whole number beyond 64 bits")


# --- written ---------------------------------------------------------------------------------------------------


def make_folder(path: Path) -> None:
    """Make a folder and its parents, open only to its owner, because the files show where a pilot flies.

    Raises
    ------
    OSError
        When it cannot be made, or is not a folder.
    """
    if not path.is_dir():
        if path.parent != path:
            make_folder(path.parent)
        path.mkdir(mode=0o700, exist_ok=True)


def write_beside(
    path: Path, content: bytes, *, private: bool, check: Callable[[Path], object] = lambda _: None
) -> None:
    """Write a temporary file, check it and rename it: at every time the path holds the old or the new file.

    Parameters
    ----------
    path : Path
        The path; where it is a link, the link stays and its target is written. An existing file keeps its
        permissions.
    content : bytes
        The complete content.
    private : bool
        Whether a new file, and missing folders, are open only to their owner.
    check : callable, optional
        Called with the temporary file before it is renamed; if it raises, the old file stays.

    Raises
    ------
    OSError
        When the folder or the file cannot be written.
    """
    target = Path(os.path.realpath(path))
    if private:
        make_folder(target.parent)
    else:
        target.parent.mkdir(parents=True, exist_ok=True)
    if target.exists() and not target.is_file() and not target.is_dir():
        target.write_bytes(content)  # a pipe or a device must not be replaced by a file
        return
    beside = target.with_name(f".{target.name}.{os.getpid()}-{secrets.token_hex(4)}{PART}")
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    try:
        with os.fdopen(os.open(beside, flags, 0o600 if private else 0o666), "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        with contextlib.suppress(FileNotFoundError):
            beside.chmod(stat.S_IMODE(target.stat().st_mode))
        check(beside)
        beside.replace(target)
    finally:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)


def write_whole(path: Path, content: bytes, *, private: bool = False) -> None:
    """Write a pilot's file with `write_beside`, and remove temporary files that a killed writer left.

    Raises
    ------
    WxflyError
        When the folder or the file cannot be written.
    """
    try:
        write_beside(path, content, private=private)
    except OSError as fault:
        raise WxflyError(f"{path} could not be written ({fault.strerror}); give a path that can be written") from None
    with contextlib.suppress(OSError):
        _clear_left_overs(Path(os.path.realpath(path)))


def _clear_left_overs(path: Path) -> None:
    ours = re.compile(re.escape(f".{path.name}.") + r"\d+-[0-9a-f]+" + re.escape(PART))
    for other in path.parent.iterdir():
        if ours.fullmatch(other.name):
            state = other.lstat()
            if stat.S_ISREG(state.st_mode) and time.time() - state.st_mtime > LEFT_OVER_SECONDS:
                other.unlink(missing_ok=True)


@contextlib.contextmanager
def alone_with(path: Path) -> Iterator[None]:
    """Lock a file against other wxfly processes while it is read, changed and written; a killed one frees the lock.

    Raises
    ------
    WxflyError
        When another process keeps it longer than `LOCK_SECONDS`, or the folder cannot be written.
    """
    import filelock

    lock = filelock.FileLock(path.with_name(f".{path.name}.lock"), timeout=LOCK_SECONDS)
    try:
        make_folder(path.parent)
        lock.acquire()
    except filelock.Timeout:
        raise WxflyError(f"{path} is being changed by another wxfly; try again") from None
    except OSError as fault:
        raise WxflyError(f"{path} could not be written ({fault.strerror}); give a path that can be written") from None
    try:
        yield
    finally:
        lock.release()


def change_toml(path: Path, change: Callable[[Any], None], check: Callable[[str], object] = lambda _: None) -> None:
    """Change a pilot's TOML file, keeping its comments and everything else in it.

    Parameters
    ----------
    path : Path
        The file; an absent one is made.
    change : callable
        Changes the document of tomlkit that it is given.
    check : callable, optional
        Called with the text before; if it raises, the file stays.

    Raises
    ------
    WxflyError
        When the file cannot be read as TOML or written.
    """
    import tomlkit

    with alone_with(path):
        text = read_if_there(path) or ""
        parse_toml(text, str(path))  # refuse to change a file that we cannot read
        check(text)
        document = tomlkit.parse(text)
        change(document)
        write_whole(path, tomlkit.dumps(document).encode(), private=True)


def change_keys(table: Any, values: Mapping[str, Any]) -> None:
    """Set the keys of a table of tomlkit; a value of None takes the key out, where it is."""
    for key, value in values.items():
        if value is not None:
            table[key] = value
        elif key in table:
            del table[key]
