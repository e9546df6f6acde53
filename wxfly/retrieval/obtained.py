"""A forecast for sites and where it is from, as retrieval hands it on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import xarray as xr

from wxfly.cube.age import first_hour_of, hide_stale
from wxfly.pilot.site import Site

NOT_KNOWN = "not known"
_NEVER = np.datetime64("NaT", "s")
ObtainedFrom = Literal["fetched", "store", "file", "demo"]


@dataclass(frozen=True)
class ForecastOrigin:
    """Where a forecast is from, under which terms, and the moments that its age goes by.

    Attributes
    ----------
    source, institution, license, attribution, history, model : str
        As in `wxfly.cube.contract.Provenance`; "not known" where the cube does not say.
    run, oldest_run, retrieved, first_hour : numpy.datetime64
        Start of the run, the oldest that it may be, when it came, and the first hour; UTC [s], NaT when not known.
    obtained_from : str or None
        ``fetched``, ``store``, ``file`` or ``demo``; None for a cube that was not obtained.
    """

    source: str = NOT_KNOWN
    institution: str = NOT_KNOWN
    license: str = NOT_KNOWN
    attribution: str = NOT_KNOWN
    history: str = NOT_KNOWN
    model: str = NOT_KNOWN
    run: np.datetime64 = _NEVER
    oldest_run: np.datetime64 = _NEVER
    retrieved: np.datetime64 = _NEVER
    first_hour: np.datetime64 = _NEVER
    obtained_from: ObtainedFrom | None = None

    @property
    def is_demo(self) -> bool:
        """Whether the weather is invented."""
        return self.obtained_from == "demo"


@dataclass(frozen=True)
class Obtained:
    """A forecast for sites, and where it is from.

    Attributes
    ----------
    sites : tuple of Site
        In the order asked.
    cube : xarray.Dataset
        With the dimension ``site`` in that order.
    now : numpy.datetime64
        The moment to answer for, UTC [s].
    origin : str
        ``fetched``, ``store``, ``file`` or ``demo``.
    run, retrieved : numpy.datetime64
        UTC [s]; NaT when not known.
    notes : tuple of str
        What the reader must know first.
    ensembles : tuple of xarray.Dataset
        Members, each cube of one model, with the same sites; empty without any.
    is_chosen : bool
        Whether `now` was chosen, by the pilot or for hours long past; else the clock gave it.
    """

    sites: tuple[Site, ...]
    cube: xr.Dataset
    now: np.datetime64
    origin: ObtainedFrom
    run: np.datetime64
    retrieved: np.datetime64
    notes: tuple[str, ...] = ()
    ensembles: tuple[xr.Dataset, ...] = ()
    is_chosen: bool = False

    @property
    def since(self) -> np.datetime64:
        """From when its age counts: the start of its run, or the oldest it may be where that is not known; UTC [s]."""
        return since_of(self.cube)

    def fresh(self, cube: xr.Dataset | None = None) -> tuple[xr.Dataset, tuple[str, ...]]:
        """Return its cube, or members beside it, without what is too old, and what the reader must know first.

        Parameters
        ----------
        cube : xarray.Dataset, optional
            Members, whose age is their own.
        """
        if cube is None:
            cube = self.cube
        since = since_of(cube)
        of_retrieval = bool(np.isnat(run_of(cube)) and since == retrieved_of(cube))
        shown, notes = hide_stale(cube, self.now, since=since, of_retrieval=of_retrieval, is_chosen=self.is_chosen)
        told = str(cube.attrs.get("contradictions", ""))
        return shown, (*notes, *([told] if told else []))

    @property
    def age(self) -> np.timedelta64:
        """How long ago the forecast came [s]; NaT when not known."""
        return self.now - self.retrieved

    @property
    def is_demo(self) -> bool:
        """Whether the weather is invented."""
        return self.origin == "demo"

    @property
    def provenance(self) -> ForecastOrigin:
        """What a briefing says of its forecast."""
        return replace(provenance_of(self.cube), run=self.run, retrieved=self.retrieved, obtained_from=self.origin)


def provenance_of(cube: xr.Dataset) -> ForecastOrigin:
    """Return what a briefing says of a cube: who made it under which terms, and the moments that its age goes by."""
    source, institution, license_, attribution, history, model = (
        str(cube.attrs.get(name, NOT_KNOWN))
        for name in ("source", "institution", "license", "attribution", "history", "model")
    )
    return ForecastOrigin(
        source,
        institution,
        license_,
        attribution,
        history,
        model,
        run=run_of(cube),
        oldest_run=since_of(cube),
        retrieved=retrieved_of(cube),
        first_hour=first_hour_of(cube),
    )


def run_of(cube: xr.Dataset) -> np.datetime64:
    """Return the run of a cube, UTC [s]; NaT when it is not known."""
    return np.datetime64(str(cube["forecast_reference_time"].values), "s")


def since_of(cube: xr.Dataset) -> np.datetime64:
    """Return the moment from which the age of a cube counts, UTC [s]; NaT where nothing but its hours tells.

    The start of its run. Where that is not known, the oldest that is consistent with when it came and with how far it
    reaches (``oldest_run``).
    """
    run, came = run_of(cube), retrieved_of(cube)
    if not np.isnat(run):
        return run
    if np.isnat(came):
        return came
    oldest = np.datetime64(str(cube["oldest_run"].values), "s") if "oldest_run" in cube.coords else came
    return came if np.isnat(oldest) else min(came, oldest)


def retrieved_of(cube: xr.Dataset) -> np.datetime64:
    """Return when a cube was retrieved, UTC [s]; NaT when it is not known."""
    text = str(cube.attrs.get("retrieved", "")).rstrip("Z")
    try:
        return np.datetime64(text or "NaT", "s")
    except ValueError:
        return np.datetime64("NaT", "s")
