"""From the pilot's words to one typed question."""

import pytest

from wxfly.errors import WxflyError
from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.options import Words, read_words
from wxfly.pilot.settings import sites_file
from wxfly.pilot.site import Site, save_site
from wxfly.question.question import part_one_place, read_direction, read_question


def test_a_question_is_read_into_si():
    words = Words(
        units="imperial", height="100", distance="1000ft", toward="SW", confidence=0.8, ensemble=("a, b", "c")
    )
    question = read_question("compare", ["heath@60ft", "meadow"], words)
    assert [(p.words, round(p.height, 2)) for p in question.places] == [("heath", 18.29), ("meadow", 30.48)]
    assert question.sortie.distance == pytest.approx(304.8)
    assert question.toward == 225.0
    assert (question.confidence, question.limits.confidence) == (0.8, 0.8)
    assert question.forecast.ensembles == ("a", "b", "c")


def test_without_a_word_about_a_flight_there_is_no_sortie():
    assert read_question("best", [], Words()).sortie is None
    assert read_question("best", [], Words(), with_sortie=True).sortie is not None


def test_the_limits_of_another_aircraft_keep_what_the_pilot_asks():
    question = read_question("best", [], Words(reserve=0.3, advised=("icing",), launch_limit="4m/s"))
    other = question.limits_with(find_aircraft("cine-hexacopter"))
    assert (other.reserve, other.accepted, other.maximum_gust_at_launch) == (0.3, ("icing",), 4.0)
    assert other.maximum_wind != question.limits.maximum_wind


def test_a_misspelt_word_is_refused_with_the_nearest():
    with pytest.raises(WxflyError, match="option 'hieght' is not known; did you mean 'height'"):
        read_words({"hieght": "80m"})


@pytest.mark.parametrize(
    ("given", "option", "places", "day"),
    [
        ([], None, [], None),
        (["meadow"], None, ["meadow"], None),
        (["meadow", "Saturday"], None, ["meadow"], "Saturday"),
        (["2026-03-15"], None, [], "2026-03-15"),
        (["meadow"], "today", ["meadow"], "today"),
    ],
)
def test_the_last_word_may_be_the_day(own_folders, given, option, places, day):
    assert part_one_place(given, option) == (places, day)


def test_words_that_are_too_many_are_refused_with_the_way_out(own_folders):
    with pytest.raises(WxflyError, match="'mondy' is not a day; did you mean 'monday'"):
        part_one_place(["meadow", "mondy"], None)
    with pytest.raises(WxflyError, match="two days are named"):
        part_one_place(["meadow", "monday"], "today")
    with pytest.raises(WxflyError, match="3 places are named"):
        part_one_place(["a", "b", "c"], None)


def test_a_saved_site_that_is_called_as_a_day_stays_a_site(own_folders):
    save_site(sites_file(), Site("saturday", 52.1, 6.9))
    assert part_one_place(["saturday"], None) == (["saturday"], None)


@pytest.mark.parametrize("text", ["SW", "sw", "southwest", "south-west", "South West", "225", "225°", "225 deg"])
def test_a_direction_is_read_in_its_usual_spellings(text):
    assert read_direction(text) == 225.0
