"""What is on this machine, listed: sites, aircraft with their figures, rule sets with their limits, forecasts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import xarray as xr

from wxfly.cube.age import retrieved_of, run_of
from wxfly.pilot.aircraft import FIGURES, Aircraft
from wxfly.pilot.own_files import SetAside, damage_notes
from wxfly.pilot.rules import RuleSet
from wxfly.pilot.settings import cache_folder
from wxfly.pilot.site import Site
from wxfly.report.facts.site import SiteFacts, site_facts
from wxfly.report.facts.values import Degrees, Facts, Metres, known_moment, moment_of, number
from wxfly.store.forecasts import StoredForecast, fault_of, list_forecasts
from wxfly.store.pruning import foreign_files
from wxfly.units import UNITS


class SitesFacts(Facts, frozen=True):
    """The places that have a name."""

    sites: list[SiteFacts]
    """The saved ones in their order, then the invented ones of the demonstration."""
    set_aside: list[str]
    """What cannot be read of the pilot's file."""


class FigureFacts(Facts, frozen=True):
    """One figure of an aircraft."""

    name: str
    """Its key."""
    value: float | None
    """In the unit of `unit`; null where the aircraft does not give it."""
    unit: str
    """SI unit."""
    source: str | None
    """Where it is from; null where nothing is written."""


class ListedAircraft(Facts, frozen=True):
    """One aircraft."""

    name: str
    """For `--aircraft`."""
    title: str
    """Words for people."""
    figures: list[FigureFacts]
    """All that is known of it."""


class AircraftListFacts(Facts, frozen=True):
    """The aircraft."""

    aircraft: list[ListedAircraft]
    """All of them, or the one that was named."""
    set_aside: list[str]
    """What cannot be read of the pilot's file."""


class RuleLimitFacts(Facts, frozen=True):
    """One limit of a rule set."""

    name: str
    """Its key."""
    value: float | str
    """In SI units, or a word."""
    written: str
    """As the rule writes it."""
    paragraph: str | None
    """Where it stands; null where no text has the figure."""
    standing: str
    """How binding it is: law, guidance or common practice."""
    read: str
    """When it was read."""
    note: str
    """A remark; empty without one."""


class RuleSetFacts(Facts, frozen=True):
    """One rule set. Local rules prevail over it."""

    name: str
    """For `--rules`."""
    title: str
    """Words for people."""
    reminder: str
    """What to look up besides."""
    rule_limits: list[RuleLimitFacts]
    """Its limits."""


class RulesFacts(Facts, frozen=True):
    """The rule sets."""

    rule_sets: list[RuleSetFacts]
    """All of them, or the one that was named."""
    set_aside: list[str]
    """What cannot be read of the pilot's file."""


class StoredFacts(Facts, frozen=True):
    """One stored forecast."""

    site: str | None
    """Name of the saved site; null where none is there."""
    latitude: Degrees
    longitude: Degrees
    """North and east positive."""
    model: str
    """Whose."""
    run_name: str
    """Its run, as the list writes it."""
    kept_at: datetime | None
    """When it was kept; null where its file has gone."""
    byte_count: int
    """Size of its file."""
    file: str
    """Path of its file."""
    fault: str | None
    """What is wrong with it; null for nothing, and where nobody looked."""


class StoreFacts(Facts, frozen=True):
    """The store."""

    folder: str
    """Where it lies."""
    checked: bool
    """Whether every file was read and compared with its checksum."""
    stored: list[StoredFacts]
    """The forecasts."""
    not_ours: list[str]
    """Files there that wxfly did not write."""


class StoredDetails(Facts, frozen=True):
    """All that is known of one stored forecast."""

    latitude: Degrees
    longitude: Degrees
    """North and east positive."""
    ground: Metres | None
    """Ground of the forecast above mean sea level."""
    source: str | None
    model: str
    """The service, and the model."""
    run: datetime | None
    retrieved: datetime | None
    """Start of the run, and when it was retrieved."""
    first: datetime
    last: datetime
    hour_count: int
    """First and last hour, and how many there are."""
    variables: list[str]
    """Names of those with a value."""
    licence: str | None
    """Its terms."""
    file: str
    byte_count: int
    """Path and size of its file."""
    is_early: bool
    """Whether an early version kept it, as netCDF."""


