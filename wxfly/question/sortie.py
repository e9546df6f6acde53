"""From words on a command line to a planned sortie: the one way in for the brief and for the questions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from wxfly.answer.request import Request
from wxfly.errors import WxflyError
from wxfly.flight.energy import energy_model, missing_figures
from wxfly.flight.plan import BATTERY_RESERVE, CONFIDENCE, Plan
from wxfly.flight.return_leg import Sortie
from wxfly.physics.air.visibility import attitude_sight_range
from wxfly.pilot.aircraft import Aircraft
from wxfly.pilot.limits import check_height
from wxfly.units import read_quantity

DEFAULT_DISTANCE = 100.0
"""Planned where neither distance nor size of the aircraft is given [m]."""


def plan_sortie(request: Request, options: Mapping[str, Any]) -> Request:
    """Give a request the sortie that its pilot plans.

    Parameters
    ----------
    request : Request
        Of one site.
    options : mapping
        Of the command line, by name; see ``wxfly brief --help``. A missing or empty one takes its default.

    Returns
    -------
    Request
        Without a sortie, and with what is missing, where the figures of the aircraft do not tell what it takes.

    Raises
    ------
    WxflyError
        For anything the pilot can put right.
    """
    units = options.get("units") or "metric"
    return_height = length_of(options.get("return_height"), request.height, units)
    check_height(return_height, request.limits)
    missing = missing_figures(request.aircraft)
    if missing:
        return replace(request, energy_missing=missing)
    return replace(request, sortie=_sortie(request, return_height, options, units))


def _sortie(request: Request, return_height: float, options: Mapping[str, Any], units: str) -> Sortie:
    payload = options.get("payload")
    model = energy_model(request.aircraft, payload=read_quantity(payload, "mass", units) if payload else 0.0)
    batteries = int(options.get("batteries") or 1)
    reserve = options.get("battery_reserve")
    share = BATTERY_RESERVE if reserve is None else float(reserve)
    if not 0 <= share < 1:
        raise WxflyError(f"a battery reserve of {share:g} is not a share; wanted 0 to below 1, such as 0.25")
    cells, work = options.get("cells"), options.get("work")
    plan = Plan(
        height=request.height,
        return_height=return_height,
        distance=length_of(options.get("distance"), _default_distance(request.aircraft), units),
        direction=request.toward,
        work_time=read_quantity(work, "time", units) if work else 0.0,
        reserve=share,
        confidence=confidence_of(options),
        cell_temperature=read_quantity(cells, "temperature", units) if cells else None,
    )
    if plan.distance < 0 or plan.work_time < 0:
        raise WxflyError("a distance or a time of work below zero cannot be flown")
    return Sortie(model, plan, batteries)


def confidence_of(options: Mapping[str, Any]) -> float:
    """Give how sure the way home and the reading must be: as asked, and never less than even."""
    asked = options.get("confidence")
    return CONFIDENCE if asked is None else max(float(asked), 0.5)


def _default_distance(aircraft: Aircraft) -> float:
    """Plan as far as the aircraft is seen: nobody should fly farther without having said so."""
    if aircraft.characteristic_dimension is None:
        return DEFAULT_DISTANCE
    return float(attitude_sight_range(aircraft.characteristic_dimension, aircraft.kind))


def length_of(text: str | None, default: float, units: str) -> float:
    """Read a length [m], without a unit in that of `units`; `default` where none is given."""
    return read_quantity(text, "length", units) if text else default
