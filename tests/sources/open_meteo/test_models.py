"""The table of models."""

import pytest

from wxfly.errors import WxflyError
from wxfly.pilot.settings import DEFAULT_MODEL
from wxfly.sources.open_meteo.models import MODELS, find_model


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
