"""Where: the cells of a forecast in reach of a place, ranked by their best windows.

The forecast of many cells is obtained, every cell is judged, and the best by margin have their chance worked out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import xarray as xr

from wxfly.answer.briefing import age_counts_from, windows_with_chances
from wxfly.answer.request import Request
from wxfly.answer.windows import Window, find_windows, in_order
from wxfly.assessment.conditions import derive_flight, hours_of
from wxfly.assessment.hours import HOUR
from wxfly.assessment.suitability import State, add_waiting_hours, assess
from wxfly.cube.notes import NoteKind, kind_of
from wxfly.errors import WxflyError
from wxfly.pilot.limits import check_height
from wxfly.pilot.options import Words
from wxfly.pilot.settings import load_settings, sites_file
from wxfly.pilot.site import (
    Site,
    bearing,
    date_of,
    days_touched,
    distance_km,
    midnights,
    period_of,
    read_sites,
)
from wxfly.probability.site_chance import judge_site_chance
from wxfly.question.ask import own_limit_notes, set_aside_notes, zone_notes, zone_search
from wxfly.question.question import Question, read_question
from wxfly.retrieval.files import open_forecast
from wxfly.retrieval.grids import obtain_grid
from wxfly.retrieval.model_choice import Wanted
from wxfly.retrieval.origin import ForecastOrigin, Obtained
from wxfly.retrieval.places import refuse_set_aside, resolve_site
from wxfly.times import as_moment, utc_now
from wxfly.units import read_quantity

FARTHEST = 300_000.0
"""Largest reach [m]."""
# What windows are found by; a cell is taken out of these alone, since there are thousands.
_OF_WINDOWS = (
    "usable_start", "usable_end", "state", "hour_margin", "limiting_element", "advised_unknown", "margin",
)  # fmt: skip
SHORTLIST = 12
"""So many cells, the best by margin, have the chance of their windows worked out."""


@dataclass(frozen=True)
class Spot:
    """A cell of the forecast with a window.

    Attributes
    ----------
    site : Site
        The middle of the cell.
    distance : float
        From the place [m].
    direction : float
        From the place, clockwise from north [degree].
    window : Window
        The best of the cell.
    """

    site: Site
    distance: float
    direction: float
    window: Window

    @property
    def rank(self) -> tuple[bool, float, float, float]:
        """Sort key: all known, larger chance in hundredths, larger margin in hundredths, nearer."""
        window = self.window
        return not window.is_known, -round(window.surest_chance, 2), -round(window.margin, 2), self.distance


@dataclass(frozen=True)
class Cell:
    """A cell in reach.

    Attributes
    ----------
    site : Site
        Its middle.
    distance, direction : float
        From the place [m] and clockwise from north [degree].
    window : Window or None
        Its best window, without a chance; None where it has none.
    is_known : bool
        Whether any of its lit hours is known.
    """

    site: Site
    distance: float
    direction: float
    window: Window | None
    is_known: bool


@dataclass(frozen=True, kw_only=True)
class Where:
    """The best spots in reach of a place.

    Attributes
    ----------
    place : Site
        The place from which distances count.
    within : float
        Reach [m].
    start, end, now : numpy.datetime64
        UTC bounds of the hours asked about, and the time of the answer.
    cells : tuple of Cell
        Those in reach, the nearest first.
    assessment : xarray.Dataset
        Of their hours between the bounds, with the dimension ``site`` in the same order.
    spots : tuple of Spot
        The best first, at most `SHORTLIST`.
    request : Request
        What is asked of each cell.
    provenance : ForecastOrigin
        Of the forecast.
    notes : tuple of str
        What the reader must know first.
    """

    place: Site
    within: float
    start: np.datetime64
    end: np.datetime64
    now: np.datetime64
    cells: tuple[Cell, ...]
    assessment: xr.Dataset
    spots: tuple[Spot, ...]
    request: Request
    provenance: ForecastOrigin
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class AskedWhere:
    """The ranked spots, how their reader wants them shown, and what every cell was judged from."""

    where: Where
    units: str
    time_zone: str | None
    cube: xr.Dataset


def ask_where(place: str, within: str, words: Words, *, on_progress: Callable[[str], None]) -> AskedWhere:
    """Rank the cells of a forecast in reach of a place.

    Parameters
    ----------
    place : str
        A saved name, coordinates, or the name of a place, with or without a height.
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
    saved, words_of_place = read_sites(sites_file()), question.places[0].words
    refuse_set_aside(saved, [words_of_place])
    asked, settings = question.forecast, load_settings()
    is_offline = asked.offline or asked.path is not None
    centre = resolve_site(words_of_place, saved=saved, offline=is_offline, settings=settings)
    if asked.path is not None:
        obtained = open_forecast(asked.path, saved=saved, model=asked.model, now=asked.as_of)
        whose = asked.path.name
    elif centre.is_demo:
        raise WxflyError(f"{centre.name} is invented and has no grid; name a real place, or give --forecast FILE")
    else:
        now = as_moment(utc_now()) if asked.as_of is None else asked.as_of
        start, end = _period(question, centre, now)
        obtained = obtain_grid(
            centre, reach, Wanted(max(start, now), end, height), settings=settings, model=asked.model,
            offline=asked.offline, now=asked.as_of, on_progress=on_progress,
        )  # fmt: skip
        whose = obtained.provenance.model
    cells = _in_reach(centre, obtained.sites, reach)
    if not cells:
        raise WxflyError(f"{whose}: it has no place within {within} of {centre.name}; give a longer --within")
    on_progress(f"judging {len(cells)} {'cell' if len(cells) == 1 else 'cells'} of {whose}")
    cube, age_notes = obtained.fresh()
    cube = cube.isel(site=cells)
    request = Request(
        centre, question.aircraft, question.limits, height, prefers_low_light=question.prefers_low_light,
        work=question.work, zones=zone_search(question),
    )  # fmt: skip
    notes = (
        *zone_notes(question), *own_limit_notes(question), *set_aside_notes(), *age_notes,
        *(note for note in obtained.notes if kind_of(note) != NoteKind.GROUND),  # one for each cell
    )  # fmt: skip
    sites, period = [obtained.sites[i] for i in cells], _period(question, centre, obtained.now)
    ranked = _rank(cube, sites, request, period, obtained, within=reach, notes=notes)
    return AskedWhere(ranked, question.units, question.time_zone, cube)


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

    request = asked.where.request
    assess_to_store(
        asked.cube, request.limits, folder, height=request.height, scheduler=scheduler, on_progress=on_progress
    )


