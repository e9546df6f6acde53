"""Every element from the cube to the verdict: inside, narrow, outside and not known, with nothing else in the way.

The quiet cube holds everywhere; each case changes only what its element is measured by.
"""

import dataclasses

import numpy as np
import pytest

from tests.cubes import quiet_cube, without
from wxfly.answer.windows import find_windows
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import State, assess
from wxfly.cube.contract import mark_provided
from wxfly.physics import geomagnetic
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.elements import NAMES
from wxfly.pilot.limits import limits_for

# A little rain is allowed here, so that a shower can be there without being what decides.
LIMITS = dataclasses.replace(limits_for(load_aircraft()["camera-quad-250g"]), maximum_precipitation=0.5)
HEIGHT = 60.0
NOON = 12
FROST = {"air_temperature_aloft": (270.15, 270.15, 270.15), "air_temperature": 270.15}
JUST_ABOVE_FREEZING = {
    "air_temperature": 277.15,
    "air_temperature_aloft": (277.1, 276.6, 276.3),
    "dew_point_temperature": 275.65,
    "relative_humidity": 0.90,
    "cloud_base_altitude": 900.0,
}
MOIST_WITHOUT_CLOUD = {
    "relative_humidity": 0.95,
    "dew_point_temperature": 289.35,
    "cloud_base_altitude": np.nan,
    "low_type_cloud_area_fraction": 0.0,
}
KP_LIMIT = float(geomagnetic.kp_limit(geomagnetic.geomagnetic_latitude(52.0, 6.0)))


def changed(**values):
    cube = quiet_cube()
    for name, value in values.items():
        cube[name].values[:] = value
    return cube


def calm_of(gust):
    return {"wind_speed_of_gust": gust}


# element: the cube in which it is narrow, the one in which it is outside. Temperatures are at most -10 to 40 degC,
# ground is 30 m above sea level, the flight is at 60 m.
CASES = {
    "wind": (
        {"wind_speed": (6.5, 7.4, 7.5), **calm_of(7.2)},
        {"wind_speed": (8.6, 8.8, 8.9), **calm_of(9.5)},
    ),
    "gust": (calm_of(8.4), calm_of(10.5)),
    "wind_difference": (
        {"wind_speed": (0.5, 5.9, 6.0), **calm_of(0.8)},
        {"wind_speed": (0.3, 8.4, 8.5), **calm_of(0.4)},
    ),
    "precipitation": ({"precipitation_amount": 0.45}, {"precipitation_amount": 0.6}),
    "temperature": (
        {"air_temperature": 312.15, "air_temperature_aloft": (312.1, 311.7, 311.4), "dew_point_temperature": 283.15},
        {"air_temperature": 315.15, "air_temperature_aloft": (315.1, 314.7, 314.4), "dew_point_temperature": 283.15},
    ),
    "density_altitude": ({"surface_air_pressure": 72_000.0}, {"surface_air_pressure": 60_000.0}),
    "icing": (
        FROST | {"relative_humidity": 0.90, "dew_point_temperature": 268.8, "freezing_level_altitude": 0.0},
        FROST | {"relative_humidity": 0.90, "dew_point_temperature": 268.8, "weather_code": 56.0,
                 "precipitation_amount": 0.05},
    ),
    "visibility": ({"visibility_in_air": 5600.0}, {"visibility_in_air": 3000.0}),
    "fog": (MOIST_WITHOUT_CLOUD, None),
    "cloud_base": ({"cloud_base_altitude": 30.0 + 240.0}, {"cloud_base_altitude": 30.0 + 190.0}),
    "thunderstorm": (
        {"weather_code": 80.0, "precipitation_amount": 0.05,
         "atmosphere_convective_available_potential_energy": 500.0},
        {"weather_code": 95.0},
    ),
    "kp": ({"kp_index": KP_LIMIT * 0.9}, {"kp_index": min(KP_LIMIT * 1.1, 9.0)}),
}  # fmt: skip

# What is taken away so that the element is not known, and what else the cube must hold for it to matter.
LOST = {
    "wind": ("wind_speed", {}),
    "gust": ("wind_speed_of_gust", {}),
    "wind_difference": ("wind_from_direction", {}),
    "precipitation": ("precipitation_amount", {}),
    "temperature": ("air_temperature_aloft", {}),
    "density_altitude": ("surface_air_pressure", {}),
    "icing": ("weather_code", JUST_ABOVE_FREEZING | {"precipitation_amount": 0.05}),
    "visibility": ("visibility_in_air", {}),
    "fog": (
        "relative_humidity",
        {"cloud_base_altitude": np.nan, "low_type_cloud_area_fraction": 0.0},
    ),
    "cloud_base": ("cloud_base_altitude", {}),
    "thunderstorm": (
        "weather_code",
        {"precipitation_amount": 0.05, "atmosphere_convective_available_potential_energy": 100.0},
    ),
    "kp": ("kp_index", {}),
}

