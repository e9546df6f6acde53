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
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from wxfly.errors import WxflyError
from wxfly.report.charts import overview, shades
from wxfly.report.charts.heights import sections
from wxfly.report.charts.shades import Figure
from wxfly.report.charts.timeline import days_of, hours_shown, timelines
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.site import TimelineFacts
from wxfly.report.pages import shell
from wxfly.report.pages.shell import attribute, escape
from wxfly.report.text.answer import HoursWords, PageWords

# Levels of gzip: the library is large and packs in a tenth of a second to within half a per cent of the smallest;
# the charts are small, and sixteen days of them must leave the page below its limit.
_LIBRARY_LEVEL, _CHARTS_LEVEL = 6, 9

# Columns whose cells say little without their heading, and columns of times whose heading gives the zone.
_SHOWN_WHEN_NARROW = ("rank", "margin", "window", "better")
_TIMES = ("hour", "hours", "window")

Charts = dict[str, dict[str, Figure]]


def to_html(facts: AnswerFacts, drawn: Sequence[TimelineFacts], words: PageWords) -> str:
    """Write an answer as one self-contained page.

    Parameters
    ----------
    facts : AnswerFacts
        The answer.
    drawn : sequence of TimelineFacts
        What the pictures of each site show.
    words : PageWords
        What the page says.

    Returns
    -------
    str
        The page.

    Raises
    ------
    WxflyError
        When the installed plotly package has no script.
    """
    parts = parts_of(facts, drawn, words)
    return with_charts(words.title, parts.header + parts.main + parts.footer, parts.charts)


def with_charts(title: str, body: str, charts: Charts) -> str:
    """Return a page with its charts packed into it, each under the id of the element that it is drawn in.

    Raises
    ------
    WxflyError
        When the installed plotly package has no script.
    """
    library, loader = library_script(), shell.resource("page.js")
    tail = (
        f'<script type="application/octet-stream" id="charts" data-on-dark="{attribute(json.dumps(shades.ON_DARK))}"'
        f' data-in-sun="{attribute(json.dumps(shades.IN_SUN))}">'
        f"{_packed(_json(charts), _CHARTS_LEVEL)}</script>\n"
        f'<script type="application/octet-stream" id="library">{_packed_library(library)}</script>\n'
        f"<script>{loader.decode()}</script>\n"
    )
    style = shell.resource("page.css").decode() + shades.style()
    return shell.document(title, [body], style=style, scripts=[loader, library], tail=tail)


@dataclass(frozen=True)
class Parts:
    """The parts of the page of an answer, escaped, and the charts that its script draws into them by their ids."""

    header: str
    main: str
    footer: str
    charts: Charts


def parts_of(facts: AnswerFacts, drawn: Sequence[TimelineFacts], words: PageWords) -> Parts:
    """Return the parts of the page of an answer, from what `to_html` takes."""
    charts: Charts = {}
    main = f"<main>\n{''.join(_main(facts, drawn, words, charts))}</main>\n"
    footer = shell.footer("What to mind, and where this is from", words.closing, words.cautions, shell.linked)
    return Parts(shell.header(words.verdict, words.first), main, footer, charts)


def _main(facts: AnswerFacts, drawn: Sequence[TimelineFacts], words: PageWords, charts: Charts) -> Iterable[str]:
    sites = list(enumerate(drawn))
    if facts.kind == "compare":
        yield from _comparison(facts, words, charts)
    for i, one in sites if facts.kind == "week" else ():
        yield from _days(one, words, i, charts)
    for i, one in sites if facts.kind in ("best", "now") else ():
        yield "<section>\n<h2>Hour by hour</h2>\n"
        yield from _wind_and_margins(one, words, i, words.hours[i][0], charts, hours_shown(one.site))
        yield f"{_of_margin(one.site.limits.reserve)}</section>\n"
    yield answer_section(words)
    if facts.kind == "compare":
        shown = [hours_shown(one.site) for one in drawn] if words.overview else []
        span = (min((first for first, _ in shown), default=0), max((last for _, last in shown), default=0))
        for i, one in sites if shown else ():
            yield f"<section>\n<h2>{escape(words.names[i])}</h2>\n"
            yield from _place(one, words, i, words.hours[i][0], charts, span, beside=drawn)
            yield "</section>\n"
    for i, one in sites if facts.kind == "week" else ():
        yield from _each_day(one, words, i, charts)
    for i, one in sites if facts.kind in ("best", "now") else ():
        yield "<section>\n<h2>How high</h2>\n"
        yield from _how_high(one, words, i, words.hours[i][0], charts, hours_shown(one.site))
        yield "</section>\n"


def answer_section(words: PageWords) -> str:
    """Return the few lines that a decision needs, below the first picture; the rest is folded."""
    more = "".join((f"<h3>{escape(name)}</h3>\n" if name else "") + shell.lines(lines) for name, lines in words.more)
    folded = f"<details>\n<summary>More of the answer</summary>\n{more}</details>\n"
    return f'<section class="answer">\n{shell.lines(words.answer)}{folded}</section>\n'


