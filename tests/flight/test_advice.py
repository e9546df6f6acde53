import dataclasses

import numpy as np
import pytest

from tests.cubes import quiet_cube
from wxfly.assessment.conditions import derive
from wxfly.flight import advice
from wxfly.flight.advice import is_low_light, precipitation_words
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.site import Hill

QUAD = load_aircraft()["camera-quad-250g"]
MAPPER = load_aircraft()["fixed-wing-mapper"]


def stretch(first=10, last=12, height=60.0, **changed):
    cube = quiet_cube()
    for name, value in changed.items():
        cube[name].values[:] = value
    return derive(cube, height=height).isel(time=slice(first, last))


def advise(hours, aircraft, **more):
    """Return the advice for whole hours."""
    start, end = hours["time"].values[0], hours["time"].values[-1] + np.timedelta64(1, "h")
    return advice.advise(hours, aircraft, start, end, **more)


def test_sight_range_by_size_and_by_visibility():
    # EASA guidance: 327 CD + 20 m for multirotors, 490 CD + 30 m for fixed wing; 0.3 of the ground visibility.
    assert advise(stretch(), QUAD).sight_range == pytest.approx(327 * 0.25 + 20)
    assert advise(stretch(), MAPPER).sight_range == pytest.approx(490 * 1.1 + 30)
    hazy = advise(stretch(visibility_in_air=1200.0), MAPPER)
    assert (hazy.sight_range, hazy.sight_decided_by) == (pytest.approx(360), "visibility")
    assert advise(stretch(), QUAD).sight_decided_by == "size"


def test_sight_range_without_visibility_is_by_size_alone():
    unknown = advise(stretch(visibility_in_air=np.nan), QUAD)
    assert unknown.sight_decided_by == "size"
    assert unknown.sight_range == pytest.approx(101.75)
    nothing = advise(stretch(), dataclasses.replace(QUAD, characteristic_dimension=None))
    assert np.isnan(nothing.sight_range)


def test_cold_hands_and_heat():
    cold = advise(stretch(air_temperature=253.15, wind_speed_of_gust=9.0, wind_speed=8.33), QUAD)
    assert cold.wind_chill == pytest.approx(-33 + 273.15, abs=0.6)  # Environment Canada's chart: -20 degC, 30 km/h
    assert "bare skin" in cold.hands
    assert advise(stretch(), QUAD).hands == ""
    hot = advise(stretch(air_temperature=305.37, dew_point_temperature=299.0, relative_humidity=0.70), QUAD)
    assert hot.heat_index == pytest.approx((106 - 32) / 1.8 + 273.15, abs=1.0)  # NWS chart: 90 degF, 70 %
    assert hot.heat


def test_light_glare_and_shadow():
    noon = advise(stretch(11, 13), QUAD, toward=180.0)
    assert noon.light == ("high sun",)
    assert noon.glare is False
    dawn = stretch(3, 5)
    facing = float(dawn["sun_azimuth"].mean())
    assert advise(dawn, QUAD, toward=facing).glare is True
    assert advise(dawn, QUAD, toward=(facing + 180) % 360).glare is False
    assert advise(dawn, QUAD).glare is None
    assert noon.shadow_length[1] < 1.0 < advise(dawn, QUAD).shadow_length[1]
    assert "golden hour" in advise(dawn, QUAD).light


@pytest.mark.parametrize(
    ("elevations", "words"),
    [
        ([-8.0, -5.0, -3.0], ("dark", "blue hour", "golden hour")),
        ([7.0, 11.0, 15.0], ("low sun",)),  # shadows up to eight times the height
        ([20.0, 40.0, 20.0], ("low sun", "high sun")),
        ([np.nan], ()),
    ],
)
def test_words_for_the_light(elevations, words):
    assert advice.light_words(np.array(elevations)) == words


def test_a_window_inside_civil_twilight_is_not_called_dark():
    hours = derive(quiet_cube(), height=60.0)
    lit = np.flatnonzero(~np.isnat(hours["usable_start"].values))
    first, last = int(lit[0]), int(lit[-1])
    start, end = hours["usable_start"].values[first], hours["usable_end"].values[last]
    assert start.astype("datetime64[m]") < start  # it begins inside a minute
    told = advice.advise(hours.isel(time=slice(first, last + 1)), QUAD, start, end)
    assert "dark" not in told.light


def test_low_light_hours_are_those_with_a_low_sun_in_half_of_their_light():
    low = is_low_light(derive(quiet_cube(), height=60.0))
    assert not low[11]
    assert low[3]  # at 52 N 6 E on 10 June the sun rises at 03:13 UTC and stands below 6 degrees until about 04:05
    assert low.sum() <= 4


def test_frost_is_told_and_is_no_icing():
    frosty = stretch(
        air_temperature=272.15, dew_point_temperature=271.65, relative_humidity=0.80, cloud_base_altitude=900.0
    )
    assert advise(frosty, QUAD).frost
    assert not advise(stretch(), QUAD).frost


def test_thrust_in_hand_agrees_with_density_altitude():
    thin = stretch(surface_air_pressure=60_000.0, height=10.0)
    assert (advise(thin, QUAD).spare_thrust < 0) == (float(thin["density_altitude"].max()) > 4000)


def test_a_hill_is_told_as_an_upper_value_and_never_lowers():
    windy = {"wind_speed": (7.0, 8.0, 8.2), "wind_speed_of_gust": 9.0}
    flat = advise(stretch(**windy), QUAD)
    assert np.isnan(flat.wind_over_hill)
    over = advise(stretch(**windy), QUAD, hill=Hill("ridge", 40.0, 300.0))
    # Taylor and Lee: 1 + 2 h/L exp(-3 z/L) at the crest of a ridge.
    factor = 1 + 2 * 40 / 300 * np.exp(-3 * 60 / 300)
    assert over.wind_over_hill == pytest.approx(float(stretch(**windy)["wind_speed"].max()) * factor, rel=1e-6)
    assert over.hill_in_range
    steep = advise(stretch(**windy), QUAD, hill=Hill("ridge", 300.0, 200.0))
    assert not steep.hill_in_range
    assert steep.wind_over_hill >= over.wind_over_hill


def test_precipitation_in_words():
    assert precipitation_words(61.0, 0.3) == "slight rain"
    assert precipitation_words(65.0, 4.0) == "heavy rain"
    assert precipitation_words(82.0, 50.0) == "violent rain"
    assert precipitation_words(81.0, 2.0) == "moderate rain"
    assert precipitation_words(66.0, 1.0).endswith("freezing")
    assert precipitation_words(1.0, 0.0) == ""
    assert precipitation_words(np.nan, np.nan) == ""
