"""An airport's own forecast of the hours ahead against the forecast: what prevails, what changes, what is perhaps."""

import json

import numpy as np
import pytest

from tests.cubes import START, quiet_cube
from tests.sources.test_airport_forecasts import ROW
from wxfly.history.airport_check import compare_hours
from wxfly.pilot.site import Site
from wxfly.retrieval.airports import choose_aerodrome_forecast
from wxfly.sources.aviation_weather import parse_aerodrome_forecasts

SITE = Site("heath", 52.31, 6.84, 30.0)
NOON = START.astype("datetime64[s]") + np.timedelta64(12, "h")
BASE = {"fcstChange": None, "wspd": 4, "visib": "6+", "clouds": [{"cover": "FEW", "base": 3000}]}


def at(hours):
    return int(NOON.astype(int)) + round(3600 * hours)


def group(begin, end, becoming=None, **changes):
    settled = None if becoming is None else at(becoming)
    return {"timeFrom": at(begin), "timeTo": at(end), "timeBec": settled} | changes


def aerodrome(*groups, issued="2026-06-10 11:30:00", **changes):
    whole = [group(0, 24, **BASE), *groups]
    row = ROW | {"issueTime": issued, "validTimeFrom": at(0), "validTimeTo": at(24), "fcsts": whole} | changes
    return parse_aerodrome_forecasts(json.dumps([row]).encode())[0]


def marks(*groups, cube=None, mark="is_large"):
    """Return the hours after noon at which each quantity is marked."""
    found = {}
    for hour in compare_hours(aerodrome(*groups), quiet_cube() if cube is None else cube, NOON):
        for one in hour.expected:
            if getattr(one, mark):
                found.setdefault(one.name, []).append(int((hour.hour - NOON) / np.timedelta64(1, "h")))
    return found


def test_an_airport_that_expects_the_same_is_not_marked():
    assert marks() == {}
    assert marks(mark="is_large_at_times") == {}
    hours = compare_hours(aerodrome(), quiet_cube(), NOON)
    assert [hour.hour for hour in hours] == [NOON + k * np.timedelta64(1, "h") for k in range(12)]


@pytest.mark.parametrize(
    ("says", "name"),
    [
        ({"wspd": 15}, "wind_speed"),
        ({"wgst": 25}, "wind_speed_of_gust"),
        ({"visib": 1}, "visibility_in_air"),
        ({"clouds": [{"cover": "OVC", "base": 600}]}, "low_type_cloud_area_fraction"),
        ({"wxString": "TSRA"}, "weather_code"),
        ({"wxString": "-FZRA"}, "weather_code"),
        ({"wxString": "FG"}, "weather_code"),
    ],
)
def test_each_quantity_is_compared(says, name):
    assert marks(group(3, 24, **(BASE | {"fcstChange": "FM"} | says))) == {name: list(range(3, 12))}


def test_a_forecast_that_is_the_worse_of_the_two_differs_too():
    cube = quiet_cube()
    cube["wind_speed"][14] = 12.0
    cube["weather_code"][15] = 95.0
    cube["low_type_cloud_area_fraction"][16] = 1.0
    assert marks(cube=cube) == {"wind_speed": [2], "weather_code": [3], "low_type_cloud_area_fraction": [4]}


def test_while_a_change_is_under_way_either_side_of_it_will_do():
    change = group(2, 24, becoming=5, fcstChange="BECMG", wspd=15)
    assert marks(change) == {"wind_speed": [5, 6, 7, 8, 9, 10, 11]}
    (hour,) = (
        h for h in compare_hours(aerodrome(change), quiet_cube(), NOON) if h.hour == NOON + np.timedelta64(3, "h")
    )
    wind = next(one for one in hour.expected if one.name == "wind_speed")
    assert wind.prevailing == pytest.approx(15 * 1852 / 3600), "the worse is shown"


def test_what_a_change_does_not_name_stays():
    change = group(2, 24, becoming=2, fcstChange="BECMG", visib=1)
    later = compare_hours(aerodrome(change), quiet_cube(), NOON)[5]
    wind = next(one for one in later.expected if one.name == "wind_speed")
    assert wind.prevailing == pytest.approx(4 * 1852 / 3600)


def test_what_is_perhaps_is_told_apart_and_only_where_it_is_worse():
    perhaps = group(4, 6, fcstChange="TEMPO", wspd=20, wgst=35, visib=2, wxString="TSRA")
    names = ("wind_speed", "wind_speed_of_gust", "visibility_in_air", "weather_code")
    assert marks(perhaps) == {}
    assert marks(perhaps, mark="is_large_at_times") == {name: [4, 5] for name in names}
    better = quiet_cube()
    better["wind_speed"][:] = 20.0
    assert "wind_speed" not in marks(group(4, 6, fcstChange="PROB", wspd=2), cube=better, mark="is_large_at_times")


def test_a_value_that_is_missing_is_not_compared():
    cube = quiet_cube().drop_vars(["wind_speed", "weather_code", "visibility_in_air", "wind_speed_of_gust"])
    cube["low_type_cloud_area_fraction"][:] = np.nan
    assert compare_hours(aerodrome(group(3, 24, **(BASE | {"fcstChange": "FM", "wspd": 40}))), cube, NOON) == []


def test_the_newest_in_force_of_the_nearest_airport_is_chosen():
    def chosen(*forecasts):
        found = choose_aerodrome_forecast(forecasts, SITE, NOON)
        return found and (found.station, str(found.issued)[11:16])

    near, far = aerodrome(icaoId="NEAR"), aerodrome(icaoId="FAR1", lat=52.7)
    newer = aerodrome(icaoId="NEAR", issued="2026-06-10T11:50:00.000Z")
    assert chosen(far, near, newer) == ("NEAR", "11:50")
    assert chosen(far, aerodrome(icaoId="OLD1", issued="2026-06-09 23:00:00")) == ("FAR1", "11:30")
    assert chosen(far, aerodrome(icaoId="LATE", issued="2026-06-10 13:00:00")) == ("FAR1", "11:30")
    assert chosen(aerodrome(lat=40.0)) is None
    assert chosen(aerodrome(validTimeFrom=at(3))) is None
    assert chosen(aerodrome(validTimeFrom=at(-9), validTimeTo=at(0))) is None
