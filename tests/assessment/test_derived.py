"""What an hour is: which stamps speak for it, and what reaches flight height."""

import dataclasses

import numpy as np
import pytest
import xarray as xr

from tests.cubes import START, quiet_cube, without
from wxfly.answer.windows import find_windows
from wxfly.assessment.conditions import derive, pressure_note
from wxfly.assessment.hours import stamps_of_hour
from wxfly.assessment.suitability import State, assess
from wxfly.cube.contract import mark_provided
from wxfly.physics.air.atmosphere import air_density, density_altitude, saturation_vapour_pressure
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.pilot.site import Site

LIMITS = limits_for(load_aircraft()["camera-quad-250g"])
MINUTE = np.timedelta64(1, "m")

# Span of a stamp, and the stamps (hours after the hour's start) that speak for the hour.
SPANS = [
    ((0, 0), [0, 1]),  # an instant: both edges of the hour
    ((-1, 0), [1]),  # looks back one hour
    ((0, 1), [0]),  # looks forward one hour
    ((-3, 0), [1, 2, 3]),  # looks back three hours
    ((0, 3), [-2, -1, 0]),  # looks forward three hours
    ((0, 6), [-5, -4, -3, -2, -1, 0]),
]


@pytest.mark.parametrize(("covers", "stamps"), SPANS)
def test_stamps_that_speak_for_an_hour(covers, stamps):
    assert stamps_of_hour(covers) == stamps


def outside_hours(cube):
    """Return the hours of the day that are outside, as numbers."""
    hours = assess(derive(cube, height=60.0), LIMITS)
    state = hours["state"].values[6:18]  # broad daylight
    return {int(h) for h in np.flatnonzero(state == State.OUTSIDE) + 6}


# A gust or a shower that happens at a moment, as a source of each meaning reports it: the stamps that carry it, and
# the hours (hours) that must be outside for it. 12:30 is the middle of hour 12, 12:00 its start and the end of hour 11.
GUSTS = [
    # meaning, moment, stamps that show it, hours outside
    ("looks back 1 h", (-1, 0), "12:30", [13], {12}),
    ("looks back 1 h", (-1, 0), "12:00, last moment of the hour before", [12], {11}),
    ("looks back 1 h", (-1, 0), "12:00, first moment of the hour after", [13], {12}),
    ("looks forward 1 h", (0, 1), "12:30", [12], {12}),
    ("looks forward 1 h", (0, 1), "12:00, last moment of the hour before", [11], {11}),
    ("looks forward 1 h", (0, 1), "12:00, first moment of the hour after", [12], {12}),
    ("instantaneous", (0, 0), "12:00: both hours that touch it", [12], {11, 12}),
    ("looks back 3 h", (-3, 0), "12:30: in the stamps 13, 14 and 15", [13, 14, 15], {10, 11, 12, 13, 14}),
    ("looks back 3 h", (-3, 0), "one stamp alone: the three hours before it", [13], {10, 11, 12}),
]


@pytest.mark.parametrize(("meaning", "covers", "moment", "stamps", "hours"), GUSTS)
def test_a_gust_counts_in_the_right_hours(meaning, covers, moment, stamps, hours):
    cube = quiet_cube(wind_speed_of_gust=covers)
    cube["wind_speed_of_gust"][stamps] = 15.0
    assert outside_hours(cube) == hours


SHOWERS = [row for row in GUSTS if row[0] != "instantaneous"]


@pytest.mark.parametrize(("meaning", "covers", "moment", "stamps", "hours"), SHOWERS)
def test_a_shower_counts_in_the_right_hours(meaning, covers, moment, stamps, hours):
    cube = quiet_cube(precipitation_amount=covers)
    cube["precipitation_amount"][stamps] = 2.0
    assert outside_hours(cube) == hours


@pytest.mark.parametrize(
    ("name", "value"),
    [("wind_speed", 12.0), ("visibility_in_air", 300.0), ("air_temperature_aloft", 320.0), ("weather_code", 95.0)],
)
def test_an_instant_counts_in_both_hours_that_touch_it(name, value):
    cube = quiet_cube()
    cube[name][12] = value
    assert outside_hours(cube) == {11, 12}


