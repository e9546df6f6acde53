"""Files on this machine: read with one-line errors, and written to a temporary file and renamed, so no data is lost."""

from __future__ import annotations

import contextlib
import difflib
import os
import re
import secrets
import stat
import time
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Generic, TypeVar

from wxfly.errors import WxflyError, shortened, unknown_name

PART = ".part"
"""Ending of the name of a file that is being written."""
LEFT_OVER_SECONDS = 3600.0
"""Age above which a file with such a name was left behind by a killed writer."""
LOCK_SECONDS = 30.0
"""Longest time that a change of a file waits for another one."""
LONGEST_NAME = 100
"""Longest name of a site [characters]."""
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


def check_name(name: str, what: str = "site") -> None:
    """Refuse a name of a site, or of what else is named, that cannot be read or distinguished from another.

    Raises
    ------
    WxflyError
        When it is empty, too long or has invisible characters.
    """
    if not name.strip() or name != name.strip() or not name.isprintable() or len(name) > LONGEST_NAME:
        raise WxflyError(
            f"{what} {name[:LONGEST_NAME]!r}: a name must be printable, not empty, without spaces at its ends, "
            f"with {LONGEST_NAME} characters or fewer"
        )


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
        raise WxflyError(f"{path}: cannot be read ({fault.strerror}); mend or remove it") from None
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
    path: Path,
    content: bytes,
    *,
    private: bool,
    check: Callable[[Path], object] = lambda _: None,
    is_synced: bool = True,
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
    is_synced : bool, optional
        Whether to wait for the disk, so that a power cut spoils nothing. It takes long for many files.

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
            if is_synced:
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


def remove_entry(path: Path, kind: str, name: str, check: Callable[[str], object] = lambda _: None) -> None:
    """Remove an entry from a pilot's TOML file; a name that is not in it is an error with the nearest one."""

    def change(document: Any) -> None:
        if name not in document:
            raise unknown_name(kind, name, document)
        del document[name]

    change_toml(path, change, check)


def change_keys(table: Any, values: Mapping[str, Any]) -> None:
    """Set the keys of a table of tomlkit; a value of None takes the key out, where it is."""
    for key, value in values.items():
        if value is not None:
            table[key] = value
        elif key in table:
            del table[key]


Parsed = TypeVar("Parsed")

_ALIKE = 0.6
"""Similarity above which a damaged name may be the requested one: our estimate."""
_NOWHERE = 1 << 60
_MOST_LINES = 20_000
_MOST_PLACED = 20  # most faults whose line is looked up
_HEADER = re.compile(r"\s*\[")
_NAME_IN_DAMAGE = re.compile(r"""[\s\[]*("[^"]*|'[^']*|[^\].=#]*)""")
_AT_LINE = re.compile(r" \(at line (\d+), column \d+\)| \(at end of document\)")


@dataclass(frozen=True)
class OwnPart(SetAside):
    """A part of a table that cannot be read.

    Attributes
    ----------
    name : str or None
        Name of the entry, if it can be read; None where it may be any entry.
    is_guess : bool
        Whether the name is damaged as well.
    text : str
        The complete text.
    """

    name: str | None = None
    is_guess: bool = False
    text: str = field(default="", repr=False)

    def is_of(self, name: str) -> bool:
        """Return whether this belongs to the entry of a name, if its own name can be read."""
        return self.name is not None and self.name.casefold() == name.strip().casefold()

    def may_be(self, name: str) -> bool:
        """Return whether this may be the entry of a name."""
        if self.name is None or self.is_of(name):
            return True
        mine, other = self.name.casefold(), name.strip().casefold()
        return self.is_guess and difflib.SequenceMatcher(None, mine, other).ratio() >= _ALIKE


