"""Hours of several models: each with the error of its own, and members that miss only what their hour's model lost."""

import numpy as np
import pytest

from tests.cube.test_joined import FIRST, NEEDED, cube_of
from wxfly.answer.briefing import age_counts_from
from wxfly.assessment.conditions import derive_flight, hours_of
from wxfly.assessment.forecast_error import hours_of_models
from wxfly.assessment.suitability import assess
from wxfly.cube.contract import as_members
from wxfly.cube.joined import join_models
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.pilot.rules import DEFAULT, find_rules
from wxfly.pilot.settings import own_aircraft_file, own_rules_file
from wxfly.pilot.site import Site
from wxfly.probability.site_chance import judge_site_chance, with_what_is_missing
from wxfly.retrieval.origin import provenance_of

SITE = Site("here", 52.0, 6.0, 30.0)


def eu(hours=12, **more):
    return cube_of("icon_eu", hours, (10, 80, 120), **more)


def gfs(hours=48, **more):
    return cube_of("ncep_gfs_global", hours, (10, 80, 100), run="2026-03-10T00:00", **more)


def judged(cube, limits, ensembles=()):
    """Return how sure the hours from 6 to 20 o'clock are."""
    at_site = cube.isel(site=0)
    start, end = (FIRST.astype("datetime64[s]") + np.timedelta64(h, "h") for h in (6, 20))
    conditions = derive_flight(hours_of(at_site, start=start, end=end), height=60.0, site=SITE, limits=limits)
    run = age_counts_from(provenance_of(cube))
    return conditions, judge_site_chance(
        conditions, assess(conditions, limits), run, height=60.0, site=SITE, limits=limits, central=at_site,
        ensembles=ensembles,
    )  # fmt: skip


@pytest.fixture
def limits():
    return limits_for(find_aircraft("camera-quad-250g", own_aircraft_file()), find_rules(DEFAULT, own_rules_file()))


def test_each_hour_has_the_error_of_its_own_model(limits):
    conditions, together = judged(join_models([eu(), gfs()], NEEDED), limits)
    _, of_eu = judged(eu(48), limits)
    _, of_gfs = judged(gfs(), limits)
    own = hours_of_models(conditions)
    assert {name: int(here.sum()) for name, here in own.items()} == {"icon_eu": 6, "ncep_gfs_global": 8}
    at_once = {"shift": 0, "element": "wind"}
    rooms = [s.standard_margin.sel(at_once).values[:, 0] for s in (together, of_eu, of_gfs)]
    hours = together.standard_margin.sizes["time"]
    assert hours == rooms[1].size
    assert np.allclose(rooms[0][own["icon_eu"]], rooms[1][own["icon_eu"]])
    assert np.allclose(rooms[0][own["ncep_gfs_global"]], rooms[2][own["ncep_gfs_global"]])
    assert (rooms[1] > rooms[2]).all(), "the better model is surer of the same wind"


def test_members_miss_only_what_their_hours_model_has_lost(limits):
    central = join_models([eu(visibility_in_air=9000.0), gfs(lifted_index=4.0)], NEEDED).isel(site=0)
    members = as_members(cube_of("icon_eu_eps", 48, (10, 80)).isel(site=0))
    whole = with_what_is_missing(members, central)
    start, end = (FIRST.astype("datetime64[s]") + np.timedelta64(h, "h") for h in (6, 20))
    flight = derive_flight(hours_of(whole, start=start, end=end), height=60.0, site=SITE, limits=limits)
    lost = flight["input_is_lost"].isel(realization=0)
    assert not lost.sel(element="thunderstorm").values[:5].any(), "the finer model has no lifted index to lose"
    assert not lost.sel(element="wind").any()
    assert np.allclose(flight["wind_speed"].values, flight["wind_speed"].values[0, 0])
