"""The sortie that a pilot plans, with what the aircraft needs for it."""

from __future__ import annotations

from dataclasses import replace

from wxfly.answer.request import Request
from wxfly.flight import return_leg
from wxfly.flight.energy import energy_model, missing_figures
from wxfly.flight.leg import Plan
from wxfly.physics.air.visibility import attitude_sight_range
from wxfly.pilot.aircraft import Aircraft
from wxfly.pilot.limits import check_height
from wxfly.question.reading import SortieAsked

DEFAULT_DISTANCE = 100.0
"""Planned where neither distance nor size of the aircraft is given [m]."""


def plan_sortie(request: Request, asked: SortieAsked, confidence: float) -> Request:
    """Return a request with the sortie that its pilot plans.

    Parameters
    ----------
    request : Request
        Of one site.
    asked : SortieAsked
        What is to be flown.
    confidence : float
        How sure the way back must be.

    Returns
    -------
    Request
        Without a sortie, and with what is missing, where the figures of the aircraft do not give what it needs.

    Raises
    ------
    WxflyError
        For a return height that no rule in force allows.
    """
    return_height = request.height if asked.return_height is None else asked.return_height
    check_height(return_height, request.limits)
    missing = missing_figures(request.aircraft)
    if missing:
        return replace(request, energy_missing=missing)
    plan = Plan(
        height=request.height,
        return_height=return_height,
        distance=_default_distance(request.aircraft) if asked.distance is None else asked.distance,
        direction=request.toward,
        work_time=asked.work_time,
        reserve=asked.reserve,
        confidence=confidence,
        cell_temperature=asked.battery_temperature,
    )
    model = energy_model(request.aircraft, payload=asked.payload)
    return replace(request, sortie=return_leg.Sortie(model, plan, asked.batteries))


def _default_distance(aircraft: Aircraft) -> float:
    """Plan as far as the aircraft is seen: nobody should fly farther without having said so."""
    if aircraft.characteristic_dimension is None:
        return DEFAULT_DISTANCE
    return float(attitude_sight_range(aircraft.characteristic_dimension, aircraft.kind))
