"""What programs ask: the facts as JSON under /api/v1, as ``--json`` prints them, and their description (OpenAPI)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from msgspec import Struct
from msgspec.json import schema_components

from wxfly import __version__
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.options import Count, Names, Option, Switch
from wxfly.pilot.rules import load_rules
from wxfly.pilot.settings import own_aircraft_file, own_rules_file, sites_file
from wxfly.pilot.site import read_sites
from wxfly.report.command_facts.brief import BriefFacts
from wxfly.report.command_facts.own_lists import (
    AircraftListFacts,
    RulesFacts,
    SitesFacts,
    aircraft_list_facts,
    rules_facts,
    sites_facts,
)
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.values import Facts
from wxfly.retrieval.places import demo_sites
from wxfly.web.questions import View

ROOT = "/api/v1"


class Fault(Struct, frozen=True):
    """Why there is no answer."""

    error: str
    """One line: what was given, what is wanted and the way out."""


def _sites() -> SitesFacts:
    saved = read_sites(sites_file())
    return sites_facts([*saved.values(), *demo_sites().values()], saved.set_aside)


def _aircraft() -> AircraftListFacts:
    table = load_aircraft(own_aircraft_file())
    return aircraft_list_facts(table.values(), table.set_aside)


def _rules() -> RulesFacts:
    table = load_rules(own_rules_file())
    return rules_facts(table.values(), table.set_aside)


LISTS: dict[str, tuple[type[Facts], Callable[[], Facts]]] = {
    "sites": (SitesFacts, _sites),
    "aircraft": (AircraftListFacts, _aircraft),
    "rules": (RulesFacts, _rules),
}
"""What is listed without a question, by the name of the command: its type, and what makes it."""

_FAULTS = {
    "400": "Something can be put right.",
    "429": "One client asks too often.",
    "503": "No service answered, or too many questions wait.",
    "504": "The answer takes too long; ask again, it goes on.",
}


def openapi(views: Mapping[str, View]) -> dict[str, Any]:
    """Return the description of the interface, made from the types of the facts and the rows of the options."""
    kinds: set[type[Struct]] = {
        AnswerFacts,
        BriefFacts,
        Fault,
        *(view.facts for view in views.values()),
        *(kind for kind, _ in LISTS.values()),
    }
    wholes = sorted(kinds, key=lambda kind: kind.__name__)
    references, components = schema_components(wholes, ref_template="#/components/schemas/{name}")
    schemas: dict[type, dict[str, Any]] = dict(zip(wholes, references, strict=True))
    paths = {}
    for view in views.values():
        answer = schemas[view.facts]
        if view.facts is BriefFacts:  # a day without a window has no brief
            answer = {"anyOf": [answer, schemas[AnswerFacts]]}
        paths[f"{ROOT}/{view.name}"] = _path(view.title, _parameters(view), answer, schemas[Fault])
    for name, (kind, _) in LISTS.items():
        paths[f"{ROOT}/{name}"] = _path((kind.__doc__ or "").partition("\n")[0], [], schemas[kind], schemas[Fault])
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "wxfly",
            "version": __version__,
            "description": "Numbers are in SI units, moments in UTC. A parameter without a value counts as not given. "
            "It is advice, not permission.",
        },
        "paths": paths,
        "components": {"schemas": components},
    }


def _path(
    title: str, parameters: list[dict[str, Any]], answer: dict[str, Any], fault: dict[str, Any]
) -> dict[str, Any]:
    replies = {code: _reply(words, fault) for code, words in _FAULTS.items()} if parameters else {}
    return {
        "get": {
            "summary": title,
            "parameters": parameters,
            "responses": {"200": _reply("The facts.", answer), **replies},
        }
    }


def _reply(words: str, schema: dict[str, Any]) -> dict[str, Any]:
    return {"description": words, "content": {"application/json": {"schema": schema}}}


def _parameters(view: View) -> list[dict[str, Any]]:
    place = {
        "name": "place", "in": "query", "required": view.least_places > 0, "style": "form", "explode": True,
        "description": "A saved name, LATITUDE,LONGITUDE or the name of a place; @HEIGHT behind it gives it its own.",
        "schema": {
            "type": "array", "items": {"type": "string"}, "minItems": view.least_places, "maxItems": view.most_places,
        },
    }  # fmt: skip
    extra = [
        _parameter(one.name, one.help, {"type": "string"}, is_needed=one.name in view.needs) for one in view.others
    ]
    options = [_parameter(o.key, o.help_text, _schema(o), is_needed=o.key in view.needs) for o in view.options]
    return [place, *extra, *options]


def _parameter(name: str, words: str, schema: dict[str, Any], *, is_needed: bool) -> dict[str, Any]:
    return {"name": name, "in": "query", "required": is_needed, "description": words, "schema": schema}


def _schema(option: Option) -> dict[str, Any]:
    kind = option.kind
    if isinstance(kind, Count):
        return {"type": "integer", "minimum": kind.least, "maximum": kind.most}
    if isinstance(kind, Switch):
        return {"type": "boolean"}
    if isinstance(kind, Names):
        return {"type": "array", "items": {"type": "string"}}
    return {"type": "string", "enum": list(kind.choices)} if kind.choices else {"type": "string"}
