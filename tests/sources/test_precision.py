"""How exactly a place is sent: no more than the answer hangs on."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wxfly.pilot.site import Site, distance_km
from wxfly.sources.open_meteo.models import MODELS
from wxfly.sources.reply import COARSE_KM, are_known, sent_coordinates


@pytest.mark.parametrize(
    ("mesh", "known", "decimals"),
    [(25.0, True, 2), (5.0, True, 2), (4.9, True, 3), (1.0, True, 3), (25.0, False, 4), (1.0, False, 4)],
)
def test_the_decimals_by_mesh_and_ground(mesh, known, decimals):
    sent = sent_coordinates([(52.123456, -6.987654)], mesh, ground_known=known)
    assert sent == (f"{52.123456:.{decimals}f}", f"{-6.987654:.{decimals}f}")


@given(st.floats(-89, 89), st.floats(-179, 179), st.sampled_from(sorted(MODELS)))
def test_what_is_sent_is_a_small_part_of_a_cell_away(latitude, longitude, name):
    mesh = MODELS[name].resolution_km
    sent = sent_coordinates([(latitude, longitude)], mesh, ground_known=True)
    away = distance_km(latitude, longitude, *map(float, sent))
    assert away < 0.16 * max(mesh, 1.0)
    if mesh >= COARSE_KM:
        assert all(len(text.rsplit(".", 1)[1]) == 2 for text in sent)


def test_the_ground_is_known_for_all_or_not():
    assert are_known([1.0, 2.0])
    assert not are_known([1.0, math.nan])
    assert not are_known(None)


@pytest.mark.thorough
def test_every_service_of_forecasts_is_told_no_more(server, own_folders):
    from wxfly.pilot.settings import load_settings
    from wxfly.sources.open_meteo.ensemble import get_ensemble
    from wxfly.sources.open_meteo.forecast import get_forecast
    from wxfly.sources.open_meteo.runs import get_previous_runs

    settings = load_settings()
    site = Site("heath", 52.31234, 6.84321, 31.0)
    get_forecast([site], "icon_eu", settings=settings)
    get_forecast([site], "icon_d2", settings=settings)
    get_ensemble([site], "icon_eu_eps", settings=settings)
    get_previous_runs(site, "icon_eu", settings=settings)
    sent = [(a.service, a.query["latitude"], a.query["longitude"]) for a in server.log if "latitude" in a.query]
    assert sent == [
        ("forecast", "52.31", "6.84"), ("forecast", "52.312", "6.843"), ("ensemble", "52.31", "6.84"),
        ("previous_runs", "52.31", "6.84"),
    ]  # fmt: skip
