"""What is on this machine, as text: sites, aircraft, rule sets, stored forecasts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path

from wxfly.pilot.aircraft import ENERGY_FIGURES, FIGURES, Aircraft
from wxfly.pilot.options import Words, kept_values, written
from wxfly.pilot.own_files import OwnTable, damage_notes
from wxfly.pilot.rules import STANDINGS, RuleSet
from wxfly.pilot.settings import Settings
from wxfly.pilot.site import Site
from wxfly.report.command_facts.own_lists import StoredDetails, StoredFacts, StoreFacts
from wxfly.report.text.console import aligned
from wxfly.units import SYSTEMS, from_si

_MEGABYTE = 1e6


def sites_text(saved: OwnTable[Site], invented: Iterable[Site]) -> str:
    """Return the saved sites and the demonstration's as aligned text."""
    kinds = {"saved": saved.values(), "demonstration, invented": invented}
    rows = [(s.name, _place(s), s.time_zone, s.surface_cover or "-", kind) for kind, of in kinds.items() for s in of]
    shown = aligned([("site", "latitude,longitude", "time zone", "surface cover", "kind"), *rows])
    return "\n".join([shown, *damage_notes(saved.set_aside)])


def saved_site_text(site: Site) -> str:
    """Return a line that a site was saved."""
    altitude = "unknown" if math.isnan(site.surface_altitude) else f"{site.surface_altitude:.0f} m"
    return f"saved {site.name}: {_place(site)}, surface altitude {altitude}, {site.time_zone}"


def defaults_text(name: str, defaults: Words) -> str:
    """Return a line with the defaults of a site."""
    return f"defaults of {name}: {in_one_line(defaults) or 'none'}"


def in_one_line(words: Words) -> str:
    """Return the options of a plan or of a site's defaults in one line."""
    return ", ".join(f"{key} {written(value)}" for key, value in kept_values(words).items())


def _place(site: Site) -> str:
    return f"{site.latitude:.4f},{site.longitude:.4f}"


def aircraft_list_text(table: OwnTable[Aircraft], units: str) -> str:
    """Return the aircraft as aligned text."""
    listed = [
        (a.name, _shown(a.maximum_wind, units, "wind"), _shown(a.maximum_gust, units, "wind"), a.title)
        for a in table.values()
    ]
    return "\n".join([aligned([("aircraft", "wind", "gust", "class"), *listed]), *damage_notes(table.set_aside)])


def aircraft_text(aircraft: Aircraft, units: str) -> str:
    """Return the figures of an aircraft and where each is from."""
    rows = [
        (key, _shown(getattr(aircraft, key), units, figure.shown), aircraft.sources.get(key, "-"))
        for key, figure in sorted(FIGURES.items(), key=lambda item: item[1].shown not in SYSTEMS[units])
    ]
    rows = [row for row in rows if row[1] != "-" or row[0] not in ENERGY_FIGURES]
    return f"{aircraft.title}\n" + aligned([("figure", "value", "source"), *rows])


def _shown(value: float | None, units: str, quantity: str) -> str:
    if value is None:
        return "-"
    unit = SYSTEMS[units].get(quantity, quantity)
    return f"{float(from_si(value, unit)):.4g} {unit}".removesuffix(" 1")


def rules_list_text(table: OwnTable[RuleSet]) -> str:
    """Return the rule sets as aligned text."""
    rows = [(r.name, r.limits["height_limit"].written, r.daylight_rule, r.title) for r in table.values()]
    shown = aligned([("rules", "height_limit", "daylight", "of"), *rows])
    return "\n".join([shown, "Local rules prevail over all of them.", *damage_notes(table.set_aside)])


