"""Work that can stop: laid into the hours that hold, the earliest first, never into one that is not known."""

from types import SimpleNamespace

import numpy as np
import pytest

from tests.cubes import START, quiet_cube
from tests.probability.test_chance import members_cube
from tests.report.briefings import brief, with_values
from wxfly.pilot.work import PlannedWork
from wxfly.report.facts.sortie import survey_facts
from wxfly.report.facts.writing import Clock, Reader
from wxfly.report.text.details import survey_words

HOUR = np.timedelta64(1, "h")


def laid(cube, hours, *, at=8, **options):
    """Lay work into the day, from an hour of UTC on."""
    now = START.astype("datetime64[s]") + at * HOUR
    answer = brief(cubes=[cube], work=PlannedWork(survey_hours=hours), now=now, first_day=0, **options).answers[0]
    return answer.survey, answer


def words_of(answer):
    return survey_words(SimpleNamespace(survey=survey_facts(answer)), Reader("metric", Clock("UTC")))


def spans(survey):
    return [(str(s.start)[11:13], str(s.end)[11:13], s.is_work) for s in survey.spells]


def broken(*hours, value=30.0):
    """Return a quiet day with gusts over the limit in hours of UTC."""
    cube = quiet_cube(36)
    for hour in hours:
        cube = with_values(cube, "wind_speed_of_gust", value, hour + 1, hour + 1)
    return cube


# The values the rule is known by: ok = 1,1,0,1,1,1,0,1.
def test_three_hours():
    survey, _ = laid(broken(10, 14), 3)
    assert spans(survey) == [("08", "10", True), ("10", "11", False), ("11", "12", True)]


def test_four_hours():
    survey, answer = laid(broken(10, 14), 4)
    assert spans(survey) == [("08", "10", True), ("10", "11", False), ("11", "13", True)]
    words = words_of(answer)
    told = "4 h of work: Wed 10 Jun 08:00–10:00 work, 10:00–11:00 wait, 11:00–13:00 work; "
    assert words.startswith(told + "2 in 10 that every limit holds in every hour of work")


def test_an_hour_that_is_not_known_is_a_wait():
    survey, _ = laid(broken(10, value=np.nan), 3)
    assert spans(survey) == [("08", "10", True), ("10", "11", False), ("11", "12", True)]


def test_what_does_not_fit_is_told():
    survey, answer = laid(broken(*range(10, 24)), 5)
    assert (survey.found, survey.is_done) == (2, False)
    words = words_of(answer)
    assert words == "5 h of work do not fit: only 2 full hours have room (Wed 10 Jun 08:00–10:00 work)"
    survey, answer = laid(broken(*range(24)), 5)
    assert words_of(answer) == "5 h of work: no full hour has room"


def test_an_hour_that_has_begun_or_is_dark_in_part_is_no_hour_of_work():
    now = START.astype("datetime64[s]") + 8 * HOUR + np.timedelta64(20, "m")
    survey = brief(work=PlannedWork(survey_hours=20), now=now, first_day=0).answers[0].survey
    assert spans(survey)[0][0] == "09"
    lit_until = int(spans(survey)[-1][1])
    assert lit_until == 20  # last light is after 20 UTC and before 21


@pytest.mark.thorough
def test_the_chance_is_over_the_hours_of_work_alone():
    whole, _ = laid(quiet_cube(36), 4)
    waiting, _ = laid(broken(10), 4)
    # The hour that is left out may come an hour early or late, and then breaks an hour of work.
    assert 0.15 < waiting.chance.value < whole.chance.value - 0.3
    longer, _ = laid(quiet_cube(36), 10)
    assert longer.chance.value <= whole.chance.value


@pytest.mark.thorough
def test_with_members_the_chance_is_theirs():
    members = members_cube(21)
    survey, answer = laid(quiet_cube(36), 3, ensembles=[members.expand_dims("site")])
    assert survey.chance.members == 21
    assert answer.site_chance.of(0, 2).value == pytest.approx(survey.chance.value)


def test_work_over_several_days_names_the_days():
    now = START.astype("datetime64[s]") + 18 * HOUR
    cube = quiet_cube(84)
    answer = brief("week", [cube], days=3, work=PlannedWork(survey_hours=4), now=now, first_day=0).answers[0]
    words = words_of(answer)
    assert words.startswith(
        "4 h of work: Wed 10 Jun 18:00–20:00 work, 20:00 to Thu 11 Jun 03:00 wait, 03:00–05:00 work"
    )


def test_a_surer_day_is_told():
    cube = with_values(broken(*range(12, 24)), "precipitation_probability", 0.6, 0, 24)
    longer = quiet_cube(84)
    for name in ("wind_speed_of_gust", "precipitation_probability"):
        longer[name].values[:25] = cube[name].values[:25]
    now = START.astype("datetime64[s]")
    answer = brief("week", [longer], days=3, work=PlannedWork(survey_hours=4), now=now, first_day=0)
    survey = answer.answers[0].survey
    assert str(survey.spells[0].start)[:10] == "2026-06-10"
    assert survey.surer is not None
    assert {str(s.start)[:10] for s in survey.surer.spells} == {"2026-06-11"}
    assert survey.surer.chance.value > survey.chance.value + 0.1
    words = words_of(answer.answers[0])
    assert ". Surer on one day: Thu 11 Jun" in words