class OwnTable(dict[str, Parsed], Generic[Parsed]):
    """The entries of a pilot's file, by name, and its unreadable parts.

    Parameters
    ----------
    entries : mapping
        The readable entries, in the order of the file.
    set_aside : sequence of OwnPart
        The unreadable parts.
    begins_whole : bool
        Whether the first entry of the file is readable.
    """

    def __init__(
        self, entries: Mapping[str, Parsed], set_aside: Sequence[OwnPart] = (), *, begins_whole: bool = True
    ) -> None:
        super().__init__(entries)
        self.set_aside = tuple(set_aside)
        self.begins_whole = begins_whole

    def refuse_uncertain(self, name: str, what: str) -> None:
        """Refuse a name whose entry may be unreadable: the answer would otherwise be about another entry.

        Raises
        ------
        WxflyError
            States the part and the way out.
        """
        for part in self.set_aside:
            # An entry is incomplete where a part with the same name is unreadable.
            if part.is_of(name) or (name not in self and part.may_be(name)):
                raise WxflyError(f"{part.where}: {part.fault}; its entry for {what} '{name}' is not known: mend it")

    def find(self, name: str, what: str) -> Parsed:
        """Return the entry of this name, or say which name is nearest; `what` is what the table holds."""
        self.refuse_uncertain(name, what)
        if name not in self:
            raise unknown_name(what, name, self)
        return self[name]


def read_table(path: Path, parse_one: Callable[[str, Any, str], Parsed]) -> OwnTable[Parsed]:
    """Read a pilot's table; an absent file counts as empty, and damage never raises an error.

    Parameters
    ----------
    path : Path
        The file.
    parse_one : callable
        Makes an entry from its name, its content and the name of the file; raises `WxflyError` for one that it
        cannot use. Names and texts come without invisible characters.
    """
    try:
        content = read_bytes_if_there(path)
    except WxflyError as fault:
        return _nothing_read(path, _without_place(str(fault), path))
    if content is None:
        return OwnTable({})
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return _nothing_read(path, "a text in UTF-16; save it as UTF-8")
    if content.count(b"\n") > _MOST_LINES:
        return _nothing_read(path, f"more than {_MOST_LINES} lines")
    parts = _parts(content.removeprefix(b"\xef\xbb\xbf"))
    document, set_aside = _whole_or_parts(content, parts, path)
    entries: dict[str, Parsed] = {}
    first = _NOWHERE
    for written, entry in document.items():
        name = plain(written)
        try:
            if name in entries:
                raise WxflyError(f"{path}: [{name}] is there twice; take one of them out")
            entries[name] = parse_one(name, _without_unseen(entry), str(path))
            first = min(first, _line_of(written, parts)) if len(entries) == 1 else first
        except WxflyError as fault:
            line = _line_of(written, parts) if len(set_aside) < _MOST_PLACED else None
            set_aside.append(OwnPart(path, line, _without_place(str(fault), path), name, text=str(entry)))
    begins_whole = first <= min((p.line or 0 for p in set_aside), default=_NOWHERE)
    return OwnTable(entries, set_aside, begins_whole=begins_whole)


def _nothing_read(path: Path, fault: str) -> OwnTable[Parsed]:
    return OwnTable({}, [OwnPart(path, None, fault)], begins_whole=False)


def shipped_and_own(
    shipped: str, own_file: Path | None, parse_one: Callable[[str, Any, str], Parsed]
) -> OwnTable[Parsed]:
    """Read a table that the package ships, and add the pilot's entries, which replace shipped ones of the same name.

    A shipped entry that a damaged part of the pilot's file may replace is left out: the pilot's may be stricter.

    Parameters
    ----------
    shipped : str
        Name of the file in the package's data.
    own_file : Path or None
        The pilot's file; an absent file adds nothing.
    parse_one : callable
        As in `read_table`.
    """
    place = f"the shipped {shipped}"
    document = _read_shipped(shipped)
    own: OwnTable[Parsed] = OwnTable({}) if own_file is None else read_table(own_file, parse_one)
    kept = {
        n: parse_one(n, entry, place) for n, entry in document.items() if not any(p.may_be(n) for p in own.set_aside)
    }
    return OwnTable({**kept, **own}, own.set_aside)


@cache
def _read_shipped(shipped: str) -> dict[str, Any]:
    """Read a table that the package ships, once per process; callers must not change it."""
    return parse_toml((files("wxfly") / "data" / shipped).read_text(encoding="utf-8"), f"the shipped {shipped}")


# --- parts -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Part:
    """The lines below one name in brackets, with their numbers; above the first such name it is empty."""

    name: str
    is_guess: bool
    lines: tuple[bytes, ...]
    numbers: tuple[int, ...]