def _period(question: Question, centre: Site, now: np.datetime64) -> tuple[np.datetime64, np.datetime64]:
    day = None if question.day is None else date_of(centre, now, question.day)
    period = period_of(centre, now, day=day, first_day=question.first_day)
    if period[1] <= now:
        raise WxflyError(f"that day is over (now is {str(now)[:16]}Z); give a later --date")
    return period


def _in_reach(place: Site, sites: Sequence[Site], within: float) -> list[int]:
    """Return the positions of the sites within so many metres of a place, the nearest first."""
    away = [1000.0 * distance_km(place.latitude, place.longitude, s.latitude, s.longitude) for s in sites]
    return [i for i in np.argsort(away, kind="stable").tolist() if away[i] <= within]


def _rank(
    cube: xr.Dataset,
    sites: Sequence[Site],
    request: Request,
    period: tuple[np.datetime64, np.datetime64],
    obtained: Obtained,
    *,
    within: float,
    notes: tuple[str, ...],
) -> Where:
    """Judge the cells in reach and rank them; the cube has the dimension ``site`` in their order, the nearest first."""
    place, now, duration = request.site, obtained.now, request.work.reference_period
    start, end = max(period[0], now), period[1]
    conditions, judged = _judged(cube, request, start, end)
    wait = request.work.wait_hours
    if wait:
        first = start.astype("datetime64[h]")
        earlier = _judged(cube, request, first - np.timedelta64(wait, "h"), first)[1]
        each = [add_waiting_hours(judged.isel(site=i), wait, earlier.isel(site=i)) for i in range(len(sites))]
        judged = xr.concat(each, dim="site", coords="different", compat="equals").transpose(..., "site")
    here = place.latitude, place.longitude
    lit = judged["usable_start"].notnull()
    is_known = ((lit & (judged["state"] != State.NOT_KNOWN)).any("time") | ~lit.any("time")).values
    windows = _windows_of_cells(judged, sites, duration, start, end)
    cells: list[Cell] = []
    for site, window, known in zip(sites, windows, is_known.tolist(), strict=True):
        there = site.latitude, site.longitude
        cells.append(Cell(site, 1000.0 * distance_km(*here, *there), bearing(*here, *there), window, known))
    found = [(not w.is_known, -round(w.margin, 2), position) for position, w in enumerate(windows) if w is not None]
    spots = []
    for *_, position in sorted(found)[:SHORTLIST]:
        # The chance is worked out as for a site.
        cell, at_cell = cells[position], replace(request, site=sites[position])
        of_cell = conditions.isel(site=position), judged.isel(site=position)
        site_chance = judge_site_chance(
            *of_cell, age_counts_from(obtained.provenance), height=request.height, site=cell.site,
            limits=request.limits, central=cube.isel(site=position), ensembles=(),
        )  # fmt: skip
        likely = windows_with_chances(at_cell, *of_cell, site_chance, duration, start, end)
        best = in_order(likely, now, days=days_touched(cell.site, start, end))[0]
        spots.append(Spot(cell.site, cell.distance, cell.direction, best))
    times = judged["time"].values
    return Where(
        place=place,
        within=within,
        start=start,
        end=end,
        now=now,
        cells=tuple(cells),
        assessment=judged.isel(time=(times + HOUR > start) & (times < end)),
        spots=tuple(sorted(spots, key=lambda spot: spot.rank)),
        request=request,
        provenance=obtained.provenance,
        notes=notes,
    )


def _judged(
    cube: xr.Dataset, request: Request, start: np.datetime64, end: np.datetime64
) -> tuple[xr.Dataset, xr.Dataset]:
    """Return the conditions of the hours of every cell, and what they leave of the limits."""
    hours = hours_of(cube, start=start, end=end)
    conditions = derive_flight(hours, height=request.height, site=None, limits=request.limits)
    return conditions, assess(conditions, request.limits)


def _windows_of_cells(
    assessment: xr.Dataset,
    sites: Sequence[Site],
    minimum_duration: np.timedelta64,
    start: np.datetime64,
    end: np.datetime64,
) -> list[Window | None]:
    """Return the best window of each cell, without a chance; None where it has none."""
    has_room = (assessment["usable_start"].notnull() & (assessment["state"] >= State.NARROW)).any("time").values
    of_windows = assessment[[name for name in _OF_WINDOWS if name in assessment]]
    best: list[Window | None] = [None] * len(sites)
    for position in np.flatnonzero(has_room).tolist():
        found = find_windows(
            of_windows.isel(site=position), minimum_duration=minimum_duration, start=start, end=end,
            breaks=midnights(sites[position], start, end),
        )  # fmt: skip
        best[position] = found[0] if found else None
    return best
