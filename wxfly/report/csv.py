"""The hours as CSV (RFC 4180): one row for each site and hour, everything in columns, nothing above the header.

Where the forecast is from, how old it is and the caution stand in columns of every row, so that they stay with the
numbers when rows are sorted or cut, and every CSV reader opens the file without being told to skip lines.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from wxfly.pilot.elements import GRADES
from wxfly.report.command_facts.brief import BriefFacts
from wxfly.report.command_facts.where import WhereFacts
from wxfly.report.facts import writing
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.site import ForecastFacts
from wxfly.report.facts.timeline import Column, columns_of
from wxfly.report.facts.values import INVENTED, distinguished
from wxfly.report.facts.writing import Clock, Reader
from wxfly.report.text.console import clean, without_isolates
from wxfly.units import from_si

Cell = str | float

# What a spreadsheet may run: one of these at the start of a cell, also of the one that it makes behind a semicolon or
# a bar where it parts columns there. Full-width signs count in some languages.
_FORMULA = re.compile("(^|[;|])(?=[\\s\"']*[=+\\-@\uff1d\uff0b\uff0d\uff20])")


def brief_to_csv(facts: BriefFacts | AnswerFacts) -> str:
    """Write the hours of a brief's window as CSV, as `to_csv` does, with wind and gust at each of its heights.

    An answer in which no window holds is written whole.
    """
    if isinstance(facts, AnswerFacts):
        return to_csv(facts)
    levels = []
    for level in facts.levels:
        at = writing.amount(level.height, "height", facts.answer.display_units).replace(" ", "")
        levels += [
            Column(f"{name}_at_{at}", "amount", hours, "m s-1", "wind")
            for name, hours in (("wind", level.wind), ("gust", level.gust))
        ]
    part = slice(facts.first, facts.last + 1)
    return to_csv(facts.answer, part=part, more=levels)


def where_to_csv(facts: WhereFacts, reader: Reader) -> str:
    """Write the cells of ranked spots as CSV: one row for each cell, with the margin of every hour in its own column.

    Parameters
    ----------
    facts : WhereFacts
        The answer.
    reader : Reader
        Units and clock.
    """
    clock, unit = reader.clock, writing.unit_of("visibility", reader.units)
    rank = {(spot.latitude, spot.longitude): k for k, spot in enumerate(facts.spots, start=1)}
    notice = INVENTED if facts.invented else "; ".join(facts.notes)
    run = "" if facts.run is None else _utc(facts.run)
    rows = []
    for cell in facts.each_cell:
        row: dict[str, Cell] = {
            "notice": notice, "rank": rank.get((cell.latitude, cell.longitude), ""),
            "latitude": cell.latitude, "longitude": cell.longitude,
            f"distance[{unit}]": round(float(from_si(cell.distance, unit)), 3), "bearing[degree]": cell.bearing,
        }  # fmt: skip
        for name, moment in (("start", cell.start), ("end", cell.end)):
            row |= {f"{name}_utc": "" if moment is None else _utc(moment)}
            row |= {f"{name}_local": "" if moment is None else clock.local(moment).isoformat()}
        row |= {"margin": _each([cell.margin], float)[0], "chance": _each([cell.chance], float)[0]}
        row |= {"why_without_chance": cell.why_without_chance or ""}
        for hour, *of_hour in zip(facts.hours, cell.hour_margin, cell.hour_state, cell.hour_element, strict=True):
            values = ["" if value is None else value for value in of_hour]
            row |= {f"{name}_{_utc(hour)}": v for name, v in zip(("margin", "state", "element"), values, strict=True)}
        row |= {"model": facts.model, "run_utc": run, "attribution": facts.attribution, "caution": facts.cautions[0]}
        rows.append(row)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerows(
        [
            rows[0],
            *(
                row.values()
                for row in ({k: safe_cell(v) if isinstance(v, str) else v for k, v in row.items()} for row in rows)
            ),
        ]
    )
    return text.getvalue()


def to_csv(facts: AnswerFacts, *, part: slice = slice(None), more: Sequence[Column] = ()) -> str:
    """Write the hours of an answer as CSV.

    Parameters
    ----------
    facts : AnswerFacts
        The answer; its units stand in the header in brackets.
    part : slice, optional
        Positions of the hours that are written.
    more : sequence of Column, optional
        Columns of just these hours.

    Returns
    -------
    str
        Header and rows. An empty cell is a thing that is not known; margins and chances are plain numbers.
    """
    units, names = facts.display_units, [site.site.name for site in facts.sites]
    names = distinguished(names, [s.height for s in facts.sites], lambda h: writing.amount(h, "height", units))
    tables = []
    for position, (site, name) in enumerate(zip(facts.sites, names, strict=True)):
        clock = Clock(facts.display_time_zone or site.site.time_zone)
        count = len(site.hours.start[part])
        table: dict[str, Sequence[Cell]] = {
            "notice": [INVENTED if facts.invented else "; ".join(note.text for note in facts.notes)] * count
        }
        columns = [replace(column, hours=column.hours[part]) for column in columns_of(facts, position)]
        for column in (*columns, *more):
            table |= _written(column, units, clock)
        table["site"] = [name] * count
        origin = _origin(facts.forecasts[site.forecast]) | {"caution": facts.cautions[0]}
        tables.append(table | {key: [cell] * count for key, cell in origin.items()})
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(tables[0])
    for table in tables:
        for row in zip(*table.values(), strict=True):
            writer.writerow([safe_cell(cell) if isinstance(cell, str) else cell for cell in row])
    return text.getvalue()


def _written(column: Column, units: str, clock: Clock) -> Mapping[str, Sequence[Cell]]:
    """Return the cells of a column by their header."""
    name, values = column.name, column.hours
    match column.kind:
        case "hour":
            return {
                f"{name}_utc": [_utc(v) for v in values],
                f"{name}_local": [clock.local(v).isoformat() for v in values],
                "zone": [clock.zone(v) for v in values],
            }
        case "moment":
            return {f"{name}_local": _each(values, lambda v: clock.local(v).isoformat())}
        case "list" | "ranks":
            return {name: [" ".join(map(str, v)) for v in values]}
        case "share":
            return {name: _each(values, lambda v: round(v, 4))}
        case "direction":
            return {f"{name}[{column.unit}]": _each(values, lambda v: round(v, 1))}
        case "grade":
            return {f"{name}[{column.unit}]": _each(values, lambda v: GRADES[int(v)])}
        case "amount":
            unit = writing.unit_of(column.quantity, units)
            header = unit if column.quantity else column.unit
            return {f"{name}[{header}]": _each(values, lambda v: round(float(from_si(v, unit)), 3))}
        case "flag":
            return {name: _each(values, int)}
        case _:
            return {name: _each(values, str)}


def _each(values: Sequence[Any], write: Callable[[Any], Cell]) -> list[Cell]:
    """Write every value, nothing for what is unknown."""
    return ["" if value is None else write(value) for value in values]


def _utc(moment: datetime) -> str:
    return moment.isoformat().replace("+00:00", "Z")


def _origin(forecast: ForecastFacts) -> dict[str, Cell]:
    run, retrieved = (_each([moment], _utc)[0] for moment in (forecast.run, forecast.retrieved))
    return {
        "model": forecast.model or "",
        "run_utc": run,
        "retrieved_utc": retrieved,
        "age_h": "" if forecast.age is None else round(forecast.age / 3600, 1),
        "attribution": forecast.attribution or "",
        "licence": forecast.licence or "",
    }


def safe_cell(cell: str) -> str:
    """Return a text cell clean, with an apostrophe wherever a spreadsheet could begin to read a formula."""
    return _FORMULA.sub(r"\1'", clean(without_isolates(cell)))
