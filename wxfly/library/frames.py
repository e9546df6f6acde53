"""Tables of an answer for pandas: its hours and its windows, SI units and UTC."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from wxfly.answer.windows import Window
from wxfly.assessment.suitability import State
from wxfly.pilot.elements import GRADES
from wxfly.report.tables import columns_of

if TYPE_CHECKING:
    from wxfly.report.facts.answer import AnswerFacts
    from wxfly.report.tables import Column

STATES = pd.CategoricalDtype([state.words for state in State], ordered=True)
_GRADES = pd.CategoricalDtype(list(GRADES), ordered=True)


def hours_frame(facts: AnswerFacts) -> pd.DataFrame:
    """Return the hours of an answer as a table, one row for each site and hour.

    Parameters
    ----------
    facts : AnswerFacts
        The answer.

    Returns
    -------
    pandas.DataFrame
        Index ``time``: start of the hour, UTC. Columns: ``site``, ``aircraft``, ``height`` [m], ``usable_start`` and
        ``usable_end`` (the lit part, UTC), ``state`` (ordered from not known to inside), ``margin``,
        ``limiting_element``, ``window`` (its rank), ``not_known`` (elements without a value, in one text), ``chance``
        (that every limit holds), ``wind_from_direction`` [degree], for a comparison ``better`` and ``chance_better``,
        and for each element ``_demand``, ``_limit`` and ``_margin``. What is unknown is NaN, NaT or NA.
        ``attrs["units"]`` has the unit of each column, ``attrs["notes"]`` what the reader must know first.
    """
    tables = [columns_of(facts, position) for position in range(len(facts.sites))]
    frame = pd.concat([pd.DataFrame({c.name: _typed(c) for c in table}).set_index("hour") for table in tables])
    frame.index.name = "time"
    units = {column.name: column.unit for table in tables for column in table if column.unit}
    frame.attrs = {"units": units, "notes": [note.text for note in facts.notes]}
    return frame


def windows_frame(windows: Sequence[Window]) -> pd.DataFrame:
    """Return windows as a table.

    Parameters
    ----------
    windows : sequence of Window
        Windows of one place, the best first.

    Returns
    -------
    pandas.DataFrame
        Index ``rank`` from 1. Columns: ``start`` and ``end`` (UTC), ``state``, ``margin``, ``limiting_element``,
        ``chance`` (NaN where it was not computed), ``unknown`` (advised elements without a value, in one text).
    """
    return pd.DataFrame(
        {
            "start": _times([w.start for w in windows]),
            "end": _times([w.end for w in windows]),
            "state": pd.Categorical([w.state.words for w in windows], dtype=STATES),
            "margin": np.array([w.margin for w in windows], dtype=float),
            "limiting_element": pd.array([w.limiting_element for w in windows], dtype="string"),
            "chance": np.array([np.nan if w.chance is None else w.chance.value for w in windows], dtype=float),
            "unknown": pd.array([" ".join(w.unknown) for w in windows], dtype="string"),
        },
        index=pd.RangeIndex(1, len(windows) + 1, name="rank"),
    )


def _typed(column: Column) -> Any:
    """Return the values of a column in the type of its kind."""
    values = column.hours
    match column.kind:
        case "hour" | "moment":
            return _times(values)
        case "state":
            return pd.Categorical(values, dtype=STATES)
        case "grade":
            return pd.Categorical([None if v is None else GRADES[int(v)] for v in values], dtype=_GRADES)
        case "flag":
            return np.array(values, dtype=bool)
        case "words":
            return pd.array([pd.NA if v is None else v for v in values], dtype="string")
        case "list":
            return pd.array([" ".join(v) for v in values], dtype="string")
        case "ranks":
            return pd.array([v[-1] if v else pd.NA for v in values], dtype="Int64")
        case _:
            return np.array(values, dtype=float)


def _times(values: Any) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(pd.to_datetime(values, utc=True)).as_unit("ns")
