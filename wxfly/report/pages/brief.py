"""The flight brief as one HTML page without script: to print, or to keep on a phone and open without a network."""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Sequence

import numpy as np

from wxfly.report.charts.outlines import METRES_OF_DEGREE
from wxfly.report.command_facts.brief import BriefFacts
from wxfly.report.facts import writing
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.site import SiteFacts
from wxfly.report.facts.values import array
from wxfly.report.facts.zones import ZoneFacts, volumes_met
from wxfly.report.pages import shell
from wxfly.report.pages.shell import escape
from wxfly.report.text.brief import Block, BriefWords
from wxfly.units import from_si, to_si


def to_html(words: BriefWords, facts: BriefFacts | AnswerFacts) -> str:
    """Write a flight brief as one self-contained page.

    Parameters
    ----------
    words : BriefWords
        What it says.
    facts : BriefFacts or AnswerFacts
        What its picture shows; an answer in which no window holds has none.
    """
    return shell.document(words.title, body_of(words, facts), style=shell.resource("brief.css").decode())


def body_of(words: BriefWords, facts: BriefFacts | AnswerFacts) -> Iterable[str]:
    """Yield the parts of the body, escaped: its header, its content, its footer."""
    yield shell.header(words.verdict, words.first)
    yield "<main>\n"
    for block in words.blocks:
        yield f'<section class="{block.name}">\n<h2>{escape(block.title)}</h2>\n'
        if block.name == "reach" and isinstance(facts, BriefFacts):
            yield reach_map(facts)
        yield from _content(block)
        yield "</section>\n"
    yield "</main>\n"
    yield shell.footer("Mind", words.closing, words.cautions)


def _content(block: Block) -> Iterable[str]:
    if block.table is not None:
        yield shell.table(*block.table, caption=block.note or block.title)
    if block.lines:
        yield shell.lines(block.lines)
    if block.points:
        yield f"<ul>\n{''.join(f'<li>{escape(point)}</li>' for point in block.points)}</ul>\n"
    if block.note and block.table is None:
        yield f'<p class="key">{escape(block.note)}</p>\n'


# --- the reach round the launch point: a plain grid with scale, north and wind, as SVG -------------------------


Array = np.ndarray

_SIZE = 360.0
_MIDDLE = _SIZE / 2
_BORDER = 22.0
_BEYOND_SIGHT = 1.25
_NAME = 18
"""Most letters of the name of a zone."""


