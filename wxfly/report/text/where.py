"""The words of ranked spots in reach of a place."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from wxfly.report.command_facts.where import CellFacts, SpotFacts, WhereFacts
from wxfly.report.facts.values import State, listed
from wxfly.report.facts.writing import Reader, amount, direction, in_ten, margin, room_in_words, titles, unit_of
from wxfly.report.text.answer import Table
from wxfly.report.text.console import isolated, wrapped
from wxfly.units import from_si

WITH_ROOM = tuple(state.words for state in State if state >= State.NARROW)
"""The states in which an hour may be flown."""


@dataclass(frozen=True)
class WhereWords:
    """The words of the answer.

    Attributes
    ----------
    verdict : str
        Whether there is room, where best and when.
    notes, counts : list of str
        What must be known first; how many cells have a window or are not known.
    closing : str
        What is to be flown, and whose forecast it is.
    """

    verdict: str
    notes: list[str]
    counts: list[str]
    closing: str


def words_of(facts: WhereFacts, reader: Reader) -> WhereWords:
    """Return the words of the answer, for text and page."""
    clock, place = reader.clock, isolated(facts.place)
    day = clock.when(facts.period.start, facts.period.end)
    reach = far(facts.within, reader)
    is_partly_known = 0 < facts.cells_not_known < facts.cells
    if facts.spots:
        best = facts.spots[0]
        is_partly_known = is_partly_known or bool(best.unknown_elements)
        zone = f" ({best.zone_warning})" if best.zone_warning else ""
        room = room_in_words(best.room, best.chance)
        line = f"{room} to fly within {reach} of {place}, best {away(best, reader)}{zone}, {_when(best, reader)}."
    elif facts.cells_not_known == facts.cells:
        line = f"not known whether there is room to fly within {reach} of {place}, {day}."
    else:
        line = f"no room to fly within {reach} of {place}, {day}."
    before = [
        *(["invented, do not fly by this"] if facts.invented else []),
        *(["see the note"] if facts.notes and not facts.invented else []),
        *(["as far as known"] if is_partly_known else []),
    ]
    line = ": ".join([*([", ".join(before)] if before else []), line])
    counts = [f"{facts.cells_with_window} of {facts.cells} cells in reach have a window, {day}."]
    if facts.cells_not_known:
        counts.append(f"Not known: {facts.cells_not_known} of {facts.cells} cells.")
    height = amount(facts.height, "height", reader.units)
    closing = f"{facts.aircraft} at {height}. {facts.source}, model {facts.model}. {facts.attribution}"
    return WhereWords(line[:1].upper() + line[1:], [clock.retold(note) for note in facts.notes], counts, closing)


def to_text(facts: WhereFacts, reader: Reader, width: int) -> str:
    """Return the answer as text: the best spot first, then the others, then what must be known."""
    words = words_of(facts, reader)
    lines = [words.verdict, *(f"Note: {note}" for note in words.notes), *words.counts]
    if facts.spots:
        lines += ["", *(f"{rank}. {_line(spot, reader)}" for rank, spot in enumerate(facts.spots, start=1))]
    lines += ["", words.closing, *(f"Mind: {caution}" for caution in facts.cautions)]
    return wrapped(lines, width)


def spots_table(facts: WhereFacts, reader: Reader) -> Table:
    """Return the best spots as a table."""
    header = [
        "rank", "latitude, longitude", "from the place", "window", "chance", "margin", "decided by", "zones",
        "not known",
    ]  # fmt: skip
    rows = [
        [
            str(rank), f"{spot.latitude:.4f}, {spot.longitude:.4f}", away(spot, reader),
            reader.clock.when(spot.start, spot.end), in_ten(spot.chance), margin(spot.margin),
            titles([spot.deciding_element]), spot.zone_warning or "",
            listed([titles([name]) for name in spot.unknown_elements]),
        ]
        for rank, spot in enumerate(facts.spots, start=1)
    ]  # fmt: skip
    kept = [k for k in range(len(header)) if k < 7 or any(row[k] for row in rows)]
    return [header[k] for k in kept], [[row[k] for k in kept] for row in rows]


def hours_table(facts: WhereFacts, reader: Reader) -> Table:
    """Return what the map shows as a table: by hour how many cells have room, and where the margin is largest."""
    rows = []
    for k, hour in enumerate(facts.hours):
        known = [c for c in facts.each_cell if c.hour_state[k] is not None and c.hour_margin[k] is not None]
        flown = [c for c in known if (c.hour_margin[k] or 0.0) >= 0.0 and c.hour_state[k] in WITH_ROOM]
        unknown = sum(c.hour_state[k] == State.NOT_KNOWN.words for c in facts.each_cell)
        best = max(flown, key=lambda c: c.hour_margin[k] or 0.0, default=None)
        where = "" if best is None else f"{best.latitude:.4f}, {best.longitude:.4f}, {away(best, reader)}"
        element = None if best is None else best.hour_element[k]
        left = "" if best is None else margin(best.hour_margin[k] or 0.0)
        span = reader.clock.when(hour, hour + timedelta(hours=1))
        rows.append([span, str(len(flown)), str(unknown), where, left, titles([element]) if element else ""])
    return ["hour", "cells with room", "cells not known", "largest margin at", "margin", "decided by"], rows


def away(spot: SpotFacts | CellFacts, reader: Reader) -> str:
    """Return distance and direction of a cell from the place."""
    if spot.distance < 500.0:
        return "here"
    return f"{far(spot.distance, reader)} {direction(spot.bearing)}"


def _when(spot: SpotFacts, reader: Reader) -> str:
    return f"{reader.clock.when(spot.start, spot.end)}; {in_ten(spot.chance)}"


def _line(spot: SpotFacts, reader: Reader) -> str:
    words = (
        f"{spot.latitude:.3f}, {spot.longitude:.3f}, {away(spot, reader)}: {_when(spot, reader)}, "
        f"{room_in_words(spot.room, spot.chance)}, "
        f"margin {margin(spot.margin)}, decided by {titles([spot.deciding_element])}"
    )
    unknown = (
        f"; not known: {listed([titles([name]) for name in spot.unknown_elements])}" if spot.unknown_elements else ""
    )
    zone = f"; {spot.zone_warning}" if spot.zone_warning else ""
    return words + zone + unknown


def far(metres: float, reader: Reader) -> str:
    """Write a distance over ground in whole kilometres or miles."""
    unit = unit_of("visibility", reader.units)
    return f"{from_si(metres, unit):.0f} {unit}"
