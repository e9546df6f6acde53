"""Places as a pilot writes them, resolved to a `Site`: a saved or demonstration site, coordinates, a place name."""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from wxfly.cube.age import run_of
from wxfly.cube.netcdf import load_cube
from wxfly.cube.notes import Note, NoteKind
from wxfly.errors import NotAskedError, WxflyError, near_names, shortened
from wxfly.pilot.own_files import OwnTable
from wxfly.pilot.settings import Settings, load_settings, plans_file, read_plans
from wxfly.pilot.site import HIGHEST_GROUND, LOWEST_GROUND, Site, parse_coordinates
from wxfly.retrieval.origin import Obtained
from wxfly.sources.reply import SourceError
from wxfly.store.replies import asking_alone, keep_reply, kept_reply


def shipped_folder() -> Path:
    """Return the folder of the shipped forecasts, in the installed package or in the checkout."""
    installed = Path(str(files("wxfly"))) / "cached_forecasts"
    checkout = Path(__file__).resolve().parents[2] / "cached_forecasts"
    # The checkout comes first, because an editable install may leave an old copy in the package.
    for folder in (checkout, installed):
        if (folder / "manifest.json").is_file():
            return folder
    raise WxflyError("the shipped demonstration forecasts are missing; install wxfly again")


@cache
def load_manifest() -> dict[str, Any]:
    """Read the list of shipped files, runs, sites and checksums."""
    document: dict[str, Any] = json.loads((shipped_folder() / "manifest.json").read_text(encoding="utf-8"))
    return document


def shipped_forecast(name: str) -> xr.Dataset:
    """Load a shipped cube by its file name, after a check of its checksum."""
    path = shipped_folder() / name
    entry = next((e for e in load_manifest()["files"] if e["file"] == name), None)
    try:
        body = path.read_bytes()
    except OSError:
        body = b""
    if entry is None or hashlib.sha256(body).hexdigest() != entry["sha256"]:
        raise WxflyError(f"the shipped forecast {name} is missing or damaged; install wxfly again")
    return _read_once(path, entry["sha256"]).copy(deep=True)


@cache
def _read_once(path: Path, checksum: str) -> xr.Dataset:
    """Read a file with this checksum, once per process even if a program asks often."""
    return load_cube(path)


def from_demonstration(sites: Sequence[Site], now: np.datetime64 | None) -> Obtained:
    """Return the shipped forecast for sites of the demonstration.

    Parameters
    ----------
    sites : sequence of Site
        Sites of the demonstration.
    now : numpy.datetime64 or None
        Selects the run that covers this time; by default the first run answers, for its own time.
    """
    entries = load_manifest()["files"]
    entry = next((e for e in entries if e.get("default")), entries[0])
    if now is not None:
        for other in entries:
            start = np.datetime64(other["forecast_reference_time"].rstrip("Z"), "s")
            if start <= now < start + np.timedelta64(int(other["hours"]), "h"):
                entry = other
    names = [row["name"] for row in entry["sites"]]
    cube = shipped_forecast(entry["file"]).isel(site=[names.index(site.name) for site in sites])
    run = run_of(cube)
    return Obtained(
        sites=tuple(sites),
        cube=cube,
        now=run if now is None else now,
        origin="demo",
        notes=(Note(f"demonstration: site and weather are invented ({entry['title']})", NoteKind.INVENTED),),
        is_chosen=True,
    )


def demo_sites() -> dict[str, Site]:
    """Return the invented sites of the shipped demonstration by name, in their order."""
    sites: dict[str, Site] = {}
    for entry in load_manifest()["files"]:
        for row in entry["sites"]:
            keys = ("latitude", "longitude", "surface_altitude", "time_zone", "surface_cover")
            sites.setdefault(row["name"], Site(name=row["name"], is_demo=True, **{k: row[k] for k in keys}))
    return sites


def time_zone_at(latitude: float, longitude: float) -> str:
    """Return the IANA time zone of a place, without the network; UTC where there is none, at sea."""
    import tzfpy

    return str(tzfpy.get_tz(longitude, latitude) or "UTC")


