"""The facts of a fleet: for every row of its table whether, when and how sure, the best first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

from msgspec import structs

from wxfly.answer.windows import Room
from wxfly.question.fleet import Fleet, FleetAnswered, RowAnswer
from wxfly.report.facts.answer import AnswerFacts, facts_of
from wxfly.report.facts.site import SiteAnswerFacts
from wxfly.report.facts.values import (
    CAUTIONS,
    Degrees,
    ElementName,
    Facts,
    Metres,
    Period,
    Seconds,
    Share,
    number,
    share,
)
from wxfly.report.facts.verdict import not_known
from wxfly.report.facts.windows import WindowFacts
from wxfly.report.facts.writing import Clock
from wxfly.report.facts.zones import ZonesFacts, is_prohibited, warning_of, words_of_first_line
from wxfly.retrieval.neighbour_cells import MOST_PLACES

ZONES_CAUTION = "UAS zones were not looked at: give your file of them in the setting zones before you go to a site."
CELLS_CAUTION = (
    "The cells of the forecast around each site are not asked for here, so a chance may be larger than that of the site"
    " alone: ask for the week of a site before you go there."
)


class FleetWindowFacts(Facts, frozen=True):
    """A window at a site of a fleet."""

    start: datetime
    end: datetime
    """Cut to daylight."""
    room: Room
    """Whether there is room to fly in it."""
    chance: Share | None
    """Chance that every limit holds in its surest stretch of the length asked for."""
    margin: Share | None
    """The smallest of its hours."""
    deciding_element: ElementName
    """The element of that margin."""
    advised_not_known: list[ElementName]
    """Advised elements that are not known in some hour of it."""
    outlook_only: bool
    """Whether one forecast alone shows it, so far ahead that nobody plans with it."""
    zone_warning: str | None
    """Which zones of the pilot's file the flight meets in it, in words; empty where none, null without a file."""


class FleetDayFacts(Facts, frozen=True):
    """One day of a site's clock."""

    date: date
    """At the site."""
    chance: Share | None
    """Chance of the surest stretch of the length asked for in its light, whether a window holds there or not; null
    where it is not known, and without light."""
    window: Period | None
    """Its best window; null without one."""
    margin: Share | None
    """Margin of that window."""
    lit_count: int
    not_known_count: int
    """Lit hours, and those of them that are not known."""


class FleetSiteFacts(Facts, frozen=True):
    """One row of the table and its answer."""

    row: int
    """Line of the file."""
    name: str
    latitude: Degrees
    longitude: Degrees
    """Where, north and east positive."""
    surface_altitude: Metres | None
    """Ground above mean sea level; null where it is unknown."""
    time_zone: str
    """IANA name, of the site."""
    aircraft: str
    rules: str
    height: Metres
    """What is to be flown, under which rules, and its height above ground."""
    plan: str | None
    """The saved plan that the row names."""
    word: Room
    """Whether there is room to fly; not known too where there is no forecast."""
    as_far_as_known: bool
    """Whether something that the decision needs is not known."""
    fault: str | None
    """Why there is no answer; null where there is one."""
    zone_warning: str | None
    """Which zones of the pilot's file the flight meets in the best window, else in the whole period, which only in
    another window, and that some cannot be read, in words; empty where none of the file, null without a file."""
    in_prohibited_zone: bool | None
    """Whether the site lies in a prohibited zone in force then; null without a file."""
    not_known: str
    """What the decision needs and does not have, in words; empty when all is known."""
    unknown_elements: list[ElementName]
    """Judged elements that are not known in some lit hour, the required first."""
    windows: list[FleetWindowFacts]
    """The one that the verdict is about, then the others by rank."""
    days: list[FleetDayFacts]
    """In order of time."""
    lit_count: int
    not_known_count: int
    """Lit hours of the period, and those of them that are not known."""
    deciding_element: ElementName | None
    """The element of the smallest margin of the window; without one what decides in most hours that do not hold."""
    models: list[str]
    """Whose forecast, in order of time."""
    run: datetime | None
    """Start of the run; null where it is unknown."""
    age: Seconds | None
    """Age of the forecast; null where it is unknown."""
    member_count: int
    """Members that give the chance; 1 for a single forecast, 0 without an answer."""
    notes: list[str]
    """What must be known first and does not concern every site."""