def test_kp_is_held_over_its_interval():
    cube = quiet_cube()
    cube["kp_index"][12:15] = 9.0
    assert outside_hours(cube) == {12, 13, 14}


# 52 N 6 E on 2026-06-10: civil dusk falls inside an hour. The hour before the dusk is whole, the one with it is cut.
def test_a_sunset_inside_an_hour_cuts_the_window_to_the_minute():
    hours = derive(quiet_cube(), height=60.0)
    lit = hours["minutes_of_light"].values
    cut = int(np.flatnonzero((lit > 0) & (lit < 60))[-1])
    assert (lit[cut - 1], lit[cut + 1]) == (60, 0)
    assert np.isnat(hours["usable_end"].values[cut + 1])
    (window,) = find_windows(assess(hours, LIMITS), minimum_duration=60 * MINUTE)
    dusk = hours["usable_end"].values[cut].astype("datetime64[s]")
    assert window.end == dusk
    assert START + np.timedelta64(cut, "h") < dusk < START + np.timedelta64(cut + 1, "h")


@pytest.mark.parametrize("minutes", [0, 30, 60])
def test_dusk_at_the_start_in_the_middle_and_at_the_end_of_an_hour(minutes):
    hours = derive(quiet_cube(), height=60.0)
    hour = 15
    lit = hours["minutes_of_light"].values.copy()
    end = hours["usable_end"].values.copy()
    lit[hour:], end[hour:] = 0, np.datetime64("NaT", "s")
    if minutes:
        lit[hour], end[hour] = minutes, hours["time"].values[hour] + minutes * MINUTE
    hours = hours.assign(minutes_of_light=("time", lit), usable_end=("time", end))
    (window,) = find_windows(assess(hours, LIMITS), minimum_duration=60 * MINUTE)
    assert window.end == START + np.timedelta64(hour * 60 + minutes, "m")


def test_hours_past_the_forecast_are_there_and_not_known():
    cube = quiet_cube(hours=13)
    hours = assess(derive(cube, height=60.0, start=START, end=START + np.timedelta64(24, "h")), LIMITS)
    assert hours.sizes["time"] == 24
    assert (hours["state"].values[12:] == State.NOT_KNOWN).all()
    assert (hours["state"].values[6:12] == State.INSIDE).all()


def test_bounds_that_are_not_on_the_hour_take_the_hours_around_them():
    hours = derive(quiet_cube(), height=60.0, start=START + 90 * MINUTE, end=START + 150 * MINUTE)
    assert [str(t)[11:16] for t in hours["time"].values] == ["01:00", "02:00"]


def test_a_level_is_exact_and_between_levels_lies_between():
    at_80 = derive(quiet_cube(), height=80.0)
    assert at_80["wind_speed"].values == pytest.approx(3.0)
    between = derive(quiet_cube(), height=40.0)["wind_speed"].values
    assert ((between > 2.0) & (between < 3.0)).all()


def test_the_gust_keeps_its_increment_over_the_mean():
    hours = derive(quiet_cube(), height=80.0)
    assert (hours["wind_speed_of_gust"] >= hours["wind_speed"]).all()
    assert hours["wind_speed_of_gust"].values == pytest.approx(3.0 + (4.0 - 2.0), abs=0.15)


@pytest.mark.parametrize(
    ("code", "amount", "rate"),
    [
        (1.0, 0.0, 0.0),  # nothing falls
        (51.0, 0.0, 0.1),  # drizzle that the amount rounds away
        (1.0, 0.02, 0.1),  # a trace in the hour
        (61.0, 0.7, 0.7),
    ],
)
def test_a_trace_of_precipitation_counts_as_the_least_measured(code, amount, rate):
    cube = quiet_cube()
    cube["weather_code"][:], cube["precipitation_amount"][:] = code, amount
    assert derive(cube, height=60.0)["precipitation_rate"].values == pytest.approx(rate)


