"""The way back as an element: demand, limit and margin in every hour, and all four states."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from tests.cubes import quiet_cube
from wxfly.answer.windows import find_windows
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import State, assess, not_judged, required_names
from wxfly.flight.energy import energy_model
from wxfly.flight.return_leg import (
    CANNOT_BE_FLOWN,
    NAME,
    Sortie,
    forecast_deviations,
    judge_return_leg,
    moments_of,
    without_figures,
)  # fmt: skip
from wxfly.flight.sortie import Plan
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for

AIRCRAFT = find_aircraft("camera-quad-250g")
LIMITS = limits_for(AIRCRAFT)
PLAN = Plan(height=60.0, return_height=100.0, distance=100.0)
SORTIE = Sortie(energy_model(AIRCRAFT), PLAN)
NOON = 12


def judged(cube, sortie=SORTIE, limits=LIMITS):
    flight, home = derive(cube, height=sortie.plan.height), derive(cube, height=sortie.plan.return_height)
    return judge_return_leg(assess(flight, limits), flight, home, sortie, limits)


def farther(distance, **changes):
    return replace(SORTIE, plan=replace(PLAN, distance=distance, **changes))


def state_at_noon(hours):
    return State(int(hours["state"].values[NOON]))


def test_a_short_sortie_on_a_quiet_day_is_inside():
    hours = judged(quiet_cube())
    assert state_at_noon(hours) == State.INSIDE
    assert 0.25 < hours["demand"].sel(element=NAME).values[NOON] < 0.5  # the reserve and little else
    assert hours["limit"].sel(element=NAME).values[NOON] == 1.0
    assert hours["margin"].sel(element=NAME).values[NOON] == pytest.approx(
        1 - hours["demand"].sel(element=NAME).values[NOON]
    )


def test_a_long_one_is_narrow_and_a_longer_one_outside():
    near = judged(quiet_cube(), farther(2500.0))
    assert state_at_noon(near) == State.NARROW
    far = judged(quiet_cube(), farther(6000.0))
    assert state_at_noon(far) == State.OUTSIDE
    for hours in (near, far):
        assert hours["limiting_element"].values[NOON] == NAME
        assert hours["hour_margin"].values[NOON] == hours["margin"].sel(element=NAME).values[NOON]


def test_what_cannot_be_flown_is_outside_with_a_finite_demand():
    cube = quiet_cube()
    cube["wind_speed"][NOON : NOON + 2] = [12.0, 15.5, 16.0]
    cube["wind_speed_of_gust"][NOON : NOON + 2] = 18.0
    hours = judged(cube)
    assert hours["demand"].sel(element=NAME).values[NOON] == CANNOT_BE_FLOWN
    assert hours["margin"].sel(element=NAME).values[NOON] == -1.0
    assert state_at_noon(hours) == State.OUTSIDE


@pytest.mark.parametrize("lost", ["wind_from_direction", "wind_speed_of_gust", "surface_air_pressure"])
def test_where_it_is_not_known_the_hour_is_not_known(lost):
    cube = quiet_cube()
    cube[lost][NOON : NOON + 2] = np.nan  # a gust speaks for the hour before its stamp
    hours = judged(cube)
    assert np.isnan(hours["margin"].sel(element=NAME).values[NOON])
    assert state_at_noon(hours) == State.NOT_KNOWN
    assert np.isnan(hours["hour_margin"].values[NOON])
    assert State(int(hours["state"].values[NOON + 3])) == State.INSIDE


def test_what_is_only_possible_stays_narrow_whatever_the_reserve():
    cube = quiet_cube()
    conditions = derive(cube, height=60.0)
    icing = conditions["icing_risk"].copy(data=np.ones_like(conditions["icing_risk"].values))
    conditions = conditions.assign(icing_risk=icing)
    none_kept = replace(LIMITS, reserve=0.0)
    before = assess(conditions, none_kept)
    assert state_at_noon(before) == State.NARROW
    after = judge_return_leg(before, conditions, derive(cube, height=100.0), SORTIE, none_kept)
    assert state_at_noon(after) == State.NARROW


def test_without_figures_it_is_there_and_not_judged():
    before = assess(derive(quiet_cube(), height=60.0), LIMITS)
    after = without_figures(before)
    assert NAME in not_judged(after)
    assert NAME not in required_names(after)
    assert np.isnan(after["margin"].sel(element=NAME).values).all()
    for name in ("state", "hour_margin", "limiting_element", "usable_start"):
        assert after[name].identical(before[name])
    assert after["margin"].isel(element=slice(-1)).identical(before["margin"])


def test_it_never_makes_an_hour_better():
    cube = quiet_cube()
    cube["wind_speed"][:] = np.linspace(1.0, 12.0, 25)[:, None] * [1.0, 1.3, 1.4]
    cube["wind_speed_of_gust"][:] = np.linspace(2.0, 17.0, 25)
    before = assess(derive(cube, height=60.0), LIMITS)
    for distance in (0.0, 500.0, 2000.0):
        after = judged(cube, farther(distance))
        assert (after["state"].values <= before["state"].values).all()
        known = ~np.isnan(after["hour_margin"].values)
        assert (after["hour_margin"].values[known] <= before["hour_margin"].values[known]).all()
        same = after["limiting_element"].values != NAME
        assert (after["limiting_element"].values[same] == before["limiting_element"].values[same]).all()


def test_a_known_direction_never_needs_more_than_all_of_them():
    cube = quiet_cube()
    every = judged(cube, farther(2000.0))["demand"].sel(element=NAME).values
    for direction in (0.0, 90.0, 235.0):
        one = judged(cube, farther(2000.0, direction=direction))["demand"].sel(element=NAME).values
        assert (one[:-1] <= every[:-1] + 1e-3).all()


def test_windows_are_found_with_it():
    cube = quiet_cube()
    cube["wind_speed"][9:12] = [6.0, 9.0, 9.5]  # a windy stretch that the limits of wind and gust still bear
    cube["wind_speed_of_gust"][9:13] = 8.0  # of the hours before the stamps
    minimum = np.timedelta64(45, "m")
    without = find_windows(
        assess(derive(cube, height=60.0), limits_for(find_aircraft("camera-quad-1kg"))), minimum_duration=minimum
    )
    sortie = Sortie(energy_model(AIRCRAFT), replace(PLAN, distance=2500.0))
    with_it = find_windows(judged(cube, sortie, limits_for(find_aircraft("camera-quad-1kg"))), minimum_duration=minimum)
    assert len(without) == 1
    assert len(with_it) == 2
    assert {w.limiting_element for w in with_it} == {NAME}


def test_the_error_of_the_forecast_grows_with_lead():
    cube = quiet_cube()
    flight, home = derive(cube, height=60.0), derive(cube, height=100.0)
    run = cube["time"].values[0] - np.timedelta64(4, "D")
    hours = []
    for moment in (cube["time"].values[0], run):
        deviation = forecast_deviations(flight["time"].values, moment, "icon_eu", 60.0)
        got = judge_return_leg(
            assess(flight, LIMITS), flight, home, farther(2000.0), LIMITS, forecast_deviation=deviation
        )
        hours.append(got["demand"].sel(element=NAME).values[NOON])
    assert hours[1] > 1.02 * hours[0]


def test_cells_that_lay_in_the_cold_near_the_ground_are_as_cold():
    cold, inversion = quiet_cube(), quiet_cube()
    cold["air_temperature"][:], cold["air_temperature_aloft"][:] = 261.15, 270.15
    inversion["air_temperature"][:], inversion["air_temperature_aloft"][:] = 270.15, 270.15
    flight = derive(cold, height=60.0)
    moments = moments_of(flight, derive(cold, height=100.0), PLAN)
    assert moments.air_temperature == pytest.approx(261.15)
    assert flight["air_temperature"].values.min() > 267
    sortie = farther(1500.0)
    needed = [judged(cube, sortie)["demand"].sel(element=NAME).values[NOON] for cube in (cold, inversion)]
    assert needed[0] > 1.03 * needed[1]


def test_members_of_an_ensemble_are_held_one_by_one():
    calm, windy = quiet_cube(), quiet_cube()
    windy["wind_speed"][:] = [4.0, 6.0, 6.5]
    together = xr.concat([calm, windy], "realization", data_vars="all", coords="minimal", compat="override")
    flight, home = derive(together, height=60.0), derive(together, height=100.0)
    got = judge_return_leg(assess(flight, LIMITS), flight, home, farther(1500.0), LIMITS)
    for member, cube in enumerate((calm, windy)):
        alone = judged(cube, farther(1500.0))["demand"].sel(element=NAME).values[NOON]
        assert got["demand"].sel(element=NAME).isel(realization=member).values[NOON] == pytest.approx(alone, rel=1e-2)


def test_the_worse_end_of_the_hour_counts():
    cube = quiet_cube()
    cube["wind_speed"][NOON + 1] = [5.0, 8.0, 8.5]  # the end of the hour before it, the start of the one after
    demand = judged(cube, farther(1500.0))["demand"].sel(element=NAME).values
    assert demand[NOON] == pytest.approx(demand[NOON + 1])
    assert demand[NOON] > 1.1 * demand[NOON - 1]
