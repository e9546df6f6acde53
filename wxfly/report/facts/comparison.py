"""Which site is the better one, hour by hour."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Sequence
from datetime import datetime

import numpy as np

from wxfly.answer import findings
from wxfly.answer.findings import ComparedHour, better_of_two
from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.answer.windows import in_order
from wxfly.assessment.hours import HOUR
from wxfly.report.facts.values import ElementName, Facts, Share, StateWord, moment_of, number, share, state_word


class StandingFacts(Facts, frozen=True):
    """How one site stands in each hour of a comparison."""

    state: list[StateWord]
    """State of the hour."""
    holds: list[bool]
    """Whether some lit part of the hour can be used."""
    margin: list[Share | None]
    """Margin of the hour."""
    deciding_element: list[ElementName | None]
    """What stands against the site; null where nothing is known to decide."""
    unknown_elements: list[list[ElementName]]
    """Judged elements that are not known."""


class AgainstFacts(Facts, frozen=True):
    """What stands against one site in a turn."""

    site_position: int
    """Position in `sites`."""
    element: ElementName | None
    """The element that stands against it in most of the hours; null where that is what is not known."""
    hour: datetime | None
    """Start of the hour in which that element is worst."""
    unknown_elements: list[ElementName]
    """Elements that are not known there and are known at the better site; empty where `element` stands against it."""


class TurnFacts(Facts, frozen=True):
    """A run of hours in which the same sites are better; hours in which all sites are dark are cut off its ends."""

    start: datetime
    end: datetime
    """Its ends."""
    better: list[int]
    """Positions in `sites` of the best, as in the comparison."""
    against: list[AgainstFacts]
    """What stands against the others."""


class ComparisonFacts(Facts, frozen=True):
    """Hours that all sites share: one list for each quantity."""

    start: list[datetime]
    """Start of the hour."""
    better: list[list[int]]
    """Positions in `sites` of the best: one, several when equal, none when no site holds."""
    lead: list[Share | None]
    """How much larger the best margin is than the largest of the others that hold; below 0 where a larger margin has
    something unknown behind it; null when no other holds."""
    chance_better: list[tuple[Share, Share, Share, Share] | None]
    """For two sites, the chances that the first is the better one, that the second is, that neither holds, that they
    are equal; null for more sites."""
    standings: list[StandingFacts]
    """In the order of `sites`."""
    lit: list[bool]
    """Whether one of the sites has light in the hour."""
    turns: list[TurnFacts]
    """Runs of hours of the same outcome, where a site has light."""
    order: list[int]
    """Positions in `sites` of those that have a window, the better first, by chance."""
    chance_better_in_best: tuple[Share, Share, Share, Share] | None
    """As `chance_better`, for the surest stretch of the best window of the better site."""
    best_sites: list[int]
    """Positions in `sites` of those with the best window of all: one, several when equal, none without a window."""


def comparison_facts(briefing: Briefing) -> ComparisonFacts:
    """Return who is better in the hours that all sites of a briefing share."""
    compared = findings.compared(briefing)
    ranks = {i: answer.best.rank for i, answer in enumerate(briefing.answers) if answer.best}
    return ComparisonFacts(
        start=[moment_of(hour.time) for hour in compared],
        better=[list(hour.better) for hour in compared],
        lead=[number(hour.lead) for hour in compared],
        chance_better=[_chance_better(briefing, hour.time) for hour in compared],
        standings=[
            StandingFacts(
                [state_word(s.state) for s in of_site],
                [s.holds for s in of_site],
                [number(s.margin) for s in of_site],
                [s.deciding or None for s in of_site],
                [list(s.unknown) for s in of_site],
            )
            for of_site in ([hour.standings[i] for hour in compared] for i in range(len(briefing.answers)))
        ],
        lit=[hour.is_lit for hour in compared],
        turns=_turns(briefing, compared),
        order=_order(briefing.answers, briefing.now),
        chance_better_in_best=_chance_better_in_best(briefing),
        best_sites=[i for i, rank in ranks.items() if rank == min(ranks.values())],
    )


def _order(answers: Sequence[SiteAnswer], now: np.datetime64) -> list[int]:
    having = [i for i, answer in enumerate(answers) if answer.best is not None]
    windows = [window for i in having if (window := answers[i].best) is not None]
    ranked = in_order(windows, now)
    return [next(i for i in having if answers[i].best is w) for w in ranked]


def _turns(briefing: Briefing, hours: Sequence[ComparedHour]) -> list[TurnFacts]:
    turns = []
    for _, run in itertools.groupby(range(len(hours)), key=lambda i: hours[i].better):
        lit = [i for i in run if hours[i].is_lit]
        if lit:
            part = hours[lit[0] : lit[-1] + 1]
            end = moment_of(part[-1].time + HOUR)
            turns.append(TurnFacts(moment_of(part[0].time), end, list(part[0].better), _against(briefing, part)))
    return turns


def _against(briefing: Briefing, hours: Sequence[ComparedHour]) -> list[AgainstFacts]:
    """Return what stands against the sites that are not better in a run of hours of the same outcome.

    For each site it is the element that does so in most of the hours, as it is in the hour where it is worst.
    """
    against = []
    for i, answer in enumerate(briefing.answers):
        if i in hours[0].better:
            continue
        hidden = [h for h in hours if h.better and h.standings[i].holds and _is_hidden(h, i)]
        if 2 * len(hidden) > len(hours):
            missing = dict.fromkeys(name for h in hidden for name in h.standings[i].unknown)
            against.append(AgainstFacts(i, None, None, list(missing)))
            continue
        elements = Counter(h.standings[i].deciding for h in hours if h.standings[i].deciding)
        if not elements:
            against.append(AgainstFacts(i, None, None, []))
            continue
        element = elements.most_common(1)[0][0]
        margins, times = answer.assessment["margin"].sel(element=element).values, answer.assessment["time"].values
        at = [int(np.searchsorted(times, h.time)) for h in hours if h.standings[i].deciding == element]
        worst = min(at, key=lambda k: -np.inf if np.isnan(margins[k]) else float(margins[k]))
        against.append(AgainstFacts(i, element, moment_of(times[worst]), []))
    return against


def _is_hidden(hour: ComparedHour, site: int) -> bool:
    """Whether a site stands behind because something is not known there that is known at the better site."""
    return bool(hour.standings[site].unknown) and not hour.standings[hour.better[0]].unknown


def _chance_better_in_best(briefing: Briefing) -> tuple[float, float, float, float] | None:
    windows = [answer.best for answer in briefing.answers if answer.best is not None]
    if not windows:
        return None
    best = max(windows, key=lambda window: window.surest_chance)
    at = best.surest or best
    return _shares(briefing, at.first, at.last)


def _chance_better(briefing: Briefing, time: np.datetime64) -> tuple[float, float, float, float] | None:
    at = int(np.searchsorted(briefing.answers[0].assessment["time"].values, time))
    return _shares(briefing, at, at)


def _shares(briefing: Briefing, first: int, last: int) -> tuple[float, float, float, float] | None:
    shares = better_of_two(briefing, first, last)
    if shares is None or any(math.isnan(s) for s in shares):
        return None
    one, other, neither, equal = map(share, shares)
    return one, other, neither, equal
