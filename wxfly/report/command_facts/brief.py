"""The flight brief of one window: launch limits, the way back, the wind at each height, what to mind."""

from __future__ import annotations

import math
from datetime import datetime

import numpy as np
import xarray as xr

from wxfly.answer import findings
from wxfly.answer.flight_brief import EnergyBrief, FlightBrief
from wxfly.flight.sortie import Refusal
from wxfly.physics.aircraft.power import MODEL_DEVIATION
from wxfly.question.ask import BriefAsked
from wxfly.report.command_facts.field_check import LaunchFacts, launch_facts
from wxfly.report.facts.answer import AnswerFacts, facts_of
from wxfly.report.facts.sortie import (
    COLD_FOR_PACKS,
    AdviceFacts,
    DecisionFacts,
    PlanFacts,
    advice_facts,
    decision_facts,
    plan_facts,
)
from wxfly.report.facts.values import Degrees, Facts, FlightTime, Metres, Share, Speed, column, moment_of, number
from wxfly.report.facts.windows import WindowFacts


class LevelFacts(Facts, frozen=True):
    """Wind and gust at one height over the hours of the window, the worse end of each hour."""

    height: Metres
    """Above ground."""
    wind: list[Speed | None]
    gust: list[Speed | None]
    """Wind and gust by hour."""


class DirectionFacts(Facts, frozen=True):
    """Reach and the way back in one direction, in the worst moment of the window."""

    toward: Degrees
    """From the launch point."""
    energy_reach: Metres | None
    """How far one battery goes out and home with its reserve."""
    ground_speed_home: Speed | None
    """On the way back from there."""


class EnergyFacts(Facts, frozen=True):
    """The sortie in the worst moment of the window."""

    plan: PlanFacts
    """What is to be flown."""
    moment: datetime
    """Which moment asks the most."""
    needed_share: Share | None
    """Share of one battery that is needed, its reserve included; null where it is unknown or cannot be flown."""
    refusal: str | None
    """Why it cannot be flown at all; null where it can."""
    comes_home: bool
    """Whether it is known to come home with its reserve."""
    usable_share: Share | None
    """Usable share of the pack's energy, at its temperature."""
    packs_are_cold: bool
    """Whether the air of the window asks for warm packs."""
    charge_at_turn: Share | None
    """Least charge shown when leaving for home from the planned distance."""
    latest_turn: FlightTime | None
    """After take-off, if the aircraft works at the place as long as it can."""
    flight_time: FlightTime | None
    """Flight time on one battery."""
    flights_begun: int
    """What the batteries make of the window."""
    time_in_air: FlightTime | None
    """Time in the air on all flights."""
    airspeed_home: Speed | None
    ground_speed_home: Speed | None
    """On the way back from the planned point, or from the worst direction."""
    model_deviation: Share
    """Standard deviation of the model of consumption."""
    directions: list[DirectionFacts]
    """Round the launch point, from north."""


class WorstHour(Facts, frozen=True):
    """The hour of the window in which an element leaves the least, or is not known."""

    element: str
    """Which."""
    hour: int
    """Position among the hours of the site."""


class BriefFacts(Facts, frozen=True):
    """The flight brief of one window."""

    answer: AnswerFacts
    """The answer that the window is from."""
    rank: int
    """Rank of the window in the answer."""
    first: int
    last: int
    """Positions of its hours among those of the site."""
    launch: LaunchFacts
    """What the anemometer may show."""
    levels: list[LevelFacts]
    """The lowest first."""
    energy: EnergyFacts | None
    """Null where the aircraft's figures do not say."""
    energy_missing: list[str]
    """Those figures."""
    largest_wind: Speed | None
    """At flight height."""
    wind_from_direction: Degrees | None
    """At flight height, the mean."""
    worst_hours: list[WorstHour]
    """The worst hour of each element."""
    advice: AdviceFacts
    """What to know beside the limits."""
    decisions: DecisionFacts | None
    """Whether driving out and taking off pay in this window; null without costs."""

    @property
    def window(self) -> WindowFacts:
        """The window."""
        return self.answer.sites[0].windows[self.rank - 1]


def brief_or_answer(asked: BriefAsked) -> BriefFacts | AnswerFacts:
    """Return the facts of a flight brief; those of the answer alone where no window holds."""
    answer = facts_of(asked.briefing, asked.question)
    return answer if asked.brief is None else brief_facts(asked.brief, answer)


def brief_facts(brief: FlightBrief, answer: AnswerFacts) -> BriefFacts:
    """Return the facts of a flight brief, and of the answer that it is from."""
    window, flight = brief.window, brief.levels[brief.answer.request.height]
    speed, direction = (flight[name].values.ravel() for name in ("wind_speed", "wind_from_direction"))
    margins = brief.answer.assessment["margin"].transpose("element", "time").values[:, window.first : window.last + 1]
    worst = np.argmin(np.where(np.isnan(margins), -np.inf, margins), axis=1)
    return BriefFacts(
        answer=answer,
        rank=brief.answer.windows.index(window) + 1,
        first=window.first,
        last=window.last,
        launch=launch_facts(brief.rule),
        levels=[_level(height, hours) for height, hours in brief.levels.items()],
        energy=None if brief.energy is None else _energy(brief.energy, flight),
        energy_missing=list(brief.energy_missing),
        largest_wind=number(float(np.max(speed))),
        wind_from_direction=number(findings.mean_direction(speed.tolist(), direction.tolist())),
        worst_hours=[
            WorstHour(element.name, window.first + int(at))
            for element, at in zip(answer.sites[0].elements, worst, strict=True)
        ],
        advice=advice_facts(brief.answer, window, brief.advice),
        decisions=decision_facts(brief.answer, window),
    )


def _level(height: float, hours: xr.Dataset) -> LevelFacts:
    wind, gust = (hours[name].max("edge", skipna=False).values for name in ("wind_speed", "wind_speed_of_gust"))
    return LevelFacts(height, column(wind), column(gust))


def _energy(e: EnergyBrief, flight: xr.Dataset) -> EnergyFacts:
    share, refusal = float(e.budget.needed_share), Refusal(int(e.budget.refusal))
    home, directions = e.reach.home, e.reach.directions
    at = int(np.argmin(np.abs((directions - float(e.budget.direction) + 180) % 360 - 180)))
    coldest = min(float(flight[n].min()) for n in ("air_temperature", "air_temperature_near_ground"))
    return EnergyFacts(
        plan=plan_facts(e.sortie),
        moment=moment_of(e.moment),
        needed_share=number(share),
        refusal=refusal.words or None,
        comes_home=share <= 1 and refusal == Refusal.NONE,
        usable_share=number(float(e.budget.usable) / e.sortie.model.battery_energy),
        packs_are_cold=coldest < COLD_FOR_PACKS,
        charge_at_turn=number(float(e.budget.charge_at_turn)),
        latest_turn=number(float(e.budget.latest_turn)),
        flight_time=number(e.flight_time),
        flights_begun=e.flights.begun,
        time_in_air=number(e.flights.time_in_air),
        airspeed_home=number(float(home.airspeed[at])),
        ground_speed_home=number(float(home.ground_speed[at])),
        model_deviation=MODEL_DEVIATION,
        directions=[
            DirectionFacts(float(d), number(far), None if math.isnan(far) else number(float(fast)))
            for d, far, fast in zip(directions, e.reach.by_energy, home.ground_speed, strict=True)
        ],
    )
