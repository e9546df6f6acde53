"""One hour as text: a paragraph with the verdict first."""

from __future__ import annotations

from wxfly.report.command_facts.one_hour import OneHourFacts
from wxfly.report.facts.values import CAUTION_IN_SHORT, CAUTIONS
from wxfly.report.text import details
from wxfly.report.text.console import wrap

_NARROWEST = 24


def render(facts: OneHourFacts, *, width: int, more: bool = False) -> str:
    """Write one hour as text.

    Parameters
    ----------
    facts : OneHourFacts
        What to tell.
    width : int
        Columns of the terminal.
    more : bool, optional
        Whether every element is listed, not only those that matter.
    """
    width = max(width, _NARROWEST)
    blocks = [wrap(" ".join([facts.first_line, *facts.sentences]), width)]
    notes = details.first_notes(facts.answer)
    if notes:
        blocks.append([line for note in notes for line in wrap(note, width)])
    if more:
        blocks.append([line for one in facts.elements for line in wrap(one.words, width, rest="  ")])
    closing = [details.origin_in_short(facts.answer), *(CAUTIONS if more else (f"{CAUTION_IN_SHORT} [--more]",))]
    blocks.append([line for text in closing for line in wrap(text, width)])
    return "\n\n".join("\n".join(block) for block in blocks)
