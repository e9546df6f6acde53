"""The windows chosen in earlier runs, kept in the ledger, one for each run, and whether an answer stays with them.

An answer that changes for small reasons does not help. A later run stays with a choice unless another window has gained
more than `wxfly.probability.chance.KEEP_STEP` on it. This changes only the order, and only among hours that are within
all limits in the later run. The results of earlier runs are shown next to those of this run, which are recorded too.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from wxfly.answer.briefing import with_windows
from wxfly.answer.request import Briefing, Choice, ChoiceOutcome, SiteAnswer, preferred_hours
from wxfly.answer.windows import Window, find_windows
from wxfly.cube.notes import Note, NoteKind
from wxfly.errors import WxflyError
from wxfly.history.ledger import (
    Chosen,
    earlier_runs,
    enter,
    enter_verdicts,
    ledger_folder,
    moment,
    month_file,
    read_ledger,
    verdicts_of,
)
from wxfly.pilot.own_files import SetAside, damage_notes, make_folder, write_whole
from wxfly.probability.chance import KEEP_STEP, Outlook, keeps_choice


def choice_of(answer: SiteAnswer, briefing: Briefing) -> Chosen | None:
    """Return the choice of an answer; None where no window is within all limits or the run is unknown."""
    run = briefing.provenance.run
    if answer.best is None or np.isnat(run):
        return None
    stretch = answer.best.surest or answer.best
    request = answer.request
    return Chosen(
        question=briefing.question,
        site=request.site.name,
        aircraft=request.aircraft.name,
        model=briefing.provenance.first_model,
        height=float(request.height),
        duration=int(briefing.minimum_duration / np.timedelta64(1, "s")),
        limits=_limits(answer),
        hour=_written(stretch.start),
        end=_written(stretch.end),
        told=_written(briefing.now),
        run=_written(run),
    )


def _limits(answer: SiteAnswer) -> dict[str, float]:
    limits = answer.request.limits
    values = {"wind": limits.maximum_wind, "gust": limits.maximum_gust}
    if limits.maximum_gust_at_launch is not None:
        values["gust_at_launch"] = limits.maximum_gust_at_launch
    if answer.request.work.wait_hours:
        values["wait_hours"] = float(answer.request.work.wait_hours)
    return values


def _written(time: np.datetime64) -> str:
    return f"{time.astype('datetime64[s]')}Z"


def stay_with_choice(answer: SiteAnswer, briefing: Briefing) -> SiteAnswer:
    """Put the window chosen from the previous run first, where the rule requires it.

    Parameters
    ----------
    answer : SiteAnswer
        The answer for one site.
    briefing : Briefing
        The briefing that contains it.

    Returns
    -------
    SiteAnswer
        With the choice of the previous run and its outcome; the same answer where there was none, or where it has no
        window or no chance.
    """
    now = choice_of(answer, briefing)
    before = None if now is None else _before(now, answer)
    if before is None or answer.best is None or answer.site_chance is None:
        return answer
    run, start, end = before.run, moment(before.hour), moment(before.end)
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


def _cleared_file() -> Path:
    return ledger_folder() / "choices_cleared.txt"


def clear_choices(now: np.datetime64) -> None:
    """Forget every choice made up to now [UTC]. They stay in the ledger as a record, but no answer uses them."""
    make_folder(ledger_folder())
    write_whole(_cleared_file(), _written(now).encode())


def _cleared() -> str:
    """Return the time up to which choices are forgotten; empty where none are."""
    try:
        return _cleared_file().read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        return ""


def _before(now: Chosen, answer: SiteAnswer) -> Chosen | None:
    """Return the newest earlier run's choice that lies in the requested time and has not begun."""
    cleared = _cleared()
    months = {str(m)[:7] for m in (answer.start, answer.end)}
    found = [
        choice
        for month in sorted(months)
        for choice in read_ledger(month_file(month)).of(Chosen)
        if choice.asked == now.asked
        and choice.told > cleared
        and choice.run < now.run
        and answer.start <= moment(choice.hour)
        and moment(choice.end) <= answer.end
    ]
    return max(found, key=lambda c: (c.run, c.told), default=None)


def remember(briefing: Briefing, on_progress: Callable[[str], None], *, fresh: bool = False) -> Briefing:
    """Stay with earlier choices, add the results of earlier runs, and record those of this run.

    Parameters
    ----------
    briefing : Briefing
        Of real places.
    on_progress : callable
        Called with a message where the ledger cannot be written: a failing ledger never loses the answer.
    fresh : bool, optional
        Whether to rank windows without earlier choices; the choice of this answer is still recorded.

    Returns
    -------
    Briefing
        With a note where lines of the ledger cannot be read.
    """
    verdicts = verdicts_of(briefing)
    damage = damage_notes(_set_aside({v.hour[:7] for v in verdicts}))
    briefing = replace(briefing, notes=(*briefing.notes, *damage))
    try:
        answers = briefing.answers
        # A comparison chooses between sites; a question of now has one window to choose from.
        chooses = briefing.question in ("best", "week")
        if chooses and not fresh:
            answers = tuple(stay_with_choice(a, briefing) for a in answers)
        answers = tuple(replace(a, earlier=earlier_runs(a, verdicts)) for a in answers)
        kept = [Note(note, NoteKind.CHOICE) for a in answers if (note := kept_note(a))]
        remembered = replace(briefing, answers=answers, notes=(*kept, *briefing.notes))
        enter_verdicts(verdicts)
        if chooses:
            enter([c for a in remembered.answers if (c := choice_of(a, remembered)) is not None])
    except WxflyError as fault:
        on_progress(str(fault))
        return briefing
    return remembered


def _set_aside(months: set[str]) -> list[SetAside]:
    """Return the unreadable lines of the months that an answer covers."""
    return [part for month in sorted(months) for part in read_ledger(month_file(month)).set_aside]
