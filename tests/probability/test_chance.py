"""The chance that every limit holds: against a simulation whose truth is known, and as theory says it must move."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from tests.cubes import quiet_cube
from tests.halves import spread
from tests.validation.windows_simulated import linked
from wxfly.assessment.conditions import derive
from wxfly.assessment.forecast_error import default_error_law, lead_time, standard_margins
from wxfly.assessment.suitability import assess
from wxfly.physics.probability import least_chance, normal_probability, normal_quantile
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.elements import NAMES
from wxfly.pilot.limits import limits_for
from wxfly.probability.chance import chance_of_better, error_correlation, hour_chances, window_chance
from wxfly.retrieval.origin import ForecastOrigin

AIRCRAFT = find_aircraft("camera-quad-1kg", None)
LIMITS = limits_for(AIRCRAFT)
LAW = default_error_law()


def make_room(**elements):
    """Make a room of the elements given, axes hour and member; the others are in no doubt."""
    shapes = [np.atleast_2d(np.asarray(v, dtype=float)) for v in elements.values()]
    hours, members = shapes[0].shape
    room = np.full((len(NAMES), hours, members), np.inf)
    for name, values in zip(elements, shapes, strict=True):
        room[NAMES.index(name)] = values
    time = np.datetime64("2026-06-10T08", "ns") + np.arange(hours) * np.timedelta64(1, "h")
    return xr.DataArray(room, dims=("element", "time", "realization"), coords={"element": list(NAMES), "time": time})


def hit(members, of):
    """Mark members that break a limit, in one hour."""
    return np.where(np.isin(np.arange(1, of + 1), members), -np.inf, np.inf)[None, :]


def members_cube(count, *, seed=0, hours=25, spread=1.5):
    """Make a cube whose members differ in wind and gust."""
    return _members_pattern(count, seed, hours, spread).copy(deep=True)


@cache
def _members_pattern(count, seed, hours, spread):
    rng = np.random.default_rng(seed)
    cube = quiet_cube(hours)
    change = rng.normal(0, spread, count)
    many = cube.expand_dims(realization=np.arange(count)).copy(deep=True)
    many["wind_speed"] = (
        (6.0 + change + 0 * many["wind_speed"].transpose(..., "realization"))
        .clip(0)
        .assign_attrs(cube["wind_speed"].attrs)
    )
    many["wind_speed_of_gust"] = (
        (8.0 + 1.5 * change + 0 * many["wind_speed_of_gust"].transpose(..., "realization"))
        .clip(0)
        .assign_attrs(cube["wind_speed_of_gust"].attrs)
    )
    return many


def standard_margin_of_need(cube, limits=LIMITS):
    conditions = derive(cube, height=60.0)
    assessment = assess(conditions, limits)
    provided = conditions["wind_standard_deviation"].max("edge")
    return standard_margins(
        assessment,
        lead_time(assessment["time"].values, cube["forecast_reference_time"].values),
        height_deviation=provided,
        precipitation_probability=conditions["precipitation_probability"].max("edge"),
    )


# --- against a truth that is known --------------------------------------------------------------------------------


@pytest.mark.thorough
@pytest.mark.parametrize(("width", "error", "level"), [(1.0, 1.5, 7.0), (2.0, 1.5, 8.5), (0.5, 2.3, 8.0)])
def test_the_chance_of_a_window_is_the_share_of_truths_that_hold(width, error, level):
    """Truth and members are drawn from one law: linked weather that the ensemble shows, and an error it does not."""
    rng = np.random.default_rng(20261125)
    hours, members, cases, limit = 6, 20, 4000, 9.6
    base = level + rng.normal(0, 1.0, cases) + np.linspace(-0.5, 0.5, hours)[:, None]
    weather = linked(rng, (hours, cases, members + 1), 0.9) * width
    truth = base + weather[..., 0] + error * linked(rng, (hours, cases), LAW.correlation)
    told, product = [], []
    for case in range(0, cases, 8):
        room = make_room(wind=(limit - base[:, case, None] - weather[:, case, 1:]) / error)
        told.append(window_chance(room, 0, hours - 1).value)
        if case % 32 == 0:
            product.append(float(hour_chances(room).prod()))
    happened = (truth <= limit).all(axis=0).mean()
    assert np.mean(told) == pytest.approx(happened, abs=0.02)
    assert np.mean(product) < happened - 0.05  # hours are no independent draws


@pytest.mark.thorough
def test_told_chances_are_reliable_in_every_fifth():
    rng = np.random.default_rng(7)
    hours, members, cases, limit, error = 4, 30, 1500, 9.6, 1.6
    base = rng.normal(8.0, 2.0, cases) + np.zeros((hours, 1))
    weather = linked(rng, (hours, cases, members + 1), 0.9) * 1.2
    truth = base + weather[..., 0] + error * linked(rng, (hours, cases), LAW.correlation)
    held = (truth <= limit).all(axis=0)
    told = np.array(
        [
            window_chance(make_room(wind=(limit - base[:, c, None] - weather[:, c, 1:]) / error), 0, hours - 1).value
            for c in range(cases)
        ]
    )
    for low in (0.0, 0.2, 0.4, 0.6, 0.8):
        here = (told >= low) & (told < low + 0.2)
        assert told[here].mean() == pytest.approx(held[here].mean(), abs=2.5 * np.sqrt(0.25 / here.sum()))


# --- worked examples ----------------------------------------------------------------------------------------------


def test_hours_of_members_are_counted_together():
    """Five members, three hours, each hour good in four of five: the joint chance lies between bounds."""
    same = np.full((3, 5), np.inf)
    for hour, member in enumerate((0, 1, 2)):
        same[hour, member] = -np.inf
    assert window_chance(make_room(wind=same), 0, 2).value == pytest.approx(0.40)
    assert hour_chances(make_room(wind=same)).values == pytest.approx([0.8] * 3)
    alike = np.full((3, 5), np.inf)
    alike[:, 0] = -np.inf
    assert window_chance(make_room(wind=alike), 0, 2).value == pytest.approx(0.80)


def test_causes_are_named_with_share_and_sole_share():
    room = make_room(gust=hit([1, 2], 10), precipitation=hit([2, 3], 10))
    found = window_chance(room, 0, 0)
    assert found.value == pytest.approx(0.70)
    causes = {c.element: (c.share, c.sole_share) for c in found.causes}
    assert causes == {"gust": pytest.approx((0.2, 0.1)), "precipitation": pytest.approx((0.2, 0.1))}


def test_wind_and_gust_go_together_and_rain_by_itself():
    one, rain = normal_quantile(0.8), normal_quantile(0.9)
    both = window_chance(make_room(wind=np.full((1, 1), one), gust=np.full((1, 1), one)), 0, 0)
    assert both.value == pytest.approx(0.8)
    assert {c.element: c.sole_share for c in both.causes} == pytest.approx({"wind": 0.0, "gust": 0.0})
    apart = window_chance(make_room(wind=np.full((1, 1), one), precipitation=np.full((1, 1), rain)), 0, 0)
    assert apart.value == pytest.approx(0.72)
    assert apart.is_weak


def test_a_chance_is_never_certain():
    sure = make_room(wind=np.full((2, 20), np.inf))
    assert window_chance(sure, 0, 1).value == pytest.approx(1 - 1 / 22)
    assert hour_chances(make_room(wind=np.full((1, 20), -np.inf))).item() == pytest.approx(1 / 22)
    assert window_chance(make_room(wind=np.full((1, 1), 9.0)), 0, 0).value == 1 - LAW.least_of_single


# --- members permuted, duplicated, reduced, missing ---------------------------------------------------------------

ROOMS = st.lists(st.lists(st.floats(-3, 3), min_size=4, max_size=4), min_size=1, max_size=5)


@given(ROOMS, st.randoms())
def test_the_order_of_members_does_not_matter(rows, random):
    values = np.array(rows)
    order = list(range(4))
    random.shuffle(order)
    a, b = (window_chance(make_room(gust=v), 0, len(rows) - 1) for v in (values, values[:, order]))
    assert a.value == pytest.approx(b.value)


@given(ROOMS)
def test_members_twice_change_only_the_bounds(rows):
    values = np.array(rows)
    a, b = (window_chance(make_room(gust=v), 0, len(rows) - 1) for v in (values, np.tile(values, 2)))
    assert b.value == pytest.approx(np.clip(a.value, least_chance(8), 1 - least_chance(8))) or a.value in (
        pytest.approx(float(least_chance(4))),
        pytest.approx(1 - float(least_chance(4))),
    )
    assert least_chance(8) <= b.value <= 1 - least_chance(8)


@given(ROOMS, st.integers(0, 3))
def test_a_member_that_goes_missing_never_helps(rows, member):
    values = np.array(rows)
    less = values.copy()
    less[:, member] = -np.inf
    a, b = (window_chance(make_room(gust=v), 0, len(rows) - 1).value for v in (values, less))
    assert b <= a + 1e-12


@given(ROOMS, st.floats(0, 2))
def test_more_room_is_never_worse_and_more_hours_never_better(rows, more):
    values = np.array(rows)
    room = make_room(gust=values)
    chance = window_chance(room, 0, len(rows) - 1).value
    assert window_chance(make_room(gust=values + more), 0, len(rows) - 1).value >= chance - 1e-9
    if len(rows) > 1:
        assert window_chance(room, 0, len(rows) - 2).value >= chance - 1e-9
    hours = hour_chances(room).values
    assert chance <= hours.min() + 1e-9


def test_half_of_the_members_give_the_same_within_what_drawing_allows():
    room = standard_margin_of_need(members_cube(80))
    whole = window_chance(room, 9, 11).value
    half = window_chance(room.isel(realization=slice(0, None, 2)), 9, 11).value
    assert half == pytest.approx(whole, abs=4 * np.sqrt(0.25 / 40))


def test_a_member_whose_model_has_ended_does_not_speak_against_the_hour():
    values = np.array([[1.0, 1.0, -np.inf, -np.inf]])
    room = make_room(wind=values)
    ended = room.assign_coords(last_time=("realization", [room["time"].values[0] + np.timedelta64(9, "h")] * 2
                                          + [room["time"].values[0]] * 2))  # fmt: skip
    assert hour_chances(room).item() == pytest.approx(normal_probability(1.0) / 2)
    # Two that are left: the bound of two members holds.
    assert hour_chances(ended).item() == pytest.approx(min(float(normal_probability(1.0)), 0.75))


# --- the whole chain ----------------------------------------------------------------------------------------------


def test_the_chain_of_every_member():
    room = standard_margin_of_need(members_cube(21))
    chance = hour_chances(room)
    assert chance.dims == ("time",)
    assert ((chance > 0) & (chance < 1)).all()
    windy = members_cube(21)
    windy["wind_speed"] = windy["wind_speed"] + 4.0
    assert (hour_chances(standard_margin_of_need(windy)) <= chance).all()


def test_a_required_element_that_is_lost_leaves_no_chance():
    cube = members_cube(5)
    cube["wind_speed_of_gust"] = cube["wind_speed_of_gust"] * np.nan
    assert hour_chances(standard_margin_of_need(cube)).isnull().all()
    assert np.isnan(window_chance(standard_margin_of_need(cube), 8, 10).value)


@pytest.mark.parametrize("name", ["visibility_in_air", "kp_index", "cloud_base_altitude"])
def test_an_advised_element_that_is_carried_and_lost_leaves_no_chance(name):
    cube = members_cube(21)
    lost = hour_chances(standard_margin_of_need(cube.assign({name: cube[name] * np.nan})))
    assert lost.isnull().all()
    in_one = cube[name].copy(deep=True)
    in_one[{"realization": 3}] = np.nan
    assert (
        hour_chances(standard_margin_of_need(cube.assign({name: in_one}))) < hour_chances(standard_margin_of_need(cube))
    ).all()


JUST_INSIDE_OF = {  # a value with a fifth of its limit left
    "wind": ("largest_wind_speed", 0.8 * LIMITS.maximum_wind),
    "gust": ("largest_gust", 0.8 * LIMITS.maximum_gust),
    "wind_difference": ("wind_difference", 0.8 * LIMITS.maximum_wind_difference),
    "precipitation": ("precipitation_rate", 0.8 * LIMITS.maximum_precipitation),
    "temperature": (
        "air_temperature_near_ground",
        LIMITS.maximum_temperature - 0.1 * (LIMITS.maximum_temperature - LIMITS.minimum_temperature),
    ),
    "icing": ("icing_risk", 1.0),
    "visibility": ("visibility_in_air", LIMITS.minimum_visibility / 0.8),
    "cloud_base": ("cloud_base_height", (60.0 + LIMITS.cloud_separation) / 0.8),
    "thunderstorm": ("thunderstorm_risk", 1.0),
    "kp": ("kp_index", 4.0),
}


@pytest.mark.parametrize("ahead", spread([60, 0, 200], 3))
@pytest.mark.parametrize("name", JUST_INSIDE_OF)
def test_a_missing_advised_value_is_never_surer_than_a_known_one_just_inside_its_limit(name, ahead):
    limits = replace(LIMITS, required=(), maximum_kp=5.0)
    condition, value = JUST_INSIDE_OF[name]
    hours = derive(quiet_cube(), height=60.0)
    lead = np.arange(hours.sizes["time"]) + float(ahead)
    found = []
    for here in (value, np.nan):
        assessment = assess(hours.assign({condition: hours[condition] * 0 + here}), limits)
        assert (assessment["margin"].sel(element=name) >= 0).all() or np.isnan(here)
        deviation = hours["wind_standard_deviation"].max("edge")
        found.append(standard_margins(assessment, lead, height_deviation=deviation))
    known, lost = (room.sel(element=name).values for room in found)
    assert np.isfinite(lost).all()
    assert (lost <= known + 1e-9).all()
    known, lost = (hour_chances(room).values for room in found)
    assert (lost <= known + 1e-9).all()


def test_a_missing_kp_is_no_better_than_a_kp_of_4_where_5_is_the_limit():
    """Worked: (5 - 4) / 1.21 is 0.826 of a standard deviation, a chance of 0.796 [normal table]."""
    hours = derive(quiet_cube(), height=60.0)
    lost = assess(hours.assign(kp_index=hours["kp_index"] * np.nan), replace(LIMITS, maximum_kp=5.0))
    room = standard_margins(lost, np.full(hours.sizes["time"], 12.0)).sel(element="kp").values
    assert room == pytest.approx(0.826, abs=1e-3)


def test_one_member_lost_lowers_the_chance():
    cube = members_cube(21)
    less = cube.copy(deep=True)
    less["wind_speed_of_gust"].loc[{"realization": 3}] = np.nan
    a, b = hour_chances(standard_margin_of_need(cube)), hour_chances(standard_margin_of_need(less))
    assert (b < a).all()


def with_more_wind(cube, more):
    """Return a cube with so much more wind at all heights, and the least gust that goes with it."""
    gust = np.full(cube.sizes["time"], 1.11 * (2.0 + more))
    return cube.assign(wind_speed=cube["wind_speed"] + more, wind_speed_of_gust=("time", gust))


def test_the_further_ahead_the_less_sure():
    cube = with_more_wind(quiet_cube(241), 4.0)
    chance = hour_chances(standard_margin_of_need(cube)).values
    assert (np.diff(chance) <= 1e-9).all()
    assert chance[0] > chance[-1] + 0.02


def test_carrying_the_wind_far_costs_chance():
    cube = with_more_wind(quiet_cube(), 5.5)
    assessment = assess(derive(cube, height=60.0), LIMITS)
    lead = lead_time(assessment["time"].values, cube["forecast_reference_time"].values)
    near, far = (
        standard_margins(assessment, lead, height_deviation=xr.DataArray(np.full(24, d), dims="time")) for d in (0, 2.5)
    )
    assert (hour_chances(far) < hour_chances(near)).all()


def test_the_sources_own_chance_of_rain_counts():
    cube = quiet_cube()
    dry = hour_chances(standard_margin_of_need(cube)).values
    cube["precipitation_probability"] = cube["precipitation_probability"] * 0 + 0.6
    wet = hour_chances(standard_margin_of_need(cube)).values
    assert (wet <= 0.4 + 1e-6).all()
    assert (wet < dry).all()


def test_errors_come_from_the_place_where_it_has_a_record():
    cube = with_more_wind(quiet_cube(), 4.0)
    assessment = assess(derive(cube, height=60.0), LIMITS)
    lead = lead_time(assessment["time"].values, cube["forecast_reference_time"].values)
    usual = hour_chances(standard_margins(assessment, lead))
    better = hour_chances(standard_margins(assessment, lead, law=replace(LAW, factors={"wind": 0.5})))
    assert (better > usual).all()


# --- one place against another ------------------------------------------------------------------------------------


def test_chance_of_the_better_place():
    calm = make_room(wind=np.full((2, 40), 3.0))
    windy = make_room(wind=np.concatenate([np.full((2, 20), 3.0), np.full((2, 20), -3.0)], axis=1))
    margin, other = np.full((2, 40), 0.5), np.full((2, 40), 0.3)
    shares = chance_of_better(calm, margin, windy, other, 0, 1, distance=400.0)
    assert shares.first > 0.8
    assert sum(shares) == pytest.approx(1.0)
    swapped = chance_of_better(windy, other, calm, margin, 0, 1, distance=400.0)
    assert swapped == pytest.approx((shares.second, shares.first, shares.neither, shares.equal))
    assert min(shares) >= 1 / 44 - 1e-9


@pytest.mark.parametrize("members", [1, 40])
def test_the_same_place_twice_is_equal(members):
    here, margin = make_room(wind=np.full((2, members), 1.0)), np.full((2, members), 0.2)
    shares = chance_of_better(here, margin, here, margin, 0, 1, distance=0.0)
    assert shares.first == shares.second
    assert shares.first <= 0.05 + 1e-9
    held = shares.equal + shares.first + shares.second
    assert shares.equal > 0.85 * held
    assert sum(shares) == pytest.approx(1.0)


def test_two_heights_of_a_place_follow_from_the_hours():
    """What breaks the lower flight breaks the higher one: the lower one is never beaten."""
    low, high = make_room(wind=np.full((2, 40), 1.5)), make_room(wind=np.full((2, 40), 0.0))
    shares = chance_of_better(low, np.full((2, 40), 0.4), high, np.full((2, 40), 0.1), 0, 1, distance=0.0)
    assert shares.second == pytest.approx(1 / 44)
    assert shares.equal == pytest.approx(1 / 44)
    assert shares.first > 0.8


def test_places_near_each_other_are_tied_and_countries_are_not():
    one, other = make_room(wind=np.full((2, 40), 0.5)), make_room(wind=np.full((2, 40), 0.5))
    margin = np.full((2, 40), 0.1)
    near, far = (chance_of_better(one, margin, other, margin, 0, 1, distance=d) for d in (10.0, 1500.0))
    assert near.neither > far.neither + 0.05  # they break together
    assert near.first + near.second < far.first + far.second
    assert [round(error_correlation(d), 2) for d in (0.0, 10.0, 500.0)] == [1.0, 0.95, 0.08]


@given(st.floats(0.0, 20000.0), st.floats(-4.0, 4.0), st.floats(-4.0, 4.0), st.floats(-1.0, 1.0), st.floats(-1.0, 1.0))
def test_the_four_chances_are_chances(distance, room, other_room, margin, other_margin):
    rooms = [make_room(wind=np.full((2, 3), value)) for value in (room, other_room)]
    margins = [np.full((2, 3), value) for value in (margin, other_margin)]
    shares = chance_of_better(rooms[0], margins[0], rooms[1], margins[1], 0, 1, distance=distance)
    assert sum(shares) == pytest.approx(1.0)
    assert min(shares) > 0.0


def test_lead_time_counts_from_the_run():
    time = np.array(["2026-06-10T06", "2026-06-10T09"], dtype="datetime64[ns]")
    assert lead_time(time, np.datetime64("2026-06-10T00")).tolist() == [6.0, 9.0]
    assert lead_time(time, np.datetime64("2026-06-10T07")).tolist() == [0.0, 2.0]
    assert lead_time(time, np.datetime64("NaT", "s")).tolist() == [np.inf, np.inf]


def test_without_a_run_the_lead_is_counted_from_the_first_hour_of_the_forecast_not_of_the_question():
    from wxfly.answer.briefing import age_counts_from as since

    first, none, little = np.datetime64("2026-06-10T00", "s"), np.datetime64("NaT", "s"), np.timedelta64(5, "s")
    assert since(ForecastOrigin(run=none, retrieved=none, first_hour=first)) == first
    assert since(ForecastOrigin(run=none, retrieved=first + little, first_hour=first)) == first + little
    assert since(ForecastOrigin(run=first - little, retrieved=first + little, first_hour=first)) == first - little
    assert np.isnat(since(ForecastOrigin(run=none, retrieved=none)))


@pytest.mark.parametrize("gust", [12.5, 20.0, 60.0])
def test_a_storm_in_some_members_makes_no_other_hour_surer(gust):
    calm = members_cube(20, hours=36, spread=0.3)
    stormy = calm.copy(deep=True)
    dims = stormy["wind_speed_of_gust"].dims
    at = tuple(slice(12, 16) if d == "time" else slice(0, 5) if d == "realization" else slice(None) for d in dims)
    stormy["wind_speed_of_gust"].values[at] = gust
    light = limits_for(find_aircraft("camera-quad-250g", None))
    before, after = (hour_chances(standard_margin_of_need(cube, light)).values for cube in (calm, stormy))
    assert (after <= before + 0.02).all()
    assert (after[12:15] < before[12:15] - 0.1).all()
