"""The rows of a fleet as tables that programs read: CSV (RFC 4180) and Parquet."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from wxfly.errors import WxflyError, missing_extra
from wxfly.question.fleet import RowAnswer
from wxfly.report.calendar import calendar_of, entries_of
from wxfly.report.command_facts.fleet import FleetFacts, FleetSiteFacts, MadeOfMember, made_of_member
from wxfly.report.csv import safe_cell
from wxfly.report.facts.answer import facts_of
from wxfly.report.facts.values import INVENTED
from wxfly.report.facts.writing import Clock

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
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    tail = ("attribution", "caution")
    writer.writerow(["notice", *_COLUMNS, "window_start_local", "window_end_local", *tail])
    notice = "; ".join([*([INVENTED] if facts.invented else []), *facts.notes])
    for site in facts.sites:
        clock = Clock(time_zone or site.time_zone)
        ends = [moment for w in site.windows[:1] for moment in (w.start, w.end)]
        local = [clock.local(moment).isoformat() for moment in ends] or ["", ""]
        cells = ["; ".join(filter(None, [notice, *site.notes])), *(read(site) for read in _COLUMNS.values()), *local]
        writer.writerow([_cell(cell) for cell in (*cells, "; ".join(facts.attributions), facts.cautions[0])])
    return text.getvalue()


def _cell(value: Any) -> str | float:
    match value:
        case None:
            return ""
        case bool():
            return int(value)
        case datetime():
            return value.isoformat().replace("+00:00", "Z")
        case str():
            return safe_cell(value)
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


@dataclass(frozen=True)
class MakesRow:
    """Makes of the answer of a row what is kept of it.

    Attributes
    ----------
    with_entries : bool
        Whether a calendar will be written.
    """

    with_entries: bool = False

    def __call__(self, answer: RowAnswer) -> MadeOfMember:
        """Return what is kept of an answer."""
        if answer.briefing is None:
            return made_of_member(answer, None)
        facts = facts_of(answer.briefing, answer.row.question)
        made = made_of_member(answer, facts)
        if not self.with_entries:
            return made
        return replace(made, entries=entries_of(facts))


def calendars(facts: FleetFacts, made: Sequence[MadeOfMember], path: Path) -> list[tuple[Path, bytes]]:
    """Return the calendars of a fleet: one file, or one for each site where the path is a folder.

    Parameters
    ----------
    facts : FleetFacts
        The fleet.
    made : sequence of MadeOfMember
        Of its rows, with their entries.
    path : Path
        A file, or a folder that is there.

    Raises
    ------
    WxflyError
        Where no site has an answer.
    """
    entries = {one.site.row: one.entries for one in made if one.entries}
    if not entries:
        raise WxflyError("no site has an answer, so there is no calendar to write; leave --ics out")
    if not path.is_dir():
        return [(path, calendar_of(f"Windows to fly: {facts.file}", entries.values()))]
    written = []
    for site in facts.sites:
        if site.row in entries:
            name = "".join(c if c.isalnum() or c in " .-_" else "_" for c in site.name).strip(" .") or "site"
            content = calendar_of(f"Windows to fly: {site.name}", [entries[site.row]])
            written.append((path / f"{name}-{site.row}.ics", content))
    return written
