"""Observations of a place: a pilot's own file, read completely or not at all, and airport reports; gathered into hours.

A pilot's file is comma-separated text with a line of headings. Columns, in any order::

    time                          with an offset or Z: 2026-06-10T14:05+02:00
    wind_speed [m/s]              mean wind; also km/h, mph, kt
    wind_speed_of_gust [m/s]      largest gust since the row before
    wind_from_direction [degree]  where the wind comes from
    air_temperature [degC]        also K, degF

`time` and one of the others are needed. An empty cell is a missing value.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from wxfly.errors import WxflyError, unknown_name
from wxfly.physics import MELTING_POINT
from wxfly.times import as_moment, utc_now
from wxfly.units import UNITS, symbols_of, to_si

Array = npt.NDArray[np.float64]
Times = npt.NDArray[np.datetime64]

HOUR = np.timedelta64(1, "h")
HALF = np.timedelta64(30, "m")
FAULTS_SHOWN = 12
"""Most faults of a file that one error lists."""


@dataclass(frozen=True)
class Column:
    """One column: its quantity and the range of its values, in SI units."""

    quantity: str
    lowest: float
    highest: float


COLUMNS: dict[str, Column] = {
    "wind_speed": Column("speed", 0.0, 75.0),
    "wind_speed_of_gust": Column("speed", 0.0, 120.0),
    "wind_from_direction": Column("angle", 0.0, 360.0),
    "air_temperature": Column("temperature", 180.0, 333.0),
}


@dataclass(frozen=True)
class Record:
    """Observations as received: times (UTC, increasing) and columns in SI, NaN where missing."""

    time: Times
    columns: Mapping[str, Array]
    source: str


@dataclass(frozen=True)
class HourlyRecord:
    """Observations gathered by hour.

    Attributes
    ----------
    hour : ndarray of datetime64
        Start of each hour, UTC.
    wind_speed, wind_from_direction, air_temperature : ndarray
        Mean of the observations within half an hour of the start, the direction as a vector [m s-1, degree, K].
    wind_speed_of_gust : ndarray
        Largest gust of the hour [m s-1].
    source : str
        Who observed.
    """

    hour: Times
    wind_speed: Array
    wind_from_direction: Array
    air_temperature: Array
    wind_speed_of_gust: Array
    source: str


def read_csv(path: Path) -> Record:
    """Read a pilot's file; a file with any fault is refused.

    Raises
    ------
    WxflyError
        States line, column, what was found and what to write, for each fault up to `FAULTS_SHOWN`.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise WxflyError(f"{path}: it is not text in UTF-8; save it as UTF-8") from None
    except OSError as fault:
        raise WxflyError(
            f"{path}: cannot be read ({fault.strerror}); give the path of a file of observations"
        ) from None
    return parse_csv(text, str(path), now=as_moment(utc_now()))


def parse_csv(text: str, what: str, *, now: np.datetime64 | None = None) -> Record:
    """Parse the text of a pilot's file; see `read_csv`. With `now` [UTC], what is observed later is a fault."""
    rows = [(n, row) for n, row in enumerate(csv.reader(io.StringIO(text)), start=1) if any(c.strip() for c in row)]
    if not rows:
        raise WxflyError(f"{what}: it is empty; wanted a line of headings such as: time,wind_speed [m/s]")
    headings, faults = _read_headings([cell.strip() for cell in rows[0][1]])
    if faults:
        _refuse(what, faults)
    times: list[np.datetime64] = []
    columns: dict[str, list[float]] = {name: [] for name, _ in headings if name != "time"}
    for line, row in rows[1:]:
        if len(row) != len(headings):
            faults.append(
                f"line {line}: {len(row)} cells for {len(headings)} columns; write decimals with a point, "
                "and no comma inside a cell"
            )
            continue
        for (name, unit), cell in zip(headings, row, strict=True):
            try:
                if name == "time":
                    times.append(_read_time(cell.strip(), times, now))
                else:
                    columns[name].append(_read_number(cell.strip(), name, unit))
            except ValueError as fault:
                faults.append(f"line {line}: {name} {fault}")
    if not faults and "wind_speed" in columns and "wind_speed_of_gust" in columns:
        pairs = zip(rows[1:], columns["wind_speed"], columns["wind_speed_of_gust"], strict=True)
        faults += [
            f"line {line}: wind_speed_of_gust is below wind_speed; a gust is at least the mean wind"
            for (line, _), wind, gust in pairs
            if gust < wind - 0.05
        ]
    if faults:
        _refuse(what, faults)
    if not times:
        raise WxflyError(f"{what}: there are no rows under the headings; wanted one for each time")
    return Record(np.array(times), {name: np.array(values) for name, values in columns.items()}, f"file {what}")


def _refuse(what: str, faults: list[str]) -> None:
    more = f"; and {len(faults) - FAULTS_SHOWN} more" if len(faults) > FAULTS_SHOWN else ""
    count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
    raise WxflyError(f"{what}: {count}, nothing was read: {'; '.join(faults[:FAULTS_SHOWN])}{more}")


_HEADING = re.compile(r"(?P<name>[A-Za-z_]\w*)\s*(?:\[(?P<unit>[^\]]*)\])?")