def reach_map(facts: BriefFacts) -> str:
    """Draw the reach of a brief.

    Parameters
    ----------
    facts : BriefFacts
        Whose reach; without its energy nothing is drawn.

    Returns
    -------
    str
        An ``svg`` element.
    """
    if facts.energy is None:
        return ""
    units = facts.answer.display_units
    energy, plan, sight = facts.energy.directions, facts.energy.plan, facts.window.sight_range
    by_energy = array([d.energy_reach for d in energy])
    # A sortie in no direction of its own has no point to show.
    planned = 0.0 if plan.direction is None else plan.distance
    if sight is None:
        farthest = float(np.nanmax([planned, 1.0, *by_energy]))
    else:
        farthest = max(planned, _BEYOND_SIGHT * sight, 1.0)
    unit, step = _step(farthest, units)
    scale = (_MIDDLE - _BORDER) / (math.ceil(farthest / step * 0.98) * step)
    parts = list(_grid(step, scale))
    met = volumes_met(facts.answer.sites[0].zones, facts.window)
    if sight:
        parts.append(f'<circle class="sight" cx="{_MIDDLE}" cy="{_MIDDLE}" r="{max(sight * scale, 2):.1f}"/>')
        parts.append(f'<text x="{_MIDDLE - 8}" y="{_MIDDLE + 18}" text-anchor="end">sight</text>')
    if not np.isnan(by_energy).any() and by_energy.max() > 0:
        points = _points(array([d.toward for d in energy]), by_energy * scale)
        parts.append(f'<polygon class="energy" points="{" ".join(f"{x:.1f},{y:.1f}" for x, y in points)}"/>')
    parts += _zones(met, facts.answer.sites[0].site, scale)  # over the disc of sight, which is what is flown in
    parts.append(f'<path class="ink" d="M{_MIDDLE - 5} {_MIDDLE}h10M{_MIDDLE} {_MIDDLE - 5}v10"/>')
    if plan.direction is not None and planned > 0:
        ((x, y),) = _points(array([plan.direction]), array([planned * scale]))
        parts.append(f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="4"/>')
    parts += _frame(step, scale, unit)
    if facts.wind_from_direction is not None:
        speed = facts.largest_wind
        parts += _wind(facts.wind_from_direction, "" if speed is None else writing.amount(speed, "wind", units))
    title = f"Reach round the launch point, north up, grid {_reported(step, unit)}"
    if met:
        title += f", zones hatched: {', '.join(dict.fromkeys(one.name for one in met))}"
    return (
        f'<svg viewBox="0 0 {_SIZE:.0f} {_SIZE:.0f}" role="img" aria-label="{html.escape(title, quote=True)}"'
        f' font-size="14" font-family="system-ui, sans-serif">{"".join(parts)}</svg>\n'
    )


def _zones(met: Sequence[ZoneFacts], site: SiteFacts, scale: float) -> list[str]:
    """Draw the zones that the flight meets in the window, hatched, and name them in the lower right corner."""
    if not met:
        return []
    east = METRES_OF_DEGREE * math.cos(math.radians(site.latitude))

    def at(longitude: float, latitude: float) -> tuple[float, float]:
        x = ((longitude - site.longitude + 180) % 360 - 180) * east
        return _MIDDLE + x * scale, _MIDDLE - (latitude - site.latitude) * METRES_OF_DEGREE * scale

    parts = [
        '<pattern id="zone" width="9" height="9" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<path class="hatch" d="M0 0V9"/></pattern>'
    ]
    for one in met:
        if one.circle is not None:
            (x, y), radius = at(one.circle.longitude, one.circle.latitude), one.circle.radius * scale
            parts.append(f'<circle class="zone" fill="url(#zone)" cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}"/>')
        else:
            rings = ([f"{x:.1f} {y:.1f}" for x, y in (at(*corner) for corner in ring)] for ring in one.rings)
            path = "".join(f"M{'L'.join(ring)}Z" for ring in rings)
            parts.append(f'<path class="zone" fill="url(#zone)" fill-rule="evenodd" d="{path}"/>')
    names = list(dict.fromkeys(one.name for one in met))
    more = f" and {len(names) - 1} more" if len(names) > 1 else ""
    name = names[0] if len(names[0]) <= _NAME else f"{names[0][: _NAME - 1]}…"
    words = html.escape(f"in {name}{more}" if met[0].distance == 0 else f"near {name}{more}")
    return [*parts, f'<text x="{_SIZE - 8}" y="{_SIZE - 8}" text-anchor="end">{words}</text>']


def _points(directions: Array, lengths: Array) -> Sequence[tuple[float, float]]:
    angle = np.deg2rad(directions)
    return list(zip(_MIDDLE + lengths * np.sin(angle), _MIDDLE - lengths * np.cos(angle), strict=True))


def _step(farthest: float, units: str) -> tuple[str, float]:
    """Return a round spacing of the grid that leaves two to five lines on each side [m], and its unit."""
    unit = writing.unit_of("height", units)
    span = float(from_si(farthest, unit))
    rough = span / 4
    power = 10.0 ** math.floor(math.log10(rough))
    nice = next(power * m for m in (1, 2, 2.5, 5, 10) if power * m >= rough)
    return unit, float(to_si(nice, unit))


def _reported(step: float, unit: str) -> str:
    return f"{float(from_si(step, unit)):g} {unit}"


def _grid(step: float, scale: float) -> Sequence[str]:
    count = int((_MIDDLE - 2) / (step * scale))
    places = [_MIDDLE + i * step * scale for i in range(-count, count + 1)]
    return [f'<path class="grid" d="M{at:.1f} 2V{_SIZE - 2}M2 {at:.1f}H{_SIZE - 2}"/>' for at in places]


def _frame(step: float, scale: float, unit: str) -> list[str]:
    length = step * scale
    left, low = 10.0, _SIZE - 12
    return [
        f'<path class="ink" d="M{_MIDDLE} 16V4M{_MIDDLE - 4} 9L{_MIDDLE} 3L{_MIDDLE + 4} 9"/>'
        f'<text x="{_MIDDLE + 8}" y="14" font-weight="700">N</text>',
        f'<path class="ink" d="M{left} {low - 4}v4h{length:.1f}v-4"/>'
        f'<text x="{left + 3}" y="{low - 6}">{_reported(step, unit)}</text>',
    ]


def _wind(from_direction: float, words: str) -> list[str]:
    """Draw an arrow that flies with the wind, in the upper right corner."""
    x, y = _SIZE - 34.0, 36.0
    return [
        f'<g transform="translate({x} {y}) rotate({(from_direction + 180) % 360:.0f})">'
        '<path class="ink" d="M0 16V-14M-6 -7L0 -16L6 -7"/></g>'
        f'<text x="{_SIZE - 8}" y="74" text-anchor="end">wind {words}</text>'
    ]
