"""The columns of the hours of a site: one row for each, for every table that programs read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

from wxfly.pilot.elements import BY_NAME
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.comparison import ComparisonFacts
from wxfly.report.facts.hours import limits_of_hours, unknown_of_hours
from wxfly.report.facts.site import SiteAnswerFacts

Kind = Literal["words", "list", "ranks", "hour", "moment", "state", "share", "amount", "grade", "direction", "flag"]


@dataclass(frozen=True)
class Column:
    """One column of a table of hours.

    Attributes
    ----------
    name : str
        Of the column.
    kind : str
        What a value is. ``list`` and ``ranks``: several words, several numbers in each hour.
    hours : sequence
        The value of each hour, SI and UTC; None is unknown or does not exist.
    unit : str
        SI unit of numbers.
    quantity : str
        Key of the unit in `wxfly.units.SYSTEMS`; empty where it is the same for all pilots.
    """

    name: str
    kind: Kind
    hours: Sequence[Any]
    unit: str = ""
    quantity: str = ""


def columns_of(facts: AnswerFacts, position: int) -> list[Column]:
    """Return the columns of the hours of one site.

    Parameters
    ----------
    facts : AnswerFacts
        The answer.
    position : int
        Of the site.

    Returns
    -------
    list of Column
        In the order of the table.
    """
    site = facts.sites[position]
    hours, count = site.hours, len(site.hours.start)
    columns = [
        Column("site", "words", [site.label] * count),
        Column("aircraft", "words", [site.aircraft.name] * count),
        Column("height", "amount", [site.height] * count, "m", "height"),
        Column("hour", "hour", hours.start),
        Column("usable_start", "moment", hours.usable_start),
        Column("usable_end", "moment", hours.usable_end),
        Column("state", "state", hours.state),
        Column("margin", "share", hours.margin, "1"),
        Column("limiting_element", "words", hours.limiting_element),
        Column("window", "ranks", _ranks(site)),
        Column("not_known", "list", unknown_of_hours(hours, site.elements)),
        Column("chance", "share", hours.chance, "1"),
        Column("wind_from_direction", "direction", hours.wind_from_direction_at_start, "degree"),
    ]
    if facts.comparison is not None:
        columns += _compared(facts.comparison, position, hours.start)
    for element in site.elements:
        kind: Kind = "grade" if element.sense == "grade" else "amount"
        unit = element.unit, BY_NAME[element.name].quantity
        columns += [
            Column(f"{element.name}_demand", kind, element.demand, *unit),
            Column(f"{element.name}_limit", kind, limits_of_hours(element), *unit),
            Column(f"{element.name}_margin", "share", element.margin, "1"),
        ]
    return columns


def _ranks(site: SiteAnswerFacts) -> list[list[int]]:
    """Return the ranks of the windows that each hour has a part in."""
    hour = timedelta(hours=1)
    return [[w.rank for w in site.windows if w.start < start + hour and start < w.end] for start in site.hours.start]


def _compared(comparison: ComparisonFacts, position: int, hours: Sequence[datetime]) -> list[Column]:
    """Return whether the site is the better one in each hour, and of two sites how sure that is."""
    at = {start: i for i, start in enumerate(comparison.start)}
    places = [at.get(hour) for hour in hours]
    columns = [Column("better", "flag", [i is not None and position in comparison.better[i] for i in places])]
    if len(comparison.standings) == 2:
        shares = [None if i is None else comparison.chance_better[i] for i in places]
        columns.append(Column("chance_better", "share", [three and three[position] for three in shares], "1"))
    return columns
