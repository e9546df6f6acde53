"""The brief of a window: the worst moment decides, and what is missing is named."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from tests.cubes import quiet_cube
from tests.report.briefings import MEADOW, brief
from wxfly.answer.flight_brief import FlightBrief, make_flight_brief, roughness_of
from wxfly.flight.energy import energy_model
from wxfly.flight.sortie import Plan, Sortie


def make(cube: xr.Dataset | None = None, *, sortie: bool = True, **plan) -> FlightBrief:
    cube = quiet_cube(36) if cube is None else cube
    answer = brief(cubes=[cube], minimum_duration=np.timedelta64(12, "h")).answers[0]
    plan = {"height": 80.0, "return_height": 100.0, "distance": 100.0, **plan}
    flown = Sortie(energy_model(answer.request.aircraft), Plan(**plan), 3) if sortie else None
    placed = cube.assign_coords(latitude=MEADOW.latitude, longitude=MEADOW.longitude)
    return make_flight_brief(
        placed, answer, answer.best, sortie=flown, anemometer_height=2.0, return_height=plan["return_height"]
    )


def test_every_height_is_told_over_the_hours_of_the_window() -> None:
    got = make()
    assert list(got.levels) == [2.0, 10.0, 80.0, 100.0]
    for level in got.levels.values():
        assert level.sizes["time"] == got.window.last - got.window.first + 1
        assert level["time"].values[0] == got.answer.conditions["time"].values[got.window.first]
    speeds = [float(level["wind_speed"].max()) for level in got.levels.values()]
    assert speeds == sorted(speeds)


@pytest.mark.thorough
def test_the_worst_hour_decides_the_energy() -> None:
    cube = quiet_cube(36)
    cube["wind_speed"][11:13] = [3.0, 5.0, 5.5]
    got = make(cube)
    assert got.energy is not None
    assert got.energy.moment in [np.datetime64(f"2026-06-10T{hour}") for hour in (11, 12)]
    calm = make()
    assert calm.energy is not None
    assert got.energy.budget.needed_share > calm.energy.budget.needed_share
    assert got.energy.reach.by_energy.min() < calm.energy.reach.by_energy.min()
    assert got.rule.mean_expected[1] > calm.rule.mean_expected[1]


def test_sight_is_the_nearest_limit_of_a_small_aircraft() -> None:
    got = make()
    assert got.energy is not None
    assert got.sight_range == pytest.approx(101.75)  # 327 x 0.25 m + 20 m
    assert set(got.energy.reach.limited_by) == {"sight"}


def test_flights_follow_from_the_batteries() -> None:
    got = make()
    assert got.energy is not None
    assert 600 < got.energy.flight_time < 1800
    assert got.energy.flights.begun == 3
    too_far = make(distance=6000.0)
    assert too_far.energy is not None
    assert too_far.energy.budget.needed_share > 1
    assert too_far.energy.flights == (0, 0.0)


def test_without_figures_there_is_no_energy_but_a_field_check() -> None:
    got = make(sortie=False)
    assert got.energy is None
    assert got.rule.largest_mean > 0


def test_the_roughest_known_ground_counts() -> None:
    assert roughness_of(replace(MEADOW, surface_cover=None)) == pytest.approx(0.03)
    assert roughness_of(replace(MEADOW, surface_cover="rough")) > 0.1
