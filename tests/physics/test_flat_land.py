"""The stated error of the wind over flat land, where a fit on one tower was too narrow: by night and above the top."""

from __future__ import annotations

import numpy as np
import pytest

from tests.validation import flat_land
from tests.validation.records import SHARED, SODAR, TOWER
from wxfly.physics.wind.error import deviation_beyond, deviation_from_one_level

HUB = SHARED / "grid_wind_vs_hub" / "hub_vs_reanalysis_hourly.csv.gz"
there = pytest.mark.skipif(not (HUB.exists() and SODAR.exists()), reason="the measurements are not beside the checkout")


@there
@pytest.mark.parametrize(
    ("key", "least"),
    [
        # Before: 62, 76 and 55; 66, 84 and 53; 53.
        ("10->50 sun and cloud, night", 88), ("10->50 sun and cloud, stable", 90),
        ("10->50 sun and cloud, very stable", 86), ("10->50 temperatures, night", 93),
        ("10->50 temperatures, stable", 93), ("10->50 temperatures, very stable", 93), ("10->50 not known, night", 80),
    ],
)  # fmt: skip
def test_from_10_m_alone_at_night_the_interval_holds_over_fields(key: str, least: float) -> None:
    assert flat_land.from_10(HUB)[f"{key}, 95 %"] >= least


@there
@pytest.mark.parametrize(
    ("key", "least"),
    [
        # Before: 94, 89 and 86 on the model's own profile, 78, 79 and 75 on the sodar with its noise of 0.2 m/s.
        ("40+80->120 wrf", 95), ("40+80->140 wrf", 94), ("40+80->160 wrf", 92),
        ("40+80->120 sodar", 84), ("40+80->140 sodar", 86), ("40+80->160 sodar", 85),
    ],
)  # fmt: skip
def test_above_an_80_m_top_the_interval_holds(key: str, least: float) -> None:
    assert flat_land.above_80(SODAR)[f"{key}, 95 %"] >= least


@pytest.mark.skipif(not TOWER.exists(), reason="the tower's record is not beside the checkout")
def test_above_an_80_m_top_at_night_without_stability_the_interval_holds_on_the_tower() -> None:
    """87 of 100 before."""
    from tests.validation import tower as towers
    from wxfly.physics.sun import sun_position

    tower = towers.Tower(towers.read_tower(TOWER), True, *towers.MET_MAST)
    night = sun_position(*towers.MET_MAST, tower.record.time)[0] <= 0
    found = flat_land.covered("night", tower.carry((10, 80), 122), tower.record.speed[122], night)
    assert found["night, 95 %"] >= 92


@pytest.mark.parametrize("source", ["temperatures", "sun and cloud"])
def test_the_more_stable_the_wider_and_the_farther_the_wider(source: str) -> None:
    speed, ten = np.full(40, 4.0), np.array(10.0)
    zeta = np.linspace(0.0, 3.0, 40)
    length = np.where(zeta > 0, 10.0 / np.maximum(zeta, 1e-9), np.inf)
    by_stability = deviation_from_one_level(speed, ten, np.array(80.0), length, source)
    assert (np.diff(by_stability) >= 0).all()
    assert by_stability[-1] > 2.0 * by_stability[0]
    heights = np.linspace(10.0, 150.0, 40)
    by_height = deviation_from_one_level(speed, ten, heights, np.full(40, 20.0), source)
    assert (np.diff(by_height) >= 0).all()
    beyond = deviation_beyond(speed, ten, 1.5 * speed, np.array(80.0), np.array(120.0), length)
    assert (np.diff(beyond) >= 0).all()
