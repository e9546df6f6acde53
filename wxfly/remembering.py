"""What earlier runs said, beside what this one says; and the keeping of what this one says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from wxfly.answers import Briefing
from wxfly.chosen import choice_of, enter_choices, kept_note, stay_with_choice
from wxfly.errors import WxflyError
from wxfly.ledger import enter_verdicts, ledger_folder, read_ledger
from wxfly.own_files import SetAside, told
from wxfly.verdicts import earlier_runs, verdicts_of


def remember(briefing: Briefing, on_progress: Callable[[str], None], *, fresh: bool = False) -> Briefing:
    """Stay with earlier choices, say what earlier runs told, and keep what this one tells.

    Parameters
    ----------
    briefing : Briefing
        Of real places.
    on_progress : callable
        Told where the ledger cannot be written: a ledger that fails never loses the answer.
    fresh : bool, optional
        Whether windows are ranked anew, whatever was chosen before; the choice of this answer is kept all the same.

    Returns
    -------
    Briefing
        With a note where lines of the ledger cannot be read.
    """
    verdicts = verdicts_of(briefing)
    damage = told(_set_aside({v.hour[:7] for v in verdicts}))
    briefing = replace(briefing, notes=(*briefing.notes, *damage))
    try:
        answers = briefing.answers
        chooses = briefing.question != "compare"  # a comparison chooses between sites, not windows
        if chooses and not fresh:
            answers = tuple(stay_with_choice(a, briefing) for a in answers)
        answers = tuple(replace(a, earlier=earlier_runs(a, verdicts)) for a in answers)
        kept = [note for a in answers if (note := kept_note(a))]
        remembered = replace(briefing, answers=answers, notes=(*kept, *briefing.notes))
        enter_verdicts(verdicts)
        if chooses:
            enter_choices([c for a in remembered.answers if (c := choice_of(a, remembered)) is not None])
    except WxflyError as fault:
        on_progress(str(fault))
        return briefing
    return remembered


def _set_aside(months: set[str]) -> list[SetAside]:
    """Give what cannot be read of the months that an answer is about."""
    return [part for month in sorted(months) for part in read_ledger(ledger_folder() / f"{month}.jsonl").set_aside]
