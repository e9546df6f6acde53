"""Icing, thunderstorm, fog, cloud and sight: the cases a pilot would name."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.handbook import atmosphere as handbook_atmosphere
from tests.handbook import cloud as handbook_cloud
from tests.handbook import weather_code as handbook_weather_code
from wxfly.physics.air import cloud, icing, precipitation, thunderstorm, visibility, weather_code
from wxfly.physics.air.precipitation import PrecipitationKind as Kind
from wxfly.physics.air.risk import grade_of_chance

C = 273.15
N = np.nan


def ice(t: float, *, ground: float | None = None, rh: float = 0.6, rain: float = 0.0, code: float = 1.0,
        sight: float = 20_000.0, base: float = 2000.0, height: float = 100.0,
        between: tuple[float, ...] = ()) -> float:  # fmt: skip
    """Return the risk; temperatures in degC."""
    near_ground = t if ground is None else ground
    passed = [level + C for level in between]
    return float(
        icing.icing_risk(t + C, near_ground + C, rh, rain, code, sight, base, height, air_temperature_between=passed)
    )


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        (ice(-3), 0),  # cold, dry and clear
        (ice(-3, rh=0.9), 1),  # damp: a near miss
        (ice(-3, rh=0.97), 1),  # a frosty clear night with good sight is frost, not icing
        (ice(-3, rh=0.97, sight=800), 2),  # freezing fog
        (ice(-3, rh=0.97, code=48, sight=3000), 2),  # rime fog by its code
        (ice(-3, rh=0.97, base=80), 2),  # in cloud at flight height
        (ice(-3, rh=0.97, base=300, sight=N), 2),  # saturated, and no sight to speak against it
        (ice(-30, rh=0.97, base=80), 1),  # mostly ice crystals
        (ice(1, rh=0.97, base=80), 1),  # the error of a forecast
        (ice(8, rh=0.97, base=80), 0),
        (ice(4, code=66, rain=1), 2),  # freezing rain is what its code says
        (ice(-1, code=61, rain=1), 2),  # rain in freezing air
        (ice(-1, ground=3, code=61, rain=1), 2),  # at flight height
        (ice(3, ground=-1, code=61, rain=1), 2),  # under an inversion, on the way down
        (ice(1, rh=0.99, code=61, rain=1), 1),  # wet bulb above freezing, but near
        (ice(1, rh=0.5, code=61, rain=1), 2),  # rain at +1 degC with a freezing wet bulb
        (ice(3, rh=0.6, code=61, rain=1), 2),  # on high ground the wet bulb is at -0.2 degC
        (ice(3, rh=0.8, code=61, rain=1), 0),
        (ice(10, code=63, rain=3), 0),
        (ice(-8, code=73, rain=1), 0),  # dry snow
        (ice(0.5, code=73, rain=1), 1),  # wet snow
        (ice(-8, code=3, rain=0.5), 2),  # precipitation of a kind that is not stated
    ],
)  # fmt: skip
def test_icing(case: float, expected: int) -> None:
    assert case == expected


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        (ice(3, ground=-2, rh=0.96), 1),  # damp and cold near the ground, under an inversion
        (ice(3, ground=-2, rh=0.96, sight=800), 2),  # fog that freezes near the ground
        (ice(3, ground=-2, rh=0.96, code=48), 2),  # rime fog by its code
        (ice(3, ground=3, rh=0.96, between=(-1,)), 1),  # a cold layer that the climb passes
        (ice(3, ground=3, rh=0.96, between=(-1,), sight=800), 2),
        (ice(3, ground=3, code=61, rain=1, rh=0.9, between=(-1,)), 2),  # rain through it
        (ice(3, ground=-25, rh=0.96, sight=800), 2),  # between the two it is between -20 and 0 degC somewhere
        (ice(3, ground=3, rh=0.96, between=(4, 6)), 0),
        (ice(3, ground=-2, rh=0.6), 0),  # dry
        (ice(3, ground=3, rh=0.96, sight=800, between=(N,)), N),  # a level that is lost may be cold
        (ice(12, ground=12, between=(N,)), 0),
        (ice(12, ground=12, rh=0.96, sight=800, between=(N,)), N),
    ],
)  # fmt: skip
def test_the_worst_air_on_the_climb_counts(case: float, expected: float) -> None:
    assert np.array_equal(case, expected, equal_nan=True)


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        (ice(12, code=N, rh=N, sight=N, base=N), 0),  # warm air needs nothing else
        (ice(-3, rh=0.6, base=N, sight=N), 0),  # dry near the ground: no cloud or fog in the lowest 150 m
        (ice(-3, rh=0.6, base=N, sight=N, height=400), N),  # but higher up there may be
        (ice(-3, rh=N, base=N, sight=N), N),
        (ice(N), 0),  # dry, clear and no precipitation: no temperature makes ice
        (ice(N, code=61, rain=1), N),
        (ice(-3, rain=N, rh=0.6), N),
        (ice(-3, code=N), 0),  # no amount and dry air: no freezing drizzle
        (ice(-3, code=N, rh=0.9), 2),  # possible at least, and perhaps freezing drizzle
        (ice(4, code=N, rain=N), N),
    ],
)  # fmt: skip
def test_icing_of_what_is_left(case: float, expected: float) -> None:
    assert np.array_equal(case, expected, equal_nan=True)


def test_frost_on_the_ground_is_not_icing() -> None:
    assert float(icing.frost_risk(C + 1, C - 1)) == 1
    assert float(icing.frost_risk(C + 1, C - 12)) == 0
    assert float(icing.frost_risk(C + 9, C + 8)) == 0
    assert np.isnan(icing.frost_risk(C, N))
    assert ice(1, rh=0.8) == 0


@pytest.mark.parametrize(
    ("code", "rain", "cape", "lifted", "expected"),
    [
        (3, 0, 0, 10, 0),
        (3, 0, 3000, -8, 1),  # unstable: something may lift it
        (3, 0, 3000, 2, 1),  # the probability of rain is not known
        (3, 0, 900, -8, 0),
        (80, 2, 200, 0, 0),
        (80, 2, 500, 0, 1),
        (80, 2, 1500, 0, 1),
        (80, 2, 1500, -4, 2),
        (3, 2, 1500, -4, 2),  # rain that the code does not tell of counts as showers
        (63, 2, 1500, -4, 1),
        (95, 2, 0, 5, 2),
        (17, 0, 500, 0, 2),
        (13, 0, 500, 0, 1),
        (3, 0, N, N, N),  # perhaps unstable
        (61, 1, N, N, N),
        (80, 2, N, N, N),
        (95, N, N, N, 2),
        (N, 0, 50, N, 0),
        (N, 0, N, N, N),
        (N, 1, 50, 5, N),
        (3, N, 50, N, 0),
        (3, N, N, N, N),
    ],
)
def test_thunderstorm(code: float, rain: float, cape: float, lifted: float, expected: float) -> None:
    found = float(grade_of_chance(thunderstorm.thunderstorm_chance(code, rain, cape, lifted)))
    assert np.array_equal(found, expected, equal_nan=True)


@pytest.mark.parametrize(("spread", "grade"), [(0.0, 2), (1.9, 2), (2.1, 1), (2.9, 1), (3.1, 0), (5.0, 0), (N, N)])
def test_fog_of_which_no_visibility_tells(spread: float, grade: float) -> None:
    found = grade_of_chance(visibility.unseen_fog_chance(C + 5, C + 5 - spread))
    assert np.array_equal(found, grade, equal_nan=True)


class TestSight:
    def test_by_size_and_by_air(self) -> None:
        assert float(visibility.attitude_sight_range(0.35, "multirotor")) == pytest.approx(134.45)
        assert float(visibility.detection_sight_range(300.0)) == pytest.approx(90.0)
        assert float(visibility.attitude_sight_range(1.0, "fixed_wing")) == pytest.approx(520.0)

    @given(st.floats(0.1, 5), st.floats(0, 50_000))
    def test_bounds(self, size: float, sight: float) -> None:
        assert float(visibility.detection_sight_range(sight)) <= 1500.0
        assert float(visibility.attitude_sight_range(size)) <= 327 * size + 20 + 1e-9
        assert np.isnan(visibility.detection_sight_range(N)) and np.isnan(visibility.attitude_sight_range(N))

    def test_unknown_kind(self) -> None:
        with pytest.raises(ValueError, match="fixed_wing"):
            visibility.attitude_sight_range(1.0, "balloon")


class TestCloud:
    def test_methods(self) -> None:
        base = cloud.cloud_base(
            np.array([300.0, N, N, N]), 288.15, np.array([283.0, 283.0, 283.0, N]), 1e5, np.array([1, 1, 0, 1])
        )
        assert [cloud.CloudBaseMethod(m).name for m in base.method] == [
            "FORECAST", "CONDENSATION_LEVEL", "NO_LOW_CLOUD", "NOT_KNOWN",
        ]  # fmt: skip
        level = float(cloud.lifted_condensation_level_height(288.15, 0.7133, 1e5))
        assert base.height[1] == pytest.approx(0.8 * level, rel=0.02)
        assert base.height[2] == 2000.0

    def test_a_source_with_bases_leaves_a_missing_one_unknown(self) -> None:
        assert np.isnan(cloud.cloud_base(N, 288.15, 283.0, 1e5, 0.5, base_is_forecast=True).height)
        assert float(cloud.cloud_base(N, 288.15, 283.0, 1e5, 0.0, base_is_forecast=True).height) == 2000.0

    @given(st.floats(265, 305), st.floats(0.31, 1.0), st.floats(80_000, 105_000))
    def test_condensation_level_is_near_the_rule_of_hand(self, t: float, rh: float, p: float) -> None:
        level, temperature = cloud.lifted_condensation_level(t, rh, p)
        dew_point = handbook_atmosphere.dew_point_from_relative_humidity(t, rh)
        assert 0 <= float(level) == pytest.approx(float(handbook_cloud.base_by_spread(t, dew_point)), rel=0.08, abs=2.0)
        assert temperature <= t
        # The air at the level is saturated with the vapour it brought: dew point falls by about 0.18 K/100 m.
        assert float(temperature) == pytest.approx(float(dew_point) - 0.0018 * float(level), abs=0.6)


@pytest.mark.parametrize(
    ("code", "amount", "kind"),
    [
        (3, 0, Kind.NONE), (51, 0.2, Kind.DRIZZLE), (61, 1, Kind.RAIN), (66, 1, Kind.FREEZING), (71, 1, Kind.SNOW),
        (68, 1, Kind.RAIN_AND_SNOW), (96, 9, Kind.HAIL), (95, 9, Kind.RAIN), (3, 0.4, Kind.NOT_STATED),
        (N, 0.4, Kind.NOT_STATED), (N, 0, Kind.NOT_KNOWN), (3, N, Kind.NOT_KNOWN), (61, N, Kind.RAIN),
    ],
)  # fmt: skip
def test_kind_of_precipitation(code: float, amount: float, kind: Kind) -> None:
    assert Kind(int(precipitation.precipitation_kind(code, amount))) == kind


# Classes of the Met Office as in tests/reference/sky.csv: rain moderate from 0.5, heavy from 4 mm/h; showers moderate
# from 2, heavy from 10, violent from 50. The others: docs/explanation/precipitation-and-storms.md.
@pytest.mark.parametrize(
    ("codes", "rate", "words"),
    [
        ((62, 63, 67, 69, 72, 73), 0.5, {"moderate"}),
        ((64, 65, 74, 75), 4.0, {"heavy"}),
        ((81, 84, 86, 88, 90, 96), 2.0, {"moderate"}),
        ((97, 99), 10.0, {"heavy"}),
        ((82,), 50.0, {"violent"}),
        ((54, 55), 0.5, {"moderate"}),
        ((52, 53, 57, 59, 61, 66, 68, 71, 79, 80, 83, 85, 87, 89, 91, 95, 21, 22, 25), 0.2, {"slight"}),
        ((0, 3, 20, 28, 45, 50, 51, 56, 76, 77, 78), 0.0, {"none"}),
    ],
)
def test_the_least_rate_of_a_code_is_the_lower_bound_of_the_class_it_names(
    codes: tuple[int, ...], rate: float, words: set[str]
) -> None:
    assert precipitation.least_rate(codes).tolist() == [rate] * len(codes)
    assert {precipitation.rate_class(rate, system=precipitation.class_system(code)) for code in codes} == words


def test_no_code_tells_of_more_than_the_largest() -> None:
    assert np.max(precipitation.least_rate(np.arange(100))) == precipitation.LARGEST_LEAST_RATE
    assert np.isnan(precipitation.least_rate(N))


def test_the_class_system_is_named() -> None:
    assert precipitation.rate_class(2.0) == "moderate"
    assert precipitation.rate_class(2.0, system="ams") == "light"
    assert precipitation.rate_class(0.0) == "none" and precipitation.rate_class(N) == "not known"
    with pytest.raises(ValueError, match="ams"):
        precipitation.rate_class(1.0, system="mine")


def test_every_code_has_words() -> None:
    assert all(handbook_weather_code.describe_weather(c) not in ("", "not known") for c in range(100))
    assert handbook_weather_code.describe_weather(N) == handbook_weather_code.describe_weather(120) == "not known"


def test_a_code_between_two_codes_is_none():
    """A code that somebody interpolated says nothing: it counts as lost, not as fair weather."""
    assert np.isnan(weather_code.whole_codes([95.5, 45.5, -1.0, 100.0, np.nan])).all()
    assert weather_code.whole_codes([0.0, 95.0, 99.0]).tolist() == [0.0, 95.0, 99.0]


def test_no_rate_over_a_limit_has_room():
    for limit in (0.0, 0.02, 0.1):
        for rate in (0.01, 0.05, 0.3):
            room = float(precipitation.standard_margin_of_rate(rate, limit, 0.1, 0.2))
            assert room <= 0 if rate > limit else room >= 0
