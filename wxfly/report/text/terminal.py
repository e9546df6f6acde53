"""The answer, or its one hour, for a terminal: plain text of a given width, aligned, readable without colour."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import TYPE_CHECKING

from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.values import CAUTION_IN_SHORT, CAUTIONS, FAR_AHEAD
from wxfly.report.facts.verdict import names_of
from wxfly.report.text import details, tables
from wxfly.report.text.console import columns, isolated, pad, shown, wrap

if TYPE_CHECKING:
    from wxfly.report.command_facts.one_hour import OneHourFacts

_LABEL = 11
_NARROWEST = 24
_BELOW = "    "


def render(facts: AnswerFacts, *, width: int, more: bool = False) -> str:
    """Write an answer as text.

    Parameters
    ----------
    facts : AnswerFacts
        The answer, in the units and the zone of its words.
    width : int
        Columns of the terminal.
    more : bool, optional
        Whether everything known is printed, not only the verdict.

    Returns
    -------
    str
        Lines joined by newlines, none longer than `width` where words allow.
    """
    first, lines = details.verdict_with_names(facts)
    blocks = [[*_wrap(first, width), *_lines(lines, width)]]
    if more:
        blocks += _more(facts, width)
    else:
        closing = [details.origin_in_short(facts), f"{CAUTION_IN_SHORT} [--more]"]
        blocks.append([line for text in closing for line in _wrap(text, width)])
    return "\n\n".join("\n".join(block) for block in blocks if block)


def _more(facts: AnswerFacts, width: int) -> list[list[str]]:
    """Return the blocks that only `--more` shows."""
    readers = details.readers_of(facts)
    names = names_of(facts.sites, facts.display_units)
    blocks = [[line for note in details.first_notes(facts) for line in _wrap(note, width)]]
    for position, name in enumerate(names):
        lines = _lines(details.detail_lines(facts, position), width)
        blocks.append([*_wrap(isolated(name), width), *lines] if len(names) > 1 else lines)
    site, reader = facts.sites[0], readers[0]
    if facts.kind == "week":
        blocks.append(_table(*tables.week_table(site, reader), width))
    elif facts.kind in ("best", "now"):
        blocks.append(_table(*tables.hours_table(site, reader, site.period.start, site.period.end), width))
    elif facts.comparison is None or not facts.comparison.start:
        blocks.append(["The sites have no hour in common."])
    else:
        blocks.append(_table(*tables.turns_table(facts), width))
        header, rows = tables.sites_table(facts)
        blocks.append(_table(["\n".join(wrap(name, 16)) for name in header], rows, width))
    closing = [*details.origin(facts, reader.clock), *CAUTIONS, *([FAR_AHEAD] if facts.kind == "week" else [])]
    return [*blocks, [line for text in closing for line in _wrap(text, width)]]


def render_hour(facts: OneHourFacts, *, width: int, more: bool = False) -> str:
    """Write one hour as text: a paragraph with the verdict first.

    Parameters
    ----------
    facts : OneHourFacts
        What to tell.
    width : int
        Columns of the terminal.
    more : bool, optional
        Whether every element is listed, not only those that matter.
    """
    blocks = [_wrap(" ".join([facts.first_line, *facts.sentences]), width)]
    notes = details.first_notes(facts.answer)
    if notes:
        blocks.append([line for note in notes for line in _wrap(note, width)])
    if more:
        blocks.append([line for one in facts.elements for line in _wrap(one.words, width, rest="  ")])
    closing = [details.origin_in_short(facts.answer), *(CAUTIONS if more else (f"{CAUTION_IN_SHORT} [--more]",))]
    blocks.append([line for text in closing for line in _wrap(text, width)])
    return "\n\n".join("\n".join(block) for block in blocks)


# --- columns ---------------------------------------------------------------------------------------------------


def _wrap(text: str, width: int, *, first: str = "", rest: str = "") -> list[str]:
    return wrap(text, max(width, _NARROWEST), first=first, rest=rest)


def _lines(lines: Sequence[tuple[str, str]], width: int) -> list[str]:
    """Write lines with their labels beside them; a label that is too long stands before its text."""
    written = []
    for label, text in lines:
        first = pad(shown(label), _LABEL)
        written += _wrap(text, width, first=first if first.endswith(" ") else f"{first}: ", rest=" " * _LABEL)
    return written


def _table(header: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> list[str]:
    """Align columns; the last one is wrapped within the width, below the others where there is no room beside them.

    A heading may have several lines.
    """
    heading = list(itertools.zip_longest(*(cell.split("\n") for cell in header), fillvalue=""))
    everything = [[shown(cell) for cell in row] for row in (*heading, *rows)]
    widths = [max(columns(row[i]) for row in everything) for i in range(len(header) - 1)]
    indent = sum(widths) + 2 * len(widths)
    longest = max(columns(row[-1]) for row in everything)
    written = []
    for row in everything:
        left = "  ".join(pad(cell, w) for cell, w in zip(row[:-1], widths, strict=True)) + "  "
        if width - indent >= min(_NARROWEST, longest):
            parts = wrap(row[-1], width - indent)
            written += [(left + parts[0]).rstrip(), *(" " * indent + part for part in parts[1:])]
        else:
            written.append(left.rstrip())
            written += _wrap(row[-1], width, first=_BELOW, rest=_BELOW) if row[-1] else []
    return written
