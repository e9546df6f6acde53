"""What is asked about one site, its answer, and a briefing with everything that reports read.

A briefing also holds what would change an answer, and the outcome of the previous choice.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.answer.comparison import ComparedHour, compare_hours
from wxfly.answer.survey import Survey
from wxfly.answer.windows import Window
from wxfly.assessment.hours import HOUR
from wxfly.flight.advice import Advice, is_low_light
from wxfly.flight.sortie import Sortie
from wxfly.pilot.aircraft import Aircraft
from wxfly.pilot.limits import Limits
from wxfly.pilot.site import Site
from wxfly.pilot.work import PlannedWork
from wxfly.pilot.zones import ZoneSearch
from wxfly.probability.chance import Outlook
from wxfly.probability.site_chance import SiteChance
from wxfly.retrieval.origin import ForecastOrigin

if TYPE_CHECKING:
    from wxfly.flight.return_leg import WorstMoment

QuestionKind = Literal["best", "compare", "week", "now"]
Times = npt.NDArray[np.datetime64]


@dataclass(frozen=True)
class BeforeReading:
    """A forecast before a reading was applied.

    Attributes
    ----------
    cube : xarray.Dataset
        The forecast of the site.
    may_improve : tuple of str
        Elements that the reading may improve; for all others the worse of the two forecasts counts.
    """

    cube: xr.Dataset
    may_improve: tuple[str, ...]


@dataclass(frozen=True)
class Request:
    """What is asked about one site: where, with what, how high.

    Attributes
    ----------
    site, aircraft, limits
        The place, the machine, and the limits for both.
    height : float
        Flight height above ground [m].
    prefers_low_light : bool
        Whether windows in golden or blue hour come first.
    toward : float or None
        Viewing direction of the pilot, for glare [degree].
    return_height : float or None
        Height of the way back above ground [m], where a flight is planned: what changes with height is held there too.
    sortie : Sortie or None
        The planned flight; its return leg is then judged in every hour.
    energy_missing : tuple of str
        Missing figures of the aircraft where a sortie was requested: the return leg is then not judged.
    work : PlannedWork
        Duration, contingency and kind of the flight.
    before : BeforeReading or None
        The forecast before a reading corrected it.
    from_now : bool
        Whether only a window from the start of the period counts, complete until it ends.
    zones : ZoneSearch or None
        The zones to look for round the site; None without a file of zones.
    """

    site: Site
    aircraft: Aircraft
    limits: Limits
    height: float
    prefers_low_light: bool = False
    toward: float | None = None
    return_height: float | None = None
    sortie: Sortie | None = None
    energy_missing: tuple[str, ...] = ()
    work: PlannedWork = field(default_factory=PlannedWork)
    before: BeforeReading | None = field(default=None, compare=False)
    from_now: bool = False
    zones: ZoneSearch | None = field(default=None, compare=False)

    @property
    def has_way_back(self) -> bool:
        """Whether a way back is judged beside the flight: its energy, or a height above that of the flight."""
        return self.sortie is not None or (self.return_height is not None and self.return_height > self.height)


def preferred_hours(conditions: xr.Dataset, request: Request) -> npt.NDArray[np.bool_] | None:
    """Return the hours that the pilot prefers; None without a preference."""
    return is_low_light(conditions) if request.prefers_low_light else None


@dataclass(frozen=True, kw_only=True)
class SiteAnswer:
    """The answer for one site.

    Attributes
    ----------
    request : Request
        What was asked.
    conditions, assessment : xarray.Dataset
        The hours of the period at flight height, and their margins; dimensions time (and edge, element).
    heights : xarray.Dataset
        Usable height in the same hours (`wxfly.assessment.usable_height`).
    windows : tuple of Window
        In the order of `wxfly.answer.windows.in_order`, the best first.
    advice : Advice or None
        For the best window; None when there is none.
    start, end : numpy.datetime64
        The requested period, UTC: whole days of the site's clock, and never before now.
    site_chance : SiteChance or None
        The chance of every hour, and its source.
    outlooks : tuple of Outlook
        The most probable stretch of each day's light, in order of time, whether or not the one forecast is within
        limits there.
    earlier : tuple of (str, float)
        Results of earlier runs for the most probable stretch of the best window: run and chance, oldest first.
    changes : tuple of Change
        What would change the answer (`wxfly.answer.alternatives`).
    return_leg : WorstMoment or None
        The time in the best window that is most demanding for the sortie; None without a sortie.
    survey : Survey or None
        Schedule of work that can be interrupted; None where none is requested.
    choice : Choice or None
        Outcome of the window chosen in the previous run; None where there was none.
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
        """Start and end of the lit part of every hour, cut to the requested period; NaT where there is none."""
        start = np.maximum(self.assessment["usable_start"].values.astype("datetime64[s]"), self.start)
        end = np.minimum(self.assessment["usable_end"].values.astype("datetime64[s]"), self.end)
        nothing = ~(end > start)
        start[nothing] = end[nothing] = np.datetime64("NaT", "s")
        return start, end

    @cached_property
    def lit_hours(self) -> npt.NDArray[np.bool_]:
        """Whether each hour has light in the requested period."""
        return np.asarray(~np.isnat(self.usable_parts[0]))

    @property
    def best(self) -> Window | None:
        """The best window, which the verdict is about; None when no stretch within all limits is long enough."""
        return self.windows[0] if self.windows else None


