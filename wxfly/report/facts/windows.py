"""The windows, how sure they are, and what would change them."""

from __future__ import annotations

import math
import typing
from datetime import datetime
from typing import Literal

import numpy as np

from wxfly.answer import findings
from wxfly.answer.request import Change, SiteAnswer
from wxfly.answer.windows import Window
from wxfly.flight.advice import sight
from wxfly.probability.chance import Chance, Outlook
from wxfly.report.facts.values import (
    ElementName,
    Facts,
    Metres,
    Period,
    Share,
    StateWord,
    moment_of,
    number,
    share,
    state_word,
    written_moment,
)


class CauseFacts(Facts, frozen=True):
    """What may break a limit. Shares of causes do not add up: several may break theirs at once."""

    element: ElementName
    """The element."""
    share: Share
    """Chance that it breaks its limit in some hour, alone or with others."""
    share_alone: Share
    """Chance that it does and nothing else does."""


class OutlookFacts(Facts, frozen=True):
    """The surest stretch of the length that is asked for."""

    start: datetime
    """Within the light."""
    end: datetime
    """Within the light."""
    kind: Literal["firm", "open", "faint", "not known"]
    """firm from 0.8, open from 0.4, faint below."""
    chance: Share | None
    """That every limit holds all along, counted over the members together; never 0 and never 1."""
    causes: list[CauseFacts]
    """The largest share first."""


class WindowFacts(Facts, frozen=True):
    """A window: a stretch in which every limit holds."""

    rank: int
    """1 is the best: by the chance of its surest stretch, of equal ones those within three days first, then by
    margin."""
    start: datetime
    """Cut to daylight."""
    end: datetime
    """Cut to daylight."""
    state: StateWord
    """The worst of its hours."""
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
    """That every limit holds all through; never 0 and never 1."""
    causes: list[CauseFacts]
    """What may break a limit, the largest share first."""
    surest: OutlookFacts | None
    """The surest stretch in it of the length that is asked for; null where it was not worked out."""
    usable_height: Metres | None
    """Highest usable height above ground, the lowest of its hours."""
    usable_height_ends_by: str | None
    """The element that ends the climb, ceiling at the height limit."""
    cloud_base_is_known: bool
    """Whether it is in every hour; where not, cloud may end the climb lower."""
    sight_range: Metres | None
    """How far the aircraft is seen all through; where visibility is unknown, from the size of the aircraft alone."""
    sight_decided_by: Literal["size", "visibility"] | None
    """What decides."""
    visibility_is_known: bool
    """Whether visibility is known throughout."""


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

    kind: Literal["lower", "shorter", "aircraft", "day", "more"]
    """lower, shorter, aircraft, day: what would have to change; more: so much more of an element would break the best
    window."""
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

    verdict: Literal["same", "kept", "left", "gone"]
    """same: the best window is still around it; kept: another is better by no more than a step, so it stays first;
    left: another has gained more, or is better known; gone: it does not hold any more."""
    run: datetime
    """Start of the run that chose it."""
    start: datetime
    """Of the stretch."""
    end: datetime
    """Of the stretch."""
    chance: Share | None
    """Its chance now; null where it does not matter."""


def chance_and_causes(chance: Chance | None) -> tuple[float | None, list[CauseFacts]]:
    """Return a chance, None where it is unknown, and what may break a limit."""
    if chance is None or math.isnan(chance.value):
        return None, []
    causes = [CauseFacts(c.element, share(c.share), share(c.sole_share)) for c in chance.causes]
    return number(chance.value), causes


def outlook_facts(outlook: Outlook) -> OutlookFacts:
    """Return the surest stretch of a day or a window."""
    kind = typing.cast(Literal["firm", "open", "faint", "not known"], outlook.kind)
    return OutlookFacts(moment_of(outlook.start), moment_of(outlook.end), kind, *chance_and_causes(outlook.chance))


def window_facts(answer: SiteAnswer, rank: int, window: Window) -> WindowFacts:
    """Return a window of an answer."""
    part = slice(window.first, window.last + 1)
    usable = findings.usable_height_of(answer, window)
    visibility = answer.conditions["visibility_in_air"].isel(time=part).values
    chance, causes = chance_and_causes(window.chance)
    seen, decided_by = sight(visibility, answer.request.aircraft)
    return WindowFacts(
        rank=rank,
        start=moment_of(window.start),
        end=moment_of(window.end),
        state=state_word(window.state),
        margin=number(window.margin),
        limiting_element=window.limiting_element,
        limiting_hour=moment_of(answer.assessment["time"].values[findings.deciding_hour(answer, window)]),
        advised_not_known=list(window.unknown),
        within=Period(moment_of(window.within_start), moment_of(window.within_end)),
        chance=chance,
        causes=causes,
        surest=None if window.surest is None else outlook_facts(window.surest),
        usable_height=number(usable.height),
        usable_height_ends_by=usable.ends_by or None,
        cloud_base_is_known=usable.cloud_base_is_known,
        sight_range=number(seen),
        sight_decided_by=typing.cast(Literal["size", "visibility"] | None, decided_by or None),
        visibility_is_known=not bool(np.isnan(visibility).any()),
    )


def chance_basis(answer: SiteAnswer) -> ChanceBasis:
    """Return what the chances of an answer are from."""
    sureness = answer.sureness
    if sureness is None:
        return ChanceBasis(1, [], True, [], [])
    return ChanceBasis(
        sureness.members,
        list(sureness.models),
        sureness.is_weak,
        list(map(str, sureness.notes)),
        list(sureness.by_percentiles),
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
    return ChoiceFacts(choice.verdict, written_moment(choice.run), start, end, number(choice.chance))
