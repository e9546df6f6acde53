"""The choice of models and ensembles for places and hours: the finest that covers them and provides what is needed.

The rule, with its reasons in ``docs/explanation/models.md``: the model with the finest mesh comes first. Among meshes
that differ by less than `ALIKE`, the model with the smaller published wind error comes first (the table is in
`wxfly.pilot.elements`), then the one that lacks fewer elements, then the finer. Hours past its range go to the next
model that reaches further.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np

from wxfly.pilot.elements import shipped_figures
from wxfly.pilot.site import Site
from wxfly.sources.open_meteo.models import ENSEMBLES, MODELS, Ensemble, Model

ALIKE = 1.3
"""Ratio of mesh widths below which two models count as equally fine; our estimate."""
HIGHEST_ABOVE_TOP = 1.5
"""Largest ratio of the flight height to a model's top level [1]: extrapolation of the wind was tested up to it
(`wxfly.physics.wind.profile.beyond_top`)."""
LEAST, LEAST_MORE = np.timedelta64(12, "h"), np.timedelta64(24, "h")
"""Least hours that the first model must provide, and that each further one must add, unless it reaches the end: every
change of model costs a request."""
SHORT_REST = np.timedelta64(12, "h")
"""A rest of at most so many hours goes to a model that lacks no element, if any: a request costs more than a coarse
mesh."""
AROUND = np.timedelta64(4, "h")
"""Hours around the requested ones that are needed too, for the timing error and for gusts of later hours."""
FEWEST_MEMBERS = 10
"""Fewest members of a chosen ensemble: with fewer, a chance of one in ten cannot be counted."""
_SLOW, _QUICK = 8.0, 4.0
"""Time from the start of a run until the service has it, for models that run every six hours or less often, and for
those that run more often [h]; upper bounds, from memory."""
BY_THEMSELVES = ("visibility", "cape", "precipitation_probability")
"""The service's names for variables that may come from another model: `wxfly.cube.contract.TAKEN_BY_THEMSELVES`."""


@dataclass(frozen=True)
class Wanted:
    """The hours and the height that a forecast is for.

    Attributes
    ----------
    start, end : numpy.datetime64
        The requested hours, UTC [s].
    height : float
        Largest flight height above ground [m].
    """

    start: np.datetime64
    end: np.datetime64
    height: float


@dataclass(frozen=True)
class ModelPlan:
    """The models to ask.

    Attributes
    ----------
    models : tuple of Model
        In order of time; the first takes every hour that it has.
    beside : tuple of Model
        For what those lack and what may come from another model, in order.
    in_reserve : tuple of Model
        The other models that cover the places, in the order in which they replace a failed one.
    """

    models: tuple[Model, ...]
    beside: tuple[Model, ...]
    in_reserve: tuple[Model, ...]

    @property
    def asked(self) -> tuple[Model, ...]:
        """Return the models to be asked at once."""
        return (*self.models, *self.beside)


def rank_models(sites: Sequence[Site], height: float) -> list[Model]:
    """Return the models that cover every site and provide wind for a flight height [m], the first choice first."""
    fitting = [
        m for m in MODELS.values()
        if not m.is_blend and _covers(m, sites) and height <= HIGHEST_ABOVE_TOP * max(m.wind_heights)
    ]  # fmt: skip
    return [m for m in _ranked(fitting) if isinstance(m, Model)]


def plan_models(
    sites: Sequence[Site], wanted: Wanted, now: np.datetime64, *, without: Collection[str] = ()
) -> ModelPlan:
    """Choose the models for places and hours.

    Parameters
    ----------
    sites : sequence of Site
        The places; one model answers for all, so that only their weather differs.
    wanted : Wanted
        The hours and the height.
    now : numpy.datetime64
        Present time, UTC.
    without : collection of str
        Names of models that have failed.
    """
    ranked = [m for m in rank_models(sites, wanted.height) if m.name not in without]
    end = wanted.end + AROUND
    reached = max(now, wanted.start)
    models: list[Model] = []
    while reached < end:
        further = [m for m in ranked if m not in models and reaches_for_sure(m, now) > reached]
        if not further:
            break
        enough = min(end, reached + (LEAST_MORE if models else LEAST))
        worth = [m for m in further if reaches_for_sure(m, now) >= enough]
        if models and end - reached <= SHORT_REST:
            worth = [m for m in worth if not _lacks(m)] or worth
        model = worth[0] if worth else max(further, key=lambda m: reaches_for_sure(m, now))
        models.append(model)
        reached = reaches_for_sure(model, now)
    others = [m for m in ranked if m not in models]
    beside = _beside(models, others, end, now)
    return ModelPlan(tuple(models), tuple(beside), tuple(m for m in others if m not in beside))


