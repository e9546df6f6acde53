"""The way back in the chance: room by deviations of wind and consumption, member by member; unknown is never surer."""

from dataclasses import replace
from functools import cache
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.cubes import QUIET, lost_of_members, quiet_cube
from tests.halves import spread
from tests.probability.test_chance import members_cube
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import assess
from wxfly.flight.energy import energy_model
from wxfly.flight.return_leg import add_return_leg, budgets, moments_of
from wxfly.flight.sortie import Plan, Sortie
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.pilot.site import Site
from wxfly.probability.return_leg import CANNOT_BE_FLOWN_MARGIN, LEVELS, return_leg_margins, standard_margin_of_need
from wxfly.probability.site_chance import judge_site_chance

AIRCRAFT = find_aircraft("camera-quad-250g")
LIMITS = limits_for(AIRCRAFT)
SORTIE = Sortie(energy_model(AIRCRAFT), Plan(height=60.0, return_height=100.0, distance=1500.0))
SITE = Site("here", 52.0, 6.0, surface_altitude=30.0, time_zone="Europe/Amsterdam")
RUN = np.datetime64("2026-06-10T00")
NOON = 12
INF = np.inf


def far(distance):
    return replace(SORTIE, plan=replace(SORTIE.plan, distance=distance))


def windy(cube, more):
    cube = cube.copy(deep=True)
    cube["wind_speed"] = (cube["wind_speed"] + more).assign_attrs(cube["wind_speed"].attrs)
    cube["wind_speed_of_gust"] = (cube["wind_speed_of_gust"] + more).assign_attrs(cube["wind_speed_of_gust"].attrs)
    return cube


def room(cube, sortie=SORTIE, deviation=1.6):
    flight, home = derive(cube, height=60.0), derive(cube, height=sortie.plan.return_height)
    return return_leg_margins(flight, home, sortie, deviation)


def judge(cube, ensembles=(), sortie=SORTIE):
    flight = derive(cube, height=60.0)
    assessment, home = add_return_leg(assess(flight, LIMITS), flight, cube, sortie, LIMITS, site=SITE, run=RUN)
    return judge_site_chance(
        flight, assessment, RUN, height=60.0, site=SITE, limits=LIMITS, central=cube, ensembles=ensembles,
        sortie=sortie, at_return=home,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("shares", "wanted"),
    [
        ((0.5, 0.6, 0.7, 0.8), 3.0),  # nothing surer than the last level is told
        ((0.5, 0.7, 0.9, 1.1), 2.5),
        ((0.5, 1.5, 2.5, 3.5), 0.5),
        ((0.8, 0.9, INF, INF), 1.0),  # where the next level cannot be flown the lower one counts
        ((0.9, INF, INF, INF), 0.0),
        ((1.2, 1.6, 2.0, 2.4), -0.5),
        ((4.0, 4.5, 5.0, 5.5), CANNOT_BE_FLOWN_MARGIN),
        ((1.2, INF, INF, INF), CANNOT_BE_FLOWN_MARGIN),
        ((INF, INF, INF, INF), CANNOT_BE_FLOWN_MARGIN),
        ((0.5, 0.6, np.nan, np.nan), np.nan),
        ((1.0, 1.0, 1.0, 1.0), 3.0),
    ],
)
def test_room_is_where_the_need_reaches_the_battery(shares, wanted):
    got = standard_margin_of_need(np.array(shares)[:, None])
    assert got[0] == pytest.approx(wanted, nan_ok=True)


@given(st.lists(st.floats(0.05, 5.0), min_size=4, max_size=4), st.floats(0.0, 2.0))
def test_more_need_never_gives_more_room(shares, more):
    less = np.sort(np.array(shares))[:, None]
    assert standard_margin_of_need(less + more)[0] <= standard_margin_of_need(less)[0] + 1e-9


