"""Days and moments as a pilot writes them."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TypeVar

import numpy as np

from wxfly.errors import WxflyError

Moment = TypeVar("Moment", bound=date)


def _in_range(day: Moment) -> Moment:
    """Refuse years that no forecast is of."""
    if not 1970 <= day.year <= 2200:
        raise ValueError("outside 1970 to 2200")
    return day


def read_day(text: str | None) -> date | None:
    """Read a date, YYYY-MM-DD; None for nothing."""
    if not text:
        return None
    try:
        return _in_range(date.fromisoformat(text))
    except ValueError:
        raise WxflyError(f"date '{text}' is not understood; wanted YYYY-MM-DD, such as 2026-03-12") from None


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
