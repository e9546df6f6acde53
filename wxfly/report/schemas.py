"""What is printed as JSON, by the name of what prints it, and the JSON Schema of each, made from the types."""

from __future__ import annotations

import ast
import inspect
import sys
import typing
from functools import cache
from typing import Any

from msgspec import Struct, json

from wxfly.errors import unknown_name
from wxfly.report.command_facts.brief import BriefFacts
from wxfly.report.command_facts.field_check import CheckFacts
from wxfly.report.command_facts.fleet import FleetFacts
from wxfly.report.command_facts.one_hour import OneHourFacts
from wxfly.report.command_facts.own_lists import AircraftListFacts, RulesFacts, SitesFacts, StoreFacts
from wxfly.report.command_facts.verification import LedgerFacts, ObservedFacts, VerificationFacts
from wxfly.report.command_facts.watch import WatchFacts
from wxfly.report.command_facts.where import WhereFacts
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.values import Facts


def described(part: type[Struct]) -> dict[str, str]:
    """Return what the source of a part of the tree says of each of its keys, in the text below it or below several."""
    words: dict[str, str] = {}
    above: list[str] = []
    for line in _classes(part.__module__)[part.__name__].body:
        if isinstance(line, ast.AnnAssign) and isinstance(line.target, ast.Name):
            above.append(line.target.id)
        elif isinstance(line, ast.Expr) and isinstance(line.value, ast.Constant) and isinstance(line.value.value, str):
            words |= dict.fromkeys(above, " ".join(line.value.value.split()))
            above = []
    return words


@cache
def _classes(module: str) -> dict[str, ast.ClassDef]:
    """Return the classes of a module as they are written."""
    written = ast.parse(inspect.getsource(sys.modules[module])).body
    return {one.name: one for one in written if isinstance(one, ast.ClassDef)}


def parts(part: type[Struct] = AnswerFacts) -> dict[str, type[Struct]]:
    """Return the parts of the tree by name, each before those in it."""
    found: dict[str, type[Struct]] = {}

    def walk(kind: Any) -> None:
        if isinstance(kind, type) and issubclass(kind, Facts) and kind.__name__ not in found:
            found[kind.__name__] = kind
            for inner_kind in typing.get_type_hints(kind).values():
                walk(inner_kind)
        for inner_kind in typing.get_args(kind):
            walk(inner_kind)

    walk(part)
    return found


def schema(whole: type[Struct] = AnswerFacts) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) that every answer, brief or check follows, made from the types."""
    made = json.schema(whole)
    for name, part in parts(whole).items():
        definition = made["$defs"][name]
        definition["description"] = (part.__doc__ or "").partition("\n")[0]
        for key, text in described(part).items():
            definition["properties"][key]["description"] = text
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "An answer of wxfly", **made}


WHOLES: dict[str, type[Struct]] = {
    "answer": AnswerFacts, "brief": BriefFacts, "check": CheckFacts, "why": OneHourFacts, "sites": SitesFacts,
    "aircraft": AircraftListFacts, "rules": RulesFacts, "store": StoreFacts, "verify": VerificationFacts,
    "ledger": LedgerFacts, "observed": ObservedFacts, "where": WhereFacts, "fleet": FleetFacts, "watch": WatchFacts,
}  # fmt: skip
"""Answer stands for best, compare, week and now; each of the others for the command of its name."""


def schema_of(name: str) -> dict[str, Any]:
    """Return the JSON Schema of what a command prints.

    Parameters
    ----------
    name : str
        One of `WHOLES`.

    Raises
    ------
    WxflyError
        For another name, with the nearest one.
    """
    if name not in WHOLES:
        raise unknown_name("schema", name, WHOLES)
    return schema(WHOLES[name])
