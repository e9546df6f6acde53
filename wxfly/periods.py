"""Whole days on a site's own clock, and its midnights, in UTC."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

import numpy as np

from wxfly.site import Site, zone_of


def period_of(
    site: Site, now: np.datetime64, *, day: date | None = None, first_day: int = 1, days: int = 1
) -> tuple[np.datetime64, np.datetime64]:
    """Give the UTC bounds of whole days on the site's own clock.

    Parameters
    ----------
    site : Site
        Whose clock counts: two sites may have different days.
    now : numpy.datetime64
        UTC.
    day : date, optional
        The first day; by default `first_day` days after today at the site.
    first_day, days : int, optional
        How many days from today the period starts, and how many days it has.
    """
    zone = zone_of(site.time_zone)
    local_now = datetime.fromisoformat(f"{now.astype('datetime64[s]')}+00:00").astimezone(zone)
    first = day or local_now.date() + timedelta(days=first_day)
    start = datetime.combine(first, time(), tzinfo=zone)
    end = datetime.combine(first + timedelta(days=days), time(), tzinfo=zone)
    return _utc(start), _utc(end)


def midnights(site: Site, start: np.datetime64, end: np.datetime64) -> list[np.datetime64]:
    """Give the midnights on the site's own clock between two moments, UTC."""
    zone = zone_of(site.time_zone)
    first, last = (datetime.fromisoformat(f"{m.astype('datetime64[s]')}+00:00").astimezone(zone) for m in (start, end))
    days = (first.date() + timedelta(days=n) for n in range(1, (last.date() - first.date()).days + 1))
    return [_utc(datetime.combine(day, time(), tzinfo=zone)) for day in days]


def _utc(moment: datetime) -> np.datetime64:
    offset = moment.utcoffset() or timedelta()
    return np.datetime64(moment.replace(tzinfo=None) - offset, "s")
