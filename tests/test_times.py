"""Days and times as a pilot writes them."""

from datetime import UTC, date, datetime, time

import pytest

from wxfly.errors import WxflyError
from wxfly.times import DAY_WORDS, DaysAhead, Weekday, is_day, is_hour, read_day, read_hour


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("today", DaysAhead(0)),
        ("Tomorrow", DaysAhead(1)),
        ("saturday", Weekday(5)),
        ("SAT", Weekday(5)),
        ("2026-03-15", date(2026, 3, 15)),
        ("", None),
        (None, None),
    ],
)
def test_a_day_is_read(text, day):
    assert read_day(text) == day


@pytest.mark.parametrize("text", ["yesterday", "last friday", "15.3.2026", "1503-01-01", "satur"])
def test_what_is_no_day_to_come_is_refused_with_the_words_that_are(text):
    with pytest.raises(WxflyError, match="wanted today, tomorrow, a weekday or YYYY-MM-DD"):
        read_day(text)
    assert not is_day(text)


def test_every_word_of_a_day_is_one():
    assert all(map(is_day, DAY_WORDS))


@pytest.mark.parametrize(
    ("text", "hour"),
    [
        ("15", time(15)),
        ("15:30", time(15, 30)),
        ("15h", time(15)),
        ("3pm", time(15)),
        ("12am", time(0)),
        ("2026-03-15T15:00", datetime(2026, 3, 15, 15)),
        ("2026-03-15 15:00", datetime(2026, 3, 15, 15)),
        ("2026-03-15T15:00Z", datetime(2026, 3, 15, 15, tzinfo=UTC)),
    ],
)
def test_an_hour_is_read(text, hour):
    assert read_hour(text) == hour
    assert is_hour(text)


@pytest.mark.parametrize("text", ["25", "15:61", "13pm", "noon", "2026-03-15", "52.1,6.9", ""])
def test_what_is_no_hour_is_refused(text):
    with pytest.raises(WxflyError, match="wanted a time on the clock of the site"):
        read_hour(text)
    assert not is_hour(text)
