from pathlib import Path

import numpy as np
import pytest

from tests.cubes import START, quiet_cube
from tests.halves import spread
from tests.probability.test_percentiles import with_percentiles
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import State, assess
from wxfly.cube.age import BANDS, COUNTED, LIMITS, OLD, TOO_OLD, hide_stale
from wxfly.cube.contract import VARIABLES
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.limits import limits_for

HOUR = np.timedelta64(1, "h")
LIMITS_OF_FLIGHT = limits_for(load_aircraft()["camera-quad-250g"])
GUST, WIND, TEMPERATURE, KP = LIMITS


def states(cube):
    return assess(derive(cube, height=60.0), LIMITS_OF_FLIGHT)["state"].values


@pytest.mark.parametrize(
    ("age", "words"),
    [
        (3 * HOUR, ()),
        (OLD + HOUR, ("this forecast is old: its run started 19 h ago",)),
        (-5 * HOUR, ("this forecast has a run that starts 5 h after the time asked about",)),
    ],
)
def test_age_is_told_and_nothing_is_hidden(age, words):
    cube, notes = hide_stale(quiet_cube(), START + age, since=START, is_chosen=True)
    assert notes == words
    assert cube.identical(quiet_cube())


def test_too_old_is_not_known():
    cube, notes = hide_stale(quiet_cube(), START + TOO_OLD + HOUR, since=START)
    assert notes == ("this forecast is 37 h old, more than 36 h: not used, fetch a newer one",)
    assert (states(cube) == State.NOT_KNOWN).all()


def test_without_a_run_the_age_is_counted_from_the_first_hour_and_that_is_said():
    unknown = np.datetime64("NaT", "s")
    cube, notes = hide_stale(quiet_cube(), START + HOUR, since=unknown)
    assert notes == (COUNTED,)
    assert cube.identical(quiet_cube())
    _, notes = hide_stale(quiet_cube(), START + 20 * HOUR, since=unknown)
    assert notes == (COUNTED, "this forecast is old: its first hour started 20 h ago")
    _, notes = hide_stale(quiet_cube(), START - 5 * HOUR, since=unknown)
    assert notes == (COUNTED, "this forecast has a first hour that starts 5 h after the time asked about")
    for age in (27, 31, 40):  # what is hidden is the same as for a run that started then
        now = START + age * HOUR
        cube, notes = hide_stale(quiet_cube(hours=60), now, since=unknown)
        assert cube.identical(hide_stale(quiet_cube(hours=60), now, since=START)[0])
        assert notes[0] == COUNTED
        assert notes[1].endswith("not used, fetch a newer one, without past days")


@pytest.mark.parametrize(
    ("since", "words"),
    [
        (START + 5 * HOUR, "this forecast has a run that starts 5 h from now: the clock or the forecast is wrong"),
        (START + 9000 * HOUR, "this forecast has a run that starts 9000 h from now"),
    ],
)
def test_an_age_in_the_future_never_counts_as_fresh(since, words):
    cube, notes = hide_stale(quiet_cube(), START, since=since)
    assert notes[0].startswith(words)
    assert (states(cube) == State.NOT_KNOWN).all()
    assert all(cube[name].isnull().all() for name in cube.data_vars)


def test_clocks_may_be_an_hour_apart():
    cube, notes = hide_stale(quiet_cube(), START, since=START + HOUR)
    assert notes == ()
    assert cube.identical(quiet_cube())


def test_an_age_since_the_retrieval_is_not_said_to_be_that_of_a_run():
    def damage_notes(age, **more):
        return hide_stale(quiet_cube(), START + age, since=START, of_retrieval=True, **more)[1][0]

    assert damage_notes(19 * HOUR) == "this forecast is old: it was retrieved 19 h ago"
    assert damage_notes(-5 * HOUR, is_chosen=True) == "this forecast was retrieved 5 h after the time asked about"
    assert damage_notes(-5 * HOUR).startswith(
        "this forecast was retrieved 5 h from now: the clock or the forecast is wrong"
    )


def test_kp_that_comes_from_the_future_is_not_used():
    cube = quiet_cube()
    cube["kp_index"].attrs["retrieved"] = "2026-06-10T05:00:00Z"
    shown, notes = hide_stale(cube, START, since=START)
    assert shown["kp_index"].isnull().all()
    assert shown["wind_speed"].notnull().all()
    assert notes == ("the forecast of Kp of the next 48 h is from the future: not used",)
    looking_back, _ = hide_stale(cube, START, since=START, is_chosen=True)
    assert looking_back["kp_index"].notnull().all()


def test_every_variable_of_the_cube_has_one_limit():
    named = [name for limit in LIMITS for name in limit.variables]
    assert sorted(named) == sorted(set(named))
    assert set(named) == set(VARIABLES)


