"""The timeline page: one HTML file that opens from disk, without a network, on a desk and on a phone.

The chart library comes from the installed plotly package, compressed into the page; the page's own policy allows
exactly the scripts and styles in it, by their hashes, and no address at all. All values stand in tables as well.
"""

from __future__ import annotations

import base64
import gzip
import html
import importlib.util
import json
from collections.abc import Iterable, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from wxfly.errors import WxflyError
from wxfly.report.charts import overview, shades
from wxfly.report.charts.heights import sections
from wxfly.report.charts.hours import hours_shown
from wxfly.report.charts.shades import Figure
from wxfly.report.charts.timeline import timelines
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.hours import DayFacts
from wxfly.report.facts.site import window_of_verdict
from wxfly.report.facts.timeline import TimelineFacts
from wxfly.report.facts.values import FAR_AHEAD, Period, listed
from wxfly.report.facts.verdict import names_of, windows_of
from wxfly.report.facts.words import Reader, day_name
from wxfly.report.pages import shell
from wxfly.report.pages.shell import attribute, escape
from wxfly.report.text import details, tables
from wxfly.report.text.console import isolated

# Levels of gzip: the library is large and packs in a tenth of a second to within half a per cent of the smallest;
# the charts are small, and sixteen days of them must leave the page below its limit.
_LIBRARY_LEVEL, _CHARTS_LEVEL = 6, 9

# Columns whose cells say little without their heading, and columns of times whose heading gives the zone.
_TOLD_WHEN_NARROW = ("rank", "margin", "window", "better")
_TIMES = ("hour", "hours", "window")

Charts = dict[str, dict[str, Figure]]


def to_html(facts: AnswerFacts, drawn: Sequence[TimelineFacts]) -> str:
    """Write an answer as one self-contained page.

    Parameters
    ----------
    facts : AnswerFacts
        The answer, in the units and the zone of its words.
    drawn : sequence of TimelineFacts
        What the pictures of each site show.

    Returns
    -------
    str
        The page.

    Raises
    ------
    WxflyError
        When the installed plotly package has no script.
    """
    charts: Charts = {}
    body = "".join(_body(facts, drawn, charts))
    library, loader = _library(), shell.resource("page.js")
    tail = (
        f'<script type="application/octet-stream" id="charts" data-on-dark="{attribute(json.dumps(shades.ON_DARK))}">'
        f"{_packed(_json(charts), _CHARTS_LEVEL)}</script>\n"
        f'<script type="application/octet-stream" id="library">{_packed_library(library)}</script>\n'
        f"<script>{loader.decode()}</script>\n"
    )
    style = shell.resource("page.css").decode() + shades.style()
    return shell.document(_title(facts), [body], style=style, scripts=[loader, library], tail=tail)


def _body(facts: AnswerFacts, drawn: Sequence[TimelineFacts], charts: Charts) -> Iterable[str]:
    readers, names = details.readers_of(facts), _names(facts)
    unknown = [f"Not known: {line.words}" for line in facts.verdict.lines if line.about == "not known"]
    yield shell.header(_title(facts), [*details.first_notes(facts), *unknown])
    yield "<main>\n"
    yield answer_section(facts)
    if facts.kind == "compare":
        yield from _comparison(facts, readers, names, charts)
        shown = [hours_shown(one.site) for one in drawn] if facts.comparison and facts.comparison.start else []
        for one, reader, name in zip(drawn, readers, names, strict=True) if shown else ():
            span = min(first for first, _ in shown), max(last for _, last in shown)
            yield f"<section>\n<h2>{escape(name)}</h2>\n"
            yield from _place(one, reader, name, one.site.period, charts, span, beside=drawn)
            yield "</section>\n"
    else:
        yield from (_week if facts.kind == "week" else _day)(drawn[0], readers[0], charts)
    yield "</main>\n"
    cautions = [*facts.cautions, FAR_AHEAD] if facts.kind == "week" else facts.cautions
    closing = details.origin(facts, readers[0].clock)
    yield shell.footer("What to mind, and where this is from", closing, cautions, shell.linked)


def _names(facts: AnswerFacts) -> list[str]:
    return [isolated(name) for name in names_of(facts.sites, facts.display_units)]


def _title(facts: AnswerFacts) -> str:
    names = _names(facts)
    if facts.kind == "compare":
        return listed(names)
    days = [day_name(day.date) for day in facts.sites[0].days]
    return f"{names[0]}, {'no time' if not days else days[0] if len(days) == 1 else f'from {days[0]} to {days[-1]}'}"


def answer_section(facts: AnswerFacts) -> str:
    """Return the answer itself, the block of text that stands before the pictures; what is not urgent is folded."""
    told = shell.lines((line.label, line.words) for line in facts.verdict.lines)
    names = _names(facts)
    more = "".join(
        f"{f'<h3>{escape(name)}</h3>' * (len(names) > 1)}{shell.lines(details.detail_lines(facts, i))}"
        for i, name in enumerate(names)
    )
    return (
        f'<section class="answer">\n<h2>The answer</h2>\n<p class="verdict">{escape(facts.verdict.first_line)}</p>\n'
        f"{told}<details>\n<summary>More</summary>\n{more}</details>\n</section>\n"
    )


def _day(one: TimelineFacts, reader: Reader, charts: Charts) -> Iterable[str]:
    yield "<section>\n<h2>Hour by hour</h2>\n"
    yield from _place(one, reader, "the hours", one.site.period, charts, hours_shown(one.site), legend=True)
    yield "</section>\n"


