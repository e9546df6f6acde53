"""The cells of a model around the sites: kept or requested, and added to the forecast as their spread.

They widen the error of wind and gust (`wxfly.physics.wind.error`). A forecast that never had them stays
unchanged; one whose cells are lost counts as if they differed much.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from wxfly.cube.contract import VARIABLES, mark_provided, state_spans
from wxfly.errors import WxflyError
from wxfly.pilot.settings import Settings
from wxfly.pilot.site import Site
from wxfly.sources.open_meteo.models import MODELS
from wxfly.store.replies import KeptReply, keep_reply, kept_reply
from wxfly.times import as_moment, utc_now

if TYPE_CHECKING:
    from wxfly.sources.open_meteo.forecast import Surroundings

Progress = Callable[[str], None]

FRESH = timedelta(hours=3)
"""Age below which kept cells are not requested again: what is used of them changes little from run to run."""
OLDEST = np.timedelta64(36, "h")
"""Age from which kept cells count as lost, as wind and gust of a forecast do (`wxfly.cube.age`)."""
MOST_PLACES = 4
"""Largest number of places in one question for which cells are used: each costs nine weighted calls."""
_KIND = "surroundings"
_LOST = ""
"""Kept in place of a reply that did not arrive, so that an answer from the store knows about it."""


@dataclass(frozen=True)
class Cells:
    """The known cells of one model.

    Attributes
    ----------
    model : str
        Its name.
    of_place : mapping
        The cells around a place, by `Site.key`; None where they were requested and are lost. A place that was never
        requested is absent.
    notes : tuple of str
        What the reader must know.
    """

    model: str
    of_place: Mapping[tuple[float, float], Surroundings | None]
    notes: tuple[str, ...] = ()


def obtain_cells(
    sites: Sequence[Site], model: str, *, offline: bool, settings: Settings, on_progress: Progress
) -> Cells:
    """Return the cells of a model around sites, from the store while they are fresh, else from one request.

    Parameters
    ----------
    sites : sequence of Site
        Real places.
    model : str
        Name of a model of the forecast service; other models have no cells.
    offline : bool
        Whether to ask no service; kept cells are then used up to `OLDEST`.
    settings, on_progress
        As in `wxfly.retrieval.forecast.obtain_forecast`.
    """
    from wxfly.sources.open_meteo.forecast import get_surroundings

    places = {site.key: site for site in sites}
    if model not in MODELS or len(places) > MOST_PLACES:
        return Cells(model, {})
    kept = {key: kept_reply(_KIND, _name(key, model)) for key in places}
    now = utc_now()
    stale = [site for key, site in places.items() if not _is_fresh(kept[key], now)]
    failed = ""
    if stale and not offline:
        on_progress(f"asking for the cells of {MODELS[model].title} around {stale[0].name}")
        try:
            replies = get_surroundings(stale, model, settings=settings)
            texts = [reply.decode() for reply in replies]
        except WxflyError as fault:
            texts = [_LOST] * len(stale)
            failed = f": {fault}"
        for site, text in zip(stale, texts, strict=True):
            before = kept[site.key]
            if text == _LOST and before is not None and before.text != _LOST:
                continue  # older cells are better than none: hours past their end are lost
            kept[site.key] = KeptReply(now, text)
            keep_reply(_KIND, _name(site.key, model), text, now)
    of_place = {key: _read(reply, model, now) for key, reply in kept.items() if reply is not None}
    notes: tuple[str, ...] = ()
    if any(cells is None for cells in of_place.values()):
        notes = (f"the cells around are not known, so wind and gust count as less certain{failed}",)
    elif failed:
        notes = (f"older cells around are used{failed}",)
    return Cells(model, of_place, notes)


def with_cells(cube: xr.Dataset, sites: Sequence[Site], cells: Cells, height: float) -> xr.Dataset:
    """Add the spread of the surrounding cells to the forecast of their model.

    Parameters
    ----------
    cube : xarray.Dataset
        Forecast of one model, with the dimension ``site`` in the order of `sites`.
    sites : sequence of Site
        The places.
    cells : Cells
        Cells of the same model.
    height : float
        Largest flight height above ground [m].

    Returns
    -------
    xarray.Dataset
        With ``wind_speed_spread_of_cells`` and ``gust_spread_of_cells``, missing in every hour that lacks a cell;
        unchanged where no cells were ever requested.
    """
    if not any(site.key in cells.of_place for site in sites):
        return cube
    time = cube["time"].values
    wind, gust = (np.full((time.size, len(sites)), np.nan) for _ in range(2))
    span = VARIABLES["gust_spread_of_cells"].covers_hours
    for column, site in enumerate(sites):
        around = cells.of_place.get(site.key)
        if around is None:
            continue
        _, here, there = np.intersect1d(time, around.time, return_indices=True)
        wind[here, column] = around.wind_spread(height)[there]
        of_gust = around.gust_spread()
        gust[here, column] = np.nan if of_gust is None else of_gust[there]
        span = around.gust_covers_hours
    names = {"wind_speed_spread_of_cells": wind}
    if "wind_speed_of_gust" in cube:
        names["gust_spread_of_cells"] = gust
    added = {
        n: (("time", "site"), values, {"units": VARIABLES[n].units, "long_name": VARIABLES[n].long_name})
        for n, values in names.items()
    }
    return mark_provided(state_spans(cube.assign(added), {"gust_spread_of_cells": span}))


def _read(reply: KeptReply, model: str, now: datetime) -> Surroundings | None:
    from wxfly.sources.open_meteo.forecast import parse_surroundings

    if reply.text == _LOST or as_moment(now) - as_moment(reply.retrieved) >= OLDEST:
        return None
    try:
        return parse_surroundings(reply.text.encode(), model, retrieved=reply.retrieved)
    except WxflyError:
        return None


def _is_fresh(reply: KeptReply | None, now: datetime) -> bool:
    return reply is not None and reply.text != _LOST and reply.is_younger_than(FRESH, now)


def _name(key: tuple[float, float], model: str) -> str:
    return f"{model} {key[0]:.4f},{key[1]:.4f}"
