"""Percentiles that a source gives: read, carried to flight height, and never a reason to be surer."""

import numpy as np
import pytest

from tests.cubes import START, quiet_cube
from tests.probability.test_chance import members_cube
from tests.report.briefings import brief
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import State
from wxfly.cube.contract import attributes_of, check_forecast, mark_provided
from wxfly.probability.chance import PERCENTILES, spreads_of
from wxfly.report.facts.answer import facts_of
from wxfly.report.facts.writing import Clock, Reader
from wxfly.report.text.details import sure_in_full


def with_percentiles(wind=None, temperature=None, hours=36):
    """Return a quiet day with so much between its percentiles."""
    cube = quiet_cube(hours)
    middle = {"wind": cube["wind_speed"].sel(height=10.0, drop=True), "temperature": cube["air_temperature"]}
    for element, width in (("wind", wind), ("temperature", temperature)):
        if width is None:
            continue
        for name, sign in zip(PERCENTILES[element], (-0.5, 0.5), strict=True):
            values = np.maximum(middle[element].values + sign * np.asarray(width), 0.0)
            cube[name] = ("time", np.broadcast_to(values, cube.sizes["time"]).copy(), attributes_of(name))
    return check_forecast(mark_provided(cube), place="a test")


def spreads(cube):
    return spreads_of(cube, derive(cube, height=60.0, end=START + np.timedelta64(24, "h")))


def test_half_the_distance_over_the_normal_quantile():
    found = spreads(with_percentiles(temperature=2 * 1.2815515655))
    assert found.keys() == {"temperature"}
    assert found["temperature"] == pytest.approx(1.0)


def test_wind_and_gust_are_carried_by_the_ratio_of_the_winds():
    cube = with_percentiles(wind=2 * 1.2815515655)  # about 2 m/s at 10 m: the lower one stays above zero
    conditions = derive(cube, height=60.0, end=START + np.timedelta64(24, "h"))
    found = spreads_of(cube, conditions)
    ratio = conditions["wind_speed"].max("edge").values / 2.0
    assert (ratio > 1).all()
    assert found["wind"] == pytest.approx(ratio)
    assert (found["gust"] > found["wind"]).all()


def test_without_percentiles_there_is_nothing():
    assert spreads(quiet_cube()) == {}
    assert spreads_of(None, derive(quiet_cube(), height=60.0)) == {}


@pytest.mark.parametrize("temperature", [308.0, 318.0])
def test_an_hour_that_has_lost_its_percentiles_is_no_surer_within_the_limit_and_no_better_beyond_it(temperature):
    def chance(lost):
        width = np.full(36, 4.0)
        width[20:30] = 12.0
        cube = with_percentiles(temperature=width)
        for name in ("air_temperature", *PERCENTILES["temperature"]):
            cube[name].values[:] += temperature - 290.15
        if lost:
            for name in PERCENTILES["temperature"]:
                cube[name].values[11:14] = np.nan
        answer = brief(cubes=[cube]).answers[0]
        return answer.site_chance.hours.values, answer.assessment["margin"].sel(element="temperature").values

    (whole, margin), (lost, _) = chance(lost=False), chance(lost=True)
    assert ((margin[2:] < 0) == (temperature > 313.0)).all()
    assert not (lost > whole + 1e-12).any() and (np.isnan(lost) == np.isnan(whole)).all()
    assert temperature > 313.0 or (lost < whole - 1e-6).any()


def test_percentiles_out_of_order_are_no_spread():
    assert spreads(with_percentiles(temperature=-4.0)) == {}


@pytest.mark.thorough
@pytest.mark.parametrize("width", [0.1, 1.0, 3.0, 6.0])
def test_a_wide_spread_makes_less_sure_and_a_narrow_one_never_surer(width):
    plain, spread = brief().answers[0], brief(cubes=[with_percentiles(wind=width)]).answers[0]
    known = ~np.isnan(plain.site_chance.hours.values)
    difference = (plain.site_chance.hours.values - spread.site_chance.hours.values)[known]
    assert (difference >= -1e-12).all()
    if width == 6.0:
        assert difference.max() > 0.02
    assert (spread.assessment["state"].values >= State.NARROW).sum() == (
        plain.assessment["state"].values >= State.NARROW
    ).sum()


def test_the_answer_says_whose_spread_it_is():
    briefing = brief(cubes=[with_percentiles(wind=3.0, temperature=2.0)])
    (site,) = facts_of(briefing).sites
    words = sure_in_full(site, site.windows[0], Reader("metric", Clock("UTC")))
    assert "from one forecast, the spread of gust, temperature and wind that its source gives" in words
    assert facts_of(briefing).sites[0].chance_basis.spread_of_source == ["gust", "temperature", "wind"]
    assert facts_of(brief()).sites[0].chance_basis.spread_of_source == []


@pytest.mark.thorough
def test_with_members_the_members_count():
    members = [members_cube(21).expand_dims("site")]
    plain, spread = (
        brief(cubes=[c], ensembles=members).answers[0] for c in (quiet_cube(36), with_percentiles(wind=6.0))
    )
    assert np.array_equal(plain.site_chance.hours.values, spread.site_chance.hours.values, equal_nan=True)
    assert spread.site_chance.by_percentiles == ()
