"""Files on this machine: read with faults told in one line, written beside and renamed so that nothing is lost."""

from __future__ import annotations

import contextlib
import os
import secrets
import stat
import time
import tomllib
from collections.abc import Callable, Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

from wxfly.errors import WxflyError

Parsed = TypeVar("Parsed")

PART = ".part"
"""How the name of a file ends that is being written."""
LEFT_OVER_SECONDS = 3600.0
"""A file that is older and still has such a name was left behind by a killed writer."""
LOCK_SECONDS = 30.0
"""So long a change of a file waits for another one."""


def read_own(path: Path) -> str:
    """Read a text file of the pilot's.

    Raises
    ------
    WxflyError
        When it cannot be read or is not UTF-8.
    """
    try:
        return path.read_text(encoding="utf-8-sig")  # some editors put a mark before the text
    except UnicodeDecodeError:
        raise WxflyError(f"{path}: not a text in UTF-8; save it as UTF-8") from None
    except OSError as fault:
        raise WxflyError(f"{path}: cannot be read ({fault.strerror}); mend or remove it") from None


def read_if_there(path: Path) -> str | None:
    """Read a text file of the pilot's; None when nothing of that name is there.

    A folder, a link to nothing or a file that may not be read is not an absent one.

    Raises
    ------
    WxflyError
        As `read_own` does.
    """
    try:
        path.lstat()
    except FileNotFoundError:
        return None
    except OSError as fault:
        raise WxflyError(f"{path}: cannot be read ({fault.strerror})") from None
    return read_own(path)


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
    """TOML has whole numbers without end; what reads them makes floating-point numbers of them."""
    for value in entry.values() if isinstance(entry, dict) else entry:
        if isinstance(value, dict | list):
            _refuse_huge_numbers(value)
        elif type(value) is int and value.bit_length() > 63:
            raise ValueError("a whole number beyond 64 bits")


def shipped_and_own(
    shipped: str, own_file: Path | None, parse: Callable[[str, str], dict[str, Parsed]]
) -> dict[str, Parsed]:
    """Read a table that the package ships, and the pilot's own over it.

    Parameters
    ----------
    shipped : str
        Name of the file in the package's data.
    own_file : Path or None
        The pilot's file; an absent file adds nothing.
    parse : callable
        Makes entries of a text and the name of its place.
    """
    table = parse((files("wxfly") / "data" / shipped).read_text(encoding="utf-8"), f"the shipped {shipped}")
    text = None if own_file is None else read_if_there(own_file)
    if text is not None:
        table |= parse(text, str(own_file))
    return table


# --- written ---------------------------------------------------------------------------------------------------


def make_folder(path: Path) -> None:
    """Make a folder and what is missing above it, open to nobody but its owner: it tells where a pilot flies.

    Raises
    ------
    OSError
        When it cannot be made, or is no folder.
    """
    if not path.is_dir():
        if path.parent != path:
            make_folder(path.parent)
        path.mkdir(mode=0o700, exist_ok=True)


def write_beside(
    path: Path, content: bytes, *, private: bool, check: Callable[[Path], object] = lambda _: None
) -> None:
    """Write a file beside its place, look at it and rename it: at every moment the place holds the old or the new.

    Parameters
    ----------
    path : Path
        The place; where it is a link, the link stays and what it leads to is written. A file that was there keeps
        its permissions.
    content : bytes
        All of it.
    private : bool
        A new file, and folders that are missing, are open to their owner alone.
    check : callable, optional
        Given the file before it is renamed; what it raises keeps the old one.

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
        target.write_bytes(content)  # a pipe or a device is not to be replaced by a file
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
    """Write a file of the pilot's as `write_beside` does, and clear away what a killed writer left of it.

    Raises
    ------
    WxflyError
        When the folder or the file cannot be written.
    """
    try:
        write_beside(path, content, private=private)
    except OSError as fault:
        raise WxflyError(f"{path} could not be written ({fault.strerror}); give a place that can be") from None
    with contextlib.suppress(OSError):
        _clear_left_overs(Path(os.path.realpath(path)))


def _clear_left_overs(path: Path) -> None:
    for other in path.parent.iterdir():
        ours = other.name.startswith(f".{path.name}.") and other.name.endswith(PART)
        if ours and time.time() - other.stat().st_mtime > LEFT_OVER_SECONDS:
            other.unlink(missing_ok=True)


@contextlib.contextmanager
def alone_with(path: Path) -> Iterator[None]:
    """Keep other wxfly from changing a file while it is read, changed and written; a killed holder frees it.

    Raises
    ------
    WxflyError
        When another one takes longer than `LOCK_SECONDS`, or the folder cannot be written.
    """
    import filelock

    lock = filelock.FileLock(path.with_name(f".{path.name}.lock"), timeout=LOCK_SECONDS)
    try:
        make_folder(path.parent)
        lock.acquire()
    except filelock.Timeout:
        raise WxflyError(f"{path} is being changed by another wxfly; try again") from None
    except OSError as fault:
        raise WxflyError(f"{path} could not be written ({fault.strerror}); give a place that can be") from None
    try:
        yield
    finally:
        lock.release()
