"""What every page of wxfly has: its head with the policy that allows nothing from outside, escaping, and tables."""

from __future__ import annotations

import base64
import hashlib
import html
from collections.abc import Callable, Iterable, Sequence
from importlib.resources import files

from wxfly.report.text.console import FIRST_STRONG_ISOLATE, POP_ISOLATE, joined_units, outgoing

GENERATOR = '<meta name="generator" content="wxfly">'
"""In the head of every page that wxfly writes."""

# Plotly adds an empty style element and fills it by script: the hash of nothing.
_EMPTY_STYLE = b""
# The style alone follows the box: it needs no script.
_SUNLIGHT = (
    '<p class="sunlight"><label><input type="checkbox" id="sunlight"> More contrast, for bright sun</label></p>\n'
)


def document(title: str, body: Iterable[str], *, style: str, scripts: Sequence[bytes] = (), tail: str = "") -> str:
    """Return a whole page.

    Parameters
    ----------
    title : str
        Not yet escaped.
    body : iterable of str
        Its content.
    style : str
        What follows the styles of all pages.
    scripts : sequence of bytes
        The scripts that the policy allows; without one no script runs.
    tail : str, optional
        What stands behind the content.
    """
    written = resource("shell.css").decode() + style
    policy = f"default-src 'none'; style-src {_hash(written.encode())}"
    if scripts:
        allowed = " ".join(map(_hash, scripts))
        policy = f"default-src 'none'; script-src {allowed}; style-src {_hash(written.encode())} {_hash(_EMPTY_STYLE)};"
        policy += " img-src data:"
    return (
        f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n{GENERATOR}\n'
        f"<meta http-equiv=\"Content-Security-Policy\" content=\"{policy}; base-uri 'none'; form-action 'none'\">\n"
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{attribute(title)}</title>\n<style>{written}</style>\n</head>\n<body>\n{''.join(body)}{tail}"
        "</body>\n</html>\n"
    )


def resource(name: str) -> bytes:
    """Read a file that lies beside the pages."""
    return (files("wxfly") / "report" / "pages" / name).read_bytes()


def _hash(content: bytes) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(content).digest()).decode()}'"


def escape(text: str) -> str:
    """Return text for the body of a page; no number parts from its unit, no span of time at its dash."""
    escaped = attribute(joined_units(text)).replace("\N{EN DASH}", "\N{EN DASH}&NoBreak;")
    return escaped.replace(FIRST_STRONG_ISOLATE, "<bdi>").replace(POP_ISOLATE, "</bdi>")


def attribute(text: str) -> str:
    """Return text for the title of a page or an attribute, where no elements may stand."""
    return html.escape(outgoing(text), quote=True)


def header(title: str, notices: Iterable[str]) -> str:
    """Return the heading of a page and what must be read first."""
    words = "".join(f'<p class="notice">{escape(notice)}</p>\n' for notice in notices)
    return f"<header>\n<h1>{escape(title)}</h1>\n{words}{_SUNLIGHT}</header>\n"


def lines(labelled: Iterable[tuple[str, str]]) -> str:
    """Return labelled lines."""
    words = "".join(f"<dt>{escape(label)}</dt><dd>{escape(text)}</dd>\n" for label, text in labelled)
    return f"<dl>\n{words}</dl>\n"


def table(
    header: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    caption: str,
    around: Callable[[str, str], str] = lambda column, cell: "",
) -> str:
    """Return a table; `around` gives the attributes of a cell by its column and text."""
    # The roles stay when a narrow page lays rows out as blocks.
    head = "".join(f'<th scope="col" role="columnheader">{escape(cell)}</th>' for cell in header)
    body = "".join(
        '<tr role="row">'
        + "".join(
            f'<th scope="row" role="rowheader"{around(column, cell)}>{escape(cell)}</th>'
            if i == 0 and cell
            else f'<td role="cell"{around(column, cell)}>{escape(cell)}</td>'
            for i, (column, cell) in enumerate(zip(header, row, strict=True))
        )
        + "</tr>\n"
        for row in rows
    )
    return (
        f'<table role="table"><caption>{escape(caption)}</caption><thead role="rowgroup"><tr role="row">{head}</tr>'
        f'</thead>\n<tbody role="rowgroup">\n{body}</tbody></table>\n'
    )


def folded_table(
    header: Sequence[str], rows: Sequence[Sequence[str]], *, caption: str, around: Callable[[str, str], str]
) -> str:
    """Return a table that is folded below its caption."""
    written = table(header, rows, caption=caption, around=around)
    return f'<details class="table"><summary>{escape(caption)}</summary>\n{written}</details>\n'


def swatches(classes: Iterable[tuple[str, str]]) -> str:
    """Return the legend of classes, each with its words."""
    entries = "".join(
        f'<li><span class="swatch {shade}" aria-hidden="true"></span>{html.escape(words)}</li>'
        for shade, words in classes
    )
    return f'<ul class="legend">{entries}</ul>\n'


def footer(title: str, closing: Iterable[str], cautions: Iterable[str], write: Callable[[str], str] = escape) -> str:
    """Return the end of a page: what to mind first and largest, then where it is from, as `write` writes it."""
    minded = "".join(f"<p><strong>{escape(line)}</strong></p>\n" for line in cautions)
    words = "".join(f'<p class="origin">{write(line)}</p>\n' for line in closing)
    return f"<footer>\n<h2>{escape(title)}</h2>\n{minded}{words}</footer>\n"


def linked(line: str) -> str:
    """Escape a line and make links of the https addresses in it."""
    parts = []
    for word in line.split(" "):
        start = word.find("https://")
        if start < 0:
            parts.append(escape(word))
            continue
        end = len(word.rstrip(").,;"))
        address = attribute(word[start:end])
        parts.append(f'{escape(word[:start])}<a href="{address}" rel="noreferrer">{address}</a>{escape(word[end:])}')
    return " ".join(parts)
