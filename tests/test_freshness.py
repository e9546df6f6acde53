import numpy as np
import pytest

from tests.cubes import START, quiet_cube
from wxfly.aircraft import load_aircraft
from wxfly.derived import derive
from wxfly.freshness import OLD, TOO_OLD, hide_stale
from wxfly.limits import limits_for
from wxfly.suitability import State, assess

HOUR = np.timedelta64(1, "h")


@pytest.mark.parametrize(
    ("age", "words"),
    [
        (3 * HOUR, ()),
        (OLD + HOUR, ("this forecast is old: its run started 19 h ago",)),
        (-5 * HOUR, ("this forecast's run starts 5 h after the time asked about",)),
    ],
)
def test_age_is_told_and_nothing_is_hidden(age, words):
    cube, notes = hide_stale(quiet_cube(), START + age, since=START)
    assert notes == words
    assert cube.identical(quiet_cube())


def test_too_old_is_not_known():
    cube, notes = hide_stale(quiet_cube(), START + TOO_OLD + HOUR, since=START)
    assert notes == ("this forecast is 37 h old, more than 36 h: not used, fetch a newer one",)
    hours = assess(derive(cube, height=60.0), limits_for(load_aircraft()["folding-quad-249g"]))
    assert (hours["state"] == State.NOT_KNOWN).all()


def test_an_age_that_is_not_known_is_said():
    _, notes = hide_stale(quiet_cube(), START, since=np.datetime64("NaT"))
    assert notes == ("the age of this forecast is not known",)
