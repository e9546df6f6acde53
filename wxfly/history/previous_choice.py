"""The windows chosen in earlier runs, kept in the ledger, one for each run (`wxfly.answer.previous_choice` decides).

The results of earlier runs are shown next to those of this run, and those of this run are recorded.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from wxfly.answer.previous_choice import kept_note, stay_with
from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.cube.notes import Note, NoteKind
from wxfly.errors import WxflyError
from wxfly.history.ledger import (
    Chosen,
    earlier_runs,
    enter,
    enter_verdicts,
    ledger_folder,
    moment,
    read_ledger,
    verdicts_of,
)
from wxfly.pilot.own_files import SetAside, damage_notes, make_folder, write_whole


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


def enter_choices(choices: Sequence[Chosen], *, folder: Path | None = None) -> int:
    """Add choices to the ledger, each once; return the number added."""
    return enter(choices, folder or ledger_folder())


def read_choices(path: Path | None = None) -> list[Chosen]:
    """Read every choice of one file, or of the whole ledger."""
    return read_ledger(path).of(Chosen)


def stay_with_choice(answer: SiteAnswer, briefing: Briefing) -> SiteAnswer:
    """Return an answer that stays with the choice of the previous run where the rule requires it."""
    now = choice_of(answer, briefing)
    before = None if now is None else _before(now, answer)
    if before is None:
        return answer
    return stay_with(answer, briefing, run=before.run, start=moment(before.hour), end=moment(before.end))


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
        for choice in read_choices(ledger_folder() / f"{month}.jsonl")
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
            enter_choices([c for a in remembered.answers if (c := choice_of(a, remembered)) is not None])
    except WxflyError as fault:
        on_progress(str(fault))
        return briefing
    return remembered


def _set_aside(months: set[str]) -> list[SetAside]:
    """Return the unreadable lines of the months that an answer covers."""
    return [part for month in sorted(months) for part in read_ledger(ledger_folder() / f"{month}.jsonl").set_aside]
