"""Small charts as SVG text: lines over a number axis, and bars in groups.

Readable without colour: each line has its own dashes and its name at its end, bars stand in the order of their names.
"""

from __future__ import annotations

from xml.sax.saxutils import escape

WIDTH, HEIGHT = 720, 380
LEFT, RIGHT, TOP, BOTTOM = 60, 200, 40, 50
# Blue, vermilion, grey, purple, black: apart for the colour-blind too.
COLOURS = ("#1f4e9c", "#c8501e", "#7a7a7a", "#8a5aa8", "#202020")
DASHES = ("", "8 4", "2 3", "10 3 2 3", "1 5")


def _frame(title: str, x_label: str, y_label: str, y_ticks: list[float], y_of) -> list[str]:
    right = WIDTH - RIGHT
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'font-family="sans-serif" font-size="13">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="white"/>',
        f'<text x="{LEFT}" y="22" font-size="15">{escape(title)}</text>',
    ]
    for tick in y_ticks:
        y = y_of(tick)
        parts += [
            f'<line x1="{LEFT}" x2="{right}" y1="{y:.1f}" y2="{y:.1f}" stroke="#ddd"/>',
            f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{tick:g}</text>',
        ]
    middle = (LEFT + right) / 2
    parts.append(f'<text x="{middle}" y="{HEIGHT - 10}" text-anchor="middle">{escape(x_label)}</text>')
    parts.append(
        f'<text transform="translate(16 {(TOP + HEIGHT - BOTTOM) / 2}) rotate(-90)" text-anchor="middle">'
        f"{escape(y_label)}</text>"
    )
    return parts


def _ticks(largest: float, smallest: float = 0.0) -> list[float]:
    for step in (0.1, 0.2, 0.25, 0.5, 1, 2, 5, 10, 20, 25):
        if (largest - smallest) / step <= 7:
            first = round(smallest / step)
            last = -int(-(largest - 1e-9) // step)
            return [round(i * step, 6) for i in range(first, last + 1)]
    return [smallest, largest]


def lines(
    title: str, x_label: str, y_label: str, series: dict[str, list[tuple[float, float]]], x_ticks: list[float]
) -> str:
    """Draw one line per series of (x, y), from zero up."""
    ticks = _ticks(max(y for points in series.values() for _, y in points))
    low, high = min(x_ticks), max(x_ticks)

    def x_of(x: float) -> float:
        return LEFT + (x - low) / (high - low) * (WIDTH - RIGHT - LEFT)

    def y_of(y: float) -> float:
        return HEIGHT - BOTTOM - (y - ticks[0]) / (ticks[-1] - ticks[0]) * (HEIGHT - BOTTOM - TOP)

    parts = _frame(title, x_label, y_label, ticks, y_of)
    for tick in x_ticks:
        parts.append(f'<text x="{x_of(tick):.1f}" y="{HEIGHT - BOTTOM + 18}" text-anchor="middle">{tick:g}</text>')
    ends = _apart({name: y_of(points[-1][1]) for name, points in series.items()})
    for i, (name, points) in enumerate(series.items()):
        path = " ".join(f"{x_of(x):.1f},{y_of(y):.1f}" for x, y in points)
        colour, dash = COLOURS[i % len(COLOURS)], DASHES[i % len(DASHES)]
        parts += [
            f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="2" stroke-dasharray="{dash}"/>',
            f'<text x="{x_of(points[-1][0]) + 8:.1f}" y="{ends[name] + 4:.1f}" fill="{colour}">{escape(name)}</text>',
        ]
    return "\n".join([*parts, "</svg>"]) + "\n"


def _apart(places: dict[str, float], gap: float = 16.0) -> dict[str, float]:
    """Move labels so far apart that they can be read."""
    moved: dict[str, float] = {}
    last = -gap
    for name, y in sorted(places.items(), key=lambda item: item[1]):
        last = max(y, last + gap)
        moved[name] = last
    return moved


def bars(
    title: str,
    y_label: str,
    groups: dict[str, dict[str, float]],
    *,
    bands: list[tuple[float, float, str]] | None = None,
    smallest: float = 0.0,
) -> str:
    """Draw groups of bars; `bands` are ranges drawn behind them with a word each."""
    names = list(next(iter(groups.values())))
    largest = max(max(group.values()) for group in groups.values())
    ticks = _ticks(max([largest, *[top for _, top, _ in bands or []]]), smallest)
    right = WIDTH - RIGHT

    def y_of(y: float) -> float:
        return HEIGHT - BOTTOM - (y - ticks[0]) / (ticks[-1] - ticks[0]) * (HEIGHT - BOTTOM - TOP)

    parts = _frame(title, "", y_label, ticks, y_of)
    for low, high, label in bands or []:
        parts += [
            f'<rect x="{LEFT}" width="{right - LEFT}" y="{y_of(high):.1f}" height="{y_of(low) - y_of(high):.1f}" '
            f'fill="#e9e2cf"/>',
            f'<text x="{right + 8}" y="{y_of((low + high) / 2) + 4:.1f}">{escape(label)}</text>',
        ]
    room = (right - LEFT) / len(groups)
    width = room * 0.8 / len(names)
    for g, (group, values) in enumerate(groups.items()):
        start = LEFT + room * (g + 0.1)
        parts.append(
            f'<text x="{start + room * 0.4:.1f}" y="{HEIGHT - BOTTOM + 18}" text-anchor="middle" font-size="11">'
            f"{escape(group)}</text>"
        )
        for i, name in enumerate(names):
            y = y_of(values[name])
            parts.append(
                f'<rect x="{start + i * width:.1f}" y="{y:.1f}" width="{width - 2:.1f}" '
                f'height="{HEIGHT - BOTTOM - y:.1f}" fill="{COLOURS[i]}"/>'
            )
    for i, name in enumerate(names):
        y = HEIGHT - BOTTOM - 20 * (len(names) - i)
        parts += [
            f'<rect x="{right + 10}" y="{y - 10}" width="12" height="12" fill="{COLOURS[i]}"/>',
            f'<text x="{right + 28}" y="{y}">{escape(name)}</text>',
        ]
    return "\n".join([*parts, "</svg>"]) + "\n"
