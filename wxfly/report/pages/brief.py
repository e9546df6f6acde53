"""The flight brief as one HTML page without script: to print, or to keep on a phone and open without a network."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Sequence
from importlib.resources import files

import numpy as np

from wxfly.answer import findings
from wxfly.answer.flight_brief import FlightBrief
from wxfly.answer.request import Briefing
from wxfly.report.charts.reach import reach_map
from wxfly.report.facts.answer import facts_of
from wxfly.report.facts.values import CAUTIONS
from wxfly.report.pages.page import GENERATOR, attribute, escape
from wxfly.report.text import brief as brief_words
from wxfly.report.text import details, sentences, tables
from wxfly.report.text.brief import Section
from wxfly.report.text.console import isolated
from wxfly.report.text.sentences import Reader


def to_html(brief: FlightBrief, briefing: Briefing, *, units: str, time_zone: str | None) -> str:
    """Write a flight brief as one self-contained page.

    Parameters
    ----------
    brief : FlightBrief
        What to tell.
    briefing : Briefing
        The answer it is from: notes, age and origin.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    time_zone : str or None
        IANA zone of the reader; None takes the site's own.
    """
    reader = sentences.reader_for(brief.answer, units=units, time_zone=time_zone)
    title = f"Flight brief: {brief_words.heading(brief, reader)}"
    return _page(title, _body(brief, briefing, reader, title))


def to_html_without_window(briefing: Briefing, *, units: str, time_zone: str | None) -> str:
    """Write the page of a day on which no window holds: that there is none, why, and what was asked.

    Parameters
    ----------
    briefing, units, time_zone
        As in `to_html`.
    """
    answer = briefing.answers[0]
    reader = sentences.reader_for(answer, units=units, time_zone=time_zone)
    days = findings.days_of(answer, reader.clock)
    period = f"on {sentences.day_name(days[0].date)}" if days else "in the time asked about"
    title = f"Flight brief: {isolated(answer.request.site.name)}, no window {period}"
    return _page(title, _body_without_window(briefing, reader, title))


def _page(title: str, body: Iterable[str]) -> str:
    style = (files("wxfly") / "report" / "pages" / "brief.css").read_bytes()
    digest = base64.b64encode(hashlib.sha256(style).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    return (
        f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n{GENERATOR}\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{attribute(title)}</title>\n<style>{style.decode()}</style>\n</head>\n<body>\n"
        f"{''.join(body)}</body>\n</html>\n"
    )


def to_text(brief: FlightBrief, briefing: Briefing, *, units: str, time_zone: str | None, width: int = 100) -> str:
    """Write a flight brief for the terminal, `width` characters wide: the same words, without map and tables."""
    reader = sentences.reader_for(brief.answer, units=units, time_zone=time_zone)
    lines = [f"Flight brief: {brief_words.heading(brief, reader)}", *sentences.first_notes(briefing)]
    lines += [f"Not known: {told}" for told in brief_words.not_known(brief, reader)]
    for section in brief_words.sections(brief, reader):
        lines += ["", section.title, *(f"  {label}: {text}" for label, text in section.lines)]
    lines += ["", "Before take-off", *(f"  [ ] {item}" for item in brief_words.CHECKLIST), "", CAUTIONS[0]]
    return brief_words.wrapped(lines, width)


def _body_without_window(briefing: Briefing, reader: Reader, title: str) -> Iterable[str]:
    yield f"<header>\n<h1>{escape(title)}</h1>\n"
    for notice in sentences.first_notes(briefing):
        yield f'<p class="notice">{escape(notice)}</p>\n'
    yield "</header>\n<main>\n"
    facts = facts_of(briefing, units=reader.units, time_zone=reader.clock.name)
    verdict = [("Answer", facts.verdict.first_line), *((line.label, line.words) for line in facts.verdict.lines)]
    yield _section(Section("Decision", [*verdict, *details.detail_lines(facts, 0)]), "decision")
    caption = "State and margin of every hour, and what decides"
    hours = _table(
        *tables.hours_table(facts.sites[0], reader, facts.sites[0].period.start, facts.sites[0].period.end),
        caption=caption,
    )
    yield f"<section>\n<h2>Hour by hour</h2>\n{hours}</section>\n</main>\n"
    yield from _footer(briefing, reader)


def _body(brief: FlightBrief, briefing: Briefing, reader: Reader, title: str) -> Iterable[str]:
    decision, field, energy, sky = brief_words.sections(brief, reader)
    yield f"<header>\n<h1>{escape(title)}</h1>\n"
    for notice in sentences.first_notes(briefing):
        yield f'<p class="notice">{escape(notice)}</p>\n'
    for told in brief_words.not_known(brief, reader):
        yield f'<p class="notice">Not known: {escape(told)}</p>\n'
    yield "</header>\n<main>\n"
    yield _section(decision, "decision")
    yield '<div class="columns">\n<div>\n'
    yield _section(field, "field")
    yield _section(energy, "energy")
    yield f"<section>\n<h2>Hour by hour</h2>\n{_hours(brief, reader)}</section>\n"
    yield "<section>\n<h2>Before take-off</h2>\n<ul>\n"
    for item in brief_words.CHECKLIST:
        yield f"<li>{escape(item)}</li>\n"
    yield "</ul>\n</section>\n</div>\n<div>\n"
    yield from _map(brief, reader)
    yield _section(sky, "sky")
    yield "</div>\n</div>\n</main>\n"
    yield from _footer(briefing, reader)


def _footer(briefing: Briefing, reader: Reader) -> Iterable[str]:
    yield "<footer>\n"
    for line in sentences.origin(briefing, reader.clock):
        yield f"<p>{escape(line)}</p>\n"
    for line in CAUTIONS:
        yield f"<p><strong>{escape(line)}</strong></p>\n"
    yield "</footer>\n"


def _section(section: Section, kind: str) -> str:
    lines = "".join(f"<dt>{escape(label)}</dt><dd>{escape(text)}</dd>\n" for label, text in section.lines)
    return f'<section class="{kind}">\n<h2>{escape(section.title)}</h2>\n<dl>\n{lines}</dl>\n</section>\n'


def _hours(brief: FlightBrief, reader: Reader) -> str:
    unit = sentences.unit_of("wind", reader.units)
    caption = f"Wind / gust in {unit} at each height above ground, the worse end of the hour"
    return _table(*brief_words.hours_table(brief, reader), caption=caption)


def _map(brief: FlightBrief, reader: Reader) -> Iterable[str]:
    if brief.energy is None:
        return
    e = brief.energy
    flight = brief.levels[brief.answer.request.height]
    speed, direction = flight["wind_speed"].values.ravel(), flight["wind_from_direction"].values.ravel()
    mean = findings.mean_direction(speed.tolist(), direction.tolist())
    unit = sentences.unit_of("wind", reader.units)
    plan = e.sortie.plan
    yield "<section>\n<h2>Reach</h2>\n"
    yield reach_map(
        e.reach.directions,
        e.reach.by_energy,
        sight_range=brief.sight_range,
        planned=None if plan.direction is None else (plan.direction, plan.distance),
        wind_from_direction=mean,
        wind="" if np.isnan(speed).any() else f"{sentences.number(float(speed.max()), unit)} {unit}",
        units=reader.units,
    )
    dot = "" if plan.direction is None else "; dot: the planned point"
    yield (
        '\n<p class="key">Line: out and home with the reserve, in the worst moment of the window; shaded: sight range'
        f"{dot}. No map: obstacles, airspace and people are not on it.</p>\n"
    )
    header, rows = brief_words.directions_table(brief, reader)
    if rows:
        yield _table(header, rows, caption="By direction")
    yield "</section>\n"


def _table(header: Sequence[str], rows: Sequence[Sequence[str]], *, caption: str) -> str:
    head = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in header)
    body = "".join(
        f'<tr><th scope="row">{escape(row[0])}</th>'
        + "".join(f"<td>{escape(cell)}</td>" for cell in row[1:])
        + "</tr>\n"
        for row in rows
    )
    return (
        f"<table><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead>\n<tbody>\n{body}</tbody></table>\n"
    )
