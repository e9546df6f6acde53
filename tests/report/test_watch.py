import json
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from msgspec.structs import replace

from tests.report.briefings import brief
from wxfly.cube.notes import NoteKind
from wxfly.errors import WxflyError
from wxfly.pilot.options import Words
from wxfly.question.question import read_question
from wxfly.report.command_facts.watch import watch_text
from wxfly.report.facts.answer import facts_of
from wxfly.report.facts.site import ModelHoursFacts
from wxfly.report.facts.verdict import Note
from wxfly.report.facts.writing import Clock
from wxfly.report.watch import (
    AFTER_FAILURE,
    SOONEST,
    QuietHours,
    asked_of_watch,
    due_after,
    file_of,
    known_by,
    read_quiet_hours,
    tell_changes,
    tell_loss,
    told_in,
)
from wxfly.store.replies import keep_reply
from wxfly.times import utc_now

ANSWER = facts_of(brief(), read_question("best", ["52,6"], Words()))
DUE = ANSWER.now + timedelta(hours=6)
GONE = replace(ANSWER, sites=[replace(ANSWER.sites[0], windows=[])])


@pytest.fixture
def path():
    return file_of("bell", "best", ["52,6"])


def look(path, answer, tell, *, is_quiet=False, due=DUE):
    return tell_changes(path, answer, tell, due=due, is_quiet=is_quiet)


def broken(facts):
    raise WxflyError("the bell is broken")


def test_a_change_is_told_once(path):
    told = []
    for answer in (ANSWER, ANSWER, GONE, GONE):
        look(path, answer, told.append)
    assert [[change.turn for change in facts.changes] for facts in told] == [[], ["gone"]]


def test_what_could_not_be_told_is_told_by_the_next_look_which_is_due_at_once(path):
    told = []
    look(path, ANSWER, told.append)
    assert told_in(path).due == DUE
    with pytest.raises(WxflyError):
        look(path, GONE, broken)
    assert told_in(path).due is None
    look(path, GONE, told.append)
    assert [change.turn for change in told[-1].changes] == ["gone"]
    assert told_in(path).due == DUE


def test_a_first_answer_that_could_not_be_told_is_told_by_the_next_look(path):
    told = []
    with pytest.raises(WxflyError):
        look(path, ANSWER, broken)
    look(path, ANSWER, told.append)
    assert [facts.since for facts in told] == [None]


def test_what_changes_in_quiet_hours_is_told_after_them(path):
    told = []
    look(path, ANSWER, told.append, is_quiet=True)
    look(path, ANSWER, told.append)
    over = ANSWER.now + timedelta(hours=3)
    assert look(path, GONE, told.append, is_quiet=True, due=over).changes
    assert len(told) == 1 and told_in(path).due == over
    look(path, GONE, told.append)
    assert [change.turn for change in told[-1].changes] == ["gone"]


def test_the_loss_of_the_forecast_is_told_once(path):
    told = []
    tell_loss(path, ANSWER.now, "nobody answers", told.append)
    assert told == []  # nothing was told that could be lost
    look(path, ANSWER, told.append)
    for _ in range(2):
        assert tell_loss(path, ANSWER.now, "nobody answers", told.append).fault == "nobody answers"
    assert [change.turn for facts in told for change in facts.changes] == ["not known"]
    assert told_in(path).due is None
    look(path, GONE, told.append)
    assert [change.turn for change in told[-1].changes] == ["gone", "known"]


def test_a_loss_that_could_not_be_told_is_told_again(path):
    told = []
    look(path, ANSWER, told.append)
    with pytest.raises(WxflyError):
        tell_loss(path, ANSWER.now, "nobody answers", broken)
    tell_loss(path, ANSWER.now, "nobody answers", told.append)
    assert [change.turn for change in told[-1].changes] == ["not known"]


def test_a_loss_in_quiet_hours_is_told_after_them(path):
    told, night = [], QuietHours(time(13), time(15))  # 14 h at the site
    look(path, ANSWER, told.append)
    assert tell_loss(path, ANSWER.now, "nobody answers", told.append, night).changes == []
    assert told_in(path).due is None  # so that a look from a schedule is made
    tell_loss(path, ANSWER.now + timedelta(hours=1), "nobody answers", told.append, night)
    assert [change.turn for change in told[-1].changes] == ["not known"] and len(told) == 2


