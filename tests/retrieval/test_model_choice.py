"""Which model and ensemble answer: against published grids read with another library, at places everywhere."""

import csv
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from wxfly.pilot.site import Site
from wxfly.retrieval.model_choice import (
    AROUND,
    BY_THEMSELVES,
    FEWEST_MEMBERS,
    Wanted,
    choose_ensembles,
    plan_models,
    rank_models,
    reaches_for_sure,
)
from wxfly.sources.open_meteo.models import ENSEMBLES, MODELS

pyproj = pytest.importorskip("pyproj")
GRIDS = Path(__file__).parents[1] / "reference" / "model_grids.csv"
NOW = np.datetime64("2026-03-10T06:00", "s")
# By hand, from the rule in words: mesh, published error where meshes are alike, elements lacking. Only models with a
# level that wind is carried from to 60 m, and no blend of models.
BY_HAND = [
    "icon_d2", "knmi_harmonie_arome_netherlands", "dmi_harmonie_arome_europe", "meteofrance_arome_france",
    "ncep_hrrr_conus", "cmc_gem_hrdps", "icon_eu", "knmi_harmonie_arome_europe", "ecmwf_ifs", "icon_global",
    "meteofrance_arpege_europe", "cmc_gem_rdps", "cmc_gem_gdps", "ecmwf_ifs025", "ncep_gfs_global",
    "meteofrance_arpege_world",
]  # fmt: skip


def rows():
    with GRIDS.open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def on_map(projection, latitude, longitude):
    """Return places on a map, in metres or, about another pole, in degrees."""
    east, north = pyproj.Proj(projection)(np.asarray(longitude, dtype=float), np.asarray(latitude, dtype=float))
    scale = np.degrees(1.0) if "ob_tran" in projection and np.nanmax(np.abs(east)) < 4 else 1.0
    return np.asarray(east) * scale, np.asarray(north) * scale


def inside(row, latitude, longitude):
    """Return which places lie in a published grid, and which lie too near to its edge to tell."""
    values = [float(v) for v in row["values"].split()]
    if row["kind"] == "box":
        south, west, north, east = values
        return (south <= latitude) & (latitude <= north) & (west <= longitude) & (longitude <= east)
    if row["kind"] == "footprint":
        corners = np.array(values).reshape(-1, 2)
        x, y = corners.T
        side = np.stack([
            (np.roll(x, -1)[k] - x[k]) * (latitude - y[k]) - (np.roll(y, -1)[k] - y[k]) * (longitude - x[k])
            for k in range(len(corners))
        ])  # fmt: skip
        winding = np.zeros(latitude.size, dtype=int)
        for k in range(len(corners)):
            up = (y[k] <= latitude) & (np.roll(y, -1)[k] > latitude) & (side[k] > 0)
            down = (y[k] > latitude) & (np.roll(y, -1)[k] <= latitude) & (side[k] < 0)
            winding += up.astype(int) - down.astype(int)
        return winding != 0
    east, north = on_map(row["projection"], latitude, longitude)
    if row["kind"] == "origin":
        west, south, columns, lines, step = values
        return (
            (west <= east) & (east <= west + (columns - 1) * step)
            & (south <= north) & (north <= south + (lines - 1) * step)
        )  # fmt: skip
    corner_east, corner_north = (np.sort(axis) for axis in on_map(row["projection"], values[::2], values[1::2]))
    return (
        (corner_east[0] <= east) & (east <= corner_east[1])
        & (corner_north[0] <= north) & (north <= corner_north[1])
    )  # fmt: skip


@pytest.fixture(scope="module")
def land():
    """Return 2,000 random places over land, evenly over all latitudes, always the same."""
    globe = pytest.importorskip("global_land_mask").globe
    random = np.random.default_rng(20260310)
    latitude, longitude = random.uniform(-89.9, 89.9, 40_000), random.uniform(-180, 180, 40_000)
    over = globe.is_land(latitude, longitude)
    return latitude[over][:2000], longitude[over][:2000]


@pytest.fixture(scope="module")
def covering(land):
    """Return by model and ensemble which of the places its published grid covers; those without a row cover all."""
    latitude, longitude = land
    found = {row["model"]: inside(row, latitude, longitude) for row in rows()}
    everywhere = np.ones(latitude.size, dtype=bool)
    return {name: found.get(name, everywhere) for name in (*MODELS, *ENSEMBLES)}


@pytest.mark.thorough
def test_every_outline_is_that_of_the_published_grid(land, covering):
    latitude, longitude = land
    assert latitude.size == 2000
    for name, there in covering.items():
        outline = (MODELS | ENSEMBLES)[name].outline
        if name == "ncep_nbm_conus":
            continue  # a blend, never chosen
        ours = np.array([outline.covers(a, b) for a, b in zip(latitude, longitude, strict=True)])
        assert np.array_equal(ours, there), name


