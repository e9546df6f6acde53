"""Forecasts compared with what was observed, in words: past ones, the ledger, an airport's report and own forecast."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np

from wxfly.report.command_facts.verification import (
    AirportForecastFacts,
    ErrorFacts,
    ExpectedFacts,
    HourAheadFacts,
    LedgerFacts,
    ObservedFacts,
    VerificationFacts,
)
from wxfly.report.facts.values import CAUTIONS, runs_of
from wxfly.report.text.console import aligned, clean, isolated, wrap
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


def observed_text(observed: ObservedFacts, *, units: str, width: int) -> str:
    """Return an airport report beside the forecast as text.

    Parameters
    ----------
    observed : ObservedFacts
        What to tell.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    width : int
        Columns of the terminal.
    """
    named = isolated(f"{observed.station} ({observed.station_name})" if observed.station_name else observed.station)
    minutes = (observed.asked_at - observed.reported_at).total_seconds() / 60
    blocks = [[clean(note[:1].upper() + note[1:]) for note in observed.notes]]
    blocks.append(
        [
            _verdict(observed),
            f"Reported by {named}, {observed.distance / 1000:.0f} km from {isolated(observed.site)}, "
            f"{minutes:.0f} min ago.",
        ]
    )
    own = observed.airport_forecast
    table = _table(observed, units) if observed.differences else ""
    ahead = [_verdict_ahead(observed)]
    table_ahead = _table_ahead(own.hours, units) if own and own.hours else ""
    run = observed.forecast_run
    closing = [
        f"As sent: {clean(observed.report)}" if observed.report else "",
        f"As sent: {clean(own.report)}" if own and own.report else "",
        f"Forecast: {observed.forecast_source or 'not known'}, run {f'{run:%Y-%m-%dT%H:%M}Z' if run else 'not known'}.",
        ELSEWHERE,
        *CAUTIONS,
        f"{observed.forecast_attribution or ''}; {observed.reports_attribution}",
    ]
    wrapped = ["\n".join(_wrap(text, width) for text in block if text) for block in (*blocks, ahead, closing)]
    return "\n\n".join(text for text in (*wrapped[:2], table, wrapped[2], table_ahead, wrapped[3]) if text)


def _clock(moment: datetime) -> str:
    return f"{moment:%H:%M}Z"


def _verdict(observed: ObservedFacts) -> str:
    at = f"at {_clock(observed.reported_at)}"
    if observed.forecast_is_off is None:
        return f"The report and the forecast have nothing in common to compare {at}."
    if not observed.forecast_is_off:
        return f"The forecast agrees with what the nearest airport reported {at}."
    off = [_NAMES[d.name][0] for d in observed.differences if d.is_large]
    return (
        f"THE FORECAST IS OFF {at}: {', '.join(off)}. Hold the worse of the two against your limits, today's later "
        "hours too."
    )


def _table(observed: ObservedFacts, units: str) -> str:
    rows = [("", "reported", "forecast", "difference", "")]
    for d in observed.differences:
        name, quantity = _NAMES[d.name]
        unit = SYSTEMS[units][quantity]
        reported, forecast = _in(d.reported, unit), _in(d.forecast_value, unit)
        shown = UNITS[unit].written
        between = "-" if d.reported_is_at_least and reported < forecast else f"{reported - forecast:+.1f} {shown}"
        mark = "large" if d.is_large else ""
        at_least = "≥" * d.reported_is_at_least
        rows.append((name, f"{at_least}{reported:.1f} {shown}", f"{forecast:.1f} {shown}", between, mark))
    return aligned(rows)


def _in(value: float | None, unit: str) -> float:
    return float(from_si(float("nan") if value is None else value, unit))


def _verdict_ahead(observed: ObservedFacts) -> str:
    """Return in words whether an airport expects of the hours ahead what the forecast does."""
    own = observed.airport_forecast
    if own is None:
        why = observed.why_no_airport_forecast or ""
        return f"{why[:1].upper()}{clean(why[1:])}."
    by = _named(own)
    if not own.hours:
        return f"An airport's own forecast ({by}) and this one have no hour ahead in common to compare."
    large = _hours_by_name(own.hours, "is_large")
    at_times = _hours_by_name(own.hours, "is_large_at_times")
    if large:
        line = [f"THE AIRPORT EXPECTS OTHERWISE ({by}): {large}. Hold the worse of the two against your limits."]
    elif any(_says(one) for hour in own.hours for one in hour.expected):
        last = _clock(own.hours[-1].time)
        line = [f"For the hours to {last} the forecast agrees with the airport's own ({by})."]
    else:
        line = [f"The airport's own forecast ({by}) says nothing of what prevails in the hours ahead."]
    if at_times:
        line.append(f"At times the airport holds worse to be possible than the forecast has: {at_times}.")
    return " ".join(line)


def _named(own: AirportForecastFacts) -> str:
    return f"{isolated(own.station)}, {own.distance / 1000:.0f} km away, issued {_clock(own.issued)}"


def _says(one: ExpectedFacts) -> bool:
    """Return whether the airport says what prevails."""
    return one.airport_value is not None or one.has_no_ceiling or one.airport_weather is not None


def _says_at_times(one: ExpectedFacts) -> bool:
    return (
        one.airport_value_at_times is not None
        or one.has_no_ceiling_at_times
        or one.airport_weather_at_times is not None
    )


def _hours_by_name(ahead: Sequence[HourAheadFacts], mark: str) -> str:
    """Name the quantities that are marked, and at which hours: those that follow each other as a span."""
    line = []
    for name, (words, _) in _AHEAD.items():
        marked = [any(one.name == name and getattr(one, mark) for one in hour.expected) for hour in ahead]
        hours = [(f"{ahead[first].time:%H}", f"{ahead[last].time:%H}") for first, last in runs_of(np.asarray(marked))]
        if hours:
            line.append(f"{words} at {', '.join(a if a == b else f'{a} to {b}' for a, b in hours)}Z")
    return "; ".join(line)


def _table_ahead(ahead: Sequence[HourAheadFacts], units: str) -> str:
    """Write the hours ahead, the airport's before the forecast's; what is only at times has a line of its own."""
    names = [name for name in _AHEAD if any(e.name == name for hour in ahead for e in hour.expected)]
    units_of = {name: SYSTEMS[units][quantity] for name, (_, quantity) in _AHEAD.items() if quantity}
    heads = [f"{_AHEAD[n][0]} {units_of[n]}".removesuffix(" 1") if n in units_of else _AHEAD[n][0] for n in names]
    rows: list[tuple[str, ...]] = [("airport / forecast", *heads, "")]
    for hour in ahead:
        of = {e.name: e for e in hour.expected}
        cells = [_both(of[n], units_of) if n in of else "" for n in names]
        mark = "large" if any(e.is_large for e in hour.expected) else ""
        rows.append((f"{hour.time:%m-%d %H:%M}Z", *cells, mark))
        if any(map(_says_at_times, hour.expected)):
            at_times = [_both(of[n], units_of, at_times=True) if n in of else "" for n in names]
            rows.append(("  at times", *at_times, "large" if any(e.is_large_at_times for e in hour.expected) else ""))
    return aligned(rows)


def _both(one: ExpectedFacts, units_of: dict[str, str], *, at_times: bool = False) -> str:
    """Write what the airport says and what the forecast says."""
    if one.forecast_weather is not None:
        said = one.airport_weather_at_times if at_times else one.airport_weather
        return f"{'-' if said is None else _kinds(said)} / {_kinds(one.forecast_weather)}"
    value = one.airport_value_at_times if at_times else one.airport_value
    unit = units_of[one.name]
    if one.name == "low_type_cloud_area_fraction":
        is_none = (one.has_no_ceiling_at_times if at_times else one.has_no_ceiling) or (value or 0.0) >= _LOW
        theirs = "none" if is_none else "-" if value is None else f"{_in(value, unit):.0f}"
        return f"{theirs} / {100 * (one.forecast_value or 0.0):.0f} %"
    at_least = "≥" * (one.airport_is_at_least and value == one.airport_value)
    theirs = "-" if value is None else f"{at_least}{_in(value, unit):.1f}"
    return f"{theirs} / {_in(one.forecast_value, unit):.1f}"


def _kinds(kinds: Sequence[str]) -> str:
    """Name the worst; that rain falls from a thunderstorm needs no words."""
    return (
        " + ".join(kind for kind in kinds if kind != "precipitation" or kinds[0] == "fog" or len(kinds) == 1) or "none"
    )


def _wrap(text: str, width: int) -> str:
    return "\n".join(wrap(text, max(width, 24)))


def verified_text(found: VerificationFacts) -> str:
    """Return how past forecasts of a site compare with its observations."""
    lines = [
        *found.set_aside,
        f"{found.site}: forecasts of {found.model} ({' and '.join(found.forecasts_from)}) against {found.observed_by}, "
        f"at {found.observed_height:g} m",
        *_errors_table(found.errors),
        *_learned(found),
    ]
    if found.entered_hours:
        lines.append(f"{found.entered_hours} observed hours entered in the ledger (see: wxfly ledger)")
    return "\n".join(lines)


def _errors_table(rows: Sequence[ErrorFacts]) -> list[str]:
    """Return aligned lines with bias and error of wind and gust."""
    cells = [("", "", "hours", "days", "bias m/s", "error m/s")]
    before = ("", "")
    for row in rows:
        is_first = (row.element, row.group) != before
        group = f"by {row.group}" if is_first and row.group != "all" else ""
        titled = (row.element, "") if row.group == "all" else (group, row.label)
        bias, error = ("-" if v is None else f"{v:{sign}.2f}" for v, sign in ((row.bias, "+"), (row.error, "")))
        cells.append((*titled, str(row.hour_count), str(row.day_count), bias, error))
        before = (row.element, row.group)
    widths = [max(len(c[i]) for c in cells) for i in range(len(cells[0]))]
    return [
        "  ".join(
            c.ljust(w) if i < 2 else c.rjust(w) for i, (c, w) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in cells
    ]


def _learned(found: VerificationFacts) -> list[str]:
    if found.learned is None:
        return [f"nothing can be learned from fewer than {found.fewest_days} days of wind or gust"]
    if not found.learned.is_kept:
        return [f"could be learned with --learn: {found.learned.words}"]
    switch = f"switch it on with: wxfly best {found.site} --model {found.model} --site-record"
    return [f"learned: {found.learned.words}", switch]


def ledger_text(kept: LedgerFacts) -> str:
    """Return how the verdicts of the ledger compare with what was observed."""
    if not kept.verdict_count:
        of = f" of {kept.site}" if kept.site else ""
        none = f"the ledger holds no verdict{of} yet; it grows with every answer"
        none += f"; did you mean '{kept.near_name}'?" if kept.near_name else ""
        return "\n".join([*kept.set_aside, none])
    scored = sum(score.observed_hours for score in kept.scores)
    lines = [*kept.set_aside, f"{kept.verdict_count} verdicts kept, {scored} of them scored"]
    for score in kept.scores:
        ahead = f"{score.least_lead} to {score.most_lead} h ahead"
        if score.broken_at_most is None:
            lines.append(f"{ahead}: nothing observed yet for {score.unscored_hours} hours")
            continue
        lines.append(
            f"{ahead}: {score.observed_hours} hours observed; {score.reported_outside} reported outside, "
            f"{score.told_outside_broken} of them broken; {score.told_holding} reported inside or narrow, "
            f"{score.told_holding_broken} of them broken "
            f"(at most {100 * score.broken_at_most:.1f} % with 95 % confidence)"
        )
        if score.worth is not None and score.worth_pooled is not None:
            lines.append(
                f"  worth {score.worth:.2f} of perfect knowledge within season and time of day, where staying "
                f"at home costs a tenth of a broken limit; all hours pooled, which flatters: {score.worth_pooled:.2f}"
            )
    return "\n".join(lines)
