"""Tables of an answer for pandas: its hours and its windows, SI units and UTC."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.answer.windows import Window
from wxfly.assessment.suitability import State, names_of
from wxfly.pilot.elements import BY_NAME, GRADES
from wxfly.report.text import sentences
from wxfly.report.text.console import without_isolates

STATES = pd.CategoricalDtype([state.words for state in State], ordered=True)
_GRADES = pd.CategoricalDtype(list(GRADES), ordered=True)


def hours_frame(briefing: Briefing) -> pd.DataFrame:
    """Return the hours of a briefing as a table, one row for each site and hour.

    Parameters
    ----------
    briefing : Briefing
        What was answered.

    Returns
    -------
    pandas.DataFrame
        Index ``time``: start of the hour, UTC. Columns: ``site``, ``height`` [m], ``usable_start`` and ``usable_end``
        (the lit part, UTC), ``state`` (ordered from not known to inside), ``margin``, ``limiting_element``,
        ``window`` (its rank), ``chance`` (that every limit holds), ``wind_from_direction`` [degree], and for each
        element ``_demand``, ``_limit`` and ``_margin``. What is unknown is NaN, NaT or NA. ``attrs["units"]`` has the
        unit of each column, ``attrs["notes"]`` what the reader must know first.
    """
    names = site_names(briefing)
    frame = pd.concat([_hours(answer, name) for answer, name in zip(briefing.answers, names, strict=True)])
    frame.attrs = {"units": _units(frame), "notes": list(briefing.notes)}
    return frame


def windows_frame(windows: Sequence[Window]) -> pd.DataFrame:
    """Return windows as a table.

    Parameters
    ----------
    windows : sequence of Window
        Of one place, the best first.

    Returns
    -------
    pandas.DataFrame
        Index ``rank`` from 1. Columns: ``start`` and ``end`` (UTC), ``state``, ``margin``, ``limiting_element``,
        ``chance`` (NaN where it was not worked out), ``unknown`` (advised elements without a value, in one text).
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


def site_names(briefing: Briefing) -> list[str]:
    """Return a name for each answer, with its height where the site alone does not tell them apart."""
    return [without_isolates(name) for name in sentences.labels(briefing, "metric")]


def _hours(answer: SiteAnswer, name: str) -> pd.DataFrame:
    assessment = answer.assessment
    count = assessment.sizes["time"]
    rank = pd.array([pd.NA] * count, dtype="Int64")
    for position, window in enumerate(answer.windows, start=1):
        rank[window.first : window.last + 1] = position
    limiting = [str(element) or pd.NA for element in assessment["limiting_element"].to_numpy()]
    chance = np.full(count, np.nan) if answer.sureness is None else answer.sureness.hours.to_numpy()
    columns: dict[str, Any] = {
        "site": pd.array([name] * count, dtype="string"),
        "height": np.full(count, answer.request.height),
        "usable_start": _times(assessment["usable_start"].to_numpy()),
        "usable_end": _times(assessment["usable_end"].to_numpy()),
        "state": pd.Categorical([State(int(s)).words for s in assessment["state"].to_numpy()], dtype=STATES),
        "margin": assessment["hour_margin"].to_numpy(),
        "limiting_element": pd.array(limiting, dtype="string"),
        "window": rank,
        "chance": chance,
        "wind_from_direction": answer.conditions["wind_from_direction"].isel(edge=0).to_numpy(),
    }
    for element in names_of(assessment):
        of_element = assessment.sel(element=element)
        for part in ("demand", "limit", "margin"):
            values = of_element[part].to_numpy()
            is_grade = part != "margin" and BY_NAME[element].sense == "grade"
            columns[f"{element}_{part}"] = _graded(values) if is_grade else values
    return pd.DataFrame(columns, index=_times(assessment["time"].to_numpy()).rename("time"))


def _graded(values: npt.NDArray[np.float64]) -> pd.Categorical:
    return pd.Categorical([None if np.isnan(v) else GRADES[int(v)] for v in values], dtype=_GRADES)


def _times(values: Any) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(np.asarray(values, dtype="datetime64[ns]")).tz_localize("UTC")


def _units(frame: pd.DataFrame) -> dict[str, str]:
    units = {"height": "m", "margin": "1", "chance": "1", "wind_from_direction": "degree"}
    for column in frame.columns:
        element, _, part = str(column).rpartition("_")
        if part in ("demand", "limit", "margin") and element in BY_NAME:
            units[str(column)] = "1" if part == "margin" else BY_NAME[element].units
    return units
