import pytest

from wxfly.errors import WxflyError
from wxfly.pilot.aircraft import DEFAULT, find_aircraft, load_aircraft, parse_aircraft
from wxfly.pilot.limits import check_height, limits_for

OWN = """
[mine]
title = "my own"
kind = "multirotor"
maximum_wind = "18 kt"
maximum_gust = "26 mph"
minimum_temperature = "14 degF"
maximum_temperature = "40 degC"
maximum_precipitation = "0 mm/h"
maximum_takeoff_altitude = { value = "9842.52 ft", source = "my manual, page 7" }
"""


FIGURES = (
    "maximum_wind", "maximum_gust", "minimum_temperature", "maximum_temperature", "maximum_takeoff_altitude",
    "maximum_precipitation", "mass", "characteristic_dimension",
)  # fmt: skip


def test_the_shipped_classes_are_there_with_a_source_for_every_figure():
    table = load_aircraft()
    assert len(table) >= 6
    assert DEFAULT in table
    for one in table.values():
        for key in FIGURES:
            assert one.sources[key], f"{one.name}: {key} has no source"


def test_the_gust_limit_of_the_small_quad_is_the_top_of_beaufort_5():
    # Beaufort 6 begins at 10.8 m/s (WMO table 1100).
    assert find_aircraft("camera-quad-250g").maximum_gust == pytest.approx(10.7)


def test_the_pilots_own_units_become_si():
    mine = parse_aircraft(OWN, "a test")["mine"]
    assert mine.maximum_wind == pytest.approx(9.26)
    assert mine.maximum_gust == pytest.approx(11.623, abs=1e-3)
    assert mine.minimum_temperature == pytest.approx(263.15)
    assert mine.maximum_takeoff_altitude == pytest.approx(3000.0, abs=0.01)
    assert mine.sources["maximum_takeoff_altitude"] == "my manual, page 7"
    assert mine.sources["maximum_gust"] == "the pilot's own file"


def test_the_pilots_own_file_adds_and_overrides(tmp_path):
    own = tmp_path / "aircraft.toml"
    own.write_text(OWN + OWN.replace("[mine]", f"[{DEFAULT}]"))
    table = load_aircraft(own)
    assert table[DEFAULT].title == "my own"
    assert "mine" in table
    assert load_aircraft(tmp_path / "absent.toml").keys() == load_aircraft().keys()


FAULTS = [
    ('maximum_gust = "26 mph"', 'maximum_gusts = "26 mph"', "did you mean 'maximum_gust'?"),
    ('maximum_gust = "26 mph"', 'maximum_gust = "26 mhp"', "did you mean 'mph'?"),
    ('maximum_gust = "26 mph"', 'maximum_gust = "26 m"', "unit of speed 'm' is not known"),
    ('maximum_gust = "26 mph"', 'maximum_gust = "26"', "26 needs its unit, one of km/h"),
    ('maximum_gust = "26 mph"', "maximum_gust = 26", "must be a text with its unit"),
    ('maximum_gust = "26 mph"', "", "has no maximum_gust"),
    ('maximum_gust = "26 mph"', 'maximum_gust = "5 kt"', "are the two swapped?"),
    ('maximum_gust = "26 mph"', 'maximum_gust = "-5 kt"', "must be above zero"),
    ('minimum_temperature = "14 degF"', 'minimum_temperature = "50 degC"', "is not below maximum_temperature"),
    ('kind = "multirotor"', 'kind = "multirottor"', "did you mean 'multirotor'?"),
    ('kind = "multirotor"', "kind = 4", "must be a text in quotes"),
    ("source =", "sauce =", "did you mean 'source'?"),
    ("[mine]", "[mine", "not a TOML file"),
]


@pytest.mark.parametrize(("right", "wrong", "words"), FAULTS)
def test_a_fault_in_the_pilots_file_is_told_in_one_line(right, wrong, words):
    assert right in OWN
    with pytest.raises(WxflyError) as caught:
        parse_aircraft(OWN.replace(right, wrong), "aircraft.toml")
    assert words in str(caught.value)
    assert "aircraft.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_an_unknown_aircraft_gets_the_nearest_name():
    with pytest.raises(WxflyError, match="did you mean 'cine-hexacopter'"):
        find_aircraft("cine-hexcopter")


def test_a_height_above_the_ceiling_is_refused():
    limits = limits_for(find_aircraft(DEFAULT))
    check_height(120.0, limits)
    check_height(400 * 0.3048 - 1.92, limits)
    for height, words in (
        (121.0, "above the height limit of 120 m"),
        (0.0, "not above the ground"),
        (-5.0, "not above"),
    ):
        with pytest.raises(WxflyError, match=words):
            check_height(height, limits)


def test_limits_name_their_elements():
    aircraft = find_aircraft(DEFAULT)
    with pytest.raises(WxflyError, match="did you mean 'visibility'"):
        limits_for(aircraft, required=("visability",))
    with pytest.raises(WxflyError, match="is not a share"):
        limits_for(aircraft, reserve=20)
    assert "kp" in limits_for(aircraft).advised