def test_each_way_and_each_question_has_a_memory_of_its_own(clock):
    def known(teller="bell", week=False, places=("meadow",), **words):
        kind, asked = asked_of_watch(Words(**words), week=week)
        return file_of(teller, *known_by(kind, list(places), asked))

    usual = known()
    others = [
        known("page"), known(week=True), known(places=("hill",)), known(model="icon_eu"), known(day="saturday"),
        known(height="80m"), known(limits=("gust=8m/s",)),
    ]  # fmt: skip
    assert len({usual, *others}) == 1 + len(others)
    clock(days=1)
    assert known() == usual
    assert known(offline=True) == known(as_of="2026-03-10T12:00Z") == known(fresh=True) == usual


def test_without_a_day_the_rest_of_today_is_watched_with_tomorrow():
    assert asked_of_watch(Words(), week=False) == ("week", Words(days=2))
    assert asked_of_watch(Words(day="Tomorrow"), week=False) == ("week", Words(days=2))
    assert asked_of_watch(Words(day="saturday"), week=False) == ("best", Words(day="saturday"))
    assert asked_of_watch(Words(), week=True) == ("week", Words())


def test_a_damaged_file_is_told_anew(path):
    told = []
    look(path, ANSWER, told.append)
    path.write_bytes(b'{"at": 1')
    look(path, ANSWER, told.append)
    assert [facts.since for facts in told] == [None] * 2


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
    quiet, clock = read_quiet_hours("22-6"), Clock("Europe/Amsterdam")
    assert quiet.holds(clock, local(late))
    assert quiet.over_at(clock, local(late)) == local(over)
    assert not quiet.holds(clock, local(over))


def test_quiet_hours_whose_end_the_clock_skips_end_with_the_skipped_hour():
    quiet, clock = read_quiet_hours("22-2:30"), Clock("Europe/Amsterdam")
    assert quiet.over_at(clock, local("2026-03-29T01:59")) == local("2026-03-29T03:00")
    assert read_quiet_hours("2:15-2:45").over_at(clock, local("2026-03-29T01:59")) == local("2026-03-29T01:59")


def of_models(*names, notes=()):
    first = ANSWER.forecasts[0]
    hours = [ModelHoursFacts(name, None, ANSWER.now, ANSWER.now, {}) for name in names]
    return replace(ANSWER, forecasts=[replace(first, model=names[0], by_hours=hours)], notes=list(notes))


def test_no_look_is_sooner_than_the_next_run(clock):
    now = utc_now()
    assert due_after(of_models("ncep_gfs_global")) - now == timedelta(hours=6)
    assert due_after(of_models("icon_d2")) - now == timedelta(hours=3)
    assert due_after(of_models("ncep_gfs_global", "icon_d2")) - now == timedelta(hours=3)
    assert due_after(of_models("of our own")) - now == timedelta(hours=6)
    assert due_after(of_models("ncep_hrrr_conus")) - now >= SOONEST


@pytest.mark.parametrize(("available", "due"), [(0, 6.0), (-2, 4 + 1 / 6), (-5, 1 + 1 / 6), (-6, 1.0), (-30, 1.0)])
def test_it_looks_as_the_next_run_is_expected(clock, available, due):
    run = utc_now() + timedelta(hours=available)
    text = json.dumps([(run - timedelta(hours=4)).isoformat(), run.isoformat(), 6 * 3600])
    keep_reply("metadata", "ncep_gfs_global", text, run)
    assert (due_after(of_models("ncep_gfs_global")) - utc_now()) / timedelta(hours=1) == pytest.approx(due)


def test_where_no_service_answered_it_looks_again_soon(clock):
    note = Note(NoteKind.NO_NEWER_FORECAST, "no newer forecast is available: refused")
    assert due_after(of_models("ncep_gfs_global", notes=[note])) == utc_now() + AFTER_FAILURE


def test_the_note_that_the_first_line_refers_to_is_told(path):
    looser = Note(NoteKind.LOOSER_LIMITS, "your gust limit is 20 m/s, looser than 10.7 m/s")
    told = []
    look(path, replace(ANSWER, notes=[*ANSWER.notes, looser]), told.append)
    assert watch_text(told[0])[-1] == f"Note: {looser.text}"
