"""The keywords of a question, the same as on the command line: texts, or plain numbers in SI units."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, TypedDict, get_type_hints

import numpy as np

from wxfly.answer.request import QuestionKind
from wxfly.errors import WxflyError, unknown_name
from wxfly.question.reading import Words
from wxfly.times import read_moment
from wxfly.units import SYSTEMS

Quantity = float | str
"""A number in SI units, or a text with its unit."""
Moment = str | datetime | np.datetime64
"""A time; UTC unless it has an offset."""


class Keywords(TypedDict, total=False):
    """The keywords of every question. Each may be left out; None counts as left out.

    A number is in SI units, whatever `units` is. A text has its unit; without one it is read in that of `units`, as on
    the command line.

    Attributes
    ----------
    aircraft : str
        Name of a class or of one of the pilot's aircraft; by default the same as on the command line.
    height : float or str
        Flight height above ground [m]; by default 60.
    duration, contingency : float or str
        Shortest useful window, and extra time for what may go wrong [s]; ``"as-long"`` doubles the first.
    survey : float or str
        Work that can be interrupted at any hour [s].
    hold : int
        Waiting hours after one above the wind or gust limit, 0 to 12.
    costs : str or sequence of float
        Cost of the drive, value of a flight, cost of damage; in one currency.
    rules : str
        Name of a rule set.
    reserve, confidence, battery_reserve : float
        Share of every limit to keep; probability that wind and gust stay below the compared value; share of a battery
        to land with.
    launch_limit : float or str
        Largest gust 2 m above ground for launching and landing [m s-1].
    required, advised : str or sequence of str
        Elements to treat as required or as advised.
    prefer : str
        ``"low-light"``.
    toward : float or str
        Viewing direction of the pilot [degree], or a point such as ``"SW"``.
    units : str
        ``"metric"``, ``"imperial"`` or ``"aviation"``, for text and figures.
    time_zone : str
        IANA zone for text and figures; by default each site's own.
    model : str
        The one forecast model to ask; by default chosen by place and hours.
    forecast_path : str or Path
        A saved reply or a forecast file to answer from instead of a service.
    as_of : str or datetime.datetime or numpy.datetime64
        Time of the answer, UTC.
    fresh, offline, site_record : bool
        Whether to rank without earlier choices; to ask no service; to correct by the site's record.
    ensemble : str or sequence of str
        Ensembles whose members give the chance, or ``none``; by default one chosen by place and hours.
    distance, return_height : float or str
        Ground distance of the flight, and height of the return leg above ground [m].
    work : float or str
        Time at the farthest point [s].
    batteries : int
        Number of charged batteries, 1 to 99.
    cells : float or str
        Battery temperature before take-off [K].
    payload : float or str
        [kg]
    """

    aircraft: str | None
    height: Quantity | None
    duration: Quantity | None
    contingency: Quantity | None
    survey: Quantity | None
    wait: int | None
    costs: str | Sequence[float] | None
    rules: str | None
    reserve: float | None
    confidence: float | None
    launch_limit: Quantity | None
    required: str | Sequence[str] | None
    advised: str | Sequence[str] | None
    prefer: str | None
    toward: Quantity | None
    units: str | None
    time_zone: str | None
    model: str | None
    forecast_path: str | Path | None
    as_of: Moment | None
    fresh: bool
    offline: bool
    ensemble: str | Sequence[str] | None
    site_record: bool
    distance: Quantity | None
    return_height: Quantity | None
    work: Quantity | None
    batteries: int | None
    battery_reserve: float | None
    cells: Quantity | None
    payload: Quantity | None


class KeywordsOfDay(Keywords, total=False):
    """The keywords of a question about one day.

    Attributes
    ----------
    day : str or datetime.date
        Date at the site; by default tomorrow.
    """

    day: str | date | None


class KeywordsOfDays(Keywords, total=False):
    """The keywords of a question about several days.

    Attributes
    ----------
    days : int
        Number of days from today on, 1 to 16; by default 7.
    """

    days: int | None


KEYWORDS: Mapping[QuestionKind, type] = {"best": KeywordsOfDay, "compare": KeywordsOfDay, "week": KeywordsOfDays}

# The SI unit of a number, by keyword.
_UNITS = {
    "height": "m", "distance": "m", "return_height": "m", "duration": "s", "contingency": "s", "survey": "s",
    "work": "s", "launch_limit": "m/s", "cells": "K", "payload": "kg", "toward": "",
}  # fmt: skip
_CHOICES = {"units": tuple(SYSTEMS), "prefer": ("low-light",)}
_COUNTS = {"wait": (0, 12), "batteries": (1, 99), "days": (1, 16)}
_SHARES = ("reserve", "confidence", "battery_reserve")
_SWITCHES = ("fresh", "offline", "site_record")
_SEVERAL = ("required", "advised", "ensemble")


def read_keywords(kind: QuestionKind, given: Mapping[str, Any]) -> Words:
    """Return the words of a question from the keywords of a call.

    Parameters
    ----------
    kind : str
        ``best``, ``compare`` or ``week``.
    given : mapping
        Values by the names of `Keywords`; None counts as left out.

    Raises
    ------
    WxflyError
        For a name that the question does not have, with the nearest one, or a value of the wrong type.

    Examples
    --------
    >>> read_keywords("best", {"height": 80.0}).height
    '80m'
    """
    names = names_of(kind)
    for name in given:
        if name not in names:
            raise unknown_name("keyword", name, names)
    words = {name: _read(name, value) for name, value in given.items() if value is not None}
    return Words(**words)


def names_of(kind: QuestionKind) -> tuple[str, ...]:
    """Return the names of a question's keywords, in their order."""
    names = get_type_hints(KEYWORDS[kind])
    return tuple(field.name for field in dataclasses.fields(Words) if field.name in names)


