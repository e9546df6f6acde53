"""The page of a fleet: one HTML file with a row for each site and its days; a small script narrows the rows down."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from wxfly.report.charts import shades
from wxfly.report.command_facts.fleet import FleetDayFacts, FleetFacts, FleetSiteFacts
from wxfly.report.facts.values import INVENTED, listed
from wxfly.report.facts.writing import day_name, in_ten
from wxfly.report.pages import shell
from wxfly.report.pages.shell import attribute, escape
from wxfly.report.text.fleet import FleetWords

_HEADER = ("site", "verdict", "best window", "chance", "decides", "margin", "with", "forecast")


def to_html(facts: FleetFacts, words: FleetWords) -> str:
    """Write a fleet as one self-contained page.

    Parameters
    ----------
    facts : FleetFacts
        The fleet.
    words : FleetWords
        Its words for one reader.
    """
    script = shell.resource("fleet.js")
    style = shell.resource("fleet.css").decode() + shades.style()
    tail = f"<script>{script.decode()}</script>\n"
    return shell.document(f"Fleet of {facts.file}", _body(facts, words), style=style, scripts=[script], tail=tail)


def _body(facts: FleetFacts, words: FleetWords) -> Iterable[str]:
    first = [INVENTED] if facts.invented else []
    yield shell.header(words.first_line(), [*first, *facts.notes, *words.unknown_lines()])
    days = sorted({day.date for site in facts.sites for day in site.days})
    yield "<main>\n" + _controls(facts) + _table(facts, words, days) + _legend() + "</main>\n"
    cost = f"Asked: {facts.requests} requests, {facts.weighted_calls:.0f} weighted calls of the forecast service."
    yield shell.footer(
        "What to mind, and where this is from", [*facts.attributions, cost], facts.cautions, shell.linked
    )


def _controls(facts: FleetFacts) -> str:
    """Return the fields that narrow the rows down; without a script they stay hidden and every row shows."""
    found = dict.fromkeys(FleetWords.verdict(site) for site in facts.sites)
    options = "".join(f"<option>{escape(word)}</option>" for word in found)
    return (
        '<form class="filter" hidden><label>Find <input type="search" id="find" autocomplete="off"></label>\n'
        f'<label>Verdict <select id="verdict"><option value="">all</option>{options}</select></label>\n'
        f'<output id="shown">{len(facts.sites)} of {len(facts.sites)}</output></form>\n'
    )


def _table(facts: FleetFacts, words: FleetWords, days: list[date]) -> str:
    head = "".join(f'<th scope="col" role="columnheader">{name}</th>' for name in _HEADER)
    over = f'<th scope="col" role="columnheader">{escape(_span(days))}</th>' if days else ""
    rows = "".join(_row(site, words, days) for site in facts.sites)
    return (
        '<table role="table"><caption>Sites, the best first</caption><thead role="rowgroup">'
        f'<tr role="row">{head}{over}</tr></thead>\n<tbody role="rowgroup">\n{rows}</tbody></table>\n'
    )


def _span(days: list[date]) -> str:
    return day_name(days[0]) if len(days) == 1 else f"{day_name(days[0])} to {day_name(days[-1])}"


def _row(site: FleetSiteFacts, words: FleetWords, days: list[date]) -> str:
    verdict = words.verdict(site)
    cells = (
        ("verdict", "", verdict), ("when", "", words.when(site)), ("chance", "", words.chance(site)),
        ("decides", "", words.decides(site)), ("margin", ' data-before="margin"', words.margin(site)),
        ("asked", "", words.asked(site)), ("whose", "", words.whose(site)),
    )  # fmt: skip
    parts = words.about(site)
    about = f'<div class="about">{escape(parts)}</div>' if parts else ""
    written = "".join(
        f'<td role="cell" class="{name}"{before if text else ""}>{escape(text)}</td>' for name, before, text in cells
    )
    strip = f'<td role="cell" class="days">{_days(site, words, days)}</td>' if days else ""
    return (
        f'<tr role="row" data-verdict="{attribute(verdict)}"><th scope="row" role="rowheader">{escape(site.name)}'
        f"{about}</th>{written}{strip}</tr>\n"
    )


def _days(site: FleetSiteFacts, words: FleetWords, days: list[date]) -> str:
    of_date = {day.date: day for day in site.days}
    cells = "".join(_day(of_date.get(day), site, words) for day in days)
    return f'<span class="strip">{cells}</span>'


def _day(day: FleetDayFacts | None, site: FleetSiteFacts, words: FleetWords) -> str:
    """Return the cell of one day: the chance of its surest stretch, framed where a window holds."""
    if day is None:
        return '<span class="day"></span>'
    name = day_name(day.date)
    if not day.lit_count:
        return f'<span class="day dark" title="{attribute(name)}: dark"></span>'
    shade = None if day.chance is None else shades.chance_shade_of(day.chance)
    if shade is None or day.not_known_count == day.lit_count:
        return f'<span class="day unknown" title="{attribute(name)}: not known"><b>?</b></span>'
    parts = [in_ten(day.chance)]
    if day.window is not None:
        parts.append(f"window {words.clock(site).span(day.window.start, day.window.end)}")
    if day.not_known_count:
        parts.append(f"{day.not_known_count} of {day.lit_count} lit hours not known")
    framed = " window" if day.window is not None else ""
    mark = "?" if day.not_known_count else ""
    assert day.chance is not None
    return (
        f'<span class="day {shades.chance_class(shade)}{framed}" title="{attribute(f"{name}: {listed(parts)}")}">'
        f"{shades.chance_cell(day.chance)}{mark}</span>"
    )


def _legend() -> str:
    return (
        f"{shell.swatches(shades.chance_legend())}"
        '<p class="reading">Each small cell is a day of the site, in order. Its number is the chance that every limit'
        " holds in the surest stretch of the length asked for, in tenths. A thick frame is a window. A question mark"
        " behind a number: some lit hours of the day are not known. Point at a cell for its day.</p>\n"
    )
