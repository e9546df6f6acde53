"""The windows, how sure they are, and what would change them."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Annotated

import numpy as np
from msgspec import Meta

from wxfly.answer import findings
from wxfly.answer.request import Change, ChangeKind, SiteAnswer
from wxfly.answer.request import ChoiceOutcome as ChoiceOutcome
from wxfly.answer.windows import Room, Window
from wxfly.flight.advice import SightLimit as SightLimit
from wxfly.flight.advice import sight
from wxfly.pilot.elements import GRAVEST
from wxfly.probability.chance import Cause, Chance, Outlook, OutlookKind, jumpiness
from wxfly.report.facts.values import (
    Degrees,
    ElementName,
    Facts,
    Kelvins,
    Metres,
    Period,
    Share,
    Speed,
    StateWord,
    moment_of,
    number,
    state_word,
    written_moment,
)

RoomOfWindow = Annotated[Room, Meta(extra_json_schema={"enum": [Room.ROOM, Room.LITTLE, Room.PROBABLY_NONE]})]
"""The rooms that a window may have: all its hours may be flown."""


class CauseFacts(Facts, frozen=True):
    """What may break a limit. Shares of causes do not add up: several may break theirs at once."""

    element: ElementName
    """The element."""
    share: Share | None
    """Chance that it breaks its limit in some hour, alone or with others."""
    share_alone: Share | None
    """Chance that it does and nothing else does."""


class OutlookFacts(Facts, frozen=True):
    """The surest stretch of the length that is asked for."""

    start: datetime
    end: datetime
    """Within the light."""
    kind: OutlookKind
    """firm from 0.8, open from 0.4, faint below."""
    chance: Share | None
    """Chance that every limit holds all along, over the members together; never 0 and never 1."""
    causes: list[CauseFacts]
    """The largest share first."""
    forecast_wet: bool
    """Whether precipitation is forecast in every hour of it."""


class ConditionsFacts(Facts, frozen=True):
    """What a window is like at flight height; null where a part of it is not known."""

    wind_low: Speed | None
    wind_high: Speed | None
    """Smallest and largest mean wind."""
    wind_uncertainty: Speed | None
    """One standard deviation of carrying the wind up from the forecast's heights."""
    wind_from_direction: Degrees | None
    """Where the wind comes from, on average; null too where it comes from all round."""
    gust: Speed | None
    """Largest gust."""
    temperature_low: Kelvins | None
    temperature_high: Kelvins | None
    """Temperature of the air."""
    precipitation_probability: Share | None
    """The largest; null too where it is lost in some hour."""
    density_altitude: Metres | None
    """The largest."""


class WindowFacts(Facts, frozen=True):
    """A window: a stretch in which every limit holds."""

    rank: int
    """1 is the best, which the verdict is about: what is probably no room last, what is known and preferred first,
    then by the chance of the surest stretch, those within three days first, then by margin. Of several days room comes
    before little room."""
    start: datetime
    end: datetime
    """Cut to daylight."""
    state: StateWord
    """The worst of its hours."""
    room: RoomOfWindow
    """Whether there is room to fly in it: probably no room where the chance of its surest stretch is below 0.5, little
    room where it is narrow."""
    margin: Share | None
    """The smallest of its hours."""
    limiting_element: ElementName
    """The element of that margin."""
    limiting_hour: datetime
    """Start of the hour with that margin."""
    advised_not_known: list[ElementName]
    """Advised elements that are not known in some hour of it."""
    within: Period
    """The unbroken stretch of holding hours that it is the best part of."""
    chance: Share | None
    """Chance that every limit holds all through; never 0 and never 1."""
    causes: list[CauseFacts]
    """What may break a limit, the largest share first."""
    surest: OutlookFacts | None
    """The surest stretch in it of the length that is asked for; null where it was not worked out."""
    usable_height: Metres | None
    """Highest usable height above ground, the lowest of its hours."""
    usable_height_ends_by: str | None
    """The element that ends the climb, height_limit at the height limit."""
    cloud_base_is_known: bool
    """Whether it is in every hour; where not, cloud may end the climb lower."""
    sight_range: Metres | None
    """How far the aircraft is seen all through; where visibility is unknown, from the size of the aircraft alone."""
    sight_decided_by: SightLimit | None
    """What decides."""
    visibility_is_known: bool
    """Whether visibility is known throughout."""
    expected: ConditionsFacts
    """What it is like."""
    forecast_wet: bool
    """Whether precipitation is forecast in every hour of it."""
    likely_cause: CauseFacts | None
    """The largest cause that may break a limit; null where all its limits are sure enough."""
    weakest_hour: datetime
    """Start of the hour with the smallest margin of the stretch `within`."""
    ended_by: str | None
    """What ends the stretch `within`: light, or the element that decides in the hour after it; null where the period
    ends there."""
    ends_at_unknown: bool
    """Whether it ends only because that element is not known."""
    outlook_only: bool
    """Whether one forecast alone shows it, so far ahead that nobody plans with it."""


class ChanceBasis(Facts, frozen=True):
    """What the chances are from."""

    member_count: int
    """How many members; 1 for a single forecast."""
    models: list[str]
    """Whose."""
    single_forecast: bool
    """Whether they are from one forecast and the usual growth of its error, and so weaker."""
    ensemble_notes: list[str]
    """What is missing of the members."""
    spread_of_source: list[ElementName]
    """Elements whose spread is from percentiles that the source of the one forecast gives."""


