"""Tables that programs read: the hours of an answer, the cells of ranked spots, the rows of a fleet.

They are CSV (RFC 4180), or of a fleet Parquet: everything in columns, nothing above the header. Where the forecast is
from, how old it is and the caution stand in columns of every row, so that they stay with the numbers when rows are
sorted or cut, and every CSV reader opens the file without being told to skip lines.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Literal

from wxfly.errors import missing_extra
from wxfly.pilot.elements import BY_NAME
from wxfly.pilot.limit_rules import GRADES, LimitSense
from wxfly.report.facts import writing
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.hours import ComparisonFacts, limits_of_hours, unknown_of_hours
from wxfly.report.facts.site import ForecastFacts, SiteAnswerFacts
from wxfly.report.facts.values import INVENTED, distinguished
from wxfly.report.facts.writing import Clock, Reader
from wxfly.report.text.console import clean, without_isolates
from wxfly.units import from_si

if TYPE_CHECKING:
    from wxfly.report.command_facts.brief import BriefFacts
    from wxfly.report.command_facts.fleet import FleetFacts, FleetSiteFacts
    from wxfly.report.command_facts.where import WhereFacts

# --- the columns of the hours ----------------------------------------------------------------------------------


Kind = Literal["words", "list", "ranks", "hour", "moment", "state", "share", "amount", "grade", "direction", "flag"]


@dataclass(frozen=True)
class Column:
    """One column of a table of hours.

    Attributes
    ----------
    name : str
        Of the column.
    kind : str
        What a value is. ``list`` and ``ranks``: several words, several numbers in each hour.
    hours : sequence
        The value of each hour, SI and UTC; None is unknown or does not exist.
    unit : str
        SI unit of numbers.
    quantity : str
        Key of the unit in `wxfly.units.SYSTEMS`; empty where it is the same for all pilots.
    """

    name: str
    kind: Kind
    hours: Sequence[Any]
    unit: str = ""
    quantity: str = ""


def columns_of(facts: AnswerFacts, position: int) -> list[Column]:
    """Return the columns of the hours of one site.

    Parameters
    ----------
    facts : AnswerFacts
        The answer.
    position : int
        Of the site.

    Returns
    -------
    list of Column
        In the order of the table.
    """
    site = facts.sites[position]
    hours, count = site.hours, len(site.hours.start)
    columns = [
        Column("site", "words", [site.label] * count),
        Column("aircraft", "words", [site.aircraft.name] * count),
        Column("height", "amount", [site.height] * count, "m", "height"),
        Column("hour", "hour", hours.start),
        Column("usable_start", "moment", hours.usable_start),
        Column("usable_end", "moment", hours.usable_end),
        Column("state", "state", hours.state),
        Column("margin", "share", hours.margin, "1"),
        Column("limiting_element", "words", hours.limiting_element),
        Column("window", "ranks", _ranks(site)),
        Column("not_known", "list", unknown_of_hours(hours, site.elements)),
        Column("chance", "share", hours.chance, "1"),
        Column("wind_from_direction", "direction", hours.wind_from_direction_at_start, "degree"),
    ]
    if facts.comparison is not None:
        columns += _compared(facts.comparison, position, hours.start)
    for element in site.elements:
        kind: Kind = "grade" if element.sense == LimitSense.GRADE else "amount"
        unit = element.unit, BY_NAME[element.name].quantity
        columns += [
            Column(f"{element.name}_demand", kind, element.demand, *unit),
            Column(f"{element.name}_limit", kind, limits_of_hours(element), *unit),
            Column(f"{element.name}_margin", "share", element.margin, "1"),
        ]
    return columns


def _ranks(site: SiteAnswerFacts) -> list[list[int]]:
    """Return the ranks of the windows that each hour has a part in."""
    hour = timedelta(hours=1)
    return [[w.rank for w in site.windows if w.start < start + hour and start < w.end] for start in site.hours.start]


def _compared(comparison: ComparisonFacts, position: int, hours: Sequence[datetime]) -> list[Column]:
    """Return whether the site is the better one in each hour, and of two sites how sure that is."""
    at = {start: i for i, start in enumerate(comparison.start)}
    places = [at.get(hour) for hour in hours]
    columns = [Column("better", "flag", [i is not None and position in comparison.better[i] for i in places])]
    if len(comparison.standings) == 2:
        shares = [None if i is None else comparison.chance_better[i] for i in places]
        columns.append(Column("chance_better", "share", [three and three[position] for three in shares], "1"))
    return columns


# --- the hours and the cells as CSV ----------------------------------------------------------------------------


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
    return _csv(rows[0], [row.values() for row in rows])


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
    return _csv(tables[0], [row for table in tables for row in zip(*table.values(), strict=True)])


def _csv(header: Iterable[str], rows: Iterable[Iterable[Cell]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(header)
    writer.writerows([safe_cell(cell) if isinstance(cell, str) else cell for cell in row] for row in rows)
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


# --- a fleet ---------------------------------------------------------------------------------------------------


_COLUMNS: dict[str, Callable[[FleetSiteFacts], Any]] = {
    "row": lambda s: s.row,
    "site": lambda s: s.name,
    "latitude[degree]": lambda s: s.latitude,
    "longitude[degree]": lambda s: s.longitude,
    "surface_altitude[m]": lambda s: s.surface_altitude,
    "aircraft": lambda s: s.aircraft,
    "rules": lambda s: s.rules,
    "plan": lambda s: s.plan,
    "height[m]": lambda s: s.height,
    "verdict": lambda s: str(s.word),
    "as_far_as_known": lambda s: s.as_far_as_known,
    "zone_warning": lambda s: s.zone_warning,
    "not_known": lambda s: s.fault or s.not_known,
    "not_known_hours": lambda s: s.not_known_count,
    "lit_hours": lambda s: s.lit_count,
    "window_start_utc": lambda s: s.windows[0].start if s.windows else None,
    "window_end_utc": lambda s: s.windows[0].end if s.windows else None,
    "chance": lambda s: s.windows[0].chance if s.windows else None,
    "margin": lambda s: s.windows[0].margin if s.windows else None,
    "deciding_element": lambda s: s.deciding_element,
    "windows": lambda s: len(s.windows),
    "models": lambda s: " ".join(s.models),
    "members": lambda s: s.member_count,
    "run_utc": lambda s: s.run,
    "age[s]": lambda s: s.age,
    "time_zone": lambda s: s.time_zone,
}
"""The columns of both, in their order; SI units in brackets."""


def fleet_to_csv(facts: FleetFacts, *, time_zone: str | None) -> str:
    """Write one row for each site, the best first.

    Parameters
    ----------
    facts : FleetFacts
        The fleet.
    time_zone : str or None
        IANA zone of the local columns; None takes each site's own.

    Returns
    -------
    str
        Header and rows, in SI units. An empty cell is a thing that is not known.
    """
    rows = []
    notice = "; ".join([*([INVENTED] if facts.invented else []), *facts.notes])
    for site in facts.sites:
        clock = Clock(time_zone or site.time_zone)
        ends = [moment for w in site.windows[:1] for moment in (w.start, w.end)]
        local = [clock.local(moment).isoformat() for moment in ends] or ["", ""]
        cells = ["; ".join(filter(None, [notice, *site.notes])), *(read(site) for read in _COLUMNS.values()), *local]
        rows.append([_cell(cell) for cell in (*cells, "; ".join(facts.attributions), facts.cautions[0])])
    header = ["notice", *_COLUMNS, "window_start_local", "window_end_local", "attribution", "caution"]
    return _csv(header, rows)


def _cell(value: Any) -> Cell:
    match value:
        case None:
            return ""
        case bool():
            return int(value)
        case datetime():
            return _utc(value)
        case str():
            return value
        case _:
            return float(value) if isinstance(value, float) else int(value)


def fleet_to_parquet(facts: FleetFacts) -> bytes:
    """Write the same columns as Parquet, moments in UTC, with the notes and cautions in each row.

    Raises
    ------
    WxflyError
        Where pyarrow is not installed.
    """
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError:
        raise missing_extra("Parquet needs", ["pyarrow"], "parquet") from None
    kinds = {"row": pa.int32(), "windows": pa.int32(), "members": pa.int32(), "as_far_as_known": pa.bool_()}
    kinds |= dict.fromkeys(("not_known_hours", "lit_hours"), pa.int32())
    numbers = (
        "latitude[degree]",
        "longitude[degree]",
        "surface_altitude[m]",
        "height[m]",
        "chance",
        "margin",
        "age[s]",
    )
    kinds |= dict.fromkeys(numbers, pa.float64())
    moments = ("window_start_utc", "window_end_utc", "run_utc")
    kinds |= dict.fromkeys(moments, pa.timestamp("s", tz="UTC"))
    columns = {
        name: pa.array([read(site) for site in facts.sites], type=kinds.get(name, pa.string()))
        for name, read in _COLUMNS.items()
    }
    notice = [INVENTED] if facts.invented else []
    columns["notice"] = pa.array(["; ".join([*notice, *facts.notes, *site.notes]) for site in facts.sites])
    columns["attribution"] = pa.array(["; ".join(facts.attributions)] * len(facts.sites))
    columns["caution"] = pa.array([facts.cautions[0]] * len(facts.sites))
    buffer = io.BytesIO()
    parquet.write_table(pa.table(columns), buffer)
    return buffer.getvalue()
