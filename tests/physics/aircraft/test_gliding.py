"""Fixed-wing power from glide figures."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wxfly.physics.aircraft import gliding

POLAR = {"glide_ratio": 8.0, "best_glide_speed": 12.0}


@given(st.floats(3.0, 50.0), st.floats(7.0, 30.0), st.floats(0.8, 1.4))
def test_drag_is_least_at_the_best_glide_speed(weight: float, v: float, rho: float) -> None:
    best = 12.0 * np.sqrt(1.225 / rho)
    least = weight / 8.0
    assert float(gliding.glide_drag(weight, best, rho, **POLAR)) == pytest.approx(least)
    assert float(gliding.glide_drag(weight, v, rho, **POLAR)) >= least * (1 - 1e-12)


@given(st.floats(7.0, 30.0), st.floats(0.8, 1.4))
def test_thin_air_takes_the_same_drag_faster(v: float, rho: float) -> None:
    faster = v * np.sqrt(1.225 / rho)
    assert float(gliding.glide_drag(15.0, faster, rho, **POLAR)) == pytest.approx(
        float(gliding.glide_drag(15.0, v, 1.225, **POLAR))
    )


@given(st.floats(20.0, 200.0), st.floats(8.0, 20.0))
def test_calibration_gives_back_the_cruise_power(power: float, v: float) -> None:
    efficiency = gliding.drive_efficiency_from_cruise(power, 15.0, v, **POLAR)
    assert float(gliding.cruise_power(15.0, v, 1.225, drive_efficiency=efficiency, **POLAR)) == pytest.approx(power)


def test_climb_adds_the_work_of_lifting() -> None:
    level = gliding.cruise_power(15.0, 14.0, 1.2, drive_efficiency=0.5, **POLAR)
    climbing = gliding.cruise_power(15.0, 14.0, 1.2, drive_efficiency=0.5, climb_speed=3.0, **POLAR)
    assert float(climbing - level) == pytest.approx(15.0 * 3.0 / 0.5)
    assert float(gliding.cruise_power(15.0, 14.0, 1.2, drive_efficiency=0.5, climb_speed=-3.0, **POLAR)) == level


def test_least_power_is_slower_than_best_glide() -> None:
    v = np.linspace(6.0, 20.0, 2001)
    power = gliding.cruise_power(15.0, v, 1.225, drive_efficiency=0.5, **POLAR)
    # Of a parabolic polar the airspeed of least power is the best glide's over the fourth root of 3.
    assert v[np.argmin(power)] == pytest.approx(12.0 / 3**0.25, abs=0.01)
