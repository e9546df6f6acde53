"""The answers for a program: the best hour of a day, sites compared, the best windows of a week, and now."""

from __future__ import annotations

import inspect
import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar, Unpack

import pandas as pd

from wxfly.answer.request import QuestionKind
from wxfly.errors import WxflyError
from wxfly.library.frames import hours_frame
from wxfly.library.hours import Windows
from wxfly.library.keywords import KeywordsOfDay, KeywordsOfDays, KeywordsOfNow
from wxfly.library.words import names_of, read_keywords
from wxfly.question.ask import Asked, ask
from wxfly.report.facts.values import CAUTIONS, FAR_AHEAD
from wxfly.report.formats import facts_shown
from wxfly.report.pages.shell import escape
from wxfly.report.text import details
from wxfly.report.text.answer import render, turns_table, week_table
from wxfly.report.text.console import outgoing

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from wxfly.report.facts.answer import AnswerFacts


log = logging.getLogger(__name__)

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

        See `wxfly.library.frames.hours_frame` for its columns.
        """
        return hours_frame(self.facts)

    def figure(self) -> go.Figure:
        """Return the figure: the timeline of a day, the days of a week, or the sites side by side."""
        from wxfly.library.figures import figure_of

        return figure_of(self.briefing, units=self.units, time_zone=self.time_zone)

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


def to_html(facts: AnswerFacts) -> str:
    """Return an answer as a fragment of HTML: only text and tables, without scripts or styles.

    Parameters
    ----------
    facts : AnswerFacts
        The answer, with its units and its time zone.
    """
    return f"<div>\n{''.join(_parts(facts))}</div>\n"


def _parts(facts: AnswerFacts) -> Iterable[str]:
    reader = details.readers_of(facts)[0]
    yield f"<p><strong>{escape(facts.verdict.first_line)}</strong></p>\n"
    for note in details.first_notes(facts):
        yield f"<p><strong>{escape(note)}</strong></p>\n"
    yield "<dl>\n"
    lines = [(line.label, line.words) for line in facts.verdict.lines]
    yield from (f"<dt>{escape(label)}</dt><dd>{escape(text)}</dd>\n" for label, text in lines)
    yield "</dl>\n"
    if facts.kind == "week":
        yield _table(*week_table(facts.sites[0], reader))
    elif facts.comparison is not None and facts.comparison.start:
        yield _table(*turns_table(facts))
    closing = [*details.origin(facts, reader.clock), *CAUTIONS, *([FAR_AHEAD] if facts.kind == "week" else [])]
    yield from (f"<p><small>{escape(line)}</small></p>\n" for line in closing)


def _table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    head = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in header)
    body = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>\n" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead>\n<tbody>\n{body}</tbody></table>\n"
