"""The view of an answer in a notebook: what must be known first, the summary, the windows, where it is from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from wxfly.answer.request import Briefing
from wxfly.report.facts.words import CAUTIONS, FAR_AHEAD
from wxfly.report.pages.markup import escape
from wxfly.report.text import sentences, summary, tables


def to_html(briefing: Briefing, *, units: str, time_zone: str | None) -> str:
    """Return a briefing as a piece of HTML: text and tables alone, no script and no style of its own.

    Parameters
    ----------
    briefing : Briefing
        What was answered.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    time_zone : str or None
        IANA zone of the reader; None shows each site on its own clock.
    """
    return f"<div>\n{''.join(_parts(briefing, units, time_zone))}</div>\n"


def _parts(briefing: Briefing, units: str, time_zone: str | None) -> Iterable[str]:
    readers = [sentences.reader_for(answer, units=units, time_zone=time_zone) for answer in briefing.answers]
    names = sentences.labels(briefing, units)
    for note in sentences.first_notes(briefing):
        yield f"<p><strong>{escape(note)}</strong></p>\n"
    lines = [*summary.not_known_lines(briefing, names), *summary.summarise(briefing, units=units, time_zone=time_zone)]
    yield "<dl>\n"
    yield from (f"<dt>{escape(label)}</dt><dd>{escape(text)}</dd>\n" for label, text in lines)
    yield "</dl>\n"
    if briefing.question == "week":
        yield _table(*tables.week_table(briefing, briefing.answers[0], readers[0]))
    elif briefing.question == "compare" and briefing.compared:
        yield _table(*tables.turns_table(briefing, readers, names))
    closing = [*sentences.origin(briefing, readers[0].clock), *CAUTIONS]
    if briefing.question == "week":
        closing.append(FAR_AHEAD)
    yield from (f"<p><small>{escape(line)}</small></p>\n" for line in closing)


def _table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    head = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in header)
    body = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>\n" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead>\n<tbody>\n{body}</tbody></table>\n"