class FleetFacts(Facts, frozen=True):
    """A fleet's answer. Read notes, and what is not known, before the windows."""

    file: str
    """Name of the table."""
    now: datetime | None
    """Time of the answer; null where no site has one."""
    minimum_duration: Seconds | None
    """Shortest window of use, where it is the same for all; else null."""
    invented: bool
    """Whether a place or weather is: not to be flown by."""
    stopped: str | None
    """Why not every site was asked about; null where all were."""
    rows: int
    """Rows of the table."""
    without_answer: int
    """Those without a forecast."""
    not_known: int
    """Those with one in which no lit hour is known."""
    partly_known: int
    """Those whose answer holds only as far as is known."""
    with_room: int
    """Those with room or little room, outside prohibited zones."""
    in_prohibited_zone: int
    """Those with room or little room in a prohibited zone in force then."""
    requests: int
    """Requests to services."""
    weighted_calls: float
    """What they cost, as the forecast service counts."""
    notes: list[str]
    """What must be known first, of every site."""
    attributions: list[str]
    """Whose forecasts, in the words that their terms want shown."""
    sites: list[FleetSiteFacts]
    """The best first; those without an answer last."""
    cautions: list[str]
    """What always holds."""


@dataclass(frozen=True)
class MadeOfMember:
    """What is kept of the answer of a row.

    Attributes
    ----------
    site : FleetSiteFacts
        Its facts, with all notes.
    now : datetime or None
        Time of its answer.
    duration : int or None
        Shortest window of use [s].
    invented : bool
        Whether place or weather are.
    attributions : tuple of str
        Of its forecasts.
    entries : bytes
        Of its calendar, where one is written.
    """

    site: FleetSiteFacts
    now: datetime | None
    duration: int | None
    invented: bool
    attributions: tuple[str, ...]
    entries: bytes = b""


@dataclass(frozen=True)
class MakesRow:
    """Makes of the answer of a row what is kept of it.

    Attributes
    ----------
    entries : callable or None
        Writes the entries of its calendar; None where no calendar is written.
    """

    entries: Callable[[AnswerFacts], bytes] | None = None

    def __call__(self, answer: RowAnswer) -> MadeOfMember:
        """Return what is kept of an answer."""
        facts = None if answer.briefing is None else facts_of(answer.briefing, answer.row.question)
        made = _made_of_member(answer, facts)
        return made if facts is None or self.entries is None else replace(made, entries=self.entries(facts))


def _made_of_member(answer: RowAnswer, facts: AnswerFacts | None) -> MadeOfMember:
    """Return what is kept of the answer of a row; `facts` are those of its briefing."""
    asked_row = answer.row
    site, question = asked_row.site, asked_row.question
    asked: dict[str, Any] = {
        "row": asked_row.number, "name": site.name, "latitude": share(site.latitude),
        "longitude": share(site.longitude), "time_zone": site.time_zone, "aircraft": question.aircraft.name,
        "rules": question.rules.name, "height": share(question.places[0].height), "plan": question.plan,
    }  # fmt: skip
    if facts is None:
        fault = answer.fault.removeprefix(f"{site.name}: ")
        row = FleetSiteFacts(
            **asked, surface_altitude=number(site.surface_altitude), word=Room.NOT_KNOWN, as_far_as_known=True,
            fault=fault, zone_warning=None, in_prohibited_zone=None,
            not_known="", unknown_elements=[], windows=[], days=[], lit_count=0, not_known_count=0,
            deciding_element=None, models=[], run=None, age=None, member_count=0, notes=[],
        )  # fmt: skip
        return MadeOfMember(row, None, None, False, ())
    one, forecast, verdict = facts.sites[0], facts.forecasts[0], facts.verdict
    asked["time_zone"] = one.site.time_zone
    period = verdict.period
    window = next((w for w in one.windows if period and (w.start, w.end) == (period.start, period.end)), None)
    others = [w for w in one.windows if w is not window]
    zones, during = one.zones, window or one.period
    row = FleetSiteFacts(
        **asked,
        surface_altitude=one.site.surface_altitude,
        word=verdict.word,
        as_far_as_known=verdict.as_far_as_known,
        fault=None,
        zone_warning=None if zones is None else _zones_of_row(zones, during, others),
        in_prohibited_zone=None if zones is None else is_prohibited(zones, during),
        not_known=not_known(one),
        unknown_elements=list(dict.fromkeys([*one.not_known.required, *one.not_known.advised])),
        windows=[_window(w, zones) for w in ([window] if window else []) + others],
        days=_days(one),
        lit_count=one.lit_hours.lit_count,
        not_known_count=one.lit_hours.not_known_count,
        deciding_element=one.lit_hours.deciding_element if window is None else window.limiting_element,
        models=list(dict.fromkeys(h.model for h in forecast.by_hours)) or [forecast.model or "not known"],
        run=forecast.run,
        age=forecast.age,
        member_count=one.chance_basis.member_count,
        notes=[note.text for note in facts.notes],
    )
    origins = tuple(dict.fromkeys(f.attribution for f in facts.forecasts if f.attribution))
    return MadeOfMember(row, facts.now, facts.minimum_duration, facts.invented, origins)


