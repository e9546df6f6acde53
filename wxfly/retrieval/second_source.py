"""Forecasts of a service with only one model: requested no sooner than it allows, kept in the store like any other.

Its reader (`wxfly.pilot.services.Service`) asks for one place at a time.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from importlib import import_module

import xarray as xr

from wxfly.cube.age import CLOCKS, run_of
from wxfly.cube.notes import Note, NoteKind
from wxfly.errors import WxflyError
from wxfly.pilot.services import Service
from wxfly.pilot.settings import Settings
from wxfly.pilot.site import Site
from wxfly.sources.reply import PlaceReply, sendable
from wxfly.store import forecasts, pruning
from wxfly.store.forecasts import newest_stored
from wxfly.store.replies import asking_alone, keep_reply, kept_reply
from wxfly.times import as_moment, utc_now

_ANYWAY = timedelta(minutes=30)  # used when a reply does not state how long it is valid
_LONGEST = timedelta(hours=12)


def obtain_cubes(
    service: Service, sites: Sequence[Site], settings: Settings, *, offline: bool, on_progress: Callable[[str], None]
) -> tuple[list[xr.Dataset], bool, list[str]]:
    """Return a cube for each site, whether any was requested, and what the reader must know.

    Parameters
    ----------
    service : Service
        The service.
    sites : sequence of Site
        Real places; there is one request for each, one after the other.
    settings : Settings
        Settings with ``contact``.
    offline : bool
        Whether to ask no service.
    on_progress : callable
        Called with a line on each request.

    Raises
    ------
    WxflyError
        When a site has no forecast, neither fresh nor stored.
    """
    notes: list[str] = []
    cubes, asked = [], False
    for site in sites:
        if offline:
            cube, fresh, of_site = newest_stored(site, service.model), False, list[str]()
            if cube is None:
                raise WxflyError(f"{site.name}: no forecast of {service.model} in the store; fetch one while online")
        else:
            with asking_alone(service.name, _key(site)):
                cube, fresh, of_site = _newest(service, site, settings, on_progress)
        cubes.append(cube)
        asked |= fresh
        notes += of_site
    # Each place is renewed separately; together they are as old as the oldest, or of unknown age if one is.
    oldest = min(cube["forecast_reference_time"].values for cube in cubes)
    cubes = [cube.assign_coords(forecast_reference_time=((), oldest)) for cube in cubes] if len(cubes) > 1 else cubes
    return cubes, asked, notes


def _key(site: Site) -> str:
    return f"{site.latitude:.4f},{site.longitude:.4f},{site.surface_altitude:.0f}"


def _newest(
    service: Service, site: Site, settings: Settings, on_progress: Callable[[str], None]
) -> tuple[xr.Dataset, bool, list[str]]:
    """Return the newest forecast of a site, whether it was sent now, and notes on failures."""
    now = utc_now()
    reader, stored = import_module(service.reader), newest_stored(site, service.model)
    terms = _Terms.read(service.name, _key(site)) if stored is not None else None
    if stored is not None and terms is not None and terms.asked <= now < terms.expires:
        return stored, False, []
    on_progress(f"asking {service.source} for {site.name}")
    # "Nothing newer" from the service must refer to the forecast that is stored here.
    is_of_stored = terms is not None and stored is not None and terms.retrieved == stored.attrs["retrieved"]
    modified = terms.last_modified if terms is not None and is_of_stored else ""
    try:
        reply, retrieved = reader.get_forecast(site, settings=settings, last_modified=modified)
    except WxflyError as fault:
        if stored is None:
            raise
        return stored, False, [Note(f"no newer forecast is available: {fault}", NoteKind.NO_NEWER_FORECAST)]
    expires = _expiry(reply.headers.get("expires", ""), now)
    if stored is not None and reply.status == 304:
        _Terms(modified, now, expires, str(stored.attrs["retrieved"])).write(service.name, _key(site))
        return stored, False, []
    cube = reader.parse_forecast(reply.body, retrieved=retrieved, site=site)
    if stored is not None and run_of(cube) < run_of(stored) <= as_moment(now) + CLOCKS:
        return stored, False, [f"{service.source} sent an older forecast than the one in the store, which is kept"]
    notes: list[str] = []
    try:
        run = run_of(cube).astype(datetime).replace(tzinfo=UTC)
        kept = PlaceReply.at(
            site, reply.body, service=service.kept_as, model=service.model, retrieved=retrieved, run=run
        )
        forecasts.keep_forecasts([kept])
        modified = sendable(reply.headers.get("last-modified", ""))
        _Terms(modified, now, expires, str(cube.attrs["retrieved"])).write(service.name, _key(site))
        pruning.prune_store(settings)
    except WxflyError as fault:
        notes.append(Note(str(fault), NoteKind.NOT_KEPT))  # this answer still has the forecast
    if reply.status == 203:
        notes.append(f"{service.source} will retire this product: update wxfly")
    return cube, True, notes


@dataclass(frozen=True)
class _Terms:
    """When and how the service may be asked again, and for which stored forecast that holds."""

    last_modified: str
    asked: datetime
    expires: datetime
    retrieved: str

    @classmethod
    def read(cls, kind: str, key: str) -> _Terms | None:
        """Return the kept terms; None where there are none or they are damaged."""
        kept = kept_reply(kind, key)
        try:
            document = json.loads(kept.text if kept else "")
            expires = datetime.fromisoformat(document["expires"])
            modified, retrieved = document["last_modified"], document["retrieved"]
        except (ValueError, KeyError, TypeError, RecursionError):
            return None
        if kept is None or expires.tzinfo is None or not isinstance(modified, str):
            return None
        return cls(modified, kept.retrieved, expires, str(retrieved))

    def write(self, kind: str, key: str) -> None:
        document = {
            "last_modified": self.last_modified,
            "expires": self.expires.isoformat(),
            "retrieved": self.retrieved,
        }
        keep_reply(kind, key, json.dumps(document), self.asked)


def _expiry(header: str, now: datetime) -> datetime:
    """Return the time before which the service wants no further request."""
    try:
        moment = parsedate_to_datetime(header)
    except ValueError:
        return now + _ANYWAY
    if moment.tzinfo is None or not now < moment < now + _LONGEST:
        return now + _ANYWAY
    return moment