def rules_text(rules: RuleSet) -> str:
    """Return the limits of a rule set and where each stands."""
    lines = [rules.title, rules.reminder]
    for standing, words in STANDINGS.items():
        of_it = {key: limit for key, limit in rules.limits.items() if limit.standing == standing}
        lines += [f"\n{words}:"] * bool(of_it)
        for key, limit in of_it.items():
            lines.append(f"\n{key}: {limit.written}\n  {limit.source}" + (f"\n  {limit.note}" if limit.note else ""))
    return "\n".join(lines)


def store_text(store: StoreFacts) -> str:
    """Return the stored forecasts as aligned text, a line for each."""
    rows = [(*_row(one), *([one.fault or "whole"] if store.checked else [])) for one in store.stored]
    head = ("site", "latitude,longitude", "model", "run", "kept", "size", *(["state"] if store.checked else []))
    lines = [aligned([head, *rows])] if rows else [f"the store is empty ({store.folder})"]
    return "\n".join([*lines, *not_ours_lines(store)])


def _row(one: StoredFacts) -> tuple[str, ...]:
    kept = "not known" if one.kept_at is None else f"{one.kept_at:%Y-%m-%dT%H:%MZ}"
    where = f"{one.latitude:.4f},{one.longitude:.4f}"
    return one.site or "-", where, one.model, one.run_name, kept, f"{one.byte_count / 1000:.0f} kB"


def not_ours_lines(store: StoreFacts) -> list[str]:
    """Return a line for each file of the store that wxfly did not write."""
    return [f"not written by wxfly, and left alone: {path}" for path in store.not_ours]


def store_summary_text(store: StoreFacts, settings: Settings) -> str:
    """Return where the store is, what it holds in all and what it may hold."""
    places = {(one.latitude, one.longitude) for one in store.stored}
    limits = f"{settings.maximum_megabytes:g} MB, none older than {settings.maximum_age_days:g} days"
    if math.isinf(settings.maximum_megabytes) or math.isinf(settings.maximum_age_days):
        limits = "anything: its limits in the settings cannot be read"
    return aligned(
        [
            ("folder", store.folder),
            ("forecasts", f"{len(store.stored)} of {len(places)} places, {_megabytes(store)}"),
            ("may hold", limits),
        ]
    )


def _megabytes(store: StoreFacts) -> str:
    return f"{sum(one.byte_count for one in store.stored) / _MEGABYTE:.1f} MB"


def left_text(store: StoreFacts) -> str:
    """Return what the store holds, in a few words."""
    return f"the store holds {len(store.stored)} forecasts, {_megabytes(store)}"


def removed_lines(gone: Sequence[Path], left: StoreFacts, *, would: bool = False) -> list[str]:
    """Return a line for each file that was removed or would be, and one with what is left."""
    removed = "would remove" if would else "removed"
    return [*(f"{removed} {path}" for path in gone), f"{removed} {len(gone)} files; {left_text(left)}"]


def stored_text(one: StoredDetails, now: datetime) -> str:
    """Return everything that is known of a stored forecast."""
    ground = "nan" if one.ground is None else f"{one.ground:.0f}"
    rows = [
        ("place", f"{one.latitude:.4f},{one.longitude:.4f}, ground of the forecast {ground} m"),
        ("source", one.source or "not known"),
        ("model", one.model),
        ("run", _with_age(one.run, now)),
        ("retrieved", _with_age(one.retrieved, now)),
        ("hours", f"{one.first:%Y-%m-%dT%H:%MZ} to {one.last:%Y-%m-%dT%H:%MZ}, {one.hour_count} of them"),
        ("variables", ", ".join(one.variables)),
        ("licence", one.licence or "not known"),
        ("file", one.file),
        ("size", f"{one.byte_count / 1000:.0f} kB"),
        ("form", "netCDF, by an early wxfly" if one.is_early else "the reply of the service, its checksum fits"),
    ]
    return aligned(rows)


def _with_age(time: datetime | None, now: datetime) -> str:
    if time is None:
        return "not known"
    return f"{time:%Y-%m-%dT%H:%MZ}, {(now - time).total_seconds() / 3600:.0f} h ago"
