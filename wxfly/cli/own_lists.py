"""The pilot's own things, listed, added and removed: sites, aircraft, rule sets, stored forecasts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from wxfly.cube.notes import NoteKind, kind_of
from wxfly.errors import WxflyError
from wxfly.pilot.aircraft import ENERGY_FIGURES, FIGURES, find_aircraft, load_aircraft
from wxfly.pilot.options import Words, kept_values, written
from wxfly.pilot.own_files import damage_notes
from wxfly.pilot.rules import STANDINGS, find_rules, load_rules
from wxfly.pilot.settings import load_settings, own_aircraft_file, own_rules_file, sites_file
from wxfly.pilot.site import Site, read_sites
from wxfly.pilot.site import remove_site as forget_site
from wxfly.report.text.console import aligned
from wxfly.units import SYSTEMS, from_si

if TYPE_CHECKING:
    from wxfly.report.facts.own_lists import AircraftListFacts, RulesFacts, SitesFacts

Progress = Callable[[str], None]


def fetch(places: Sequence[str], model: str | None, *, on_progress: Progress) -> list[str]:
    """Fetch the newest forecast of every site into the store; give a line for each.

    Raises
    ------
    WxflyError
        When no site is named and none is saved, a source fails (what is stored stays), or the forecast cannot be
        kept.
    """
    from wxfly.retrieval import forecast
    from wxfly.retrieval.members import chosen_members

    saved = read_sites(sites_file())
    if not places and not saved:
        raise WxflyError("no site is named and none is saved; save one with: wxfly sites add NAME LATITUDE,LONGITUDE")
    obtained = forecast.obtain(
        list(places) or list(saved),
        saved=saved,
        forecast_path=None,
        model=model,
        offline=False,
        now=None,
        on_progress=on_progress,
        members=None if load_settings().ensemble else chosen_members,
    )
    failures = (NoteKind.NOT_KEPT, NoteKind.NO_NEWER_FORECAST)
    lost = next((note for note in obtained.notes if kind_of(note) in failures), None)
    if lost:
        raise WxflyError(lost)
    last = str(obtained.cube["time"].values[-1])[:16]
    model_name = obtained.provenance.model
    return [
        *(f"{site.name}: {model_name}, hours to {last}Z, kept for use offline" for site in obtained.sites),
        *damage_notes(saved.set_aside),
        *obtained.notes,
    ]


def sites() -> SitesFacts:
    """Return the facts of the saved sites and the demonstration's."""
    from wxfly.report.facts.own_lists import sites_facts
    from wxfly.retrieval.places import demo_sites

    saved = read_sites(sites_file())
    return sites_facts([*saved.values(), *demo_sites().values()], saved.set_aside)


def aircraft(name: str | None) -> AircraftListFacts:
    """Return the facts of the aircraft, or of one."""
    from wxfly.report.facts.own_lists import aircraft_list_facts

    if name is not None:
        return aircraft_list_facts([find_aircraft(name, own_aircraft_file())])
    table = load_aircraft(own_aircraft_file())
    return aircraft_list_facts(table.values(), table.set_aside)


def rules(name: str | None) -> RulesFacts:
    """Return the facts of the rule sets, or of one."""
    from wxfly.report.facts.own_lists import rules_facts

    if name is not None:
        return rules_facts([find_rules(name, own_rules_file())])
    table = load_rules(own_rules_file())
    return rules_facts(table.values(), table.set_aside)


def list_sites() -> str:
    """Return the saved sites and the demonstration's as aligned text."""
    from wxfly.retrieval import forecast

    saved = read_sites(sites_file())
    rows = [(s.name, _place(s), s.time_zone, s.surface_cover or "-", "saved") for s in saved.values()]
    rows += [
        (s.name, _place(s), s.time_zone, s.surface_cover or "-", "demonstration, invented")
        for s in forecast.demo_sites().values()
    ]
    shown = aligned([("site", "latitude,longitude", "time zone", "surface cover", "kind"), *rows])
    return "\n".join([shown, *damage_notes(saved.set_aside)])


