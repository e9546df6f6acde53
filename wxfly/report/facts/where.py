"""The facts of ranked spots in reach of a place."""

from __future__ import annotations

from datetime import datetime

from wxfly.answer.where import Spot, Where
from wxfly.cube.notes import NoteKind, kind_of
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
    """That every limit holds in the surest stretch of the length asked for."""
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
    """The best first."""
    cautions: list[str]
    """What always holds."""


def where_facts(where: Where) -> WhereFacts:
    """Return the facts of ranked spots."""
    origin, place = where.provenance, where.place
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
        cells=where.cells,
        cells_with_window=where.with_window,
        cells_not_known=where.unknown,
        model=origin.model,
        source=origin.source,
        attribution=origin.attribution,
        run=known_moment(origin.run),
        invented=any(kind_of(note) == NoteKind.INVENTED for note in where.notes),
        notes=[str(note) for note in where.notes],
        spots=[_spot(spot) for spot in where.spots],
        cautions=[CELL_CAUTION, *CAUTIONS],
    )


def _spot(spot: Spot) -> SpotFacts:
    window = spot.window
    return SpotFacts(
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
    )