@pytest.mark.parametrize(
    ("code", "amount", "rate"),
    [
        (65.0, 0.0, 4.0),  # heavy rain by the code, nothing by the amount
        (65.0, 6.0, 6.0),
        (67.0, 0.0, 0.5),  # moderate or heavy freezing rain
        (75.0, 0.1, 4.0),
        (81.0, 0.0, 2.0),
        (82.0, 0.1, 50.0),  # a violent shower that the grid cell's amount does not show
        (96.0, 0.0, 2.0),
        (99.0, 1.0, 10.0),
    ],
)
def test_of_code_and_amount_the_worse_counts(code, amount, rate):
    cube = quiet_cube()
    cube["weather_code"][:], cube["precipitation_amount"][:] = code, amount
    hours = derive(cube, height=60.0)
    assert hours["precipitation_rate"].values == pytest.approx(rate)
    assessment = assess(hours, limits_for(load_aircraft()["camera-quad-250g"]))
    assert (assessment["margin"].sel(element="precipitation") < 0).all()
    assert (assessment["state"] == State.OUTSIDE).all()


def test_a_lost_code_could_have_told_of_more_than_the_amount():
    cube = quiet_cube()
    cube["precipitation_amount"][:] = 0.3
    cube["weather_code"][:] = np.nan
    assert np.isnan(derive(cube, height=60.0)["precipitation_rate"].values).all()


def test_a_code_of_fog_beats_a_hopeful_visibility():
    cube = quiet_cube()
    cube["weather_code"][:] = 45.0
    hours = assess(derive(cube, height=60.0), LIMITS)
    assert (hours["state"].values[6:18] == State.OUTSIDE).all()


def test_warm_fog_is_seen_without_visibility_and_without_low_cloud():
    cube = quiet_cube().drop_vars("visibility_in_air").drop_vars("cloud_base_altitude")
    cube["air_temperature"][:], cube["dew_point_temperature"][:], cube["relative_humidity"][:] = 278.15, 278.15, 1.0
    cube["low_type_cloud_area_fraction"][:], cube["weather_code"][:] = 0.0, 3.0
    hours = assess(derive(mark_provided(cube.assign_coords(provided="")), height=60.0), LIMITS)
    assert (hours["state"].values[6:18] == State.OUTSIDE).all()


def test_surface_pressure_from_sea_level_where_the_source_has_none():
    given = derive(quiet_cube(), height=60.0)
    without = quiet_cube().drop_vars("surface_air_pressure")
    estimated = derive(mark_provided(without.assign_coords(provided="")), height=60.0)
    assert estimated["density_altitude"].values == pytest.approx(given["density_altitude"].values, abs=15)


def reduced_pressure(ground, temperature):
    """Return a cube that has pressure at sea level only."""
    cube = quiet_cube().drop_vars("surface_air_pressure").assign_coords(surface_altitude=ground)
    cube["air_temperature"][:], cube["air_temperature_aloft"][:] = temperature, temperature
    cube["air_pressure_at_mean_sea_level"][:] = 101_500.0
    return mark_provided(cube.assign_coords(provided=""))


@pytest.mark.parametrize("temperature", [263.15, 298.15])
def test_of_two_ways_back_from_sea_level_the_lower_pressure_counts(temperature):
    hours = derive(reduced_pressure(3000.0, temperature), height=60.0)
    # ISO 2533: the barometric formula with the day's temperature at 3000 m, and with the standard atmosphere.
    exponent = 9.80665 / (287.05287 * 0.0065)
    day = 101_500 * (temperature / (temperature + 19.5)) ** exponent
    standard = 101_500 * (1 - 19.5 / 288.15) ** exponent
    assert hours["surface_air_pressure"].values == pytest.approx(min(day, standard), rel=1e-5)
    assert (day < standard) == (temperature < 268.65)


def test_a_pressure_from_sea_level_is_told_over_high_ground():
    assert "density altitude may be off" in pressure_note(derive(reduced_pressure(1500.0, 290.0), height=60.0))
    assert pressure_note(derive(reduced_pressure(900.0, 290.0), height=60.0)) == ""
    high = quiet_cube().assign_coords(surface_altitude=1500.0)
    assert pressure_note(derive(high, height=60.0)) == ""
    lost = high.drop_vars("surface_air_pressure")  # the source provides it: not known, and nothing stands in for it
    assert pressure_note(derive(lost, height=60.0)) == ""
    assert np.isnan(derive(lost, height=60.0)["density_altitude"].values).all()


