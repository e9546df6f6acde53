import pytest

from wxfly.errors import WxflyError
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.pilot.rules import DEFAULT, STANDINGS, find_rules, load_rules

# 14 CFR 107.51: 400 ft, 3 statute miles, 500 ft below cloud; 107.29: 30 minutes.
# (EU) 2019/947 UAS.OPEN.010: 120 m.
PUBLISHED = [
    ("us", "height_limit", 121.92),
    ("us", "minimum_visibility", 4828.032),
    ("us", "cloud_separation", 152.4),
    ("us", "cloud_separation_horizontal", 609.6),
    ("us", "maximum_ground_speed", 44.756),
    ("us", "daylight_rule", "half_hour"),
    ("eu_open", "height_limit", 120.0),
    ("eu_open", "minimum_visibility", 5000.0),
    ("uk", "height_limit", 120.0),
]


@pytest.mark.parametrize(("rules", "limit", "value"), PUBLISHED)
def test_the_published_figures(rules, limit, value):
    found = find_rules(rules).limits[limit].value
    assert found == (value if isinstance(value, str) else pytest.approx(value, rel=1e-3))


def test_every_limit_says_where_it_stands_and_when_it_was_read():
    for rules in load_rules().values():
        assert "prevail" in rules.reminder
        for limit in rules.limits.values():
            assert limit.paragraph != ""
            assert limit.read in ("2026-11-25", "2026-11-28", "from memory")
            assert ("from memory" in (limit.paragraph or "")) == (limit.read == "from memory")
            assert limit.standing == "common practice" or limit.paragraph is not None


def test_limits_follow_the_rule_set():
    aircraft = find_aircraft("camera-quad-250g")
    us, own = limits_for(aircraft, find_rules("us")), limits_for(aircraft)
    assert us.height_limit == pytest.approx(121.92)
    assert us.daylight_rule == "half_hour"
    assert own.daylight_rule == find_rules(DEFAULT).daylight_rule == "civil_twilight"
    assert "107.51(b)" in us.sources["height_limit"]


OWN = """[club]
height_limit = "300 ft"
minimum_visibility = "3 km"
cloud_separation = "0 m"
daylight_rule = "sun_up"
"""


def test_the_pilots_own_rules(tmp_path):
    path = tmp_path / "rules.toml"
    path.write_text(OWN)
    club = find_rules("club", path)
    assert club.limits["height_limit"].value == pytest.approx(91.44)
    assert club.limits["height_limit"].source.startswith("the pilot's own file")
    assert {"us", "club"} <= set(load_rules(path))


FAULTS = [
    ("height_limit", "heigth_ceiling", "did you mean 'height_limit'?"),
    ('"300 ft"', '"300 yards"', "unit of length 'yards' is not known"),
    ('"300 ft"', '"300"', "needs its unit, one of ft"),
    ('"300 ft"', "300", "must be a text with its unit"),
    ('"300 ft"', '"-1 m"', "must not be below zero"),
    ('"sun_up"', '"sunup"', "did you mean 'sun_up'?"),
    ('cloud_separation = "0 m"\n', "", "has no cloud_separation"),
    ('"300 ft"', '{ value = "300 ft", standing = "rumour" }', "standing 'rumour' is not known"),
    ('"300 ft"', '{ value = "300 ft", notes = "x" }', "did you mean 'note'?"),
]


@pytest.mark.parametrize(("right", "wrong", "words"), FAULTS)
def test_a_fault_in_the_pilots_rules_is_told_in_one_line(tmp_path, right, wrong, words):
    assert right in OWN
    path = tmp_path / "rules.toml"
    path.write_text(OWN.replace(right, wrong))
    with pytest.raises(WxflyError) as caught:
        find_rules("club", path)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_an_unknown_rule_set_gets_the_nearest_name():
    with pytest.raises(WxflyError, match="did you mean 'eu_open'"):
        find_rules("eu-open")


def test_a_set_may_allow_night_and_names_the_light(tmp_path):
    own = tmp_path / "rules.toml"
    own.write_text(
        '[night]\nheight_limit = "90 m"\nminimum_visibility = "5 km"\ncloud_separation = "150 m"\n'
        'daylight_rule = "any"\naircraft_light = "a white flashing light"\n'
    )
    limits = limits_for(find_aircraft("camera-quad-250g"), find_rules("night", own))
    assert limits.daylight_rule == "any"
    assert limits.aircraft_light == "a white flashing light"


def test_every_shipped_line_is_law_with_its_paragraph_or_says_what_else_it_is():
    for rule_set in load_rules().values():
        for limit in rule_set.limits.values():
            assert limit.standing in STANDINGS
            if limit.standing == "law":
                assert limit.paragraph is not None
        assert rule_set.limits["aircraft_light"].written


@pytest.mark.parametrize(
    ("given", "name"), [("eu", "eu_open"), ("open", "eu_open"), ("EU_Open", "eu_open"), ("uk", "uk")]
)
def test_a_word_or_the_beginning_of_one_name_finds_a_set(given, name):
    assert find_rules(given).name == name


def test_a_beginning_of_several_names_is_refused_with_the_names():
    with pytest.raises(WxflyError, match="rule set 'u' may be us or uk; give the whole name"):
        find_rules("u")
    with pytest.raises(WxflyError, match="did you mean 'eu_open'"):
        find_rules("eu_opne")
