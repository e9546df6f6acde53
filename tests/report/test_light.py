"""The line of light where clock and longitude lie on different sides of the date line, against PyEphem itself."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import ephem
import numpy as np
import pytest

from wxfly.pilot.site import Site
from wxfly.report.facts.hours import sun_passes
from wxfly.report.facts.writing import Clock
from wxfly.report.text.details import light

PLACES = {
    "Chatham Islands": ("Pacific/Chatham", -43.95, -176.55),
    "Apia": ("Pacific/Apia", -13.83, -171.76),
    "Kiritimati": ("Pacific/Kiritimati", 1.87, -157.43),
    "Vanua Balavu": ("Pacific/Fiji", -17.24, -178.93),
    "Attu": ("America/Adak", 52.90, 172.91),  # the other way about
    "Lisbon": ("Europe/Lisbon", 38.72, -9.14),
}
ORDINARY = (date(2026, 1, 15), date(2026, 6, 21), date(2026, 9, 10), date(2026, 12, 31))
CHANGES = {  # the eve of the change of the clocks, its day and the day after, spring and autumn
    "Chatham Islands": (date(2026, 4, 5), date(2026, 9, 27)),
    "Attu": (date(2026, 3, 8), date(2026, 11, 1)),
    "Lisbon": (date(2026, 3, 29), date(2026, 10, 25)),
}
EVENTS = {"first light": ("-6", "next_rising"), "sunrise": ("-0:50", "next_rising"),
          "sunset": ("-0:50", "next_setting"), "last light": ("-6", "next_setting")}  # fmt: skip


def days_of(place: str) -> list[date]:
    around = [day + timedelta(days=n) for day in CHANGES.get(place, ()) for n in (-1, 0, 1)]
    return [*ORDINARY, *around]


def by_ephem(place: str, day: date, event: str) -> datetime:
    """Return an event by PyEphem: the first one after the clock's midnight that begins the day."""
    zone, latitude, longitude = PLACES[place]
    observer = ephem.Observer()
    observer.lat, observer.lon, observer.pressure = str(latitude), str(longitude), 0
    observer.horizon, which = EVENTS[event]
    observer.date = datetime.combine(day, time(), tzinfo=ZoneInfo(zone)).astimezone(UTC).replace(tzinfo=None)
    found = getattr(observer, which)(ephem.Sun(), use_center=True).datetime().replace(tzinfo=UTC)
    return found.astimezone(ZoneInfo(zone))


@pytest.mark.parametrize(("place", "day"), [(place, day) for place in PLACES for day in days_of(place)])
def test_the_line_of_light_is_of_the_day_on_the_clock(place: str, day: date) -> None:
    zone, latitude, longitude = PLACES[place]
    clock = Clock(zone)
    told = light(SimpleNamespace(**sun_passes(Site(place, latitude, longitude, 30.0, zone), day, 1)[0]), clock)
    for event in EVENTS:
        wanted = by_ephem(place, day, event)
        assert wanted.date() == day
        hour, minute = map(int, re.search(rf"{event} (\d\d):(\d\d)", told).groups())
        off = 60 * hour + minute - (60 * wanted.hour + wanted.minute + wanted.second / 60)
        assert abs(off) <= 1.0, f"{event}: {told}, by PyEphem {wanted:%H:%M:%S %Z}"
    assert told.endswith(clock.zone(np.datetime64(by_ephem(place, day, "sunset").astimezone(UTC).replace(tzinfo=None))))