def test_of_take_off_and_flight_the_thinner_air_counts():
    hot = quiet_cube().assign_coords(surface_altitude=2620.0)
    hot["air_temperature"].values[:], hot["air_temperature_aloft"].values[:] = 305.15, (302.15, 299.35, 298.65)
    hot["surface_air_pressure"].values[:], hot["dew_point_temperature"].values[:] = 75_290.0, 278.15
    hot["relative_humidity"].values[:], hot["cloud_base_altitude"].values[:] = 0.18, 4600.0
    conditions = derive(hot, height=60.0)
    vapour = float(saturation_vapour_pressure(278.15))
    at_ground = float(density_altitude(air_density(305.15, vapour, 75_290.0)))
    assert at_ground > float(density_altitude(conditions["air_density"].values[0, 12])) + 50  # at flight height
    assert conditions["density_altitude"].values == pytest.approx(at_ground, abs=5)
    limits = dataclasses.replace(LIMITS, maximum_density_altitude=at_ground - 20)
    assert (assess(conditions, limits)["margin"].sel(element="density_altitude").values < 0).all()


def near_the_ground_only(levels=2, **changes):
    """Return a cube whose wind is known at 10 and 12 m, or at 10 m alone."""
    cube = quiet_cube().assign_coords(height=[10.0, 12.0, 120.0])
    cube["wind_speed"].values[:] = 7.0, 7.05, np.nan
    cube["wind_speed_of_gust"].values[:] = 8.0
    for name, value in changes.items():
        cube[name].values[:] = value
    return mark_provided(cube.isel(height=slice(levels)).assign_coords(provided=""))


def test_a_second_level_near_the_ground_makes_no_wind_far_above_it_weaker():
    one, two = (derive(near_the_ground_only(count), height=120.0) for count in (1, 2))
    for name in ("wind_speed", "largest_gust", "wind_standard_deviation", "wind_difference"):
        assert (two[name].values >= one[name].values - 1e-9).all(), name
    assert (assess(two, LIMITS)["state"].values[6:18] == State.OUTSIDE).all()


@pytest.mark.parametrize("name", ["surface_roughness_length", "cloud_area_fraction"])
def test_far_above_the_levels_nothing_is_known_without_the_ground_and_stability(name):
    lost = without(near_the_ground_only(), "air_temperature_aloft")
    lost[name].values[12] = np.nan
    conditions = derive(lost, height=120.0)
    hours = assess(conditions, LIMITS)
    for condition in ("wind_speed", "largest_gust", "wind_difference"):
        assert np.isnan(conditions[condition].values).any(axis=0)[11:13].all(), condition
    for element in ("wind", "gust", "wind_difference"):
        assert np.isnan(hours["margin"].sel(element=element).values[11:13]).all(), element
        assert np.isfinite(hours["margin"].sel(element=element).values[8:11]).all(), element


def humid(near_ground, aloft, **changes):
    """Return a cube of humid air whose temperatures are in degC, below a high cloud base."""
    cube = quiet_cube()
    cube["air_temperature"].values[:], cube["air_temperature_aloft"].values[:] = near_ground + 273.15, aloft + 273.15
    cube["relative_humidity"].values[:], cube["dew_point_temperature"].values[:] = 0.96, near_ground + 272.6
    for name, value in changes.items():
        cube[name].values[:] = value
    return cube


@pytest.mark.parametrize(
    ("cube", "height", "grade"),
    [
        (humid(-2.0, np.array([-1.0, 3.0, 3.0])), 80.0, 1),  # under an inversion
        (humid(-2.0, np.array([-1.0, 3.0, 3.0]), weather_code=48.0), 80.0, 2),  # in rime fog
        (humid(3.0, np.array([3.0, -1.0, 3.0])), 80.0, 1),  # a cold layer
        (humid(3.0, np.array([3.0, -1.0, 3.0])), 120.0, 1),  # and a flight above it
        (humid(3.0, np.array([3.0, 3.0, -1.0])), 80.0, 0),  # a flight below it
    ],
)
def test_icing_counts_on_the_whole_climb(cube, height, grade):
    limits = dataclasses.replace(LIMITS, minimum_temperature=250.0)
    hours = assess(derive(cube, height=height), limits)
    assert (hours["demand"].sel(element="icing").values[6:18] == grade).all()
    assert (hours["state"].values[6:18] <= (State.INSIDE, State.NARROW, State.OUTSIDE)[grade]).all()


