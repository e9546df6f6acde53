"""The legends of the page: what the shades and the numbers of cells mean."""

from __future__ import annotations

import html
from collections.abc import Iterable

from wxfly.answer.request import SiteAnswer
from wxfly.report.charts import chance_shades, shades
from wxfly.report.text import chances


def _swatches(classes: Iterable[tuple[str, str]]) -> str:
    entries = "".join(
        f'<li><span class="swatch {shade}" aria-hidden="true"></span>{html.escape(words)}</li>'
        for shade, words in classes
    )
    return f'<ul class="legend">{entries}</ul>\n'


def of_chance(answer: SiteAnswer) -> str:
    """Return the legend of cells that tell a chance."""
    whose = html.escape(chances.whose(answer))
    return (
        f'{_swatches(chance_shades.legend())}<p class="reading">A number is the <i>chance</i> that every limit holds in'
        f" that hour, in tenths ({whose}); the word is the element that decides. A black frame is a window, in which"
        " the one forecast holds. Point at a cell or touch it for the margin too.</p>\n"
    )


def of_margin(reserve: float) -> str:
    """Return the legend of cells that tell a margin."""
    return (
        f'{_swatches(shades.legend(reserve))}<p class="reading">A number is the margin: the share of the limit that is'
        " left. A black frame is a window. Point at a cell or touch it for value, limit and margin.</p>\n"
    )
