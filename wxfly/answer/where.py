"""Where: the cells of a forecast in reach of a place, ranked by their best windows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from wxfly.answer.briefing import age_counts_from
from wxfly.answer.outlook import KnownChances, with_chances
from wxfly.answer.request import Request, preferred_hours
from wxfly.answer.windows import Window, find_windows, in_order
from wxfly.assessment.suitability import State
from wxfly.pilot.site import Site, bearing, distance_km, midnights
from wxfly.probability.site_chance import judge_site_chance
from wxfly.retrieval.origin import ForecastOrigin

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
        From which distances count.
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


def in_reach(place: Site, sites: Sequence[Site], within: float) -> list[int]:
    """Return the positions of the sites within so many metres of a place, the nearest first."""
    away = [1000.0 * distance_km(place.latitude, place.longitude, s.latitude, s.longitude) for s in sites]
    return [i for i in np.argsort(away, kind="stable").tolist() if away[i] <= within]


def rank_spots(
    cube: xr.Dataset,
    conditions: xr.Dataset,
    assessment: xr.Dataset,
    sites: Sequence[Site],
    asked: Request,
    place: Site,
    *,
    within: float,
    period: tuple[np.datetime64, np.datetime64],
    minimum_duration: np.timedelta64,
    now: np.datetime64,
    provenance: ForecastOrigin,
    notes: Sequence[str] = (),
) -> Where:
    """Rank the cells in reach of a place.

    Parameters
    ----------
    cube : xarray.Dataset
        A forecast with the dimension ``site``: the cells in reach, the nearest first.
    conditions, assessment : xarray.Dataset
        Of their hours, as `wxfly.assessment.conditions.derive_flight` and `wxfly.assessment.suitability.assess` return
        them.
    sites : sequence of Site
        The cells.
    asked : Request
        What is asked of each; its site is replaced by the cell.
    place, within
        From which distances count, and how far [m].
    period : tuple of numpy.datetime64
        UTC bounds.
    minimum_duration : numpy.timedelta64
        Shortest window of use.
    now : numpy.datetime64
        UTC; hours that are over do not count.
    provenance, notes
        As in `Where`.

    Returns
    -------
    Where
        Of the cells with the largest margins the chance is worked out as for a site, and they are ranked by it; nearer
        ones come first among equals.
    """
    start, end = max(period[0], now), period[1]
    here = place.latitude, place.longitude
    lit = assessment["usable_start"].notnull()
    is_known = ((lit & (assessment["state"] != State.NOT_KNOWN)).any("time") | ~lit.any("time")).values
    windows = _windows_of_cells(assessment, sites, minimum_duration, start, end)
    cells: list[Cell] = []
    for site, window, known in zip(sites, windows, is_known.tolist(), strict=True):
        there = site.latitude, site.longitude
        cells.append(Cell(site, 1000.0 * distance_km(*here, *there), bearing(*here, *there), window, known))
    found = [(not w.is_known, -round(w.margin, 2), position) for position, w in enumerate(windows) if w is not None]
    spots = []
    for *_, position in sorted(found)[:SHORTLIST]:
        site = sites[position]
        window = _best_window(
            cube.isel(site=position),
            conditions.isel(site=position),
            assessment.isel(site=position),
            replace(asked, site=site),
            minimum_duration,
            (start, end, now),
            age_counts_from(provenance),
        )
        spots.append(Spot(site, cells[position].distance, cells[position].direction, window))
    ranked = tuple(sorted(spots, key=lambda spot: spot.rank))
    hour = np.timedelta64(1, "h")
    times = assessment["time"].values
    within_period = assessment.isel(time=(times + hour > start) & (times < end))
    return Where(
        place=place,
        within=within,
        start=start,
        end=end,
        now=now,
        cells=tuple(cells),
        assessment=within_period,
        spots=ranked,
        request=asked,
        provenance=provenance,
        notes=tuple(notes),
    )


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


def _best_window(
    cube: xr.Dataset,
    conditions: xr.Dataset,
    assessment: xr.Dataset,
    request: Request,
    minimum_duration: np.timedelta64,
    times: tuple[np.datetime64, np.datetime64, np.datetime64],
    run: np.datetime64,
) -> Window:
    """Return the best window of a cell that has one, with its chance, as for a site; times are start, end and now."""
    start, end, now = times
    site_chance = judge_site_chance(
        conditions, assessment, run, height=request.height, site=request.site, limits=request.limits, central=cube,
        ensembles=(),
    )  # fmt: skip
    breaks = midnights(request.site, start, end)
    windows = find_windows(
        assessment,
        minimum_duration=minimum_duration,
        start=start,
        end=end,
        preferred=preferred_hours(conditions, request),
        breaks=breaks,
        chances=KnownChances(site_chance),
    )
    with_chance = with_chances(windows, site_chance, assessment, minimum_duration)
    return in_order(with_chance, now, days=1 + sum(bool(m < end) for m in breaks))[0]
