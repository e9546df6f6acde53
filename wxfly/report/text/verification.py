"""Forecasts compared with what was observed, in words: past ones, the ledger, an airport's report and own forecast."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from wxfly.answer.findings import runs
from wxfly.cube.notes import NoteKind, kind_of
from wxfly.history.airports import Expected, HourAhead
from wxfly.history.verification import FEWEST_DAYS, ErrorRow
from wxfly.physics.scoring import upper_bound
from wxfly.pilot.own_files import damage_notes
from wxfly.pilot.site import distance_km
from wxfly.question.verification import LedgerScores, Observed, Verified
from wxfly.report.facts.values import CAUTIONS
from wxfly.report.text.console import aligned, clean, isolated, wrap
from wxfly.sources.airports import ATTRIBUTION, WEATHER
from wxfly.units import SYSTEMS, UNITS, from_si

_NAMES = {
    "wind_speed": ("wind at 10 m", "wind"),
    "wind_speed_of_gust": ("gust", "wind"),
    "air_temperature": ("temperature", "temperature"),
    "visibility_in_air": ("visibility", "visibility"),
}
_AHEAD = {
    "wind_speed": ("wind", "wind"),
    "wind_speed_of_gust": ("gust", "wind"),
    "visibility_in_air": ("visibility", "visibility"),
    "low_type_cloud_area_fraction": ("low cloud", "height"),
    "weather_code": ("weather", ""),
}
ELSEWHERE = (
    "An airport is open, level and not your site: measure where you stand (wxfly check) before you trust either."
)
_LOW = 2000.0  # m, above it no cloud is low


def observed_text(observed: Observed, *, units: str, width: int) -> str:
    """Write it as text.

    Parameters
    ----------
    observed : Observed
        What to tell.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    width : int
        Columns of the terminal.
    """
    report, obtained = observed.report, observed.obtained
    away = distance_km(observed.site.latitude, observed.site.longitude, report.latitude, report.longitude)
    name = isolated(f"{report.station} ({report.name})" if report.name else report.station)
    minutes = (obtained.now - report.observed) / np.timedelta64(1, "m")
    # No airport reports Kp: what is to be said of it has no part in this comparison.
    notes = [note for note in obtained.notes if kind_of(note) is not NoteKind.KP]
    blocks = [[clean(note[:1].upper() + note[1:]) for note in notes]]
    blocks.append(
        [
            _verdict(observed),
            f"Reported by {name}, {away:.0f} km from {isolated(observed.site.name)}, {minutes:.0f} min ago.",
        ]
    )
    table = _table(observed, units) if observed.differences else ""
    ahead = [_verdict_ahead(observed)]
    table_ahead = _table_ahead(observed, units) if observed.ahead else ""
    run = "not known" if np.isnat(obtained.run) else f"{str(obtained.run)[:16]}Z"
    closing = [
        f"As sent: {clean(report.text)}" if report.text else "",
        f"As sent: {clean(observed.aerodrome.text)}" if observed.aerodrome and observed.aerodrome.text else "",
        f"Forecast: {obtained.cube.attrs.get('source', 'not known')}, run {run}.",
        ELSEWHERE,
        *CAUTIONS,
        f"{obtained.cube.attrs.get('attribution', '')}; {ATTRIBUTION}",
    ]
    wrapped = ["\n".join(_wrap(text, width) for text in block if text) for block in (*blocks, ahead, closing)]
    return "\n\n".join(text for text in (*wrapped[:2], table, wrapped[2], table_ahead, wrapped[3]) if text)


def _verdict(observed: Observed) -> str:
    at = f"at {str(observed.report.observed)[11:16]}Z"
    if not observed.differences:
        return f"The report and the forecast have nothing in common to compare {at}."
    off = [_NAMES[d.name][0] for d in observed.differences if d.is_large]
    if not off:
        return f"The forecast agrees with what the nearest airport reported {at}."
    return (
        f"THE FORECAST IS OFF {at}: {', '.join(off)}. Hold the worse of the two against your limits, today's later "
        "hours too."
    )


def _table(observed: Observed, units: str) -> str:
    rows = [("", "reported", "forecast", "difference", "")]
    for d in observed.differences:
        name, quantity = _NAMES[d.name]
        unit = SYSTEMS[units][quantity]
        reported, forecast = (float(from_si(v, unit)) for v in (d.reported, d.forecast))
        shown = UNITS[unit].written
        at_least = d.name == "visibility_in_air" and observed.report.visibility_is_more
        between = "-" if at_least and reported < forecast else f"{reported - forecast:+.1f} {shown}"
        mark = "large" if d.is_large else ""
        rows.append((name, f"{'≥' * at_least}{reported:.1f} {shown}", f"{forecast:.1f} {shown}", between, mark))
    return aligned(rows)


def _verdict_ahead(observed: Observed) -> str:
    """Say whether an airport expects of the hours ahead what the forecast does."""
    aerodrome = observed.aerodrome
    if aerodrome is None:
        return f"{observed.why_none[:1].upper()}{clean(observed.why_none[1:])}."
    away = distance_km(observed.site.latitude, observed.site.longitude, aerodrome.latitude, aerodrome.longitude)
    by = f"{isolated(aerodrome.station)}, {away:.0f} km away, issued {str(aerodrome.issued)[11:16]}Z"
    if not observed.ahead:
        return f"An airport's own forecast ({by}) and this one have no hour ahead in common to compare."
    large = _hours_by_name(observed.ahead, "is_large")
    at_times = _hours_by_name(observed.ahead, "is_large_at_times")
    if large:
        line = [f"THE AIRPORT EXPECTS OTHERWISE ({by}): {large}. Hold the worse of the two against your limits."]
    elif any(one.prevailing is not None for hour in observed.ahead for one in hour.expected):
        last = str(observed.ahead[-1].hour)[11:16]
        line = [f"For the hours to {last}Z the forecast agrees with the airport's own ({by})."]
    else:
        line = [f"The airport's own forecast ({by}) says nothing of what prevails in the hours ahead."]
    if at_times:
        line.append(f"At times the airport holds worse to be possible than the forecast has: {at_times}.")
    return " ".join(line)


def _hours_by_name(ahead: tuple[HourAhead, ...], mark: str) -> str:
    """Name the quantities that are marked, and at which hours: those that follow each other as a span."""
    line = []
    for name, (words, _) in _AHEAD.items():
        spans = runs(
            position
            for position, hour in enumerate(ahead)
            if any(one.name == name and getattr(one, mark) for one in hour.expected)
        )
        hours = ((str(ahead[first].hour)[11:13], str(ahead[last].hour)[11:13]) for first, last in spans)
        if spans:
            line.append(f"{words} at {', '.join(a if a == b else f'{a} to {b}' for a, b in hours)}Z")
    return "; ".join(line)


def _table_ahead(observed: Observed, units: str) -> str:
    """Write the hours ahead, the airport's before the forecast's; what is only at times has a line of its own."""
    names = [name for name in _AHEAD if any(e.name == name for hour in observed.ahead for e in hour.expected)]
    units_of = {name: SYSTEMS[units][quantity] for name, (_, quantity) in _AHEAD.items() if quantity}
    heads = [f"{_AHEAD[n][0]} {units_of[n]}".removesuffix(" 1") if n in units_of else _AHEAD[n][0] for n in names]
    rows: list[tuple[str, ...]] = [("airport / forecast", *heads, "")]
    for hour in observed.ahead:
        of = {e.name: e for e in hour.expected}
        cells = [_both(of[n], of[n].prevailing, units_of) if n in of else "" for n in names]
        mark = "large" if any(e.is_large for e in hour.expected) else ""
        rows.append((f"{str(hour.hour)[5:16].replace('T', ' ')}Z", *cells, mark))
        if any(e.at_times is not None for e in hour.expected):
            at_times = [_both(of[n], of[n].at_times, units_of) if n in of else "" for n in names]
            rows.append(("  at times", *at_times, "large" if any(e.is_large_at_times for e in hour.expected) else ""))
    return aligned(rows)


def _both(one: Expected, said: float | frozenset[str] | None, units_of: dict[str, str]) -> str:
    if isinstance(one.forecast, frozenset):
        theirs = "-" if said is None else _kinds(said)
        return f"{theirs} / {_kinds(one.forecast)}"
    unit = units_of[one.name]
    if said is None or isinstance(said, frozenset):
        theirs = "-"
    elif one.name == "low_type_cloud_area_fraction":
        theirs = f"{float(from_si(said, unit)):.0f}" if said < _LOW else "none"
        return f"{theirs} / {one.forecast * 100:.0f} %"
    else:
        theirs = f"{'≥' * (one.is_more and said == one.prevailing)}{float(from_si(said, unit)):.1f}"
    if one.name == "low_type_cloud_area_fraction":
        return f"- / {one.forecast * 100:.0f} %"
    return f"{theirs} / {float(from_si(one.forecast, unit)):.1f}"


def _kinds(kinds: float | frozenset[str]) -> str:
    """Name the worst; that rain falls from a thunderstorm needs no words."""
    if not isinstance(kinds, frozenset):
        return "-"
    named = [kind for kind in WEATHER if kind in kinds]
    return (
        " + ".join(kind for kind in named if kind != "precipitation" or named[0] == "fog" or len(named) == 1) or "none"
    )


def _wrap(text: str, width: int) -> str:
    return "\n".join(wrap(text, max(width, 24)))


def verified_text(found: Verified) -> str:
    """Return how past forecasts of a site compare with its observations."""
    lines = [
        *found.damage,
        f"{found.site}: forecasts of {found.model} ({' and '.join(found.origin)}) against {found.source}, "
        f"at {found.height:g} m",
        *_errors_table(found.rows),
        *_learned(found),
    ]
    if found.entered:
        lines.append(f"{found.entered} observed hours entered in the ledger (see: wxfly ledger)")
    return "\n".join(lines)


def _errors_table(rows: Sequence[ErrorRow]) -> list[str]:
    """Return aligned lines with bias and error of wind and gust."""
    cells = [("", "", "hours", "days", "bias m/s", "error m/s")]
    before = ("", "")
    for row in rows:
        group = "" if (row.element, row.group) == before or row.group == "all" else f"by {row.group}"
        label = row.label if row.group != "all" else ""
        if row.group == "all":
            cells.append((row.element, "", str(row.hours), str(row.days), f"{row.bias:+.2f}", f"{row.error:.2f}"))
        else:
            cells.append((group, label, str(row.hours), str(row.days), f"{row.bias:+.2f}", f"{row.error:.2f}"))
        before = (row.element, row.group)
    widths = [max(len(c[i]) for c in cells) for i in range(len(cells[0]))]
    return [
        "  ".join(
            c.ljust(w) if i < 2 else c.rjust(w) for i, (c, w) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in cells
    ]


def _learned(found: Verified) -> list[str]:
    if found.learned is None:
        return [f"nothing can be learned from fewer than {FEWEST_DAYS} days of wind or gust"]
    if not found.is_learned:
        return [f"could be learned with --learn: {found.learned.words}"]
    switch = f"switch it on with: wxfly best {found.site} --model {found.model} --site-record"
    return [f"learned: {found.learned.words}", switch]


def ledger_text(kept: LedgerScores) -> str:
    """Return how the verdicts of the ledger compare with what was observed."""
    damage = damage_notes(kept.set_aside)
    if not kept.verdicts:
        of = f" of {kept.site}" if kept.site else ""
        none = f"the ledger holds no verdict{of} yet; it grows with every answer"
        none += f"; did you mean '{kept.near}'?" if kept.near else ""
        return "\n".join([*damage, none])
    scored = sum(score.counts.cases for score in kept.scores)
    lines = [*damage, f"{kept.verdicts} verdicts kept, {scored} of them scored"]
    for score in kept.scores:
        low, high = score.lead
        counts = score.counts
        missed, cleared = counts.broken_when_cleared
        ahead = f"{low:g} to {high:g} h ahead"
        if not counts.cases:
            lines.append(f"{ahead}: nothing observed yet for {score.unscored} hours")
            continue
        reported_outside, bound = counts.hits + counts.false_alarms, 100 * upper_bound(missed, cleared)
        lines.append(
            f"{ahead}: {counts.cases} hours observed; {reported_outside} reported outside, {counts.hits} of them "
            f"broken; {cleared} reported inside or narrow, {missed} of them broken "
            f"(at most {bound:.1f} % with 95 % confidence)"
        )
        if np.isfinite(score.value_within):
            lines.append(
                f"  worth {score.value_within:.2f} of perfect knowledge within season and time of day, where staying "
                f"at home costs a tenth of a broken limit; all hours pooled, which flatters: {score.value:.2f}"
            )
    return "\n".join(lines)
