import dataclasses

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from wxfly.assessment.suitability import State, assess, not_judged, uncut_hour_margins, unknown_elements
from wxfly.errors import WxflyError
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.elements import BY_NAME, NAMES, REQUIRED_BY_DEFAULT
from wxfly.pilot.limit_rules import FULL_MARGIN, margin_at_least, margin_at_most, margin_of_grade, margin_within
from wxfly.pilot.limits import limits_for

LIMITS = limits_for(load_aircraft()["camera-quad-250g"])
START = np.datetime64("2026-03-10T09", "ns")

# A quiet hour: every element far from its limit.
QUIET = {
    "largest_wind_speed": 2.0,
    "largest_gust": 3.0,
    "wind_difference": 0.5,
    "precipitation_rate": 0.0,
    "air_temperature": 288.15,
    "density_altitude": 100.0,
    "icing_risk": 0.0,
    "visibility_in_air": 40_000.0,
    "cloud_base_height": 2_000.0,
    "thunderstorm_risk": 0.0,
    "fog_risk": 0.0,
    "kp_index": 1.0,
}
CONDITION_OF = dict(zip(
    ("wind", "gust", "wind_difference", "precipitation", "temperature", "density_altitude", "icing", "visibility",
     "cloud_base", "thunderstorm", "fog", "kp"), QUIET, strict=True,
))  # fmt: skip


RISKS = ("thunderstorm", "fog", "icing")
"""Those with a chance of their own."""


def conditions(hours=1, minutes_of_light=60.0, **changed):
    """Make conditions in which only the changed values are not quiet; a pair gives both edges of the hour."""
    time = START + np.arange(hours) * np.timedelta64(1, "h")
    data = {}
    quiet = QUIET | changed
    quiet |= {f"{risk}_chance": np.interp(quiet[f"{risk}_risk"], (0, 1, 2), (0.0, 0.2, 1.0)) for risk in RISKS}
    for name, value in ({"air_temperature_near_ground": quiet["air_temperature"]} | quiet).items():
        edges = np.broadcast_to(np.asarray(value, dtype=float), (2,))
        data[name] = (("edge", "time"), np.repeat(edges[:, None], hours, axis=1))
    data["kp_limit"] = (("edge", "time"), np.full((2, hours), 7.0))
    lit = np.full(hours, minutes_of_light)
    data["minutes_of_light"] = (("time",), lit)
    data["usable_start"] = (("time",), np.where(lit > 0, time, np.datetime64("NaT", "s")))
    data["usable_end"] = (("time",), time + (lit * 60e9).astype("timedelta64[ns]"))
    return xr.Dataset(data, coords={"time": time, "height": 60.0})


def judged(**changed):
    return assess(conditions(**changed), LIMITS).isel(time=0)


# One row for every element and state. The limits are those of the small camera quad at 60 m.
CASES = [
    ("wind", 2.0, State.INSIDE), ("wind", 7.5, State.NARROW), ("wind", 9.0, State.OUTSIDE),
    ("gust", 3.0, State.INSIDE), ("gust", 10.0, State.NARROW), ("gust", 11.0, State.OUTSIDE),
    ("wind_difference", 0.5, State.INSIDE), ("wind_difference", 3.8, State.NARROW),
    ("wind_difference", 4.5, State.OUTSIDE),
    ("precipitation", 0.0, State.INSIDE), ("precipitation", 0.09, State.NARROW),
    ("precipitation", 0.2, State.OUTSIDE),
    ("temperature", 288.15, State.INSIDE), ("temperature", 264.15, State.NARROW),
    ("temperature", 312.15, State.NARROW), ("temperature", 262.15, State.OUTSIDE),
    ("temperature", 314.15, State.OUTSIDE),
    ("density_altitude", 100.0, State.INSIDE), ("density_altitude", 3_500.0, State.NARROW),
    ("density_altitude", 4_100.0, State.OUTSIDE),
    ("icing", 0.0, State.INSIDE), ("icing", 1.0, State.NARROW), ("icing", 2.0, State.OUTSIDE),
    ("visibility", 40_000.0, State.INSIDE), ("visibility", 5_500.0, State.NARROW),
    ("visibility", 4_000.0, State.OUTSIDE),
    ("cloud_base", 2_000.0, State.INSIDE), ("cloud_base", 230.0, State.NARROW),
    ("cloud_base", 200.0, State.OUTSIDE),
    ("thunderstorm", 0.0, State.INSIDE), ("thunderstorm", 1.0, State.NARROW),
    ("thunderstorm", 2.0, State.OUTSIDE),
    ("kp", 1.0, State.INSIDE), ("kp", 6.0, State.NARROW), ("kp", 8.0, State.OUTSIDE),
]  # fmt: skip


@pytest.mark.parametrize(("element", "demand", "state"), CASES)
def test_each_element_alone_decides(element, demand, state):
    hour = judged(**{CONDITION_OF[element]: demand})
    assert State(int(hour["state"])) is state
    if state is not State.INSIDE:
        assert hour["limiting_element"].item() == element
        assert float(hour["demand"].sel(element=element)) == demand
        assert float(hour["hour_margin"]) == float(hour["margin"].sel(element=element))


