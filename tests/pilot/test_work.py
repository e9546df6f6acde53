"""What a pilot means to do, from the words of a command line."""

import numpy as np
import pytest

from wxfly.errors import WxflyError
from wxfly.pilot.work import Costs, PlannedWork, read_work


def minutes(length):
    return length / np.timedelta64(1, "m")


def test_nothing_said_is_three_quarters_of_an_hour_and_nothing_in_hand():
    assert read_work(**{}) == PlannedWork()
    assert minutes(read_work(**{}).reference_period) == 45


@pytest.mark.parametrize(("given", "whole"), [("20min", 65), ("as-long", 90), ("1h", 105), ("0", 45)])
def test_the_reference_period_is_what_is_planned_and_what_is_in_hand(given, whole):
    work = read_work(**{"contingency": given})
    assert minutes(work.planned) == 45
    assert minutes(work.reference_period) == whole


def test_as_long_goes_with_what_is_planned():
    assert minutes(read_work(**{"duration": "2h", "contingency": "as-long"}).reference_period) == 240


@pytest.mark.parametrize(("given", "hours"), [("4h", 4), ("3.2h", 4), ("200min", 4), ("4", 4), ("1min", 1)])
def test_a_survey_is_in_whole_hours_rounded_up(given, hours):
    assert read_work(**{"survey": given}).survey_hours == hours


def test_costs_and_hold():
    work = read_work(**{"costs": "30,100,2000", "wait": 2})
    assert work.costs == Costs(30.0, 100.0, 2000.0)
    assert work.wait_hours == 2


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"duration": "30h"}, "wanted 1min to 24h"),
        ({"duration": "20h", "contingency": "as-long"}, "--survey"),
        ({"contingency": "-5min"}, "below zero"),
        ({"contingency": "long"}, "is not a time"),
        ({"survey": "0h"}, "wanted 1h to 384h"),
        ({"survey": "500h"}, "wanted 1h to 384h"),
        ({"wait": 13}, "wanted 0 to 12"),
        ({"costs": "30,100"}, "three amounts above 0"),
        ({"costs": "30,100,0"}, "three amounts above 0"),
        ({"costs": "30,100,nan"}, "three amounts above 0"),
        ({"costs": "a,b,c"}, "three amounts above 0"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_one_line(options, words):
    with pytest.raises(WxflyError, match=words) as caught:
        read_work(**options)
    assert "\n" not in str(caught.value)
