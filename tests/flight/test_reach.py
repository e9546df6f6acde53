"""Reach: its limits as properties, and against a flight integrated second by second by code of its own."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.halves import spread
from wxfly.flight import energy
from wxfly.flight.sortie import Plan, Wind, flights_in_window, reach, sortie_budget, wind_uncertainty
from wxfly.pilot.aircraft import load_aircraft

CLASSES = load_aircraft()
QUAD = energy.energy_model(CLASSES["camera-quad-250g"])
WARM = 293.15
PLAIN = Plan(height=60.0, return_height=60.0, confidence=0.5)

winds = st.floats(0.0, 14.0)
directions = st.floats(0.0, 359.0)


def in_wind(speed: float, from_direction: float, plan: Plan = PLAIN, model=QUAD, uncertainty: float = 0.0, **further):
    wind = Wind(speed, from_direction, uncertainty)
    return reach(model, plan, wind, wind, 1.2, WARM, **further)


@given(st.sampled_from(list(CLASSES)), st.floats(10.0, 120.0), st.floats(0.8, 1.3))
def test_no_wind_gives_a_circle(name: str, height: float, rho: float) -> None:
    plan = replace(PLAIN, height=height, return_height=height)
    model = energy.energy_model(CLASSES[name])
    wind = Wind(0.0, np.nan)
    got = reach(model, plan, wind, wind, rho, WARM).by_energy
    assert np.ptp(got) <= 1e-9 * got.max()


@given(winds, directions, st.floats(0.0, 355.0))
def test_turning_the_wind_turns_the_curve(speed: float, direction: float, turn: float) -> None:
    course = np.arange(0.0, 360.0, 30.0)
    once = in_wind(speed, direction, directions=course).by_energy
    turned = in_wind(speed, direction + turn, directions=course + turn).by_energy
    assert turned == pytest.approx(once, rel=1e-6, abs=1e-6)
    # One wind for both legs: out and back swap, and the curve is the same on both sides of the wind.
    mirrored = in_wind(speed, direction, directions=2 * direction - course).by_energy
    assert mirrored == pytest.approx(once, rel=1e-6, abs=1e-6)


@given(winds, directions, st.floats(0.0, 0.9), st.floats(0.0, 0.9))
def test_reach_never_grows_with_the_reserve(speed: float, direction: float, one: float, other: float) -> None:
    less = in_wind(speed, direction, replace(PLAIN, reserve=min(one, other))).by_energy
    more = in_wind(speed, direction, replace(PLAIN, reserve=max(one, other))).by_energy
    assert (more <= less + 1e-9).all()


@given(winds, directions, st.floats(0.5, 0.97), st.floats(0.5, 0.97), st.floats(0.0, 4.0))
def test_reach_never_grows_with_confidence(
    speed: float, direction: float, one: float, other: float, carrying: float
) -> None:
    results = []
    for confidence in sorted((one, other)):
        uncertainty = float(wind_uncertainty(speed, 1.4 * speed, carrying, 60.0, confidence))
        results.append(
            in_wind(speed, direction, replace(PLAIN, confidence=confidence), uncertainty=uncertainty).by_energy
        )
    assert (results[1] <= results[0] * (1 + 1e-9)).all()


@pytest.mark.parametrize("name", CLASSES)
def test_a_wind_at_the_top_speed_leaves_no_reach(name: str) -> None:
    """Against it nothing is made; with it there is no way back; across it none is held."""
    model = energy.energy_model(CLASSES[name])
    for times in (1.0, 1.3):
        got = in_wind(model.top_speed * times, 0.0, model=model)
        assert (got.by_energy == 0).all()
    assert (in_wind(0.5 * model.top_speed, 0.0, model=model, gust=model.top_speed).by_energy == 0).all()


@given(st.floats(0.0, 12.0), st.floats(0.0, 3.0))
def test_more_wind_never_reaches_farther_up_or_down_the_wind(speed: float, more: float) -> None:
    along = [0.0, 180.0]
    calm = in_wind(speed, 0.0, directions=along).by_energy
    windy = in_wind(speed + more, 0.0, directions=along).by_energy
    assert (windy <= calm * (1 + 1e-3)).all()


@given(winds, directions, directions, st.floats(0.0, 300.0))
def test_at_the_reach_the_budget_is_just_spent(speed: float, direction: float, course: float, work: float) -> None:
    plan = replace(PLAIN, work_time=work, confidence=0.8)
    uncertainty = float(wind_uncertainty(speed, 1.4 * speed, 0.5, 60.0, 0.8))
    got = in_wind(speed, direction, plan, uncertainty=uncertainty, directions=[course])
    if got.by_energy[0] == 0:
        return
    wind = Wind(speed, direction, uncertainty)
    planned = replace(plan, distance=float(got.by_energy[0]), direction=course)
    budget = sortie_budget(QUAD, planned, wind, wind, 1.2, WARM)
    assert float(budget.needed_share) == pytest.approx(1.0, rel=1e-6)
    assert float(budget.charge_at_turn) == pytest.approx(float(got.charge_at_turn[0]), rel=1e-6)


def test_the_nearest_limit_is_named() -> None:
    got = in_wind(5.0, 0.0, limits={"sight": 100.0})
    assert (got.distance == 100.0).all()
    assert set(got.limited_by) == {"sight"}
    assert (got.by_energy > 1000).all()
    unknown = in_wind(5.0, 0.0, limits={"sight": np.nan})
    assert np.isnan(unknown.distance).all()


def test_what_is_not_known_gives_no_reach() -> None:
    for speed, direction in ((np.nan, 0.0), (5.0, np.nan)):
        assert np.isnan(in_wind(speed, direction).by_energy).all()
    assert np.isnan(in_wind(5.0, 0.0, gust=np.nan).by_energy).all()
    assert np.isnan(in_wind(5.0, 0.0, replace(PLAIN, cell_temperature=240.0)).by_energy).all()


def test_flights_in_a_window() -> None:
    minute = 60.0
    assert flights_in_window(120 * minute, 20 * minute, 3) == (3, 3600.0)
    # 20 in the air, 5 on the ground, 20, 5, then 10 that are left of the hour.
    assert flights_in_window(60 * minute, 20 * minute, 3) == (3, 50 * minute)
    assert flights_in_window(52 * minute, 20 * minute, 3) == (2, 40 * minute)
    assert flights_in_window(60 * minute, 0.0, 3) == (0, 0.0)


# A flight integrated in small steps. Nothing below uses wxfly's physics: the wind differs with height, the power is
# written out again from momentum theory, and the farthest turn is found by trying.

_STEP = 0.5


def brute_power(model: energy.EnergyModel, v: float, rho: float, climb: float = 0.0) -> float:
    if model.kind == "fixed_wing":
        q = rho / 1.225 * (v / model.best_glide_speed) ** 2
        drag = model.weight / (2 * model.glide_ratio) * (q + 1 / q)
        return (drag * v + model.weight * climb) / model.drive_efficiency + model.electronics_power
    drag = rho / 2 * model.drag_area * v * v
    thrust = math.hypot(model.weight, drag)
    tilt = math.atan2(drag, model.weight)
    vh = math.sqrt(thrust / (2 * rho * model.area))
    low, high = 0.0, vh
    for _ in range(60):
        vi = (low + high) / 2
        through = v * math.sin(tilt) + climb * math.cos(tilt) + vi
        along = v * math.cos(tilt) - climb * math.sin(tilt)
        low, high = (vi, high) if vi * math.hypot(along, through) < vh * vh else (low, vi)
    tip = math.sqrt(thrust / (0.013 * rho * model.area))
    shaft = (
        1.15 * thrust * vi
        + (1 / 0.6 - 1.15) * thrust * vh * (1 + 4.65 * (v / tip) ** 2)
        + drag * v
        + model.weight * climb
    )
    return shaft / model.drive_efficiency + model.electronics_power


class SlantingWind:
    """Linear in height, each component for itself."""

    def __init__(self, low: tuple[float, float], high: tuple[float, float]) -> None:
        self.low, self.high = low, high  # at 20 m, at 120 m; eastward, northward

    def vector(self, height: float) -> tuple[float, float]:
        share = (height - 20.0) / 100.0
        return tuple(a + share * (b - a) for a, b in zip(self.low, self.high, strict=True))  # type: ignore[return-value]

    def at(self, height: float) -> Wind:
        east, north = self.vector(height)
        return Wind(math.hypot(east, north), math.degrees(math.atan2(-east, -north)) % 360)


class Flight:
    """Keeps the energy used while the aircraft flies its plan in steps."""

    def __init__(self, model: energy.EnergyModel, wind: SlantingWind, rho: float) -> None:
        self.model, self.wind, self.rho = model, wind, rho
        self.energy = 0.0
        self.powers: dict[tuple[float, float], float] = {}

    def draw(self, v: float, seconds: float, climb: float = 0.0) -> None:
        key = (round(v, 2), climb)
        if key not in self.powers:
            self.powers[key] = brute_power(self.model, key[0], self.rho, climb)
        self.energy += self.powers[key] * seconds

    def stay(self, height: float, seconds: float, climb: float = 0.0) -> None:
        for _ in range(round(seconds / _STEP)):
            if self.model.kind == "multirotor":
                v = math.hypot(*self.wind.vector(height))
                hover = brute_power(self.model, 0.0, self.rho) > brute_power(self.model, round(v, 2), self.rho)
                v = 0.0 if hover else v
            else:
                speeds = np.linspace(self.model.lowest_airspeed, self.model.top_speed, 200)
                v = float(min(speeds, key=lambda s: brute_power(self.model, s, self.rho)))
            self.draw(v, _STEP, climb)

    def go(self, height: float, distance: float, course: float, v: float) -> None:
        """Hold the course step by step: the nose turns into the wind."""
        east, north = math.sin(math.radians(course)), math.cos(math.radians(course))
        gone = 0.0
        while gone < distance:
            wind_east, wind_north = self.wind.vector(height)
            along = wind_east * east + wind_north * north
            across = wind_east * north - wind_north * east
            if abs(across) >= v or math.sqrt(v * v - across * across) + along <= 0.05:
                self.energy = math.inf
                return
            speed = math.sqrt(v * v - across * across) + along
            step = min(_STEP, (distance - gone) / speed)
            gone += speed * step
            self.draw(v, step)


def brute_energy(
    model: energy.EnergyModel, plan: Plan, wind: SlantingWind, rho: float, course: float, distance: float,
    out_airspeed: float, home_airspeed: float,
) -> float:  # fmt: skip
    flight = Flight(model, wind, rho)
    flight.stay(plan.height, plan.height / model.climb_speed, climb=model.climb_speed)
    flight.go(plan.height, distance, course, out_airspeed)
    flight.stay(plan.height, plan.work_time)
    change = plan.return_height - plan.height
    if change > 0:
        flight.stay(plan.return_height, change / model.climb_speed, climb=model.climb_speed)
    else:
        flight.stay(plan.return_height, -change / model.descent_speed)
    flight.go(plan.return_height, distance, course + 180.0, home_airspeed)
    flight.stay(plan.return_height, plan.return_height / model.descent_speed)
    return flight.energy


CASES = [
    ("camera-quad-250g", Plan(40, 100, confidence=0.5), SlantingWind((-4, 1), (-7, 4))),
    ("camera-quad-1kg", Plan(80, 60, work_time=240.0, confidence=0.5), SlantingWind((2, -6), (5, -9))),
    ("cine-hexacopter", Plan(50, 50, work_time=120.0, confidence=0.5), SlantingWind((3, 2), (4, 4))),
    ("fixed-wing-mapper", Plan(100, 100, confidence=0.5), SlantingWind((-5, 0), (-8, 2))),
]  # fmt: skip


@pytest.mark.thorough
@pytest.mark.parametrize(("name", "plan", "wind"), spread(CASES, 4))
def test_reach_agrees_with_a_flight_integrated_in_steps(name: str, plan: Plan, wind: SlantingWind) -> None:
    model, rho = energy.energy_model(CLASSES[name]), 1.15
    courses = np.array([0.0, 70.0, 160.0, 250.0])
    got = reach(model, plan, wind.at(plan.height), wind.at(plan.return_height), rho, WARM, directions=courses)
    have = float(energy.usable_energy(model, WARM, WARM)) * (1 - plan.reserve)
    for i, course in enumerate(courses):
        airspeeds = float(got.out.airspeed[i]), float(got.home.airspeed[i])

        def spent(distance: float, course: float = course, airspeeds: tuple[float, float] = airspeeds) -> float:
            return brute_energy(model, plan, wind, rho, course, distance, *airspeeds)

        low, high = 0.0, 3.0 * float(got.by_energy[i]) + 500.0
        for _ in range(12):
            middle = (low + high) / 2
            low, high = (middle, high) if spent(middle) <= have else (low, middle)
        assert float(got.by_energy[i]) == pytest.approx((low + high) / 2, rel=0.02)


def test_no_other_airspeeds_reach_farther() -> None:
    name, plan, wind = CASES[0]
    model, rho = energy.energy_model(CLASSES[name]), 1.15
    got = reach(model, plan, wind.at(plan.height), wind.at(plan.return_height), rho, WARM, directions=[250.0])
    best = brute_energy(
        model, plan, wind, rho, 250.0, float(got.by_energy[0]), float(got.out.airspeed[0]), float(got.home.airspeed[0])
    )
    for out in (6.0, 8.0, 10.0, 13.0, 15.5):
        for home in (6.0, 8.0, 10.0, 13.0, 15.5):
            spent = brute_energy(model, plan, wind, rho, 250.0, float(got.by_energy[0]), out, home)
            assert spent >= best * 0.99
