"""The answer for a terminal: plain text of a given width, aligned, readable without colour."""

from __future__ import annotations

import itertools
import textwrap
import unicodedata
from collections.abc import Sequence

import numpy as np

from wxfly.briefing import Briefing, SiteAnswer
from wxfly.report import findings, phrases, sentences, summary
from wxfly.report.sentences import Reader
from wxfly.suitability import State

_LABEL = 11
_NARROWEST = 24


def render(briefing: Briefing, *, units: str, time_zone: str | None, width: int) -> str:
    """Write a briefing as text.

    Parameters
    ----------
    briefing : Briefing
        What to tell.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    time_zone : str or None
        IANA zone of the reader; None shows each site on its own clock.
    width : int
        Columns of the terminal.

    Returns
    -------
    str
        Lines joined by newlines, none longer than `width` where words allow.
    """
    readers = [sentences.reader_for(a, units=units, time_zone=time_zone) for a in briefing.answers]
    names = sentences.labels(briefing, units)
    blocks = [
        [line for note in sentences.first_notes(briefing) for line in _wrap(note, width)],
        _lines(summary.not_known_lines(briefing, names), width),
        _lines(summary.summarise(briefing, units=units, time_zone=time_zone), width),
    ]
    if briefing.question == "compare":
        blocks += _comparison(briefing, readers, names, width)
    elif briefing.question == "week":
        blocks += [_week(briefing, a, r, width) for a, r in zip(briefing.answers, readers, strict=True)]
    else:
        blocks += [_hours(a, r, width) for a, r in zip(briefing.answers, readers, strict=True)]
    closing = [*sentences.origin(briefing, readers[0].clock), *phrases.CAUTIONS]
    if briefing.question == "week":
        closing.append(phrases.FAR_AHEAD)
    blocks.append([line for text in closing for line in _wrap(text, width)])
    return "\n\n".join("\n".join(block) for block in blocks if block)


def _hours(answer: SiteAnswer, reader: Reader, width: int) -> list[str]:
    """Write the hours of one answer; dark hours that follow each other share a line."""
    assessment = answer.assessment
    start, end = findings.usable_parts(answer)
    times = assessment["time"].values
    zone = reader.clock.zones(answer.start, answer.end)
    rows = []
    for first, last in _joined(answer):
        if np.isnat(start[first]):
            span = reader.clock.span(times[first], times[last] + findings.HOUR)
            state = State(int(assessment["state"].values[first]))
            rows.append([span, "dark" if state is not State.NOT_KNOWN else state.words, "", "", ""])
            continue
        rows.append(
            [
                reader.clock.span(start[first], end[first]),
                State(int(assessment["state"].values[first])).words,
                phrases.margin(float(assessment["hour_margin"].values[first])).rjust(6),
                window_of(answer, first),
                hour_reason(answer, first, reader.units),
            ]
        )
    return _table([f"hour {zone}", "state", "margin", "window", "what decides"], rows, width)


def window_of(answer: SiteAnswer, hour: int) -> str:
    """Give the rank of the window that an hour belongs to, 1 the best; empty when none."""
    return next((str(rank) for rank, w in enumerate(answer.windows, 1) if w.first <= hour <= w.last), "")


def hour_reason(answer: SiteAnswer, hour: int, units: str) -> str:
    """Say what decides in an hour, and which judged elements are not known in it."""
    missing = [g.element for g in findings.gaps(answer) if hour in g.hours]
    reason = sentences.reason_of(answer, hour, units)
    return f"{reason}; {sentences.titles(missing)} not known" if missing else reason


def _joined(answer: SiteAnswer) -> list[tuple[int, int]]:
    lit = findings.lit_hours(answer)
    state = answer.assessment["state"].values
    runs: list[tuple[int, int]] = []
    for i in range(lit.size):
        same = runs and not lit[i] and not lit[i - 1] and (state[i] == 0) == (state[i - 1] == 0)
        if same:
            runs[-1] = (runs[-1][0], i)
        else:
            runs.append((i, i))
    return runs


