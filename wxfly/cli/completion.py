"""What a shell offers for a half-typed word: the pilot's own sites, aircraft and rule sets, elements, models, days.

Nothing here asks a service, and nothing may fail: a shell shows no error.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import click
from click.shell_completion import CompletionItem

from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.rules import load_rules
from wxfly.pilot.settings import own_aircraft_file, own_rules_file, plans_file, read_plans, sites_file

Complete = Callable[[click.Context, click.Parameter, str], list[CompletionItem]]


def _offering(names: Callable[[], Iterable[tuple[str, str]]]) -> Complete:
    """Return what offers names, each with a word of help, that begin as the half-typed word does."""

    def complete(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
        try:
            begin = incomplete.casefold()
            return [CompletionItem(name, help=text) for name, text in names() if name.casefold().startswith(begin)]
        except Exception:
            return []

    return complete


def _sites() -> Iterable[tuple[str, str]]:
    from wxfly.pilot.site import read_sites
    from wxfly.retrieval.places import demo_sites

    yield from ((name, "saved") for name in read_sites(sites_file()))
    yield from ((name, "invented, demonstration") for name in demo_sites())


def _saved_sites() -> Iterable[tuple[str, str]]:
    from wxfly.pilot.site import read_sites

    return [(name, "saved") for name in read_sites(sites_file())]


def _sites_and_days() -> Iterable[tuple[str, str]]:
    from wxfly.times import DAY_WORDS

    return [*_sites(), *((word, "day") for word in DAY_WORDS)]


def _aircraft() -> Iterable[tuple[str, str]]:
    return [(one.name, one.title) for one in load_aircraft(own_aircraft_file()).values()]


def _rules() -> Iterable[tuple[str, str]]:
    return [(one.name, one.title) for one in load_rules(own_rules_file()).values()]


def _elements() -> Iterable[tuple[str, str]]:
    from wxfly.pilot.elements import ELEMENTS

    return [(element.name, element.title) for element in ELEMENTS]


def _days() -> Iterable[tuple[str, str]]:
    from wxfly.times import DAY_WORDS

    return [(word, "") for word in DAY_WORDS]


def _plans() -> Iterable[tuple[str, str]]:
    return [(name, "") for name in read_plans(plans_file())]


def _schemas() -> Iterable[tuple[str, str]]:
    from wxfly.report.schemas import WHOLES

    return [(name, "") for name in WHOLES]


sites = _offering(_sites)
saved_sites = _offering(_saved_sites)
sites_and_days = _offering(_sites_and_days)
aircraft = _offering(_aircraft)
rules = _offering(_rules)
elements = _offering(_elements)
days = _offering(_days)
plans = _offering(_plans)
schemas = _offering(_schemas)
