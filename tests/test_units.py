import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wxfly.errors import WxflyError
from wxfly.units import SYSTEMS, UNITS, QuantityError, errors_in, from_si, parse_quantity, read_share, to_si

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


@pytest.mark.parametrize(
    ("text", "quantity", "si"),
    [
        ("1h30", "time", 5400.0),
        ("1 h 30 min", "time", 5400.0),
        ("1h30m", "time", 5400.0),
        ("1:30", "time", 5400.0),
        ("1:30 h", "time", 5400.0),
        ("90 s", "time", 90.0),
        ("90min", "time", 5400.0),
        ("2 hours", "time", 7200.0),
        ("36 kph", "speed", 10.0),
        ("36kmh", "speed", 10.0),
        ("36 KM/H", "speed", 10.0),
        ("10 knots", "speed", 5.144444),
        ("10kn", "speed", 5.144444),
        ("400 feet", "length", 121.92),
        ("3 statute miles", "length", 4828.032),
        ("3SM", "length", 4828.032),
        ("7,5 m/s", "speed", 7.5),
        ("0,250 kg", "mass", 0.25),
        ("20 C", "temperature", 293.15),
    ],
)
def test_the_usual_spellings_are_read(text, quantity, si):
    assert parse_quantity(text, quantity, "?") == pytest.approx(si)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("1,500 ft", "two ways"),
        ("30min1h", "larger unit first"),
        ("1h1h", "larger unit first"),
        ("5 5", "not a"),
        ("1h-30", "not known"),
    ],
)
def test_what_may_be_read_in_two_ways_is_refused(text, words):
    with pytest.raises(WxflyError, match=words):
        parse_quantity(text, "length" if "ft" in text else "time", "min")


def test_a_spelling_belongs_to_one_unit_of_a_quantity():
    for unit in UNITS.values():
        for name in (unit.symbol, unit.written, *unit.spellings, *unit.typed):
            if name and name[0] not in "1(":
                assert parse_quantity(f"1 {name}", unit.quantity, "?") == pytest.approx(float(unit.to_si(1)))


@pytest.mark.parametrize(("given", "share"), [("0.2", 0.2), ("20%", 0.2), ("20 %", 0.2), ("0,2", 0.2), (0.3, 0.3)])
def test_a_share_is_read(given, share):
    assert read_share(given, "reserve") == pytest.approx(share)


@pytest.mark.parametrize("given", ["20", "a fifth", "20 m"])
def test_what_is_no_share_is_refused(given):
    with pytest.raises(WxflyError, match=r"reserve of .* is not a share; wanted one such as 0\.2 or 20%"):
        read_share(given, "reserve")


def test_an_error_about_a_quantity_is_in_the_units_of_the_pilot():
    fault = QuantityError("a height of {height} is above {limit}", "height", height=152.4, limit=121.92)
    assert str(fault) == "a height of 152.4 m is above 121.9 m"
    with pytest.raises(WxflyError, match=r"^a height of 500 ft is above 400 ft$"), errors_in("aviation"):
        raise fault
