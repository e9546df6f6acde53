"""Errors that a user can act on, and the nearest valid name for a misspelt one."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class WxflyError(Exception):
    """A fault that is told to the user in one line, without a traceback.

    The message says what was given, what is wanted and the way out.
    """


class DamagedError(WxflyError):
    """The bytes of a file are not those that were written: there is evidence, so the file is of no more use."""


def shortened(text: str, most: int = 240) -> str:
    """Return the beginning of what is too long to be read."""
    return text if len(text) <= most else f"{text[:most]}…"


def unknown_name(what: str, given: str, valid: Iterable[str]) -> WxflyError:
    """Build the error for a name that is not among the valid ones.

    Parameters
    ----------
    what : str
        What the name stands for, for example ``"aircraft"``.
    given : str
        The name as it was given.
    valid : iterable of str
        The names that would have been right.
    """
    names = sorted(valid)
    given = shortened(given, 80)
    near = difflib.get_close_matches(given.lower(), [n.lower() for n in names], n=1, cutoff=0.5)
    hint = next((n for n in names if near and n.lower() == near[0]), None)
    did_you_mean = f"; did you mean '{hint}'?" if hint else ""
    return WxflyError(f"{what} '{given}' is not known{did_you_mean} (one of: {', '.join(names)})")
