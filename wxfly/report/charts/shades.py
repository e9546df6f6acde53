"""Colours of the charts: shades and numbers of the cells, what is not known, and the same on a dark page.

A margin and a chance have a hue each, from paper to ink: the less is left of a limit, or the less sure an hour is, the
more its cell stands out. A cell never speaks by shade alone: it carries its number, *not known* is hatched with a
question mark, and dark hours are dotted on grey.
"""

from __future__ import annotations

import html
import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from wxfly.report.facts import writing
from wxfly.report.facts.values import BEST_FIRST, State

Figure = dict[str, Any]
"""A figure, or a part of one, in plotly's own terms."""

PAPER, INK, BLACK = "#ffffff", "#2a0a1c", "#000000"
"""Ground; text and lines; frames and lines that must stand out from every shade."""

_STATES = tuple(state for state in BEST_FIRST if state is not State.NOT_KNOWN)
_NAMES = ("ample", *(state.words.replace(" ", "-") for state in _STATES))
AMPLE, DARK = 0, len(_NAMES)
INSIDE, NARROW, OUTSIDE = (1 + _STATES.index(state) for state in (State.INSIDE, State.NARROW, State.OUTSIDE))

_OF_MARGIN = ((0xF6, 0xEE, 0xF0), (0xDF, 0xBC, 0xCB), (0x8F, 0x3D, 0x66), (0x33, 0x09, 0x1F))
_OF_CHANCE = ((0xF7, 0xF2, 0xE6), (0xE0, 0xC8, 0x9C), (0x85, 0x5F, 0x1C), (0x33, 0x22, 0x08))
_OF_MARGIN_ON_DARK = ((0x2E, 0x20, 0x28), (0x5C, 0x2C, 0x46), (0xC7, 0x86, 0xA6), (0xF6, 0xE3, 0xEC))
_OF_CHANCE_ON_DARK = ((0x2C, 0x25, 0x18), (0x59, 0x43, 0x18), (0xC4, 0x9C, 0x55), (0xF5, 0xE9, 0xD0))
_OF_MARGIN_IN_SUN = ((0xFF, 0xFF, 0xFF), (0xE7, 0xA9, 0xC7), (0xA0, 0x20, 0x6A), (0x00, 0x00, 0x00))
_OF_CHANCE_IN_SUN = ((0xFF, 0xFF, 0xFF), (0xEC, 0xC7, 0x7A), (0x7A, 0x4D, 0x00), (0x00, 0x00, 0x00))


def _shades(hue: tuple[tuple[int, int, int], ...]) -> tuple[str, ...]:
    """Return the colours of the classes, evenly along a hue."""
    ends = np.linspace(0, 1, len(hue))
    return tuple(
        "#" + "".join(f"{round(float(np.interp(place, ends, part))):02x}" for part in zip(*hue, strict=True))
        for place in np.linspace(0, 1, len(_NAMES))
    )


# From much left to beyond the limit. Contrast of the number on its shade is at least 5 to 1 (WCAG 2.2 asks for 4.5).
SHADES, CHANCE_SHADES = _shades(_OF_MARGIN), _shades(_OF_CHANCE)
NUMBERS = tuple(INK if 2 * i < len(_NAMES) else PAPER for i in range(len(_NAMES)))
DARK_HOUR, TWILIGHT, HATCH = "#c9ced9", "#e4e7ee", "#5c5560"
LIMIT_LINE, LIMIT_WORDS = SHADES[NARROW], "#6e2a4d"
GRID, EXTREME, BAND = "#e9e4e8", "#b58aa3", "rgba(143,61,102,0.16)"

ON_DARK = {
    PAPER: "#17111a", INK: "#f1e8ed", BLACK: "#fffffe", DARK_HOUR: "#474a57", TWILIGHT: "#2b2d37", HATCH: "#b5adb9",
    LIMIT_WORDS: "#eab6cf", GRID: "#3a3039", EXTREME: "#9d6c88", BAND: "rgba(222,140,180,0.30)",
    "rgba(255,255,255,0.85)": "rgba(23,17,26,0.85)",
    **dict(zip(SHADES, _shades(_OF_MARGIN_ON_DARK), strict=True)),
    **dict(zip(CHANCE_SHADES, _shades(_OF_CHANCE_ON_DARK), strict=True)),
}  # fmt: skip
"""What stands for each colour of a chart on a dark page."""