class ChangeFacts(Facts, frozen=True):
    """One change that would make nothing into a window, or how much more of an element would break the best one."""

    kind: ChangeKind
    """later, lower, shorter, aircraft, day: what would have to change; more: so much more of an element would break the
    best window."""
    window: Period | None
    """The window it would make; null for more."""
    height: Metres | None
    """For lower: the height at which it would hold."""
    aircraft_title: str | None
    """For aircraft: the one that stands it."""
    element: ElementName | None
    """For more: the element."""
    amount: float | None
    """For more: how much more would break it, in the unit of the element."""


class Earlier(Facts, frozen=True):
    """What an earlier run reported of the surest stretch of the best window."""

    run: datetime
    """Start of that run."""
    chance: Share | None
    """The chance it gave."""


class ChoiceFacts(Facts, frozen=True):
    """The stretch chosen in the run before, and what became of it."""

    outcome: ChoiceOutcome
    """same: the best window is still around it; kept: another is better by no more than a step, so it stays first;
    left: another has gained more, or is better known; gone: it does not hold any more."""
    run: datetime
    """Start of the run that chose it."""
    start: datetime
    end: datetime
    """Start and end of the stretch."""
    chance: Share | None
    """Its chance now; null where it does not matter."""
    best_chance: Share | None
    """Chance of the best stretch now; null where it does not matter."""


def chance_and_causes(chance: Chance | None) -> tuple[float | None, list[CauseFacts]]:
    """Return a chance, None where it is unknown, and what may break a limit."""
    if chance is None or math.isnan(chance.value):
        return None, []
    return number(chance.value), [_cause(cause) for cause in chance.causes]


def outlook_facts(answer: SiteAnswer, outlook: Outlook) -> OutlookFacts:
    """Return the surest stretch of a day or a window."""
    text = chance_and_causes(outlook.chance)
    wet = findings.is_wet(answer, outlook)
    return OutlookFacts(moment_of(outlook.start), moment_of(outlook.end), outlook.kind, *text, wet)


def _cause(cause: Cause) -> CauseFacts:
    return CauseFacts(cause.element, number(cause.share), number(cause.sole_share))


def _conditions(answer: SiteAnswer, window: Window) -> ConditionsFacts:
    found = findings.conditions_of(answer, window)
    return ConditionsFacts(**{name: number(value) for name, value in vars(found).items()})


def window_facts(answer: SiteAnswer, rank: int, window: Window) -> WindowFacts:
    """Return a window of an answer."""
    part = slice(window.first, window.last + 1)
    usable = findings.usable_height_of(answer, window)
    visibility = answer.conditions["visibility_in_air"].isel(time=part).values
    chance, causes = chance_and_causes(window.chance)
    seen, decided_by = sight(visibility, answer.request.aircraft)
    doubtful = findings.likely_cause(answer, window)
    ended_by, ends_at_unknown = findings.ended_by(answer, window)
    times = answer.assessment["time"].values
    return WindowFacts(
        rank=rank,
        start=moment_of(window.start),
        end=moment_of(window.end),
        state=state_word(window.state),
        room=window.room,
        margin=number(window.margin),
        limiting_element=window.limiting_element,
        limiting_hour=moment_of(times[findings.deciding_hour(answer, window)]),
        advised_not_known=list(window.unknown),
        within=Period(moment_of(window.within_start), moment_of(window.within_end)),
        chance=chance,
        causes=causes,
        surest=None if window.surest is None else outlook_facts(answer, window.surest),
        usable_height=number(usable.height),
        usable_height_ends_by=usable.ends_by or None,
        cloud_base_is_known=usable.cloud_base_is_known,
        sight_range=number(seen),
        sight_decided_by=decided_by,
        visibility_is_known=not bool(np.isnan(visibility).any()),
        expected=_conditions(answer, window),
        forecast_wet=findings.is_wet(answer, window),
        likely_cause=None if doubtful is None else _cause(doubtful),
        weakest_hour=moment_of(times[findings.weakest_hour(answer, window)]),
        ended_by=ended_by,
        ends_at_unknown=ends_at_unknown,
        outlook_only=findings.is_outlook_only(answer, window),
    )


def chance_basis(answer: SiteAnswer) -> ChanceBasis:
    """Return what the chances of an answer are from."""
    site_chance = answer.site_chance
    if site_chance is None:
        return ChanceBasis(1, [], True, [], [])
    return ChanceBasis(
        site_chance.members,
        list(site_chance.models),
        site_chance.is_weak,
        list(map(str, site_chance.notes)),
        list(site_chance.by_percentiles),
    )


def change_facts(change: Change) -> ChangeFacts:
    """Return what would change an answer."""
    window = change.window
    return ChangeFacts(
        change.kind,
        None if window is None else Period(moment_of(window.start), moment_of(window.end)),
        number(change.height),
        change.aircraft or None,
        change.element or None,
        number(change.amount),
    )


def choice_facts(answer: SiteAnswer) -> ChoiceFacts | None:
    """Return what became of the window chosen in the run before."""
    choice = answer.choice
    if choice is None:
        return None
    start, end = moment_of(choice.start), moment_of(choice.end)
    now = number(choice.chance), number(choice.best)
    return ChoiceFacts(choice.outcome, written_moment(choice.run), start, end, *now)


def run_to_run_swing(answer: SiteAnswer) -> float | None:
    """Return how much the answer keeps changing from run to run; None where that is unknown."""
    surest = None if answer.best is None else answer.best.surest
    if not answer.earlier or surest is None or math.isnan(surest.chance.value):
        return None
    return number(jumpiness([*(chance for _, chance in answer.earlier), surest.chance.value]))


GRAVE_FROM = 0.07
"""Share from which a grave hazard is reported: that of one member in ten, less what its own error takes off [1]."""


def is_grave(cause: CauseFacts) -> bool:
    """Return whether a cause is one of the gravest hazards, and possible."""
    return cause.element in GRAVEST and cause.share is not None and cause.share >= GRAVE_FROM
