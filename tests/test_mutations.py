"""Nothing that is lost from a reply makes an hour better: state, margin, chance and rank, from the bytes on.

The quick run tries some dozens; ``-m thorough`` 400; ``WXFLY_MUTATIONS`` gives another number, at night 100,000.
"""

import os
import time
from copy import deepcopy

import numpy as np
import pytest

from tests.mutations import BASES, BERLIN, judge_members, make_ensemble, try_losses

QUICK, THOROUGH = 30, int(os.environ.get("WXFLY_MUTATIONS", "400"))
NAMES = [
    *BASES,
    pytest.param(
        "berlin", marks=pytest.mark.skipif(not BERLIN.is_file(), reason="the real reply is not beside this checkout")
    ),
]


@pytest.mark.parametrize("name", NAMES)
def test_a_few_losses_never_improve_an_hour(name):
    assert try_losses(name, QUICK // len(NAMES), seed=12).better == ()


@pytest.mark.thorough
@pytest.mark.parametrize("name", NAMES)
def test_losses_never_improve_an_hour(name):
    began = time.perf_counter()
    tally = try_losses(name, THOROUGH // len(NAMES), seed=int(os.environ.get("WXFLY_SEED", "1")))
    rate = tally.tried / (time.perf_counter() - began)
    print(f"\n{name}: {tally.tried} tried, {tally.refused} refused, {len(tally.better)} better; {rate:.0f} in a second")
    assert tally.better == ()
    assert tally.refused < tally.tried / 3


def lose_of_members(document, random):
    keys = [key for key in document["hourly"] if key != "time"]
    key = keys[int(random.integers(len(keys)))]
    member = key.rpartition("_member")[2] if "_member" in key else ""
    of_member = [k for k in keys if (k.endswith(f"_member{member}") if member else "_member" not in k)]
    way = int(random.integers(4))
    hours = len(document["hourly"]["time"])
    first = int(random.integers(hours))
    last = hours if way == 1 else min(hours, first + int(random.integers(1, 12)))
    for lost in of_member if way in (0, 1) else [key]:
        if way == 0:
            del document["hourly"][lost], document["hourly_units"][lost]
        else:
            document["hourly"][lost][first:last] = [None] * (last - first)
        if way == 3:
            document["hourly_units"][lost], document["hourly"][lost] = "undefined", [None] * hours
    return f"way {way} of {key}, {first} to {last}"


def members_worse(count, seed):
    base, random, better = make_ensemble(calm=30, stormy=10), np.random.default_rng(seed), []
    window, hours = judge_members(base)
    for _ in range(count):
        document = deepcopy(base)
        words = [lose_of_members(document, random) for _ in range(1 + int(random.integers(2)))]
        poorer_window, poorer_hours = judge_members(document)
        if poorer_window > window + 1e-9 or (poorer_hours > hours + 1e-9).any():
            better.append(f"{' and '.join(words)}: {window:.4f} to {poorer_window:.4f}")
    return better


def test_a_few_losses_of_members_never_raise_a_chance():
    assert members_worse(3, seed=5) == []


@pytest.mark.thorough
def test_losses_of_members_never_raise_a_chance():
    assert members_worse(THOROUGH // 40, seed=1) == []
