"""The answers for a program: the best hour of a day, sites compared, the best windows of a week, and now."""

from __future__ import annotations

import inspect
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar, Unpack

import numpy as np
import pandas as pd

from wxfly.answer.findings import compared
from wxfly.answer.request import Briefing, QuestionKind
from wxfly.errors import WxflyError, unknown_name
from wxfly.library.hours import STATES, Windows, times_column
from wxfly.library.keywords import KeywordsOfDay, KeywordsOfDays, KeywordsOfNow
from wxfly.pilot.limit_rules import GRADES
from wxfly.pilot.options import OPTIONS, Words, options_of
from wxfly.question.ask import Asked, ask
from wxfly.report.charts.overview import sites_overview, week_overview
from wxfly.report.charts.shades import Figure, escaped
from wxfly.report.charts.timeline import hours_shown, timelines
from wxfly.report.facts.site import timeline_facts
from wxfly.report.facts.values import CAUTIONS, FAR_AHEAD, listed
from wxfly.report.facts.verdict import About
from wxfly.report.facts.verdict import names_of as names_of_sites
from wxfly.report.formats import facts_shown
from wxfly.report.pages import shell
from wxfly.report.tables import columns_of
from wxfly.report.text import details
from wxfly.report.text.answer import render, turns_table, week_table
from wxfly.report.text.console import outgoing, wrap

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from wxfly.report.facts.answer import AnswerFacts
    from wxfly.report.tables import Column


log = logging.getLogger(__name__)

_GRADES = pd.CategoricalDtype(list(GRADES), ordered=True)
_COLUMNS = 100  # width of a line above the figure
_LINE = 18  # its height [pixel]

P = ParamSpec("P")
R = TypeVar("R")


@dataclass(frozen=True, repr=False)
class Answer(Asked):
    """The answer to a question.

    Attributes
    ----------
    briefing : Briefing
        Everything that was worked out: for each site its windows, conditions, margins, chance and advice.
    units : str
        ``metric``, ``imperial`` or ``aviation``, for text, figure and notebook view; tables are in SI units.
    time_zone : str or None
        IANA zone for text, figure and notebook view; None takes each site's own. Tables are in UTC.
    question : Question
        What was asked, as it was read.
    """

    @cached_property
    def facts(self) -> AnswerFacts:
        """All facts of the answer as one tree of typed values, in SI units and UTC, as in the JSON answer."""
        return facts_shown(self)

    @property
    def windows(self) -> Windows:
        """The windows, the best first; those of the first site where several are compared (`windows_by_site`)."""
        return Windows(self.briefing.answers[0].windows)

    @property
    def windows_by_site(self) -> dict[str, Windows]:
        """The windows of each site, by name; the height is added where two have the same name."""
        pairs = zip(self.facts.sites, self.briefing.answers, strict=True)
        return {site.label: Windows(answer.windows) for site, answer in pairs}

    @property
    def notes(self) -> tuple[str, ...]:
        """What must be known first: an old forecast, unknown Kp, invented weather."""
        return self.briefing.notes

    def to_frame(self) -> pd.DataFrame:
        """Return the hours as a table, one row for each site and hour; SI units and UTC.

        See `wxfly.library.answers.hours_frame` for its columns.
        """
        return hours_frame(self.facts)

    def figure(self) -> go.Figure:
        """Return the figure: the timeline of a day, the days of a week, or the sites side by side."""
        return figure_of(self.briefing, self.facts)

    def text(self, width: int = 100, *, more: bool = False) -> str:
        """Return the text that the command prints, at most `width` columns wide; `more` stands for ``--more``."""
        return outgoing(render(self.facts, width=width, more=more))

    def __repr__(self) -> str:
        """Return one line: the question, the sites, and the best window of each."""
        short = [f"{name!r} {_in_short(windows)}" for name, windows in self.windows_by_site.items()]
        notes = f"; notes: {len(self.notes)}" if self.notes else ""
        return f"<Answer {self.briefing.question}: {', '.join(short)}{notes}>"

    def _repr_html_(self) -> str:
        """Return the view of a notebook."""
        return to_html(self.facts)


def _in_short(windows: Windows) -> str:
    """Return the best of the windows in a few words."""
    if not windows:
        return "no window"
    best = windows[0]
    unknown = f" (not known: {', '.join(best.unknown)})" if best.unknown else ""
    return f"{best.start}Z to {best.end}Z {best.state.words}{unknown}"


def read_keywords(kind: QuestionKind, given: Mapping[str, Any]) -> Words:
    """Return the words of a question from the keywords of a call.

    Parameters
    ----------
    kind : str
        ``best``, ``compare``, ``week`` or ``now``.
    given : mapping
        Values by the names of `wxfly.library.keywords.Keywords`; None counts as left out.

    Raises
    ------
    WxflyError
        For a name that the question does not have, with the nearest one, or a value of the wrong type.

    Examples
    --------
    >>> read_keywords("best", {"height": 80.0}).height
    '80m'
    """
    names = names_of(kind)
    for name in given:
        if name not in names:
            raise unknown_name("keyword", name, names)
    return Words(**{n: OPTIONS[n].kind.read(n, value) for n, value in given.items() if value is not None})


