"""What is on this machine, listed: sites, aircraft with their figures, rule sets with their limits."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from wxfly.pilot.aircraft import FIGURES, Aircraft
from wxfly.pilot.own_files import SetAside, damage_notes
from wxfly.pilot.rules import RuleSet
from wxfly.pilot.site import Site
from wxfly.report.facts.place import SiteFacts, site_facts
from wxfly.report.facts.values import Facts, number
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
    paragraph: str
    """Where it stands."""
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
        RuleLimitFacts(key, limit.value, limit.written, limit.paragraph, limit.standing, limit.read, limit.note)
        for key, limit in one.limits.items()
    ]
    return RuleSetFacts(one.name, one.title, one.reminder, limits)
