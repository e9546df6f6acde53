"""The spread of surrounding cells in the room of wind and gust: both ways where known, one way where lost."""

import numpy as np
import pytest
import xarray as xr

from tests.cubes import quiet_cube
from wxfly.assessment.conditions import derive, hours_of
from wxfly.assessment.forecast_error import standard_margins
from wxfly.assessment.suitability import assess
from wxfly.cube.contract import mark_provided, state_spans
from wxfly.physics.wind.error import LOST_SPREAD
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.limits import limits_for

LIMITS = limits_for(load_aircraft()["camera-quad-250g"])


def room(spread, wind):
    cube = quiet_cube(13)
    cube["wind_speed"] = xr.full_like(cube["wind_speed"], wind)
    if spread is not None:
        values = np.full(cube.sizes["time"], spread)
        names = ("wind_speed_spread_of_cells", "gust_spread_of_cells")
        cube = mark_provided(state_spans(cube.assign(dict.fromkeys(names, ("time", values)))))
    conditions = derive(hours_of(cube), height=60.0)
    around = {}
    if spread is not None:
        worst = conditions.max("edge", skipna=False)
        around = {
            "around": {e: worst[f"{e}_deviation_of_cells"] for e in ("wind", "gust")},
            "around_is_lost": worst["cells_are_lost"],
        }
    assessed = assess(conditions, LIMITS)
    return (
        standard_margins(assessed, np.full(assessed.sizes["time"], 12.0), **around).sel(element="wind").values[2:8, 0]
    )


@pytest.mark.parametrize("wind", [3.0, 20.0])
def test_cells_alike_change_nothing(wind):
    np.testing.assert_array_equal(room(0.5, wind), room(None, wind))


def test_cells_that_differ_bring_both_sides_nearer_to_the_limit():
    assert (room(2.0, 3.0) < room(None, 3.0)).all()
    assert (room(2.0, 20.0) > room(None, 20.0)).all()


@pytest.mark.parametrize("wind", [3.0, 20.0])
@pytest.mark.parametrize("spread", [0.5, 1.5, LOST_SPREAD])
def test_a_loss_never_gives_more_room_than_cells_that_are_known(wind, spread):
    assert (room(np.nan, wind) <= room(spread, wind)).all()
    assert (room(np.nan, wind) <= room(None, wind)).all()
