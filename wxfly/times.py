"""Days and moments as a pilot writes them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import TypeVar

import numpy as np

from wxfly.errors import WxflyError, shortened

Moment = TypeVar("Moment", bound=date)


def _in_range(day: Moment) -> Moment:
    """Refuse years that no forecast is of."""
    if not 1970 <= day.year <= 2200:
        raise ValueError("outside 1970 to 2200")
    return day


@dataclass(frozen=True)
class DaysAhead:
    """A day by its distance from today at the site; today is 0."""

    count: int


@dataclass(frozen=True)
class Weekday:
    """The next day of this name at the site; Monday is 0. Today counts while it has light left."""

    number: int


AskedDay = date | DaysAhead | Weekday
"""A day as a pilot names it; which date it is depends on the clock of the site."""

_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_AHEAD = {"today": DaysAhead(0), "tomorrow": DaysAhead(1)}
DAY_WORDS = (*_AHEAD, *_WEEKDAYS)
"""The words that name a day; a weekday may be shortened to three letters."""


def read_day(text: str | None) -> AskedDay | None:
    """Read a day: YYYY-MM-DD, ``today``, ``tomorrow`` or a weekday; None for nothing.

    Raises
    ------
    WxflyError
        For anything else, such as a day that has gone by.

    Examples
    --------
    >>> read_day("Saturday")
    Weekday(number=5)
    """
    if not text:
        return None
    word = text.strip().casefold()
    if word in _AHEAD:
        return _AHEAD[word]
    for number, name in enumerate(_WEEKDAYS):
        if word in (name, name[:3]):
            return Weekday(number)
    try:
        return _in_range(date.fromisoformat(text))
    except ValueError:
        raise WxflyError(
            f"date '{shortened(text, 80)}' is not understood; "
            "wanted today, tomorrow, a weekday or YYYY-MM-DD, such as 2026-03-12; a forecast only looks ahead"
        ) from None


def is_day(text: str) -> bool:
    """Return whether a word names a day."""
    try:
        return read_day(text) is not None
    except WxflyError:
        return False


AskedHour = time | datetime
"""An hour as a pilot names it: a time of day, or a moment, on the clock of the site unless it names an offset."""

_HOUR = re.compile(r"(\d{1,2})(?:[:.h](\d\d))?\s*(?:h|(am|pm))?", re.IGNORECASE)


def read_hour(text: str) -> AskedHour:
    """Read an hour: ``15``, ``15:00``, ``15h``, ``3pm`` or ISO 8601 with its date.

    Raises
    ------
    WxflyError
        For anything else.

    Examples
    --------
    >>> read_hour("15:30")
    datetime.time(15, 30)
    """
    match = _HOUR.fullmatch(text.strip())
    try:
        if match is None:
            if "T" not in text.strip().upper().replace(" ", "T", 1):
                raise ValueError("no time of day in it")
            return _in_range(datetime.fromisoformat(text.strip()))
        hour, half = int(match[1]), (match[3] or "").casefold()
        if half and not 1 <= hour <= 12:
            raise ValueError("outside 1 to 12")
        return time(hour % 12 + 12 * (half == "pm") if half else hour, int(match[2] or 0))
    except ValueError:
        raise WxflyError(
            f"hour '{shortened(text, 80)}' is not understood; "
            "wanted a time on the clock of the site, such as 15 or 15:00, or 2026-03-12T15:00"
        ) from None


def is_hour(text: str) -> bool:
    """Return whether a word names an hour."""
    try:
        read_hour(text)
    except WxflyError:
        return False
    return True


def read_moment(text: str | None) -> np.datetime64 | None:
    """Read a moment in ISO 8601, UTC unless it names an offset; None for nothing."""
    if not text:
        return None
    try:
        moment = _in_range(datetime.fromisoformat(text))
    except ValueError:
        raise WxflyError(f"time '{text}' is not understood; wanted ISO 8601, such as 2026-03-12T06:00Z") from None
    if moment.tzinfo is not None:
        moment = moment.astimezone(UTC).replace(tzinfo=None)
    return np.datetime64(moment, "s")


def utc_now() -> datetime:
    """Return the present moment."""
    return datetime.now(UTC)


def as_moment(moment: datetime) -> np.datetime64:
    """Return a moment as numpy writes it, UTC [s]."""
    return np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "s")
