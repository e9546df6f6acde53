"""Forecasts of MET Norway for sites: asked no sooner than the service allows, kept as it sent them."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Any

import xarray as xr

from wxfly import store
from wxfly.errors import WxflyError
from wxfly.obtained import utc_now
from wxfly.settings import Settings
from wxfly.site import Site
from wxfly.sources.met_norway import MODEL, get_forecast, parse_forecast

__all__ = ["MODEL", "obtain_cubes"]

_KIND = "met_norway"
_ANYWAY = timedelta(minutes=30)  # when a reply does not say how long it is good for
_LONGEST = timedelta(hours=12)


def obtain_cubes(
    sites: Sequence[Site], settings: Settings, *, offline: bool, on_progress: Callable[[str], None]
) -> tuple[list[xr.Dataset], bool, list[str]]:
    """Give a cube for each site, whether any was asked for, and what the reader must know.

    Parameters
    ----------
    sites : sequence of Site
        Real places; each is one request, one after the other.
    settings : Settings
        ``contact`` must be set.
    offline : bool
        Ask nobody.
    on_progress : callable
        Told what is being asked.

    Raises
    ------
    WxflyError
        When a site has no forecast, neither fresh nor kept.
    """
    cubes, asked, notes = [], False, []
    for site in sites:
        cube, fresh, note = _cube(site, settings, offline, on_progress)
        cubes.append(cube)
        asked |= fresh
        notes += [note] if note else []
    return cubes, asked, notes


def _cube(
    site: Site, settings: Settings, offline: bool, on_progress: Callable[[str], None]
) -> tuple[xr.Dataset, bool, str]:
    key = f"{site.latitude:.4f},{site.longitude:.4f},{site.surface_altitude:.0f}"
    kept = _Kept.read(key)
    now = utc_now()
    if offline or (kept is not None and now < kept.expires):
        if kept is None:
            raise WxflyError(f"{site.name}: no forecast of {MODEL} in the store; fetch one while online")
        return kept.cube(site), False, ""
    on_progress(f"asking MET Norway for {site.name}")
    try:
        reply, retrieved = get_forecast(site, settings=settings, last_modified=kept.last_modified if kept else "")
    except WxflyError as fault:
        if kept is None:
            raise
        return kept.cube(site), False, f"no newer forecast could be had: {fault}"
    text = kept.body if kept and reply.status == 304 else reply.body.decode("utf-8")
    modified = reply.headers.get("last-modified", kept.last_modified if kept else "")
    new = _Kept(text, modified, _expiry(reply.headers.get("expires", ""), now), retrieved)
    if kept and reply.status == 304:
        new.retrieved = kept.retrieved
    notes = [] if new.write(key) else [f"{site.name}: the forecast could not be kept; is the disk full?"]
    if reply.status == 203:
        notes.append("MET Norway will retire this product: update wxfly")
    return new.cube(site), reply.status != 304, "; ".join(notes)


class _Kept:
    """A reply as it came, and how long it is good for."""

    def __init__(self, body: str, last_modified: str, expires: datetime, retrieved: datetime) -> None:
        self.body, self.last_modified, self.expires, self.retrieved = body, last_modified, expires, retrieved

    @classmethod
    def read(cls, key: str) -> _Kept | None:
        """Give what is kept; a damaged one is none."""
        kept = store.kept_reply(_KIND, key)
        if kept is None:
            return None
        try:
            document: dict[str, Any] = json.loads(kept.text)
            parse_forecast(document["body"].encode())
            expires = datetime.fromisoformat(document["expires"])
            if expires.tzinfo is None:
                return None
            return cls(document["body"], str(document["last_modified"]), expires, kept.retrieved)
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError, WxflyError):
            return None

    def write(self, key: str) -> bool:
        text = json.dumps({"body": self.body, "last_modified": self.last_modified, "expires": self.expires.isoformat()})
        return store.keep_reply(_KIND, key, text, self.retrieved)

    def cube(self, site: Site) -> xr.Dataset:
        return parse_forecast(self.body.encode(), retrieved=self.retrieved, site=site)


def _expiry(header: str, now: datetime) -> datetime:
    """Read the moment before which the service wants no further request."""
    try:
        moment = parsedate_to_datetime(header)
    except ValueError:
        return now + _ANYWAY
    if moment.tzinfo is None or not now < moment < now + _LONGEST:
        return now + _ANYWAY
    return moment
