"""The sortie that a pilot plans, with the energy model of the aircraft."""

from __future__ import annotations

from dataclasses import replace

from wxfly.answer.request import Request
from wxfly.flight import return_leg
from wxfly.flight.energy import energy_model, missing_figures
from wxfly.flight.leg import Plan
from wxfly.physics.air.visibility import attitude_sight_range
from wxfly.pilot.aircraft import Aircraft
from wxfly.pilot.limits import check_height
from wxfly.question.question import SortieAsked

DEFAULT_DISTANCE = 100.0
"""Planned distance where neither a distance nor the aircraft's size is given [m]."""


def plan_sortie(request: Request, asked: SortieAsked, confidence: float) -> Request:
    """Return a request with the planned sortie.

    Parameters
    ----------
    request : Request
        The request for one site.
    asked : SortieAsked
        The planned flight.
    confidence : float
        Confidence required of the return leg.

    Returns
    -------
    Request
        Without a sortie, but with the return height and the names of missing figures, where the aircraft lacks them.

    Raises
    ------
    WxflyError
        For a return height that the rules do not allow.
    """
    return_height = request.height if asked.return_height is None else asked.return_height
    check_height(return_height, request.limits)
    missing = missing_figures(request.aircraft)
    if missing:
        return replace(request, return_height=return_height, energy_missing=missing)
    plan = Plan(
        height=request.height,
        return_height=return_height,
        distance=default_distance(request.aircraft) if asked.distance is None else asked.distance,
        direction=request.toward,
        work_time=asked.work_time,
        reserve=asked.reserve,
        confidence=confidence,
        cell_temperature=asked.battery_temperature,
    )
    model = energy_model(request.aircraft, payload=asked.payload)
    return replace(request, return_height=return_height, sortie=return_leg.Sortie(model, plan, asked.batteries))


def default_distance(aircraft: Aircraft) -> float:
    """Return the distance at which the aircraft is still visible; farther must be the pilot's own decision."""
    if aircraft.characteristic_dimension is None:
        return DEFAULT_DISTANCE
    return float(attitude_sight_range(aircraft.characteristic_dimension, aircraft.kind))
