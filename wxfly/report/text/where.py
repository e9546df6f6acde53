"""The words of ranked spots in reach of a place."""

from __future__ import annotations

from wxfly.report.facts.values import listed
from wxfly.report.facts.where import SpotFacts, WhereFacts
from wxfly.report.facts.writing import Reader, amount, direction, in_ten, margin, titles, unit_of
from wxfly.report.text.console import isolated, wrapped
from wxfly.units import from_si


def to_text(facts: WhereFacts, reader: Reader, width: int) -> str:
    """Return the answer as text: the best spot first, then the others, then what must be known."""
    clock, place = reader.clock, isolated(facts.place)
    day = clock.when(facts.period.start, facts.period.end)
    reach = _far(facts.within, reader)
    is_partly_known = 0 < facts.cells_not_known < facts.cells
    if facts.spots:
        best = facts.spots[0]
        is_partly_known = is_partly_known or bool(best.unknown_elements)
        line = f"{best.room} to fly within {reach} of {place}, best {_where(best, reader)}, {_when(best, reader)}."
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
    lines = [line[:1].upper() + line[1:], *(f"Note: {note}" for note in facts.notes)]
    lines.append(f"{facts.cells_with_window} of {facts.cells} cells in reach have a window, {day}.")
    if facts.cells_not_known:
        lines.append(f"Not known: {facts.cells_not_known} of {facts.cells} cells.")
    if facts.spots:
        lines += ["", *(f"{rank}. {_line(spot, reader)}" for rank, spot in enumerate(facts.spots, start=1))]
    height = amount(facts.height, "height", reader.units)
    lines += ["", f"{facts.aircraft} at {height}. {facts.source}, model {facts.model}. {facts.attribution}"]
    lines += [f"Mind: {caution}" for caution in facts.cautions]
    return wrapped(lines, width)


def _where(spot: SpotFacts, reader: Reader) -> str:
    if spot.distance < 500.0:
        return "here"
    return f"{_far(spot.distance, reader)} {direction(spot.bearing)}"


def _when(spot: SpotFacts, reader: Reader) -> str:
    return f"{reader.clock.when(spot.start, spot.end)}, chance {in_ten(spot.chance)}"


def _line(spot: SpotFacts, reader: Reader) -> str:
    words = (
        f"{spot.latitude:.3f}, {spot.longitude:.3f}, {_where(spot, reader)}: {_when(spot, reader)}, {spot.room}, "
        f"margin {margin(spot.margin)}, decided by {titles([spot.deciding_element])}"
    )
    unknown = (
        f"; not known: {listed([titles([name]) for name in spot.unknown_elements])}" if spot.unknown_elements else ""
    )
    return words + unknown


def _far(metres: float, reader: Reader) -> str:
    """Write a distance over ground in whole kilometres or miles."""
    unit = unit_of("visibility", reader.units)
    return f"{from_si(metres, unit):.0f} {unit}"