IN_SUN = {
    INK: "#000000", HATCH: "#000000", LIMIT_WORDS: "#000000", GRID: "#b8b8b8", EXTREME: "#6e2a4d",
    "rgba(255,255,255,0.85)": "#ffffff",
    **dict(zip(SHADES, _shades(_OF_MARGIN_IN_SUN), strict=True)),
    **dict(zip(CHANCE_SHADES, _shades(_OF_CHANCE_IN_SUN), strict=True)),
}  # fmt: skip
"""What stands for each colour in bright sun: numbers and lines in black or white on shades far apart."""

FONT = {"family": "system-ui, sans-serif", "color": INK}
COMMON: Figure = {
    "font": {**FONT, "size": 12}, "paper_bgcolor": PAPER, "plot_bgcolor": PAPER, "showlegend": False,
    "dragmode": False, "hovermode": "closest", "barmode": "overlay", "bargap": 0,
    "hoverlabel": {"bgcolor": PAPER, "bordercolor": INK, "align": "left", "font": {**FONT, "size": 13}},
}  # fmt: skip
"""What the layout of every chart has."""


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


def cell(margin: float, *, short: bool) -> str:
    """Write a margin for a cell: ``0.43``, or ``.43`` where there is little room, and there ``-.1`` for -0.05."""
    text = writing.margin(margin)
    if not short:
        return text.replace("-", "\N{MINUS SIGN}")
    if margin < 0:
        text = f"{math.floor(round(10 * margin, 6)) / 10:.1f}"
    return {"1.00": "1", "-1.0": "-1"}.get(text, text.replace("0.", ".", 1))


# --- the chance: its number is in tenths, and its ends are written as what they are ---------------------------------

_FROM = (8, 6, 4)
"""Tenths of a chance from which a cell has the first, the second and the third shade."""


def chance_shade_of(chance: float) -> int | None:
    """Return the class of a chance; None when it is not known."""
    if math.isnan(chance):
        return None
    line = writing.tenths(chance)
    shades = (AMPLE, INSIDE, NARROW)
    return next((shade for least, shade in zip(_FROM, shades, strict=True) if line >= least), OUTSIDE)


def chance_class(shade: int) -> str:
    """Return the CSS class of a chance's shade."""
    return f"chance-{_NAMES[shade]}"


def chance_cell(chance: float) -> str:
    """Write a chance in tenths without its zero, the ends as what they are: ``.8``, ``<.1``, ``>.9``."""
    if chance <= 0.05:
        return "&lt;.1"
    return "&gt;.9" if chance >= 0.95 else f".{writing.tenths(chance)}"


# --- cells and their legend ------------------------------------------------------------------------------------


def grid(
    shades: Sequence[Sequence[int | None]],
    text: Sequence[Sequence[str]],
    hover: Sequence[Sequence[str]],
    *,
    of_chance: bool = False,
    tall: bool,
) -> Figure:
    """Return the cells of a chart, one row of cells for each element, day or site; `tall` turns them."""
    number = [
        [f'<span style="color:{NUMBERS[s] if s is not None and s < DARK else INK}">{t}</span>' if t else ""
         for s, t in zip(classes, words, strict=True)]
        for classes, words in zip(shades, text, strict=True)
    ]  # fmt: skip
    places = [[None if s is None else s + 0.5 for s in row] for row in shades]
    values: dict[str, Sequence[Sequence[Any]]] = {"z": places, "text": number, "customdata": hover}
    along, across = (np.arange(len(shades[0])) + 0.5).tolist(), list(range(len(shades)))
    if tall:
        values = {key: [list(column) for column in zip(*rows, strict=True)] for key, rows in values.items()}
        along, across = across, along
    return {
        "type": "heatmap", "name": "chance" if of_chance else "margin", "x": along, "y": across,
        **scale(CHANCE_SHADES if of_chance else SHADES), "xgap": 1, "ygap": 1, "hoverongaps": False,
        "texttemplate": "%{text}", "textfont": {"size": 12}, "hovertemplate": "%{customdata}<extra></extra>", **values,
    }  # fmt: skip


def scale(colours: Sequence[str]) -> Figure:
    """Return the scale that gives each class its colour, the last of them dark hours."""
    colours = (*colours, DARK_HOUR)
    count = len(colours)
    steps = [[end / count, colour] for i, colour in enumerate(colours) for end in (i, i + 1)]
    return {"zmin": 0, "zmax": count, "colorscale": steps, "showscale": False}


