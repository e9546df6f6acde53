"""Shades and numbers of a chance's cell, in the one hue of the margins: the darker, the less sure.

The number is in tenths and its ends are told as what they are: no hour is certain, and none is hopeless.
"""

from __future__ import annotations

import numpy as np

from wxfly.answer.request import SiteAnswer
from wxfly.report.charts import shades as palette

_FROM = (8, 6, 4)
"""Tenths, as they are told, from which a cell has the first, the second and the third shade."""


def is_told(answer: SiteAnswer) -> bool:
    """Whether the chance of some lit hour is known."""
    if answer.sureness is None:
        return False
    return bool(np.isfinite(answer.sureness.hours.values[answer.lit_hours]).any())


def tenths(chance: float) -> int:
    """Return a chance in tenths as it is told, 1 to 9."""
    return min(9, max(1, round(chance * 10)))


def shade_of(chance: float) -> int | None:
    """Return the class of a chance; None when it is not known."""
    if np.isnan(chance):
        return None
    told = tenths(chance)
    shades = (palette.AMPLE, palette.INSIDE, palette.NARROW)
    return next((shade for least, shade in zip(_FROM, shades, strict=True) if told >= least), palette.OUTSIDE)


def cell(chance: float) -> str:
    """Write a chance in tenths without its zero, the ends as what they are: ``.8``, ``<.1``, ``>.9``."""
    if chance <= 0.05:
        return "&lt;.1"
    if chance >= 0.95:
        return "&gt;.9"
    return f".{tenths(chance)}"


def legend() -> list[tuple[str, str]]:
    """Return the classes of the legend: CSS class and words."""
    first, second, third = _FROM
    return [
        ("ample", f"{first} in 10 or more"),
        ("inside", f"{second} to {first - 1} in 10"),
        ("narrow", f"{third} to {second - 1} in 10"),
        ("outside", f"less than {third} in 10"),
        ("unknown", "not known"),
        ("dark", "dark"),
    ]
