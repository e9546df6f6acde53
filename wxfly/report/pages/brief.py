"""The flight brief as one HTML page without script: to print, or to keep on a phone and open without a network."""

from __future__ import annotations

from collections.abc import Iterable

from wxfly.report.charts.reach import reach_map
from wxfly.report.command_facts.brief import BriefFacts
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.pages import shell
from wxfly.report.pages.shell import escape
from wxfly.report.text.brief import Block, BriefWords


def to_html(words: BriefWords, facts: BriefFacts | AnswerFacts) -> str:
    """Write a flight brief as one self-contained page.

    Parameters
    ----------
    words : BriefWords
        What it says.
    facts : BriefFacts or AnswerFacts
        What its picture shows; an answer in which no window holds has none.
    """
    return shell.document(words.title, body_of(words, facts), style=shell.resource("brief.css").decode())


def body_of(words: BriefWords, facts: BriefFacts | AnswerFacts) -> Iterable[str]:
    """Yield the parts of the body, escaped: its header, its content, its footer."""
    yield shell.header(words.verdict, words.first)
    yield "<main>\n"
    for block in words.blocks:
        yield f'<section class="{block.name}">\n<h2>{escape(block.title)}</h2>\n'
        if block.name == "reach" and isinstance(facts, BriefFacts):
            yield reach_map(facts)
        yield from _content(block)
        yield "</section>\n"
    yield "</main>\n"
    yield shell.footer("Mind", words.closing, words.cautions)


def _content(block: Block) -> Iterable[str]:
    if block.table is not None:
        yield shell.table(*block.table, caption=block.note or block.title)
    if block.lines:
        yield shell.lines(block.lines)
    if block.points:
        yield f"<ul>\n{''.join(f'<li>{escape(point)}</li>' for point in block.points)}</ul>\n"
    if block.note and block.table is None:
        yield f'<p class="key">{escape(block.note)}</p>\n'
