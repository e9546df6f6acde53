"""The answer for one site: its windows, hours and elements, and why what is unknown is null."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from wxfly.answer.request import SiteAnswer
from wxfly.assessment.suitability import names_of, not_judged
from wxfly.pilot.elements import RETURN_LEG
from wxfly.report.facts.hours import (
    DayFacts,
    ElementFacts,
    HourFacts,
    LimitFacts,
    LitHours,
    NotKnown,
    day_facts,
    element_facts,
    hour_facts,
    limit_facts,
    lit_hours_facts,
    not_known_facts,
)
from wxfly.report.facts.place import AircraftFacts, SiteFacts, aircraft_facts, site_facts
from wxfly.report.facts.sortie import (
    AdviceFacts,
    DecisionFacts,
    IntentFacts,
    SortieFacts,
    SurveyFacts,
    advice_facts,
    decision_facts,
    intent_facts,
    sortie_facts,
    survey_facts,
)
from wxfly.report.facts.values import (
    Facts,
    Metres,
    Period,
    Share,
    energy_missing,
    moment_of,
    number,
    runs_of,
    written_moment,
)
from wxfly.report.facts.windows import (
    ChanceBasis,
    ChangeFacts,
    ChoiceFacts,
    Earlier,
    OutlookFacts,
    WindowFacts,
    chance_basis,
    change_facts,
    choice_facts,
    outlook_facts,
    run_to_run_swing,
    window_facts,
)
from wxfly.report.facts.zones import ZonesFacts, zones_facts


class Unknown(Facts, frozen=True):
    """Why something is null."""

    site_position: int | None
    """Position in `sites`; null for what all sites share."""
    key: str
    """Which value is null, from the site or from the answer on; list positions and element names stand between dots."""
    hour_runs: list[tuple[int, int]]
    """First and last position of each run of hours in which it is; empty where it does not go by hours."""
    reason: str
    """Why."""


class SiteAnswerFacts(Facts, frozen=True):
    """The answer for one site."""

    label: str
    """Tells the sites of a comparison apart; the name where that suffices, with the height in metres else."""
    site: SiteFacts
    """Where."""
    aircraft: AircraftFacts
    """With what."""
    height: Metres
    """Flight height above ground."""
    forecast: int
    """Position in `forecasts`."""
    ensembles: list[int]
    """Positions in `forecasts` of those that give the chance; empty for a single forecast."""
    limits: LimitFacts
    """Compared with what."""
    intent: IntentFacts
    """For how long, and how."""
    period: Period
    """The time asked about."""
    not_known: NotKnown
    """What the decision needs and does not have."""
    windows: list[WindowFacts]
    """The best first; empty when nothing holds long enough."""
    rank_of_verdict: int | None
    """Rank of the window that the verdict is about, the best; null when there is none."""
    lit_hours: LitHours
    """How the lit hours stand."""
    chance_basis: ChanceBasis
    """What the chances are from."""
    outlooks: list[OutlookFacts]
    """The surest stretch of each day's light, in order of time, whether the one forecast holds there or not."""
    changes: list[ChangeFacts]
    """What would change the answer."""
    earlier: list[Earlier]
    """What earlier runs reported of the same hours, oldest first."""
    run_to_run_swing: Share | None
    """How much the answer of these runs and of this one goes to and fro; null where it is unknown."""
    choice: ChoiceFacts | None
    """What became of the window chosen in the run before; null where there was none."""
    sortie: SortieFacts | None
    """What is to be flown; null where none was asked for."""
    survey: SurveyFacts | None
    """Work that can stop; null where none was asked for."""
    decisions: DecisionFacts | None
    """Whether driving out and taking off pay; null without costs."""
    advice: AdviceFacts | None
    """For the window that the verdict is about; null when there is none."""
    zones: ZonesFacts | None
    """UAS zones of the pilot's file; null without one."""
    days: list[DayFacts]
    """Light and sun of each day."""
    hours: HourFacts
    """The hours."""
    elements: list[ElementFacts]
    """Every element over the same hours."""

    @property
    def best(self) -> WindowFacts | None:
        """The window that the verdict is about; None when there is none."""
        return self.windows[0] if self.windows else None