@pytest.mark.parametrize("level", [0, 1])
def test_a_lost_level_on_the_climb_makes_icing_no_less_likely(level):
    cube = humid(3.0, np.array([3.0, 3.0, 3.0]))
    cube["air_temperature_aloft"].values[:, level] = -1.0 + 273.15
    whole = assess(derive(cube, height=120.0), LIMITS)
    cube["air_temperature_aloft"].values[12, level] = np.nan
    lost = assess(derive(cube, height=120.0), LIMITS)
    assert (whole["demand"].sel(element="icing").values == 1).all()
    assert (lost["state"].values[11:13] == State.NOT_KNOWN).all()


def test_icing_on_the_way_back_counts_what_lies_below_it():
    cube = humid(3.0, np.array([3.0, -1.0, 3.0]))
    hours = derive(cube, height=60.0, return_height=120.0)
    assert (hours["icing_risk_at_return"].values == 1).all()


def without_ground(cube, how):
    return cube.drop_vars("surface_altitude") if how == "left out" else cube.assign_coords(surface_altitude=np.nan)


@pytest.mark.parametrize("how", ["missing", "left out"])
def test_a_base_above_sea_level_over_ground_that_is_lost_is_lost(how):
    low = quiet_cube()
    low["cloud_base_altitude"].values[:] = 120.0  # 90 m above the ground
    before, after = (assess(derive(cube, height=80.0), LIMITS) for cube in (low, without_ground(low, how)))
    assert (before["state"].values[6:18] == State.OUTSIDE).all()
    assert (after["state"].values[6:18] == State.NOT_KNOWN).all()
    assert after["lost"].sel(element="cloud_base").values[6:18].all()


def test_a_pressure_at_sea_level_over_ground_that_is_lost_is_lost():
    high = reduced_pressure(4500.0, 270.0)  # no density altitude below the limit of 4000 m
    high["cloud_base_altitude"].values[:] = 6500.0
    accepted = dataclasses.replace(LIMITS, accepted=("cloud_base",))
    before, after = (assess(derive(cube, height=60.0), accepted) for cube in (high, without_ground(high, "missing")))
    assert (before["state"].values[6:18] == State.OUTSIDE).all()
    assert (after["state"].values[6:18] == State.NOT_KNOWN).all()
    assert after["lost"].sel(element="density_altitude").values[6:18].all()


def test_a_source_without_ground_that_has_pressure_at_sea_level_has_not_lost_the_density_altitude():
    cube = without(without_ground(reduced_pressure(30.0, 290.0), "left out"), "cloud_base_altitude")
    hours = assess(derive(cube, height=60.0), LIMITS)
    assert (hours["state"].values[6:18] == State.INSIDE).all()
    assert (hours["advised_unknown"].values[6:18] == 1).all()


def test_a_pressure_at_sea_level_that_is_lost_is_lost_where_it_stands_for_that_of_the_ground():
    cube = reduced_pressure(30.0, 290.0)
    cube["air_pressure_at_mean_sea_level"].values[12] = np.nan
    assert (assess(derive(cube, height=60.0), LIMITS)["state"].values[11:13] == State.NOT_KNOWN).all()
    cube = quiet_cube()  # whose source has the pressure at the ground itself
    cube["air_pressure_at_mean_sea_level"].values[12] = np.nan
    assert (assess(derive(cube, height=60.0), LIMITS)["state"].values[11:13] == State.INSIDE).all()


@pytest.mark.parametrize("dims", [{"site": 2}, {"latitude": 2, "longitude": 3}, {"realization": 4}])
def test_any_horizontal_dimensions_give_what_one_place_gives(dims):
    one = derive(quiet_cube(), height=60.0)
    cube = quiet_cube()
    if "latitude" in dims:
        cube = cube.drop_vars(["latitude", "longitude"])
        cube = cube.expand_dims(latitude=[52.0, 52.0], longitude=[6.0, 6.0, 6.0])
    else:
        cube = cube.expand_dims(dims)
    many = derive(cube, height=60.0)
    for name in one.data_vars:
        expected = one[name].broadcast_like(many[name])
        xr.testing.assert_allclose(many[name].drop_vars(many[name].coords), expected.drop_vars(expected.coords))


