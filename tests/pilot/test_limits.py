"""The pilot's own limits for today: read in the pilot's units, and known as looser where they are."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wxfly.errors import WxflyError
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.elements import BY_NAME
from wxfly.pilot.limits import SETTABLE, limit_fields, limit_with_unit, limits_for, read_limit

USUAL = limits_for(find_aircraft("camera-quad-250g"))


@pytest.mark.parametrize(
    ("text", "units", "values"),
    [
        ("gust=8m/s", "imperial", {"maximum_gust": 8.0}),
        ("gust=10", "imperial", {"maximum_gust": 4.4704}),
        ("wind = 36 km/h", "metric", {"maximum_wind": 10.0}),
        ("visibility=3", "metric", {"minimum_visibility": 3000.0}),
        ("precipitation=0", "metric", {"maximum_precipitation": 0.0}),
        ("cloud_base=100m", "metric", {"cloud_separation": 100.0}),
        ("kp=4", "metric", {"maximum_kp": 4.0}),
        ("temperature=-5degC..30degC", "metric", {"minimum_temperature": 268.15, "maximum_temperature": 303.15}),
    ],
)
def test_a_limit_is_read_into_si(text, units, values):
    own = read_limit(text, units)
    assert own.values == pytest.approx(values)
    assert own.values == pytest.approx(read_limit(limit_with_unit(text, units), "metric").values)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("gsut=8m/s", "limit of 'gsut' is not known; did you mean 'gust'"),
        ("icing=1", "the limit of icing cannot be set; one of: wind, gust"),
        ("gust", "wanted ELEMENT=VALUE, such as gust=8m/s"),
        ("gust=", "wanted ELEMENT=VALUE"),
        ("gust=8km", "unit of speed 'km' is not known"),
        ("gust=0m/s", "is not above zero"),
        ("gust=-3m/s", "is not above zero"),
        ("kp=nan", "is not a number"),
        ("temperature=5degC", "wants both ends"),
        ("temperature=30degC..5degC", "ends exchanged"),
        ("gust=3m/s..8m/s", "wants one value"),
    ],
)
def test_what_is_no_limit_is_refused_with_a_way_out(text, told):
    with pytest.raises(WxflyError) as fault:
        read_limit(text, "metric")
    assert told in str(fault.value)


@pytest.mark.parametrize("name", SETTABLE)
@given(share=st.floats(0.2, 3.0))
def test_a_limit_is_looser_exactly_where_it_allows_more(name, share):
    """A limit of another aircraft may then only be tightened by it."""
    field = limit_fields(BY_NAME[name])[-1]
    usual = getattr(USUAL, field)
    if usual is None:
        return
    value = usual * share
    own = read_limit(f"{name}=1" if name == "kp" else f"{name}={_one(name)}", "metric")
    own = type(own)(name, {**{f: getattr(USUAL, f) for f in own.values}, field: value})
    is_least = field.startswith("minimum_") or field == "cloud_separation"
    looser = value < usual if is_least else value > usual
    assert bool(own.looser_fields(USUAL)) is looser
    tightened = getattr(own.applied_to(USUAL, only_stricter=True), field)
    assert tightened == (usual if looser else value)
    assert getattr(own.applied_to(USUAL), field) == value


def _one(name):
    return {"temperature": "1degC..2degC", "precipitation": "1mm/h"}.get(
        name, "1m/s" if BY_NAME[name].quantity == "wind" else "1m"
    )


def test_a_limit_of_kp_may_be_looser_than_that_of_the_place():
    assert read_limit("kp=4", "metric").looser_fields(USUAL) == ("maximum_kp",)


def test_whose_limit_it_is_stands_beside_it():
    own = read_limit("gust=8m/s", "metric", "plan roof")
    assert own.applied_to(USUAL).sources["maximum_gust"] == "yours from plan roof"
    assert read_limit("gust=8m/s", "metric").applied_to(USUAL).sources["maximum_gust"] == "yours for today"