def _beside(models: Sequence[Model], others: Sequence[Model], end: np.datetime64, now: np.datetime64) -> list[Model]:
    """Return the fewest further models that provide what the chosen ones lack, for as long as these reach."""

    def reach(model: Model) -> np.datetime64:
        return min(reaches_for_sure(model, now), end)

    def provides(model: Model, lack: tuple[str, np.datetime64]) -> bool:
        return bool(model.provides_name(lack[0]) and reach(model) >= lack[1])

    lacks = {(name, reach(m)) for m in models for name in _lacks(m)}
    beside: list[Model] = []
    while lacks := {lack for lack in lacks if not any(provides(m, lack) for m in (*models, *beside))}:
        able = [m for m in others if any(provides(m, lack) for lack in lacks)]
        if not able:
            break
        beside.append(max(able, key=lambda m: sum(provides(m, lack) for lack in lacks)))
    return beside


def _lacks(model: Model) -> list[str]:
    """Return the elements of `BY_THEMSELVES` that a model does not provide."""
    return [name for name in BY_THEMSELVES if not model.provides_name(name)]


def choose_ensembles(
    sites: Sequence[Site], wanted: Wanted, now: np.datetime64, *, without: Collection[str] = ()
) -> list[Ensemble]:
    """Return the ensembles that cover every site and every requested hour, the first choice first.

    Parameters
    ----------
    sites, wanted, now, without
        As in `plan_models`. Where none reaches the last hour, those that reach furthest are returned.
    """
    fitting = [
        e for e in ENSEMBLES.values() if e.members >= FEWEST_MEMBERS and _covers(e, sites) and e.name not in without
    ]
    ranked = [e for e in _ranked(fitting) if isinstance(e, Ensemble)]
    enough = [e for e in ranked if reaches_for_sure(e, now) >= wanted.end]
    return enough or sorted(ranked, key=lambda e: -float(e.range_days))


def reaches_for_sure(model: Model | Ensemble, now: np.datetime64) -> np.datetime64:
    """Return the last hour that a forecast requested now certainly has, whatever its newest run; UTC [s]."""
    late = _QUICK if model.interval_hours < 6 else _SLOW
    between = (isinstance(model, Model) and model.long_interval_hours) or model.interval_hours
    hours = math.floor(24 * model.range_days - between - late)
    present: np.datetime64 = now.astype("datetime64[h]").astype("datetime64[s]")
    return present + np.timedelta64(hours, "h")


def _covers(model: Model | Ensemble, sites: Sequence[Site]) -> bool:
    return all(model.outline.covers(site.latitude, site.longitude) for site in sites)


def _ranked(models: Iterable[Model | Ensemble]) -> list[Model | Ensemble]:
    """Order by mesh; within a group of similar meshes, counted from the finest, by the published error of the wind."""
    groups: list[list[Model | Ensemble]] = []
    for model in sorted(models, key=lambda m: m.resolution_km):
        if groups and model.resolution_km < ALIKE * groups[-1][0].resolution_km:
            groups[-1].append(model)
        else:
            groups.append([model])
    return list(
        chain.from_iterable(
            sorted(group, key=lambda m: (_error(m.name), _number_lacking(m), m.resolution_km)) for group in groups
        )
    )


def _number_lacking(model: Model | Ensemble) -> int:
    return len(_lacks(model)) if isinstance(model, Model) else 0


def _error(name: str) -> float:
    """Return the published error of a model's wind at 10 m [m s-1]; the largest one for a model without a figure."""
    rows = shipped_figures()["wind"]["model"]
    return float(next((row["error"] for row in rows if name in row["names"]), max(row["error"] for row in rows)))
