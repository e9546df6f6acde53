"""The table of models, and heights that are made up."""

import math

import numpy as np
import pytest

from wxfly.errors import WxflyError
from wxfly.pilot.settings import DEFAULT_MODEL
from wxfly.sources.open_meteo.models import MODELS, drop_rescaled_heights, find_model, rescaling_factor


@pytest.mark.parametrize("model", MODELS.values(), ids=lambda m: m.name)
def test_every_row_is_whole(model):
    assert model.wind_heights[0] == 10
    assert list(model.wind_heights) == sorted(set(model.wind_heights))
    assert set(model.temperature_heights) <= set(model.wind_heights)
    assert model.gust_covers_hours[0] <= 0 <= model.gust_covers_hours[1]
    assert 0 < model.range_days <= 16
    assert model.institution
    assert model.license


def test_the_default_model_serves_every_place_for_more_than_a_week():
    model = find_model(DEFAULT_MODEL)
    assert model.region == "world"
    assert model.range_days >= 8
    assert max(model.wind_heights) >= 80


def test_a_misspelt_model_gets_the_nearest_name():
    with pytest.raises(WxflyError, match="did you mean 'icon_eu'"):
        find_model("icon-eu")


def test_the_fixed_ratio_is_that_of_fao_56():
    """Allen et al. (1998), FAO-56, equation 47 and example 14: 3.2 m/s at 10 m is 2.4 m/s at 2 m."""
    assert 3.2 * rescaling_factor(2, 10) == pytest.approx(2.4, abs=0.05)
    assert rescaling_factor(2, 10) == pytest.approx(4.87 / math.log(67.8 * 10 - 5.42), rel=1e-3)


def profile(exponent, heights, hours=24, seed=1):
    rng = np.random.default_rng(seed)
    at10 = 2 + 6 * rng.random(hours)
    bend = exponent + 0.1 * rng.standard_normal(hours)
    return {"wind_speed": {h: np.round(at10 * (h / 10) ** bend, 1) for h in heights}}


def test_true_levels_are_all_kept():
    levels, dropped = drop_rescaled_heights(profile(0.2, (10, 80, 100, 120, 180)))
    assert list(levels["wind_speed"]) == [10, 80, 100, 120, 180]
    assert dropped == []


@pytest.mark.parametrize(("made", "origin"), [(80, 100), (120, 100), (120, 150), (180, 200), (200, 180), (100, 70)])
def test_each_made_up_height_is_found(made, origin):
    levels = profile(0.2, (10, origin))
    speed = levels["wind_speed"]
    speed[made] = np.round(speed[origin] * rescaling_factor(made, origin), 1)
    kept, dropped = drop_rescaled_heights(levels)
    assert sorted(kept["wind_speed"]) in ([10, origin], [10, made])  # of a pair, either says it all
    assert len(dropped) == 1


def test_two_hours_are_too_few_to_tell_and_a_calm_is_no_proof():
    two = {h: np.array([5.0, 6.0]) * rescaling_factor(h, 100) for h in (100, 120)}
    assert drop_rescaled_heights({"wind_speed": two})[1] == []
    calm = {h: np.full(24, 0.1) for h in (100, 120)}
    assert drop_rescaled_heights({"wind_speed": calm})[1] == []
