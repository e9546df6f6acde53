"""How sure a window of a briefing is, in words: in how many of ten, by whose members, and what may break a limit."""

from __future__ import annotations

import math

import numpy as np

from wxfly.answer.request import SiteAnswer
from wxfly.answer.windows import Window
from wxfly.physics.air.risk import POSSIBLE_FROM
from wxfly.pilot.elements import BY_NAME, GRAVEST
from wxfly.pilot.intent import derate
from wxfly.probability.chance import Cause, Chance
from wxfly.probability.member_gaps import NOT_NAMED
from wxfly.report.facts.values import listed
from wxfly.report.facts.words import in_ten as in_ten
from wxfly.report.facts.words import percent
from wxfly.report.text import sentences
from wxfly.report.text.sentences import Clock

CAUSES_TOLD = 3
_WIND = ("wind", "gust")


def how_sure(answer: SiteAnswer, window: Window, clock: Clock, minimum: np.timedelta64) -> str:
    """Say how sure a window is: for the time that is needed, all through, by whom, and what may break a limit."""
    if answer.sureness is None or window.chance is None:
        return ""
    surest = window.surest
    parts = []
    if surest is not None and not math.isnan(surest.chance.value):
        when = f"{sentences.duration(minimum)} from {clock.hour(surest.start)}"
        parts.append(f"{in_ten(surest.chance.value)} that every limit holds for {when}")
        if in_ten(window.chance.value) != in_ten(surest.chance.value):
            parts.append(f"{in_ten(window.chance.value)} all through")
    else:
        parts.append(f"{in_ten(window.chance.value)} that every limit holds all through")
    told = [f"{', '.join(parts)} ({whose(answer)})"]
    causes = causes_in_words(surest.chance if surest is not None else window.chance, window.limiting_element)
    if causes:
        told.append(f"may break: {causes}")
    if surest is not None:
        known = {cause.element for cause in told_causes(surest.chance, window.limiting_element)}
        grave = [c for c in window.chance.causes if _is_grave(c) and c.element not in known]
        shares = [f"{BY_NAME[cause.element].title} {percent(cause.share)}" for cause in grave]
        if shares:
            told.append(f"all through also {listed(shares)}")
    return "; ".join(told)


def whose(answer: SiteAnswer) -> str:
    """Say what a chance is from, and that it leaves the way home out where that is not judged."""
    without = ", the way home not counted" if answer.request.energy_missing else ""
    return f"{_from(answer)}{without}"


def _from(answer: SiteAnswer) -> str:
    sureness = answer.sureness
    if sureness is not None and sureness.by_percentiles:
        spread = listed([BY_NAME[name].title for name in sureness.by_percentiles])
        return (
            f"from one forecast, the spread of {spread} that its source gives and the usual growth of its error, "
            "weaker than members"
        )
    if sureness is None or sureness.is_weak:
        return "from one forecast and the usual growth of its error, weaker than members"
    models = ["a model that is not known" if name == NOT_NAMED else name for name in sureness.models]
    return f"{sureness.members} members of {listed(models)}"


def _is_grave(cause: Cause) -> bool:
    return cause.element in GRAVEST and cause.share >= POSSIBLE_FROM


def told_causes(chance: Chance, deciding: str = "") -> tuple[Cause, ...]:
    """Return the causes that are told: the largest, and in any case the element that decides and the gravest hazard."""
    grave = sorted(filter(_is_grave, chance.causes), key=lambda cause: GRAVEST.index(cause.element))
    own = [cause for cause in chance.causes if cause.element == deciding] + grave[:1]
    told = list(dict.fromkeys([*own, *chance.causes]))[:CAUSES_TOLD]
    return tuple(cause for cause in chance.causes if cause in told)


def causes_in_words(chance: Chance, deciding: str = "") -> str:
    """Name what may break a limit, each with its share and its share alone; they are not to be added up.

    A share that is not known is left out.
    """
    told = []
    for cause in told_causes(chance, deciding):
        if math.isnan(cause.share):
            continue
        title = BY_NAME[cause.element].title
        is_told = len(chance.causes) > 1 and not math.isnan(cause.sole_share)
        alone = f", alone {percent(cause.sole_share)}" if is_told else ""
        told.append(f"{title} {percent(cause.share)}{alone}")
    return "; ".join(told)


def planning_words(answer: SiteAnswer, window: Window) -> str:
    """Say whether a window stands with the share of the wind limits that is planned with so far ahead.

    Where members tell how sure it is nothing needs to be said.
    """
    if answer.sureness is None or not answer.sureness.is_weak:
        return ""
    part = answer.assessment.isel(time=slice(window.first, window.last + 1))
    lead = float(answer.sureness.lead_hours[window.last])
    share = derate(lead)
    if share is None:
        return "an outlook only: it is more than three days ahead of the forecast's run"
    demand, limit = (part[n].sel(element=list(_WIND)).values for n in ("demand", "limit"))
    if np.isnan(demand).any():
        return ""
    held = bool((demand <= share * limit).all())
    return (
        f"{'holds' if held else 'does not hold'} with {share:.2f} of the wind and gust limits, "
        f"which is planned with up to {_until(lead)} h ahead in marine practice"
    )


def _until(lead: float) -> int:
    return next(int(until) for until in (24, 48, 72) if lead <= until)