@pytest.mark.thorough
def test_no_grid_of_the_reference_is_empty_or_the_world(covering):
    dense = np.meshgrid(np.linspace(-89, 89, 179), np.linspace(-179, 179, 359))
    for row in rows():
        share = inside(row, *(axis.ravel() for axis in dense)).mean()
        assert 0.0 < share < 0.3, row["model"]


@pytest.mark.thorough
@pytest.mark.parametrize("days", [2, 7, 14])
def test_every_place_has_the_finest_model_that_covers_it(land, covering, days):
    end = NOW.astype("datetime64[D]").astype("datetime64[s]") + np.timedelta64(days, "D")
    wanted = Wanted(NOW, end, 60.0)
    chosen = Counter()
    for k, (latitude, longitude) in enumerate(zip(*land, strict=True)):
        site = Site("there", float(latitude), float(longitude))
        plan = plan_models([site], wanted, NOW)
        assert plan.models, "no place without a model"
        first = plan.models[0].name
        expected = next(name for name in BY_HAND if covering[name][k])
        assert first == expected, (latitude, longitude)
        assert all(covering[model.name][k] for model in plan.asked)
        reach = [reaches_for_sure(model, NOW) for model in plan.models]
        assert reach == sorted(reach)
        assert reach[-1] >= min(end + AROUND, NOW + np.timedelta64(24 * 14, "h"))
        for name in BY_THEMSELVES:
            assert any(m.provides_name(name) for m in plan.asked), name
        chosen[first] += 1
    assert {"icon_d2", "ncep_hrrr_conus", "cmc_gem_hrdps", "ecmwf_ifs", "icon_eu"} <= set(chosen)


@pytest.mark.parametrize("days", [2, 7, 14])
def test_every_place_has_the_finest_ensemble_that_covers_it(land, covering, days):
    end = NOW.astype("datetime64[D]").astype("datetime64[s]") + np.timedelta64(days, "D")
    wanted = Wanted(NOW, end, 60.0)
    for k, (latitude, longitude) in enumerate(zip(*land, strict=True)):
        found = choose_ensembles([Site("there", float(latitude), float(longitude))], wanted, NOW)
        assert found, "no place without an ensemble"
        able = {
            e.name: e.resolution_km for e in ENSEMBLES.values()
            if covering[e.name][k] and e.members >= FEWEST_MEMBERS and reaches_for_sure(e, NOW) >= end
        }  # fmt: skip
        assert found[0].name in able
        assert found[0].resolution_km < 1.3 * min(able.values())


def test_the_order_of_all_models_is_the_one_written_by_hand():
    ranked = []
    for site in (Site("a", 52.3, 6.8), Site("b", 47.0, -84.0), Site("c", -35.0, 149.0)):
        names = [m.name for m in rank_models([site], 60.0)]
        assert names == [name for name in BY_HAND if name in names]
        ranked += names
    assert set(ranked) == set(BY_HAND)


def test_a_model_with_wind_at_10_m_alone_carries_none_to_flight_height():
    oslo = [Site("oslo", 59.9, 10.7)]
    assert "metno_nordic" not in [m.name for m in rank_models(oslo, 60.0)]
    assert rank_models(oslo, 10.0)[0].name == "metno_nordic"


def test_a_blend_of_models_is_never_chosen():
    assert "ncep_nbm_conus" not in [m.name for m in rank_models([Site("ny", 40.7, -74.0)], 60.0)]


def test_sites_asked_together_have_one_model_that_covers_all():
    heath, valley = Site("heath", 52.31, 6.84), Site("valley", -46.6, 9.6)
    wanted = Wanted(NOW, NOW + np.timedelta64(36, "h"), 60.0)
    assert plan_models([heath], wanted, NOW).models[0].name == "icon_d2"
    assert plan_models([heath, valley], wanted, NOW).models[0].name == "ecmwf_ifs"


def test_a_model_that_failed_is_left_out():
    heath, wanted = [Site("heath", 52.31, 6.84)], Wanted(NOW, NOW + np.timedelta64(30, "h"), 60.0)
    failed = []
    for _ in range(len(BY_HAND)):
        plan = plan_models(heath, wanted, NOW, without=failed)
        if not plan.models:
            break
        failed.append(plan.models[0].name)
    assert failed == [name for name in BY_HAND if name in failed]
    assert len(failed) > 8


def test_a_day_far_ahead_asks_no_model_that_ends_before_it():
    start = NOW + np.timedelta64(6, "D")
    plan = plan_models([Site("heath", 52.31, 6.84)], Wanted(start, start + np.timedelta64(1, "D"), 60.0), NOW)
    assert [m.name for m in plan.models] == ["ecmwf_ifs"]
