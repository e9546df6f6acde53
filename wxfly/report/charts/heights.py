"""The time-height section: how much of the wind limits each height takes in each hour, and how high one may go."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.answer import findings
from wxfly.answer.request import SiteAnswer
from wxfly.pilot.elements import BY_NAME
from wxfly.report.charts import shades as palette
from wxfly.report.charts.hours import Figure, hatched
from wxfly.report.text import sentences
from wxfly.report.text.sentences import Reader
from wxfly.units import UNITS, from_si

_FONT = {"family": "system-ui, sans-serif", "color": palette.INK}


def sections(answer: SiteAnswer, reader: Reader, first: int, last: int) -> dict[str, Figure]:
    """Draw the section of one place in both shapes.

    Parameters
    ----------
    answer : SiteAnswer
        What to draw.
    reader : Reader
        Units and clock.
    first, last : int
        Positions of the first and last hour.

    Returns
    -------
    dict
        ``wide`` and ``tall``, each a plotly figure with ``data`` and ``layout``; time runs along the page in both.
    """
    data, count, top = _data(answer, reader, first, last)
    unit = sentences.unit_of("height", reader.units)
    return {
        shape: {"data": data, "layout": _layout(answer, reader, first, count, top, unit, tall=shape == "tall")}
        for shape in ("wide", "tall")
    }


def _data(answer: SiteAnswer, reader: Reader, first: int, last: int) -> tuple[list[Figure], int, float]:
    """Return the traces, which both shapes share, the number of hours and the top of the height axis."""
    part = answer.heights.isel(time=slice(first, last + 1))
    unit = sentences.unit_of("height", reader.units)
    heights = np.asarray(from_si(part["height"].values, unit))
    share = part["share_of_limit"].transpose("height", "time").values
    usable = np.asarray(from_si(part["usable_height"].values, unit))
    reserve = answer.request.limits.reserve
    shades = [[palette.shade_of(float(1 - s), reserve) for s in row] for row in share]
    hover = _hovers(answer, reader, first, share)
    count = share.shape[1]
    edges = _edges(heights)
    grid: Figure = {
        "type": "heatmap", "name": "share of the limit", "x": (np.arange(count) + 0.5).tolist(),
        "y": ((edges[:-1] + edges[1:]) / 2).tolist(),
        "z": [[None if s is None else s + 0.5 for s in row] for row in shades], "zmin": 0, "zmax": 5,
        "colorscale": palette.colorscale(), "showscale": False, "xgap": 1, "ygap": 0, "hoverongaps": False,
        "customdata": hover, "hovertemplate": "%{customdata}<extra></extra>",
    }  # fmt: skip
    line: Figure = {
        "type": "scatter", "mode": "lines", "name": "usable height", "x": list(range(count + 1)),
        "y": [None if np.isnan(v) else float(v) for v in np.append(usable, usable[-1:])],
        "line": {"shape": "hv", "width": 4, "color": "#000000"}, "hoverinfo": "skip",
    }  # fmt: skip
    halo = {**line, "name": "", "line": {"shape": "hv", "width": 8, "color": "#ffffff"}}
    unknown_heights, unknown_hours = np.nonzero(np.isnan(share))
    data = [grid, halo, line]
    if unknown_hours.size:
        boxes = hatched(
            (unknown_hours + 0.5).tolist(),
            edges[unknown_heights].tolist(),
            np.diff(edges)[unknown_heights].tolist(),
            [hover[h][i] for h, i in zip(unknown_heights, unknown_hours, strict=True)],
        )
        data.insert(1, boxes | {"text": [""] * unknown_hours.size})
    return data, count, float(edges[-1])


def _edges(heights: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return the bounds of the steps: each height stands for the layer below it."""
    return np.concatenate([[0.0], heights])


def _hovers(answer: SiteAnswer, reader: Reader, first: int, share: npt.NDArray[np.float64]) -> list[list[str]]:
    """Say of every height and hour what share of the limit it takes, and how high the hour may be used."""
    heights = [sentences.amount(float(h), "height", reader.units) for h in answer.heights["height"].values]
    times = answer.heights["time"].values.astype("datetime64[s]")
    usable = answer.heights["usable_height"].values
    clock = reader.clock
    hours = range(first, first + share.shape[1])
    spans = [f"{clock.span(times[i], times[i] + findings.HOUR)} {clock.zone(times[i])}" for i in hours]
    words = [usable_words(answer, i, float(usable[i]), reader.units) for i in hours]
    return [
        [
            f"{span}<br><b>{height}: {_share_words(float(s))}</b><br>{word}"
            for span, s, word in zip(spans, row, words, strict=True)
        ]
        for height, row in zip(heights, share, strict=True)
    ]


def _share_words(share: float) -> str:
    return "not known" if np.isnan(share) else f"{100 * share:.0f} % of the nearest wind limit"


def usable_words(answer: SiteAnswer, hour: int, usable: float, units: str) -> str:
    """Say how high an hour may be used, and what ends the climb."""
    if np.isnan(usable):
        return "usable height not known"
    by = str(answer.heights["usable_height_ends_by"].values[hour])
    ends = "the ceiling" if by == "ceiling" else BY_NAME[by].title
    if usable <= 0:
        return f"no usable height: {ends}"
    return f"usable to {sentences.height_down(usable, units)}, ended by {ends}"


def _layout(answer: SiteAnswer, reader: Reader, first: int, count: int, top: float, unit: str, *, tall: bool) -> Figure:
    times = answer.heights["time"].values[first : first + count].astype("datetime64[s]")
    words = [reader.clock.hour(t) for t in [*times, times[-1] + findings.HOUR]]
    every = 1 + count // (7 if tall else 20)
    edges = list(range(count + 1))
    flight = float(np.asarray(from_si(answer.request.height, unit)))
    name = f"flight height {sentences.amount(answer.request.height, 'height', reader.units)}"
    margin = {"l": 46, "r": 6, "t": 12, "b": 30} if tall else {"l": 128, "r": 54, "t": 12, "b": 30}
    return {
        "height": 240, "margin": margin, "font": {**_FONT, "size": 12}, "paper_bgcolor": "#ffffff",
        "plot_bgcolor": "#ffffff", "showlegend": False, "dragmode": False, "hovermode": "closest", "bargap": 0,
        "barmode": "overlay",
        "hoverlabel": {"bgcolor": "#ffffff", "bordercolor": palette.INK, "align": "left",
                       "font": {**_FONT, "size": 13}},
        "xaxis": {
            "range": [0, count], "fixedrange": True, "showgrid": False, "zeroline": False, "ticks": "outside",
            "tickvals": edges[::every], "ticktext": words[::every],
        },
        "yaxis": {
            "range": [0, top], "fixedrange": True, "showgrid": False, "zeroline": False, "nticks": 7,
            "title": {"text": f"{UNITS[unit].written} above ground", "standoff": 6},
        },
        "shapes": [
            # White below, so that the dashes show on the darkest shade too.
            {
                "type": "line", "xref": "x", "yref": "y", "x0": 0, "x1": count, "y0": flight, "y1": flight,
                "line": {"color": colour, "width": width, "dash": dash},
            }
            for colour, width, dash in (("#ffffff", 3, "solid"), ("#000000", 1.5, "dash"))
        ],
        "annotations": [
            {
                "text": name, "x": 0.1, "y": flight, "xref": "x", "yref": "y", "xanchor": "left", "yanchor": "bottom",
                "showarrow": False, "bgcolor": "rgba(255,255,255,0.85)", "borderpad": 1, "font": {"size": 11},
            }
        ],
    }  # fmt: skip
