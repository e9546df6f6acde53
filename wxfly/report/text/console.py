"""Text on its way out: what may not leave, which way it reads, how wide it is, and what a console can show.

Names and words come from services, files and other people. Every door (terminal, log, page, calendar, table) passes
its text through here; nothing else in the package looks at single characters.
"""

from __future__ import annotations

import codecs
import contextlib
import json
import re
import textwrap
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from contextvars import ContextVar
from typing import Any

from wxfly.units import UNITS

FIRST_STRONG_ISOLATE = "\N{FIRST STRONG ISOLATE}"
POP_ISOLATE = "\N{POP DIRECTIONAL ISOLATE}"
NO_BREAK_SPACE = "\N{NO-BREAK SPACE}"
REPLACEMENT = "\N{REPLACEMENT CHARACTER}"

# Controls, format marks (the overrides and isolates of writing direction among them), lone surrogates, private use,
# separators of lines and paragraphs: Unicode Standard, section 4.5, General Category.
_NEVER = frozenset({"Cc", "Cf", "Cs", "Co", "Zl", "Zp"})
# Persian needs the one, a family of emoji the other; neither moves anything.
_ALL_THE_SAME = frozenset("\N{ZERO WIDTH NON-JOINER}\N{ZERO WIDTH JOINER}")


def _may_leave(character: str) -> bool:
    return unicodedata.category(character) not in _NEVER or character in _ALL_THE_SAME


class _Cleaned(dict[int, str]):
    """What leaves in place of each character, worked out when it is first met."""

    def __missing__(self, code: int) -> str:
        self[code] = chr(code) if _may_leave(chr(code)) else REPLACEMENT
        return self[code]


_CLEANED = _Cleaned(dict.fromkeys(map(ord, "\t\n\r"), " "))


def clean(text: str) -> str:
    """Return one line of text without anything that moves a cursor, starts a sequence or turns the direction."""
    return text if _is_plain(text) else text.translate(_CLEANED)


def _is_plain(text: str) -> bool:
    return text.isascii() and text.isprintable()


# --- direction -------------------------------------------------------------------------------------------------

# Blocks of scripts that are written from the right: Unicode Character Database, DerivedBidiClass, the ranges whose
# default is R or AL.
_FROM_RIGHT = "\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc\U00010800-\U00010fff\U0001e800-\U0001efff"
_IS_FROM_RIGHT = re.compile(f"[{_FROM_RIGHT}]")
# Words that follow each other; a comma or a bracket between them belongs to the English around them.
_WORDS_FROM_RIGHT = re.compile(f"[{_FROM_RIGHT}]+(?:[ '\"\\-.]+[{_FROM_RIGHT}]+)*")
_ISOLATE = re.compile(f"({FIRST_STRONG_ISOLATE}[^{FIRST_STRONG_ISOLATE}{POP_ISOLATE}\n]*{POP_ISOLATE})")


def isolated(name: str) -> str:
    """Return a name, clean; one in a script written from the right keeps its direction to itself.

    It is put between U+2068 and U+2069 (Unicode Standard Annex 9, section 2.4), so that the numbers and words after
    it stay where they are.
    """
    name = clean(name)
    return f"{FIRST_STRONG_ISOLATE}{name}{POP_ISOLATE}" if _IS_FROM_RIGHT.search(name) else name


def with_names_isolated(text: str, names: Iterable[str]) -> str:
    """Return a text in which each of the names is `isolated` as a whole, not word by word as `outgoing` would do."""
    longest_first = sorted((name for name in set(names) if isolated(name) != name), key=len, reverse=True)
    if not longest_first:
        return text
    return re.sub("|".join(map(re.escape, longest_first)), lambda name: isolated(name[0]), text)


def outgoing(text: str) -> str:
    """Return text of any lines as it may leave: clean, and what is written from the right isolated.

    What `isolated` made stays; a mark of direction that came from elsewhere does not. Done twice it changes nothing.
    """
    return text if _is_plain(text) else "\n".join(map(_outgoing_line, text.split("\n")))


def _outgoing_line(line: str) -> str:
    parts = _ISOLATE.split(line)
    parts[1::2] = [isolated(part[1:-1]) for part in parts[1::2]]
    parts[::2] = [_WORDS_FROM_RIGHT.sub(lambda words: isolated(words[0]), clean(part)) for part in parts[::2]]
    return "".join(parts)


def without_isolates(text: str) -> str:
    """Return text without the marks of `isolated`, for data that programs read."""
    return text.replace(FIRST_STRONG_ISOLATE, "").replace(POP_ISOLATE, "")


def as_json(document: Any) -> str:
    """Return a JSON text of which nothing is lost."""
    return escaped(json.dumps(document, ensure_ascii=False, allow_nan=False))


def escaped(text: str) -> str:
    """Return a JSON text in which what may not leave as it is stands by its number."""
    return re.sub(r"[^\n\x20-\x7e]", lambda c: c[0] if _may_leave(c[0]) else json.dumps(c[0])[1:-1], text)


# --- what a console can show -----------------------------------------------------------------------------------

READABLE = "wxfly.readable"
"""Name of the error handler that writes what an encoding lacks in letters that it has."""

_IN_ASCII = {
    "–": "-", "—": "-", "‐": "-", "‑": "-", "−": "-", "…": "...", "≥": ">=", "≤": "<=", "±": "+/-", "×": "x",
    "·": ".", "‘": "'", "’": "'", "“": '"', "”": '"', "→": "to", "←": "from", "↑": "up", "↓": "down", "µ": "u",
    "ß": "ss", "æ": "ae", "Æ": "AE", "ø": "o", "Ø": "O", "ł": "l", "Ł": "L", "đ": "d", "Đ": "D",
    FIRST_STRONG_ISOLATE: "", POP_ISOLATE: "",
}  # fmt: skip


