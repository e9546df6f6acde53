"""The pilot's tables, read entry by entry: an unreadable one is reported, stays in the file and affects no other.

A file that is not valid TOML is read part by part; a part is the text below one name in brackets. Nothing is ever
written here: a part set aside stays in the file until the pilot mends it.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Generic, TypeVar

from wxfly.errors import WxflyError, unknown_name
from wxfly.pilot.own_files import SetAside, parse_toml, plain, read_bytes_if_there

Parsed = TypeVar("Parsed")

_ALIKE = 0.6
"""Similarity above which a damaged name may be the requested one: our estimate."""
_LONGEST_NAME = 100
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
                raise WxflyError(f"{path}: [{name}] is there twice")
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
    return plain(match[1] if match else "").strip("\"' .")[:_LONGEST_NAME]


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
                raise WxflyError(f"{path}: [{twice}] is there twice")
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
