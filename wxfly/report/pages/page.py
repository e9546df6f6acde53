"""The timeline page: one HTML file that opens from disk, without a network, on a desk and on a phone.

The chart library comes from the installed plotly package, compressed into the page; the page's own policy allows
exactly the scripts and styles in it, by their hashes, and no address at all. All values stand in tables as well.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import html
import importlib.util
import json
from collections.abc import Iterable, Sequence
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from wxfly.answer import findings
from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.errors import WxflyError
from wxfly.report.charts import chance_shades, overview, shades
from wxfly.report.charts.heights import sections
from wxfly.report.charts.hours import Figure
from wxfly.report.charts.timeline import hours_shown, timelines
from wxfly.report.facts.answer import AnswerFacts, facts_of
from wxfly.report.facts.site import SiteAnswerFacts
from wxfly.report.facts.values import CAUTIONS, FAR_AHEAD, listed, moment_of
from wxfly.report.text import chances, details, sentences, tables
from wxfly.report.text.console import FIRST_STRONG_ISOLATE, POP_ISOLATE, joined_units, outgoing
from wxfly.report.text.sentences import Reader


def _swatches(classes: Iterable[tuple[str, str]]) -> str:
    entries = "".join(
        f'<li><span class="swatch {shade}" aria-hidden="true"></span>{html.escape(words)}</li>'
        for shade, words in classes
    )
    return f'<ul class="legend">{entries}</ul>\n'


def of_chance(answer: SiteAnswer) -> str:
    """Return the legend of cells that tell a chance."""
    whose = html.escape(chances.whose(answer))
    return (
        f'{_swatches(chance_shades.legend())}<p class="reading">A number is the <i>chance</i> that every limit holds in'
        f" that hour, in tenths ({whose}); the word is the element that decides. A black frame is a window, in which"
        " the one forecast holds. Point at a cell or touch it for the margin too.</p>\n"
    )


def of_margin(reserve: float) -> str:
    """Return the legend of cells that tell a margin."""
    return (
        f'{_swatches(shades.legend(reserve))}<p class="reading">A number is the margin: the share of the limit that is'
        " left. A black frame is a window. Point at a cell or touch it for value, limit and margin.</p>\n"
    )


GENERATOR = '<meta name="generator" content="wxfly">'
"""In the head of every page that wxfly writes."""


def escape(text: str) -> str:
    """Return text for the body of a page; no number parts from its unit, no span of time at its dash."""
    escaped = attribute(joined_units(text)).replace("\N{EN DASH}", "\N{EN DASH}&NoBreak;")
    return escaped.replace(FIRST_STRONG_ISOLATE, "<bdi>").replace(POP_ISOLATE, "</bdi>")


def attribute(text: str) -> str:
    """Return text for the title of a page or an attribute, where no elements may stand."""
    return html.escape(outgoing(text), quote=True)


# Levels of gzip: the library is large and packs in a tenth of a second to within half a per cent of the smallest;
# the charts are small, and sixteen days of them must leave the page below its limit.
_LIBRARY_LEVEL, _CHARTS_LEVEL = 6, 9
# Plotly adds an empty style element and fills it by script: the hash of nothing.
_EMPTY_STYLE = "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"

# Columns whose cells say little without their heading, and columns of times whose heading gives the zone.
_TOLD_WHEN_NARROW = ("rank", "margin", "window", "better")
_TIMES = ("hour", "hours", "window")

Charts = dict[str, dict[str, Figure]]


def to_html(briefing: Briefing, *, units: str, time_zone: str | None) -> str:
    """Write a briefing as one self-contained page.

    Parameters
    ----------
    briefing : Briefing
        What to tell.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    time_zone : str or None
        IANA zone of the reader; None shows each site on its own clock.

    Returns
    -------
    str
        The page.

    Raises
    ------
    WxflyError
        When the installed plotly package has no script.
    """
    readers = [sentences.reader_for(a, units=units, time_zone=time_zone) for a in briefing.answers]
    names = sentences.labels(briefing, units)
    charts: Charts = {}
    body = "".join(_body(briefing, readers, names, charts))
    library = _library()
    style, loader = _resource("page.css") + shades.style().encode(), _resource("page.js")
    policy = (
        f"default-src 'none'; script-src {_hash(loader)} {_hash(library)}; style-src {_hash(style)} {_EMPTY_STYLE};"
        " img-src data:; base-uri 'none'; form-action 'none'"
    )
    return (
        f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n{GENERATOR}\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{attribute(_title(briefing, names))}</title>\n<style>{style.decode()}</style>\n</head>\n<body>\n{body}"
        f'<script type="application/octet-stream" id="charts">{_packed(_json(charts), _CHARTS_LEVEL)}</script>\n'
        f'<script type="application/octet-stream" id="library">{_packed_library(library)}</script>\n'
        f"<script>{loader.decode()}</script>\n</body>\n</html>\n"
    )


def _body(briefing: Briefing, readers: Sequence[Reader], names: Sequence[str], charts: Charts) -> Iterable[str]:
    one_zone = readers[0].clock.name if len({r.clock.name for r in readers}) == 1 else None
    facts = facts_of(briefing, units=readers[0].units, time_zone=one_zone)
    yield f"<header>\n<h1>{escape(_title(briefing, names))}</h1>\n"
    for notice in details.first_notes(facts):
        yield f'<p class="notice">{escape(notice)}</p>\n'
    for told in facts.verdict.lines:
        if told.about == "not known":
            yield f'<p class="notice">Not known: {escape(told.words)}</p>\n'
    yield "</header>\n<main>\n"
    yield f"<section>\n<h2>The answer</h2>\n<p>{escape(facts.verdict.first_line)}</p>\n<dl>\n"
    for told in facts.verdict.lines:
        yield f"<dt>{escape(told.label)}</dt><dd>{escape(told.words)}</dd>\n"
    yield "</dl>\n<details>\n<summary>More</summary>\n"
    for position, name in enumerate(names):
        yield f"<h3>{escape(name)}</h3>\n<dl>\n"
        for label, text in details.detail_lines(facts, position):
            yield f"<dt>{escape(label)}</dt><dd>{escape(text)}</dd>\n"
        yield "</dl>\n"
    yield "</details>\n</section>\n"
    if briefing.question == "compare":
        yield from _comparison(briefing, facts, readers, names, charts)
    elif briefing.question == "week":
        for answer, site, reader in zip(briefing.answers, facts.sites, readers, strict=True):
            yield from _week(answer, site, reader, charts)
    else:
        for answer, site, reader in zip(briefing.answers, facts.sites, readers, strict=True):
            yield "<section>\n<h2>Hour by hour</h2>\n"
            yield from _place(answer, site, reader, charts, "the hours", answer.start, answer.end, legend=True)
            yield "</section>\n"
    yield "</main>\n<footer>\n<h2>Where this is from, and what to mind</h2>\n"
    for line in sentences.origin(briefing, readers[0].clock):
        yield f"<p>{_linked(line)}</p>\n"
    cautions = [*CAUTIONS, FAR_AHEAD] if briefing.question == "week" else CAUTIONS
    for line in cautions:
        yield f"<p><strong>{escape(line)}</strong></p>\n"
    yield "</footer>\n"


def _title(briefing: Briefing, names: Sequence[str]) -> str:
    if briefing.question == "compare":
        return listed(names)
    answer = briefing.answers[0]
    clock = sentences.reader_for(answer, units="metric", time_zone=None).clock
    days = [sentences.day_name(day.date) for day in findings.days_of(answer, clock)]
    return f"{names[0]}, {'no time' if not days else days[0] if len(days) == 1 else f'from {days[0]} to {days[-1]}'}"


def _members(answer: SiteAnswer) -> str:
    """Say what the band is, where there is one."""
    if answer.sureness is None or answer.sureness.band is None:
        return ""
    return " Shaded: the gusts of eight of ten members; thin lines: the lowest and the highest member."


def _place(
    answer: SiteAnswer,
    site: SiteAnswerFacts,
    reader: Reader,
    charts: Charts,
    what: str,
    start: np.datetime64,
    end: np.datetime64,
    *,
    span: tuple[int, int] | None = None,
    legend: bool = False,
) -> Iterable[str]:
    """Return chart, legend and table of one place between two moments."""
    first, last = span or hours_shown(answer, start, end)
    yield _chart(charts, f"Wind, gust and margins of {what}", timelines(answer, reader, first, last))
    yield (
        '<p class="reading">Above: wind (dotted) and gust (solid) at flight height for each hour, against their limits;'
        " arrows fly with the wind; grey is night, pale grey twilight. <i>Chance</i>: that every limit holds."
        f"{_members(answer)} Below: the margin of each element.</p>\n"
    )
    if legend:
        yield of_margin(answer.request.limits.reserve)
    yield _chart(charts, f"Usable height of {what}", sections(answer, reader, first, last))
    yield (
        '<p class="reading">How high: the share that wind, gust or wind difference takes of its limit at each height,'
        " in the same shades. The black line is the usable height, up to which everything holds from the ground on;"
        " the dashed one is the flight height.</p>\n"
    )
    yield _table(*tables.hours_table(site, reader, moment_of(start), moment_of(end)), caption=f"Table of {what}")


def _week(answer: SiteAnswer, site: SiteAnswerFacts, reader: Reader, charts: Charts) -> Iterable[str]:
    yield "<section>\n<h2>The days</h2>\n"
    shapes = {shape: overview.week_overview(answer, reader, tall=shape == "tall") for shape in ("wide", "tall")}
    if chance_shades.is_told(answer):
        yield _chart(charts, "Chance of every hour, day by day", shapes)
        yield of_chance(answer)
    else:
        yield _chart(charts, "Margin of every hour, day by day", shapes)
        yield of_margin(answer.request.limits.reserve)
    yield _table(*tables.week_table(site, reader), caption="Table of the days")
    yield "</section>\n<section>\n<h2>Each day</h2>\n"
    best = reader.clock.date(answer.best.start) if answer.best else None
    for day in findings.days_of(answer, reader.clock):
        name = sentences.day_name(day.date)
        told = ", ".join(reader.clock.span(w.start, w.end) for _, w in day.windows) or "no window"
        yield f"<details{' open' if day.date == best else ''}>\n<summary><h3>{name}: {told}</h3></summary>\n"
        yield from _place(answer, site, reader, charts, name, day.start, day.end)
        yield "</details>\n"
    yield "</section>\n"


def _comparison(
    briefing: Briefing, facts: AnswerFacts, readers: Sequence[Reader], names: Sequence[str], charts: Charts
) -> Iterable[str]:
    if not briefing.compared:
        yield "<p>The sites have no hour in common.</p>\n"
        return
    yield "<section>\n<h2>Who is better, and when</h2>\n"
    shapes = {
        shape: overview.sites_overview(briefing, readers, names, tall=shape == "tall") for shape in ("wide", "tall")
    }
    yield _chart(charts, "Margin of every hour, site by site", shapes)
    yield of_margin(briefing.answers[0].request.limits.reserve)
    yield _table(*tables.turns_table(facts), caption="Table of who is better, and why")
    yield "</section>\n"
    shown = [hours_shown(a, a.start, a.end) for a in briefing.answers]
    span = (min(first for first, _ in shown), max(last for _, last in shown))
    for answer, site, reader, name in zip(briefing.answers, facts.sites, readers, names, strict=True):
        yield f"<section>\n<h2>{escape(name)}</h2>\n"
        yield from _place(answer, site, reader, charts, name, answer.start, answer.end, span=span)
        yield "</section>\n"


def _chart(charts: Charts, title: str, shapes: dict[str, Figure]) -> str:
    key = f"chart{len(charts)}"
    charts[key] = {"wide": shapes["wide"], "tall": _without_what_is_shared(shapes)}
    return (
        f'<div class="chart" id="{key}" role="img"'
        f' aria-label="{attribute(title)}. The table below has the same values.">'
        "<p>The chart is drawn by script; the table below has the same values.</p></div>\n"
    )


def _without_what_is_shared(shapes: dict[str, Figure]) -> Figure:
    """Leave out of the tall figure what the script takes from the wide one: equal traces, and turned hover texts."""
    wide, tall = shapes["wide"]["data"], shapes["tall"]["data"]
    if wide == tall:
        return {"layout": shapes["tall"]["layout"]}
    traces = []
    for one, other in zip(tall, wide, strict=True):
        is_turned = one["type"] == "heatmap" and one["customdata"] == [
            list(column) for column in zip(*other["customdata"], strict=True)
        ]
        traces.append({k: v for k, v in one.items() if k != "customdata"} if is_turned else one)
    return {"data": traces, "layout": shapes["tall"]["layout"]}


def _table(header: Sequence[str], rows: Sequence[Sequence[str]], *, caption: str) -> str:
    # The roles stay when a narrow page lays rows out as blocks.
    head = "".join(f'<th scope="col" role="columnheader">{escape(cell)}</th>' for cell in header)
    body = "".join(
        '<tr role="row">'
        + "".join(
            _cell(column, cell, is_first=i == 0) for i, (column, cell) in enumerate(zip(header, row, strict=True))
        )
        + "</tr>\n"
        for row in rows
    )
    return (
        f'<details class="table"><summary>{escape(caption)}</summary>\n<table role="table"><caption>{escape(caption)}'
        f'</caption><thead role="rowgroup"><tr role="row">{head}</tr></thead>\n<tbody role="rowgroup">\n{body}</tbody>'
        "</table>\n</details>\n"
    )


def _cell(column: str, cell: str, *, is_first: bool) -> str:
    """Write a cell, with what a narrow page, which shows no header, puts around it."""
    first_word, _, zone = column.partition(" ")
    around = ""
    if cell.strip() and column in _TOLD_WHEN_NARROW:
        around = f' data-before="{attribute(column)}"'
    elif cell.strip() and zone and first_word in _TIMES and cell[-1].isdigit():
        around = f' data-after="{attribute(zone)}"'
    if is_first and cell:
        return f'<th scope="row" role="rowheader"{around}>{escape(cell)}</th>'
    return f'<td role="cell"{around}>{escape(cell)}</td>'


# --- putting things into the page ------------------------------------------------------------------------------


def _library() -> bytes:
    """Read plotly's script without importing plotly, which would take half a second."""
    found = importlib.util.find_spec("plotly")
    path = Path(found.origin).parent / "package_data" / "plotly.min.js" if found and found.origin else None
    if path is None or not path.is_file():
        raise WxflyError(
            "the plotly package has no plotly.min.js; install it again: pip install --force-reinstall plotly"
        )
    return path.read_bytes()


def _resource(name: str) -> bytes:
    return (files("wxfly") / "report" / "pages" / name).read_bytes()


def _hash(content: bytes) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(content).digest()).decode()}'"


def _packed(content: bytes, level: int) -> str:
    return base64.b64encode(gzip.compress(content, level, mtime=0)).decode()


@lru_cache(maxsize=1)
def _packed_library(library: bytes) -> str:
    """Pack the chart library, which is the same in every page of a process."""
    return _packed(library, _LIBRARY_LEVEL)


def _json(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def _linked(line: str) -> str:
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