def names_of(kind: QuestionKind) -> tuple[str, ...]:
    """Return the names of a question's keywords, in their order."""
    return tuple(option.name for option in options_of(kind))


def _with_keywords(kind: QuestionKind) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Show the keywords of a question in the signature of its function, for help and completion in a notebook."""

    def named(function: Callable[P, R]) -> Callable[P, R]:
        own = [p for p in inspect.signature(function).parameters.values() if p.kind is not p.VAR_KEYWORD]
        keywords = [inspect.Parameter(n, inspect.Parameter.KEYWORD_ONLY, default=None) for n in names_of(kind)]
        function.__signature__ = inspect.Signature([*own, *keywords])  # type: ignore[attr-defined]
        return function

    return named


@_with_keywords("best")
def best(site: str | None = None, **keywords: Unpack[KeywordsOfDay]) -> Answer:
    """Return the best hour, or the best window, of a day at a site.

    Parameters
    ----------
    site : str, optional
        A saved name, ``LATITUDE,LONGITUDE`` or the name of a place, followed by ``@80m`` for its own height; by
        default the home of the settings, else the first saved site, or the demonstration where none is saved.
    **keywords
        The options of ``wxfly best``, among them ``aircraft``, ``height`` [m], ``duration`` [s], ``rules``,
        ``reserve``, ``day``, ``distance`` [m], ``as_of``, ``plan``: all in `wxfly.library.keywords.Keywords`. A number
        is in SI units, a text has its unit. What is left out is taken from the plan, the site and the settings.

    Returns
    -------
    Answer
        With ``windows``, ``to_frame()``, ``figure()`` and ``text()``.

    Raises
    ------
    WxflyError
        For a misspelt keyword, with the nearest one, and for anything else that the caller can correct.

    Examples
    --------
    >>> import wxfly
    >>> answer = wxfly.best("Kelderness", height=80.0, aircraft="camera-quad-250g")
    >>> answer.windows[0].limiting_element
    'gust'
    >>> round(float(answer.to_frame()["gust_margin"].max()), 2)
    0.42
    """
    return _ask("best", [] if site is None else [site], keywords)


@_with_keywords("compare")
def compare(sites: Sequence[str], **keywords: Unpack[KeywordsOfDay]) -> Answer:
    """Return sites compared over the same hours: which is better, when and why.

    Parameters
    ----------
    sites : sequence of str
        Two or more, each as in `wxfly.best`; one may appear twice with two heights, ``"Kelderness@40m"``.
    **keywords
        As in `wxfly.best`.

    Returns
    -------
    Answer
        With ``windows_by_site``, ``to_frame()``, ``figure()`` and ``text()``.

    Raises
    ------
    WxflyError
        As in `wxfly.best`, and for fewer than two sites.

    Examples
    --------
    >>> import wxfly
    >>> answer = wxfly.compare(["Kelderness", "Whistlebrush@100m"], aircraft="cine-hexacopter")
    >>> list(answer.windows_by_site)
    ['Kelderness 60 m', 'Whistlebrush 100 m']
    """
    places = [] if isinstance(sites, str) else list(sites)
    if len(places) < 2:
        raise WxflyError("compare needs a list of two sites or more; one may come twice, such as 'Kelderness@40m'")
    return _ask("compare", places, keywords)


@_with_keywords("week")
def week(site: str | None = None, **keywords: Unpack[KeywordsOfDays]) -> Answer:
    """Return the best windows of the coming days at a site.

    Parameters
    ----------
    site : str, optional
        As in `wxfly.best`.
    **keywords
        As in `wxfly.best`, with ``days`` (1 to 16, from today on) instead of ``day``.

    Returns
    -------
    Answer
        With ``windows``, ``to_frame()``, ``figure()`` and ``text()``.

    Raises
    ------
    WxflyError
        As in `wxfly.best`.

    Examples
    --------
    >>> import wxfly
    >>> answer = wxfly.week("Kelderness", duration="2h", days=5)
    >>> answer.windows.to_frame()["limiting_element"].tolist()[:2]
    ['gust', 'gust']
    """
    return _ask("week", [] if site is None else [site], keywords)


@_with_keywords("now")
def now(site: str | None = None, **keywords: Unpack[KeywordsOfNow]) -> Answer:
    """Return whether there is room to fly at a site from now on, until when, and what ends it.

    Parameters
    ----------
    site : str, optional
        As in `wxfly.best`.
    **keywords
        As in `wxfly.best`, with ``hours`` (1 to 48, by default the rest of the day) instead of ``day``.

    Returns
    -------
    Answer
        With at most one window, which begins now.

    Raises
    ------
    WxflyError
        As in `wxfly.best`.

    Examples
    --------
    >>> import wxfly
    >>> len(wxfly.now("Valdrenna", as_of="2026-03-14T15:20Z").windows)
    1
    """
    return _ask("now", [] if site is None else [site], keywords)


def _ask(kind: QuestionKind, places: Sequence[str], keywords: Mapping[str, Any]) -> Answer:
    words = read_keywords(kind, keywords)
    for place in places:
        if not isinstance(place, str):
            raise WxflyError(f"a site of {place!r:.80} is not understood; wanted a text, such as 'Kelderness'")
    asked = ask(kind, places, words, on_progress=log.info)
    return Answer(asked.briefing, asked.units, asked.time_zone, asked.question)


# --- the table -------------------------------------------------------------------------------------------------------


def hours_frame(facts: AnswerFacts) -> pd.DataFrame:
    """Return the hours of an answer as a table, one row for each site and hour.

    Parameters
    ----------
    facts : AnswerFacts
        The answer.

    Returns
    -------
    pandas.DataFrame
        Index ``time``: start of the hour, UTC. Columns: ``site``, ``aircraft``, ``height`` [m], ``usable_start`` and
        ``usable_end`` (the lit part, UTC), ``state`` (ordered from not known to inside), ``margin``,
        ``limiting_element``, ``window`` (its rank), ``not_known`` (elements without a value, in one text), ``chance``
        (that every limit holds), ``wind_from_direction`` [degree], for a comparison ``better`` and ``chance_better``,
        and for each element ``_demand``, ``_limit`` and ``_margin``. What is unknown is NaN, NaT or NA.
        ``attrs["units"]`` has the unit of each column, ``attrs["notes"]`` what the reader must know first.
    """
    sites = [columns_of(facts, position) for position in range(len(facts.sites))]
    frame = pd.concat([pd.DataFrame({c.name: _typed(c) for c in columns}).set_index("hour") for columns in sites])
    frame.index.name = "time"
    units = {column.name: column.unit for columns in sites for column in columns if column.unit}
    frame.attrs = {"units": units, "notes": [note.text for note in facts.notes]}
    return frame


def _typed(column: Column) -> Any:
    """Return the values of a column in the type of its kind."""
    values = column.hours
    match column.kind:
        case "hour" | "moment":
            return times_column(values)
        case "state":
            return pd.Categorical(values, dtype=STATES)
        case "grade":
            return pd.Categorical([None if v is None else GRADES[int(v)] for v in values], dtype=_GRADES)
        case "flag":
            return np.array(values, dtype=bool)
        case "words":
            return pd.array([pd.NA if v is None else v for v in values], dtype="string")
        case "list":
            return pd.array([" ".join(v) for v in values], dtype="string")
        case "ranks":
            return pd.array([v[-1] if v else pd.NA for v in values], dtype="Int64")
        case _:
            return np.array(values, dtype=float)


# --- the figure ------------------------------------------------------------------------------------------------------


def figure_of(briefing: Briefing, facts: AnswerFacts) -> go.Figure:
    """Return the figure of an answer, as on its page, with what must be known first above it.

    Raises
    ------
    WxflyError
        Where the sites compared have no hour in common.
    """
    import plotly.graph_objects as go  # takes half a second, and only figures need it

    readers, names = details.readers_of(facts), names_of_sites(facts.sites, facts.display_units)
    reader = readers[0]
    if briefing.question == "compare":
        if not compared(briefing):
            raise WxflyError("the sites have no hour in common, so there is no figure; give another day")
        drawn = sites_overview(facts, readers, names, tall=False)
    elif briefing.question == "week":
        drawn = week_overview(facts.sites[0], reader, tall=False)
    else:
        one = timeline_facts(briefing, facts.sites)[0]
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


# --- the view of a notebook ------------------------------------------------------------------------------------------


def to_html(facts: AnswerFacts) -> str:
    """Return an answer as a fragment of HTML: only text and tables, without scripts or styles."""
    reader = details.readers_of(facts)[0]
    first = "".join(
        f"<p><strong>{shell.escape(line)}</strong></p>\n"
        for line in (facts.verdict.first_line, *details.first_notes(facts))
    )
    lines = shell.lines((line.label, line.words) for line in facts.verdict.lines)
    table = ""
    if facts.kind == "week":
        table = shell.table(*week_table(facts.sites[0], reader), caption="Table of the days")
    elif facts.comparison is not None and facts.comparison.start:
        table = shell.table(*turns_table(facts), caption="Table of who is better, and why")
    closing = [*details.origin(facts, reader.clock), *CAUTIONS, *([FAR_AHEAD] if facts.kind == "week" else [])]
    last = "".join(f"<p><small>{shell.escape(line)}</small></p>\n" for line in closing)
    return f"<div>\n{first}{lines}{table}{last}</div>\n"
