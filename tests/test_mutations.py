"""Nothing that is lost from a reply makes an hour better: state, margin, chance and rank, from the reply on.

The quick run tries some dozens; ``-m thorough`` 600; ``WXFLY_MUTATIONS`` gives another number: 5000 take about a minute
on one core, at night 100000 some twenty. ``WXFLY_SEED`` chooses others. Every run begins with each loss of a whole
column, unit, level and field beside the hours, all of them from some 6000 on.
"""

import os
import time

import numpy as np
import pytest

from tests.mutations import (
    BASES,
    BERLIN,
    HEIGHT,
    HEIGHTS,
    Tally,
    judge,
    judge_side_by_side,
    load_base,
    losses_of,
    parse_alone,
    read,
    side_by_side,
    try_losses,
    try_members,
)
from wxfly.errors import WxflyError

QUICK, THOROUGH = 60, int(os.environ.get("WXFLY_MUTATIONS", "600"))
SEED = int(os.environ.get("WXFLY_SEED", "1"))
NAMES = [
    *BASES,
    pytest.param(
        "berlin", marks=pytest.mark.skipif(not BERLIN.is_file(), reason="the real reply is not beside this checkout")
    ),
]


def say(name: str, tally: Tally, began: float) -> None:
    rate = tally.tried / (time.perf_counter() - began)
    worse = tally.tried - tally.refused - tally.equal - len(tally.better)
    print(
        f"\n{name}: {tally.tried} tried, {tally.refused} refused, {worse} worse, {tally.equal} equal, "
        f"{len(tally.better)} better; {rate:.0f} in a second"
    )


@pytest.mark.parametrize("name", NAMES)
def test_a_few_losses_never_improve_an_hour(name):
    assert try_losses(name, QUICK // len(NAMES), seed=12).better == ()


@pytest.mark.thorough
@pytest.mark.parametrize("name", NAMES)
def test_losses_never_improve_an_hour(name):
    began = time.perf_counter()
    tally = try_losses(name, THOROUGH // len(NAMES), seed=SEED)
    say(name, tally, began)
    assert tally.better == ()
    assert tally.refused < tally.tried / 2


@pytest.mark.thorough
@pytest.mark.parametrize("name", ["storm", pytest.param("jet", marks=pytest.mark.thorough)])
def test_replies_side_by_side_are_judged_as_each_by_itself(name):
    base, height = load_base(name), HEIGHTS.get(name, HEIGHT)
    now = read(base)["time"].values[0].astype("datetime64[s]")
    documents, alike = [], []
    for loss in losses_of(base, 16, seed=3):
        try:
            parsed = parse_alone(loss(base), "icon_eu")
            alone = judge(read(loss(base)), height, now=now)
        except WxflyError:
            continue
        documents.append((loss.words, alone))
        alike.append(parsed)
    shapes = [str(parsed["provided"].values) + str(parsed["time"].values[[0, -1]]) for parsed in alike]
    usual = max(set(shapes), key=shapes.count)
    chosen = [at for at, shape in enumerate(shapes) if shape == usual]
    assert len(chosen) > 4
    judged = judge_side_by_side(side_by_side([alike[at] for at in chosen]), height, now)
    for at, beside in zip(chosen, judged, strict=True):
        words, alone = documents[at]
        assert beside.rank == alone.rank, words
        for part in ("state", "margin", "chance"):
            np.testing.assert_allclose(getattr(beside, part), getattr(alone, part), atol=1e-9, err_msg=words)


@pytest.mark.thorough
def test_a_few_losses_of_members_never_raise_a_chance():
    assert try_members(4, seed=5).better == ()


@pytest.mark.thorough
def test_losses_of_members_never_raise_a_chance():
    began = time.perf_counter()
    tally = try_members(max(THOROUGH // 100, 20), seed=SEED)
    say("members", tally, began)
    assert tally.better == ()
