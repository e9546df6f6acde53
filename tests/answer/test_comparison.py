import numpy as np
import pytest

from tests.cubes import OF_SOME_SOURCES, START, quiet_cube, without
from tests.halves import spread
from wxfly.answer.findings import compare_hours
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import State, assess
from wxfly.cube.contract import VARIABLES
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for

LIMITS = limits_for(find_aircraft("camera-quad-250g"))
NOON = 12


def assessed(cube, height=80.0):
    return assess(derive(cube, height=height), LIMITS)


def changed(name, value, first=0, last=24):
    cube = quiet_cube()
    cube[name].values[first : last + 1] = value
    return cube


def hour(compared, h):
    return next(c for c in compared if c.time == START + np.timedelta64(h, "h"))


def test_the_larger_margin_wins_and_says_by_how_much():
    calm, windy = assessed(quiet_cube()), assessed(changed("wind_speed_of_gust", 6.0))
    noon = hour(compare_hours([windy, calm]), NOON)
    assert noon.better == (1,)
    margins = [a["hour_margin"].values[NOON] for a in (windy, calm)]
    assert noon.lead == pytest.approx(margins[1] - margins[0])
    assert noon.standings[0].deciding == "gust"


def test_equal_sites_are_equal():
    noon = hour(compare_hours([assessed(quiet_cube()), assessed(quiet_cube())]), NOON)
    assert noon.better == (0, 1)
    assert np.isnan(noon.lead)


def test_a_site_beyond_a_limit_never_wins():
    storm, worse = assessed(changed("wind_speed_of_gust", 12.0)), assessed(changed("wind_speed_of_gust", 20.0))
    noon = hour(compare_hours([storm, worse]), NOON)
    assert noon.better == ()
    assert [s.state for s in noon.standings] == [State.OUTSIDE, State.OUTSIDE]
    assert [s.deciding for s in noon.standings] == ["gust", "gust"]


def test_a_dark_hour_is_won_by_nobody():
    night = hour(compare_hours([assessed(quiet_cube()), assessed(quiet_cube())]), 0)
    assert night.better == ()
    assert not any(s.holds for s in night.standings)
    assert night.standings[0].deciding == "daylight"


def test_an_hour_that_is_not_known_cannot_win_and_names_what_is_missing():
    unknown = assessed(changed("wind_speed_of_gust", np.nan))
    noon = hour(compare_hours([unknown, assessed(changed("wind_speed_of_gust", 8.0))]), NOON)
    assert noon.better == (1,)
    assert noon.standings[0].state is State.NOT_KNOWN
    assert noon.standings[0].deciding == "gust"


def test_what_is_hidden_stands_behind_what_is_known():
    hidden = assessed(without(quiet_cube(), "visibility_in_air"))
    windy = assessed(changed("wind_speed_of_gust", 8.0))
    noon = hour(compare_hours([hidden, windy]), NOON)
    assert noon.better == (1,)
    assert noon.lead < 0
    assert noon.standings[0].unknown == ("visibility",)


def test_an_advised_element_that_a_site_has_lost_decides_there():
    lost = assessed(changed("visibility_in_air", np.nan))
    noon = hour(compare_hours([lost, assessed(changed("wind_speed_of_gust", 8.0))]), NOON)
    assert noon.better == (1,)
    assert noon.standings[0].state is State.NOT_KNOWN
    assert noon.standings[0].deciding == "visibility"


@pytest.mark.parametrize("name", spread(sorted(set(VARIABLES) - set(OF_SOME_SOURCES)), 10))
def test_a_lost_variable_never_lifts_a_site(name):
    other = assessed(changed("wind_speed_of_gust", 4.5))
    for value in (3.0, 4.5, 6.0):  # the site before the loss better than, equal to and worse than the other
        cube = changed("wind_speed_of_gust", value)
        lost = cube.copy(deep=True)
        lost[name].values[:] = np.nan
        before, after = (hour(compare_hours([assessed(c), other]), NOON) for c in (cube, lost))
        if 0 not in before.better:
            assert 0 not in after.better
        if 1 in before.better:
            assert 1 in after.better


def test_only_common_hours_are_compared_at_the_same_moments():
    early, late = assessed(quiet_cube()), assessed(quiet_cube()).isel(time=slice(5, None))
    compared = compare_hours([early, late])
    assert [c.time for c in compared] == list(late["time"].values)
    assert compare_hours([early, late.isel(time=slice(0, 0))]) == []
    assert compare_hours([]) == []
