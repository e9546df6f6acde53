"""The facts of ranked spots in reach of a place."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Annotated

from msgspec import Meta, structs

from wxfly.cube.notes import ZONES, NoteKind, kind_of
from wxfly.question.where import AskedWhere, Spot, Where
from wxfly.report.facts.values import (
    CAUTIONS,
    Degrees,
    ElementName,
    Facts,
    Metres,
    Period,
    Share,
    StateWord,
    known_moment,
    moment_of,
    number,
    share,
    state_word,
)
from wxfly.report.facts.windows import RoomOfWindow
from wxfly.report.facts.writing import Clock, Reader
from wxfly.report.facts.zones import (
    MOST_DRAWN,
    ZonesFacts,
    file_in_words,
    is_prohibited,
    words_of_first_line,
    zones_round,
)

CELL_CAUTION = (
    "A spot is the middle of a cell of the forecast, an average over the cell: it knows no airspace, no access to the"
    " ground and no obstacle. Look at a map of airspace before you drive."
)


class SpotFacts(Facts, frozen=True):
    """A cell of the forecast with a window."""

    latitude: Degrees
    longitude: Degrees
    """The middle of the cell, north and east positive."""
    distance: Metres
    """From the place, as the crow flies."""
    bearing: Degrees
    """From the place toward the cell, clockwise from north."""
    surface_altitude: Metres | None
    """Ground of the cell above mean sea level."""
    start: datetime
    end: datetime
    """Its best window, cut to daylight."""
    chance: Share | None
    """Chance that every limit holds in the surest stretch of the length asked for."""
    margin: Share
    """The smallest margin of its hours."""
    room: RoomOfWindow
    """Whether there is room to fly: probably no room where the chance is below 0.5."""
    state: StateWord
    """The worst state of its hours."""
    deciding_element: ElementName
    """The element of the smallest margin."""
    unknown_elements: list[ElementName]
    """Judged elements that are unknown in some hour of it."""
    zone_warning: str | None
    """Zones of the pilot's file that the flight meets then, and that some cannot be read, in words; empty without such,
    null without a file."""


WHY_WITHOUT_CHANCE = ("no window", "not known", "not among the best")
"""Why a cell has no chance: its hours, or that the chance is worked out for the best cells only."""


class CellFacts(Facts, frozen=True):
    """A cell in reach, and its hours."""

    latitude: Degrees
    longitude: Degrees
    """The middle of the cell."""
    distance: Metres
    """From the place, as the crow flies."""
    bearing: Degrees
    """From the place toward the cell, clockwise from north."""
    start: datetime | None
    end: datetime | None
    """Its best window; null where it has none."""
    margin: Share | None
    """The smallest margin of that window."""
    chance: Share | None
    """As in a spot; null where it is not worked out."""
    why_without_chance: Annotated[str, Meta(extra_json_schema={"enum": list(WHY_WITHOUT_CHANCE)})] | None
    """Why there is no chance; null where there is one."""
    hour_margin: list[Share | None]
    """The smallest margin of every hour; null where it is not known, and in the dark."""
    hour_state: list[StateWord | None]
    """Its state; null in the dark."""
    hour_element: list[ElementName | None]
    """The element of that margin."""


class WhereFacts(Facts, frozen=True):
    """The best spots in reach of a place."""

    place: str
    latitude: Degrees
    longitude: Degrees
    """From where distances count."""
    time_zone: str
    """IANA name, of the place."""
    within: Metres
    """Reach."""
    period: Period
    """Hours asked about."""
    now: datetime
    """Time of the answer."""
    aircraft: str
    height: Metres
    """What is to be flown, and its height above ground."""
    cells: int
    """Cells in reach."""
    cells_with_window: int
    """Cells in reach that have a window."""
    cells_not_known: int
    """Cells in reach in which no lit hour is known."""
    model: str
    source: str
    attribution: str
    """Whose forecast, and the words that its terms want shown."""
    run: datetime | None
    """Start of the run; null where it is unknown."""
    invented: bool
    """Whether place or weather are: not to be flown by."""
    notes: list[str]
    """What must be known first."""
    spots: list[SpotFacts]
    """The best first; those in a prohibited zone last."""
    hours: list[datetime]
    """Start of every hour that is lit in some cell."""
    each_cell: list[CellFacts]
    """Every cell in reach, the nearest first, with those hours."""
    reserve: Share
    """Share of every limit that is kept: an hour with less left is narrow."""
    zones: ZonesFacts | None
    """The zones of the pilot's file within reach of the place and of a flight beyond it, the gravest first. Limits
    above sea level count as met, as the ground differs from cell to cell. Null without a file."""
    zones_left_out: int
    """How many volumes of zones there are beyond those."""
    cautions: list[str]
    """What always holds."""


def reader_of(asked: AskedWhere) -> Reader:
    """Return the units and the clock of the words: the pilot's, else the clock of the place."""
    return Reader(asked.units, Clock(asked.time_zone or asked.where.place.time_zone))