def hatched(
    along: Sequence[float], base: Sequence[float], length: Sequence[float], hover: Sequence[str], *, lying: bool = False
) -> Figure:
    """Draw hatched boxes with a question mark for what is not known; `lying` boxes grow along x."""
    values = {"x": list(length), "y": list(along)} if lying else {"x": list(along), "y": list(length)}
    return {
        "type": "bar", "name": "not known", "orientation": "h" if lying else "v", "base": list(base), "width": 1,
        "marker": {
            "color": PAPER, "line": {"color": HATCH, "width": 1},
            "pattern": {"shape": "/", "fgcolor": HATCH, "bgcolor": PAPER, "size": 7, "solidity": 0.25},
        },
        "text": ["<b>?</b>"] * len(along), "textposition": "inside", "insidetextanchor": "middle", "textangle": 0,
        "textfont": {"color": BLACK, "size": 13}, "customdata": list(hover),
        "hovertemplate": "%{customdata}<extra></extra>", **values,
    }  # fmt: skip


def dotted(
    along: Sequence[float],
    base: Sequence[float],
    length: Sequence[float],
    *,
    width: Sequence[float] = (),
    lying: bool = False,
) -> Figure:
    """Draw dotted boxes for dark hours, which stand out by more than their grey; `lying` boxes grow along x."""
    values = {"x": list(length), "y": list(along)} if lying else {"x": list(along), "y": list(length)}
    return {
        "type": "bar", "name": "dark", "orientation": "h" if lying else "v", "base": list(base),
        "width": list(width) or 1, "hoverinfo": "skip",
        "marker": {
            "color": DARK_HOUR, "line": {"width": 0},
            "pattern": {"shape": ".", "fgcolor": HATCH, "bgcolor": DARK_HOUR, "size": 6, "solidity": 0.2},
        }, **values,
    }  # fmt: skip


def frame(ends: Sequence[float], axes: tuple[str, str], *, width: int = 3) -> list[Figure]:
    """Frame a window, from x to x and from y to y; light round the black, so that it stands out from every shade."""
    place = dict(zip(("x0", "x1", "y0", "y1", "xref", "yref"), [*ends, *axes], strict=True))
    return [
        {"type": "rect", "fillcolor": "rgba(0,0,0,0)", "line": {"color": colour, "width": w}, **place}
        for colour, w in ((PAPER, width + 2), (BLACK, width))
    ]


def escaped(text: str) -> str:
    """Escape a text from outside for plotly, which reads some tags, as for HTML."""
    return html.escape(text, quote=False)


def legend(reserve: float) -> list[tuple[str, str]]:
    """Return the classes of a margin's legend: CSS class and words."""
    bounds = [f"{margin:.2f}" if margin else "0" for margin in _least_margins(reserve)]
    spans = [
        f"{bounds[0]} or more",
        *(f"{low} to {high}" for high, low in pairwise(bounds[:-1])),
        f"below {bounds[-2]}",
    ]
    words = [f"{state.words}, margin {span}" for state, span in zip((_STATES[0], *_STATES), spans, strict=True)]
    return [*zip(_NAMES, words, strict=True), *_ELSE]


_ELSE = (("unknown", State.NOT_KNOWN.words), ("dark", "dark"))


def chance_legend() -> list[tuple[str, str]]:
    """Return the classes of a chance's legend: CSS class and words."""
    first, second, third = _FROM
    words = (
        f"{first} in 10 or more", f"{second} to {first - 1} in 10", f"{third} to {second - 1} in 10",
        f"less than {third} in 10",
    )  # fmt: skip
    names = map(chance_class, (AMPLE, INSIDE, NARROW, OUTSIDE))
    return [*zip(names, words, strict=True), *_ELSE]


def style() -> str:
    """Return the style of the classes that a legend shows, on a light and on a dark page, and in bright sun."""
    colours = {**dict(zip(_NAMES, SHADES, strict=True)), "dark": DARK_HOUR}
    colours |= {f"chance-{name}": shade for name, shade in zip(_NAMES, CHANCE_SHADES, strict=True)}

    def rules(of: dict[str, str], where: str = "") -> str:
        def damage_notes() -> Iterator[str]:
            for name, colour in colours.items():
                dots = f"radial-gradient({of.get(HATCH, HATCH)} 25%, transparent 35%) 0 0/6px 6px "
                yield f"{where}.{name} {{ background: {dots if name == 'dark' else ''}{of.get(colour, colour)}; }}"

        return "\n".join(damage_notes())

    in_sun = rules(IN_SUN, ":root:has(#sunlight:checked) ")
    return f"{rules({})}\n@media screen and (prefers-color-scheme: dark) {{\n{rules(ON_DARK)}\n}}\n{in_sun}\n"