def test_no_limit_is_beyond_that_of_all_and_none_grows_shorter_with_the_hours_ahead():
    for limit in LIMITS:
        assert list(limit.hours) == sorted(limit.hours)
        assert max(limit.hours) * HOUR <= TOO_OLD
        assert min(limit.hours) * HOUR > OLD, "first it is told"
        assert limit.reason


@pytest.mark.parametrize("limit", LIMITS, ids=lambda limit: limit.words)
@pytest.mark.parametrize("band", range(3))
def test_a_value_is_used_up_to_its_limit_and_not_beyond(limit, band):
    cube = with_percentiles(wind=1.0, temperature=1.0, hours=80)
    middle = {0: 6, 1: 30, 2: 60}[band]
    for age, is_used in ((limit.hours[band] - 0.5, True), (limit.hours[band] + 0.5, False)):
        shown, _ = hide_stale(cube, START, since=START - np.timedelta64(int(age * 3600), "s"))
        for name in (n for n in limit.variables if n in cube):
            known = shown[name].isel(time=middle).notnull().values
            assert known.all() if is_used else not known.any(), (name, age)


def test_what_is_flown_next_goes_first_and_the_reader_is_told():
    """A run of 25 hours ago: nothing is known of the next twelve hours, and tomorrow stands."""
    cube, notes = hide_stale(quiet_cube(hours=49), START, since=START - 25 * HOUR)
    assert notes == (
        "this forecast is 25 h old, too old for gust, precipitation, cloud, visibility and storms of the next 12 h: "
        "not used, fetch a newer one",
        "the forecast of Kp of the next 12 h is too old: not used",
    )
    state = states(cube)
    assert (state[:12] == State.NOT_KNOWN).all()
    assert (state[14:21] == State.INSIDE).all()
    assert cube["wind_speed"].notnull().all()


def test_two_limits_are_told_in_one_line():
    _, notes = hide_stale(quiet_cube(hours=80), START, since=START - 31 * HOUR)
    assert notes[0] == (
        "this forecast is 31 h old, too old for gust, precipitation, cloud, visibility and storms of the next 48 h; "
        "wind, humidity and the air aloft of the next 12 h: not used, fetch a newer one"
    )


def test_hours_that_lie_back_count_as_the_next_ones():
    cube, _ = hide_stale(quiet_cube(), START + 10 * HOUR, since=START - 15 * HOUR)
    assert cube["wind_speed_of_gust"][:22].isnull().all()


def test_kp_has_an_age_of_its_own():
    cube = quiet_cube()
    cube["kp_index"].attrs["retrieved"] = "2026-06-08T20:00:00Z"
    shown, notes = hide_stale(cube, START, since=START - HOUR)
    assert shown["kp_index"][:13].isnull().all()
    assert shown["kp_index"][13:].notnull().all()
    assert notes == ("the forecast of Kp of the next 12 h is too old: not used",)
    cube["kp_index"].attrs["retrieved"] = "2026-06-09T23:00:00Z"
    shown, _ = hide_stale(cube, START, since=START - 25 * HOUR)
    assert shown["kp_index"].notnull().all()
    assert shown["wind_speed_of_gust"][:13].isnull().all()


def test_a_variable_that_is_in_no_limit_has_the_shortest():
    cube = quiet_cube().assign(something_new=("time", np.ones(25)))
    shown, _ = hide_stale(cube, START, since=START - 25 * HOUR)
    assert shown["something_new"][:13].isnull().all()


def test_nothing_that_is_hidden_changes_anything_else():
    cube = quiet_cube(hours=80)
    shown, _ = hide_stale(cube, START, since=START - 31 * HOUR)
    for name in map(str, cube.data_vars):
        assert shown[name].fillna(0.0).identical(cube[name].where(shown[name].notnull()).fillna(0.0))
        assert shown[name].dims == cube[name].dims
        assert shown[name].dtype == cube[name].dtype
    assert shown.attrs == cube.attrs
    assert len(BANDS) == 3


@pytest.mark.parametrize("age", spread(range(0, 50, 3), 4))
def test_age_never_makes_an_hour_better(age):
    fresh = states(quiet_cube(hours=60))
    shown, _ = hide_stale(quiet_cube(hours=60), START, since=START - age * HOUR)
    old = states(shown)
    same = old == fresh
    assert (old[~same] == State.NOT_KNOWN).all()
    older, _ = hide_stale(quiet_cube(hours=60), START, since=START - (age + 3) * HOUR)
    assert ((states(older) == State.NOT_KNOWN) >= (old == State.NOT_KNOWN)).all()


def test_the_explanation_shows_the_limits_in_force():
    page = (Path(__file__).resolve().parents[2] / "docs" / "explanation" / "unknown.md").read_text(encoding="utf-8")
    for limit in LIMITS:
        row = f"| {limit.words} | {' | '.join(f'{hours:g} h' for hours in limit.hours)} | {limit.reason} |"
        assert row in page