def sites_facts(sites: Iterable[Site], set_aside: Iterable[SetAside] = ()) -> SitesFacts:
    """Return the facts of places."""
    return SitesFacts([site_facts(site) for site in sites], damage_notes(set_aside))


def aircraft_list_facts(aircraft: Iterable[Aircraft], set_aside: Iterable[SetAside] = ()) -> AircraftListFacts:
    """Return the facts of aircraft."""
    return AircraftListFacts([_aircraft(one) for one in aircraft], damage_notes(set_aside))


def _aircraft(one: Aircraft) -> ListedAircraft:
    figures = [
        FigureFacts(key, _known(getattr(one, key)), _si_unit(figure.quantity), one.sources.get(key))
        for key, figure in FIGURES.items()
    ]
    return ListedAircraft(one.name, one.title, figures)


def _known(value: float | None) -> float | None:
    return None if value is None else number(value)


def _si_unit(quantity: str) -> str:
    """Return the unit with factor 1 of a quantity."""
    of_quantity: Mapping[str, float] = {u.symbol: u.factor for u in UNITS.values() if u.quantity == quantity}
    return next((symbol for symbol, factor in of_quantity.items() if factor == 1.0), "1")


def rules_facts(rule_sets: Iterable[RuleSet], set_aside: Iterable[SetAside] = ()) -> RulesFacts:
    """Return the facts of rule sets."""
    return RulesFacts([_rule_set(one) for one in rule_sets], damage_notes(set_aside))


def _rule_set(one: RuleSet) -> RuleSetFacts:
    limits = [
        RuleLimitFacts(
            name=key,
            value=limit.value,
            written=limit.written,
            paragraph=limit.paragraph,
            standing=limit.standing,
            read=limit.read,
            note=limit.note,
        )
        for key, limit in one.limits.items()
    ]
    return RuleSetFacts(one.name, one.title, one.reminder, limits)


def store_facts(saved: Mapping[str, Site], *, check: bool = False) -> StoreFacts:
    """Return the facts of the store, with the names of saved sites.

    Parameters
    ----------
    saved : mapping
        The pilot's saved sites.
    check : bool, optional
        Whether to read every file and compare it with its checksum.
    """
    names = {site.key: name for name, site in saved.items()}
    stored = [
        StoredFacts(
            site=names.get((one.latitude, one.longitude)),
            latitude=one.latitude,
            longitude=one.longitude,
            model=one.model,
            run_name=one.run,
            kept_at=_kept_at(one.path),
            byte_count=one.size,
            file=str(one.path),
            fault=(fault_of(one) or None) if check else None,
        )
        for one in list_forecasts()
    ]
    return StoreFacts(str(cache_folder()), check, stored, [str(path) for path in foreign_files()])


def _kept_at(path: Path) -> datetime | None:
    return datetime.fromtimestamp(int(path.stat().st_mtime), UTC) if path.exists() else None


def stored_details(stored: StoredForecast, cube: xr.Dataset) -> StoredDetails:
    """Return the facts of one stored forecast and its cube."""
    time = cube["time"].values
    return StoredDetails(
        latitude=stored.latitude,
        longitude=stored.longitude,
        ground=number(float(np.atleast_1d(cube["surface_altitude"].values)[0])),
        source=cube.attrs.get("source"),
        model=stored.model,
        run=known_moment(run_of(cube)),
        retrieved=known_moment(retrieved_of(cube)),
        first=moment_of(time[0]),
        last=moment_of(time[-1]),
        hour_count=time.size,
        variables=[str(n) for n in cube.data_vars if bool(cube[n].notnull().any())],
        licence=cube.attrs.get("license"),
        file=str(stored.path),
        byte_count=stored.size,
        is_early=stored.is_early,
    )