def _in_ascii(text: str, at: int) -> str:
    """Return the character at a place in ASCII: a word or letter for it, its letter without marks, or its number."""
    character = text[at]
    if character == "°":
        return "deg" if text[at + 1 : at + 2] in ("C", "F") else " deg"
    if character in _IN_ASCII:
        return _IN_ASCII[character]
    letters = unicodedata.normalize("NFKD", character)
    letters = "".join(c for c in letters if not "\u0300" <= c <= "\u036f")
    return letters if letters.isascii() else character.encode("ascii", "backslashreplace").decode()


def _write_readably(fault: UnicodeError) -> tuple[str, int]:
    if not isinstance(fault, UnicodeEncodeError):
        raise fault
    return "".join(_in_ascii(fault.object, at) for at in range(fault.start, fault.end)), fault.end


codecs.register_error(READABLE, _write_readably)

_encoding: ContextVar[str] = ContextVar("encoding of the console", default="utf-8")


@contextlib.contextmanager
def showing(encoding: str) -> Iterator[None]:
    """Lay text out for a console of this encoding: what it lacks is put in other letters before it is measured."""
    token = _encoding.set(encoding)
    try:
        yield
    finally:
        _encoding.reset(token)


def readable(text: str, encoding: str | None = None) -> str:
    """Return text as a console of an encoding, by default that of `showing`, can show it."""
    if text.isascii():
        return text
    encoding = encoding or _encoding.get()
    return text.encode(encoding, READABLE).decode(encoding)


# --- lines and columns -----------------------------------------------------------------------------------------

# Latin letters and the punctuation of our own sentences take one column each: most answers do without the tables.
_ONE_COLUMN_EACH = re.compile(r"[\x20-\u02ff–…≥]*")

# A number stays with its unit.
_UNITS = {name for unit in UNITS.values() for name in (unit.symbol, unit.written) if name not in ("", "1")}
_UNIT = "|".join([*map(re.escape, sorted(_UNITS)), "deg", "d", "days?", "hours?", "kB", "MB"])
_UNBROKEN = f"{NO_BREAK_SPACE}in{NO_BREAK_SPACE}10"
_IN_TEN = re.compile(r"(?<=[0-9]) in 10\b")
_BEFORE_UNIT = re.compile(rf"(?<=[0-9]) (?=(?:{_UNIT})(?![\w/°]))")


def joined_units(text: str) -> str:
    """Return text with spaces that do not break between every number and its unit, and in a chance in ten."""
    return _BEFORE_UNIT.sub(NO_BREAK_SPACE, _IN_TEN.sub(_UNBROKEN, text))


def columns(text: str) -> int:
    """Return how many columns of a terminal a line takes."""
    if _ONE_COLUMN_EACH.fullmatch(text):
        return len(text)
    import wcwidth

    return int(wcwidth.width(text))


def pad(text: str, width: int) -> str:
    """Return a line filled up with spaces to so many columns."""
    return text + " " * max(0, width - columns(text))


def wrap(text: str, width: int, *, first: str = "", rest: str = "") -> list[str]:
    """Return a text as lines for the console, broken between words but never between a number and its unit.

    Parameters
    ----------
    text : str
        Of one paragraph.
    width : int
        Columns of a line; a longer word stays whole.
    first, rest : str, optional
        What the first line and the others begin with.
    """
    text = joined_units(readable(outgoing(text)))
    options: dict[str, Any] = {"break_long_words": False, "break_on_hyphens": False}
    options |= {"initial_indent": first, "subsequent_indent": rest}
    if _ONE_COLUMN_EACH.fullmatch(text + first + rest):
        lines = textwrap.wrap(text, width, **options)
    else:
        import wcwidth

        lines = wcwidth.wrap(text, width, **options, propagate_sgr=False)
    return _whole_isolates([line.replace(NO_BREAK_SPACE, " ") for line in lines], rest) or [first.rstrip()]


def wrapped(lines: Sequence[str], width: int) -> str:
    """Break lines for a terminal; what follows a break stands further in."""
    broken = []
    for line in lines:
        first = " " * (len(line) - len(line.lstrip()))
        broken += wrap(line.lstrip(), width, first=first, rest=f"    {first}")
    return "\n".join(broken)


def _whole_isolates(lines: list[str], rest: str) -> list[str]:
    """Close an isolated name at the end of a line and go on with it on the next: a line is read by itself."""
    is_open = False
    for i, line in enumerate(lines):
        if is_open:
            line = rest + FIRST_STRONG_ISOLATE + line.removeprefix(rest)
        is_open = line.count(FIRST_STRONG_ISOLATE) > line.count(POP_ISOLATE)
        lines[i] = line + POP_ISOLATE if is_open else line
    return lines


def shown(cell: str) -> str:
    """Return a cell of a table as the console shows it."""
    return readable(outgoing(cell.replace("\n", " ")) if POP_ISOLATE in cell else isolated(cell))


def aligned(rows: Sequence[Sequence[str]]) -> str:
    """Return rows as columns that stand below each other."""
    cells = [[shown(cell) for cell in row] for row in rows]
    widths = [max(map(columns, column)) for column in zip(*cells, strict=True)]
    return "\n".join("  ".join(map(pad, row, widths)).rstrip() for row in cells)
