"""Tables of an answer as header and rows of text: the same for the terminal and the page."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from wxfly.answer import findings
from wxfly.answer.comparison import Standing
from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.assessment.suitability import State
from wxfly.pilot.elements import ROW
from wxfly.report.text import comparison, sentences, summary
from wxfly.report.text.sentences import Reader

Table = tuple[list[str], list[list[str]]]


def hours_table(answer: SiteAnswer, reader: Reader, start: np.datetime64, end: np.datetime64) -> Table:
    """Return the hours of one answer between two moments; dark hours that follow each other share a row."""
    assessment = answer.assessment
    usable_start, usable_end = answer.usable_parts
    times = assessment["time"].values.astype("datetime64[s]")
    gaps = findings.gaps(answer)
    rows = []
    for first, last in _joined(answer, start, end):
        state = State(int(assessment["state"].values[first]))
        if np.isnat(usable_start[first]):
            span = reader.clock.span(times[first], times[last] + findings.HOUR)
            rows.append([span, state.words if state is State.NOT_KNOWN else "dark", "", "", ""])
            continue
        rows.append(
            [
                reader.clock.span(usable_start[first], usable_end[first]),
                state.words,
                sentences.margin(float(assessment["hour_margin"].values[first])).rjust(6),
                _window_of(answer, first),
                _reason(answer, first, gaps, reader.units),
            ]
        )
    zone = reader.clock.zones(start, end - np.timedelta64(1, "s"))
    return [f"hour {zone}", "state", "margin", "window", "what decides"], rows


def _joined(answer: SiteAnswer, start: np.datetime64, end: np.datetime64) -> list[tuple[int, int]]:
    lit = answer.lit_hours
    known = answer.assessment["state"].values != State.NOT_KNOWN
    times = answer.assessment["time"].values
    runs: list[tuple[int, int]] = []
    for i in np.flatnonzero((times + findings.HOUR > start) & (times < end)).tolist():
        if runs and not lit[i] and not lit[runs[-1][1]] and known[i] == known[runs[-1][1]]:
            runs[-1] = (runs[-1][0], i)
        else:
            runs.append((i, i))
    return runs


def _window_of(answer: SiteAnswer, hour: int) -> str:
    """Return the rank of the window that an hour belongs to, 1 the best; empty when none."""
    return next((str(rank) for rank, w in enumerate(answer.windows, 1) if w.first <= hour <= w.last), "")


def _reason(answer: SiteAnswer, hour: int, gaps: Sequence[findings.Gap], units: str) -> str:
    """Say what decides in an hour, and what is not known in it but is in others."""
    missing = [gap for gap in gaps if hour in gap.hours]
    reason = sentences.reason_of(answer, hour, units)
    required = [gap.element for gap in missing if gap.required]
    others = [gap.element for gap in missing if not gap.required and not gap.everywhere]
    parts = [reason]
    if required:
        parts = [f"{sentences.titles(required)} not known"]
        # A limit that is broken all the same is worth telling; one that holds would be a false comfort.
        element = str(answer.assessment["limiting_element"].values[hour])
        if element and float(answer.assessment["margin"].values[ROW[element], hour]) < 0:
            parts.append(reason)
    if others:
        parts.append(f"{sentences.titles(others)} not known")
    return "; ".join(parts)


def week_table(briefing: Briefing, answer: SiteAnswer, reader: Reader) -> Table:
    """Return the days of an answer with their windows, or why there is none."""
    rows = []
    for day in findings.days_of(answer, reader.clock):
        name = sentences.day_name(day.date)
        if not day.windows:
            why = sentences.why_none(answer, day, briefing.minimum_duration, reader)
            rows.append([name, "", "none", "", "", "; ".join(why)])
        for rank, window in day.windows:
            reason = sentences.window_reason(answer, window, reader.units)
            if window.unknown:
                reason += f"; {sentences.titles(window.unknown)} not known"
            margin = sentences.margin(window.margin).rjust(6)
            span = reader.clock.span(window.start, window.end)
            rows.append([name, str(rank).rjust(4), span, window.state.words, margin, reason])
            name = ""
    zone = reader.clock.zones(answer.start, answer.end)
    return ["day", "rank", f"window {zone}", "state", "margin", "what decides"], rows


def turns_table(briefing: Briefing, readers: Sequence[Reader], names: Sequence[str]) -> Table:
    """Return the runs of hours in which a site is better, with what stands against each other site."""
    hours = briefing.compared
    clocks = summary.distinct_clocks(readers, hours[0].time)
    rows = []
    for first, last, who in summary.who_is_better(briefing, hours, names):
        end = hours[last].time + findings.HOUR
        spans = [clock.span(hours[first].time, end) for clock in clocks]
        against = comparison.why_better(briefing, hours[first : last + 1], names, readers[0].units)
        for name, why in against or [("", "")]:
            rows.append([*spans, who, f"{name}: {why}" if why else ""])
            spans, who = [""] * len(spans), ""
    zones = [clock.zones(hours[0].time, hours[-1].time) for clock in clocks]
    return [*(f"hours {zone}" for zone in zones), "better", "what stands against the others, at its worst"], rows


def sites_table(briefing: Briefing, readers: Sequence[Reader], names: Sequence[str]) -> Table:
    """Return every hour of a comparison with the state and margin at each site; dark hours share a row."""
    hours = briefing.compared
    clocks = summary.distinct_clocks(readers, hours[0].time)
    rows: list[list[str]] = []
    day, is_dark = None, False
    for hour in hours:
        lit = hour.is_lit
        if not lit and is_dark:
            continue
        is_dark = not lit
        if clocks[0].date(hour.time) != day:
            day = clocks[0].date(hour.time)
            rows.append([sentences.day_name(day)[:6].rstrip(), *[""] * (len(clocks) + len(names))])
        cells = [clock.hour_told_apart(hour.time) for clock in clocks]
        states = [_standing(standing) if lit else "dark" for standing in hour.standings]
        better = "equal" if len(hour.better) > 1 else "".join(names[k] for k in hour.better)
        rows.append([*cells, *states, better])
    return [*(clock.zones(hours[0].time, hours[-1].time) for clock in clocks), *names, "better"], rows


def _standing(standing: Standing) -> str:
    """Write state and margin of a site; a question mark behind the margin where something is not known."""
    hidden = "?" if standing.unknown and standing.holds else ""
    return f"{standing.state.words.ljust(9)} {sentences.margin(standing.margin).rjust(5)}{hidden}"