def _parts(content: bytes) -> list[_Part]:
    """Split a file at the names in brackets, and join the lines below the same name."""
    found: dict[tuple[str, bool], tuple[list[bytes], list[int]]] = {}
    key = ("", False)
    for number, line in enumerate(content.split(b"\n"), start=1):
        words = line.decode("utf-8", errors="replace")
        if _HEADER.match(plain(words.replace("\ufffd", ""))):
            key = _name_of(words)
        lines, numbers = found.setdefault(key, ([], []))
        lines.append(line)
        numbers.append(number)
    return [_Part(*key, tuple(lines), tuple(numbers)) for key, (lines, numbers) in found.items()]


def _line_of(name: str, parts: Sequence[_Part]) -> int:
    """Return the line where an entry begins: a table, or a key above the tables."""
    key = re.compile(r"\s*[\"']?" + re.escape(name) + r"[\"']?\s*[.=]")
    for part in parts:
        if part.name == name:
            return part.numbers[0]
        if not part.name:
            for line, number in zip(part.lines, part.numbers, strict=True):
                if key.match(line.decode("utf-8", errors="replace")):
                    return number
    return 1


def _name_of(line: str) -> tuple[str, bool]:
    """Return the first name of a line in brackets, and whether it is a guess because the line is damaged."""
    try:
        return next(iter(tomllib.loads(line))), False
    except (ValueError, RecursionError, StopIteration):
        return _guess(line), True


def _guess(line: str) -> str:
    match = _NAME_IN_DAMAGE.match(plain(line[:1000].replace("\ufffd", "")))
    return plain(match[1] if match else "").strip("\"' .")[:LONGEST_NAME]


def _whole_or_parts(content: bytes, parts: Sequence[_Part], path: Path) -> tuple[dict[str, Any], list[OwnPart]]:
    try:
        return parse_toml(content.decode("utf-8-sig"), str(path)), []
    except (UnicodeDecodeError, WxflyError):
        pass
    document: dict[str, Any] = {}
    set_aside = []
    for part in _single_lines(parts):
        try:
            found = parse_toml(b"\n".join(part.lines).decode(), str(path))
            twice = next((name for name in found if name in document), None)
            if twice is not None:
                del document[twice]
                raise WxflyError(f"{path}: [{twice}] is there twice; take one of them out")
            document |= found
        except UnicodeDecodeError:
            set_aside.append(_damaged(part, path, "not a text in UTF-8"))
        except WxflyError as fault:
            set_aside.append(_damaged(part, path, str(fault)))
    return document, set_aside


def _single_lines(parts: Iterable[_Part]) -> Iterable[_Part]:
    """Split the keys above the first name into single lines, where they cannot be read together."""
    for part in parts:
        if part.name or part.is_guess or _can_be_read(part):
            yield part
            continue
        for line, number in zip(part.lines, part.numbers, strict=True):
            if line.strip():
                guess = _guess(line.decode("utf-8", errors="replace"))
                yield _Part(guess, True, (line,), (number,))


def _can_be_read(part: _Part) -> bool:
    try:
        parse_toml(b"\n".join(part.lines).decode(), "")
    except (UnicodeDecodeError, WxflyError):
        return False
    return True


def _damaged(part: _Part, path: Path, fault: str) -> OwnPart:
    at = _AT_LINE.search(fault)
    number = int(at[1]) if at and at[1] else 1
    line = part.numbers[min(number, len(part.numbers)) - 1]
    words = _AT_LINE.sub("", _without_place(fault, path))
    text = b"\n".join(part.lines).decode("utf-8", errors="replace")
    return OwnPart(path, line, words, part.name, part.is_guess, text)


def _without_place(fault: str, path: Path) -> str:
    """Remove the file name and the advice to mend it, which are reported separately."""
    return fault.removeprefix(f"{path}: ").removesuffix("; mend or remove it")


def _without_unseen(entry: Any) -> Any:
    """Remove invisible characters from every name and text."""
    if isinstance(entry, dict):
        return {plain(key): _without_unseen(value) for key, value in entry.items()}
    if isinstance(entry, list):
        return [_without_unseen(value) for value in entry]
    return plain(entry) if isinstance(entry, str) else entry