def _place(
    one: TimelineFacts,
    reader: Reader,
    what: str,
    period: Period | DayFacts,
    charts: Charts,
    span: tuple[int, int],
    *,
    legend: bool = False,
    beside: Sequence[TimelineFacts] = (),
) -> Iterable[str]:
    """Return charts, legend and table of one place over a span of hours."""
    yield _chart(
        charts, f"Wind, gust and margins of {what}", timelines(one, reader, *span, details.whose(one.site), beside)
    )
    members = "" if one.site.hours.members is None else (
        " Shaded: the gusts of eight of ten members; thin lines: the lowest and the highest member."
    )  # fmt: skip
    yield (
        '<p class="reading">Above: wind (dotted) and gust (solid) at flight height for each hour, against their limits;'
        " arrows fly with the wind; grey is night, pale grey twilight. <i>Chance</i>: in so many of ten every limit"
        f" holds.{members} Below: the margin of each element.</p>\n"
    )
    if legend:
        yield _of_margin(one.site.limits.reserve)
    yield _chart(charts, f"Usable height of {what}", sections(one, reader, *span))
    yield (
        '<p class="reading">How high: the margin that wind, gust or wind difference leaves at each height, the smallest'
        " of the three, in the shades of the margins above. The thick line is the usable height, up to which everything"
        " holds from the ground on; the dashed one is the flight height.</p>\n"
    )
    yield _table(*tables.hours_table(one.site, reader, period.start, period.end), caption=f"Table of {what}")


def _week(one: TimelineFacts, reader: Reader, charts: Charts) -> Iterable[str]:
    site, by_chance = one.site, overview.tells_chance(one.site)
    yield "<section>\n<h2>The days</h2>\n"
    shapes = {shape: overview.week_overview(site, reader, tall=shape == "tall") for shape in ("wide", "tall")}
    yield _chart(charts, f"{'Chance' if by_chance else 'Margin'} of every hour, day by day", shapes)
    yield _of_chance(details.whose(site)) if by_chance else _of_margin(site.limits.reserve)
    yield _table(*tables.week_table(site, reader), caption="Table of the days")
    yield "</section>\n<section>\n<h2>Each day</h2>\n"
    if by_chance:
        yield _of_margin(site.limits.reserve)
    best = window_of_verdict(site)
    for day in site.days:
        windows = windows_of(site, day)
        told = ", ".join(reader.clock.span(w.start, w.end) for w in windows) or "no window"
        name = day_name(day.date)
        yield f"<details{' open' if best in windows else ''}>\n<summary><h3>{name}: {escape(told)}</h3></summary>\n"
        yield from _place(one, reader, name, day, charts, hours_shown(site, day))
        yield "</details>\n"
    yield "</section>\n"


def _comparison(facts: AnswerFacts, readers: Sequence[Reader], names: Sequence[str], charts: Charts) -> Iterable[str]:
    if facts.comparison is None or not facts.comparison.start:
        yield "<p>The sites have no hour in common.</p>\n"
        return
    yield "<section>\n<h2>Who is better, and when</h2>\n"
    shapes = {shape: overview.sites_overview(facts, readers, names, tall=shape == "tall") for shape in ("wide", "tall")}
    yield _chart(charts, "Margin of every hour, site by site", shapes)
    yield _of_margin(facts.sites[0].limits.reserve)
    yield _table(*tables.turns_table(facts), caption="Table of who is better, and why")
    yield "</section>\n"


def _swatches(classes: Iterable[tuple[str, str]]) -> str:
    entries = "".join(
        f'<li><span class="swatch {shade}" aria-hidden="true"></span>{html.escape(words)}</li>'
        for shade, words in classes
    )
    return f'<ul class="legend">{entries}</ul>\n'


def _of_chance(whose: str) -> str:
    """Return the legend of cells that tell a chance."""
    return (
        f'{_swatches(shades.chance_legend())}<p class="reading">A number is the <i>chance</i> that every limit holds in'
        f" that hour, in tenths ({html.escape(whose)}); the word is the element that decides. A thick frame is a"
        " window, in which the one forecast holds. Point at a cell or touch it for the margin too.</p>\n"
    )


def _of_margin(reserve: float) -> str:
    """Return the legend of cells that tell a margin."""
    return (
        f'{_swatches(shades.legend(reserve))}<p class="reading">A number is the margin: the share of the limit that is'
        " left. A thick frame is a window. Point at a cell or touch it for value, limit and margin.</p>\n"
    )


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
    written = shell.table(header, rows, caption=caption, around=_around)
    return f'<details class="table"><summary>{escape(caption)}</summary>\n{written}</details>\n'


def _around(column: str, cell: str) -> str:
    """Return what a narrow page, which shows no header, puts around a cell."""
    first_word, _, zone = column.partition(" ")
    if cell.strip() and column in _TOLD_WHEN_NARROW:
        return f' data-before="{attribute(column)}"'
    if cell.strip() and zone and first_word in _TIMES and cell[-1].isdigit():
        return f' data-after="{attribute(zone)}"'
    return ""


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


def _packed(content: bytes, level: int) -> str:
    return base64.b64encode(gzip.compress(content, level, mtime=0)).decode()


@lru_cache(maxsize=1)
def _packed_library(library: bytes) -> str:
    """Pack the chart library, which is the same in every page of a process."""
    return _packed(library, _LIBRARY_LEVEL)


def _json(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()