def _place(site: Site) -> str:
    return f"{site.latitude:.4f},{site.longitude:.4f}"


def add_site(
    name: str,
    place: str,
    *,
    surface_altitude: str | None = None,
    surface_cover: str | None = None,
    time_zone: str | None = None,
    offline: bool = False,
    replace_site: bool = False,
) -> str:
    """Save a site and say what was saved.

    Raises
    ------
    WxflyError
        When a site of this name is saved already at another place, and `replace_site` is not set.
    """
    from wxfly.question.keeping import keep_site

    site = keep_site(
        name,
        place,
        surface_altitude=surface_altitude,
        surface_cover=surface_cover,
        time_zone=time_zone,
        offline=offline,
        replaces=replace_site,
    )
    ground = "ground not known" if np.isnan(site.surface_altitude) else f"ground {site.surface_altitude:.0f} m"
    return f"saved {name}: {_place(site)}, {ground}, {site.time_zone}"


def usual_units() -> str:
    """Return the units of the settings."""
    return load_settings().usual.units or "metric"


def set_site(name: str, words: Words, removed: Sequence[str]) -> str:
    """Change the defaults of a saved site and say what they are."""
    from wxfly.question.keeping import keep_defaults

    keep_defaults(name, words, removed)
    values = kept_values(read_sites(sites_file())[name].defaults)
    return f"defaults of {name}: {', '.join(f'{key} {written(value)}' for key, value in values.items()) or 'none'}"


def remove_site(name: str) -> str:
    """Forget a saved site and say so."""
    forget_site(sites_file(), name)
    return f"removed {name}"


def describe_aircraft(name: str | None, units: str) -> str:
    """List the aircraft, or give the limits of one and where each is from."""
    if name is None:
        table = load_aircraft(own_aircraft_file())
        listed = [
            (a.name, _shown(a.maximum_wind, units, "wind"), _shown(a.maximum_gust, units, "wind"), a.title)
            for a in table.values()
        ]
        return "\n".join([aligned([("aircraft", "wind", "gust", "class"), *listed]), *damage_notes(table.set_aside)])
    found = find_aircraft(name, own_aircraft_file())
    rows = [
        (key, _shown(getattr(found, key), units, figure.shown), found.sources.get(key, "-"))
        for key, figure in sorted(FIGURES.items(), key=lambda item: item[1].shown not in SYSTEMS[units])
    ]
    rows = [row for row in rows if row[1] != "-" or row[0] not in ENERGY_FIGURES]
    return f"{found.title}\n" + aligned([("figure", "value", "source"), *rows])


def describe_rules(name: str | None) -> str:
    """List the rule sets, or give the limits of one and where each stands."""
    if name is None:
        table = load_rules(own_rules_file())
        rows = [(r.name, r.limits["height_limit"].written, r.daylight_rule, r.title) for r in table.values()]
        shown = aligned([("rules", "height_limit", "daylight", "of"), *rows])
        return "\n".join([shown, "Local rules prevail over all of them.", *damage_notes(table.set_aside)])
    found = find_rules(name, own_rules_file())
    lines = [found.title, found.reminder]
    for standing, words in STANDINGS.items():
        of_it = {key: limit for key, limit in found.limits.items() if limit.standing == standing}
        lines += [f"\n{words}:"] * bool(of_it)
        for key, limit in of_it.items():
            lines.append(f"\n{key}: {limit.written}\n  {limit.source}" + (f"\n  {limit.note}" if limit.note else ""))
    return "\n".join(lines)


def _shown(value: float | None, units: str, quantity: str) -> str:
    if value is None:
        return "-"
    unit = SYSTEMS[units].get(quantity, quantity)
    return f"{float(from_si(value, unit)):.4g} {unit}".removesuffix(" 1")
