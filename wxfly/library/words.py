"""The keywords of a question: the options of the command line, as text or as plain numbers in SI units."""

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
"""A moment; UTC unless it names an offset."""


def read_keywords(kind: QuestionKind, given: Mapping[str, Any]) -> Words:
    """Return the words of a question from the keywords of a call.

    Parameters
    ----------
    kind : str
        ``best``, ``compare``, ``week`` or ``now``.
    given : mapping
        By the names of `wxfly.library.keywords.Keywords`; None stands for one that is left out.

    Raises
    ------
    WxflyError
        For a name that the question does not have, with the nearest one, or a value of another kind.

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
    """Return the names of the keywords of a question, in their order."""
    return tuple(option.name for option in options_of(kind))


def text_of(name: str, value: Any) -> str:
    """Return a quantity as a pilot writes it: a number gets its SI unit, a text stays as it is."""
    return quantity_text(name, value, getattr(OPTIONS[name].kind, "si", ""))


def read_as_of(value: Moment | None, name: str = "as_of") -> np.datetime64 | None:
    """Return a moment, UTC [s]; None for None."""
    return None if value is None else read_moment(MomentKind().read(name, value))
