"""Text put into a page: escaped, clean, with names that are written from the right kept to themselves."""

from __future__ import annotations

import html

from wxfly.report.text.console import FIRST_STRONG_ISOLATE, POP_ISOLATE, joined_units, outgoing

GENERATOR = '<meta name="generator" content="wxfly">'
"""In the head of every page that wxfly writes."""


def escape(text: str) -> str:
    """Return text for the body of a page; no number parts from its unit, no span of time at its dash."""
    escaped = attribute(joined_units(text)).replace("\N{EN DASH}", "\N{EN DASH}&NoBreak;")
    return escaped.replace(FIRST_STRONG_ISOLATE, "<bdi>").replace(POP_ISOLATE, "</bdi>")


def attribute(text: str) -> str:
    """Return text for the title of a page or an attribute, where no elements may stand."""
    return html.escape(outgoing(text), quote=True)
