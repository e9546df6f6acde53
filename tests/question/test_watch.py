from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import pytest

from wxfly.errors import WxflyError
from wxfly.pilot.options import Words
from wxfly.pilot.site import SiteClock
from wxfly.question.watch import QuietHours, asked_of_watch, read_quiet_hours


def test_without_a_day_the_rest_of_today_is_watched_with_tomorrow():
    assert asked_of_watch(Words(), week=False) == ("week", Words(days=2))
    assert asked_of_watch(Words(day="Tomorrow"), week=False) == ("week", Words(days=2))
    assert asked_of_watch(Words(day="saturday"), week=False) == ("best", Words(day="saturday"))
    assert asked_of_watch(Words(), week=True) == ("week", Words())


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
    quiet, clock = QuietHours(time(22), time(6)), SiteClock("Europe/Amsterdam")
    late, early = datetime(2026, 6, 10, 20, 30, tzinfo=UTC), datetime(2026, 6, 10, 19, 30, tzinfo=UTC)
    assert quiet.holds(clock, late) and not quiet.holds(clock, early)
    assert quiet.over_at(clock, late) == datetime(2026, 6, 11, 4, 0, tzinfo=UTC)


def local(text):
    return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo("Europe/Amsterdam")).astimezone(UTC)


@pytest.mark.parametrize(
    ("late", "over"),
    [
        ("2026-03-28T22:00", "2026-03-29T06:00"),  # the clock goes forward, the night is an hour shorter
        ("2026-03-29T01:59", "2026-03-29T06:00"),
        ("2026-03-29T03:00", "2026-03-29T06:00"),
        ("2026-10-24T23:30", "2026-10-25T06:00"),  # and back
        ("2026-10-25T02:30", "2026-10-25T06:00"),
    ],
)
def test_quiet_hours_over_a_change_of_the_clock_end_by_the_clock(late, over):
    quiet, clock = read_quiet_hours("22-6"), SiteClock("Europe/Amsterdam")
    assert quiet.holds(clock, local(late))
    assert quiet.over_at(clock, local(late)) == local(over)
    assert not quiet.holds(clock, local(over))


def test_quiet_hours_whose_end_the_clock_skips_end_with_the_skipped_hour():
    quiet, clock = read_quiet_hours("22-2:30"), SiteClock("Europe/Amsterdam")
    assert quiet.over_at(clock, local("2026-03-29T01:59")) == local("2026-03-29T03:00")
    assert read_quiet_hours("2:15-2:45").over_at(clock, local("2026-03-29T01:59")) == local("2026-03-29T01:59")
