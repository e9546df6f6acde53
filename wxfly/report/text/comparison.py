"""Turns of a comparison: runs of hours in which the same site is better, and what stands against the others."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from wxfly.answer.comparison import ComparedHour
from wxfly.answer.request import Briefing
from wxfly.report.text.sentences import held_back, reading_of, titles


@dataclass(frozen=True)
class Turn:
    """A run of hours in which the same sites are better for the same reasons.

    Attributes
    ----------
    first, last : int
        Positions in the list of compared hours.
    better : tuple of int
        As in `wxfly.answer.comparison.ComparedHour`.
    """

    first: int
    last: int
    better: tuple[int, ...]


def turns(hours: Sequence[ComparedHour]) -> list[Turn]:
    """Join compared hours of the same outcome."""
    joined: list[Turn] = []
    for i, hour in enumerate(hours):
        if joined and joined[-1].better == hour.better and joined[-1].last == i - 1:
            joined[-1] = Turn(joined[-1].first, i, hour.better)
        else:
            joined.append(Turn(i, i, hour.better))
    return joined


def why_better(
    briefing: Briefing, hours: Sequence[ComparedHour], names: Sequence[str], units: str
) -> list[tuple[str, str]]:
    """Say what stands against the sites that are not better in a run of hours of the same outcome.

    For each site it is the element that does so in most of the hours, as it is in the hour where it is worst.

    Returns
    -------
    list of tuple
        Name of the site, and what stands against it.
    """
    against = []
    for i, answer in enumerate(briefing.answers):
        if i in hours[0].better:
            continue
        hidden = [h for h in hours if h.better and h.standings[i].holds and _is_hidden(h, i)]
        if 2 * len(hidden) > len(hours):
            missing = dict.fromkeys(name for h in hidden for name in h.standings[i].unknown)
            against.append((names[i], f"{titles(list(missing))} not known"))
            continue
        elements = Counter(h.standings[i].deciding for h in hours if h.standings[i].deciding)
        if not elements:
            against.append((names[i], "nothing is known"))
            continue
        element = elements.most_common(1)[0][0]
        margins = answer.assessment["margin"].sel(element=element).values
        at = [
            int(np.searchsorted(answer.assessment["time"].values, h.time))
            for h in hours
            if h.standings[i].deciding == element
        ]
        worst = min(at, key=lambda k: -np.inf if np.isnan(margins[k]) else float(margins[k]))
        against.append((names[i], held_back(answer, worst) or reading_of(answer, element, worst, units)))
    return against


def _is_hidden(hour: ComparedHour, site: int) -> bool:
    """Whether a site stands behind because something is not known there that is known at the better site."""
    return bool(hour.standings[site].unknown) and not hour.standings[hour.better[0]].unknown