def refuse_set_aside(saved: Mapping[str, Site], names: Sequence[str]) -> None:
    """Refuse to answer for a name that may belong to an unreadable saved site.

    Without this, the answer could be for another place of the same name, the next saved site or the demonstration.

    Parameters
    ----------
    saved : mapping
        Saved sites, from `read_sites`.
    names : sequence of str
        Names as the pilot wrote them; none for the first saved site.

    Raises
    ------
    WxflyError
        States what cannot be read.
    """
    if not isinstance(saved, OwnTable):
        return
    if not names and not saved.begins_whole:
        part = min(saved.set_aside, key=lambda p: p.line or 0)
        raise WxflyError(f"{part.where}: {part.fault}; the first site is not known: mend it, or name a site")
    for name in names:
        if parse_coordinates(name):
            continue
        known = next((n for n in saved if n.casefold() == name.strip().casefold()), name)
        saved.refuse_uncertain(known, "the site")


PLACE_SEARCH = "place:"
"""Prefix of a name that is looked up as a place, even if a saved site has a similar name."""
_LIKENESS = 0.75
"""Least share of letters in common for a name to count as a misspelt site; common practice, no source."""


def _refuse_near_name(text: str, saved: Mapping[str, Site]) -> None:
    """Refuse a name close to that of a site: the answer could be for another village."""
    near = near_names(text, [*saved, *demo_sites()], likeness=_LIKENESS)
    if near:
        names = " or ".join(f"'{name}'" for name in near)
        raise WxflyError(
            f"'{shortened(text, 80)}' is not a saved site; did you mean {names}? "
            f"To look for a place of that name, write '{PLACE_SEARCH}{shortened(text, 80)}'"
        )


def resolve_site(
    text: str, *, saved: Mapping[str, Site], offline: bool = False, settings: Settings | None = None
) -> Site:
    """Return the site that a pilot means.

    Parameters
    ----------
    text : str
        Name of a saved or a demonstration site, ``LATITUDE,LONGITUDE``, or the name of a place; one that is nearly the
        name of a site needs ``place:`` before it.
    saved : mapping
        The pilot's saved sites by name; they take precedence over everything else.
    offline : bool, optional
        Whether to ask no service; a place name is then known only if it was looked up before.
    settings : Settings, optional
        Settings of the services; by default those in force.

    Returns
    -------
    Site
        With time zone and height of the ground; the height is NaN when offline and unknown.

    Raises
    ------
    WxflyError
        When no place of that name is known, or the place search fails.
    """
    settings = settings or load_settings()
    text = text.strip()
    if not text:
        raise WxflyError("an empty place; wanted the name of a site, LATITUDE,LONGITUDE or the name of a place")
    if text.casefold().startswith(PLACE_SEARCH):
        return _complete(_search(text[len(PLACE_SEARCH) :], saved, offline, settings), offline, settings)
    for sites in (saved, demo_sites()):
        name = text if text in sites else next((n for n in sites if n.casefold() == text.casefold()), None)
        if name is not None:
            return _complete(sites[name], offline, settings)
    coordinates = parse_coordinates(text)
    if coordinates:
        latitude, longitude = coordinates
        return _complete(Site(f"{latitude:.4f}, {longitude:.4f}", latitude, longitude), offline, settings)
    _refuse_near_name(text, saved)
    if text in read_plans(plans_file()):
        way_out = f"name a site and give --plan {text}, or search the place with {PLACE_SEARCH}{text}"
        raise WxflyError(f"'{text}' is a saved plan, not a site; {way_out}")
    return _complete(_search(text, saved, offline, settings), offline, settings)


