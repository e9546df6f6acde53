"""How sure an answer is, in words: in how many of ten, for how long, by whose members, and what may break a limit."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from wxfly.answer.findings import better_of_two
from wxfly.answer.request import Briefing, Change, Choice, SiteAnswer
from wxfly.answer.windows import Window
from wxfly.pilot.elements import BY_NAME, GRAVEST
from wxfly.pilot.intent import derate
from wxfly.probability.chance import KEEP_STEP, Cause, Chance, Outlook, jumpiness
from wxfly.probability.member_gaps import NOT_NAMED
from wxfly.report.facts.values import listed
from wxfly.report.text import sentences
from wxfly.report.text.sentences import Clock, Reader

Line = tuple[str, str]

CAUSES_TOLD = 3
_GRAVE_FROM = 0.07
"""Share from which a grave hazard is told: that of one member in ten, less what its own error takes off [1]."""
_RUNS_TOLD = 4
_JUMPY = 0.2
_WIND = ("wind", "gust")


def in_ten(chance: float) -> str:
    """Return a chance as so many in ten; the ends are told as what they are, not as never or always."""
    if math.isnan(chance):
        return "not known"
    if chance <= 0.05:
        return "less than 1 in 10"
    if chance >= 0.95:
        return "more than 9 in 10"
    return f"{min(9, max(1, round(chance * 10)))} in 10"


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
        shares = [f"{BY_NAME[cause.element].title} {_percent(cause.share)}" for cause in grave]
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
    return cause.element in GRAVEST and cause.share >= _GRAVE_FROM


def told_causes(chance: Chance, deciding: str = "") -> tuple[Cause, ...]:
    """Return the causes that are told: the largest, and in any case the element that decides and the gravest hazard.

    By members every hazard that one in ten has over its limit is told, however many causes are larger.
    """
    grave = sorted(filter(_is_grave, chance.causes), key=lambda cause: GRAVEST.index(cause.element))
    own = [cause for cause in chance.causes if cause.element == deciding] + grave[:1]
    told = list(dict.fromkeys([*own, *chance.causes]))[:CAUSES_TOLD] + ([] if chance.is_weak else grave)
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
        alone = f", alone {_percent(cause.sole_share)}" if is_told else ""
        told.append(f"{title} {_percent(cause.share)}{alone}")
    return "; ".join(told)


def _percent(share: float) -> str:
    return "under 1 %" if share < 0.01 else f"{round(100 * share)} %"


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


def outlook_words(outlooks: Sequence[Outlook], clock: Clock) -> str:
    """Return the surest stretch of each day: its word, its chance and when it starts."""
    return ", ".join(
        f"{clock.day(o.start)} {o.kind} ({in_ten(o.chance.value)}, from {clock.hour(o.start)})" for o in outlooks
    )


def sure_lines(briefing: Briefing, answer: SiteAnswer, reader: Reader) -> list[Line]:
    """Return the lines on sureness for one site's answer."""
    lines: list[Line] = []
    if answer.best is not None:
        told = how_sure(answer, answer.best, reader.clock, briefing.minimum_duration)
        if told:
            lines.append(("How sure", told))
        planned = planning_words(answer, answer.best)
        if planned:
            lines.append(("Planning", planned))
    elif answer.outlooks:
        known = [o for o in answer.outlooks if not math.isnan(o.chance.value)]
        if known:
            surest = max(known, key=lambda o: o.chance.value)
            when = f"{sentences.duration(briefing.minimum_duration)} from {reader.clock.hour(surest.start)}"
            causes = causes_in_words(surest.chance)
            tail = f"; may break: {causes}" if causes else ""
            lines.append(("Surest", f"{in_ten(surest.chance.value)} for {when} ({whose(answer)}){tail}"))
    if answer.changes:
        lines.append(("Changes", changes_in_words(answer, reader)))
    if answer.choice is not None:
        lines.append(("Choice", choice_words(answer.choice, reader.clock)))
    if answer.earlier:
        lines.append(("Before", before_words(answer, reader.clock)))
    if briefing.question == "week" and answer.outlooks:
        lines.append(("By day", outlook_words(answer.outlooks, reader.clock)))
    return lines