def test_dark_hours_are_outside_by_daylight():
    hour = assess(conditions(minutes_of_light=0.0), LIMITS).isel(time=0)
    assert State(int(hour["state"])) is State.OUTSIDE
    assert hour["limiting_element"].item() == "daylight"
    assert State(int(assess(conditions(minutes_of_light=12.0), LIMITS)["state"][0])) is State.INSIDE


@pytest.mark.parametrize("element", CONDITION_OF)
def test_unknown_and_required_makes_the_hour_not_known(element):
    required = (*REQUIRED_BY_DEFAULT, element)
    limits = dataclasses.replace(LIMITS, required=required)
    hours = assess(conditions(**{CONDITION_OF[element]: np.nan}), limits)
    assert State(int(hours["state"][0])) is State.NOT_KNOWN
    assert np.isnan(hours["hour_margin"][0])
    assert unknown_elements(hours, required=True) == (element,)


@pytest.mark.parametrize("element", CONDITION_OF)
def test_unknown_and_advised_leaves_the_state_and_is_named(element):
    limits = dataclasses.replace(LIMITS, required=tuple(n for n in REQUIRED_BY_DEFAULT if n != element))
    hours = assess(conditions(**{CONDITION_OF[element]: np.nan}), limits)
    assert State(int(hours["state"][0])) is State.INSIDE
    assert unknown_elements(hours) == (element,)
    assert int(hours["advised_unknown"][0]) == 1


@pytest.mark.parametrize("element", CONDITION_OF)
def test_one_missing_edge_is_a_missing_hour(element):
    known = QUIET[CONDITION_OF[element]]
    for pair in ((np.nan, known), (known, np.nan)):
        hours = assess(conditions(**{CONDITION_OF[element]: pair}), LIMITS)
        assert np.isnan(hours["margin"].sel(element=element)[0])


@pytest.mark.parametrize(("element", "bad"), [(e, d) for e, d, s in CASES if s is State.OUTSIDE])
def test_the_worse_edge_of_the_hour_counts(element, bad):
    name = CONDITION_OF[element]
    for pair in ((QUIET[name], bad), (bad, QUIET[name])):
        assert State(int(judged(**{name: pair})["state"])) is State.OUTSIDE


@pytest.mark.parametrize(
    ("aloft", "near_ground", "demand", "limit"),
    [
        (270.15, 261.15, 261.15, 263.15),  # an inversion: the ground is too cold
        (262.15, 270.15, 262.15, 263.15),
        (312.15, 314.15, 314.15, 313.15),  # a hot field
        (270.15, (268.15, 261.15), 261.15, 263.15),
    ],
)
def test_of_the_temperatures_near_the_ground_and_aloft_the_worse_counts(aloft, near_ground, demand, limit):
    hours = assess(conditions(air_temperature=aloft, air_temperature_near_ground=near_ground), LIMITS)
    found = hours.sel(element="temperature").isel(time=0)
    assert (float(found["demand"]), float(found["limit"])) == (demand, limit)
    assert hours["state"].values[0] == State.OUTSIDE
    assert hours["limiting_element"].values[0] == "temperature"


@pytest.mark.parametrize("lost", ["air_temperature", "air_temperature_near_ground"])
def test_one_temperature_is_not_enough(lost):
    known = {"air_temperature": 288.15, "air_temperature_near_ground": 288.15}
    hours = assess(conditions(**(known | {lost: np.nan})), LIMITS)
    assert hours["state"].values[0] == State.NOT_KNOWN


def test_good_elements_never_pay_for_a_bad_one():
    hour = judged(largest_gust=10.5, visibility_in_air=200_000.0, largest_wind_speed=0.0)
    assert hour["limiting_element"].item() == "gust"
    assert float(hour["hour_margin"]) == pytest.approx(1 - 10.5 / 10.7)


def test_an_element_without_a_limit_is_not_judged_and_said_so():
    limits = dataclasses.replace(LIMITS, maximum_density_altitude=None)
    hours = assess(conditions(density_altitude=9_000.0), limits)
    assert State(int(hours["state"][0])) is State.INSIDE
    assert not_judged(hours) == ("density_altitude",)
    assert unknown_elements(hours) == ()


def test_a_chosen_confidence_adds_the_doubt_of_the_carrying():
    uncertainty = xr.DataArray(np.full((2, 1), 1.0), dims=("edge", "time"))
    doubtful = conditions(largest_gust=9.0).assign(
        gust_standard_deviation=uncertainty, wind_standard_deviation=uncertainty
    )
    plain = assess(doubtful, LIMITS)["demand"].sel(element="gust").item()
    careful = assess(doubtful, dataclasses.replace(LIMITS, confidence=0.9))["demand"].sel(element="gust").item()
    assert plain == 9.0
    assert careful == pytest.approx(9.0 + 1.2816, abs=0.25)  # the 90 % point of the normal distribution
    with pytest.raises(WxflyError, match=r"wanted 0\.5 to below 1"):
        dataclasses.replace(LIMITS, confidence=90)