def test_every_result_has_a_unit():
    for name, variable in derive(quiet_cube(), height=60.0).data_vars.items():
        assert name in ("usable_start", "usable_end") or variable.attrs["units"]


def test_the_pilots_own_limits_count():
    cube = quiet_cube()
    careful = dataclasses.replace(LIMITS, maximum_gust=4.0)
    hours = assess(derive(cube, height=80.0), careful)
    assert set(hours["limiting_element"].values[6:18]) == {"gust"}


@pytest.mark.parametrize("height", [20.0, 40.0, 59.0, 60.0, 100.0])
def test_a_cover_that_the_wind_does_not_cross_makes_no_hour_better(height):
    cube = quiet_cube().isel(height=[0]).drop_vars("air_temperature_aloft").assign_coords(provided="")
    cube = mark_provided(cube)
    cube["wind_speed"].values[:] = 5.6
    cube["wind_from_direction"].values[:] = 0.0
    cube["surface_roughness_length"].values[:] = 0.8
    site = Site("a", 52.0, 6.0, 30.0, sectors={"west": "sea"})
    with_wood = dataclasses.replace(site, sectors={"west": "sea", "east": "closed"})
    before, after = (derive(cube, height=height, site=s) for s in (site, with_wood))
    for name in ("wind_speed", "wind_speed_of_gust"):
        assert (after[name] >= before[name]).all()


def test_a_gust_at_the_mean_wind_is_no_less_than_the_one_from_the_wind_alone():
    cube = quiet_cube()
    cube["wind_speed"].values[10:15] = 7.0, 7.4, 7.6
    cube["wind_speed_of_gust"].values[10:15] = 6.5
    alone = mark_provided(cube.drop_vars("wind_speed_of_gust").assign_coords(provided=""))
    given, worked_out = (derive(c, height=80.0) for c in (cube, alone))
    np.testing.assert_allclose(*(c["largest_gust"].values[:, 11:14] for c in (given, worked_out)))
    assert (given["gust_standard_deviation"] >= worked_out["gust_standard_deviation"] - 1e-9)[:, 11:14].all()
    hours = [assess(c, LIMITS)["margin"].sel(element="gust").values[12] for c in (given, worked_out)]
    assert hours[0] == pytest.approx(hours[1])
    assert hours[0] < 0
    cube["surface_roughness_length"].values[12] = np.nan
    lost = derive(cube, height=80.0)["largest_gust"].values
    assert np.isnan(lost[:, 12]).any() and np.isfinite(lost[:, 14]).all(), "the ground it needs is lost"


# Codes of the stamps 13, 14 and 15, each for three hours: the hour from 12 to 13 is as bad as the first makes it.
CODES = [
    (17, 51, "thunderstorm"),
    (29, 61, "thunderstorm"),
    (12, 20, "fog"),
    (45, 61, "visibility"),
    (66, 71, "icing"),
    (61, 71, "precipitation"),
]


@pytest.mark.parametrize(("worse", "larger", "element"), CODES)
def test_the_largest_number_of_a_code_is_not_the_worst(worse, larger, element):
    def margin(*codes):
        cube = quiet_cube(weather_code=(-3.0, 0.0))
        cube["weather_code"].values[13:16] = codes
        return assess(derive(cube, height=60.0), LIMITS)["margin"].isel(time=12), cube

    mixed, cube = margin(worse, larger, larger)
    alone, other = margin(worse, worse, worse)[0], margin(larger, larger, larger)[0]
    xr.testing.assert_equal(mixed, np.minimum(alone, other))
    assert float(mixed.sel(element=element)) <= 0
    cube["weather_code"].values[14] = np.nan
    lost = assess(derive(cube, height=60.0), LIMITS)["state"].values[12]
    assert lost in (State.NOT_KNOWN, State.OUTSIDE)
