"""The answer for a terminal: plain text of a given width, aligned, readable without colour."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from wxfly.answer.request import Briefing
from wxfly.report.facts.values import CAUTIONS, FAR_AHEAD
from wxfly.report.text import sentences, summary, tables
from wxfly.report.text.console import columns, pad, shown, wrap

_LABEL = 11
_NARROWEST = 24
_BELOW = "    "


def render(briefing: Briefing, *, units: str, time_zone: str | None, width: int) -> str:
    """Write a briefing as text.

    Parameters
    ----------
    briefing : Briefing
        What to tell.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    time_zone : str or None
        IANA zone of the reader; None shows each site on its own clock.
    width : int
        Columns of the terminal.

    Returns
    -------
    str
        Lines joined by newlines, none longer than `width` where words allow.
    """
    readers = [sentences.reader_for(a, units=units, time_zone=time_zone) for a in briefing.answers]
    names = sentences.labels(briefing, units)
    blocks = [
        [line for note in sentences.first_notes(briefing) for line in _wrap(note, width)],
        _lines(summary.not_known_lines(briefing, names), width),
        _lines(summary.summarise(briefing, units=units, time_zone=time_zone), width),
    ]
    if briefing.question == "compare":
        if briefing.compared:
            blocks.append(_table(*tables.turns_table(briefing, readers, names), width))
            header, rows = tables.sites_table(briefing, readers, names)
            blocks.append(_table(["\n".join(wrap(name, 16)) for name in header], rows, width))
        else:
            blocks.append(["The sites have no hour in common."])
    for answer, reader in zip(briefing.answers, readers, strict=True):
        if briefing.question == "week":
            blocks.append(_table(*tables.week_table(briefing, answer, reader), width))
        elif briefing.question == "best":
            blocks.append(_table(*tables.hours_table(answer, reader, answer.start, answer.end), width))
    closing = [*sentences.origin(briefing, readers[0].clock), *CAUTIONS]
    if briefing.question == "week":
        closing.append(FAR_AHEAD)
    blocks.append([line for text in closing for line in _wrap(text, width)])
    return "\n\n".join("\n".join(block) for block in blocks if block)


# --- columns ---------------------------------------------------------------------------------------------------


def _wrap(text: str, width: int, *, first: str = "", rest: str = "") -> list[str]:
    return wrap(text, max(width, _NARROWEST), first=first, rest=rest)


def _lines(lines: Sequence[tuple[str, str]], width: int) -> list[str]:
    written = []
    for label, text in lines:
        written += _wrap(text, width, first=pad(label, _LABEL), rest=" " * _LABEL)
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