def _read(name: str, value: Any) -> Any:
    if name in _UNITS:
        return text_of(name, value)
    if name in _COUNTS:
        return _count(name, value)
    if name in _SHARES:
        if not _is_number(value):
            raise _unfit(name, value, "a share, such as 0.2")
        return float(value)
    if name in _SWITCHES:
        if not isinstance(value, bool | np.bool_):
            raise _unfit(name, value, "True or False")
        return bool(value)
    read = _OTHERS.get(name)
    return _text(name, value) if read is None else read(name, value)


def text_of(name: str, value: Any) -> str:
    """Return a quantity as a pilot writes it: a number gets its SI unit, a text stays unchanged."""
    if isinstance(value, str) and value.strip():
        return value
    if not _is_number(value):
        raise _unfit(name, value, f"a number in {_UNITS[name] or 'degrees'} or a text with its unit")
    return f"{float(value):.6f}".rstrip("0").rstrip(".") + _UNITS[name]


def read_as_of(value: Moment | None, name: str = "as_of") -> np.datetime64 | None:
    """Return a time, UTC [s]; None for None."""
    return None if value is None else read_moment(_moment(name, value))


def _moment(name: str, value: Any) -> str:
    if isinstance(value, np.datetime64) and not np.isnat(value):
        return str(value.astype("datetime64[s]"))
    if isinstance(value, datetime):
        moment = value if value.tzinfo is None else value.astimezone(UTC)
        return moment.isoformat(timespec="seconds")
    if isinstance(value, str) and value:
        return value
    raise _unfit(name, value, "a moment such as '2026-03-12T06:00Z'")


def _day(name: str, value: Any) -> str:
    if isinstance(value, datetime):
        value = value.date()
    return value.isoformat() if isinstance(value, date) else _text(name, value)


def _text(name: str, value: Any) -> str:
    if not isinstance(value, str) or not value:
        raise _unfit(name, value, "a text")
    if name in _CHOICES and value not in _CHOICES[name]:
        raise unknown_name(name, value, _CHOICES[name])
    return value


def _several(name: str, value: Any) -> tuple[str, ...]:
    values = (value,) if isinstance(value, str) else value
    if not isinstance(values, Sequence) or not all(isinstance(part, str) for part in values):
        raise _unfit(name, value, "a name or a list of names")
    return tuple(values)


def _costs(name: str, value: Any) -> str:
    if isinstance(value, Sequence) and not isinstance(value, str) and all(_is_number(part) for part in value):
        return ",".join(f"{part:f}" for part in value)
    return _text(name, value)


def _path(name: str, value: Any) -> Path:
    if not isinstance(value, str | Path) or not str(value):
        raise _unfit(name, value, "the path of a file")
    return Path(value)


def _count(name: str, value: Any) -> int:
    least, most = _COUNTS[name]
    if isinstance(value, bool) or not isinstance(value, int | np.integer) or not least <= value <= most:
        raise _unfit(name, value, f"a whole number from {least} to {most}")
    return int(value)


_OTHERS: dict[str, Callable[[str, Any], Any]] = {
    "as_of": _moment, "day": _day, "costs": _costs, "forecast_path": _path, **dict.fromkeys(_SEVERAL, _several),
}  # fmt: skip


def _is_number(value: Any) -> bool:
    is_number = isinstance(value, int | float | np.integer | np.floating) and not isinstance(value, bool)
    return is_number and math.isfinite(value)


def _unfit(name: str, value: Any, wanted: str) -> WxflyError:
    return WxflyError(f"{name}={value!r:.80} is not understood; wanted {wanted}")
