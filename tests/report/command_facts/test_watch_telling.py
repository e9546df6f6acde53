import json
from datetime import time, timedelta

import pytest
from msgspec.structs import replace

from tests.report.briefings import brief
from wxfly.cube.notes import NoteKind
from wxfly.errors import WxflyError
from wxfly.pilot.options import Words
from wxfly.question.question import read_question
from wxfly.question.watch import AFTER_FAILURE, SOONEST, QuietHours, asked_of_watch, known_by
from wxfly.report.command_facts.watch import due_after, file_of, tell_changes, tell_loss, told_in, watch_text
from wxfly.report.facts.answer import facts_of
from wxfly.report.facts.site import ModelHoursFacts
from wxfly.report.facts.verdict import Note
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


def test_a_damaged_file_is_told_anew(path):
    told = []
    look(path, ANSWER, told.append)
    path.write_bytes(b'{"at": 1')
    look(path, ANSWER, told.append)
    assert [facts.since for facts in told] == [None] * 2


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
