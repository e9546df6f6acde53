"""Limits by phase of the flight: the launch at the hand, the way back at its height; the tightest counts."""

from dataclasses import replace

import numpy as np
import pytest

from tests.cubes import quiet_cube
from tests.report.briefings import brief, hour_words, with_values
from wxfly.assessment.conditions import derive, derive_flight, hours_of
from wxfly.assessment.suitability import State, assess
from wxfly.assessment.usable_height import find_usable_heights
from wxfly.pilot.aircraft import find_aircraft, parse_aircraft
from wxfly.pilot.elements import NAMES
from wxfly.pilot.limits import limits_for
from wxfly.pilot.site import Site
from wxfly.probability.site_chance import judge_site_chance
from wxfly.report.facts.site import site_answer_facts
from wxfly.report.text.details import asked

SITE = Site("here", 52.0, 6.0, surface_altitude=30.0, time_zone="Europe/Amsterdam")
LIMITS = limits_for(find_aircraft("camera-quad-250g"))
GUST = NAMES.index("gust")
WIND = NAMES.index("wind")


def judged(limits, **options):
    conditions = derive_flight(hours_of(quiet_cube(24)), height=60.0, site=SITE, limits=limits, **options)
    return assess(conditions, limits), conditions


def test_without_a_limit_for_the_launch_nothing_is_added():
    found, _ = judged(LIMITS)
    assert "phase_height" not in found
    assert found.equals(assess(derive(quiet_cube(24), height=60.0, site=SITE), LIMITS))


def test_the_launch_is_held_at_the_hand():
    at_hand = float(derive(quiet_cube(24), height=2.0, site=SITE)["wind_speed_of_gust"].max())
    found, _ = judged(replace(LIMITS, maximum_gust_at_launch=at_hand * 1.25))
    assert found["margin"].values[GUST] == pytest.approx(0.2)
    assert (found["phase_height"].values[GUST] == 2.0).all()
    assert (found["phase_height"].values[WIND] == 60.0).all()
    assert (found["state"].values[10] >= State.NARROW).all()
    broken, _ = judged(replace(LIMITS, maximum_gust_at_launch=at_hand * 0.99))
    assert (broken["state"].values == State.OUTSIDE).all()


def test_a_launch_limit_that_is_far_away_leaves_the_flight_to_decide():
    free, _ = judged(LIMITS)
    found, _ = judged(replace(LIMITS, maximum_gust_at_launch=50.0))
    assert (found["phase_height"].values == 60.0).all()
    assert found["margin"].equals(free["margin"])


def test_a_phase_never_makes_an_hour_better():
    free, _ = judged(LIMITS)
    for limit in (1.0, 3.0, 5.0, 9.0):
        found, _ = judged(replace(LIMITS, maximum_gust_at_launch=limit), return_height=110.0)
        assert (found["margin"] <= free["margin"] + 1e-12).all()


def test_a_launch_that_was_not_worked_out_is_not_known():
    conditions = derive(quiet_cube(24), height=60.0, site=SITE)
    found = assess(conditions, replace(LIMITS, maximum_gust_at_launch=20.0))
    assert (found["state"].values == State.NOT_KNOWN).all()
    heights = find_usable_heights(quiet_cube(24), conditions, replace(LIMITS, maximum_gust_at_launch=20.0), site=SITE)
    assert np.isnan(heights["usable_height"].values).all()


def test_a_higher_way_home_is_held_at_its_height():
    found, _ = judged(LIMITS, return_height=110.0)
    higher = derive(quiet_cube(24), height=110.0, site=SITE)
    assert found["demand"].values[WIND] == pytest.approx(higher["largest_wind_speed"].max("edge").values)
    assert (found["phase_height"].values[WIND] == 110.0).all()
    lower, _ = judged(LIMITS, return_height=30.0)
    assert "phase_height" not in lower  # the climb through it is held already


def test_more_confidence_asks_more_of_the_launch_too():
    usual, _ = judged(replace(LIMITS, maximum_gust_at_launch=5.0))
    surer, _ = judged(replace(LIMITS, maximum_gust_at_launch=5.0, confidence=0.9))
    assert (surer["margin"].values[GUST] < usual["margin"].values[GUST]).all()


def test_the_usable_height_ends_on_the_ground_where_nothing_can_be_launched():
    limits = replace(LIMITS, maximum_gust_at_launch=1.0)
    _, conditions = judged(limits)
    heights = find_usable_heights(quiet_cube(24), conditions, limits, site=SITE)
    assert (heights["usable_height"].values == 0).all()
    assert set(heights["usable_height_ends_by"].values) == {"gust"}


