"""Wind at a height: exact at levels, continuous, never negative, and not known where a level that is needed is lost."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.handbook.surface_layer import turning_with_height
from wxfly.physics.wind.components import wind_components, wind_from_components
from wxfly.physics.wind.profile import (
    HIGHEST_ABOVE_TOP,
    Level,
    ProfileMethod,
    WindProfile,
    speed_beyond_top,
    wind_at_height,
)

LEVELS = [10.0, 80.0, 120.0, 180.0]
speeds = st.lists(st.floats(0, 40), min_size=4, max_size=4)
directions = st.lists(st.floats(0, 360), min_size=4, max_size=4)
heights = st.floats(2, 300)
lengths = st.one_of(st.floats(1, 1e4), st.floats(-1e4, -1), st.just(np.inf))
rough = st.sampled_from([0.0002, 0.005, 0.03, 0.1, 0.5, 1.0, 2.0])
sources = st.sampled_from(["temperatures", "sun and cloud"])


@given(speeds, directions, heights, lengths, rough, st.sampled_from(["logarithmic", "curved"]), st.integers(1, 4))
def test_finite_input_gives_a_finite_wind_that_is_not_negative(v, d, z, length, z0, interpolation, count):
    wind = wind_at_height(
        v[:count],
        d[:count],
        LEVELS[:count],
        z,
        obukhov_length=length,
        roughness_length=z0,
        interpolation=interpolation,
    )
    assert np.isfinite(wind.wind_speed)
    assert wind.wind_speed >= 0
    assert 0 <= wind.wind_from_direction < 360
    assert wind.standard_deviation >= 0
    assert wind.method != ProfileMethod.NOT_KNOWN


@given(speeds, directions, st.sampled_from(["logarithmic", "curved"]))
def test_exact_at_the_levels(v, d, interpolation):
    for i, z in enumerate(LEVELS):
        wind = wind_at_height(v, d, LEVELS, z, interpolation=interpolation)
        assert wind.wind_speed == v[i]
        assert wind.method == ProfileMethod.AT_LEVEL
        assert wind.standard_deviation == 0
        assert abs(turning_with_height(d[i], wind.wind_from_direction)) < 1e-9


@given(speeds, directions, lengths, rough, st.sampled_from(["logarithmic", "curved"]), st.integers(1, 4))
def test_continuous_in_height_across_every_switch_of_method(v, d, length, z0, interpolation, count):
    keywords = {"obukhov_length": length, "roughness_length": z0, "interpolation": interpolation}
    for z in LEVELS[:count]:
        near = WindProfile(v[:count], d[:count], LEVELS[:count], **keywords).at([z - 1e-6, z, z + 1e-6])
        assert np.ptp(near.wind_speed) < 1e-4
        assert near.standard_deviation.max() < 0.02  # it grows from 0 at the level


pairs = st.sampled_from([(10.0, 12.0), (10.0, 20.0), (10.0, 50.0), (80.0, 100.0)])


@given(speeds, pairs, st.floats(1.6, 12), lengths, rough, sources)
def test_far_above_the_top_the_wind_is_nothing_less_than_from_either_level_alone(v, levels, ratio, length, z0, source):
    z = min(ratio * levels[-1], 300.0)
    known = {"obukhov_length": length, "roughness_length": z0, "stability_source": source}
    both = wind_at_height(v[:2], [0, 0], levels, z, **known)
    assert both.method == ProfileMethod.ABOVE_TOP_LEVEL
    for speed, height in zip(v, levels, strict=False):
        alone = wind_at_height([speed], [0], [height], z, **known)
        assert both.wind_speed >= alone.wind_speed - 1e-9
        assert both.standard_deviation >= alone.standard_deviation - 1e-9


@given(speeds, pairs, st.floats(1.001, HIGHEST_ABOVE_TOP), lengths, rough)
def test_up_to_half_as_high_again_as_the_top_its_slope_alone_counts(v, levels, ratio, length, z0):
    z, (low, high) = np.asarray(ratio * levels[1]), levels
    second, top = (
        Level(np.True_, np.asarray(s), np.asarray(0.0), np.asarray(h)) for s, h in zip(v, levels, strict=False)
    )
    wind = wind_at_height(v[:2], [0, 0], [low, high], z, obukhov_length=length, roughness_length=z0)
    assert wind.wind_speed == pytest.approx(speed_beyond_top(second, top, z, np.asarray(length)), abs=1e-9)


@given(speeds, pairs, lengths, rough, st.sampled_from([HIGHEST_ABOVE_TOP, 1.6]))
def test_continuous_in_height_where_the_law_of_one_level_comes_in(v, levels, length, z0, ratio):
    z = ratio * levels[1]
    profile = WindProfile(v[:2], [0, 0], levels, obukhov_length=length, roughness_length=z0)
    near = profile.at([z - 1e-6, z, z + 1e-6])
    assert np.ptp(near.wind_speed) < 1e-3
    assert np.ptp(near.standard_deviation) < 1e-3


@given(st.floats(0, 30), st.floats(20, 150), rough, sources)
def test_continuous_in_stability(v, z, z0, source):
    def at(length):
        keywords = {"obukhov_length": length, "roughness_length": z0, "stability_source": source}
        return wind_at_height([v], [0], [10], z, **keywords).wind_speed

    neutral = wind_at_height([v], [0], [10], z, roughness_length=z0)
    assert at(1e9) == pytest.approx(neutral.wind_speed, abs=1e-4)
    assert at(-1e9) == pytest.approx(neutral.wind_speed, abs=1e-4)
    assert at(np.inf) == pytest.approx(neutral.wind_speed, abs=1e-9)
    assert neutral.method == ProfileMethod.NEUTRAL_LOG_LAW


@given(speeds, directions, heights, st.floats(-360, 360), lengths)
def test_turning_the_wind_turns_the_answer(v, d, z, turn, length):
    keywords = {"obukhov_length": length, "interpolation": "curved"}
    before = wind_at_height(v, d, LEVELS, z, **keywords)
    after = wind_at_height(v, np.mod(np.add(d, turn), 360), LEVELS, z, **keywords)
    assert after.wind_speed == pytest.approx(before.wind_speed, abs=1e-9)
    if np.hypot(*_resultant(v, d, z)) > 0.01:
        assert abs(turning_with_height(before.wind_from_direction + turn, after.wind_from_direction)) < 1e-3


def _resultant(v, d, z):
    below = max((i for i in range(4) if LEVELS[i] <= z), default=0)
    above = min(below + 1, 3)
    weight = np.clip(np.log(z / LEVELS[below]) / np.log(LEVELS[above] / LEVELS[below] + 1e-12), 0, 1)
    east, north = wind_components(v, d)
    return (
        east[below] + weight * (east[above] - east[below]),
        north[below] + weight * (north[above] - north[below]),
    )


@given(st.floats(0, 40), st.floats(0, 40), st.floats(0, 360), st.floats(0, 360))
def test_between_levels_the_straight_interpolation_is_monotone_and_between(low, high, d1, d2):
    z = np.geomspace(10, 80, 30)
    speed = WindProfile([low, high], [d1, d2], [10, 80]).at(z).wind_speed
    steps = np.diff(speed)
    assert (steps >= -1e-9).all() or (steps <= 1e-9).all()
    assert speed.min() >= min(low, high) - 1e-9
    assert speed.max() <= max(low, high) + 1e-9


@given(st.floats(0.1, 3), st.floats(1, 20), st.floats(2, 150), rough)
def test_neutral_wind_scales(factor, v, z, z0):
    once = wind_at_height([v], [90], [10], z, roughness_length=z0).wind_speed
    assert wind_at_height([factor * v], [90], [10], z, roughness_length=z0).wind_speed == pytest.approx(factor * once)


@given(lengths, rough, sources)
def test_from_one_level_the_wind_grows_with_height(length, z0, source):
    z = np.linspace(2.5, 150, 60)
    keywords = {"obukhov_length": length, "roughness_length": z0, "stability_source": source}
    wind = WindProfile([6.0], [0], [10.0], **keywords).at(z).wind_speed
    assert (np.diff(wind) >= -1e-9).all()
    assert wind.max() <= 2.5 * 6.0 + 1e-9


@pytest.mark.parametrize("lost", range(4))
@pytest.mark.parametrize("wanted", [5.0, 10.0, 40.0, 80.0, 100.0, 150.0, 180.0, 250.0])
def test_a_lost_level_is_not_known_where_needed_and_changes_nothing_else(lost, wanted):
    v, d = np.array([4.0, 9.0, 10.0, 6.0]), np.array([250.0, 260.0, 270.0, 280.0])
    whole = wind_at_height(v, d, LEVELS, wanted, roughness_length=0.03)
    v[lost] = np.nan
    poorer = wind_at_height(v, d, LEVELS, wanted, roughness_length=0.03)
    if np.isnan(poorer.wind_speed):
        assert poorer.method == ProfileMethod.NOT_KNOWN
        assert np.isnan(poorer.standard_deviation)
    else:
        assert poorer.wind_speed == whole.wind_speed
        assert poorer.method == whole.method
    below = [i for i, z in enumerate(LEVELS) if z <= wanted]
    needed = {below[-1] if below else 0}
    if LEVELS[max(needed)] != wanted and below:
        needed.add(below[-1] + 1 if below[-1] < 3 else 2)
    assert np.isnan(poorer.wind_speed) == (lost in needed)


@given(speeds, directions, st.floats(11, 179))
def test_a_lost_direction_never_lowers_the_speed_and_leaves_no_direction(v, d, z):
    whole = wind_at_height(v, d, LEVELS, z)
    poorer = wind_at_height(v, [np.nan] * 4, LEVELS, z)
    assert poorer.wind_speed == whole.wind_speed
    assert np.isnan(poorer.wind_from_direction) or poorer.wind_speed == 0


@given(st.floats(0, 30), st.floats(2, 200), lengths, rough, st.integers(1, 2), st.floats(-10, 10), sources)
def test_careful_is_at_least_what_any_stability_gives(v, z, length, z0, count, shear, source):
    levels = [v, max(v + shear, 0.0)][:count]
    keywords = {"roughness_length": z0, "interpolation": "curved", "stability_source": source}
    known = wind_at_height(levels, [0] * count, LEVELS[:count], z, obukhov_length=length, **keywords)
    careful = wind_at_height(
        levels, [0] * count, LEVELS[:count], z, obukhov_length=np.nan, unknown_stability="careful", **keywords
    )
    assert careful.wind_speed >= known.wind_speed - 1e-9
    assert careful.standard_deviation >= known.standard_deviation - 1e-9


def test_methods_are_named():
    def method(v, z, **keywords):
        return ProfileMethod(int(wind_at_height(v, [0.0] * len(v), LEVELS[: len(v)], z, **keywords).method))

    assert method([5.0, 8.0], 50) is ProfileMethod.BETWEEN_LEVELS
    assert method([5.0, 8.0], 100) is ProfileMethod.ABOVE_TOP_LEVEL
    assert method([5.0], 50) is ProfileMethod.POWER_LAW
    assert method([5.0], 50, roughness_length=0.1) is ProfileMethod.NEUTRAL_LOG_LAW
    assert method([5.0], 50, obukhov_length=100.0) is ProfileMethod.STABILITY_LOG_LAW
    assert method([5.0], 50, obukhov_length=np.nan) is ProfileMethod.POWER_LAW
    assert method([np.nan], 50) is ProfileMethod.NOT_KNOWN
    assert wind_at_height(np.empty((3, 0)), np.empty((3, 0)), [], 50).method.tolist() == [0, 0, 0]


def test_pressure_levels_that_move_with_the_hour_follow_the_fixed_heights():
    heights = np.array([[10.0, 100.0, 130.0, 600.0], [10.0, 100.0, np.nan, 520.0]])
    v, d = np.array([[4.0, 8.0, 9.0, 14.0], [4.0, 8.0, 99.0, 14.0]]), np.full((2, 4), 270.0)
    wind = wind_at_height(v, d, heights, 120.0)
    assert wind.method.tolist() == [ProfileMethod.BETWEEN_LEVELS] * 2
    assert 8.0 < wind.wind_speed[0] < 9.0
    assert wind.wind_speed[1] == pytest.approx(8 + 6 * np.log(1.2) / np.log(5.2))


def test_high_levels_are_interpolated_in_height_itself():
    assert wind_at_height([10.0, 20.0], [0, 0], [200.0, 600.0], 400.0).wind_speed == pytest.approx(15.0)


def test_wrong_input_is_refused():
    with pytest.raises(ValueError, match="above ground"):
        wind_at_height([5.0], [0], [10.0], -3.0)
    with pytest.raises(ValueError, match="careful"):
        wind_at_height([5.0], [0], [10.0], 30.0, unknown_stability="ignored")
    with pytest.raises(ValueError, match="curved"):
        wind_at_height([5.0], [0], [10.0], 30.0, interpolation="cubic")


@given(speeds, directions)
def test_many_heights_at_once_are_the_same_as_one_by_one(v, d):
    wanted = [5.0, 10.0, 33.0, 80.0, 120.0, 200.0]
    together = WindProfile([v, v], [d, d], LEVELS, roughness_length=[0.03, 1.0]).at(wanted)
    assert together.wind_speed.shape == (2, 6)
    for (i, z0), (j, z) in itertools.product(enumerate((0.03, 1.0)), enumerate(wanted)):
        alone = wind_at_height(v, d, LEVELS, z, roughness_length=z0)
        assert together.wind_speed[i, j] == pytest.approx(alone.wind_speed, abs=1e-9)
        assert together.method[i, j] == alone.method


@given(st.floats(0, 40), st.floats(0, 360))
def test_components_there_and_back(speed, direction):
    back, turned = wind_from_components(*wind_components(speed, direction))
    assert back == pytest.approx(speed, abs=1e-9)
    if speed > 1e-6:
        assert abs(turning_with_height(direction, turned)) < 1e-6


def test_wind_difference_by_hand():
    v, d = np.array([5.0, 5.0]), np.array([0.0, 90.0])
    # The same speed at 10 and 80 m, a quarter turn: by components, linear in ln z, over 10-40, 20-50 ... 50-80 m.
    east, north = wind_components(v, d)
    angle = [np.arctan2(*(c[0] + np.log(z / 10) / np.log(8) * (c[1] - c[0]) for c in (east, north))) for z in (10, 40)]
    by_hand = 2 * 5.0 * np.sin(abs(angle[1] - angle[0]) / 2)
    assert WindProfile(v, d, [10.0, 80.0]).difference(80.0) == pytest.approx(by_hand)
    assert np.isnan(WindProfile(v, [0.0, np.nan], [10.0, 80.0]).difference(80.0))
    assert WindProfile([7.0, 7.0], [10.0, 10.0], [10.0, 80.0]).difference(60.0) == pytest.approx(0, abs=1e-9)


@given(speeds, directions)
def test_wind_difference_never_shrinks_with_height(v, d):
    values = [float(WindProfile(v, d, LEVELS).difference(z)) for z in (40, 60, 80, 120)]
    assert values == sorted(values)
