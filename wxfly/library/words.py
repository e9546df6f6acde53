"""The keywords of a question: the options of the command line, as texts or as plain numbers in SI units."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import numpy as np

from wxfly.answer.request import QuestionKind
from wxfly.errors import unknown_name
from wxfly.pilot.options import OPTIONS, Words, options_of, quantity_text
from wxfly.pilot.options import Moment as MomentKind
from wxfly.times import read_moment

Moment = str | datetime | np.datetime64
"""A time; UTC unless it has an offset."""


def read_keywords(kind: QuestionKind, given: Mapping[str, Any]) -> Words:
    """Return the words of a question from the keywords of a call.

    Parameters
    ----------
    kind : str
        ``best``, ``compare``, ``week`` or ``now``.
    given : mapping
        Values by the names of `wxfly.library.keywords.Keywords`; None counts as left out.

    Raises
    ------
    WxflyError
        For a name that the question does not have, with the nearest one, or a value of the wrong type.

    Examples
    --------
    >>> read_keywords("best", {"height": 80.0}).height
    '80m'
    """
    names = names_of(kind)
    for name in given:
        if name not in names:
            raise unknown_name("keyword", name, names)
    return Words(**{n: OPTIONS[n].kind.read(n, value) for n, value in given.items() if value is not None})


def names_of(kind: QuestionKind) -> tuple[str, ...]:
    """Return the names of a question's keywords, in their order."""
    return tuple(option.name for option in options_of(kind))


def text_of(name: str, value: Any) -> str:
    """Return a quantity as a pilot writes it: a number gets its SI unit, a text stays unchanged."""
    return quantity_text(name, value, getattr(OPTIONS[name].kind, "si", ""))


def read_as_of(value: Moment | None, name: str = "as_of") -> np.datetime64 | None:
    """Return a time, UTC [s]; None for None."""
    return None if value is None else read_moment(MomentKind().read(name, value))
