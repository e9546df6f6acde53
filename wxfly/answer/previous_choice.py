"""Whether an answer stays with the window that was chosen in an earlier run.

An answer that changes for small reasons does not help. A later run stays with a choice unless another window has gained
more than `wxfly.probability.chance.KEEP_STEP` on it. This changes only the order, and only among hours that are within
all limits in the later run. The choices are kept in `wxfly.history.previous_choice`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wxfly.answer.briefing import with_windows
from wxfly.answer.request import Briefing, Choice, ChoiceOutcome, SiteAnswer, preferred_hours
from wxfly.answer.windows import Window, find_windows
from wxfly.probability.chance import KEEP_STEP, Outlook, keeps_choice


def stay_with(
    answer: SiteAnswer, briefing: Briefing, *, run: str, start: np.datetime64, end: np.datetime64
) -> SiteAnswer:
    """Put the window chosen from the previous run first, where the rule requires it.

    Parameters
    ----------
    answer : SiteAnswer
        The answer for one site.
    briefing : Briefing
        The briefing that contains it.
    run : str
        Start of the previous run, ISO 8601 in UTC with ``Z``.
    start, end : numpy.datetime64
        The period chosen from it, UTC.

    Returns
    -------
    SiteAnswer
        With the choice of the previous run and its outcome; the same answer where it has no window or no chance.
    """
    if answer.best is None or answer.site_chance is None:
        return answer
    if answer.best.start <= start and end <= answer.best.end:
        return replace(answer, choice=Choice(ChoiceOutcome.SAME, run, start, end))
    found = find_windows(
        answer.assessment,
        minimum_duration=briefing.minimum_duration,
        start=max(start, answer.start),
        end=end,
        preferred=preferred_hours(answer.conditions, answer.request),
    )
    if not found:
        return replace(answer, choice=Choice(ChoiceOutcome.GONE, run, start, end))
    kept = _whole(answer, found[0])
    best = (answer.best.surest or answer.best).chance
    assert kept.chance is not None
    assert best is not None
    others = [w for w in answer.windows if not (w.within_start <= start and end <= w.within_end)]
    stays = with_windows(answer, (kept, *others), briefing.now, stays_first=kept)
    if stays.best is not kept or not keeps_choice(kept.chance.value, best.value):
        return replace(answer, choice=Choice(ChoiceOutcome.LEFT, run, start, end, kept.chance.value))
    return replace(stays, choice=Choice(ChoiceOutcome.KEPT, run, start, end, kept.chance.value, best.value))


def kept_note(answer: SiteAnswer) -> str:
    """Return a line that an earlier choice stays first although another window is better; else empty."""
    choice = answer.choice
    if choice is None or choice.outcome is not ChoiceOutcome.KEPT or not choice.best > choice.chance:
        return ""
    return (
        f"{answer.request.site.name}: the window chosen in the run of {choice.run[:16]}Z stays first, though another "
        f"is better now, by no more than {10 * KEEP_STEP:.0f} in 10; to rank anew: --fresh, for good: wxfly forget"
    )


def _whole(answer: SiteAnswer, stretch: Window) -> Window:
    """Return the chosen period as a window of this answer, with its own chance."""
    assert answer.site_chance is not None
    chance = answer.site_chance.of(stretch.first, stretch.last)
    around = next(
        (w for w in answer.windows if w.within_start <= stretch.start and stretch.end <= w.within_end), stretch
    )
    surest = Outlook(stretch.start, stretch.end, stretch.first, stretch.last, chance)
    return replace(
        stretch, chance=chance, surest=surest, within_start=around.within_start, within_end=around.within_end
    )