def where_facts(where: Where) -> WhereFacts:
    """Return the facts of ranked spots."""
    origin, place = where.provenance, where.place
    hours, cells = _cells(where)
    spots = [_spot(where, spot) for spot in where.spots]
    zones = _zones(where)
    return WhereFacts(
        place=place.name,
        latitude=share(place.latitude),
        longitude=share(place.longitude),
        time_zone=place.time_zone,
        within=share(where.within),
        period=Period(moment_of(where.start), moment_of(where.end)),
        now=moment_of(where.now),
        aircraft=where.request.aircraft.name,
        height=share(where.request.height),
        cells=len(where.cells),
        cells_with_window=sum(cell.window is not None for cell in where.cells),
        cells_not_known=sum(not cell.is_known for cell in where.cells),
        model=origin.model,
        source=origin.source,
        attribution=origin.attribution,
        run=known_moment(origin.run),
        invented=any(kind_of(note) == NoteKind.INVENTED for note in where.notes),
        notes=[*(str(note) for note in where.notes), *_zone_notes(where, spots)],
        spots=[spot for spot, zones in spots if not _is_prohibited(spot, zones)]
        + [spot for spot, zones in spots if _is_prohibited(spot, zones)],
        hours=hours,
        each_cell=cells,
        reserve=share(where.request.limits.reserve),
        zones=None if zones is None else structs.replace(zones, near=zones.near[:MOST_DRAWN]),
        zones_left_out=0 if zones is None else max(0, len(zones.near) - MOST_DRAWN),
        cautions=[CELL_CAUTION, *CAUTIONS],
    )


def _cells(where: Where) -> tuple[list[datetime], list[CellFacts]]:
    assessment = where.assessment.transpose("time", "site", ...)
    is_lit = assessment["usable_start"].notnull().values
    shown = is_lit.any(axis=1)
    is_lit = is_lit[shown]
    margins, states, elements = (
        assessment[name].values[shown] for name in ("hour_margin", "state", "limiting_element")
    )
    chances = {
        (spot.site.latitude, spot.site.longitude): None
        if spot.window.surest is None
        else number(spot.window.surest.chance.value)
        for spot in where.spots
    }
    facts = []
    for i, cell in enumerate(where.cells):
        window, lit = cell.window, is_lit[:, i]
        chance = chances.get((cell.site.latitude, cell.site.longitude))
        why = None if chance is not None else WHY_WITHOUT_CHANCE[2]
        if window is None:
            why = WHY_WITHOUT_CHANCE[0] if cell.is_known else WHY_WITHOUT_CHANCE[1]
        facts.append(
            CellFacts(
                latitude=share(cell.site.latitude),
                longitude=share(cell.site.longitude),
                distance=float(round(cell.distance)),
                bearing=float(round(cell.direction) % 360),
                start=None if window is None else moment_of(window.start),
                end=None if window is None else moment_of(window.end),
                margin=None if window is None else share(window.margin),
                chance=chance,
                why_without_chance=why,
                hour_margin=[number(m) if day else None for m, day in zip(margins[:, i], lit, strict=True)],
                hour_state=[state_word(s) if day else None for s, day in zip(states[:, i], lit, strict=True)],
                hour_element=[str(e) or None if day else None for e, day in zip(elements[:, i], lit, strict=True)],
            )
        )
    return [moment_of(t) for t in assessment["time"].values[shown]], facts


def _zones(where: Where) -> ZonesFacts | None:
    """Return the zones that a flight from some cell may meet; None without a file of zones."""
    search = where.request.zones
    if search is None:
        return None
    wide = replace(search, radius=where.within + search.radius)
    anywhere = replace(where.place, surface_altitude=math.nan)
    return zones_round(wide, anywhere, where.request.height, where.start, where.end)


def _is_prohibited(spot: SpotFacts, zones: ZonesFacts | None) -> bool:
    return is_prohibited(zones, Period(spot.start, spot.end))


def _zone_notes(where: Where, spots: Sequence[tuple[SpotFacts, ZonesFacts | None]]) -> list[str]:
    """Return in words how many spots meet zones of the pilot's file, and of what date it is."""
    of_one = next((zones for _, zones in spots if zones is not None), None)
    if of_one is None:
        return []
    count = sum(bool(spot.zone_warning) for spot, _ in spots)
    met = f"{count} of {len(spots)} spots" if count else f"none of {len(spots)} spots"
    reader = Reader("metric", Clock(where.place.time_zone))
    file = file_in_words(of_one, Period(moment_of(where.start), moment_of(where.end)), reader, moment_of(where.now))
    return [f"{ZONES}{met} meet a zone in force; {file}"]


def _spot(where: Where, spot: Spot) -> tuple[SpotFacts, ZonesFacts | None]:
    """Return a spot, and the zones round it; None without a file of zones."""
    window, search = spot.window, where.request.zones
    zones = None
    if search is not None:
        zones = zones_round(search, spot.site, where.request.height, window.start, window.end)
    during = Period(moment_of(window.start), moment_of(window.end))
    facts = SpotFacts(
        latitude=share(spot.site.latitude),
        longitude=share(spot.site.longitude),
        distance=float(round(spot.distance)),
        bearing=float(round(spot.direction) % 360),
        surface_altitude=number(spot.site.surface_altitude),
        start=moment_of(window.start),
        end=moment_of(window.end),
        chance=None if window.surest is None else number(window.surest.chance.value),
        margin=share(window.margin),
        room=window.room,
        state=state_word(window.state),
        deciding_element=window.limiting_element,
        unknown_elements=list(window.unknown),
        zone_warning=None if zones is None else words_of_first_line(zones, during),
    )
    return facts, zones
