"""Hours that once looked safer than the forecast says: each case by its name, from the cube to the chance and the rank.

The quiet cube holds everywhere with a chance above 9 in 10, with the error of a fine model; each case changes only what
it is about.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.cubes import quiet_cube, without
from tests.halves import spread
from tests.probability.test_chance import LIMITS
from tests.shared import BERLIN
from wxfly.answer.windows import find_windows, in_order
from wxfly.assessment.conditions import derive, hours_of
from wxfly.assessment.hours import to_hours
from wxfly.assessment.suitability import State, assess
from wxfly.cube.contract import LARGEST_IS_WORST, SMALLEST_IS_WORST, VARIABLES, attributes_of, with_lost_members
from wxfly.physics import geomagnetic
from wxfly.pilot.site import Site
from wxfly.probability.chance import hour_chances, window_chance
from wxfly.probability.site_chance import judge_site_chance
from wxfly.report.facts.windows import chance_and_causes
from wxfly.report.text.details import reported_causes

SITE = Site("here", 52.0, 6.0, surface_altitude=30.0, time_zone="Europe/Amsterdam")
RUN = np.datetime64("2026-06-10T00")
HOURS = 49
NOON = 12


def changed(hours=HOURS, model="icon_d2", **values):
    """Make a quiet cube; a value is one for every hour, or a dictionary of first and last stamp to value."""
    cube = quiet_cube(hours).assign_attrs(model=model)
    for name, value in values.items():
        for (first, last), here in (value if isinstance(value, dict) else {(None, None): value}).items():
            cube[name].values[first:last] = here
    return cube


def members_of(cubes):
    """Put cubes side by side as the members of one ensemble."""
    import xarray as xr

    whole = xr.concat(cubes, "realization", data_vars="all", coords="minimal", compat="override", join="exact")
    whole = whole.assign_coords(realization=np.arange(len(cubes))).transpose(..., "realization")
    for name in whole.data_vars:
        whole[name].attrs = cubes[0][name].attrs
    return whole.assign_attrs(cubes[0].attrs)


def judge(cube, ensembles=(), *, run=RUN, limits=LIMITS, start=None, end=None):
    conditions = derive(cube, height=60.0, start=start, end=end)
    assessment = assess(conditions, limits)
    site_chance = judge_site_chance(
        conditions, assessment, run, height=60.0, site=SITE, limits=limits, central=cube, ensembles=ensembles
    )
    return conditions, assessment, site_chance


def chances(cube, ensembles=(), **options):
    return judge(cube, ensembles, **options)[2].hours.values


def share_of(site_chance, element, first=NOON, last=NOON):
    return {c.element: c.share for c in site_chance.of(first, last).causes}.get(element, 0.0)


# --- 1. light rain -------------------------------------------------------------------------------------------------

SLIGHT_RAIN = {"precipitation_amount": 0.1, "weather_code": 61.0}


def test_slight_rain_in_every_hour_is_less_sure_than_a_dry_day():
    dry, wet = chances(changed()), chances(changed(**SLIGHT_RAIN))
    assert dry[NOON] > 0.9
    assert wet[NOON] < 0.6
    assert judge(changed(**SLIGHT_RAIN))[2].of(9, 11).value < 0.5


def test_forty_members_that_all_rain_are_less_sure_than_forty_dry_ones():
    cube = changed()
    dry = chances(cube, [members_of([changed()] * 40)])
    wet = chances(cube, [members_of([changed(**SLIGHT_RAIN)] * 40)])
    assert dry[NOON] > 0.95
    assert wet[NOON] < 0.6


@pytest.mark.thorough
def test_a_model_without_a_figure_of_its_error_is_less_sure_dry_and_wet():
    for weather in ({}, SLIGHT_RAIN):
        for members in (1, 40):
            fine, unknown = (changed(model=m, **weather) for m in ("icon_d2", "a test"))
            found = [chances(c, [] if members == 1 else [members_of([c] * members)]) for c in (fine, unknown)]
            assert found[1][NOON] < found[0][NOON] - 0.01


@pytest.mark.thorough
def test_dry_members_that_are_lost_lower_the_chance():
    dry, lost = changed(), changed(precipitation_amount=np.nan)
    found = [chances(dry, [members_of([dry] * (40 - n) + [lost] * n)])[NOON] for n in (0, 1, 10)]
    absent = chances(dry, [with_lost_members(members_of([dry] * 30), 10)])[NOON]
    assert found[0] > found[1] > found[2]
    assert found[2] < 0.75
    assert absent <= found[2] + 1e-9


def test_a_hundredth_of_a_millimetre_is_no_step_in_the_members():
    cube, found = changed(), []
    for amount in (0.10, 0.11):
        half = [changed(precipitation_amount=amount)] * 20 + [changed()] * 20
        found.append(chances(cube, [members_of(half)])[NOON])
    assert 0.0 < found[0] - found[1] < 0.03
    assert found[0] < 0.8


@pytest.mark.thorough
def test_the_chance_falls_with_the_amount_without_a_step():
    amounts = np.concatenate([[0.0], np.geomspace(0.002, 4.0, 60)])
    found = np.array([chances(changed(25, precipitation_amount=a))[NOON] for a in amounts])
    assert (np.diff(found) <= 1e-9).all()
    assert -np.diff(found).min() < 0.07
    assert found[0] > 0.9
    assert found[-1] < 0.2


@pytest.mark.parametrize("limit", [0.1, 0.5, 4.0])
def test_the_element_at_its_limit_is_named_among_what_may_break(limit):
    limits = replace(LIMITS, maximum_precipitation=limit)
    _, assessment, site_chance = judge(changed(precipitation_amount=limit), limits=limits)
    assert float(assessment["margin"].sel(element="precipitation")[NOON]) == pytest.approx(0.0)
    assert share_of(site_chance, "precipitation") == pytest.approx(0.5, abs=0.05)


def test_rain_that_decides_the_window_of_the_real_reply_is_named():
    if not BERLIN.is_file():
        pytest.skip("the measured reply is not beside this checkout")
    from wxfly.sources.open_meteo.forecast import read_forecast

    cube = read_forecast(BERLIN)
    conditions = derive(cube, height=30.0)
    assessment = assess(conditions, LIMITS)
    site_chance = judge_site_chance(
        conditions, assessment, cube["time"].values[0], height=30.0, site=SITE, limits=LIMITS, central=cube
    )
    windows = find_windows(assessment, minimum_duration=np.timedelta64(3, "h"))
    wet = [w for w in windows if w.limiting_element == "precipitation"]
    assert wet
    for window in wet:
        chance = site_chance.of(window.first, window.last)
        named = [c.element for c in reported_causes(chance_and_causes(chance)[1], window.limiting_element)]
        assert "precipitation" in named
        assert len(named) == 3


# --- 2. timing -----------------------------------------------------------------------------------------------------

COMES = {
    "a front": {"wind_speed": {(NOON, None): (11.0, 14.0, 14.5)}, "wind_speed_of_gust": {(NOON, None): 19.0}},
    "a storm": {
        "weather_code": {(NOON, NOON + 3): 95.0},
        "precipitation_amount": {(NOON, NOON + 3): 3.0},
        "atmosphere_convective_available_potential_energy": {(NOON, NOON + 3): 1500.0},
    },
    "a burst of rain": {"precipitation_amount": {(NOON + 1, NOON + 2): 2.0}},
}
ENDS = {
    "fog that lifts": {"visibility_in_air": {(None, NOON): 300.0}, "weather_code": {(None, NOON): 45.0}},
    "rain that ends": {"precipitation_amount": {(None, NOON + 1): 2.0}},
}


@pytest.mark.parametrize(("what", "members"), spread([(what, n) for what in COMES for n in (1, 10)], 2))
def test_the_hour_before_what_is_forecast_to_come_is_not_sure(what, members):
    cube = changed(**COMES[what])
    found = chances(cube, [] if members == 1 else [members_of([cube] * members)])
    state = judge(cube)[1]["state"].values
    first = int(np.flatnonzero(state == State.OUTSIDE)[np.flatnonzero(state == State.OUTSIDE) > 6][0])
    before = found[first - 1]
    assert state[first - 1] >= State.NARROW
    assert before < 0.8
    assert before < found[first - 2] <= found[first - 6] + 1e-9
    assert found[first - 6] > 0.85


@pytest.mark.parametrize(("what", "members"), spread([(what, n) for what in ENDS for n in (10, 1)], 3))
def test_the_hour_after_what_is_forecast_to_end_is_not_sure(what, members):
    cube = changed(**ENDS[what])
    found = chances(cube, [] if members == 1 else [members_of([cube] * members)])
    state = judge(cube)[1]["state"].values
    after = int(np.flatnonzero((state >= State.NARROW) & (np.arange(state.size) >= NOON))[0])
    assert state[after - 1] == State.OUTSIDE
    assert found[after] < 0.75
    assert found[after] < found[after + 2] <= found[after + 6] + 1e-9
    assert found[after + 6] > 0.85


def test_more_neighbouring_hours_count_farther_ahead():
    cube = changed(**COMES["a burst of rain"])
    near, far = chances(cube), chances(cube, run=RUN - np.timedelta64(120, "h"))
    quiet = [chances(changed(), run=r) for r in (RUN, RUN - np.timedelta64(120, "h"))]
    lost = [q[NOON - 3] - c[NOON - 3] for q, c in zip(quiet, (near, far), strict=True)]
    assert lost[1] > lost[0] + 0.03


def test_a_front_just_after_the_time_asked_about_counts_too():
    start, end = RUN + np.timedelta64(6, "h"), RUN + np.timedelta64(NOON - 1, "h")
    quiet, front = changed(), changed(**COMES["a front"])
    for ensembles in ((lambda c: []), (lambda c: [members_of([c] * 10)])):
        a, b = (chances(c, ensembles(c), start=start, end=end)[-1] for c in (quiet, front))
        assert b < a - 0.03


def test_an_hour_lost_beside_another_never_makes_it_surer():
    cube = changed(**COMES["a burst of rain"])
    before = chances(cube)
    for name in ("precipitation_amount", "wind_speed_of_gust", "weather_code"):
        lost = cube.copy(deep=True)
        lost[name].values[NOON - 1 : NOON + 2] = np.nan
        after = chances(lost)
        known = ~np.isnan(after)
        assert (after[known] <= before[known] + 1e-9).all(), name


def test_a_forecast_that_is_cut_is_not_surer_where_it_now_ends():
    cube = changed(**COMES["a burst of rain"])
    whole, cut = chances(cube), chances(cube.isel(time=slice(None, NOON + 1)))
    assert (cut <= whole[: cut.size] + 1e-9).all()


DRIZZLE, STORM = 51.0, 95.0


@pytest.mark.parametrize(("code", "members"), spread([(c, n) for c in (95, 17, 18, 19, 29, 96) for n in (1, 10)], 4))
def test_a_storm_beside_an_hour_costs_far_more_than_drizzle(code, members):
    found = {}
    for name, here in (("dry", 1.0), ("drizzle", DRIZZLE), ("storm", float(code))):
        cube = changed(weather_code={(NOON, NOON + 1): here})
        ensembles = [] if members == 1 else [members_of([cube] * members)]
        site_chance = judge(cube, ensembles)[2]
        found[name] = np.array(
            [*site_chance.hours.values[NOON - 2 : NOON + 3], site_chance.of(NOON - 4, NOON - 2).value]
        )
    drizzle, storm = found["dry"] - found["drizzle"], found["dry"] - found["storm"]
    assert (storm > 1.5 * drizzle).all()
    assert found["storm"][1] < 0.45  # the hour before whose end has the storm
    assert found["storm"][0] < 0.75


def test_a_storm_with_rain_costs_more_than_the_rain():
    spans = {"precipitation_amount": {(NOON, NOON + 2): 3.0}}
    rain, storm = (chances(changed(weather_code={(NOON, NOON + 1): code}, **spans)) for code in (63.0, STORM))
    assert (storm[NOON - 3 : NOON + 3] <= rain[NOON - 3 : NOON + 3] + 1e-9).all()


FAR_OUTSIDE = {
    "a storm": {"weather_code": {(NOON, NOON + 1): STORM}},
    "a downpour": {"precipitation_amount": {(NOON, NOON + 1): 5.0}},
    "a gale": {"wind_speed_of_gust": {(NOON, NOON + 1): 25.0}},
}


@pytest.mark.parametrize("what", FAR_OUTSIDE)
@pytest.mark.parametrize("members", [1, 20])
def test_an_hour_far_outside_keeps_no_chance_by_the_error_of_timing(what, members):
    """One hour of storm in a quiet day kept 0.40, one of a gale 0.56: the quiet hours beside it might come instead."""
    cube = changed(**FAR_OUTSIDE[what])
    _, assessment, site_chance = judge(cube, [] if members == 1 else [members_of([cube] * members)])
    outside = np.flatnonzero(assessment["hour_margin"].values == -1.0)
    outside = outside[(outside > 6) & (outside < 18)]
    assert outside.size
    for hour in outside:
        assert site_chance.hours.values[hour] <= 0.13, hour
        assert site_chance.of(hour - 1, hour + 1).value <= 0.13, hour


@pytest.mark.parametrize("members", [1, 10])
def test_the_error_of_timing_makes_no_hour_surer_than_it_is_forecast(members):
    cube = changed(**COMES["a front"])
    site_chance = judge(cube, [] if members == 1 else [members_of([cube] * members)])[2]
    without_timing = hour_chances(site_chance.standard_margin.sel(shift=0, drop=True), law=site_chance.law).values
    assert (site_chance.hours.values <= without_timing + 1e-9).all()
    for first in range(3, 20):
        unmoved = window_chance(
            site_chance.standard_margin.sel(shift=0, drop=True), first, first + 2, law=site_chance.law
        )
        assert site_chance.of(first, first + 2).value <= unmoved.value + 1e-9


# --- 3. radiation fog ----------------------------------------------------------------------------------------------


def calm_dawn(humidity, bases=False, **others):
    """Make a calm, clear night and morning of a source with visibility, with cloud bases or without."""
    dew_point = 283.15 - 20.0 * (1 - humidity) if humidity < 1 else 283.15
    cube = changed(
        25, wind_speed=(1.0, 1.6, 1.8), wind_speed_of_gust=1.8, air_temperature=283.15,
        air_temperature_aloft=(283.2, 283.8, 284.0), dew_point_temperature=dew_point, relative_humidity=humidity,
        cloud_area_fraction=0.0, low_type_cloud_area_fraction=0.0, weather_code=0.0, **others,
    )  # fmt: skip
    if bases:
        return cube
    cube = cube.drop_vars("cloud_base_altitude")
    return cube.assign_coords(provided=str(cube["provided"].values).replace("cloud_base_altitude; ", ""))


DAWN = 3


def test_a_calm_clear_dawn_in_humid_air_has_radiation_fog_as_possible():
    for humidity in (0.949, 0.96):
        _, assessment, site_chance = judge(calm_dawn(humidity))
        hour = assessment.isel(time=DAWN)
        assert float(hour["demand"].sel(element="fog")) == 1.0
        assert State(int(hour["state"])) is State.NARROW
        assert hour["limiting_element"].item() == "fog"
        assert 0.5 < site_chance.hours.values[DAWN] < 0.85
        assert "fog" in [c.element for c in site_chance.of(DAWN, DAWN).causes[:3]]


@pytest.mark.thorough
def test_humidity_makes_no_cliff_in_the_chance():
    humidities = np.arange(0.80, 1.0001, 0.005)
    found = np.array([chances(calm_dawn(h))[DAWN] for h in humidities])
    assert (np.diff(found) <= 1e-6).all()
    assert -np.diff(found).min() < 0.05
    assert found[0] > 0.9
    assert found[-1] < 0.55


@pytest.mark.thorough
@pytest.mark.parametrize("sees", spread([True, False], 2))
def test_humidity_makes_no_cliff_in_the_margin_of_fog(sees):
    margins = []
    for humidity in np.arange(0.75, 1.0001, 0.005):
        cube = calm_dawn(humidity, bases=True)
        cube = (cube if sees else without(cube, "visibility_in_air")).isel(time=slice(0, DAWN + 2))
        hour = assess(derive(cube, height=60.0), LIMITS).isel(time=DAWN)
        margins.append(float(hour["margin"].sel(element="fog")))
        possible = float(hour["demand"].sel(element="fog"))
        assert (possible > 0) == (margins[-1] <= 0.2)
        assert (possible > 1) == (margins[-1] < 0)
    assert (np.diff(margins) <= 1e-9).all()
    assert -np.diff(margins).min() < 0.15
    assert margins[0] > 0.7
    assert margins[-1] == pytest.approx(0.0 if sees else -1.0, abs=0.02)


def test_wind_or_sun_takes_the_radiation_fog_away():
    windy = calm_dawn(0.96, bases=True)
    windy["wind_speed"].values[:] = (6.5, 7.5, 7.7)
    windy["wind_speed_of_gust"].values[:] = 8.0
    for cube, hour in ((windy, DAWN), (calm_dawn(0.96, bases=True), NOON)):
        assert float(judge(cube)[1]["demand"].sel(element="fog")[hour]) == 0.0


@settings(max_examples=40, deadline=None)
@given(
    st.floats(0.7, 1.0),
    st.floats(0, 8),
    st.floats(-30, 60),
    st.lists(st.booleans(), min_size=3, max_size=3),
)
def test_a_missing_input_makes_no_fog_less_likely(humidity, wind, sun, gone):
    from wxfly.physics.air.visibility import radiation_fog_chance

    values = np.array([humidity, wind, sun])
    full = float(radiation_fog_chance(*values))
    some = float(radiation_fog_chance(*np.where(gone, np.nan, values)))
    assert 0 <= full <= 1
    assert np.isnan(some) or some >= full - 1e-12


def test_radiation_fog_fades_in_the_hours_after_sunrise():
    """With a humidity of 98 % until sunrise, at 03:15 UTC, and 80 % an hour later no fog was left at all."""
    cube = calm_dawn(0.98, bases=True)
    for name, value in (("relative_humidity", 0.80), ("dew_point_temperature", 279.85)):
        cube[name].values[5:] = value
    conditions, assessment, site_chance = judge(cube)
    fog = conditions["fog_chance"].max("edge").values
    assert fog[3] == pytest.approx(0.37, abs=0.02)
    assert (np.diff(fog[3:9]) <= 1e-9).all()
    assert -np.diff(fog[3:12]).min() < 0.13
    assert [float(assessment["demand"].sel(element="fog")[h]) for h in (5, 6)] == [1.0, 1.0]
    assert State(int(assessment["state"][5])) is State.NARROW
    assert fog[9] < 0.01
    assert site_chance.hours.values[5] < site_chance.hours.values[9] - 0.1


def test_fog_of_hours_before_those_asked_about_counts():
    cube = calm_dawn(0.98, bases=True)
    for name, value in (("relative_humidity", 0.80), ("dew_point_temperature", 279.85)):
        cube[name].values[5:] = value
    whole = derive(cube, height=60.0)["fog_chance"].values[:, 5:8]
    start = RUN + np.timedelta64(5, "h")
    assert np.array_equal(derive(cube, height=60.0, start=start)["fog_chance"].values[:, :3], whole)
    cut = derive(cube.isel(time=slice(5, None)), height=60.0)["fog_chance"].values[:, :3]
    assert (cut >= whole - 1e-9).all()
    lost = cube.copy(deep=True)
    lost["relative_humidity"].values[3:5] = np.nan
    assert (derive(lost, height=60.0)["fog_chance"].values[:, 5:8] >= whole - 1e-9).all()


# --- 3b. codes that speak against good sight ----------------------------------------------------------------------

SPOKEN_AGAINST = (*range(4, 13), *range(20, 29), *range(30, 41))


@pytest.mark.parametrize("code", spread(SPOKEN_AGAINST, 6))
def test_a_code_of_mist_dust_snow_or_what_was_before_passes_no_hour_in_silence(code):
    """Codes 4 to 12, 20 to 28 and 30 to 40 changed nothing: a duststorm and shallow fog were as good as a clear sky."""
    quiet, (_, told, site_chance) = judge(changed(25)), judge(changed(25, weather_code=float(code)))
    assert told["state"].values[NOON] <= State.NARROW
    assert told["hour_margin"].values[NOON] <= 0.2 < quiet[1]["hour_margin"].values[NOON]
    assert site_chance.hours.values[NOON] < quiet[2].hours.values[NOON] - 0.05
    assert told["limiting_element"].values[NOON] in ("fog", "visibility", "precipitation", "icing")


@pytest.mark.parametrize("code", [11, 12, 21, 24, 28, 32, 39, 40])
def test_without_a_visibility_of_the_source_such_a_code_passes_no_hour_in_silence(code):
    cube = without(changed(25, weather_code=float(code)), "visibility_in_air")
    assert judge(cube)[1]["state"].values[NOON] <= State.NARROW


def test_freezing_rain_before_is_icing_that_may_still_be_there():
    cold = {"air_temperature": 272.15, "air_temperature_aloft": (272.1, 271.5, 271.2), "dew_point_temperature": 269.15,
            "relative_humidity": 0.8}  # fmt: skip
    for code in (20.0, 21.0, 24.0, 25.0):
        grade = judge(changed(25, weather_code=code, **cold))[1]["demand"].sel(element="icing")
        assert float(grade[NOON]) == 1.0, code


# --- 4. storms without rain ----------------------------------------------------------------------------------------

UNSTABLE = {"atmosphere_convective_available_potential_energy": 4000.0, "lifted_index": -9.0}


def with_inhibition(cube, value):
    name = "atmosphere_convective_inhibition"
    return cube.assign({name: ("time", np.full(cube.sizes["time"], float(value)), attributes_of(name))})


def test_very_unstable_air_without_rain_is_narrow():
    _, assessment, site_chance = judge(changed(**UNSTABLE))
    hour = assessment.isel(time=NOON)
    assert State(int(hour["state"])) is State.NARROW
    assert hour["limiting_element"].item() == "thunderstorm"
    assert share_of(site_chance, "thunderstorm") >= 0.1


@pytest.mark.thorough
def test_inhibition_lowers_the_chance_of_a_storm_and_removes_it_by_no_step():
    """CAPE of 4000 J/kg with an inhibition of 160 J/kg was wholly inside."""
    found = []
    for inhibition in (0.0, 100.0, 149.0, 151.0, 160.0, 200.0, -200.0):
        _, assessment, site_chance = judge(with_inhibition(changed(**UNSTABLE), inhibition))
        assert State(int(assessment["state"][NOON])) is State.NARROW, inhibition
        found.append(site_chance.hours.values[NOON])
    assert found[-1] == found[-2]
    assert (np.diff(found[:-1]) > 0).all()
    assert found[3] - found[2] < 0.01
    assert found[-1] < chances(changed())[NOON] - 0.05
    worst = found[0]
    for inhibition in (999.9, np.nan):
        assert chances(with_inhibition(changed(**UNSTABLE), inhibition))[NOON] <= worst + 1e-9, inhibition


STEPS = {
    "atmosphere_convective_available_potential_energy": np.arange(0.0, 4500.0, 50.0),
    "lifted_index": np.arange(4.0, -9.0, -0.25),
    "inhibition": np.arange(400.0, 0.0, -10.0),
}


@pytest.mark.thorough
@pytest.mark.parametrize("name", STEPS)
@pytest.mark.parametrize("wet", [{}, {"precipitation_amount": 0.1, "weather_code": 61.0}, {"weather_code": 80.0}])
def test_unstable_air_makes_no_cliff_in_chance_and_margin(name, wet):
    margins, found = [], []
    for value in STEPS[name]:
        held = {"inhibition": 60.0, "lifted_index": -4.0, "atmosphere_convective_available_potential_energy": 2600.0}
        held |= {name: value}
        cube = with_inhibition(
            changed(25, **{k: v for k, v in held.items() if k != "inhibition"}, **wet), held["inhibition"]
        )
        _, assessment, site_chance = judge(cube)
        margins.append(float(assessment["margin"].sel(element="thunderstorm")[NOON]))
        found.append(site_chance.hours.values[NOON])
    assert (np.diff(margins) <= 1e-9).all()
    assert -np.diff(margins).min() < 0.2
    assert (np.diff(found) <= 1e-9).all()
    assert -np.diff(found).min() < 0.05


def test_a_chance_of_rain_in_unstable_air_is_a_storm_that_is_possible():
    energy = {"atmosphere_convective_available_potential_energy": 1200.0, "lifted_index": -1.0}
    for probability, grade in ((0.0, 0.0), (0.2, 0.0), (0.5, 1.0)):
        cube = with_inhibition(changed(precipitation_probability=probability, **energy), 180.0)
        assert float(derive(cube, height=60.0)["thunderstorm_risk"][0, NOON]) == grade


# --- 5b. a jet above the flight height -----------------------------------------------------------------------------


def with_jet(speed, members=1, height=60.0, **lost):
    """Judge a night and morning with this wind at 120 m, and a light wind at and below 80 m."""
    cube = changed(25, wind_speed=(2.0, 3.0, speed))
    for name, value in lost.items():
        cube[name].values[:, -1] = value
    conditions = derive(cube, height=height)
    ensembles = [] if members == 1 else [members_of([cube] * members)]
    return judge_site_chance(
        conditions, assess(conditions, LIMITS), RUN, height=height, site=SITE, limits=LIMITS, central=cube,
        ensembles=ensembles,
    )  # fmt: skip


@pytest.mark.parametrize("members", [1, 20])
def test_a_jet_above_the_flight_height_is_not_sure(members):
    """Wind of 15 m/s at 120 m changed nothing in the chance of a flight at 60 to 80 m: the levels below decide."""
    for height, most in ((60.0, 0.87), (70.0, 0.82), (80.0, 0.8)):
        calm, jet = (with_jet(speed, members, height).hours.values for speed in (3.3, 15.0))
        assert calm[NOON] > 0.9
        assert (jet[6:18] < most).all()
        causes = {c.element: c.share for c in with_jet(15.0, members, height).of(NOON, NOON).causes}
        assert causes["wind"] > 0.12


@pytest.mark.parametrize("members", [1, 20])
def test_wind_above_that_keeps_the_limit_changes_nothing(members):
    least = with_jet(3.3, members).hours.values
    for speed in (6.0, 8.0):
        assert np.allclose(with_jet(speed, members).hours.values, least, atol=1e-9)


@pytest.mark.thorough
def test_a_jet_makes_no_step_at_the_limit():
    found = [with_jet(speed, height=80.0).hours.values[NOON] for speed in np.arange(8.0, 16.01, 0.25)]
    assert (np.diff(found) <= 1e-9).all()
    assert -np.diff(found).min() < 0.07


def test_a_level_above_that_is_lost_is_no_better_than_a_jet_there():
    jet, lost = (with_jet(speed).hours.values for speed in (15.0, np.nan))
    assert (np.isnan(lost) | (lost <= jet + 1e-9)).all()


# --- 9. Kp ---------------------------------------------------------------------------------------------------------

THIRDS = np.round(np.arange(0, 28) / 3, 2)


@pytest.mark.parametrize("latitude", [0.0, 20.0, 39.9, 40.1, 45.0, 48.0, 52.0, 56.0, 60.0, 67.0, 80.0])
def test_risk_and_verdict_of_kp_are_one_table(latitude):
    limit = float(geomagnetic.kp_limit(latitude))
    for kp in THIRDS:
        risk = float(geomagnetic.kp_risk(kp, latitude))
        assert (risk == 2) == (kp > limit), kp
        if risk == 1:
            assert 1 - kp / limit < 0.2, kp
        words = geomagnetic.describe_kp(kp, latitude)
        assert ("drift or drop out" in words) == (risk == 2)


def test_kp_8_in_mid_latitudes_is_outside():
    cube = changed(kp_index=8.0)
    hour = judge(cube)[1].isel(time=NOON)
    assert State(int(hour["state"])) is State.OUTSIDE
    assert hour["limiting_element"].item() == "kp"


def test_kp_9_is_outside_near_the_magnetic_equator_too():
    assert float(geomagnetic.kp_limit(20.0)) < 9.0
    assert float(geomagnetic.kp_risk(9.0, 20.0)) == 2


# --- 13. a window that ends in the unknown -------------------------------------------------------------------------


def test_a_window_that_ends_at_a_required_unknown_ranks_behind_one_that_is_known():
    cube = changed(25)
    cube["wind_speed_of_gust"].values[11:13] = np.nan  # of the hours from 10 to 13
    cube["wind_speed_of_gust"].values[13:18] = 6.0  # the known window has the smaller margin
    start, end = RUN + np.timedelta64(7, "h"), RUN + np.timedelta64(17, "h")
    conditions = derive(cube, height=60.0)
    assessment = assess(conditions, LIMITS)
    windows = find_windows(assessment, minimum_duration=np.timedelta64(1, "h"), start=start, end=end)
    assert [w.ends_unknown for w in windows] == [False, True]
    assert windows[0].margin < windows[1].margin
    assert windows[0].start > windows[1].start
    assert [w.start for w in in_order(windows, start)] == [w.start for w in windows]


def test_a_window_that_ends_by_dusk_or_by_the_time_asked_about_is_known():
    assessment = assess(derive(changed(25), height=60.0), LIMITS)
    for end in (None, RUN + np.timedelta64(12, "h")):
        (window,) = find_windows(assessment, minimum_duration=np.timedelta64(1, "h"), end=end)
        assert not window.ends_unknown


# --- icing below a low cloud ---------------------------------------------------------------------------------------


def cold_stratus(probability=0.4, degrees=-3.4, **others):
    """Make a cold, humid day under a low, full cloud, with nothing measurable forecast."""
    given = {
        "air_temperature": degrees + 273.15,
        "air_temperature_aloft": tuple(degrees + 273.15 - d for d in (0.0, 0.4, 0.7)),
        "dew_point_temperature": degrees + 270.85,
        "relative_humidity": 0.84,
        "cloud_area_fraction": 1.0,
        "low_type_cloud_area_fraction": 1.0,
        "cloud_base_altitude": 258.0,
        "weather_code": 3.0,
        "precipitation_probability": probability,
    }
    return changed(25, **given | others)


def test_precipitation_that_may_fall_through_freezing_air_makes_icing_possible():
    _, assessment, site_chance = judge(cold_stratus())
    hour = assessment.isel(time=NOON)
    assert float(hour["demand"].sel(element="icing")) == 1.0
    assert State(int(hour["state"])) is State.NARROW
    assert share_of(site_chance, "icing") == pytest.approx(0.4, abs=0.05)


@pytest.mark.parametrize("ahead", [0, 120])
def test_the_chance_of_icing_is_near_the_probability_far_ahead_too(ahead):
    for probability in (0.4, 0.9):
        site_chance = judge(cold_stratus(probability), run=RUN - np.timedelta64(ahead, "h"))[2]
        assert share_of(site_chance, "icing") == pytest.approx(probability, abs=0.06)


@pytest.mark.thorough
def test_icing_goes_with_the_probability_and_the_cold_without_a_step():
    by_probability = [
        float(assess(derive(cold_stratus(p), height=60.0), LIMITS)["margin"].sel(element="icing")[NOON])
        for p in np.arange(0.0, 1.01, 0.05)
    ]
    assert (np.diff(by_probability) <= 1e-9).all()
    assert -np.diff(by_probability).min() < 0.6
    by_warmth = [
        float(derive(cold_stratus(degrees=d), height=60.0)["icing_chance"].max("edge")[NOON])
        for d in np.arange(-1.0, 4.01, 0.25)
    ]
    assert by_warmth[0] == pytest.approx(0.4)
    assert by_warmth[-1] == 0.0
    assert -np.diff(by_warmth).min() < 0.1


def test_snow_dry_air_and_a_source_without_probability_are_as_before():
    for cube in (
        cold_stratus(0.0),
        without(cold_stratus(), "precipitation_probability"),
        cold_stratus(degrees=-6.0, weather_code=71.0, precipitation_amount=0.1),
    ):
        assert float(derive(cube, height=60.0)["icing_risk"].max("edge")[NOON]) == 0.0


@pytest.mark.parametrize("raining", [0, 4, 8, 16])
def test_rain_in_some_members_and_its_probability_are_counted_once(raining):
    """With 8 of 20 members raining and a probability of 0.4 icing read 0.59: it was added to those without rain."""
    dry = cold_stratus(0.4)
    wet = cold_stratus(0.4, precipitation_amount=0.5, weather_code=61.0)
    site_chance = judge(dry, [members_of([dry] * (20 - raining) + [wet] * raining)])[2]
    assert share_of(site_chance, "icing") == pytest.approx(max(0.4, 0.87 * raining / 20), abs=0.02)


def test_a_member_that_is_lost_makes_icing_no_less_likely():
    dry, lost = cold_stratus(0.4), cold_stratus(0.4, air_temperature=np.nan)
    wet = cold_stratus(0.4, precipitation_amount=0.5, weather_code=61.0)
    whole = judge(dry, [members_of([dry] * 12 + [wet] * 8)])[2]
    for left, gone in (([dry] * 12 + [wet] * 7, 1), ([dry] * 11 + [wet] * 8, 1), ([dry] * 12, 8)):
        some = judge(dry, [members_of(left + [lost] * gone)])[2]
        assert share_of(some, "icing") >= share_of(whole, "icing") - 1e-9
        assert some.hours.values[NOON] <= whole.hours.values[NOON] + 1e-9


def test_a_lost_probability_in_freezing_air_leaves_icing_not_known():
    state = judge(cold_stratus(np.nan))[1]["state"].values[NOON]
    assert State(int(state)) is State.NOT_KNOWN


# --- what an hour has lost -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("height", [5.0, 10.0, 30.0])
def test_a_level_lost_above_a_low_flight_makes_no_hour_better(height):
    whole = changed(wind_speed=[2.0, 12.0, 12.0])
    lost = whole.copy(deep=True)
    lost["wind_speed"].values[NOON, 1] = np.nan
    found = []
    for cube in (whole, lost):
        conditions = derive(cube, height=height, site=SITE)
        assessment = assess(conditions, LIMITS)
        chance = judge_site_chance(
            conditions, assessment, RUN, height=height, site=SITE, limits=LIMITS, central=cube
        ).hours.values
        found.append((assessment["state"].values[NOON - 1 : NOON + 1], chance[NOON - 1 : NOON + 1]))
    (states, chance), (lost_states, lost_chance) = found
    assert (states == State.OUTSIDE).all() and (lost_states <= State.OUTSIDE).all()
    assert not (lost_chance > chance).any()


def test_a_lost_probability_makes_no_storm_less_likely_where_codes_are_not_provided():
    unstable = without(
        changed(
            atmosphere_convective_available_potential_energy=3000.0, lifted_index=2.0, precipitation_probability=0.6,
            dew_point_temperature=284.0, relative_humidity=0.67,
        ),
        "weather_code",
    )  # fmt: skip
    lost = unstable.copy(deep=True)
    lost["precipitation_probability"].values[NOON : NOON + 2] = np.nan
    (_, whole, sure), (_, less, lost_sure) = judge(unstable), judge(lost)
    assert whole["margin"].sel(element="thunderstorm").values[NOON] < 0
    assert (
        less["margin"].sel(element="thunderstorm").values[NOON]
        <= whole["margin"].sel(element="thunderstorm").values[NOON]
    )
    assert less["state"].values[NOON] <= whole["state"].values[NOON]
    assert lost_sure.hours.values[NOON] <= sure.hours.values[NOON]


@pytest.mark.parametrize(
    ("name", "worst"), [("visibility_in_air", 300.0), ("cloud_base_altitude", 90.0), ("lifted_index", -8.0)]
)
def test_the_worst_of_a_span_counts_where_the_smallest_is_the_worst(name, worst):
    cube = quiet_cube(HOURS, **{name: (-3.0, 0.0)})
    if name == "cloud_base_altitude":
        cube["low_type_cloud_area_fraction"].values[:] = 0.9
    cube[name].values[NOON] = worst
    hours = hours_of(cube)(name)
    assert (hours[:, NOON - 3 : NOON] == worst).all()
    assert not (hours == worst)[:, : NOON - 3].any()


@pytest.mark.parametrize("name", ["air_temperature", "wind_from_direction", "surface_roughness_length"])
def test_what_has_no_worst_value_over_a_span_is_not_known(name):
    hours = to_hours(quiet_cube(HOURS, **{name: (-3.0, 0.0)}), HOURS - 1)
    assert hours[name].isnull().all()


def test_every_variable_that_has_a_span_by_itself_has_a_worst_value():
    spans = {name for name, row in VARIABLES.items() if row.covers_hours != (0.0, 0.0)}
    assert spans <= LARGEST_IS_WORST | SMALLEST_IS_WORST <= VARIABLES.keys()
    assert not LARGEST_IS_WORST & SMALLEST_IS_WORST


def test_a_lost_roughness_leaves_a_gust_that_is_worked_out_from_it_unknown():
    whole = without(changed(), "wind_speed_of_gust")
    lost = whole.copy(deep=True)
    lost["surface_roughness_length"].values[NOON] = np.nan
    before, after = (assess(derive(cube, height=60.0), LIMITS) for cube in (whole, lost))
    assert np.isfinite(before["margin"].sel(element="gust").values[NOON])
    assert np.isnan(after["margin"].sel(element="gust").values[NOON - 1 : NOON + 1]).all()
    assert (after["state"].values[NOON - 1 : NOON + 1] == State.NOT_KNOWN).all()
    assert after["state"].values[NOON + 1] == before["state"].values[NOON + 1]
