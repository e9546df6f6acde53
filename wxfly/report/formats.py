"""The formats of an answer beside text, one row each, and the files they are written to.

A file is written in place of nothing, of an empty file or of one that wxfly wrote, unless the pilot says otherwise.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from wxfly.errors import WxflyError
from wxfly.pilot.own_files import write_whole
from wxfly.pilot.settings import cache_folder, config_folder
from wxfly.report.pages.shell import GENERATOR
from wxfly.report.text.console import escaped

if TYPE_CHECKING:
    from wxfly.question.ask import Asked
    from wxfly.report.facts.answer import AnswerFacts
    from wxfly.report.facts.values import Facts

_BEGINNING = 8192


@dataclass(frozen=True)
class Format:
    """One format: its option, and what it writes.

    Attributes
    ----------
    name : str
        That of the option: ``json`` for ``--json``.
    help : str
        What the option does.
    write : callable
        Makes the bytes of an answer. It imports what it needs when it is called: start-up counts.
    mark : bytes
        Stands near the beginning of every file of this format that wxfly wrote; empty for a format that is printed in
        place of the text.
    media_type : str
        What the page sends it as.
    link : str
        Words of the page's link to it; empty for its name.
    """

    name: str
    help: str
    write: Callable[[Asked], bytes]
    mark: bytes = b""
    media_type: str = "text/plain; charset=utf-8"
    link: str = ""


def facts_shown(asked: Asked) -> AnswerFacts:
    """Return the facts of an answer, with the units and the time zone in which it is shown."""
    from wxfly.report.facts.answer import facts_of

    return facts_of(asked.briefing, asked.question, units=asked.units, time_zone=asked.time_zone)


def to_json(facts: Facts) -> str:
    """Return the facts of an answer, a brief or a check as one line; what may not leave stands by its number."""
    import msgspec

    return escaped(msgspec.json.encode(facts).decode())


def _json(asked: Asked) -> bytes:
    return f"{to_json(facts_shown(asked))}\n".encode("utf-8", "backslashreplace")


def _csv(asked: Asked) -> bytes:
    from wxfly.report.tables import to_csv

    return to_csv(facts_shown(asked)).encode("utf-8", "backslashreplace")


def _html(asked: Asked) -> bytes:
    from wxfly.report.facts.site import timeline_facts
    from wxfly.report.pages.page import to_html
    from wxfly.report.text.answer import words_of

    facts = facts_shown(asked)
    return to_html(facts, timeline_facts(asked.briefing, facts.sites), words_of(facts)).encode()


def _ics(asked: Asked) -> bytes:
    from wxfly.report.calendar import to_ics

    return to_ics(facts_shown(asked), alarm=asked.alarm)


FORMATS: tuple[Format, ...] = (
    Format("json", "Print the answer as JSON (schema in the documentation).", _json, media_type="application/json"),
    Format("csv", "Print the hours as CSV.", _csv, media_type="text/csv; charset=utf-8", link="CSV"),
    Format(
        "html",
        "Also write the timeline page to this file.",
        _html,
        GENERATOR.encode(),
        media_type="text/html; charset=utf-8",
        link="Page as a file",
    ),
    Format(
        "ics",
        "Also write the windows as a calendar file.",
        _ics,
        b"PRODID:-//wxfly//",
        media_type="text/calendar; charset=utf-8",
        link="Calendar (subscribe to this address)",
    ),
)


def check_place(path: Path, *, overwrite: bool) -> None:
    """Refuse a place whose file would be lost.

    Parameters
    ----------
    path : Path
        Where an answer is to be written.
    overwrite : bool
        Whether the pilot said that a file of another program may go. What wxfly itself keeps never goes.

    Raises
    ------
    WxflyError
        Saying what is there and the way out.
    """
    target = Path(os.path.realpath(path))
    for folder, what in ((config_folder(), "settings"), (cache_folder(), "store")):
        if target.is_relative_to(os.path.realpath(folder)):
            raise WxflyError(f"{path} lies among the {what} of wxfly, where no answer is written; give another place")
    if overwrite or not target.is_file():  # a pipe is written into; a folder is refused by the writer
        return
    try:
        with target.open("rb") as file:
            beginning = file.read(_BEGINNING)
    except OSError as fault:
        raise WxflyError(f"{path} is there already and cannot be read ({fault.strerror}); give another name") from None
    if beginning and not any(f.mark in beginning for f in FORMATS if f.mark):
        size = target.stat().st_size
        raise WxflyError(
            f"{path} is there already, {size} bytes that wxfly did not write; give another name, or add --overwrite"
        )


def write_answer(path: Path, content: bytes, *, overwrite: bool) -> None:
    """Write an answer to a file, beside it and then renamed.

    Raises
    ------
    WxflyError
        As `check_place` does, and when it cannot be written.
    """
    check_place(path, overwrite=overwrite)
    write_whole(path, content)
