"""The hours as CSV (RFC 4180): one row for each site and hour, everything in columns, nothing above the header.

Where the forecast is from, how old it is and the caution stand in columns of every row, so that they stay with the
numbers when rows are sorted or cut, and every CSV reader opens the file without being told to skip lines.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from wxfly.answer import findings
from wxfly.answer.briefing import age_of
from wxfly.answer.comparison import ComparedHour, compared_hours
from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.assessment.suitability import State, names_of
from wxfly.pilot.elements import BY_NAME, GRADES, Element
from wxfly.report.text import phrases, sentences
from wxfly.report.text.console import clean, without_isolates
from wxfly.report.text.sentences import Reader
from wxfly.units import from_si

# What a spreadsheet may run: one of these at the start of a cell, also of the one that it makes behind a semicolon or
# a bar where it parts columns there. Full-width signs count in some languages.
_FORMULA = re.compile("(^|[;|])(?=[\\s\"']*[=+\\-@\uff1d\uff0b\uff0d\uff20])")


def to_csv(briefing: Briefing, *, units: str, time_zone: str | None) -> str:
    """Write the hours of a briefing as CSV.

    Parameters
    ----------
    briefing : Briefing
        What to tell.
    units : str
        Key of `wxfly.units.SYSTEMS`; units stand in the header in brackets.
    time_zone : str or None
        IANA zone of the local columns; None takes each site's own.

    Returns
    -------
    str
        Header and rows. An empty cell is a thing that is not known; margins are plain numbers.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    compared = compared_hours(briefing) if briefing.question == "compare" else []
    names = sentences.labels(briefing, units)
    elements = [BY_NAME[name] for name in max((names_of(a.assessment) for a in briefing.answers), key=len)]
    writer.writerow(_header(units, elements, is_compared=briefing.question == "compare"))
    for position, answer in enumerate(briefing.answers):
        reader = sentences.reader_for(answer, units=units, time_zone=time_zone)
        for row in _rows(briefing, answer, reader, compared, names, position):
            writer.writerow([_safe(cell) if isinstance(cell, str) else cell for cell in row])
    return text.getvalue()


def _header(units: str, elements: Sequence[Element], *, is_compared: bool) -> list[str]:
    height = phrases.unit_of("height", units)
    columns = [
        "notice", "site", "aircraft", f"height[{height}]", "hour_utc", "hour_local", "zone", "usable_start_local",
        "usable_end_local", "state", "margin", "limiting_element", "window", "not_known",
        "wind_from_direction[degree]",
    ]  # fmt: skip
    columns += ["better"] if is_compared else []
    for row in elements:
        unit = _unit(row, units)
        columns += [f"{row.name}_demand[{unit}]", f"{row.name}_limit[{unit}]", f"{row.name}_margin"]
    return [*columns, "model", "run_utc", "retrieved_utc", "age_h", "attribution", "licence", "caution"]


def _unit(row: Element, units: str) -> str:
    return phrases.unit_of(row.quantity, units) if row.quantity else row.units


def _rows(
    briefing: Briefing,
    answer: SiteAnswer,
    reader: Reader,
    compared: Sequence[ComparedHour],
    names: Sequence[str],
    position: int,
) -> list[list[str | float]]:
    assessment, clock = answer.assessment, reader.clock
    usable_start, usable_end = findings.usable_parts(answer)
    found = findings.gaps(answer)
    better = {hour.time: hour.better for hour in compared}
    direction = answer.conditions["wind_from_direction"].isel(edge=0).values
    origin = _origin(briefing)
    by_element = [assessment[name].transpose("element", "time").values for name in ("demand", "limit", "margin")]
    figures = dict(zip(names_of(assessment), np.stack(by_element, axis=1), strict=True))
    notice = phrases.INVENTED if briefing.is_invented else "; ".join(briefing.notes)
    rows = []
    for i, time in enumerate(assessment["time"].values.astype("datetime64[s]")):
        ranks = [str(rank) for rank, w in enumerate(answer.windows, start=1) if w.first <= i <= w.last]
        row: list[str | float] = [
            notice,
            names[position],
            answer.request.aircraft.name,
            _in_unit(answer.request.height, phrases.unit_of("height", reader.units)),
            f"{time}Z",
            clock.local(time).isoformat(),
            clock.zone(time),
            *("" if np.isnat(t) else clock.local(t).isoformat() for t in (usable_start[i], usable_end[i])),
            State(int(assessment["state"].values[i])).words,
            _plain(float(assessment["hour_margin"].values[i])),
            str(assessment["limiting_element"].values[i]),
            " ".join(ranks),
            " ".join(gap.element for gap in found if i in gap.hours),
            _plain(float(direction[i]), 1),
        ]
        if briefing.question == "compare":
            row.append(int(position in better.get(assessment["time"].values[i], ())))
        for name in names_of(assessment):
            row += _element(BY_NAME[name], figures[name][:, i], reader.units)
        rows.append([*row, *origin])
    return rows


def _element(row: Element, figures: npt.NDArray[np.float64], units: str) -> list[str | float]:
    """Return the cells of one element in one hour, from its demand, limit and margin."""
    demand, limit, margin = figures.tolist()
    if row.sense == "grade":
        word = "" if math.isnan(demand) else GRADES[int(demand)]
        return [word, GRADES[int(limit)], _plain(margin)]
    unit = _unit(row, units) if row.quantity else "1"
    return [_in_unit(demand, unit), _in_unit(limit, unit), _plain(margin)]


def _in_unit(value: float, unit: str) -> str | float:
    return _plain(float(from_si(value, unit)), 3)


def _plain(value: float, places: int = 4) -> str | float:
    return round(value, places) if math.isfinite(value) else ""


def _origin(briefing: Briefing) -> list[str | float]:
    p = briefing.provenance
    age = age_of(p, briefing.now)[0] / np.timedelta64(1, "h")
    return [
        p.model,
        *("" if np.isnat(moment) else f"{moment}Z" for moment in (p.run, p.retrieved)),
        _plain(float(age), 1),
        p.attribution,
        p.license,
        phrases.CAUTIONS[0],
    ]


def _safe(cell: str) -> str:
    """Return a text cell clean, with an apostrophe wherever a spreadsheet could begin to read a formula."""
    return _FORMULA.sub(r"\1'", clean(without_isolates(cell)))