def site_answer_facts(answer: SiteAnswer, label: str, ensembles: list[int]) -> SiteAnswerFacts:
    """Return the answer for one site."""
    request = answer.request
    windows = [window_facts(answer, rank, w) for rank, w in enumerate(answer.windows, start=1)]
    days = day_facts(answer)
    return SiteAnswerFacts(
        label=label,
        site=site_facts(request.site),
        aircraft=aircraft_facts(request.aircraft),
        height=request.height,
        forecast=0,
        ensembles=ensembles,
        limits=limit_facts(request.limits),
        intent=intent_facts(request.intent),
        period=Period(moment_of(answer.start), moment_of(answer.end)),
        not_known=not_known_facts(answer),
        windows=windows,
        rank_of_verdict=1 if windows else None,
        lit_hours=lit_hours_facts(answer),
        chance_basis=chance_basis(answer),
        outlooks=[outlook_facts(answer, o) for o in answer.outlooks],
        changes=[change_facts(c) for c in answer.changes],
        earlier=[Earlier(written_moment(run), number(chance)) for run, chance in answer.earlier],
        run_to_run_swing=run_to_run_swing(answer),
        choice=choice_facts(answer),
        sortie=sortie_facts(answer),
        survey=survey_facts(answer),
        decisions=decision_facts(answer),
        advice=_advice(answer),
        zones=zones_facts(answer),
        days=days,
        hours=hour_facts(answer),
        elements=element_facts(answer),
    )


def _advice(answer: SiteAnswer) -> AdviceFacts | None:
    if answer.best is None or answer.advice is None:
        return None
    return advice_facts(answer, answer.best, answer.advice)


def reasons_of(position: int, answer: SiteAnswer, site: SiteAnswerFacts) -> list[Unknown]:
    """Say why what is null at a site is unknown."""
    reasons: list[Unknown] = []

    def add(key: str, reason: str, flags: npt.NDArray[np.bool_] | None = None) -> None:
        if flags is None:
            reasons.append(Unknown(position, key, [], reason))
        elif flags.any():
            reasons.append(Unknown(position, key, runs_of(flags), reason))

    def missing(values: Sequence[object]) -> npt.NDArray[np.bool_]:
        return np.array([value is None for value in values], dtype=bool)

    no_energy = energy_missing(answer.request.energy_missing)
    skipped = not_judged(answer.assessment)
    for k, name in enumerate(names_of(answer.assessment)):
        element = site.elements[k]
        lost = np.zeros(len(element.margin), dtype=bool)
        for first, last in element.lost_runs:
            lost[first : last + 1] = True
        unknown = missing(element.margin)
        if name in skipped:
            add(
                f"elements.{name}",
                "the aircraft gives no limit" if name != RETURN_LEG.name else no_energy,
            )
            unknown = missing(element.demand)
        add(f"elements.{name}", "the forecast of the hour has lost a value that its source carries", unknown & lost)
        add(f"elements.{name}", "the forecast gives no value that it can be worked out from", unknown & ~lost)
    hours = site.hours
    add("hours.margin", "a required element is unknown", missing(hours.margin))
    add("hours.chance", "a required element is unknown", missing(hours.chance))
    for key in ("wind_from_direction_at_start", "wind_from_direction_at_end"):
        add(f"hours.{key}", "the forecast gives no direction", missing(getattr(hours, key)))
    add("hours.usable_height", "the lowest step is unknown", missing(hours.usable_height))
    for i, window in enumerate(site.windows):
        if window.usable_height is None:
            add(f"windows.{i}.usable_height", "it is unknown in some hour of the window")
        if window.chance is None:
            add(f"windows.{i}.chance", "a required element is unknown")
        if window.sight_range is None:
            add(f"windows.{i}.sight_range", "the size of the aircraft is not given")
    for i, outlook in enumerate(site.outlooks):
        if outlook.chance is None:
            add(f"outlooks.{i}.chance", "a required element is unknown")
    if site.aircraft.sight_range is None:
        add("aircraft.sight_range", "the size of the aircraft is not given")
    if site.site.surface_altitude is None:
        add("site.surface_altitude", "the altitude of the ground is not given")
    if site.decisions is not None and site.decisions.drive_out is None:
        add("decisions", "the chance is unknown")
    return reasons