def before_words(answer: SiteAnswer, clock: Clock) -> str:
    """Say what earlier runs told of the same hours, and how much the answer went to and fro."""
    told = [
        f"{in_ten(chance)} ({clock.day(_moment(run))} {clock.hour(_moment(run))})"
        for run, chance in answer.earlier[-_RUNS_TOLD:]
    ]
    surest = None if answer.best is None else answer.best.surest
    words = f"earlier runs told {listed(told)} for these hours"
    if surest is None or math.isnan(surest.chance.value):
        return words
    swing = jumpiness([*(chance for _, chance in answer.earlier), surest.chance.value])
    if swing > _JUMPY:
        words += f"; the answer goes to and fro from run to run (by {swing:.1f}): wait for the next"
    elif not math.isnan(swing):
        words += f"; over {len(answer.earlier) + 1} runs the answer is steady (to and fro by {swing:.2f})"
    return words


def choice_words(choice: Choice, clock: Clock) -> str:
    """Say what became of the window chosen in the run before."""
    when = f"{clock.day(choice.start)} {clock.span(choice.start, choice.end)}"
    run = f"the run of {clock.day(_moment(choice.run))} {clock.hour(_moment(choice.run))}"
    step = f"{KEEP_STEP * 10:.0f} in 10"
    if choice.verdict == "same":
        return f"{run} chose {when}: the best window is still around it"
    if choice.verdict == "gone":
        return f"{run} chose {when}, which does not hold any more"
    if choice.verdict == "left":
        return f"{run} chose {when}; another window is now better by more than {step}, or better known"
    return (
        f"{when} is kept from {run}: another window is better by no more than {step} "
        f"({100 * choice.chance:.0f} % and {100 * choice.best:.0f} %)"
    )


def _moment(text: str) -> np.datetime64:
    return np.datetime64(text.rstrip("Z"), "s")


def changes_in_words(answer: SiteAnswer, reader: Reader) -> str:
    """Say what would change the answer."""
    return "; ".join(_change_in_words(change, reader) for change in answer.changes)


def _change_in_words(change: Change, reader: Reader) -> str:
    if change.window is None:
        element = BY_NAME[change.element]
        amount = sentences.amount(change.amount, element.quantity, reader.units) if element.quantity else ""
        return f"{amount or f'{change.amount:.1f}'} more of {element.title} would break it"
    when = f"{reader.clock.day(change.window.start)} {reader.clock.span(change.window.start, change.window.end)}"
    if change.kind == "lower":
        return f"at {sentences.amount(change.height, 'height', reader.units)} it holds {when}"
    if change.kind == "shorter":
        return f"a flight of {sentences.duration(change.window.length)} holds {when}"
    if change.kind == "aircraft":
        return f"with a {change.aircraft} it holds {when}"
    return f"the next window after is {when}"


def better_in_words(briefing: Briefing, names: Sequence[str]) -> str:
    """Say which of two sites is the better one and how sure that is, over the best window of the better one."""
    windows = [a.best for a in briefing.answers]
    first_site = next((i for i, w in enumerate(windows) if w is not None), None)
    if first_site is None:
        return ""
    ranked = sorted((i for i, w in enumerate(windows) if w is not None), key=lambda i: -_value(windows[i]))
    window = windows[ranked[0]]
    assert window is not None
    at = window.surest or window
    shares = better_of_two(briefing, at.first, at.last)
    if shares is None or any(math.isnan(s) for s in shares):
        return ""
    return (
        f"{names[0]} is the better one in {in_ten(shares[0])}, {names[1]} in {in_ten(shares[1])}, "
        f"they are equal in {in_ten(shares.equal)}, "
        f"neither holds in {in_ten(shares.neither)} ({whose(briefing.answers[0])})"
    )


def _value(window: Window | None) -> float:
    if window is None or window.surest is None or math.isnan(window.surest.chance.value):
        return -1.0
    return window.surest.chance.value
