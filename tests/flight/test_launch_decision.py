"""What a reading at the hand means for a launch: it says that limits hold only where it can know."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from tests.cubes import START, quiet_cube
from tests.halves import spread
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import assess
from wxfly.flight.anemometer_reading import (
    STARTING_SPEED,
    AnemometerRule,
    Correction,
    NoCredit,
    Reading,
    anemometer_rule,
    correct_forecast,
    weigh,
)
from wxfly.flight.launch_decision import LaunchVerdict, Reason, judge_reading, stops_passed
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for

LIMITS = limits_for(find_aircraft("camera-quad-250g"))
OPEN = 0.03
NOON = START + np.timedelta64(12, "h")
JET = (0.6, 30.0, 31.0)


def cube_with(wind=(2.0, 3.0, 3.3), gust=4.0) -> xr.Dataset:
    cube = quiet_cube()
    cube["wind_speed"][:] = list(wind)
    cube["wind_speed_of_gust"][:] = gust
    return cube


def judged(cube: xr.Dataset, mean: float, gust: float | None) -> tuple[Correction, AnemometerRule, xr.Dataset]:
    """Return what a verdict is made of, for a flight of an hour from noon on."""
    near_ground, flight = (derive(cube, height=h, start=NOON) for h in (2.0, 60.0))
    correction = weigh(Reading(NOON, 2.0, mean, gust), near_ground, flight, roughness_length=OPEN)
    now = {"time": slice(0, 1)}
    rule = anemometer_rule(near_ground.isel(now), [flight.isel(now)], LIMITS, roughness_length=OPEN)
    corrected = derive(correct_forecast(cube, correction), height=60.0, start=NOON)
    return correction, rule, assess(corrected, LIMITS).isel(now)


def test_a_quiet_hour_and_a_quiet_reading_hold() -> None:
    found = judge_reading(*judged(cube_with(), 1.5, 2.5))
    assert found.verdict == LaunchVerdict.HOLDS
    assert found.reasons == ()


@pytest.mark.parametrize(
    ("mean", "gust"), spread([(mean, gust) for mean in (0.0, 0.3, 1.0, 1.2) for gust in (None, 0.0, 2.0)], 4)
)
def test_under_a_jet_calm_at_the_hand_is_no_leave_to_launch(mean: float, gust: float | None) -> None:
    """Calm at 10 m and 30 m/s at 80 m: a rule next to nothing is kept by a reading of nothing, and means nothing."""
    correction, rule, hours = judged(cube_with(JET, 1.5), mean, gust if gust is None else max(mean, gust))
    assert rule.largest_mean < STARTING_SPEED
    found = judge_reading(correction, rule, hours)
    assert found.verdict == LaunchVerdict.DO_NOT_LAUNCH
    assert Reason.HOUR_OUTSIDE in found.reasons


def test_a_corrected_hour_outside_is_no_launch_whatever_the_hand_shows() -> None:
    correction, rule, hours = judged(cube_with((8.0, 12.0, 13.0), 14.0), 1.5, 2.5)
    assert correction.reading.mean < rule.largest_mean
    assert judge_reading(correction, rule, hours).reasons == (Reason.HOUR_OUTSIDE, Reason.FAR_BELOW)
    assert judge_reading(correction, rule, hours).verdict == LaunchVerdict.DO_NOT_LAUNCH


def test_a_corrected_hour_next_to_its_limit_is_in_doubt() -> None:
    """A forecast beyond the limit and a good reading meet just below it: that is no 90 in 100."""
    correction, rule, hours = judged(cube_with((6.4, 9.2, 9.6), 7.1), 2.2, 3.6)
    assert (hours["margin"].sel(element=["wind", "gust"]) >= 0).all()
    assert judge_reading(correction, rule, hours).verdict == LaunchVerdict.IN_DOUBT
    assert Reason.TOO_NEAR in judge_reading(correction, rule, hours).reasons
    assert 0 < correction.deviation < correction.extrapolation_deviation


@pytest.mark.parametrize("cube", [cube_with((6.4, 9.2, 9.6), 6.0), cube_with((6.0, 7.0, 7.4), 13.0)])
def test_a_reading_far_below_a_forecast_over_a_limit_is_no_better_than_one_that_agrees(cube: xr.Dataset) -> None:
    """Behind a barn the anemometer shows a quarter of the wind: the better it looks, the less it says."""
    agreed, *_ = judged(cube, 2.0, 3.0)
    mean, gust = agreed.expected_at_anemometer, agreed.expected_gust_at_anemometer
    places = list(LaunchVerdict)
    as_forecast = judge_reading(*judged(cube, mean, gust))
    assert as_forecast.verdict == LaunchVerdict.DO_NOT_LAUNCH
    for share in (0.1, 0.2, 0.3, 0.4, 0.499):
        for read in ((share * mean, share * gust), (mean, max(mean, share * gust)), (share * mean, gust)):
            correction, rule, hours = judged(cube, *read)
            found = judge_reading(correction, rule, hours)
            if read[1] < 0.5 * gust or read[0] < 0.5 * mean:
                assert places.index(found.verdict) <= places.index(as_forecast.verdict)
                assert correction.added_wind >= 0
                assert (Reason.FAR_BELOW in found.reasons) == (correction.no_credit is NoCredit.FAR_BELOW)
            if read[0] >= STARTING_SPEED and read[0] < 0.5 * mean:
                assert Reason.FAR_BELOW in found.reasons


def test_a_reading_far_below_the_forecast_makes_the_forecast_no_surer() -> None:
    """The forecast alone, 0.3 m/s under the limit of gust, is not sure; far from every limit it is."""
    correction, rule, hours = judged(cube_with((6.0, 6.6, 6.9), 9.6), 1.5, 2.5)
    assert correction.deviation >= correction.forecast_deviation
    assert in_doubt(correction, rule, hours) == (Reason.TOO_NEAR, Reason.FAR_BELOW)
    assert judge_reading(*judged(cube_with((3.2, 3.5, 3.6), 4.5), 1.0, 1.4)).verdict == LaunchVerdict.HOLDS


def test_a_limit_that_is_passed_names_its_height() -> None:
    """At 100 m the same reading says more wind than at 10 m."""
    cube = cube_with()
    now = {"time": slice(0, 1)}
    near_ground, low, high = (derive(cube, height=h, start=NOON).isel(now) for h in (2.0, 10.0, 100.0))
    limits = replace(LIMITS, maximum_gust_at_launch=3.0)
    rule = anemometer_rule(near_ground, [low, high], limits, roughness_length=OPEN)
    assert [stop.height for stop in rule.stops] == [2.0, 10.0, 100.0]
    assert (rule.mean_stop, rule.gust_stop) == tuple(min(getattr(s, n) for s in rule.stops) for n in ("mean", "gust"))
    mean = (rule.stops[1].mean + rule.stops[2].mean) / 2
    assert [(name, stop.height) for name, stop in stops_passed(rule, mean, None)] == [("wind", 100.0)]
    at_launch = [name for name, stop in stops_passed(rule, 1.0, 3.01) if stop.is_at_launch]
    assert at_launch == ["gust"]
    assert stops_passed(rule, rule.mean_stop, rule.gust_stop) == []


def in_doubt(correction: Correction, rule: AnemometerRule, hours: xr.Dataset) -> tuple[Reason, ...]:
    found = judge_reading(correction, rule, hours)
    assert found.verdict == LaunchVerdict.IN_DOUBT
    return found.reasons


def test_every_reason_alone_puts_a_good_reading_in_doubt() -> None:
    correction, rule, hours = judged(cube_with(), 1.5, 2.5)
    unknown = hours.copy(deep=True)
    unknown["margin"].loc[{"element": "gust"}] = np.nan
    assert in_doubt(correction, rule, unknown) == (Reason.HOUR_NOT_KNOWN,)
    assert in_doubt(correction, replace(rule, largest_mean=0.0), hours) == (Reason.NO_READING_PASSES,)
    assert in_doubt(correction, replace(rule, largest_gust=0.0), hours) == (Reason.NO_READING_PASSES,)
    assert in_doubt(correction, replace(rule, largest_mean=np.nan), hours) == (Reason.RULE_NOT_KNOWN,)
    assert in_doubt(correction, replace(rule, largest_mean=1.4), hours) == (Reason.ABOVE_RULE,)
    assert in_doubt(correction, replace(rule, largest_gust=2.4), hours) == (Reason.ABOVE_RULE,)
    assert in_doubt(replace(correction, no_credit=NoCredit.DECOUPLED), rule, hours) == (Reason.DECOUPLED,)
    assert in_doubt(replace(correction, no_credit=NoCredit.NOT_KNOWN), rule, hours) == (Reason.COUPLING_NOT_KNOWN,)
    without_gust = replace(correction, reading=replace(correction.reading, gust=None))
    assert in_doubt(without_gust, rule, hours) == (Reason.GUST_NOT_READ,)
    stalled = replace(correction, reading=replace(correction.reading, mean=STARTING_SPEED - 0.01))
    assert in_doubt(stalled, rule, hours) == (Reason.MAY_STAND_STILL,)


@pytest.mark.parametrize("name", ["fog", "thunderstorm", "icing"])
def test_a_risk_that_is_possible_in_the_hours_of_the_flight_is_in_doubt(name: str) -> None:
    correction, rule, hours = judged(cube_with(), 1.5, 2.5)
    possible = hours.copy(deep=True)
    possible["demand"].loc[{"element": name}] = 1.0
    possible["margin"].loc[{"element": name}] = 0.05
    assert in_doubt(correction, rule, possible) == (Reason.DURING,)
    assert [one.element for one in judge_reading(correction, rule, possible).during] == [name]


def test_more_than_10_in_100_of_any_element_is_in_doubt_and_less_holds() -> None:
    correction, rule, hours = judged(cube_with(), 1.5, 2.5)
    assert (
        judge_reading(correction, rule, hours, chances={"precipitation": 0.1, "kp": 0.1}).verdict == LaunchVerdict.HOLDS
    )
    found = judge_reading(correction, rule, hours, chances={"kp": 0.11, "precipitation": 0.9})
    assert (found.verdict, found.reasons) == (LaunchVerdict.IN_DOUBT, (Reason.DURING,))
    assert [one.element for one in found.during] == ["precipitation", "kp"]


@pytest.mark.parametrize(("name", "is_in_doubt"), [("precipitation", True), ("visibility", False)])
def test_what_is_not_known_is_told_and_in_doubt_where_it_is_required(name: str, is_in_doubt: bool) -> None:
    correction, rule, hours = judged(cube_with(), 1.5, 2.5)
    hours["margin"].loc[{"element": name}] = np.nan
    found = judge_reading(correction, rule, hours, chances={name: 0.2})
    assert found.reasons == ((Reason.DURING_NOT_KNOWN,) if is_in_doubt else ())
    assert [(one.element, one.is_known, one.is_in_doubt) for one in found.during] == [(name, False, is_in_doubt)]


def test_beyond_the_rule_is_no_launch_even_where_the_hour_holds() -> None:
    correction, rule, hours = judged(cube_with(), 1.5, 2.5)
    for stricter in (replace(rule, mean_stop=1.4), replace(rule, gust_stop=2.4)):
        found = judge_reading(correction, stricter, hours)
        assert (found.verdict, found.reasons) == (LaunchVerdict.DO_NOT_LAUNCH, (Reason.PASSED_AT_ANEMOMETER,))


@pytest.mark.thorough
@pytest.mark.parametrize("low", (2.0, 0.6, 4.0, 5.0))
def test_nothing_holds_but_what_was_read_and_is_within(low: float) -> None:
    held = 0
    for growth in (1.1, 3.0):
        cube = cube_with((low, growth * low, growth * 1.05 * low), 1.6 * low)
        for mean, gust in ((0.0, None), (0.0, 0.0), (0.9, 1.5), (1.5, None), (1.5, 2.5), (3.0, 4.5), (5.0, 8.0)):
            correction, rule, hours = judged(cube, mean, gust)
            if judge_reading(correction, rule, hours).verdict != LaunchVerdict.HOLDS:
                continue
            held += 1
            assert STARTING_SPEED <= mean <= rule.largest_mean
            assert gust is not None
            assert gust <= rule.largest_gust
            assert (hours["margin"].sel(element=["wind", "gust"]) >= 0).all()
    assert held >= 1


def test_a_doubtful_visibility_is_named_and_one_that_is_lost_in_another_hour_is_in_doubt() -> None:
    correction, rule, hours = judged(cube_with(), 1.5, 2.5)
    found = judge_reading(correction, rule, hours, chances={"visibility": 0.3})
    assert found.verdict == LaunchVerdict.HOLDS
    assert [(one.element, one.is_in_doubt) for one in found.during] == [("visibility", False)]
    two = xr.concat([hours.isel(time=[0]), hours.isel(time=[0])], "time")
    two["margin"].loc[{"element": "visibility"}] = [0.5, np.nan]
    two["lost"].loc[{"element": "visibility"}] = [False, True]
    found = judge_reading(correction, rule, two, chances={"visibility": 0.3})
    assert (found.verdict, found.reasons) == (LaunchVerdict.IN_DOUBT, (Reason.DURING_NOT_KNOWN,))
