"""What a reading may not do: make better what was not read, or take off what the anemometer cannot know."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from tests.cubes import START, quiet_cube
from tests.halves import spread
from wxfly.answer.briefing import make_briefing
from wxfly.answer.request import BeforeReading, Request, SiteAnswer
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import assess
from wxfly.errors import WxflyError
from wxfly.flight.anemometer_reading import Correction, NoCredit, Reading, check_temperature, correct_forecast, weigh
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.pilot.site import Site
from wxfly.retrieval.origin import ForecastOrigin

AIRCRAFT = find_aircraft("camera-quad-250g")
LIMITS = limits_for(AIRCRAFT)
NOON = START + np.timedelta64(12, "h")
SITE = Site("meadow", 52.0, 6.0, surface_altitude=30.0, time_zone="UTC")


def cube_with(wind=(5.0, 8.0, 8.5), gust=9.0, **values) -> xr.Dataset:
    cube = quiet_cube()
    cube["wind_speed"][:] = list(wind)
    cube["wind_speed_of_gust"][:] = gust
    for name, value in values.items():
        cube[name][:] = value
    return cube


def weighed(cube: xr.Dataset, mean: float, gust: float | None = None, temperature: float | None = None) -> Correction:
    near_ground, flight = (derive(cube, height=h, start=NOON) for h in (2.0, 60.0))
    return weigh(Reading(NOON, 2.0, mean, gust, temperature), near_ground, flight, roughness_length=0.03)


def answered(cube: xr.Dataset, correction: Correction | None = None) -> SiteAnswer:
    before = None if correction is None else BeforeReading(cube, correction.may_improve)
    asked = cube if correction is None else correct_forecast(cube, correction)
    made = make_briefing(
        "best",
        asked.expand_dims("site"),
        [Request(SITE, AIRCRAFT, LIMITS, 60.0, before=before)],
        [(NOON, START + np.timedelta64(24, "h"))],
        minimum_duration=np.timedelta64(45, "m"),
        now=NOON,
        provenance=ForecastOrigin(),
    )
    return made.answers[0]


def better(after: xr.Dataset, before: xr.Dataset) -> set[str]:
    gain = (after["margin"] > before["margin"] + 1e-12).any("time").values
    return {str(name) for name in before["element"].values[gain]}


def test_a_gust_that_was_not_read_is_not_the_less_for_it() -> None:
    cube = cube_with()
    correction = weighed(cube, 2.0)
    assert correction.added_wind < 0
    assert correction.added_gust == 0.0
    before, after = answered(cube), answered(cube, correction)
    assert better(after.assessment, before.assessment) == {"wind"}
    assert (after.heights["usable_height"] <= before.heights["usable_height"]).all()
    with_gust = answered(cube, weighed(cube, 2.0, 3.5))
    assert better(with_gust.assessment, before.assessment) == {"wind", "gust"}


def test_a_reading_at_the_hand_never_lifts_the_usable_height() -> None:
    cube = cube_with((5.0, 8.3, 9.2), 9.0)
    correction = weighed(cube, 2.0, 3.5)
    assert correction.added_wind < -0.3
    before, after = answered(cube), answered(cube, correction)
    assert (before.heights["usable_height"] < 120).all()
    assert "wind" in better(after.assessment, before.assessment)
    xr.testing.assert_equal(after.heights["usable_height"], before.heights["usable_height"])
    xr.testing.assert_equal(after.heights["usable_height_ends_by"], before.heights["usable_height_ends_by"])
    stronger = answered(cube, weighed(cube, 6.0, 9.0))
    assert (stronger.heights["usable_height"] < before.heights["usable_height"]).any()


@pytest.mark.thorough
@pytest.mark.parametrize(("mean", "gust"), spread([(m, g) for m in (0.0, 0.5, 0.99) for g in (None, 0.5, 2.0)], 4))
def test_an_anemometer_that_may_stand_still_takes_nothing_off(mean: float, gust: float | None) -> None:
    cube = cube_with()
    correction = weighed(cube, mean, gust if gust is None else max(gust, mean))
    assert correction.no_credit is NoCredit.STANDS_STILL
    assert (correction.added_wind, correction.added_gust) == (0.0, 0.0)
    before, after = answered(cube), answered(cube, correction)
    assert better(after.assessment, before.assessment) == set()
    xr.testing.assert_allclose(after.assessment["margin"], before.assessment["margin"])


@pytest.mark.parametrize(
    ("wind", "why"),
    [
        ((2.0, 9.0, 9.5), NoCredit.DECOUPLED),  # grows as fast as below a jet
        ((9.0, 10.0, 4.0), NoCredit.DECOUPLED),  # a jet's core at 80 m
        ((5.0, 8.0, np.nan), NoCredit.NOT_KNOWN),
        ((5.0, 8.0, 8.5), None),
    ],
)
def test_air_that_goes_its_own_way_is_not_measured_at_the_hand(wind, why) -> None:
    correction = weighed(cube_with(wind), 2.0, 3.5)
    assert correction.no_credit is why
    assert (correction.added_wind < 0) == (correction.added_gust < 0) == (why is None)
    # What speaks for more wind always counts.
    assert weighed(cube_with(wind), 12.0, 18.0).added_wind > 0


@pytest.mark.parametrize(
    ("mean", "gust", "why"),
    [
        (1.5, 3.5, NoCredit.FAR_BELOW),  # of 3.2 and 6.3 m/s forecast at 2 m
        (2.0, 2.5, NoCredit.FAR_BELOW),
        (1.5, None, NoCredit.FAR_BELOW),
        (2.0, 3.5, None),
        (2.0, None, None),
    ],
)
def test_a_reading_that_may_be_from_a_lee_takes_nothing_off(mean, gust, why) -> None:
    cube = cube_with()
    correction = weighed(cube, mean, gust)
    assert correction.no_credit is why
    assert (correction.added_wind < 0) == (why is None)
    before, after = answered(cube), answered(cube, correction)
    assert better(after.assessment, before.assessment) == ({"wind"} if gust is None else {"wind", "gust"}) - (
        set() if why is None else {"wind", "gust"}
    )


def test_a_reading_beside_a_lost_gust_takes_nothing_off() -> None:
    """It may be far below the gust that is not known."""
    cube = cube_with()
    cube["wind_speed_of_gust"].values[11:14] = np.nan
    correction = weighed(cube, 2.0, 3.5)
    assert correction.no_credit is NoCredit.GUST_NOT_KNOWN
    assert correction.added_wind == 0.0


def test_the_credit_ends_where_the_air_aloft_stops_following() -> None:
    cube = cube_with()
    cube["wind_speed"][18:] = [2.0, 12.0, 13.0]
    correction = weighed(cube, 2.0, 3.5)
    assert correction.added_wind < 0
    assert correction.credit_ends == START + np.timedelta64(17, "h")  # the hour that leads into it
    changed = (correct_forecast(cube, correction)["wind_speed"] - cube["wind_speed"]).sel(height=80.0).values
    assert (changed[12:17] < 0).all()
    assert (changed[17:] == 0).all()
    more = weighed(cube, 9.0, 14.0)
    changed = (correct_forecast(cube, more)["wind_speed"] - cube["wind_speed"]).sel(height=80.0).values
    assert (changed[12:] > 0).all()


def test_a_warm_reading_never_lowers_the_risk_of_icing_nor_lifts_a_cloud() -> None:
    cold = cube_with(
        (3.0, 5.0, 5.6), 5.0,
        air_temperature=272.65, air_temperature_aloft=272.15, dew_point_temperature=272.55, relative_humidity=0.99,
        weather_code=45.0, visibility_in_air=800.0, cloud_base_altitude=80.0, low_type_cloud_area_fraction=1.0,
    )  # fmt: skip
    correction = weighed(cold, 2.0, 3.0, 276.15)
    assert correction.added_temperature == pytest.approx(2.8)
    before = answered(cold)
    freely = assess(derive(correct_forecast(cold, correction), height=60.0, start=NOON), LIMITS)
    assert "icing" in better(freely.isel(time=slice(0, 12)), before.assessment)  # what is held back
    after = answered(cold, correction)
    assert better(after.assessment, before.assessment) <= {"wind", "gust", "temperature", "density_altitude"}
    assert "temperature" in better(after.assessment, before.assessment)
    assert (after.assessment["state"] <= before.assessment["state"]).all()


@pytest.mark.thorough
def test_a_temperature_far_from_the_forecast_makes_nothing_better() -> None:
    cold = cube_with((3.0, 5.0, 5.6), 5.0, air_temperature=265.0, air_temperature_aloft=264.0)
    before = answered(cold)
    near, far = weighed(cold, 2.0, 3.0, 270.0), weighed(cold, 2.0, 3.0, 280.0)
    assert near.temperature_is_plausible
    assert not far.temperature_is_plausible
    assert "temperature" in better(answered(cold, near).assessment, before.assessment)
    assert "temperature" not in better(answered(cold, far).assessment, before.assessment)
    # What it makes worse counts: air far hotter is nearer to the limit of heat.
    warm = cube_with((3.0, 5.0, 5.6), 5.0, air_temperature=300.0, air_temperature_aloft=299.0)
    hotter = answered(warm, weighed(warm, 2.0, 3.0, 316.0)).assessment["margin"].sel(element="temperature")
    before = answered(warm).assessment["margin"].sel(element="temperature")
    assert (hotter <= before).all() and (hotter < before)[:6].all(), "the correction fades over the day"


@pytest.mark.parametrize("celsius", [60.0, 58.0, -95.0])
def test_a_temperature_of_no_air_is_refused(celsius: float) -> None:
    with pytest.raises(WxflyError, match="not possible in shaded air"):
        check_temperature(celsius + 273.15)
    check_temperature(273.15 + 45.0)


def better_hours(lost: SiteAnswer, known: SiteAnswer) -> list[int]:
    """Return the hours in which an answer looks better than another one of the same weather."""
    margins = (answer.assessment["hour_margin"].values for answer in (lost, known))
    return [i for i, (one, other) in enumerate(zip(*margins, strict=True)) if one > other + 1e-9]


@pytest.mark.parametrize("gust", [9.0, 12.0, 16.0])
@pytest.mark.parametrize("mean", [2.0, 5.0, 8.0])
def test_a_reading_does_not_count_less_where_the_gust_of_its_hour_is_lost(mean: float, gust: float) -> None:
    """A gust above the forecast worsens the hours after it too where the forecast of its own hour has none."""
    cube = cube_with()
    lost = cube.copy(deep=True)
    lost["wind_speed_of_gust"].values[11:14] = np.nan
    known, unknown = (weighed(one, mean, gust) for one in (cube, lost))
    assert unknown.added_gust >= known.added_gust
    assert better_hours(answered(lost, unknown), answered(cube, known)) == []
