"""The facts as JSON, and the JSON Schema that they follow."""

from __future__ import annotations

import ast
import inspect
import sys
import typing
from functools import cache
from typing import Any

from msgspec import Struct, json

from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.values import Facts
from wxfly.report.text.console import escaped


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


def to_json(facts: Facts) -> str:
    """Return the facts of an answer, a brief or a check as one line; what may not leave stands by its number."""
    return escaped(json.encode(facts).decode())
