"""Single precision in, single precision out, and no more than its rounding between the two."""

from __future__ import annotations

import numpy as np
import pytest

from tests.handbook import atmosphere as handbook_atmosphere
from wxfly.physics.air import atmosphere
from wxfly.physics.air.atmosphere import relative_humidity_from_dew_point, saturation_vapour_pressure
from wxfly.physics.arrays import floating
from wxfly.physics.wind.gust import gust_at_height
from wxfly.pilot.limit_rules import margin_at_most

RANDOM = np.random.default_rng(5)
COUNT = 20_000
TEMPERATURE = RANDOM.uniform(230, 320, COUNT)
VAPOUR = RANDOM.uniform(50, 3000, COUNT)
PRESSURE = RANDOM.uniform(50_000, 105_000, COUNT)
WIND = RANDOM.uniform(0, 30, COUNT)


@pytest.mark.parametrize(
    ("function", "given", "size"),
    [
        (handbook_atmosphere.virtual_temperature, (TEMPERATURE, VAPOUR, PRESSURE), 300.0),
        (atmosphere.air_density, (TEMPERATURE, VAPOUR, PRESSURE), 1.0),
        (lambda p, t: atmosphere.pressure_at_height(p, t, 120.0), (PRESSURE, TEMPERATURE), 1e5),
        (atmosphere.density_altitude, (RANDOM.uniform(0.5, 1.5, COUNT),), 1e4),
        (saturation_vapour_pressure, (TEMPERATURE,), 1e4),
        (relative_humidity_from_dew_point, (TEMPERATURE, TEMPERATURE - 5), 1.0),
        (lambda g, u, v: gust_at_height(g, u, v, 80.0), (WIND * 1.5, WIND, WIND * 1.3), 50.0),
        (lambda u: margin_at_most(u, 10.0), (WIND,), 1.0),
    ],
)
def test_single_precision_stays_and_loses_only_its_rounding(function, given, size):
    single = function(*(values.astype(np.float32) for values in given))
    double = function(*(values.astype(np.float32).astype(float) for values in given))
    assert single.dtype == np.float32 and double.dtype == np.float64
    assert np.abs(single - double).max() < 1e-5 * size


def test_whole_numbers_and_lists_become_double():
    assert [floating(x).dtype for x in (1, [1, 2], np.int16(3), np.float64(1))] == [np.float64] * 4


def test_a_margin_by_one_limit_is_that_by_a_limit_for_each_hour():
    demand = np.append(WIND, [np.nan, np.inf, 0.0])
    assert np.array_equal(
        margin_at_most(demand, 7.0), margin_at_most(demand, np.full(demand.shape, 7.0)), equal_nan=True
    )
