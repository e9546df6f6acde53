"""Columns that contradict each other make no hour look better: they are unknown, and the reader is told."""

from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from tests.cubes import quiet_cube
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import State, assess
from wxfly.cube.consistency import hide_contradictions
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for

SHIPPED = sorted((Path(__file__).resolve().parents[2] / "cached_forecasts").glob("*.nc"))
LIMITS = limits_for(find_aircraft("camera-quad-250g"))
ENERGY = "atmosphere_convective_available_potential_energy"
CLOUD = ("low_type_cloud_area_fraction", "cloud_base_altitude")


def with_hours(**values):
    """Return a quiet cube with other values at the stamps of 12 to 14 h."""
    cube = quiet_cube(36)
    for name, value in values.items():
        cube[name].values[12:15] = value
    return hide_contradictions(cube)


@pytest.mark.parametrize(
    ("values", "hidden"),
    [
        ({CLOUD[0]: 0.9, CLOUD[1]: 5000.0}, CLOUD),
        ({CLOUD[0]: 0.9, CLOUD[1]: 3900.0}, ()),
        ({CLOUD[0]: 0.2, CLOUD[1]: 9000.0}, ()),
        ({ENERGY: 0.0, "lifted_index": -5.0}, (ENERGY, "lifted_index")),
        ({ENERGY: 1800.0, "lifted_index": 8.0}, (ENERGY, "lifted_index")),
        ({ENERGY: 99.0, "lifted_index": -8.0}, (ENERGY, "lifted_index")),
        ({ENERGY: 99.0, "lifted_index": -3.0}, (ENERGY, "lifted_index")),
        ({ENERGY: 99.0, "lifted_index": -2.9}, ()),
        ({ENERGY: 100.0, "lifted_index": -3.0}, ()),
        ({ENERGY: 900.0, "lifted_index": 4.0}, ()),
        ({ENERGY: np.nan, "lifted_index": -5.0}, ()),
    ],
)
def test_what_contradicts_itself_is_unknown_in_those_hours(values, hidden):
    cube = with_hours(**values)
    for name in hidden:
        assert np.isnan(cube[name].values[12:15]).all() and not np.isnan(cube[name].values[[11, 15]]).any()
    assert ("contradictions" in cube.attrs) == bool(hidden)
    if not hidden:
        assert all(np.array_equal(cube[name].values[12:15], np.full(3, v), True) for name, v in values.items())


@pytest.mark.parametrize(
    ("bad", "good"),
    [
        ({CLOUD[0]: 0.9, CLOUD[1]: 100.0}, {CLOUD[0]: 0.9, CLOUD[1]: 9000.0}),
        ({ENERGY: 2500.0, "lifted_index": -6.0}, {ENERGY: 0.0, "lifted_index": -6.0}),
    ],
)
def test_one_column_in_fine_weather_makes_no_hour_better(bad, good):
    """Low cloud or a storm, of which one column says the opposite: the hours do not come inside."""

    def states(values):
        return assess(derive(with_hours(**values, precipitation_probability=0.6), height=60.0), LIMITS)["state"].values

    before, after = states(bad)[12:14], states(good)[12:14]
    assert (before < State.INSIDE).all()
    assert (after < State.INSIDE).all()


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_the_shipped_forecasts_agree_with_themselves(path):
    with xr.open_dataset(path) as cube:
        assert "contradictions" not in hide_contradictions(cube.load()).attrs


@pytest.mark.parametrize("energy", [15.0, 99.0])
@pytest.mark.parametrize("weather", [{"weather_code": 81.0, "precipitation_amount": 1.0}, {}])
def test_storms_above_stable_air_are_not_ruled_out(energy, weather):
    """A lifted index of a high chance of storms beside little energy: another parcel was lifted."""
    hours = assess(derive(with_hours(**{ENERGY: energy, "lifted_index": -8.0}, **weather), height=60.0), LIMITS)
    assert np.isnan(hours["margin"].sel(element="thunderstorm").values[12:14]).all()
    assert (hours["state"].values[12:14] <= State.NOT_KNOWN).all()
