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
    sites = [_Site(one, words, i, charts) for i, one in enumerate(drawn)]
    is_of_one_day = facts.kind in ("best", "now")
    if facts.kind == "compare":
        yield from _comparison(facts, words, charts)
    for site in sites if facts.kind == "week" else ():
        yield from site.days()
    for site in sites if is_of_one_day else ():
        yield "<section>\n<h2>Hour by hour</h2>\n"
        yield from site.wind_and_margins(site.hours[0], hours_shown(site.answer))
        yield f"{_of_margin(site.answer.limits.reserve)}</section>\n"
    yield answer_section(words)
    if facts.kind == "compare":
        shown = [hours_shown(one.site) for one in drawn] if words.overview else []
        span = (min((first for first, _ in shown), default=0), max((last for _, last in shown), default=0))
        for site, name in zip(sites, words.names, strict=True) if shown else ():
            yield f"<section>\n<h2>{escape(name)}</h2>\n"
            yield from site.place(site.hours[0], span, beside=drawn)
            yield "</section>\n"
    for site in sites if facts.kind == "week" else ():
        yield from site.each_day()
    for site in sites if is_of_one_day else ():
        yield "<section>\n<h2>How high</h2>\n"
        yield from site.how_high(site.hours[0], hours_shown(site.answer))
        yield "</section>\n"


def answer_section(words: PageWords) -> str:
    """Return the few lines that a decision needs, below the first picture; the rest is folded."""
    more = "".join((f"<h3>{escape(name)}</h3>\n" if name else "") + shell.lines(lines) for name, lines in words.more)
    folded = f"<details>\n<summary>More of the answer</summary>\n{more}</details>\n"
    return f'<section class="answer">\n{shell.lines(words.answer)}{folded}</section>\n'


class _Site:
    """The panels of one site, whose charts go to those of the page."""

    def __init__(self, drawn: TimelineFacts, words: PageWords, position: int, charts: Charts) -> None:
        self.drawn, self.answer, self.charts = drawn, drawn.site, charts
        self.reader, self.whose, self.hours = words.readers[position], words.whose[position], words.hours[position]
        self.overview = words.overview

    def place(self, line: HoursWords, span: tuple[int, int], *, beside: Sequence[TimelineFacts] = ()) -> Iterable[str]:
        """Yield charts and table of a span of hours."""
        yield from self.wind_and_margins(line, span, beside=beside)
        yield from self.how_high(line, span)

    def wind_and_margins(
        self, line: HoursWords, span: tuple[int, int], *, beside: Sequence[TimelineFacts] = ()
    ) -> Iterable[str]:
        """Yield the timeline of a span of hours; `beside` are sites whose wind has the same scale."""
        shapes = timelines(self.drawn, self.reader, *span, self.whose, beside)
        yield _chart(self.charts, f"Wind, gust and margins of {line.name}", shapes)
        members = "" if self.answer.hours.members is None else (
            " Shaded: the gusts of eight of ten members; thin lines: the lowest and the highest member."
        )  # fmt: skip
        yield (
            '<p class="reading">Above: wind (dotted) and gust (solid) at flight height for each hour, against their'
            " limits; arrows fly with the wind; dotted grey is night, pale grey twilight. <i>Chance</i>: in so many of"
            f" ten every limit holds.{members} Below: the margin of each element.</p>\n"
        )

    def how_high(self, line: HoursWords, span: tuple[int, int]) -> Iterable[str]:
        """Yield the margins by height of a span of hours, and the table of its hours."""
        yield _chart(self.charts, f"Usable height of {line.name}", sections(self.drawn, self.reader, *span))
        yield (
            '<p class="reading">How high: the smallest margin at each height, in the shades of the margins above. Wind'
            " and cloud are those of the height, all else that of the hour; dark hours are dotted. The thick line is"
            " the usable height, as far as wind and cloud allow from the ground on; the dashed one is the flight"
            " height.</p>\n"
        )
        yield shell.folded_table(*line.table, caption=f"Table of {line.name}", around=_around)

    def days(self) -> Iterable[str]:
        """Yield the overview of the days of a week."""
        assert self.overview is not None
        by_chance = overview.shows_chance(self.answer)
        yield "<section>\n<h2>The days</h2>\n"
        shapes = {
            shape: overview.week_overview(self.answer, self.reader, tall=shape == "tall") for shape in ("wide", "tall")
        }
        yield _chart(self.charts, f"{'Chance' if by_chance else 'Margin'} of every hour, day by day", shapes)
        yield _of_chance(self.whose) if by_chance else _of_margin(self.answer.limits.reserve)
        yield shell.folded_table(*self.overview, caption="Table of the days", around=_around)
        yield "</section>\n"

    def each_day(self) -> Iterable[str]:
        """Yield charts and table of each day of a week, those of the best unfolded."""
        yield "<section>\n<h2>Each day</h2>\n"
        if overview.shows_chance(self.answer):
            yield _of_margin(self.answer.limits.reserve)
        clock, best = self.reader.clock, self.answer.best
        best_day = clock.date(best.start) if best else None
        for day, line in zip(days_of(self.answer, clock), self.hours, strict=True):
            is_open = " open" if day.date == best_day else ""
            yield f"<details{is_open}>\n<summary><h3>{escape(line.heading)}</h3></summary>\n"
            yield from self.place(line, hours_shown(self.answer, day.hours))
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
    yield shell.folded_table(*words.overview, caption="Table of who is better, and why", around=_around)
    yield "</section>\n"


def _of_chance(whose: str) -> str:
    """Return the legend of cells that show a chance."""
    return (
        f'{shell.swatches(shades.chance_legend())}<p class="reading">'
        "A number is the <i>chance</i> that every limit holds in"
        f" that hour, in tenths ({html.escape(whose)}); the word is the element that decides. A thick frame is a"
        " window, in which the one forecast holds. Point at a cell or touch it for the margin too.</p>\n"
    )


def _of_margin(reserve: float) -> str:
    """Return the legend of cells that show a margin."""
    return (
        f'{shell.swatches(shades.legend(reserve))}<p class="reading">'
        "A number is the margin: the share of the limit that is"
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
