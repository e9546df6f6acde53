"""What is printed as JSON, by the name of what prints it, and the JSON Schema of each."""

from __future__ import annotations

from typing import Any

from msgspec import Struct

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
from wxfly.report.json import schema

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
