"""The latest airport report, and what an airport expects of the hours ahead, beside the forecast: in words."""

from __future__ import annotations

import numpy as np

from wxfly.answer.findings import runs
from wxfly.cube.notes import NoteKind, kind_of
from wxfly.history.airport_forecasts import Expected, HourAhead
from wxfly.pilot.coordinates import distance_km
from wxfly.question.observed import Observed
from wxfly.report.facts.values import CAUTIONS
from wxfly.report.text.console import aligned, clean, isolated, wrap
from wxfly.sources.airport_forecasts import WEATHER
from wxfly.sources.airport_reports import ATTRIBUTION
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


def render(observed: Observed, *, units: str, width: int) -> str:
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
