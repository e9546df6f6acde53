"""A forecast for sites and its origin, the result of retrieval."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import xarray as xr

from wxfly.cube.age import first_hour_of, hide_stale, read_time, retrieved_of, run_of, since_of
from wxfly.cube.joined import ModelHours, hours_by_model
from wxfly.pilot.site import Site

NOT_KNOWN = "not known"
_NEVER = np.datetime64("NaT", "s")
ObtainedFrom = Literal["fetched", "store", "file", "demo"]


@dataclass(frozen=True)
class KpOrigin:
    """The times from which the parts of a Kp count their age.

    Attributes
    ----------
    retrieved : numpy.datetime64
        When its forecast was retrieved; of one that is not renewed any more, the end of its last observation.
    observed_until : numpy.datetime64
        End of the last observed Kp.
    outlook_issued, outlook_from : numpy.datetime64
        When its outlook was issued, and the first hour taken from it.

    All are UTC [s], and NaT where there is no such part.
    """

    retrieved: np.datetime64
    observed_until: np.datetime64
    outlook_issued: np.datetime64
    outlook_from: np.datetime64


@dataclass(frozen=True)
class ForecastOrigin:
    """The origin of a forecast, its terms, and the times that decide its age.

    Attributes
    ----------
    source, institution, license, attribution, history, model : str
        As in `wxfly.cube.contract.Provenance`; "not known" where the cube does not state it.
    run, oldest_run, retrieved, first_hour : numpy.datetime64
        Start of the run, its earliest possible start, time of retrieval, and first hour; UTC [s], NaT when unknown.
    by_hours : tuple of ModelHours
        The model of each hour, in order of time, and what it takes from another.
    obtained_from : str or None
        ``fetched``, ``store``, ``file`` or ``demo``; None for a cube from other code.
    kp : KpOrigin or None
        The ages of its Kp; None where it has none or does not state them.
    has_cells : bool
        Whether it has the spread of the cells around the sites.
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
    by_hours: tuple[ModelHours, ...] = ()
    obtained_from: ObtainedFrom | None = None
    kp: KpOrigin | None = None
    has_cells: bool = False

    @property
    def first_model(self) -> str:
        """Return the model of its first hours: where several follow one another, the finest."""
        return self.by_hours[0].model if self.by_hours else self.model

    @property
    def is_demo(self) -> bool:
        """Whether the weather is invented."""
        return self.obtained_from == "demo"


@dataclass(frozen=True, kw_only=True)
class Obtained:
    """A forecast for sites, and its origin.

    Attributes
    ----------
    sites : tuple of Site
        The sites, in the order requested.
    cube : xarray.Dataset
        The forecast, with the dimension ``site`` in that order.
    now : numpy.datetime64
        Time of the answer, UTC [s].
    origin : str
        ``fetched``, ``store``, ``file`` or ``demo``.
    notes : tuple of str
        What the reader must know first.
    ensembles : tuple of xarray.Dataset
        Members, one cube for each model, with the same sites; empty where there are none.
    is_chosen : bool
        Whether `now` was chosen, by the pilot or for hours long past; otherwise the clock gave it.
    """

    sites: tuple[Site, ...]
    cube: xr.Dataset
    now: np.datetime64
    origin: ObtainedFrom
    notes: tuple[str, ...] = ()
    ensembles: tuple[xr.Dataset, ...] = ()
    is_chosen: bool = False

    @property
    def run(self) -> np.datetime64:
        """Return the start of its run, UTC [s]; NaT when unknown."""
        return run_of(self.cube)

    @property
    def retrieved(self) -> np.datetime64:
        """Return its time of retrieval, UTC [s]; NaT when unknown. Of the demonstration it is the start of the run."""
        return self.run if self.is_demo else retrieved_of(self.cube)

    @property
    def since(self) -> np.datetime64:
        """Return the time from which its age counts: the start of its run, or its earliest possible start; UTC [s]."""
        return since_of(self.cube)

    def fresh(self, cube: xr.Dataset | None = None) -> tuple[xr.Dataset, tuple[str, ...]]:
        """Return its cube, or a cube of members, without values that are too old, and the notes on age.

        Parameters
        ----------
        cube : xarray.Dataset, optional
            Members, which have their own age.
        """
        if cube is None:
            cube = self.cube
        since = since_of(cube)
        of_retrieval = bool(np.isnat(run_of(cube)) and since == retrieved_of(cube))
        shown, notes = hide_stale(cube, self.now, since=since, of_retrieval=of_retrieval, is_chosen=self.is_chosen)
        contradictions = str(cube.attrs.get("contradictions", ""))
        return shown, (*notes, *([contradictions] if contradictions else []))

    @property
    def age(self) -> np.timedelta64:
        """Return the time since the forecast was retrieved [s]; NaT when unknown."""
        return self.now - self.retrieved

    @property
    def is_demo(self) -> bool:
        """Whether the weather is invented."""
        return self.origin == "demo"

    @property
    def provenance(self) -> ForecastOrigin:
        """Return the origin of the forecast, for a briefing."""
        return replace(provenance_of(self.cube), retrieved=self.retrieved, obtained_from=self.origin)


def provenance_of(cube: xr.Dataset) -> ForecastOrigin:
    """Return the origin of a cube, for a briefing: who made it, its terms, and the times that decide its age."""
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
        by_hours=hours_by_model(cube),
        kp=_kp_origin(cube),
        has_cells="wind_speed_spread_of_cells" in cube,
    )


def _kp_origin(cube: xr.Dataset) -> KpOrigin | None:
    stated = cube["kp_index"].attrs if "kp_index" in cube else {}
    names = ("retrieved", "observed_until", "outlook_issued", "outlook_from")
    if not any(name in stated for name in names):
        return None
    return KpOrigin(*(read_time(str(stated.get(name, ""))) for name in names))
