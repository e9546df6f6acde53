"""Which site is the better one, hour by hour."""

from __future__ import annotations

import math
from datetime import datetime

import numpy as np

from wxfly.answer.findings import better_of_two
from wxfly.answer.request import Briefing
from wxfly.report.facts.values import ElementName, Facts, Share, StateWord, moment_of, number, share, state_word


class StandingFacts(Facts, frozen=True):
    """How one site stands in each hour of a comparison."""

    state: list[StateWord]
    """Of the hour."""
    holds: list[bool]
    """Whether some lit part of the hour can be used."""
    margin: list[Share | None]
    """Of the hour."""
    deciding_element: list[ElementName | None]
    """What stands against the site; null where nothing is known to decide."""
    unknown_elements: list[list[ElementName]]
    """Judged elements that are not known."""


class ComparisonFacts(Facts, frozen=True):
    """Hours that all sites share: one list for each quantity."""

    start: list[datetime]
    """Start of the hour."""
    better: list[list[int]]
    """Positions in `sites` of the best: one, several when equal, none when no site holds."""
    lead: list[Share | None]
    """How much larger the best margin is than the largest of the others that hold; below 0 where a larger margin has
    something unknown behind it; null when no other holds."""
    chance_better: list[tuple[Share, Share, Share] | None]
    """Of two sites: that the first is the better one, that the second is, that neither holds; null for more sites."""
    standings: list[StandingFacts]
    """In the order of `sites`."""
    best_sites: list[int]
    """Positions in `sites` of those with the best window of all: one, several when equal, none without a window."""


def comparison_facts(briefing: Briefing) -> ComparisonFacts:
    """Return who is better in the hours that all sites of a briefing share."""
    compared = briefing.compared
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
        best_sites=[i for i, rank in ranks.items() if rank == min(ranks.values())],
    )


def _chance_better(briefing: Briefing, time: np.datetime64) -> tuple[float, float, float] | None:
    at = int(np.searchsorted(briefing.answers[0].assessment["time"].values, time))
    shares = better_of_two(briefing, at, at)
    if shares is None or any(math.isnan(s) for s in shares):
        return None
    first, second, neither = map(share, shares)
    return first, second, neither
