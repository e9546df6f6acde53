"""The codes with which the command ends: those of every command, and those that ``--exit-code`` asks for."""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from wxfly.answer.windows import Room


class ExitCode(IntEnum):
    """One code; a row of the table in the reference."""

    def __new__(cls, value: int, meaning: str, is_asked_for: bool = False) -> ExitCode:
        """Make a code with its meaning and whether only ``--exit-code`` gives it."""
        code = int.__new__(cls, value)
        code._value_ = value
        code.meaning = meaning
        code.is_asked_for = is_asked_for
        return code

    meaning: str
    is_asked_for: bool

    ANSWERED = 0, "answered, whatever the answer is; with `--exit-code`: there is room to fly and all is known"
    MISTAKE = 1, "something can be put right, told in one line"
    NOT_UNDERSTOOD = 2, "the command was not understood"
    UNFINISHED = 3, "some sites of a fleet have no answer; the same command asks for those alone"
    NO_ROOM = 10, "no room to fly, or probably none", True
    NOT_KNOWN = 11, "something that the decision needs is not known, whether or not the rest leaves room", True
    NOT_ASKED = 12, "no service answered, and nothing that is stored answers in its place", True
    CHANGED = 20, "`wxfly watch --once` told of a change"
    OWN_FAULT = 70, "a fault of wxfly itself"


def code_of(word: Room, *, as_far_as_known: bool) -> ExitCode:
    """Return the code of a verdict.

    Parameters
    ----------
    word : Room
        Whether there is room to fly.
    as_far_as_known : bool
        Whether something that the decision needs is not known.
    """
    if word.is_enough:
        return ExitCode.NOT_KNOWN if as_far_as_known else ExitCode.ANSWERED
    return ExitCode.NO_ROOM if word.is_known else ExitCode.NOT_KNOWN