def test_the_answer_names_the_phase():
    answer = brief(limits=replace(LIMITS, maximum_gust_at_launch=1.0)).answers[0]
    assert answer.best is None
    words = hour_words(answer).reason(12)
    assert words.startswith("gust at 2 m, ")
    assert words.endswith("of 1 m/s, at launch and landing")
    assert "launch in gusts to 1.0 m/s" in asked(site_answer_facts(answer, "", []), "metric")


@pytest.mark.thorough
def test_members_are_held_to_it_too():
    from tests.probability.test_chance import members_cube

    members = [members_cube(21).expand_dims("site")]
    free, tight = (
        brief(limits=limits, ensembles=members).answers[0]
        for limits in (LIMITS, replace(LIMITS, maximum_gust_at_launch=4.0))
    )
    known = ~np.isnan(free.site_chance.hours.values)
    assert (tight.site_chance.hours.values <= free.site_chance.hours.values + 1e-9)[known].all()
    assert tight.site_chance.hours.values[12] < free.site_chance.hours.values[12] - 0.05


def test_an_unknown_gust_is_unknown_in_every_phase():
    cube = with_values(quiet_cube(36), "wind_speed_of_gust", np.nan, 12, 12)
    answer = brief(cubes=[cube], limits=replace(LIMITS, maximum_gust_at_launch=9.0)).answers[0]
    at = int(np.flatnonzero(answer.assessment["time"].dt.hour == 11)[0])
    assert answer.assessment["state"].values[at] == State.NOT_KNOWN


def test_a_pilots_aircraft_may_give_it():
    text = """[mine]
title = "mine"
kind = "multirotor"
maximum_wind = "8 m/s"
maximum_gust = "11 m/s"
maximum_gust_at_launch = "6 m/s"
minimum_temperature = "-10 degC"
maximum_temperature = "40 degC"
maximum_precipitation = "0 mm/h"
"""
    limits = limits_for(parse_aircraft(text, "a test")["mine"])
    assert limits.maximum_gust_at_launch == 6.0
    assert limits.sources["maximum_gust_at_launch"] == "the pilot's own file"


def test_no_margin_grows_when_arithmetic_drops_what_is_noted_beside_the_values():
    limits = replace(LIMITS, maximum_gust_at_launch=3.0)
    found, conditions = judged(limits, return_height=110.0)
    for variable in conditions.variables.values():
        variable.attrs = {}
    conditions.attrs = {}
    after = assess(conditions, limits)
    assert (found["phase_height"].values == 110.0).any()
    np.testing.assert_array_equal(after["margin"].values, found["margin"].values)
    np.testing.assert_array_equal(after["phase_height"].values, found["phase_height"].values)


def _low_cloud(cube):
    cube["cloud_base_altitude"].values[:] = 30.0 + 190.0
    cube["low_type_cloud_area_fraction"].values[:] = 0.9


def _cold_aloft(cube):
    cube["air_temperature"].values[:] = 275.2
    cube["air_temperature_aloft"].values[:] = (275.1, 272.4, 271.9)
    cube["dew_point_temperature"].values[:] = 275.1
    cube["relative_humidity"].values[:] = 0.995
    cube["cloud_base_altitude"].values[:] = 30.0 + 110.0
    cube["low_type_cloud_area_fraction"].values[:] = 1.0


def _shear_aloft(cube):
    cube["wind_speed"].values[:] = (2.0, 2.2, 8.0)


@pytest.mark.parametrize(
    ("change", "element"), [(_low_cloud, "cloud_base"), (_cold_aloft, "icing"), (_shear_aloft, "wind_difference")]
)
def test_the_way_back_is_held_against_all_that_changes_with_height(change, element):
    cube = quiet_cube(24)
    change(cube)

    def flight(height, back=None):
        conditions = derive_flight(hours_of(cube), height=height, site=SITE, limits=LIMITS, return_height=back)
        judged = assess(conditions, LIMITS)
        return conditions, judged, judged["margin"].sel(element=element).values

    conditions, judged, margin = flight(20.0, 120.0)
    assert (flight(20.0)[2] > 0).all() and (margin < 0).all()
    assert (margin <= flight(120.0)[2] + 1e-12).all()
    assert (judged["phase_height"].sel(element=element).values == 120.0).all()
    assert (judged["state"] == State.OUTSIDE).all()
    run = cube["time"].values[0]
    alone = flight(20.0)[:2]
    back, without_it = (
        judge_site_chance(
            *found, run, height=20.0, site=SITE, limits=LIMITS, central=cube, return_height=home
        ).hours.values
        for found, home in (((conditions, judged), 120.0), (alone, None))
    )
    assert (back < without_it).all()


def test_a_lower_way_back_changes_nothing_but_what_it_asks():
    found, _ = judged(LIMITS, return_height=50.0)
    assert "phase_height" not in found