def _place(
    one: TimelineFacts,
    words: PageWords,
    i: int,
    line: HoursWords,
    charts: Charts,
    span: tuple[int, int],
    *,
    beside: Sequence[TimelineFacts] = (),
) -> Iterable[str]:
    """Return charts and table of one place over a span of hours."""
    yield from _wind_and_margins(one, words, i, line, charts, span, beside=beside)
    yield from _how_high(one, words, i, line, charts, span)


def _wind_and_margins(
    one: TimelineFacts,
    words: PageWords,
    i: int,
    line: HoursWords,
    charts: Charts,
    span: tuple[int, int],
    *,
    beside: Sequence[TimelineFacts] = (),
) -> Iterable[str]:
    what, reader = line.name, words.readers[i]
    yield _chart(charts, f"Wind, gust and margins of {what}", timelines(one, reader, *span, words.whose[i], beside))
    members = "" if one.site.hours.members is None else (
        " Shaded: the gusts of eight of ten members; thin lines: the lowest and the highest member."
    )  # fmt: skip
    yield (
        '<p class="reading">Above: wind (dotted) and gust (solid) at flight height for each hour, against their limits;'
        " arrows fly with the wind; dotted grey is night, pale grey twilight. <i>Chance</i>: in so many of ten every"
        f" limit holds.{members} Below: the margin of each element.</p>\n"
    )


def _how_high(
    one: TimelineFacts, words: PageWords, i: int, line: HoursWords, charts: Charts, span: tuple[int, int]
) -> Iterable[str]:
    yield _chart(charts, f"Usable height of {line.name}", sections(one, words.readers[i], *span))
    yield (
        '<p class="reading">How high: the smallest margin at each height, in the shades of the margins above. Wind and'
        " cloud are those of the height, all else that of the hour; dark hours are dotted. The thick line is the usable"
        " height, as far as wind and cloud allow from the ground on; the dashed one is the flight height.</p>\n"
    )
    yield _table(*line.table, caption=f"Table of {line.name}")


def _days(one: TimelineFacts, words: PageWords, i: int, charts: Charts) -> Iterable[str]:
    assert words.overview is not None
    reader, by_chance = words.readers[i], overview.shows_chance(one.site)
    yield "<section>\n<h2>The days</h2>\n"
    shapes = {shape: overview.week_overview(one.site, reader, tall=shape == "tall") for shape in ("wide", "tall")}
    yield _chart(charts, f"{'Chance' if by_chance else 'Margin'} of every hour, day by day", shapes)
    yield _of_chance(words.whose[i]) if by_chance else _of_margin(one.site.limits.reserve)
    yield _table(*words.overview, caption="Table of the days")
    yield "</section>\n"


def _each_day(one: TimelineFacts, words: PageWords, i: int, charts: Charts) -> Iterable[str]:
    reader = words.readers[i]
    yield "<section>\n<h2>Each day</h2>\n"
    if overview.shows_chance(one.site):
        yield _of_margin(one.site.limits.reserve)
    best = reader.clock.date(one.site.best.start) if one.site.best else None
    for day, line in zip(days_of(one.site, reader.clock), words.hours[i], strict=True):
        yield f"<details{' open' if day.date == best else ''}>\n<summary><h3>{escape(line.heading)}</h3></summary>\n"
        yield from _place(one, words, i, line, charts, hours_shown(one.site, day.hours))
        yield "</details>\n"
    yield "</section>\n"


def _comparison(facts: AnswerFacts, words: PageWords, charts: Charts) -> Iterable[str]:
    if words.overview is None:
        yield "<p>The sites have no hour in common.</p>\n"
        return
    yield "<section>\n<h2>Who is better, and when</h2>\n"
    shapes = {
        shape: overview.sites_overview(facts, words.readers, words.names, tall=shape == "tall")
        for shape in ("wide", "tall")
    }
    yield _chart(charts, "Margin of every hour, site by site", shapes)
    yield _of_margin(facts.sites[0].limits.reserve)
    yield _table(*words.overview, caption="Table of who is better, and why")
    yield "</section>\n"


def swatches(classes: Iterable[tuple[str, str]]) -> str:
    """Return the legend of classes, each with its words."""
    entries = "".join(
        f'<li><span class="swatch {shade}" aria-hidden="true"></span>{html.escape(words)}</li>'
        for shade, words in classes
    )
    return f'<ul class="legend">{entries}</ul>\n'


def _of_chance(whose: str) -> str:
    """Return the legend of cells that show a chance."""
    return (
        f'{swatches(shades.chance_legend())}<p class="reading">A number is the <i>chance</i> that every limit holds in'
        f" that hour, in tenths ({html.escape(whose)}); the word is the element that decides. A thick frame is a"
        " window, in which the one forecast holds. Point at a cell or touch it for the margin too.</p>\n"
    )


def _of_margin(reserve: float) -> str:
    """Return the legend of cells that show a margin."""
    return (
        f'{swatches(shades.legend(reserve))}<p class="reading">A number is the margin: the share of the limit that is'
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
    if cell.strip() and column in _SHOWN_WHEN_NARROW:
        return f' data-before="{attribute(column)}"'
    if cell.strip() and zone and first_word in _TIMES and cell[-1].isdigit():
        return f' data-after="{attribute(zone)}"'
    return ""


# --- putting things into the page ------------------------------------------------------------------------------


def library_script() -> bytes:
    """Return plotly's script; plotly is not imported, which would take half a second."""
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
