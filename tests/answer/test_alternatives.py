"""What would change an answer: each change makes the window it says, and is the smallest that does."""

import numpy as np
import pytest

from tests.cubes import quiet_cube
from wxfly.answer.alternatives import find_changes
from wxfly.answer.briefing import make_briefing
from wxfly.answer.request import Request
from wxfly.pilot.aircraft import find_aircraft, load_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.pilot.site import Site, period_of
from wxfly.retrieval.origin import ForecastOrigin

SITE = Site("Meadow", 52.0, 6.0, surface_altitude=30.0, time_zone="Europe/Amsterdam")
SMALL = find_aircraft("camera-quad-250g", None)
NOW = np.datetime64("2026-06-10T00", "s")
OTHERS = [(a, limits_for(a)) for a in load_aircraft(None).values()]


def ask(cube, *, height=60.0, duration=45, aircraft=SMALL):
    sites = cube.expand_dims(site=["Meadow"], axis=1)
    sites = sites.assign_coords({k: ("site", [float(cube[k])]) for k in ("latitude", "longitude", "surface_altitude")})
    length = np.timedelta64(duration, "m")
    briefing = make_briefing(
        "best", sites, [Request(SITE, aircraft, limits_for(aircraft), height)], [period_of(SITE, NOW, first_day=0)],
        minimum_duration=length, now=NOW, provenance=ForecastOrigin(run=NOW, model="a test"),
    )  # fmt: skip
    (answer,) = briefing.answers
    return answer, {c.kind: c for c in find_changes(answer, sites.isel(site=0), length, others=OTHERS)}


def with_wind(cube, aloft, gust):
    cube["wind_speed"] = (cube["wind_speed"] * 0 + np.array(aloft)).assign_attrs(cube["wind_speed"].attrs)
    cube["wind_speed_of_gust"] = (cube["wind_speed_of_gust"] * 0 + gust).assign_attrs(cube["wind_speed_of_gust"].attrs)
    return cube


def test_what_would_break_a_window():
    answer, changes = ask(quiet_cube())
    assert set(changes) == {"more"}
    change = changes["more"]
    assert change.element == answer.best.limiting_element
    part = answer.assessment.sel(element=change.element).isel(time=slice(answer.best.first, answer.best.last + 1))
    assert change.amount == pytest.approx(float((part["limit"] - part["demand"]).min()))


def test_flying_lower():
    cube = with_wind(quiet_cube(), (5.0, 9.5, 11.0), 6.0)
    answer, changes = ask(cube, height=100.0)
    assert answer.best is None
    lower = changes["lower"]
    assert lower.height < 100.0
    reserve = answer.request.limits.reserve
    assert ask(cube, height=lower.height)[0].best.margin >= reserve
    higher = ask(cube, height=lower.height + 5.0)[0].best
    assert higher is None or higher.margin < reserve


def test_flying_lower_out_of_air_too_cold():
    cube = quiet_cube()
    cold = limits_for(SMALL).minimum_temperature - 2.0
    for name, value in (("air_temperature", cold + 10.0), ("dew_point_temperature", cold - 10.0)):
        cube[name] = (cube[name] * 0 + value).assign_attrs(cube[name].attrs)
    values = np.interp(cube["height"].values, [10.0, 120.0], [cold + 10.0, cold])
    aloft = cube["air_temperature_aloft"] * 0
    cube["air_temperature_aloft"] = (aloft + values).assign_attrs(cube["air_temperature_aloft"].attrs)
    answer, changes = ask(cube, height=120.0)
    assert answer.best is None
    assert changes["lower"].height < 120.0


def test_a_shorter_flight():
    cube = quiet_cube()
    wet = np.where(np.arange(25) == 12, 0.0, 3.0)  # dry in one hour only
    cube["precipitation_amount"] = (cube["precipitation_amount"] + wet).assign_attrs(cube["precipitation_amount"].attrs)
    answer, changes = ask(cube, duration=120)
    assert answer.best is None
    assert changes["shorter"].window.length == np.timedelta64(60, "m")
    assert "lower" not in changes
    assert "aircraft" not in changes or changes["aircraft"].window.length >= np.timedelta64(120, "m")


def test_another_aircraft_is_the_smallest_that_stands_it():
    answer, changes = ask(with_wind(quiet_cube(), (6.0, 7.0, 7.5), 10.0))
    assert answer.best is None
    chosen = changes["aircraft"].aircraft
    standing = [a for a, _ in OTHERS if a.maximum_gust > answer.assessment["demand"].sel(element="gust").max()]
    assert chosen in [a.title for a in standing]
    assert changes["aircraft"].window.margin >= answer.request.limits.reserve


@pytest.mark.thorough
def test_another_day():
    cube = quiet_cube(73)
    cube["wind_speed_of_gust"][:30] = 15.0
    answer, changes = ask(cube)
    assert answer.best is None
    assert changes["day"].window.start > answer.end
    assert "day" not in ask(with_wind(quiet_cube(), (6.0, 7.0, 7.5), 15.0))[1]


def test_a_day_with_probably_no_room_is_not_advised(monkeypatch):
    cube, limits = quiet_cube(97), limits_for(SMALL)
    cube["wind_speed_of_gust"][:30] = 15.0
    cube["wind_speed_of_gust"][30:] = 0.75 * limits.maximum_gust
    cube["wind_speed"][30:] = 0.75 * limits.maximum_wind
    cube["precipitation_probability"][30:] = 0.45
    answer, changes = ask(cube)
    assert answer.best is None and "day" not in changes
    monkeypatch.setattr("wxfly.answer.alternatives._is_likely", lambda *_: True)
    assert "day" in ask(cube)[1], "it is within the limits, with their reserve"


def test_what_is_not_known_is_changed_by_nothing():
    cube = quiet_cube()
    cube["wind_speed_of_gust"] = cube["wind_speed_of_gust"] * np.nan
    assert ask(cube)[1] == {}
