"""Obtain the members of ensembles for sites: from the store when they are fresh, else from the ensemble service.

A name may also be that of a single model: several of those form a small ensemble, and are reported as that.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import xarray as xr

from wxfly.cube.age import retrieved_of
from wxfly.cube.contract import ENSEMBLE, as_members, side_by_side
from wxfly.cube.notes import Note, NoteKind
from wxfly.errors import WxflyError, unknown_name
from wxfly.pilot.settings import Settings, load_settings
from wxfly.pilot.site import Site
from wxfly.retrieval.forecast import keep_and_prune, obtain_forecast
from wxfly.retrieval.model_choice import Wanted, choose_ensembles
from wxfly.retrieval.origin import Obtained
from wxfly.sources.open_meteo.models import ENSEMBLES, MODELS, find_ensemble
from wxfly.sources.reply import PlaceReply
from wxfly.store import forecasts
from wxfly.times import as_moment, utc_now

Progress = Callable[[str], None]

FRESH = np.timedelta64(3, "h")
"""Age below which a stored ensemble is not requested again; ensembles run every six or twelve hours."""


def check_members(names: Sequence[str]) -> None:
    """Refuse a name that is neither an ensemble nor a model."""
    for name in names:
        if name not in ENSEMBLES and name not in MODELS:
            if "seamless" in name:
                find_ensemble(name)
            raise unknown_name("ensemble or model", name, [*ENSEMBLES, *MODELS])


def obtain_ensembles(
    names: Sequence[str],
    sites: Sequence[Site],
    *,
    offline: bool = False,
    settings: Settings | None = None,
    now: np.datetime64 | None = None,
    on_progress: Progress = lambda _: None,
) -> tuple[list[xr.Dataset], list[str]]:
    """Obtain ensembles, each with the dimension ``site`` in the order asked.

    Parameters
    ----------
    names : sequence of str
        Ensembles of `wxfly.sources.open_meteo.models`, or single models of `wxfly.sources.open_meteo.models`.
    sites : sequence of Site
        Real places.
    offline : bool, optional
        Whether to ask no service.
    settings : Settings, optional
        By default those in force.
    now : numpy.datetime64, optional
        Time of the answer.
    on_progress : callable, optional
        Called with a line on each request.

    Returns
    -------
    cubes : list of xarray.Dataset
        The available ensembles.
    notes : list of str
        The unavailable ones, with the reason; and, for several models, that they are a small ensemble.

    Raises
    ------
    WxflyError
        For a name that is neither an ensemble nor a model.
    """
    settings = settings or load_settings()
    names = list(dict.fromkeys(names))
    check_members(names)
    cubes: list[xr.Dataset] = []
    notes: list[str] = []
    for name in names:
        try:
            if name in ENSEMBLES:
                cubes.append(_obtain(name, sites, offline, settings, on_progress))
            else:
                found = obtain_forecast(
                    sites, model=name, offline=offline, now=now, on_progress=on_progress, settings=settings
                )
                last = found.cube["time"].values[-1]
                cubes.append(as_members(found.cube).assign_coords(last_time=(ENSEMBLE, np.array([last]))))
        except WxflyError as fault:
            notes.append(f"{name} does not take part in the chance: {fault}")
    singles = [str(cube.attrs["model"]) for cube in cubes if cube.sizes[ENSEMBLE] == 1]
    if singles and len(singles) == len(cubes):
        if len(singles) == 1:
            notes.append(f"one more model ({singles[0]}) is not an ensemble: name an ensemble, or several models")
            return [], notes
        notes.append(f"the chance is from {len(singles)} models taken as members: a small ensemble")
    return cubes, notes


WITHOUT_MEMBERS = Note("chance from one forecast, without members", NoteKind.MEMBERS)
"""The first note where members were to give the chance and there are none."""
MOST_WEIGHT = 500.0
"""Largest number of weighted calls for one request of members: the free service allows 600 in a minute."""


def chosen_members(
    sites: Sequence[Site], wanted: Wanted, settings: Settings, offline: bool, on_progress: Progress
) -> tuple[tuple[xr.Dataset, ...], tuple[str, ...]]:
    """Return the members that give the chance where the pilot names none, and what the reader must know about them.

    Parameters
    ----------
    sites : sequence of Site
        Real places.
    wanted : Wanted
        The requested hours; one ensemble answers for all of them.
    settings : Settings
        Settings of the services.
    offline : bool
        Whether to ask no service.
    on_progress : callable
        Called with a line on each request.
    """
    from wxfly.sources.open_meteo.ensemble import weight_of

    present = as_moment(utc_now())
    ranked = choose_ensembles(sites, wanted, present)
    failures: list[str] = []
    for row in ranked if offline else ranked[:2]:  # a second one where the first fails, but no third
        if not offline and weight_of(row, len(sites)) > MOST_WEIGHT:
            failures.append(
                f"the members of {row.name} at {len(sites)} places are more than the free service gives at once"
            )
            continue
        try:
            return (_obtain(row.name, sites, offline, settings, on_progress),), tuple(failures)
        except WxflyError as fault:
            failures.append(f"{row.name} does not take part in the chance: {fault}")
    return (), (WITHOUT_MEMBERS, *([] if offline else failures))


def _obtain(name: str, sites: Sequence[Site], offline: bool, settings: Settings, on_progress: Progress) -> xr.Dataset:
    """Return one ensemble for all sites."""
    from wxfly.sources.open_meteo.ensemble import get_ensemble

    stored = [_stored(name, site, offline) for site in sites]
    found = [cube for cube in stored if cube is not None]
    if len(found) == len(sites) and len({forecasts.run_name(cube) for cube in found}) == 1:
        return _side_by_side(found, sites)
    if offline:
        raise WxflyError(
            f"no members of {find_ensemble(name).title} are stored for all the places; ask once while online"
        )
    on_progress(f"asking for {find_ensemble(name).title}")
    replies: list[PlaceReply] = []
    cube = get_ensemble(sites, name, settings=settings, keep=replies.extend)
    if keep_and_prune(replies, settings):
        on_progress("the members could not be kept for use offline")
    return _side_by_side([cube.isel(site=[i]) for i in range(cube.sizes["site"])], sites)


def _stored(name: str, site: Site, offline: bool) -> xr.Dataset | None:
    """Return the newest stored cube of a site; it must be fresh unless `offline`."""
    place = site.key
    cube = forecasts.find_forecast(*place, name, surface_altitude=site.surface_altitude)
    if cube is None or offline:
        return cube
    age = as_moment(utc_now()) - retrieved_of(cube)
    return cube if np.timedelta64(0, "s") <= age < FRESH else None  # an unknown age does not count as fresh


def _side_by_side(cubes: Sequence[xr.Dataset], sites: Sequence[Site]) -> xr.Dataset:
    names = np.array([site.name for site in sites], dtype=object)
    return side_by_side(cubes).assign_coords(site=names)


def members_asked_for(
    obtained: Obtained, names: Sequence[str], offline: bool, on_progress: Progress
) -> tuple[tuple[xr.Dataset, ...], list[str]]:
    """Return the members of the file, or those that the pilot asked for, without any that are too old."""
    cubes: list[xr.Dataset] = list(obtained.ensembles)
    notes: list[str] = []
    if names and obtained.origin in ("demo", "file"):
        what = "the demonstration" if obtained.is_demo else "a file"
        raise WxflyError(f"{what} always uses its own members; leave --ensemble out, or ask for a real place")
    if names:
        cubes, notes = obtain_ensembles(
            list(names), obtained.sites, offline=offline, now=obtained.now, on_progress=on_progress
        )
    fresh = []
    for cube in cubes:
        shown, age = obtained.fresh(cube)
        fresh.append(shown)
        notes += [f"members of {cube.attrs.get('model')}: {note}" for note in age]
    return tuple(fresh), notes