def test_any_horizontal_dimensions_go_through():
    many = conditions(hours=3).expand_dims(latitude=[50.0, 51.0], longitude=[1.0, 2.0, 3.0])
    many = many.transpose("edge", "time", "latitude", "longitude")
    hours = assess(many, LIMITS)
    assert hours["state"].dims == ("time", "latitude", "longitude")
    assert (hours["state"] == State.INSIDE).all()


def test_at_the_limit_is_within_it():
    assert State(int(judged(largest_gust=LIMITS.maximum_gust)["state"])) is State.NARROW


@given(demand=st.floats(0, 100), more=st.floats(0, 100), limit=st.floats(0, 50))
def test_a_larger_demand_never_leaves_more(demand, more, limit):
    assert margin_at_most(demand + more, limit) <= margin_at_most(demand, limit)
    assert margin_at_least(demand + more, limit) >= margin_at_least(demand, limit)
    for margin in (margin_at_most(demand, limit), margin_at_least(demand, limit)):
        assert -1 <= margin <= 1


@given(demand=st.floats(200, 340))
def test_the_band_is_symmetric_about_its_middle(demand):
    low, high = 263.15, 313.15
    mirrored = low + high - demand
    assert margin_within(demand, (low, high)) == pytest.approx(margin_within(mirrored, (low, high)), abs=1e-9)
    assert (margin_within(demand, (low, high)) >= 0) == (low <= demand <= high)


@given(demand=st.floats(200, 340), low=st.floats(230, 280), width=st.floats(0.1, 80), more=st.floats(0, 50))
def test_room_in_a_band_counts_from_its_nearer_end(demand, low, width, more):
    high = low + width
    margin = margin_within(demand, (low, high))
    assert -1 <= margin <= 1
    inside = min(demand - low, high - demand)
    if inside >= FULL_MARGIN:  # a fine winter day is not decided by its temperature
        assert margin == 1
    half = width / 2
    by_share = np.clip(1 - abs(demand - low - half) / half, -1, 1)
    if inside < 0:  # beyond an end it is never better than the share of the band
        assert margin <= by_share + 1e-9
    further = demand + more if demand > low + half else demand - more
    assert margin_within(further, (low, high)) <= margin + 1e-9


@pytest.mark.parametrize(("celsius", "decides"), [(2.0, "gust"), (-1.0, "gust"), (-8.0, "temperature")])
def test_temperature_does_not_decide_a_fine_winter_day(celsius, decides):
    cold = 273.15 + celsius
    day = judged(air_temperature=cold, air_temperature_near_ground=cold, largest_gust=0.3 * LIMITS.maximum_gust)
    assert str(day["limiting_element"].values) == decides


def test_of_hours_far_over_their_limits_the_least_over_is_nearest():
    day = conditions(hours=4)
    day["largest_gust"][:, 0], day["largest_gust"][:, 1] = 4 * LIMITS.maximum_gust, 2.5 * LIMITS.maximum_gust
    day["air_temperature"][:, 2] = LIMITS.minimum_temperature - 25.0
    hours = assess(day, LIMITS)
    assert hours["hour_margin"].values[:3].tolist() == [-1, -1, -1]
    assert uncut_hour_margins(hours)[:3] == pytest.approx([-3.0, -1.5, -2.5])
    assert uncut_hour_margins(hours)[3] == hours["hour_margin"].values[3]


def test_unknown_stays_unknown():
    for margin in (margin_at_most(np.nan, 5), margin_at_most(5, np.nan), margin_at_least(np.nan, 5),
                   margin_within(np.nan, (1, 2)), margin_of_grade(np.nan)):  # fmt: skip
        assert np.isnan(margin)


def test_every_element_is_measured():
    assert set(judged()["element"].values) == set(NAMES)
    assert set(BY_NAME) - set(NAMES) == {"return_leg"}  # judged beside the others, when a sortie is asked for
    assert not np.isnan(judged()["margin"]).any()


@pytest.mark.parametrize("risk", RISKS)
def test_a_hazard_that_is_graded_none_does_not_decide(risk):
    hour = assess(conditions(largest_gust=5.0).assign({f"{risk}_chance": (("edge", "time"), [[0.09], [0.09]])}), LIMITS)
    assert hour["limiting_element"].item() == "gust"
    assert hour["hour_margin"].item() == pytest.approx(0.3)


@pytest.mark.parametrize("band", [(273.15, 261.15), (280.0, 280.0)])
def test_a_band_whose_ends_are_the_wrong_way_round_has_room_for_nothing(band):
    assert margin_within([230.0, 261.0, 270.0, 280.0, 310.0], band).tolist() == [-1.0] * 5
    assert np.isnan(margin_within(np.nan, band))