def test_room_agrees_with_the_need_at_its_own_confidence():
    cube = quiet_cube()
    found = float(room(cube, far(4000.0))["standard_margin"].values[NOON, 0])
    assert 0.0 < found < LEVELS[-1]
    plan = replace(far(4000.0).plan, confidence=NormalDist().cdf(found))
    flight, home = derive(cube, height=60.0), derive(cube, height=100.0)
    moments = moments_of(flight, home, plan, forecast_deviation=1.6)
    share = budgets(replace(SORTIE, plan=plan), moments).needed_share.max(axis=0)[NOON]
    assert share == pytest.approx(1.0, abs=0.01)  # linear between levels, every 45 degrees


def test_eight_courses_find_what_two_dozen_find():
    cube = windy(quiet_cube(), 3.0)
    cube["wind_from_direction"][:, 2] = (cube["wind_from_direction"][:, 2] + 40.0) % 360  # turning with height
    flight, home = derive(cube, height=60.0), derive(cube, height=100.0)
    plan = replace(SORTIE.plan, confidence=0.5)
    all_of_them = budgets(replace(SORTIE, plan=plan), moments_of(flight, home, plan)).needed_share.max(axis=0)
    eight = 1.0 - room(cube)["margin"].values[:, 0]
    assert eight == pytest.approx(all_of_them, rel=0.01, nan_ok=True)


def test_a_farther_sortie_and_a_worse_forecast_leave_less_room():
    cube = quiet_cube()
    near, farther = (room(cube, far(d))["standard_margin"].values[NOON, 0] for d in (2500.0, 4000.0))
    doubtful = room(cube, far(2500.0), 3.0)["standard_margin"].values[NOON, 0]
    assert farther < near
    assert doubtful < near


def test_it_enters_the_chance_of_one_forecast():
    near, farther = judge(quiet_cube()), judge(quiet_cube(), sortie=far(4500.0))
    assert list(near.standard_margin["element"].values)[-1] == "return_leg"
    assert farther.hours.values[NOON] < near.hours.values[NOON]
    causes = {c.element for c in farther.of(NOON, NOON + 1).causes}
    assert "return_leg" in causes


@pytest.mark.thorough
def test_every_member_has_a_way_home_of_its_own():
    calm, strong = members_cube(10, spread=0.1), windy(members_cube(10, spread=0.1), 4.5)
    sure = judge(quiet_cube(), [calm, strong], far(3000.0))
    row = sure.standard_margin.sel(element="return_leg", shift=0).values[NOON]
    assert row.size == 20
    assert row[:10].min() > row[10:].max()
    alone = judge(quiet_cube(), [calm], far(3000.0))
    assert sure.hours.values[NOON] < alone.hours.values[NOON]
    assert (sure.margin[NOON, :10] > sure.margin[NOON, 10:].max()).all()


def test_members_do_not_take_the_way_home_of_the_one_forecast():
    storm = windy(quiet_cube(), 9.0)
    calm_members = judge(storm, [members_cube(10, spread=0.1)])
    assert calm_members.standard_margin.sel(element="return_leg", shift=0).values[NOON].min() > 0


@cache
def whole():
    """Return the chances of each hour when nothing is lost: by members, and by the one forecast."""
    return tuple(np.nan_to_num(judge(quiet_cube(), e).hours.values, nan=-1.0) for e in ([members_cube(5)], []))


@pytest.mark.thorough
@pytest.mark.parametrize("name", spread(sorted(QUIET)[::2], 12))
@pytest.mark.parametrize("whose", ["one member's", "all members'", "the one forecast's"])
def test_nothing_that_goes_missing_makes_the_way_home_surer(name, whose):
    cube, members = quiet_cube(), members_cube(5)
    before, alone = whole()
    if whose == "the one forecast's":
        cube = cube.assign({name: cube[name] * np.nan})
        assert (np.nan_to_num(judge(cube).hours.values, nan=-1.0) <= alone + 1e-9).all()
        return
    lost = lost_of_members(members, name, 3 if whose == "one member's" else None)
    assert (np.nan_to_num(judge(cube, [lost]).hours.values, nan=-1.0) <= before + 1e-9).all()


def test_where_no_member_knows_the_way_home_nothing_is_known():
    members = members_cube(5)
    members["wind_from_direction"] = (members["wind_from_direction"] * np.nan).assign_attrs(
        members["wind_from_direction"].attrs
    )
    assert np.isnan(judge(quiet_cube(), [members]).hours.values).all()
