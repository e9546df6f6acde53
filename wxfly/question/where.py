"""Where, from the pilot's words to ranked spots: the forecast of many cells is obtained, and every cell judged."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr

from wxfly.answer.request import Request
from wxfly.answer.where import Where, in_reach, rank_spots
from wxfly.assessment.conditions import derive_flight, hours_of
from wxfly.assessment.suitability import add_waiting_hours, assess
from wxfly.cube.notes import NoteKind, kind_of
from wxfly.errors import WxflyError
from wxfly.pilot.limits import Limits, check_height
from wxfly.pilot.options import Words
from wxfly.pilot.settings import load_settings, sites_file
from wxfly.pilot.site import Site, date_of, period_of, read_sites
from wxfly.question.ask import own_limit_notes, set_aside_notes, zone_notes, zone_search
from wxfly.question.question import Question, read_question
from wxfly.retrieval.files import open_forecast
from wxfly.retrieval.grids import obtain_grid
from wxfly.retrieval.model_choice import Wanted
from wxfly.retrieval.origin import Obtained
from wxfly.retrieval.places import refuse_set_aside, resolve_site
from wxfly.times import as_moment, utc_now
from wxfly.units import read_quantity

FARTHEST = 300_000.0
"""Largest reach [m]."""


@dataclass(frozen=True)
class AskedWhere:
    """The ranked spots, how their reader wants them shown, and what every cell was judged from."""

    where: Where
    units: str
    time_zone: str | None
    cube: xr.Dataset
    limits: Limits
    height: float


def ask_where(place: str, within: str, words: Words, *, on_progress: Callable[[str], None]) -> AskedWhere:
    """Rank the cells of a forecast in reach of a place.

    Parameters
    ----------
    place : str
        A saved name, coordinates, or the name of a place.
    within : str
        Reach, with or without its unit.
    words : Words
        The rest of what is asked; ``forecast_path`` names a file of a grid or of several places. Without one the cells
        are read from the open file store.
    on_progress : callable
        Called with a line of text when something may take over a second.

    Raises
    ------
    WxflyError
        For anything the pilot can put right.
    """
    question = read_question("best", [place], words)
    reach = read_quantity(within, "length", question.units)
    if not 0 < reach <= FARTHEST:
        raise WxflyError(f"a reach of {within} is out of range; wanted more than 0 km, up to {FARTHEST / 1000:g} km")
    height = question.places[0].height
    check_height(height, question.limits)
    saved = read_sites(sites_file())
    refuse_set_aside(saved, [question.places[0].words])
    asked, settings = question.forecast, load_settings()
    is_file = asked.path is not None
    words_of_place = question.places[0].words
    centre = resolve_site(words_of_place, saved=saved, offline=is_file or asked.offline, settings=settings)
    if asked.path is not None:
        obtained = open_forecast(asked.path, saved=saved, model=asked.model, now=asked.as_of)
        whose = asked.path.name
    elif centre.is_demo:
        raise WxflyError(f"{centre.name} is invented and has no grid; name a real place, or give --forecast FILE")
    else:
        wanted = _wanted(question, centre, height)
        obtained = obtain_grid(
            centre, reach, wanted, settings=settings, model=asked.model, offline=asked.offline, now=asked.as_of,
            on_progress=on_progress,
        )  # fmt: skip
        whose = obtained.provenance.model
    cells = in_reach(centre, obtained.sites, reach)
    if not cells:
        raise WxflyError(f"{whose}: it has no place within {within} of {centre.name}; give a longer --within")
    on_progress(f"judging {len(cells)} {'cell' if len(cells) == 1 else 'cells'} of {whose}")
    cube, age_notes = obtained.fresh()
    cube = cube.isel(site=cells)
    ranked = _rank(question, obtained, cube, age_notes, centre, cells, reach, height)
    return AskedWhere(ranked, question.units, question.time_zone, cube, question.limits, height)


def store_every_hour(
    asked: AskedWhere, folder: Path, *, scheduler: str | None, on_progress: Callable[[str], None]
) -> None:
    """Write every hour of every cell to a Zarr store, as `wxfly.assessment.grid.assess_to_store` does.

    Parameters
    ----------
    asked : AskedWhere
        The answer.
    folder : Path
        Of the store; one that was broken off is filled up.
    scheduler : str or None
        Address of a scheduler of dask.distributed, whose workers do the work.
    on_progress : callable
        Called with a line of text when a part is finished.

    Raises
    ------
    WxflyError
        As `assess_to_store` raises it.
    """
    from wxfly.assessment.grid import assess_to_store

    assess_to_store(asked.cube, asked.limits, folder, height=asked.height, scheduler=scheduler, on_progress=on_progress)


def _wanted(question: Question, centre: Site, height: float) -> Wanted:
    """Return the hours and the height that a grid must have."""
    now = as_moment(utc_now()) if question.forecast.as_of is None else question.forecast.as_of
    period = _period(question, centre, now)
    return Wanted(max(period[0], now), period[1], height)


def _period(question: Question, centre: Site, now: np.datetime64) -> tuple[np.datetime64, np.datetime64]:
    day = None if question.day is None else date_of(centre, now, question.day)
    period = period_of(centre, now, day=day, first_day=question.first_day)
    if period[1] <= now:
        raise WxflyError(f"that day is over (now is {str(now)[:16]}Z); give a later --date")
    return period


def _rank(
    question: Question,
    obtained: Obtained,
    cube: xr.Dataset,
    age_notes: Sequence[str],
    centre: Site,
    cells: list[int],
    reach: float,
    height: float,
) -> Where:
    sites = [obtained.sites[i] for i in cells]
    period = _period(question, centre, obtained.now)
    start = max(period[0], obtained.now)
    conditions, judged = _judged(cube, question, height, start, period[1])
    wait = question.work.wait_hours
    if wait:
        first = start.astype("datetime64[h]")
        earlier = _judged(cube, question, height, first - np.timedelta64(wait, "h"), first)[1]
        each = [add_waiting_hours(judged.isel(site=i), wait, earlier.isel(site=i)) for i in range(len(sites))]
        judged = xr.concat(each, dim="site", coords="different", compat="equals").transpose(..., "site")
    asked = Request(
        centre, question.aircraft, question.limits, height, prefers_low_light=question.prefers_low_light,
        work=question.work, zones=zone_search(question),
    )  # fmt: skip
    return rank_spots(
        cube, conditions, judged, sites, asked, centre, within=reach, period=period,
        minimum_duration=question.work.reference_period, now=obtained.now, provenance=obtained.provenance,
        notes=(
            *zone_notes(question), *own_limit_notes(question), *set_aside_notes(), *age_notes,
            *(note for note in obtained.notes if kind_of(note) != NoteKind.GROUND),  # one for each cell
        ),
    )  # fmt: skip


def _judged(
    cube: xr.Dataset, question: Question, height: float, start: np.datetime64, end: np.datetime64
) -> tuple[xr.Dataset, xr.Dataset]:
    """Return the conditions of the hours of every cell, and what they leave of the limits."""
    hours = hours_of(cube, start=start, end=end)
    conditions = derive_flight(hours, height=height, site=None, limits=question.limits)
    return conditions, assess(conditions, question.limits)
