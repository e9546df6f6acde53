"""What is asked of one site, what is answered, and all of it in one value that every report reads.

A briefing also holds what would change an answer, and what became of the one before.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.answer.comparison import ComparedHour, compare_hours
from wxfly.answer.survey import Survey
from wxfly.answer.windows import Window
from wxfly.assessment.hours import HOUR
from wxfly.flight.advice import Advice
from wxfly.pilot.aircraft import Aircraft
from wxfly.pilot.intent import Intent
from wxfly.pilot.limits import Limits
from wxfly.pilot.site import Site
from wxfly.probability.chance import Outlook
from wxfly.probability.site_chance import SiteChance
from wxfly.retrieval.obtained import ForecastOrigin

if TYPE_CHECKING:
    from wxfly.flight.return_leg import Sortie, WorstMoment

QuestionKind = Literal["best", "compare", "week", "now"]
Times = npt.NDArray[np.datetime64]


@dataclass(frozen=True)
class BeforeReading:
    """A forecast as it was before a reading was put in.

    Attributes
    ----------
    cube : xarray.Dataset
        Of the one site.
    may_improve : tuple of str
        The elements that the reading may make better; all others are held to the worse of the two forecasts.
    """

    cube: xr.Dataset
    may_improve: tuple[str, ...]


@dataclass(frozen=True)
class Request:
    """What one site is asked for: where, with what, how high.

    Attributes
    ----------
    site, aircraft, limits
        Where, with what, held against what.
    height : float
        Flight height above ground [m].
    prefers_low_light : bool
        Whether windows in golden or blue hour come first.
    toward : float or None
        Direction in which the pilot looks at the aircraft, for glare [degree].
    sortie : Sortie or None
        What is to be flown; its way back is then held against every hour.
    energy_missing : tuple of str
        Figures of the aircraft that are missing where a sortie was asked for: the way back is then not judged.
    intent : Intent
        For how long, with how much in hand, and how.
    before : BeforeReading or None
        Where the forecast asked is corrected by a reading.
    from_now : bool
        Whether only a window that begins with the period answers, whole until it ends.
    """

    site: Site
    aircraft: Aircraft
    limits: Limits
    height: float
    prefers_low_light: bool = False
    toward: float | None = None
    sortie: Sortie | None = None
    energy_missing: tuple[str, ...] = ()
    intent: Intent = field(default_factory=Intent)
    before: BeforeReading | None = field(default=None, compare=False)
    from_now: bool = False


@dataclass(frozen=True)
class SiteAnswer:
    """The answer for one site.

    Attributes
    ----------
    request : Request
        What was asked.
    conditions, assessment : xarray.Dataset
        The hours of the period at flight height, and their margins; dimensions time (and edge, element).
    heights : xarray.Dataset
        Usable height of the same hours (`wxfly.assessment.usable_height`).
    windows : tuple of Window
        Ranked, the best first.
    advice : Advice or None
        For the best window, or None when there is none.
    start, end : numpy.datetime64
        The period asked about, UTC: whole days of the site's own clock, and never before now.
    sureness : SiteChance or None
        The chance of every hour, and where it is from.
    outlooks : tuple of Outlook
        The surest stretch of each day's light, in order of time, whether the one forecast holds there or not.
    earlier : tuple of (str, float)
        What earlier runs told of the surest stretch of the best window: run and chance, oldest first.
    changes : tuple of Change
        What would change the answer (`wxfly.answer.alternatives`).
    return_leg : WorstMoment or None
        The moment of the best window that asks the most of the sortie; None without a sortie.
    survey : Survey or None
        How work that can stop is laid into the hours; None where none is asked for.
    choice : Choice or None
        What became of the window chosen in the run before; None where there was none.
    """

    request: Request
    conditions: xr.Dataset
    assessment: xr.Dataset
    heights: xr.Dataset
    windows: tuple[Window, ...]
    advice: Advice | None
    start: np.datetime64
    end: np.datetime64
    site_chance: SiteChance | None = None
    outlooks: tuple[Outlook, ...] = ()
    earlier: tuple[tuple[str, float], ...] = ()
    changes: tuple[Change, ...] = ()
    return_leg: WorstMoment | None = None
    survey: Survey | None = None
    choice: Choice | None = None

    @cached_property
    def usable_parts(self) -> tuple[Times, Times]:
        """Start and end of the lit part of every hour, cut to the period asked about; NaT where there is none."""
        start = np.maximum(self.assessment["usable_start"].values.astype("datetime64[s]"), self.start)
        end = np.minimum(self.assessment["usable_end"].values.astype("datetime64[s]"), self.end)
        nothing = ~(end > start)
        start[nothing] = end[nothing] = np.datetime64("NaT", "s")
        return start, end

    @cached_property
    def lit_hours(self) -> npt.NDArray[np.bool_]:
        """Which hours have light in the period asked about."""
        return np.asarray(~np.isnat(self.usable_parts[0]))

    @property
    def best(self) -> Window | None:
        """The best window, or None when no hour holds long enough."""
        return self.windows[0] if self.windows else None


@dataclass(frozen=True)
class Briefing:
    """Everything an output needs; reports read it and nothing else.

    Attributes
    ----------
    question : str
        ``best``, ``compare``, ``week`` or ``now``.
    answers : tuple of SiteAnswer
        One for each site, in the order asked.
    minimum_duration : numpy.timedelta64
        Shortest window of use: what is planned and what is kept in hand.
    now : numpy.datetime64
        The moment the answer is given for, UTC.
    provenance : ForecastOrigin
        Where the forecast is from, and the moments that its age goes by.
    notes : tuple of str
        What the reader must know first: old forecast, Kp past its horizon, a demo.
    ensembles : tuple of ForecastOrigin
        The same of each ensemble.
    """

    question: QuestionKind
    answers: tuple[SiteAnswer, ...]
    minimum_duration: np.timedelta64
    now: np.datetime64
    provenance: ForecastOrigin
    notes: tuple[str, ...] = field(default=())
    ensembles: tuple[ForecastOrigin, ...] = ()

    @cached_property
    def compared(self) -> tuple[ComparedHour, ...]:
        """The hours that all sites share, inside the period asked about: who is better, and why."""
        start, end = max(answer.start for answer in self.answers), min(answer.end for answer in self.answers)
        hours = compare_hours([answer.assessment for answer in self.answers])
        inside = [h for h in hours if h.time.astype("datetime64[s]") + HOUR > start and h.time < end]
        lit = {
            t for a in self.answers for t in a.assessment["time"].values[a.lit_hours].astype("datetime64[s]").tolist()
        }
        return tuple(replace(h, is_lit=h.time.astype("datetime64[s]").item() in lit) for h in inside)

    @property
    def is_invented(self) -> bool:
        """Whether the places or the weather are invented."""
        return self.provenance.is_demo or any(answer.request.site.is_demo for answer in self.answers)


@dataclass(frozen=True)
class Change:
    """One change, and the window it would make or the element it would break.

    Attributes
    ----------
    kind : str
        ``later``: wait, where only a window from now on was asked for; ``lower``: fly lower; ``shorter``: fly for less
        time; ``aircraft``: take another; ``day``: another day; ``more``: so much more of an element would break the
        best window.
    window : Window or None
        What would then hold; None for ``more``.
    height : float
        For ``lower`` [m].
    aircraft : str
        Title, for ``aircraft``.
    element : str
        For ``more``.
    amount : float
        For ``more``, in the element's SI unit.
    """

    kind: Literal["later", "lower", "shorter", "aircraft", "day", "more"]
    window: Window | None = None
    height: float = np.nan
    aircraft: str = ""
    element: str = ""
    amount: float = np.nan


@dataclass(frozen=True)
class Choice:
    """The window chosen in the run before, and what became of it.

    Attributes
    ----------
    verdict : str
        ``same``: the best window is still around it; ``kept``: another would be better, by too little to change;
        ``left``: another has gained more than that; ``gone``: it does not hold any more.
    run : str
        Start of that run.
    start, end : numpy.datetime64
        Of the chosen stretch, UTC.
    chance, best : float
        Of the chosen stretch and of the best one, now; NaN where they do not matter.
    """

    verdict: Literal["same", "kept", "left", "gone"]
    run: str
    start: np.datetime64
    end: np.datetime64
    chance: float = np.nan
    best: float = np.nan
