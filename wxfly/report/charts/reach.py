"""The reach round the launch point, drawn on a plain grid with scale, north and wind; an SVG without script."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from wxfly.report.text import sentences
from wxfly.units import from_si, to_si

Array = npt.NDArray[np.float64]

SIZE = 360.0
_MIDDLE = SIZE / 2
_ROOM = 22.0
_INK = "#2a0a1c"
_LINE = "#cfc6cc"
_REACH = "#8f3d66"
_SIGHT = "#dfbccb"


def reach_map(
    directions: Array,
    by_energy: Array,
    *,
    sight_range: float,
    planned: tuple[float, float] | None,
    wind_from_direction: float,
    wind: str,
    units: str,
) -> str:
    """Draw the reach.

    Parameters
    ----------
    directions, by_energy : ndarray
        Toward [degree], and how far energy reaches there [m].
    sight_range : float
        [m]; NaN draws none.
    planned : tuple of float or None
        Direction [degree] and distance [m] of the planned point.
    wind_from_direction : float
        At flight height [degree]; NaN draws no arrow.
    wind : str
        Words beside the arrow.
    units : str
        Key of `wxfly.units.SYSTEMS`.

    Returns
    -------
    str
        An ``svg`` element.
    """
    known = by_energy[np.isfinite(by_energy)]
    farthest = max([float(known.max()) if known.size else 0.0, *(v for v in (sight_range,) if v > 0), 1.0])
    if planned is not None:
        farthest = max(farthest, planned[1])
    unit, step = _step(farthest, units)
    scale = (_MIDDLE - _ROOM) / (math.ceil(farthest / step * 0.98) * step)
    parts = list(_grid(step, scale))
    if sight_range > 0:
        parts.append(
            f'<circle cx="{_MIDDLE}" cy="{_MIDDLE}" r="{max(sight_range * scale, 2):.1f}" fill="{_SIGHT}"'
            f' fill-opacity=".75" stroke="{_INK}" stroke-width="1" stroke-dasharray="3 2"/>'
        )
        if sight_range * scale < _MIDDLE / 4:
            parts.append(f'<text x="{_MIDDLE - 8}" y="{_MIDDLE + 18}" text-anchor="end">sight</text>')
    if known.size == by_energy.size and known.max() > 0:
        points = " ".join(f"{x:.1f},{y:.1f}" for x, y in _points(directions, by_energy * scale))
        parts.append(f'<polygon points="{points}" fill="none" stroke="{_REACH}" stroke-width="2.5"/>')
    parts.append(f'<path d="M{_MIDDLE - 5} {_MIDDLE}h10M{_MIDDLE} {_MIDDLE - 5}v10" stroke="{_INK}" stroke-width="2"/>')
    if planned is not None and planned[1] > 0:
        (x, y), *_ = _points(np.array([planned[0]]), np.array([planned[1] * scale]))
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.5" fill="{_INK}"/>')
    parts += _frame(step, scale, unit)
    if not math.isnan(wind_from_direction):
        parts += _wind(wind_from_direction, wind)
    title = f"Reach round the launch point, north up, grid {_told(step, unit)}"
    return (
        f'<svg viewBox="0 0 {SIZE:.0f} {SIZE:.0f}" role="img" aria-label="{title}" font-size="12"'
        f' font-family="system-ui, sans-serif" fill="{_INK}">{"".join(parts)}</svg>'
    )


def _points(directions: Array, lengths: Array) -> Sequence[tuple[float, float]]:
    angle = np.deg2rad(directions)
    return list(zip(_MIDDLE + lengths * np.sin(angle), _MIDDLE - lengths * np.cos(angle), strict=True))


def _step(farthest: float, units: str) -> tuple[str, float]:
    """Return a round spacing of the grid that leaves two to five lines on each side [m], and its unit."""
    unit = sentences.unit_of("height", units)
    span = float(from_si(farthest, unit))
    rough = span / 4
    power = 10.0 ** math.floor(math.log10(rough))
    nice = next(power * m for m in (1, 2, 2.5, 5, 10) if power * m >= rough)
    return unit, float(to_si(nice, unit))


def _told(step: float, unit: str) -> str:
    return f"{float(from_si(step, unit)):g} {unit}"


def _grid(step: float, scale: float) -> Sequence[str]:
    count = int((_MIDDLE - 2) / (step * scale))
    lines = []
    for i in range(-count, count + 1):
        at = _MIDDLE + i * step * scale
        width = 1.2 if i == 0 else 0.7
        lines.append(
            f'<path d="M{at:.1f} 2V{SIZE - 2}M2 {at:.1f}H{SIZE - 2}" stroke="{_LINE}" stroke-width="{width}"/>'
        )
    return lines


def _frame(step: float, scale: float, unit: str) -> list[str]:
    length = step * scale
    left, low = 10.0, SIZE - 12
    return [
        f'<path d="M{_MIDDLE} 16V4M{_MIDDLE - 4} 9L{_MIDDLE} 3L{_MIDDLE + 4} 9" fill="none" stroke="{_INK}"'
        f' stroke-width="1.5"/><text x="{_MIDDLE + 8}" y="14" font-weight="700">N</text>',
        f'<path d="M{left} {low - 4}v4h{length:.1f}v-4" fill="none" stroke="{_INK}" stroke-width="1.5"/>'
        f'<text x="{left + 3}" y="{low - 6}">{_told(step, unit)}</text>',
    ]


def _wind(from_direction: float, words: str) -> list[str]:
    """Draw an arrow that flies with the wind, in the upper right corner."""
    x, y = SIZE - 34.0, 36.0
    return [
        f'<g transform="translate({x} {y}) rotate({(from_direction + 180) % 360:.0f})"><path'
        f' d="M0 16V-14M-6 -7L0 -16L6 -7" fill="none" stroke="{_INK}" stroke-width="2.5"/></g>'
        f'<text x="{SIZE - 8}" y="72" text-anchor="end">{words}</text>'
    ]