def _read_headings(cells: list[str]) -> tuple[list[tuple[str, str]], list[str]]:
    """Return the name and unit of each column, and the faults in the headings."""
    headings: list[tuple[str, str]] = []
    faults = []
    for cell in cells:
        match = _HEADING.fullmatch(cell)
        name, unit = (match["name"], (match["unit"] or "").strip()) if match else (cell, "")
        if name != "time" and name not in COLUMNS:
            faults.append(f"line 1: {unknown_name('column', name, ['time', *COLUMNS])}")
        elif any(name == earlier for earlier, _ in headings):
            faults.append(f"line 1: column {name} comes twice; remove one of them")
        elif name != "time":
            valid = symbols_of(COLUMNS[name].quantity)
            if unit not in valid:
                given = f"has the unit '{unit}'" if unit else "names no unit"
                faults.append(f"line 1: column {name} {given}; write {name} [{valid[0]}] or one of {', '.join(valid)}")
        headings.append((name, unit))
    names = [name for name, _ in headings]
    if not faults and "time" not in names:
        faults.append("line 1: there is no column time")
    if not faults and len(names) < 2:
        faults.append(f"line 1: there is nothing but time; wanted one of {', '.join(COLUMNS)}")
    return headings, faults


def _read_time(cell: str, earlier: list[np.datetime64], now: np.datetime64 | None) -> np.datetime64:
    try:
        moment = datetime.fromisoformat(cell)
    except ValueError:
        raise ValueError(f"'{cell[:30]}' is not a time; write it as 2026-06-10T14:05+02:00") from None
    if moment.tzinfo is None:
        raise ValueError(f"'{cell[:30]}' has no offset; write Z for UTC or the offset of the clock, such as +02:00")
    stamp = np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "s")
    if earlier and stamp <= earlier[-1]:
        raise ValueError(f"'{cell[:30]}' is not after the row before; sort by time and keep each time once")
    if now is not None and stamp > now:
        raise ValueError(f"'{cell[:30]}' is later than now, {now}Z; check the date and the offset")
    return stamp


def _read_number(cell: str, name: str, unit: str) -> float:
    if not cell:
        return math.nan
    try:
        number = float(cell)
    except ValueError:
        raise ValueError(f"'{cell[:20]}' is not a number; leave the cell empty where there is none") from None
    column = COLUMNS[name]
    value = float(to_si(number, unit))
    if not column.lowest <= value <= column.highest:
        raise ValueError(f"{cell[:20]} {unit} cannot be; is the unit of the column right?")
    return value


def parse_metar(body: bytes, *, station: str | None = None, what: str = "METAR") -> Record:
    """Read airport reports from aviationweather.gov (JSON, wind in knots at 10 m).

    Parameters
    ----------
    body : bytes
        The reply of ``/api/data/metar?format=json``.
    station : str, optional
        Its ICAO code; needed where the reply has several.
    what : str, optional
        Name of the reply in errors.

    Notes
    -----
    A gust is reported only when it is well above the mean wind, so a report without a gust has a missing value, not
    zero. A variable direction is missing too.
    """
    try:
        reports = json.loads(body)
    except ValueError:
        raise WxflyError(f"{what}: it is not JSON; wanted a table of observations, or reports of an airport") from None
    if not isinstance(reports, list) or not all(isinstance(r, dict) for r in reports):
        raise WxflyError(
            f"{what}: it is not a list of reports; wanted a table of observations, or reports of an airport"
        )
    stations = sorted({str(r.get("icaoId", "")) for r in reports})
    if station is None and len(stations) > 1:
        raise WxflyError(f"{what}: it holds {', '.join(stations)[:80]}; name one")
    chosen = {
        int(r["obsTime"]): r
        for r in reports
        if (station is None or r.get("icaoId") == station) and isinstance(r.get("obsTime"), int)
    }
    if not chosen:
        raise WxflyError(f"{what}: no report of {station or 'a station'} in it")
    rows = [chosen[t] for t in sorted(chosen)]
    knot = UNITS["kt"].factor
    return Record(
        np.array(sorted(chosen), dtype="datetime64[s]"),
        {
            "wind_speed": _numbers(rows, "wspd") * knot,
            "wind_speed_of_gust": _numbers(rows, "wgst") * knot,
            "wind_from_direction": _numbers(rows, "wdir"),
            "air_temperature": _numbers(rows, "temp") + MELTING_POINT,
        },
        f"METAR {station or stations[0]}",
    )


def _numbers(rows: list[dict[str, Any]], key: str) -> Array:
    return np.array([r[key] if isinstance(r.get(key), int | float) else np.nan for r in rows], dtype=float)


def gather_hours(record: Record) -> HourlyRecord:
    """Gather observations into hours that match those of a forecast."""
    near = (record.time + HALF).astype("datetime64[h]")  # the nearest stamp
    of = record.time.astype("datetime64[h]")  # the hour that contains it
    hours = np.union1d(near, of)
    radians = np.deg2rad(_column(record, "wind_from_direction"))
    east, north = (_mean(hours, near, part(radians)) for part in (np.sin, np.cos))
    return HourlyRecord(
        hour=hours.astype("datetime64[s]"),
        wind_speed=_mean(hours, near, _column(record, "wind_speed")),
        wind_from_direction=np.rad2deg(np.arctan2(east, north)) % 360.0,
        air_temperature=_mean(hours, near, _column(record, "air_temperature")),
        wind_speed_of_gust=_largest(hours, of, _column(record, "wind_speed_of_gust")),
        source=record.source,
    )


def _column(record: Record, name: str) -> Array:
    return record.columns.get(name, np.full(record.time.size, np.nan))


def _mean(hours: Times, at: Times, values: Array) -> Array:
    known = np.isfinite(values)
    place = np.searchsorted(hours, at[known])
    total = np.bincount(place, values[known], hours.size)
    count = np.bincount(place, minlength=hours.size)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _largest(hours: Times, at: Times, values: Array) -> Array:
    known = np.isfinite(values)
    result = np.full(hours.size, -np.inf)
    np.maximum.at(result, np.searchsorted(hours, at[known]), values[known])
    return np.where(np.isinf(result), np.nan, result)