@dataclass(frozen=True, kw_only=True)
class Briefing:
    """Everything an output needs; reports read nothing else.

    Attributes
    ----------
    question : str
        ``best``, ``compare``, ``week`` or ``now``.
    answers : tuple of SiteAnswer
        One for each site, in the order asked.
    minimum_duration : numpy.timedelta64
        Shortest useful window: planned time plus contingency.
    now : numpy.datetime64
        Time for which the answer is made, UTC.
    provenance : ForecastOrigin
        Source of the forecast, and the times from which its age counts.
    notes : tuple of str
        What the reader must know first: old forecast, Kp past its horizon, a demo.
    ensembles : tuple of ForecastOrigin
        The same for each ensemble.
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
        """The hours that all sites share within the requested period: which site is better, and why."""
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


class ChangeKind(StrEnum):
    """What would have to change for a window; MORE is an increase of an element that would break the best one."""

    LATER = "later"
    LOWER = "lower"
    SHORTER = "shorter"
    AIRCRAFT = "aircraft"
    DAY = "day"
    MORE = "more"


@dataclass(frozen=True)
class Change:
    """One change, and the window it would give or the element that would break one.

    Attributes
    ----------
    kind : ChangeKind
        ``later``: wait, where only a window from now on was requested; ``lower``: fly lower; ``shorter``: fly for less
        time; ``aircraft``: take another; ``day``: another day; ``more``: an increase of an element that would break the
        best window.
    window : Window or None
        The window that the change gives; None for ``more``.
    height : float
        For ``lower`` [m].
    aircraft : str
        Title, for ``aircraft``.
    element : str
        For ``more``.
    amount : float
        For ``more``, in the element's SI unit.
    """

    kind: ChangeKind
    window: Window | None = None
    height: float = np.nan
    aircraft: str = ""
    element: str = ""
    amount: float = np.nan


class ChoiceOutcome(StrEnum):
    """What became of the window chosen in the previous run."""

    SAME = "same"
    KEPT = "kept"
    LEFT = "left"
    GONE = "gone"


@dataclass(frozen=True)
class Choice:
    """The window chosen in the previous run, and its outcome.

    Attributes
    ----------
    outcome : ChoiceOutcome
        ``same``: the best window still contains it; ``kept``: another is better, but by too little to change;
        ``left``: another is better by more than that; ``gone``: it is no longer within all limits.
    run : str
        Start of that run.
    start, end : numpy.datetime64
        Bounds of the chosen stretch, UTC.
    chance, best : float
        Present chances of the chosen stretch and of the best one; NaN where they do not matter.
    """

    outcome: ChoiceOutcome
    run: str
    start: np.datetime64
    end: np.datetime64
    chance: float = np.nan
    best: float = np.nan
