"""Errors that a user can act on, and the nearest valid name for a misspelt one."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class WxflyError(Exception):
    """A fault that the user reads as one line, without a traceback.

    The message says what was given, what is wanted and the way out.
    """


class NotAskedError(WxflyError):
    """No service answered, and what is stored does not answer in its place."""


class DamagedError(WxflyError):
    """The bytes of a file are not those that were written: there is evidence, so the file is of no more use."""


class MissingExtraError(WxflyError):
    """A library of an extra of the package is not installed."""


def missing_extra(what: str, libraries: Iterable[str], extra: str) -> MissingExtraError:
    """Build the error for something that needs libraries of an extra, such as ``GRIB files need eccodes``.

    Parameters
    ----------
    what : str
        What needs them, with its verb.
    libraries : iterable of str
        The absent ones.
    extra : str
        Name of the extra that brings them.
    """
    return MissingExtraError(f"{what} {' and '.join(libraries)}; install with: pip install 'wxfly[{extra}]'")


def shortened(text: str, most: int = 240) -> str:
    """Return the beginning of what is too long to be read."""
    return text if len(text) <= most else f"{text[:most]}…"


def near_names(given: str, valid: Iterable[str], *, likeness: float = 0.5) -> list[str]:
    """Return the valid names that are like a given one, the nearest first; capitals make no difference.

    Parameters
    ----------
    given : str
        As the pilot wrote it.
    valid : iterable of str
        The names to choose from.
    likeness : float, optional
        Least share of letters in common, 0 to 1 (`difflib.SequenceMatcher.ratio`).
    """
    folded: dict[str, str] = {}
    for name in valid:
        folded.setdefault(name.casefold(), name)
    found = difflib.get_close_matches(given.casefold(), folded, n=3, cutoff=likeness)
    return [folded[name] for name in found]


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
    near = near_names(given, names)
    did_you_mean = f"; did you mean '{near[0]}'?" if near else ""
    return WxflyError(f"{what} '{given}' is not known{did_you_mean} (one of: {', '.join(names)})")
