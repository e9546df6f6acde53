"""Shades and numbers of a margin's cell: one hue from paper to ink, the less is left of a limit the darker.

A cell never speaks by shade alone: it carries its number, *not known* is hatched with a question mark, and dark
hours are plain grey.

"""

from __future__ import annotations

import math

from wxfly.report.text import phrases

INK = "#2a0a1c"
"""Text and lines."""

# From much left to beyond the limit. Contrast of the number on its shade is at least 5 to 1 (WCAG 2.2 asks for 4.5).
SHADES = ("#f6eef0", "#dfbccb", "#8f3d66", "#33091f")
NUMBERS = (INK, INK, "#ffffff", "#ffffff")
DARK_HOUR = "#c9ced9"
TWILIGHT = "#e4e7ee"
HATCH = "#5c5560"

AMPLE, INSIDE, NARROW, OUTSIDE, DARK = 0, 1, 2, 3, 4


def split(reserve: float) -> float:
    """Return the margin halfway between the reserve and 1, where the two shades of *inside* part."""
    return (1 + reserve) / 2


def shade_of(margin: float, reserve: float) -> int | None:
    """Return the class of a margin; None when it is not known."""
    if math.isnan(margin):
        return None
    if margin < 0:
        return OUTSIDE
    if margin < reserve:
        return NARROW
    return INSIDE if margin < split(reserve) else AMPLE


def colorscale() -> list[list[float | str]]:
    """Return the stepped colour scale of the classes, as plotly takes it, for values from 0 to 4."""
    colours = (*SHADES, DARK_HOUR)
    steps = len(colours)
    scale: list[list[float | str]] = []
    for i, colour in enumerate(colours):
        scale += [[i / steps, colour], [(i + 1) / steps, colour]]
    return scale


def legend(reserve: float) -> list[tuple[str, str]]:
    """Return the classes of the legend: CSS class and words."""
    middle = f"{split(reserve):.2f}"
    return [
        ("ample", f"inside, margin {middle} or more"),
        ("inside", f"inside, margin {reserve:.2f} to {middle}"),
        ("narrow", f"narrow, margin 0 to {reserve:.2f}"),
        ("outside", "outside, margin below 0"),
        ("unknown", "not known"),
        ("dark", "dark"),
    ]


def cell(margin: float, *, short: bool) -> str:
    """Write a margin for a cell: ``0.43``, or ``.43`` where there is little room."""
    text = phrases.margin(margin)
    if not short:
        return text.replace("-", "\N{MINUS SIGN}")
    return {"1.00": "1", "-1.00": "-1"}.get(text, text.replace("0.", ".", 1))