def _search(text: str, saved: Mapping[str, Site], offline: bool, settings: Settings) -> Site:
    """Look up a place name, first in the kept replies."""
    from wxfly.sources.open_meteo.places import Place, get_places, parse_places, places_to_text

    name = " ".join(text.split())
    if not name:
        raise WxflyError(f"an empty place; wanted a name behind '{PLACE_SEARCH}'")
    if not name.isprintable():
        raise WxflyError(f"a place called {name!r} cannot be looked up; write its name in plain letters")
    key = name.casefold()

    def parse(body: bytes) -> list[Place]:
        return parse_places(body, f"the kept reply for '{name}'")

    def asked_before() -> list[Place]:
        kept = kept_reply("places", key, parse)
        return parse(kept.text.encode()) if kept is not None else []

    places = asked_before()
    if not places and offline:
        known = ", ".join([*saved, *demo_sites()])
        raise NotAskedError(
            f"'{name}' is not a saved site and was not looked up before; offline these are known: {known}"
        )
    if not places:
        with asking_alone("places", key):
            places = asked_before() or get_places(name, settings=settings)
            if places:
                keep_reply("places", key, places_to_text(places), datetime.now(UTC))
    if not places:
        raise WxflyError(f"no place called '{name}' was found; give LATITUDE,LONGITUDE, or save it: wxfly sites add")
    first = places[0]
    return Site(first.label, first.latitude, first.longitude, first.surface_altitude, first.time_zone or "UTC")


def _complete(site: Site, offline: bool, settings: Settings) -> Site:
    """Add the time zone, and the height of the ground where a service can be asked."""
    return complete_sites([site], offline=offline, settings=settings)[0]


MOST_GROUNDS = 100
"""Largest number of places in one request for the height of the ground (documentation of the service)."""


def complete_sites(
    sites: Sequence[Site],
    *,
    offline: bool,
    settings: Settings,
    before: Callable[[float, str], object] = lambda *_: None,
) -> list[Site]:
    """Return sites with time zone and height of the ground, asked for many places at once.

    Parameters
    ----------
    sites : sequence of Site
        The places.
    offline, settings
        As in `resolve_site`.
    before : callable, optional
        Called before each request with its weighted calls and a line on it.

    Returns
    -------
    list of Site
        In the same order. The height is NaN where it is unknown.
    """
    ground = {site.key: _asked_before(site.key) for site in sites if math.isnan(site.surface_altitude)}
    lacking = [] if offline else [key for key, height in ground.items() if math.isnan(height)]
    for first in range(0, len(lacking), MOST_GROUNDS):
        part = lacking[first : first + MOST_GROUNDS]
        before(float(len(part)), f"asking for the ground at {len(part)} place{'s' if len(part) > 1 else ''}")
        try:
            ground |= _ask_for_ground(part, settings)
        except SourceError:
            break  # the forecast has a height; without one, elements that need it are unknown
    found = [replace(s, surface_altitude=ground[s.key]) if math.isnan(s.surface_altitude) else s for s in sites]
    return [
        replace(s, time_zone=time_zone_at(s.latitude, s.longitude)) if s.time_zone == "UTC" and not s.is_demo else s
        for s in found
    ]


def _ask_for_ground(places: Sequence[tuple[float, float]], settings: Settings) -> dict[tuple[float, float], float]:
    """Request and keep the height of the ground at places; none that another process has asked for in the meantime."""
    from wxfly.sources.open_meteo.places import get_surface_altitudes

    with asking_alone("ground", _name(places[0])):
        known = {place: _asked_before(place) for place in places}
        lacking = [place for place, height in known.items() if math.isnan(height)]
        if lacking:
            known |= zip(lacking, get_surface_altitudes(lacking, settings=settings), strict=True)
        for place in lacking:
            if math.isfinite(known[place]):
                keep_reply("ground", _name(place), repr(known[place]), datetime.now(UTC))
    return known


def _asked_before(place: tuple[float, float]) -> float:
    """Return the kept height of the ground; NaN when there is none, or it is damaged."""
    kept = kept_reply("ground", _name(place))
    if kept is not None:
        with contextlib.suppress(ValueError):
            altitude = float(kept.text)
            if LOWEST_GROUND <= altitude <= HIGHEST_GROUND:
                return altitude
    return math.nan


def _name(place: tuple[float, float]) -> str:
    return f"{place[0]:.4f},{place[1]:.4f}"
