"""Shades and numbers of a margin's cell: one hue from paper to ink, the less is left of a limit the darker.

Each known state has a class of its own, the best one two. A cell never speaks by shade alone: it carries its number,
*not known* is hatched with a question mark, and dark hours are plain grey.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from wxfly.assessment.state import BEST_FIRST, State
from wxfly.report.text import sentences

INK = "#2a0a1c"
"""Text and lines."""

_STATES = tuple(state for state in BEST_FIRST if state is not State.NOT_KNOWN)
_NAMES = ("ample", *(state.words.replace(" ", "-") for state in _STATES))
AMPLE, DARK = 0, len(_NAMES)
INSIDE, NARROW, OUTSIDE = (1 + _STATES.index(state) for state in (State.INSIDE, State.NARROW, State.OUTSIDE))

_HUE = ((0xF6, 0xEE, 0xF0), (0xDF, 0xBC, 0xCB), (0x8F, 0x3D, 0x66), (0x33, 0x09, 0x1F))


def _colour(place: float) -> str:
    """Return the colour at a place of the hue, from 0 to 1."""
    ends = np.linspace(0, 1, len(_HUE))
    return "#" + "".join(f"{round(float(np.interp(place, ends, part))):02x}" for part in zip(*_HUE, strict=True))


# From much left to beyond the limit. Contrast of the number on its shade is at least 5 to 1 (WCAG 2.2 asks for 4.5).
SHADES = tuple(_colour(place) for place in np.linspace(0, 1, len(_NAMES)))
NUMBERS = tuple(INK if 2 * i < len(_NAMES) else "#ffffff" for i in range(len(_NAMES)))
DARK_HOUR = "#c9ced9"
TWILIGHT = "#e4e7ee"
HATCH = "#5c5560"


def split(reserve: float) -> float:
    """Return the margin halfway between the reserve and 1, where the two shades of *inside* part."""
    return (1 + reserve) / 2


def shade_of(margin: float, reserve: float) -> int | None:
    """Return the class of a margin; None when it is not known."""
    if math.isnan(margin):
        return None
    return next(i for i, least in enumerate(_least_margins(reserve)) if margin >= least)


def _least_margins(reserve: float) -> list[float]:
    return [split(reserve), *(state.least_margin(reserve) for state in _STATES)]


def colorscale() -> list[list[float | str]]:
    """Return the stepped colour scale of the classes, as plotly takes it, for values from 0 to `DARK`."""
    colours = (*SHADES, DARK_HOUR)
    steps = len(colours)
    scale: list[list[float | str]] = []
    for i, colour in enumerate(colours):
        scale += [[i / steps, colour], [(i + 1) / steps, colour]]
    return scale


def legend(reserve: float) -> list[tuple[str, str]]:
    """Return the classes of the legend: CSS class and words."""
    bounds = [f"{margin:.2f}" if margin else "0" for margin in _least_margins(reserve)]
    spans = [
        f"{bounds[0]} or more",
        *(f"{low} to {high}" for high, low in pairwise(bounds[:-1])),
        f"below {bounds[-2]}",
    ]
    words = [f"{state.words}, margin {span}" for state, span in zip((_STATES[0], *_STATES), spans, strict=True)]
    return [*zip(_NAMES, words, strict=True), ("unknown", State.NOT_KNOWN.words), ("dark", "dark")]


def style() -> str:
    """Return the style of the classes that a legend shows."""
    return "\n".join(
        f".{name} {{ background: {c}; }}" for name, c in zip((*_NAMES, "dark"), (*SHADES, DARK_HOUR), strict=True)
    )


def cell(margin: float, *, short: bool) -> str:
    """Write a margin for a cell: ``0.43``, or ``.43`` where there is little room."""
    text = sentences.margin(margin)
    if not short:
        return text.replace("-", "\N{MINUS SIGN}")
    return {"1.00": "1", "-1.00": "-1"}.get(text, text.replace("0.", ".", 1))
