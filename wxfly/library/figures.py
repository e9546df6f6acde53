"""The figure of an answer: the timeline of a day, the days of a week, or the sites side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING

from wxfly.answer.findings import compared
from wxfly.answer.request import Briefing
from wxfly.errors import WxflyError
from wxfly.report.charts.hours import hours_shown
from wxfly.report.charts.overview import sites_overview, week_overview
from wxfly.report.charts.shades import Figure, escaped
from wxfly.report.charts.timeline import timelines
from wxfly.report.facts.answer import facts_of
from wxfly.report.facts.timeline import timeline_facts
from wxfly.report.facts.values import listed
from wxfly.report.facts.verdict import About, names_of
from wxfly.report.text import details
from wxfly.report.text.console import wrap

if TYPE_CHECKING:
    import plotly.graph_objects as go

_COLUMNS = 100  # width of a line above the figure
_LINE = 18  # its height [pixel]


def figure_of(briefing: Briefing, *, units: str, time_zone: str | None) -> go.Figure:
    """Return the figure of a briefing, as on its page, with what must be known first above it.

    Parameters
    ----------
    briefing : Briefing
        The answer.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    time_zone : str or None
        IANA zone of the time axis; None takes each site's own.

    Raises
    ------
    WxflyError
        Where the sites compared have no hour in common.
    """
    import plotly.graph_objects as go  # takes half a second, and only figures need it

    facts = facts_of(briefing, units=units, time_zone=time_zone)
    readers, names = details.readers_of(facts), names_of(facts.sites, units)
    reader = readers[0]
    if briefing.question == "compare":
        if not compared(briefing):
            raise WxflyError("the sites have no hour in common, so there is no figure; give another day")
        drawn = sites_overview(facts, readers, names, tall=False)
    elif briefing.question == "week":
        drawn = week_overview(facts.sites[0], reader, tall=False)
    else:
        one = timeline_facts(briefing, facts)[0]
        drawn = timelines(one, reader, *hours_shown(one.site), details.whose(one.site))["wide"]
    unknown = [line.words for line in facts.verdict.lines if line.about is About.NOT_KNOWN]
    lines = wrap(listed(names), _COLUMNS)
    for note in (facts.verdict.first_line, *details.first_notes(facts), *unknown):
        lines += wrap(note, _COLUMNS)
    return go.Figure(data=drawn["data"], layout=_titled(drawn["layout"], lines))


def _titled(layout: Figure, lines: list[str]) -> Figure:
    """Return the layout with lines above the figure, so that a shared picture keeps what must be known first."""
    room = _LINE * (len(lines) + 1)
    title = {
        "text": "<br>".join(map(escaped, lines)), "font": {"size": 13}, "x": 0.01, "xanchor": "left",
        "y": 1, "yref": "container", "yanchor": "top", "pad": {"t": _LINE},
    }  # fmt: skip
    # The page has no template; the default one would colour plain parts.
    return layout | {
        "template": "none", "title": title, "height": layout["height"] + room,
        "margin": layout["margin"] | {"t": layout["margin"]["t"] + room},
    }  # fmt: skip
