"""The facts as JSON, and the JSON Schema that they follow."""

from __future__ import annotations

import inspect
import re
import typing
from typing import Any

from msgspec import Struct, json

from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.values import Facts
from wxfly.report.text.console import escaped


def described(part: type[Struct]) -> dict[str, str]:
    """Return what the docstring of a part of the tree says of each of its keys."""
    _, _, attributes = inspect.cleandoc(part.__doc__ or "").partition("Attributes\n----------\n")
    found = {}
    for names, text in re.findall(r"^(\S[^:\n]*) : [^\n]*\n((?:    .*\n?)+)", attributes, flags=re.MULTILINE):
        for name in names.split(", "):
            found[name] = " ".join(text.split())
    return found


def parts(part: type[Struct] = AnswerFacts) -> dict[str, type[Struct]]:
    """Return the parts of the tree by name, each before those in it."""
    found = {part.__name__: part}

    def walk(kind: Any) -> None:
        if isinstance(kind, type) and issubclass(kind, Facts):
            for name, inner in parts(kind).items():
                found.setdefault(name, inner)
        for inner_kind in typing.get_args(kind):
            walk(inner_kind)

    for kind in typing.get_type_hints(part).values():
        walk(kind)
    return found


def schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) that every answer follows, made from the types."""
    made = json.schema(AnswerFacts)
    for name, part in parts().items():
        definition = made["$defs"][name]
        definition["description"] = (part.__doc__ or "").partition("\n")[0]
        for key, text in described(part).items():
            definition["properties"][key]["description"] = text
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "An answer of wxfly", **made}


def to_json(facts: AnswerFacts) -> str:
    """Return the facts of an answer as one line; what may not leave as it is stands by its number."""
    return escaped(json.encode(facts).decode())
