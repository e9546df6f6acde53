"""A value taken away never makes an answer better: every function that combines evidence, over coherent inputs."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from tests.handbook import atmosphere as handbook_atmosphere
from wxfly.physics.air import atmosphere, cloud, icing, thunderstorm, visibility
from wxfly.physics.air.risk import Statement, grade, statement
from wxfly.physics.air.weather_code import DISTANT_LIGHTNING, FOG, FREEZING, LIQUID, SOLID, THUNDERSTORM

C = 273.15

codes = st.one_of(
    st.integers(0, 99), st.sampled_from([0, 3, 45, 48, 51, 53, 56, 61, 63, 66, 71, 77, 80, 82, 85, 95, 99])
).map(float)
# Values near the bounds of the rules come up often; those in between sometimes.
temperatures = st.one_of(
    st.floats(-45, 40), st.floats(-3, 6), st.sampled_from([-40.0, -20.0, -14.0, -2.0, 0.0, 2.0, 5.0])
).map(lambda t: t + C)
humidities = st.one_of(st.floats(0.05, 1.0), st.sampled_from([0.79, 0.80, 0.84, 0.85, 0.94, 0.95, 1.0]))
amounts = st.one_of(st.just(0.0), st.floats(0.0, 20.0))
sights = st.one_of(st.floats(20, 60_000), st.sampled_from([999.0, 1000.0, 4999.0, 5000.0]))
bases = st.floats(0, 6000)
deletions = {n: st.lists(st.booleans(), min_size=n, max_size=n) for n in (4, 5, 7)}
heights = st.sampled_from([10.0, 50.0, 100.0, 120.0, 150.0, 151.0, 400.0])


def delete(values: tuple[float, ...], gone: list[bool]) -> tuple[float, ...]:
    return tuple(np.nan if g else v for v, g in zip(values, gone, strict=True))


def is_no_better(after: float, before: float, *, larger_is_worse: bool = True) -> bool:
    if np.isnan(after):
        return True
    return not np.isnan(before) and (after >= before if larger_is_worse else after <= before)


icing_inputs = st.tuples(temperatures, temperatures, humidities, amounts, codes, sights, bases, heights)


def icing_is_coherent(values: tuple[float, ...]) -> bool:
    """As `icing_risk` says it."""
    t, ground, rh, rain, code, sight, base, z = values
    warm = t > C + 5 and ground > C + 5
    too_dry_for_drizzle = rain <= 0 and rh < 0.80
    too_dry_for_cloud = rh < 0.85 and z <= 150
    return not (
        (code in FREEZING and warm)
        or (too_dry_for_drizzle and code in (*FREEZING, *LIQUID, *SOLID))
        or (too_dry_for_cloud and (base <= z or sight < 1000 or code in FOG))
    )


@given(icing_inputs, deletions[7], deletions[7])
def test_icing_is_monotone_under_deletion(values: tuple[float, ...], gone: list[bool], more: list[bool]) -> None:
    assume(icing_is_coherent(values))
    full = float(icing.icing_risk(*values))
    some = float(icing.icing_risk(*delete(values, [*gone, False])))
    fewer = float(icing.icing_risk(*delete(values, [a or b for a, b in zip(gone, more, strict=True)] + [False])))
    assert not np.isnan(full)
    assert is_no_better(some, full)
    assert is_no_better(fewer, some)


thunder_inputs = st.tuples(
    codes,
    amounts,
    st.one_of(st.floats(0, 5000), st.sampled_from([0.0, 99.0, 100.0, 299.0, 300.0, 999.0, 1000.0])),
    st.one_of(st.floats(-10, 20), st.sampled_from([-3.0, -2.9])),
    st.one_of(st.floats(0, 400), st.sampled_from([150.0, 149.0])),
    st.one_of(st.floats(0, 1), st.sampled_from([0.3, 0.29])),
    st.one_of(st.floats(-20, 25), st.sampled_from([4.9, 5.0])).map(lambda t: t + C),
)


def thunder_is_coherent(values: tuple[float, ...]) -> bool:
    """As `thunderstorm_chance` says it."""
    code, rain, energy, _, _, _, dew_point = values
    too_dry = dew_point < C + 5 and energy > np.interp(dew_point, (C, C + 5), (300, 1000))
    return not too_dry and not (rain <= 0 and energy < 100 and code in (*THUNDERSTORM, *DISTANT_LIGHTNING))


def thunder(values: tuple[float, ...]) -> float:
    names = ("convective_inhibition", "precipitation_probability", "dew_point_temperature")
    return float(thunderstorm.thunderstorm_chance(*values[:4], **dict(zip(names, values[4:], strict=True))))


@given(
    thunder_inputs,
    deletions[7],
    deletions[7],
)
def test_thunderstorm_is_monotone_under_deletion(values: tuple[float, ...], gone: list[bool], more: list[bool]) -> None:
    assume(thunder_is_coherent(values))
    full = thunder(values)
    some = thunder(delete(values, gone))
    fewer = thunder(delete(values, [a or b for a, b in zip(gone, more, strict=True)]))
    assert not np.isnan(full)
    assert is_no_better(some, full)
    assert is_no_better(fewer, some)


@given(thunder_inputs, st.integers(2, 5), st.floats(-1, 1))
def test_a_small_change_of_unstable_air_is_a_small_change_of_the_chance(
    values: tuple[float, ...], which: int, share: float
) -> None:
    """CAPE by 10 J/kg, lifted index by 0.1 K, inhibition by 2 J/kg and probability by 0.01."""
    changed = list(values)
    changed[which] += share * (10.0, 0.1, 2.0, 0.01)[which - 2]
    changed[which] = max(changed[which], 0.0) if which != 3 else changed[which]
    assert abs(thunder(tuple(changed)) - thunder(values)) < 0.02


@given(thunder_inputs, st.floats(0, 500), st.floats(0, 3), st.floats(0, 0.3))
def test_less_stable_air_never_has_less_of_a_storm(
    values: tuple[float, ...], energy: float, lifted: float, rain: float
) -> None:
    worse = (*values[:2], values[2] + energy, values[3] - lifted, values[4], values[5] + rain, values[6])
    assert thunder(worse) >= thunder(values) - 1e-12


@given(
    temperatures,
    st.floats(0.0, 30.0),
    st.floats(55_000, 105_000),
    st.one_of(st.just(0.0), st.floats(0, 1)),
    st.floats(0, 5000),
    deletions[5],
    st.booleans(),
)
def test_cloud_base_is_monotone_under_deletion(
    t: float, spread: float, p: float, low: float, above: float, gone: list[bool], is_forecast: bool
) -> None:
    dew_point = t - spread
    lowest = float(cloud.cloud_base_height(np.nan, t, dew_point, p, low))
    # Coherent: the forecast's base is not below the estimate. Where bases are forecast it may be.
    given_base = above if is_forecast and low > 0 else lowest + above
    inputs = (given_base, t, dew_point, p, low)
    full = float(cloud.cloud_base_height(*inputs, base_is_forecast=is_forecast))
    left = float(cloud.cloud_base_height(*delete(inputs, gone), base_is_forecast=is_forecast))
    assert full == given_base
    assert is_no_better(left, full, larger_is_worse=False)
    # The estimate alone is monotone too.
    estimate = float(cloud.cloud_base_height(np.nan, t, dew_point, p, low))
    without = float(cloud.cloud_base_height(*delete((np.nan, t, dew_point, p, low), gone)))
    assert is_no_better(without, estimate + 1e-9, larger_is_worse=False)


@given(temperatures, st.floats(0, 10), st.floats(1, 500), st.integers(0, 3))
def test_a_missing_level_of_temperature_is_not_replaced(
    ground: float, step: float, wanted: float, missing: int
) -> None:
    levels = np.array([50.0, 80.0, 120.0, 180.0])
    aloft = ground + step * np.arange(1, 5)
    full = float(atmosphere.temperature_at_height(ground, aloft, levels, wanted))
    aloft[missing] = np.nan
    left = float(atmosphere.temperature_at_height(ground, aloft, levels, wanted))
    assert np.isnan(left) or left == full


class TestKleene:
    def test_tables(self) -> None:
        true, false = statement(True, 1.0), statement(False, 1.0)
        unknown = statement(False, np.nan)
        assert (true & unknown) == unknown
        assert not (false & unknown).possible
        assert (true | unknown).certain
        assert (false | unknown) == unknown
        assert (~unknown) == unknown
        assert (~true).possible == np.False_

    def test_only_unknown_statements_are_excluded(self) -> None:
        true, unknown = statement(True, 1.0), statement(True, np.nan)
        assert true.unless_known(true).certain
        assert not unknown.unless_known(true).possible
        assert unknown.unless_known(unknown).possible

    @pytest.mark.parametrize(
        ("possible", "likely", "expected"),
        [
            ((False, False), (False, False), 0.0),
            ((True, True), (False, False), 1.0),
            ((True, False), (False, False), 1.0),  # none or possible: the worse
            ((True, True), (True, False), 2.0),  # possible or likely: the worse
            ((False, False), (True, True), 2.0),
            ((False, False), (True, False), np.nan),  # anything from none to likely
        ],
    )
    def test_grades(self, possible: tuple[bool, bool], likely: tuple[bool, bool], expected: float) -> None:
        def make(pair: tuple[bool, bool]) -> Statement:
            return Statement(np.array(pair[0]), np.array(pair[1]))

        assert np.array_equal(grade(make(possible), make(likely)), expected, equal_nan=True)


def shapes(function: Callable[..., np.ndarray], *values: float) -> None:
    """One number, a row, a broadcast pair and a hole give the same answers."""
    one = function(*values)
    row = function(*(np.full(3, v) for v in values))
    grid = function(np.full((2, 1), values[0]), *(np.full(3, v) for v in values[1:]))
    assert np.shape(one) == ()
    assert np.array_equal(row, np.full(3, one), equal_nan=True)
    assert grid.shape == (2, 3)
    assert np.array_equal(grid, np.full((2, 3), one), equal_nan=True)


@pytest.mark.parametrize(
    ("function", "values"),
    [
        (icing.icing_risk, (C - 3, C - 2, 0.97, 0.0, 3.0, 8000.0, 300.0, 100.0)),
        (icing.icing_risk, (np.nan, C - 2, 0.97, 0.0, 3.0, np.nan, 300.0, 100.0)),
        (thunderstorm.thunderstorm_chance, (80.0, 2.0, 1200.0, -4.0)),
        (visibility.radiation_fog_chance, (0.96, 1.0, -10.0)),
        (cloud.cloud_base_height, (np.nan, C + 15, C + 8, 98_000.0, 0.4)),
        (atmosphere.air_density, (C + 15, 900.0, 98_000.0)),
        (handbook_atmosphere.wet_bulb_temperature, (C + 15, 0.5, 98_000.0)),
    ],
)
def test_shapes(function: Callable[..., np.ndarray], values: tuple[float, ...]) -> None:
    shapes(function, *values)


@given(st.tuples(temperatures, temperatures, codes, st.floats(0, 1)), deletions[4])
def test_precipitation_that_may_freeze_is_monotone_under_deletion(values: tuple[float, ...], gone: list[bool]) -> None:
    full = float(icing.freezing_precipitation_chance(*values))
    some = float(icing.freezing_precipitation_chance(*delete(values, gone)))
    assert 0 <= full <= values[3]
    assert is_no_better(some, full)