# What a source leaves out so that the element is not known, where that is more than what is lost above: without one of
# these a method has its fallback.
LEFT_OUT = {
    "gust": ("wind_speed_of_gust", "wind_speed"),
    "temperature": ("air_temperature_aloft", "air_temperature"),
    "density_altitude": ("surface_air_pressure", "air_pressure_at_mean_sea_level"),
    "fog": ("relative_humidity", "dew_point_temperature"),
    "cloud_base": ("cloud_base_altitude", "relative_humidity", "dew_point_temperature"),
}


def lost(element):
    name, others = LOST[element]
    cube = changed(**others, **{name: np.nan})
    return cube.assign_coords(provided=mark_provided(quiet_cube())["provided"])


def judged(cube, limits=LIMITS):
    return assess(derive(cube, height=HEIGHT), limits)


def test_the_quiet_day_is_inside_by_every_element():
    hour = judged(quiet_cube()).isel(time=NOON)
    assert State(int(hour["state"])) is State.INSIDE
    assert (hour["margin"] >= LIMITS.reserve).all()


@pytest.mark.parametrize("element", CASES)
def test_narrow(element):
    hour = judged(changed(**CASES[element][0])).isel(time=NOON)
    assert State(int(hour["state"])) is State.NARROW
    assert hour["limiting_element"].item() == element


@pytest.mark.parametrize("element", [name for name in CASES if name != "fog"])
def test_outside_and_no_other_element_with_it(element):
    hour = judged(changed(**CASES[element][1])).isel(time=NOON)
    assert State(int(hour["state"])) is State.OUTSIDE
    assert hour["limiting_element"].item() == element
    beyond = [str(n) for n in hour["element"].values[hour["margin"].values < 0]]
    assert beyond == [element]


def test_fog_is_outside_only_where_the_source_has_no_visibility_and_all_speaks_for_it():
    cube = changed(**MOIST_WITHOUT_CLOUD, wind_speed=(1.5, 2.0, 2.2), wind_speed_of_gust=2.5)
    before_sunrise = 2
    with_visibility = judged(cube).isel(time=before_sunrise)
    assert State(int(with_visibility["state"])) is State.NARROW
    poorer = mark_provided(cube.drop_vars("visibility_in_air").assign_coords(provided=""))
    hour = judged(poorer).isel(time=before_sunrise)
    assert State(int(hour["state"])) is State.OUTSIDE
    assert hour["limiting_element"].item() == "fog"


def test_daylight_alone_stops_the_night_and_cuts_the_window():
    hours = judged(quiet_cube())
    night = hours.isel(time=0)
    assert State(int(night["state"])) is State.OUTSIDE
    assert [str(n) for n in night["element"].values[night["margin"].values < 0]] == ["daylight"]
    (window,) = find_windows(hours, minimum_duration=np.timedelta64(30, "m"))
    assert str(window.start)[11:13] == "02"


@pytest.mark.parametrize("element", LOST)
def test_not_known_where_it_is_required(element):
    limits = dataclasses.replace(LIMITS, required=(element, "daylight"))
    hour = judged(lost(element), limits).isel(time=NOON)
    assert np.isnan(float(hour["margin"].sel(element=element)))
    assert State(int(hour["state"])) is State.NOT_KNOWN


@pytest.mark.parametrize("element", LOST)
def test_named_where_it_is_advised(element):
    name, others = LOST[element]
    limits = dataclasses.replace(LIMITS, required=("daylight",))
    hours = judged(without(changed(**others), *LEFT_OUT.get(element, (name,))), limits)
    assert State(int(hours["state"][NOON])) >= State.NARROW
    windows = find_windows(hours, minimum_duration=np.timedelta64(60, "m"))
    assert element in windows[0].unknown


@pytest.mark.parametrize("element", LOST)
def test_not_known_where_it_is_advised_and_the_hours_have_lost_it(element):
    hours = judged(lost(element), dataclasses.replace(LIMITS, required=("daylight",)))
    assert np.isnan(hours["margin"].sel(element=element)).all()
    assert (hours["state"] == State.NOT_KNOWN).all()
    assert find_windows(hours, minimum_duration=np.timedelta64(60, "m")) == []


@pytest.mark.parametrize("element", LOST)
def test_named_where_it_is_lost_and_the_pilot_has_taken_it_on_himself(element):
    unknown = [str(n) for n, m in zip(NAMES, judged(lost(element))["margin"][:, NOON], strict=True) if np.isnan(m)]
    for accepted, is_known in ((unknown, True), ([n for n in unknown if n != element], False)):
        hours = judged(lost(element), dataclasses.replace(LIMITS, required=("daylight",), accepted=tuple(accepted)))
        assert (State(int(hours["state"][NOON])) >= State.NARROW) == is_known
        windows = find_windows(hours, minimum_duration=np.timedelta64(60, "m"))
        assert bool(windows) == is_known
        assert all(element in w.unknown for w in windows)


def test_every_element_is_here():
    assert {*CASES, "daylight"} == set(NAMES) == {*LOST, "daylight"}
