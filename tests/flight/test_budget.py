"""The budget of a sortie: it adds up, the wind of each height counts, and what cannot be flown is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wxfly.flight import energy
from wxfly.flight.sortie import (
    FORECAST_DEVIATION,
    Plan,
    Polar,
    Refusal,
    Wind,
    fly_leg,
    quantile,
    sortie_budget,
    wind_uncertainty,
)
from wxfly.pilot.aircraft import load_aircraft

CLASSES = load_aircraft()
QUAD = energy.energy_model(CLASSES["camera-quad-250g"])
AIR = Polar(QUAD, 1.2)
WORN = energy.energy_model(replace(CLASSES["camera-quad-250g"], battery_cycles=300.0))
WARM = 293.15
PLAN = Plan(height=40.0, return_height=100.0, distance=800.0, direction=60.0, work_time=120.0, confidence=0.5)


def budget(plan: Plan = PLAN, out: float = 4.0, home: float = 4.0, direction: float = 240.0, model=QUAD, **further):
    temperature = further.pop("temperature", WARM)
    return sortie_budget(model, plan, Wind(out, direction), Wind(home, direction), 1.2, temperature, **further)


@given(st.floats(0.0, 12.0), st.floats(0.0, 12.0), st.floats(0.0, 359.0), st.floats(0.0, 0.5))
def test_the_parts_add_up(out: float, home: float, direction: float, reserve: float) -> None:
    got = budget(replace(PLAN, reserve=reserve), out, home, direction)
    used = got.climb + got.out + got.work + got.home + got.descent
    if got.refusal == Refusal.NONE:
        assert float(got.needed_share) == pytest.approx(float(used / got.usable) + reserve)
        assert float(got.time) == pytest.approx(float(got.time_out + 120.0 + got.time_home))
    else:
        assert np.isinf(got.needed_share)


@given(st.floats(0.0, 10.0), st.floats(0.0, 359.0), st.floats(0.0, 600.0))
def test_leaving_at_the_latest_turn_lands_with_the_reserve(wind: float, direction: float, work: float) -> None:
    first = budget(out=wind, home=wind, direction=direction)
    if not float(first.latest_turn) > float(first.time_out):
        return
    longest = replace(PLAN, work_time=float(first.latest_turn - first.time_out))
    assert float(budget(longest, wind, wind, direction).needed_share) == pytest.approx(1.0, rel=1e-6)
    shorter = replace(PLAN, work_time=min(work, longest.work_time))
    assert float(budget(shorter, wind, wind, direction).needed_share) <= 1.0 + 1e-6


def test_a_stronger_wind_at_the_return_height_takes_more() -> None:
    """Out with the wind at 40 m, home against the wind at 100 m: what blows up there decides."""
    same, stronger = budget(home=4.0), budget(home=9.0)
    assert stronger.home > 1.2 * same.home
    assert stronger.out == same.out
    assert stronger.needed_share > same.needed_share
    assert stronger.charge_at_turn > same.charge_at_turn


def test_without_a_direction_the_most_demanding_counts() -> None:
    every = [float(budget(replace(PLAN, direction=float(d)), 5.0, 8.0).needed_share) for d in range(0, 360, 15)]
    worst = budget(replace(PLAN, direction=None), 5.0, 8.0)
    assert float(worst.needed_share) == pytest.approx(max(every))
    assert float(budget(replace(PLAN, direction=float(worst.direction)), 5.0, 8.0).needed_share) == pytest.approx(
        max(every)
    )


def test_many_hours_at_once_are_the_hours_one_by_one() -> None:
    out, home = np.array([[2.0, 6.0], [4.0, 9.0]]), np.array([[3.0, 7.0], [8.0, 13.0]])
    plan = replace(PLAN, direction=None, confidence=0.9)
    uncertainty = wind_uncertainty(out, 1.5 * out, 0.5, 40.0, 0.9)
    together = sortie_budget(QUAD, plan, Wind(out, 240.0, uncertainty), Wind(home, 250.0, uncertainty), 1.2, WARM)
    for i in np.ndindex(out.shape):
        alone = sortie_budget(
            QUAD, plan, Wind(out[i], 240.0, uncertainty[i]), Wind(home[i], 250.0, uncertainty[i]), 1.2, WARM
        )
        for many, one in zip(together, alone, strict=True):
            assert float(many[i]) == pytest.approx(float(one))


@pytest.mark.parametrize(
    ("further", "why"),
    [
        ({}, Refusal.NONE),
        ({"gust": 16.0}, Refusal.GUST),
        ({"home": 15.99}, Refusal.WIND),
        ({"out": 15.0, "direction": 0.0, "plan": replace(PLAN, confidence=0.9)}, Refusal.NONE),
        ({"temperature": 273.15 - 19.0, "model": WORN}, Refusal.COLD_PACK),
        ({"temperature": WARM, "model": WORN}, Refusal.NONE),
    ],
)
def test_what_cannot_be_flown_is_refused_and_said_why(further: dict[str, object], why: Refusal) -> None:
    got = budget(**further)
    assert Refusal(int(got.refusal)) == why
    assert np.isinf(got.needed_share) == (why != Refusal.NONE)
    assert bool(why.words) == (why != Refusal.NONE)


def test_no_distance_needs_no_way() -> None:
    got = budget(replace(PLAN, distance=0.0), home=15.99)
    assert got.refusal == Refusal.NONE
    assert got.out == got.home == 0.0
    assert np.isfinite(got.needed_share)


def test_a_pack_kept_warm_gives_more_than_a_cold_one() -> None:
    freezing = 273.15 - 5.0
    cold = budget(temperature=freezing)
    warm = budget(replace(PLAN, cell_temperature=WARM), temperature=freezing)
    assert warm.usable > cold.usable
    assert warm.needed_share < cold.needed_share


@pytest.mark.parametrize("missing", ["out", "home", "direction", "temperature", "gust"])
def test_what_is_not_known_stays_not_known(missing: str) -> None:
    assert np.isnan(budget(**{missing: np.nan}).needed_share)
    assert np.isnan(budget(replace(PLAN, direction=None), **{missing: np.nan}).needed_share)


def test_a_leg_in_doubt_is_by_the_wind_that_costs_more() -> None:
    for course in (0.0, 60.0, 180.0):
        weak, strong = (fly_leg(AIR, course, Wind(w, 0.0)).energy_per_metre for w in (3.0, 7.0))
        doubtful = fly_leg(AIR, course, Wind(5.0, 0.0, 2.0)).energy_per_metre
        assert float(doubtful) == pytest.approx(max(float(weak), float(strong)))


def test_a_pack_that_gives_less_power_flies_slower() -> None:
    free = fly_leg(AIR, 0.0, Wind(8.0, 0.0))
    held = fly_leg(AIR, 0.0, Wind(8.0, 0.0), largest_power=0.9 * free.power)
    assert held.power <= 0.9 * free.power
    assert held.energy_per_metre > free.energy_per_metre
    assert np.isinf(fly_leg(AIR, 0.0, Wind(8.0, 0.0), largest_power=1.0).energy_per_metre)


def test_the_doubt_of_the_wind() -> None:
    assert quantile(0.5) == 0.0
    assert quantile(0.9) == pytest.approx(1.2816, abs=1e-4)  # the normal distribution's table
    assert float(wind_uncertainty(6.0, 6.0, 0.0, 60.0, 0.9)) == pytest.approx(1.2816 * FORECAST_DEVIATION, rel=1e-4)
    assert wind_uncertainty(6.0, 10.0, 1.0, 60.0, 0.9) > wind_uncertainty(6.0, 8.0, 1.0, 60.0, 0.9)
    assert np.isnan(wind_uncertainty(6.0, np.nan, 0.0, 60.0, 0.9))


def test_a_cold_full_pack_must_bear_the_climb() -> None:
    """A pack that bears a slow climb in the cold does not bear a fast one, however full it is."""
    freezing = 273.15 - 12.0
    slow, fast = (replace(QUAD, climb_speed=speed) for speed in (3.0, 12.0))
    kept_warm = replace(PLAN, cell_temperature=WARM)
    assert budget(model=slow, temperature=freezing).refusal == Refusal.NONE
    assert budget(model=fast, temperature=freezing).refusal == Refusal.COLD_PACK
    assert budget(kept_warm, model=fast, temperature=freezing).refusal == Refusal.NONE
