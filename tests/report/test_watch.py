from datetime import UTC, datetime, time, timedelta

import pytest
from msgspec.structs import replace

from tests.report.briefings import brief
from wxfly.errors import WxflyError
from wxfly.pilot.options import Words
from wxfly.pilot.settings import config_folder
from wxfly.question.reading import read_question
from wxfly.report.facts.answer import facts_of
from wxfly.report.facts.writing import Clock
from wxfly.report.watch import SOONEST, QuietHours, file_of, read_quiet_hours, report_changes, report_loss, wait_after


@pytest.fixture
def answer():
    return facts_of(brief(), read_question("best", ["52,6"], Words()))


def without_windows(answer):
    return replace(answer, sites=[replace(answer.sites[0], windows=[])])


def test_a_change_is_told_once(answer):
    told = []
    report_changes(answer, told.append, is_quiet=False)
    report_changes(answer, told.append, is_quiet=False)
    assert [facts.changes for facts in told] == [[]]
    for _ in range(2):
        report_changes(without_windows(answer), told.append, is_quiet=False)
    assert [change.turn for facts in told for change in facts.changes] == ["gone"]


def test_what_could_not_be_told_is_told_by_the_next_look(answer):
    def broken(facts):
        raise WxflyError("the bell is broken")

    told = []
    report_changes(answer, told.append, is_quiet=False)
    with pytest.raises(WxflyError):
        report_changes(without_windows(answer), broken, is_quiet=False)
    report_changes(without_windows(answer), told.append, is_quiet=False)
    assert [change.turn for change in told[-1].changes] == ["gone"]


def test_what_changes_in_quiet_hours_is_told_after_them(answer):
    told = []
    report_changes(answer, told.append, is_quiet=False)
    assert report_changes(without_windows(answer), told.append, is_quiet=True).changes
    assert len(told) == 1
    report_changes(without_windows(answer), told.append, is_quiet=False)
    assert len(told) == 2


def test_the_loss_of_the_forecast_is_told_once(answer):
    told = []
    report_loss(file_of(answer), "Meadow", answer.now, "nobody answers", told.append)
    assert told == []  # nothing was told that could be lost
    report_changes(answer, told.append, is_quiet=False)
    for _ in range(2):
        report_loss(file_of(answer), "Meadow", answer.now, "nobody answers", told.append)
    assert [change.turn for facts in told for change in facts.changes] == ["not known"]


def test_what_one_way_told_is_not_told_yet_in_another(answer):
    phone, page = [], []
    report_changes(answer, phone.append, is_quiet=False, channels="phone")
    for told, channels in ((page, "page"), (phone, "phone")):
        report_changes(without_windows(answer), told.append, is_quiet=False, channels=channels)
    assert [change.turn for change in phone[-1].changes] == ["gone"]
    assert file_of(answer, "phone") != file_of(answer, "page")


def test_another_question_is_watched_for_itself_and_a_damaged_file_is_told_anew(answer):
    told = []
    report_changes(answer, told.append, is_quiet=False)
    report_changes(replace(answer, minimum_duration=7200), told.append, is_quiet=False)
    assert len(told) == 2
    for path in (config_folder() / "watched").glob("*.json"):
        path.write_bytes(b'{"at": 1')
    report_changes(answer, told.append, is_quiet=False)
    assert [facts.since for facts in told] == [None] * 3


@pytest.mark.parametrize(
    ("text", "begin", "end"),
    [("22-6", time(22), time(6)), ("22:30-06:15", time(22, 30), time(6, 15)), (" 1 – 24 ", time(1), time(0))],
)
def test_quiet_hours_are_read(text, begin, end):
    assert read_quiet_hours(text) == QuietHours(begin, end)


@pytest.mark.parametrize("text", ["", "22", "25-6", "22-25", "6-6", "22:70-6", "night", "-1-5"])
def test_what_is_no_quiet_hours_is_refused(text):
    with pytest.raises(WxflyError, match="wanted a begin and an end"):
        read_quiet_hours(text)


def test_quiet_hours_are_those_of_the_site():
    quiet, clock = QuietHours(time(22), time(6)), Clock("Europe/Amsterdam")
    late, early = datetime(2026, 6, 10, 20, 30, tzinfo=UTC), datetime(2026, 6, 10, 19, 30, tzinfo=UTC)
    assert quiet.holds(clock, late) and not quiet.holds(clock, early)
    assert quiet.over_at(clock, late) == datetime(2026, 6, 11, 4, 0, tzinfo=UTC)


def test_no_look_is_sooner_than_the_next_run(answer):
    def of(model):
        first = replace(answer.forecasts[0], model=model, by_hours=[])
        return wait_after(replace(answer, forecasts=[first]))

    assert of("ncep_gfs_global") == timedelta(hours=6)
    assert of("icon_d2") == timedelta(hours=3)
    assert of("of our own") == timedelta(hours=6)
    assert of("ncep_hrrr_conus") >= SOONEST