def _zones_of_row(zones: ZonesFacts, during: Period | WindowFacts, others: Sequence[WindowFacts]) -> str:
    """Say which zones the flight meets in the best window, and which only in another window."""
    of_best = words_of_first_line(zones, during)
    elsewhere = dict.fromkeys(warning_of(zones, window) for window in others)
    more = [f"{words} in another window" for words in elsewhere if words and words != warning_of(zones, during)]
    return ", ".join(filter(None, [of_best, *more]))


def _window(window: WindowFacts, zones: ZonesFacts | None) -> FleetWindowFacts:
    return FleetWindowFacts(
        start=window.start,
        end=window.end,
        room=window.room,
        chance=(window.surest or window).chance,
        margin=window.margin,
        deciding_element=window.limiting_element,
        advised_not_known=window.advised_not_known,
        outlook_only=window.outlook_only,
        zone_warning=None if zones is None else words_of_first_line(zones, window),
    )


def _days(site: SiteAnswerFacts) -> list[FleetDayFacts]:
    clock = Clock(site.site.time_zone)
    by_day = {clock.date(outlook.start): outlook for outlook in reversed(site.outlooks)}
    days = []
    for day in site.days:
        best = next((w for w in site.windows if clock.date(w.start) == day.date), None)
        surest = by_day.get(day.date)
        window = None if best is None else Period(best.start, best.end)
        chance, margin = None if surest is None else surest.chance, None if best is None else best.margin
        hours = day.lit_hours
        days.append(FleetDayFacts(day.date, chance, window, margin, hours.lit_count, hours.not_known_count))
    return days


def _key(row: FleetSiteFacts) -> tuple[object, ...]:
    """Return the sort key of a row: rooms before probable noes, known ones first, then by word, chance and margin.

    Rows in a prohibited zone follow those with room.
    Rows without a window follow, then those that are not known, then those without an answer.
    """
    if row.fault is not None or not row.windows:
        return 1, row.fault is not None, row.word.place, row.not_known_count > 0, row.row
    best = row.windows[0]
    return (
        0, row.word is Room.PROBABLY_NONE, bool(row.in_prohibited_zone), row.as_far_as_known, best.chance is None,
        row.word.place,
        -round(best.chance or 0.0, 2),
        -round(best.margin or 0.0, 2), row.row,
    )  # fmt: skip


def fleet_facts(fleet: Fleet, answered: FleetAnswered[MadeOfMember]) -> FleetFacts:
    """Return the facts of a fleet from what was kept of each row."""
    made = answered.made
    counted = Counter(note for one in made for note in dict.fromkeys(one.site.notes))
    with_answer = [one for one in made if one.site.fault is None]
    shared = [note for note, count in counted.items() if count == len(with_answer)]
    of_several = [
        f"at {count} of {len(made)} sites: {n}" for n, count in counted.items() if 1 < count < len(with_answer)
    ]
    durations = {one.duration for one in with_answer}
    zones = [ZONES_CAUTION] if any(one.site.zone_warning is None for one in with_answer) else []
    sites = [_without(one.site, shared) for one in sorted(made, key=lambda one: _key(one.site))]
    return FleetFacts(
        file=fleet.path.name,
        now=max((one.now for one in with_answer if one.now is not None), default=None),
        minimum_duration=durations.pop() if len(durations) == 1 else None,
        invented=any(one.invented for one in made),
        stopped=answered.stopped or None,
        rows=len(made),
        without_answer=len(made) - len(with_answer),
        not_known=sum(not one.site.word.is_known for one in with_answer),
        partly_known=sum(one.site.as_far_as_known and one.site.word.is_known for one in with_answer),
        with_room=sum(one.site.word.is_enough and not one.site.in_prohibited_zone for one in with_answer),
        in_prohibited_zone=sum(one.site.word.is_enough and bool(one.site.in_prohibited_zone) for one in with_answer),
        requests=answered.cost.requests,
        weighted_calls=round(answered.cost.weight, 1),
        notes=[*answered.notes, *shared, *of_several],
        attributions=list(dict.fromkeys(text for one in made for text in one.attributions)),
        sites=sites,
        cautions=[*zones, *CAUTIONS, *([CELLS_CAUTION] if len(made) > MOST_PLACES else [])],
    )


def _without(site: FleetSiteFacts, shared: Sequence[str]) -> FleetSiteFacts:
    return structs.replace(site, notes=[note for note in site.notes if note not in shared])
