"""The map of the start page: the pilot's places with their verdicts of tomorrow, zones near them, and a table of both.

It shows what the answers of the start page say. Places that the start page does not ask about are judged from what is
stored, so that opening the page never asks a service for them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from urllib.parse import urlencode

from wxfly.answer.windows import Room
from wxfly.errors import WxflyError, shortened
from wxfly.pilot.options import Words
from wxfly.pilot.settings import load_settings, sites_file
from wxfly.pilot.site import Site, distance_km, parse_coordinates, read_sites
from wxfly.question.ask import Progress, ask
from wxfly.report.charts import shades
from wxfly.report.charts.outlines import HATCHED, SOURCE_OF_COASTLINES, Marks, ZoneSpot, has_coastlines
from wxfly.report.charts.shades import AMPLE, NARROW, OUTSIDE
from wxfly.report.charts.sites import Frame, Spot, frame_around, frame_of, sites_map
from wxfly.report.facts.answer import AnswerFacts, facts_of
from wxfly.report.facts.site import SiteAnswerFacts
from wxfly.report.facts.values import Period, listed
from wxfly.report.facts.writing import Reader, age, in_ten, room_in_words, titles, unit_of
from wxfly.report.facts.zones import MOST_DRAWN, file_in_words, zones_in_words
from wxfly.report.pages.page import Charts
from wxfly.report.pages.where import WITHOUT_OUTLINES
from wxfly.report.text import details
from wxfly.retrieval.places import demo_sites
from wxfly.units import read_quantity

MOST_ON_MAP = 40
"""How many places the map shows."""
REACH = 60_000.0
"""Reach of the map around one place [m]."""
_FARTHEST = 1500.0  # places farther apart than this [km] are not on one map unless asked for
_LONGEST_NAME = 60
_FEW_NAMES = 3

_SHADE_OF = {Room.ROOM: AMPLE, Room.LITTLE: NARROW, Room.PROBABLY_NONE: OUTSIDE, Room.NONE: OUTSIDE}
Found = AnswerFacts | str
"""The answer of a place, or why there is none."""


@dataclass(frozen=True)
class Asked:
    """What an address says about the map.

    Attributes
    ----------
    around : str
        A saved name or coordinates; ``all`` for every place; empty for what fits.
    within : str
        Reach of the map; empty for 60 km.
    plan : str
        Of the answers; empty for none.
    """

    around: str = ""
    within: str = ""
    plan: str = ""


@dataclass(frozen=True, kw_only=True)
class Row:
    """A place in the table of the map."""

    number: int
    name: str
    address: str
    word: str
    why: str
    position: str
    when: str = ""
    mind: str = ""
    age: str = ""
    new: str = ""
    """Address that asks for the place anew, where nothing is known of it."""


@dataclass(frozen=True)
class ZonesOfPlaces:
    """Zones near one place or several: the names of these, what they are in or near, and a line for each zone."""

    names: str
    words: str
    lines: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class SitesMap:
    """The section of the map.

    Attributes
    ----------
    title : str
        What is shown.
    charts : dict
        The figure by the id of its element.
    rows : list of Row
        The places, in the order of their numbers.
    zones : list of ZonesOfPlaces
        What is said of the zones near the places, those with zones first.
    views : list of (str, str, bool)
        Address and words of other views of the map, and whether it is this one.
    legend : list of (str, str)
        Classes and words.
    notes : list of str
        What the map does not show.
    fault : str
        What is wrong with the address; empty for nothing.
    """

    title: str
    charts: Charts
    rows: list[Row]
    zones: list[ZonesOfPlaces]
    views: list[tuple[str, str, bool]]
    legend: list[tuple[str, str]]
    notes: list[str]
    fault: str


def from_store(names: Sequence[str], plan: str, on_progress: Progress) -> dict[str, Found]:
    """Answer for places from what is stored of them, without asking any service."""
    found: dict[str, Found] = {}
    for name in names:
        on_progress(f"judging {name} from what is stored")
        try:
            asked = ask("best", [name], Words(offline=True, plan=plan or None), on_progress=on_progress)
            found[name] = facts_of(asked.briefing, asked.question)
        except WxflyError as fault:
            found[name] = " ".join(str(fault).split())
    return found


def map_of(found: Mapping[str, Found], asked: Asked) -> SitesMap | None:
    """Return the map of places.

    Parameters
    ----------
    found : mapping
        Their answers, or why there is none, in the order of the table.
    asked : Asked
        What the address says.

    Returns
    -------
    SitesMap or None
        None where no place has a position.
    """
    sites = {**demo_sites(), **read_sites(sites_file())}
    places = {name: position for name, one in found.items() if (position := _position(name, one, sites)) is not None}
    if not places:
        return None
    fault = ""
    try:
        frame, around = _frame(asked, places)
    except WxflyError as wrong:
        fault = " ".join(str(wrong).split())
        asked = replace(asked, around="", within="")
        frame, around = _frame(asked, places)
    units = load_settings().units
    rows, spots = [], []
    for number, (name, one) in enumerate(found.items(), start=1):
        row = _row(number, name, one, places.get(name), asked.plan)
        rows.append(row)
        if name in places:
            word = Room.NOT_KNOWN if isinstance(one, str) else one.verdict.word
            mind = [row.mind] if row.mind else []
            old = f"forecast {row.age}" if row.age else ""
            hover = (name, " ".join(filter(None, (row.word, row.when))), row.why, *mind, old)
            spots.append(
                Spot(
                    number, shortened(name, _LONGEST_NAME), *places[name], row.word, _SHADE_OF.get(word), _hours(one),
                    tuple(filter(None, hover)), row.address,
                )
            )  # fmt: skip
    answers = {name: one for name, one in found.items() if not isinstance(one, str)}
    near, listed_zones = _zones(answers)
    figure = sites_map(spots, near[:MOST_DRAWN], frame, unit_of("visibility", units))
    return SitesMap(
        title=f"Map around {around}: tomorrow" if around else "Map of your places: tomorrow",
        charts={"map": figure},
        rows=rows,
        zones=listed_zones,
        views=_views(asked, places, frame, around),
        legend=_legend(),
        notes=_notes(found, places, near),
        fault=fault,
    )


def _position(name: str, one: Found, sites: Mapping[str, Site]) -> tuple[float, float] | None:
    if not isinstance(one, str):
        return one.sites[0].site.latitude, one.sites[0].site.longitude
    site = next(
        (sites[known] for known in (name, *sites) if known.casefold() == name.casefold() and known in sites), None
    )
    return (site.latitude, site.longitude) if site is not None else _coordinates(name)


def _coordinates(text: str) -> tuple[float, float] | None:
    try:
        return parse_coordinates(text)
    except WxflyError:
        return None


def _frame(asked: Asked, places: Mapping[str, tuple[float, float]]) -> tuple[Frame, str]:
    """Return the frame of the map, and what it is around; empty for all places."""
    reach = read_quantity(asked.within, "length", load_settings().units) if asked.within else REACH
    if not 100.0 <= reach <= 5_000_000.0:
        raise WxflyError(f"within {asked.within}: the map reaches from 100 m to 5000 km; wanted such as 20km")
    if asked.around and asked.around != "all":
        place = places.get(asked.around) or parse_coordinates(asked.around)
        if place is None:
            raise WxflyError(
                f"around '{shortened(asked.around, _LONGEST_NAME)}': no place of the map and no LATITUDE,LONGITUDE"
            )
        name = asked.around if asked.around in places else f"{place[0]:.4f}, {place[1]:.4f}"
        return frame_around(*place, reach), shortened(name, _LONGEST_NAME)
    name, first = next(iter(places.items()))
    if not asked.around and max(distance_km(*first, *place) for place in places.values()) > _FARTHEST:
        return frame_around(*first, reach), shortened(name, _LONGEST_NAME)
    return frame_of(list(places.values())), ""


def _row(number: int, name: str, one: Found, place: tuple[float, float] | None, plan: str) -> Row:
    pairs = [("place", name), *([("plan", plan)] if plan else [])]
    address = f"/best?{urlencode(pairs)}"
    position = "" if place is None else f"{place[0]:.4f}, {place[1]:.4f}"
    if isinstance(one, str):
        return Row(
            number=number,
            name=name,
            address=address,
            word=Room.NOT_KNOWN.value,
            why=one,
            position=position,
            new=address,
        )
    site, verdict = one.sites[0], one.verdict
    word = f"{room_in_words(verdict.word, verdict.chance)}{', as far as known' if verdict.as_far_as_known else ''}"
    return Row(
        number=number,
        name=name,
        address=address,
        word=word,
        when=_when(one),
        why=_why(one, site),
        mind=verdict.of_forecast,
        age=age(one.forecasts[site.forecast].age),
        position=position,
    )


def _period(one: AnswerFacts) -> Period | None:
    """Return the hours that the first line of an answer names."""
    verdict = one.verdict
    return verdict.chance_period if verdict.word is Room.PROBABLY_NONE else verdict.period


def _when(one: AnswerFacts) -> str:
    period = _period(one)
    return "" if period is None else _reader(one).clock.when(period.start, period.end)


def _hours(one: Found) -> str:
    period = None if isinstance(one, str) else _period(one)
    return "" if isinstance(one, str) or period is None else _reader(one).clock.span(period.start, period.end)


def _why(one: AnswerFacts, site: SiteAnswerFacts) -> str:
    """Return in words how sure a verdict is and what decides it."""
    verdict = one.verdict
    element = verdict.tightest or site.lit_hours.deciding_element
    parts = [] if verdict.period is None else [in_ten(verdict.chance)]
    return "; ".join([*parts, *([f"decided by {titles([element])}"] if element else [])])


def _reader(one: AnswerFacts) -> Reader:
    return details.readers_of(one)[0]


def _zones(answers: Mapping[str, AnswerFacts]) -> tuple[list[ZoneSpot], list[ZonesOfPlaces]]:
    """Return the volumes near the places, and their list, in which places with the same to say stand together."""
    marks, together = Marks(), dict[tuple[str, tuple[str, ...]], list[str]]()
    for name, one in answers.items():
        site, reader = one.sites[0], _reader(one)
        if site.zones is None:
            continue
        lines = tuple(marks.add(site.zones, site.period, reader))
        file = file_in_words(site.zones, site.period, reader, one.now)
        words = f"{zones_in_words(site.zones, site.period, reader)}; {file}."
        together.setdefault((f"{words[:1].upper()}{words[1:]}", lines), []).append(name)
    found = [
        ZonesOfPlaces(
            listed(names) if len(names) <= _FEW_NAMES else f"{len(names)} places",
            words if len(names) <= _FEW_NAMES else f"{words} They are {listed(names)}.",
            lines,
        )
        for (words, lines), names in together.items()
    ]
    return marks.spots, sorted(found, key=lambda one: not one.lines)


def _views(
    asked: Asked, places: Mapping[str, tuple[float, float]], frame: Frame, around: str
) -> list[tuple[str, str, bool]]:
    """Return the other views: all places, one of them, nearer and farther."""

    def address(**said: str) -> str:
        pairs = {"plan": asked.plan, **said}
        query = urlencode({key: value for key, value in pairs.items() if value})
        return f"/?{query}#map-of-places" if query else "/#map-of-places"

    views = [(address(around="all"), "all", not around)] if len(places) > 1 else []
    views += [(address(around=name), name, around == name) for name in list(places)[:8]]
    here = (
        asked.around if asked.around not in ("", "all") else (around or f"{frame.latitude:.4f},{frame.longitude:.4f}")
    )
    reach = read_quantity(asked.within, "length", load_settings().units) if asked.within else REACH
    if around:
        nearer, farther = max(reach / 3, 100.0), min(reach * 3, 5_000_000.0)
        views += [
            (address(around=here, within=f"{nearer:.0f}m"), "nearer", False),
            (address(around=here, within=f"{farther:.0f}m"), "farther", False),
        ]
    return views


def _legend() -> list[tuple[str, str]]:
    names = [name for name, _ in shades.legend(0.5)]
    return [
        (names[AMPLE], Room.ROOM.value), (names[NARROW], Room.LITTLE.value),
        (names[OUTSIDE], f"{Room.PROBABLY_NONE.value}, {Room.NONE.value}"), ("unknown", f"?: {Room.NOT_KNOWN.value}"),
    ]  # fmt: skip


def _notes(found: Mapping[str, Found], places: Mapping[str, object], near: Sequence[ZoneSpot]) -> list[str]:
    notes = [] if has_coastlines() else [WITHOUT_OUTLINES]
    away = [name for name in found if name not in places]
    if away:
        notes.append(f"Not on the map, as where it lies is not known: {', '.join(away)}.")
    if len(near) > MOST_DRAWN:
        notes.append(f"The map draws {MOST_DRAWN} of {len(near)} volumes of zones; the list has every zone.")
    if near:
        notes.append(HATCHED)
    if load_settings().usual.zones is None and not near:
        notes.append("No file of zones is set, so the map draws none: look up the zones of your country.")
    without = [name for name, one in found.items() if isinstance(one, str)]
    if near and without:
        notes.append(f"Zones near {', '.join(without)} are not drawn: there is no answer for it.")
    return [*notes, SOURCE_OF_COASTLINES] if has_coastlines() else notes