def _week(briefing: Briefing, answer: SiteAnswer, reader: Reader, width: int) -> list[str]:
    rows = []
    for day in findings.days_of(answer, reader.clock):
        name = phrases.day_name(day.date)
        if not day.windows:
            why = sentences.why_none(answer, day, briefing.minimum_duration, reader)
            rows.append([name, "", "none", "", "", "; ".join(why)])
        for rank, window in day.windows:
            reason = sentences.window_reason(answer, window, reader.units)
            if window.unknown:
                reason += f"; {sentences.titles(window.unknown)} not known"
            rows.append(
                [
                    name,
                    str(rank).rjust(4),
                    reader.clock.span(window.start, window.end),
                    window.state.words,
                    phrases.margin(window.margin).rjust(6),
                    reason,
                ]
            )
            name = ""
    zone = reader.clock.zones(answer.start, answer.end)
    return _table(["day", "rank", f"window {zone}", "state", "margin", "what decides"], rows, width)


def _comparison(
    briefing: Briefing, readers: Sequence[Reader], names: Sequence[str], width: int
) -> list[list[str]]:
    hours = summary.compared_hours(briefing)
    if not hours:
        return [["The sites have no hour in common."]]
    clocks = summary.distinct_clocks(readers, hours[0].time)
    zones = [clock.zone(hours[0].time) for clock in clocks]
    turns = []
    for first, last, who in summary.who_is_better(briefing, hours, names):
        end = hours[last].time + findings.HOUR
        spans = [clock.span(hours[first].time, end) for clock in clocks]
        against = sentences.why_better(briefing, hours[first : last + 1], names, readers[0].units)
        for name, why in against or [("", "")]:
            turns.append([*spans, who, f"{name}: {why}" if why else ""])
            spans, who = [""] * len(spans), ""
    rows: list[list[str]] = []
    day, is_dark = None, False
    for hour in hours:
        lit = any(summary.is_lit(answer, hour.time) for answer in briefing.answers)
        if not lit and is_dark:
            continue
        is_dark = not lit
        if clocks[0].date(hour.time) != day:
            day = clocks[0].date(hour.time)
            rows.append([phrases.day_name(day)[:6].rstrip(), *[""] * (len(clocks) + len(names))])
        cells = [clock.hour(hour.time) for clock in clocks]
        states = [
            f"{s.state.words.ljust(9)} {phrases.margin(s.margin).rjust(5)}" if lit else "dark"
            for s in hour.standings
        ]
        better = "equal" if len(hour.better) > 1 else "".join(names[k] for k in hour.better)
        rows.append([*cells, *states, better])
    heads = ["\n".join(textwrap.wrap(name, 16)) for name in names]
    return [
        _table(
            [*(f"hours {zone}" for zone in zones), "better", "what stands against the others, at its worst"],
            turns,
            width,
        ),
        _table([*zones, *heads, "better"], rows, width),
    ]


# --- columns ---------------------------------------------------------------------------------------------------


def _wide(text: str) -> int:
    """Give the columns that a text takes; East Asian wide characters take two."""
    return sum(0 if unicodedata.combining(c) else 1 + (unicodedata.east_asian_width(c) in "WF") for c in text)


def _pad(text: str, width: int) -> str:
    return text + " " * max(0, width - _wide(text))


def _wrap(text: str, width: int, *, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(
        text, max(width, _NARROWEST), initial_indent=first, subsequent_indent=rest, break_long_words=False,
        break_on_hyphens=False,
    ) or [first.rstrip()]  # fmt: skip


def _lines(lines: Sequence[tuple[str, str]], width: int) -> list[str]:
    written = []
    for label, text in lines:
        written += _wrap(text, width, first=_pad(label, _LABEL), rest=" " * _LABEL)
    return written


def _table(header: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> list[str]:
    """Align columns; the last one is wrapped within the width. A heading may have several lines."""
    heading = list(itertools.zip_longest(*(cell.split("\n") for cell in header), fillvalue=""))
    everything = [*heading, *rows]
    widths = [max(_wide(row[i]) for row in everything) for i in range(len(header) - 1)]
    indent = sum(widths) + 2 * len(widths)
    written = []
    for row in everything:
        left = "  ".join(_pad(cell, w) for cell, w in zip(row[:-1], widths, strict=True)) + "  "
        room = max(width - indent, _NARROWEST)
        parts = textwrap.wrap(row[-1], room, break_long_words=False, break_on_hyphens=False) or [""]
        written += [(left + parts[0]).rstrip(), *(" " * indent + part for part in parts[1:])]
    return written
