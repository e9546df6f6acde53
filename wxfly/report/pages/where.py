"""The page of ranked spots: the map of the cells hour by hour, the list of the spots, and both in tables."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from wxfly.report.charts import shades
from wxfly.report.charts.outlines import OUTLINED, SOURCE_OF_COASTLINES, Marks, has_coastlines
from wxfly.report.charts.where import first_hour, where_map
from wxfly.report.command_facts.where import WhereFacts
from wxfly.report.facts.writing import Reader
from wxfly.report.facts.zones import far_in_words, file_in_words
from wxfly.report.pages import shell
from wxfly.report.pages.page import Charts, Parts, with_charts
from wxfly.report.pages.shell import attribute, escape
from wxfly.report.text.where import WhereWords, far, hours_table, spots_table, words_of

WITHOUT_OUTLINES = "Coastlines and borders are not drawn: they come with pip install 'wxfly[grids]'."


def to_html(facts: WhereFacts, reader: Reader) -> str:
    """Write ranked spots as one self-contained page.

    Parameters
    ----------
    facts : WhereFacts
        The answer.
    reader : Reader
        Units and clock.

    Raises
    ------
    WxflyError
        When the installed plotly package has no script.
    """
    parts = parts_of(facts, reader)
    return with_charts(f"Where to fly near {facts.place}", parts.header + parts.main + parts.footer, parts.charts)


def parts_of(facts: WhereFacts, reader: Reader) -> Parts:
    """Return the parts of the page, from what `to_html` takes."""
    words, charts = words_of(facts, reader), Charts()
    main = f"<main>\n{''.join(_main(facts, reader, words, charts))}</main>\n"
    closing = [words.closing, SOURCE_OF_COASTLINES if has_coastlines() else WITHOUT_OUTLINES]
    footer = shell.footer("What to mind, and where this is from", closing, facts.cautions, shell.linked)
    return Parts(shell.header(words.verdict, words.notes), main, footer, charts)


def _main(facts: WhereFacts, reader: Reader, words: WhereWords, charts: Charts) -> Iterable[str]:
    if facts.spots:
        header, rows = spots_table(facts, reader)
        yield "<section>\n<h2>The best spots</h2>\n"
        yield shell.table(header, rows, caption="The best spots, the best first", around=_around)
        yield "</section>\n"
    yield "<section>\n<h2>Hour by hour</h2>\n"
    for line in words.counts:
        yield f"<p>{escape(line)}</p>\n"
    if facts.hours:
        marks = Marks()
        lines = [] if facts.zones is None else marks.add(facts.zones, facts.period, reader)
        charts["chart0"] = where_map(facts, reader, marks.spots)
        title = f"Margin of every cell within {far(facts.within, reader)} of {facts.place}, hour by hour"
        header, rows = hours_table(facts, reader)
        yield _hour_control(facts, rows)
        yield (
            f'<div class="chart" id="chart0" role="img" aria-label="{attribute(title)}. The tables have the same.">'
            "<p>The map is drawn by script; the tables have the same.</p></div>\n"
        )
        yield shell.swatches(shades.legend(facts.reserve))
        yield (
            '<p class="reading">The slider above the map chooses the hour. A shade is the margin of the cell: the share'
            f" of the limit that is left. The cross is {escape(facts.place)}, the dashed ring the reach. Circles are"
            " the best spots, with their rank where there is room for it; ? is not known. Point at a cell or touch it"
            f" for its margin and the element that decides.{f' {OUTLINED}' if lines else ''}</p>\n"
        )
        yield from _zones(facts, reader, lines)
        yield shell.folded_table(header, rows, caption="Table of the hours", around=_around)
    yield "</section>\n"


def _hour_control(facts: WhereFacts, rows: Sequence[Sequence[str]]) -> str:
    """Return what chooses the hour of the map, from the rows of the table of the hours; the page's script shows it."""
    said = [
        f"{row[0]}: {row[1]} of {facts.cells} cells with room{f', {row[2]} not known' if row[2] != '0' else ''}"
        for row in rows
    ]
    first = first_hour(facts)
    options = "".join(f'<option value="{k}" label="{attribute(words)}"></option>' for k, words in enumerate(said))
    return (
        '<div class="hour" hidden>\n<label for="hour0">Hour of the map</label> <span class="said">'
        f"{escape(said[first])}</span>\n"
        f'<input type="range" id="hour0" list="hours0" data-hour-of="chart0" min="0" max="{len(said) - 1}" step="1"'
        f' value="{first}" autocomplete="off" aria-valuetext="{attribute(said[first])}">\n'
        f'<datalist id="hours0">{options}</datalist>\n</div>\n'
    )


def _zones(facts: WhereFacts, reader: Reader, lines: Iterable[str]) -> Iterable[str]:
    """Yield what is said of the zones that the map draws, and of the file that they are from."""
    if facts.zones is None:
        return
    file = file_in_words(facts.zones, facts.period, reader, facts.now)
    unread, left_out = facts.zones.unreadable_count, facts.zones_left_out
    parts = [
        *([f"{unread} {'zone' if unread == 1 else 'zones'} cannot be read and may be here"] if unread else []),
        *([] if facts.zones.near else [f"{'of the others none' if unread else 'none'} in reach"]),
        *far_in_words(facts.zones),
        *(
            [f"{left_out} more {'outline is' if left_out == 1 else 'outlines are'} neither drawn nor listed"]
            if left_out
            else []
        ),
        file,
    ]
    words = "; ".join(parts)
    yield f'<div class="zones">\n<h3>Zones in reach</h3>\n<p>{escape(words[:1].upper() + words[1:])}.</p>\n'
    yield f"<ul>\n{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>\n" if facts.zones.near else ""
    yield "</div>\n"


def _around(column: str, cell: str) -> str:
    """Return what a narrow page, which shows no header, puts before a cell."""
    named = ("rank", "chance", "margin", "decided by", "not known", "cells with room", "cells not known")
    return f' data-before="{attribute(column)}"' if cell and column in named else ""
