import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wxfly.errors import WxflyError
from wxfly.units import SYSTEMS, UNITS, from_si, parse_quantity, to_si

# The yard and pound agreement of 1959 (1 ft = 0.3048 m), the international nautical mile (1852 m), BIPM SI brochure.
CHECKS = [
    (10, "kt", 5.144444),
    (24, "mph", 10.72896),
    (36, "km/h", 10.0),
    (400, "ft", 121.92),
    (3, "mi", 4828.032),
    (0, "degC", 273.15),
    (32, "degF", 273.15),
    (212, "degF", 373.15),
    (1013.25, "hPa", 101325.0),
    (29.92126, "inHg", 101325.0),
    (0.1, "in/h", 2.54),
    (249, "g", 0.249),
]


@pytest.mark.parametrize(("value", "unit", "si"), CHECKS)
def test_units_by_definition(value, unit, si):
    assert to_si(value, unit) == pytest.approx(si, rel=1e-6)
    assert from_si(si, unit) == pytest.approx(value, rel=1e-6, abs=1e-9)


@given(unit=st.sampled_from(sorted(UNITS)), value=st.floats(-1e4, 1e4))
def test_there_and_back(unit, value):
    assert from_si(to_si(value, unit), unit) == pytest.approx(value, abs=1e-6)


def test_unknown_stays_unknown():
    assert np.isnan(to_si(np.nan, "kt"))


def test_every_system_shows_every_quantity_in_a_known_unit():
    quantities = set(SYSTEMS["metric"])
    for system in SYSTEMS.values():
        assert set(system) == quantities
        assert set(system.values()) <= set(UNITS)


@pytest.mark.parametrize(
    ("text", "quantity", "default", "si"),
    [
        ("80", "length", "m", 80),
        ("80m", "length", "m", 80),
        ("260 ft", "length", "m", 79.248),
        ("1.5h", "time", "min", 5400),
    ],
)
def test_a_number_with_an_optional_unit(text, quantity, default, si):
    assert parse_quantity(text, quantity, default) == pytest.approx(si)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("eighty", "write a number and one of"),
        ("80 fet", "did you mean 'ft'"),
        ("80 kt", "unit of length 'kt'"),
        ("", "write"),
    ],
)
def test_what_is_no_quantity_is_refused(text, words):
    with pytest.raises(WxflyError, match=words):
        parse_quantity(text, "length", "m")
