"""The ledger and its scores: kept before the hour, never rescored, within strata."""

import json
from dataclasses import asdict, replace

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from wxfly.errors import WxflyError
from wxfly.history.ledger import (
    HourVerdict,
    Observation,
    Withdrawal,
    enter_observations,
    enter_verdicts,
    lead_hours,
    ledger_folder,
    read_ledger,
    read_observations,
    read_verdicts,
    score,
    stratum,
)
from wxfly.physics import probability
from wxfly.question.verification import score_ledger, withdraw
from wxfly.report.command_facts.verification import ledger_facts
from wxfly.report.text.verification import ledger_text

# --- bounds, worth, regret ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("events", "cases", "bound"), [(0, 20, 0.139), (0, 59, 0.0495), (3, 100, 0.076), (0, 299, 0.010)]
)
def test_upper_bounds(events, cases, bound):
    assert probability.upper_bound(events, cases) == pytest.approx(bound, abs=5e-4)


@given(st.integers(0, 60), st.integers(1, 60), st.sampled_from([0.8, 0.95, 0.99]))
def test_the_bound_is_exact(events, cases, confidence):
    events = min(events, cases)
    upper = 1.0 if events == cases else scipy.stats.beta.ppf(confidence, events + 1, cases - events)
    assert probability.upper_bound(events, cases, confidence) == pytest.approx(upper, abs=1e-9)


def test_without_cases_nothing_is_known():
    assert probability.upper_bound(0, 0) == 1.0
    with pytest.raises(ValueError, match="3 events in 2 cases"):
        probability.upper_bound(3, 2)


@pytest.mark.parametrize(
    ("ratio", "value"), [(0.1, 0.028571), (0.3, 0.6), (0.5, 0.333333), (0.7, -0.288889), (0.9, -3.4)]
)  # the docstring of scores 2.7.0
def test_economic_value(ratio, value):
    from scores.probability import relative_economic_value_from_rates

    assert probability.economic_value(0.8, 0.2, 0.3, ratio) == pytest.approx(value, abs=1e-6)
    import xarray as xr

    rates = [xr.DataArray(v) for v in (0.8, 0.2, 0.3)]
    library = relative_economic_value_from_rates(*rates, [ratio])
    assert probability.economic_value(0.8, 0.2, 0.3, ratio) == pytest.approx(float(library.squeeze()))


def test_tornadoes_of_finley():
    """Hits 28, false alarms 72, misses 23, quiet 2680: the oldest verification (table from memory)."""
    counts = probability.Counts(28, 23, 72, 2680)
    assert counts.base_rate == pytest.approx(0.01819, abs=5e-6)
    assert counts.hit_rate == pytest.approx(0.54902, abs=5e-6)
    assert counts.false_alarm_rate == pytest.approx(0.02616, abs=5e-6)
    rates = counts.hit_rate, counts.false_alarm_rate, counts.base_rate
    assert probability.economic_value(*rates, counts.base_rate) == pytest.approx(0.52286, abs=5e-6)
    assert probability.economic_value(*rates, 0.05) == pytest.approx(0.47472, abs=5e-6)
    assert probability.economic_value(*rates, 0.5) == pytest.approx(-0.86275, abs=5e-6)


def test_pooled_hours_fake_value():
    """The forecast is the climate of the hour: it looks worth much when hours are pooled and is worth nothing."""
    chance = np.array([0.1] * 10 + [0.9] * 10)
    broken = np.array([True] + [False] * 9 + [True] * 9 + [False])
    assert probability.value_within(chance, broken, ["all"] * 20, 0.5) == pytest.approx(0.8)
    assert probability.value_within(chance, broken, [6] * 10 + [14] * 10, 0.5) == pytest.approx(0.0)


# --- the ledger ---------------------------------------------------------------------------------------------------

VERDICT = HourVerdict(
    site="headland", aircraft="camera-quad-1kg", latitude=52.0, longitude=6.0, height=60.0,
    hour="2026-06-10T12:00:00Z", told="2026-06-10T05:00:00Z", run="2026-06-10T00:00:00Z", model="icon_eu",
    state="inside", margin=0.4, chance=0.9, limiting_element="gust", limits={"gust": 12.0, "wind": 9.6},
)  # fmt: skip


def at(hour, **changes):
    return replace(VERDICT, hour=f"2026-06-10T{hour:02d}:00:00Z", **changes)


def test_a_verdict_is_kept_once_and_before_its_hour():
    assert enter_verdicts([VERDICT, VERDICT]) == 1
    assert enter_verdicts([VERDICT]) == 0
    assert enter_verdicts([replace(VERDICT, told="2026-06-10T12:00:00Z", run="")]) == 0
    assert enter_verdicts([replace(VERDICT, run="2026-06-09T18:00:00Z")]) == 1
    assert read_verdicts() == [VERDICT, replace(VERDICT, run="2026-06-09T18:00:00Z")]


def test_the_first_observation_stays():
    first = Observation("headland", 60.0, VERDICT.hour, {"gust": 8.0}, "own anemometer")
    assert enter_observations([first]) == 1
    assert enter_observations([replace(first, values={"gust": 20.0})]) == 0
    assert enter_observations([Observation("headland", 60.0, "2026-06-10T13:00:00Z", {}, "own")]) == 0
    assert read_observations() == [first]


def test_a_line_cut_short_loses_itself_only():
    enter_verdicts([VERDICT])
    with (ledger_folder() / "2026-06.jsonl").open("a", encoding="utf-8") as file:
        file.write('{"entry": "verdict", "site": "head\n')
        file.write('{"entry": "verdict", "site": "headland"}\n[1, 2]\n{"cut sh')
    assert enter_verdicts([at(13)]) == 1
    assert len(read_verdicts()) == 2


GOOD = json.dumps({"entry": "verdict"} | asdict(VERDICT)).encode()
OBSERVED = Observation("headland", 60.0, VERDICT.hour, {"gust": 8.0}, "own")
SPOILT = {
    "null": GOOD.replace(b'"headland"', b"null"),
    "nothing but null": b"null",
    "text for a number": GOOD.replace(b'"chance": 0.9', b'"chance": "0.9"'),
    "limits are a list": GOOD.replace(b'"limits": {"gust": 12.0, "wind": 9.6}', b'"limits": [1, 2]'),
    "a limit is null": GOOD.replace(b"9.6}", b"null}"),
    "deep": b'{"entry": "verdict", "site": ' + b"[" * 30_000,
    "deep where nobody looks": GOOD[:-1] + b', "more": ' + b"[" * 30_000,
    "no moment": GOOD.replace(b"2026-06-10T12", b"2026-06-1aT12"),
    "no day": GOOD.replace(b"2026-06-10T12", b"2026-06-31T12"),
    "NaN": GOOD.replace(b"52.0", b"NaN"),
    "huge": GOOD.replace(b"52.0", b"1e999"),
    "many figures": GOOD.replace(b"52.0", b"1" * 5000),
    "zeros": b"\x00" * 300,
    "not UTF-8": GOOD.replace(b"headland", b"head\xffland"),
    "a chance above 1": GOOD.replace(b'"chance": 0.9', b'"chance": 9.0'),
    "no state": GOOD.replace(b'"inside"', b'"insidf"'),
    "no kind": GOOD.replace(b'"verdict"', b'"verdicu"'),
    "long": GOOD.replace(b"headland", b"x" * 200_000),
}


@pytest.mark.parametrize("name", SPOILT)
def test_a_bad_line_is_named_and_left_where_it_is_and_stops_nothing(name):
    path = ledger_folder() / "2026-06.jsonl"
    enter_verdicts([VERDICT])
    with path.open("ab") as file:
        file.write(SPOILT[name] + b"\n")
    before = path.read_bytes()
    assert enter_observations([OBSERVED]) == 1
    assert enter_verdicts([VERDICT, at(13)]) == 1
    assert path.read_bytes().startswith(before)
    kept = read_ledger()
    assert kept.of(HourVerdict) == [VERDICT, at(13)]
    assert kept.of(Observation) == [OBSERVED]
    assert [(part.path, part.line) for part in kept.set_aside] == [(path, 2)]
    first, second = ledger_text(ledger_facts(score_ledger())).splitlines()[:2]
    assert first.startswith(f"{path}, line 2: ")
    assert first.endswith("; set aside, none of it is used")
    assert len(first) < 450
    assert second == "2 verdicts kept, 1 of them scored"


def test_a_month_that_is_no_file_costs_no_other():
    enter_verdicts([VERDICT])
    (ledger_folder() / "2026-07.jsonl").mkdir()
    (ledger_folder() / "2026-08.jsonl").symlink_to("gone")
    assert read_verdicts() == [VERDICT]
    assert [part.path.stem for part in read_ledger().set_aside] == ["2026-07", "2026-08"]


def test_the_file_only_grows():
    enter_verdicts([VERDICT])
    before = (ledger_folder() / "2026-06.jsonl").read_bytes()
    enter_observations([Observation("headland", 60.0, VERDICT.hour, {"gust": 8.0}, "own")])
    enter_verdicts([at(14)])
    assert (ledger_folder() / "2026-06.jsonl").read_bytes().startswith(before)


def test_each_month_has_its_file():
    next_month = replace(VERDICT, hour="2026-07-01T00:00:00Z")
    assert enter_verdicts([VERDICT, next_month]) == 2
    assert [p.name for p in sorted(ledger_folder().iterdir())] == ["2026-06.jsonl", "2026-07.jsonl"]
    assert read_verdicts() == [VERDICT, next_month]


def test_an_observation_carried_to_another_height_is_of_no_use():
    (found,) = score([VERDICT], [Observation("headland", 100.0, VERDICT.hour, {"gust": 20.0}, "own")])
    assert (found.counts.cases, found.unscored) == (0, 1)


def test_scores_by_lead_time():
    verdicts = [at(h) for h in range(8, 12)] + [at(12, state="outside", chance=0.2), at(13, state="not known")]
    observed = [Observation("headland", 60.0, v.hour, {"gust": 13.0 if i in (0, 4) else 7.0}, "own")
                for i, v in enumerate(verdicts) if i != 3]  # fmt: skip
    (found,) = score(verdicts, observed)
    assert found.lead == (0.0, 24.0)
    assert found.counts == probability.Counts(hits=1, misses=1, false_alarms=0, quiet=2)
    assert found.unscored == 2
    assert found.broken_at_most == pytest.approx(probability.upper_bound(1, 3))


def test_a_later_verdict_of_the_same_hour_counts_and_another_lead_apart():
    early = at(12, run="2026-06-06T00:00:00Z", told="2026-06-06T05:00:00Z", state="outside")
    old = at(12, run="2026-06-09T18:00:00Z", told="2026-06-09T22:00:00Z", state="outside")
    observed = [Observation("headland", 60.0, VERDICT.hour, {"gust": 7.0}, "own")]
    near, far = score([early, old, VERDICT], observed)
    assert near.counts == probability.Counts(0, 0, 0, 1)
    assert far.counts == probability.Counts(0, 0, 1, 0)
    assert lead_hours(early) == 108


def test_only_what_was_observed_is_held_against_its_limit():
    (found,) = score([VERDICT], [Observation("headland", 60.0, VERDICT.hour, {"temperature": 290.0}, "own")])
    assert (found.counts.cases, found.unscored) == (0, 1)


@pytest.mark.parametrize(
    ("latitude", "longitude", "expected"), [(52.0, 6.0, ("summer", 2)), (-33.0, 151.0, ("winter", 3))]
)
def test_strata_are_of_the_places_own_sun(latitude, longitude, expected):
    assert stratum(replace(VERDICT, latitude=latitude, longitude=longitude)) == expected


def test_verdicts_are_entered_where_the_system_cannot_read_at_a_place(monkeypatch):
    """Windows has no os.pread."""
    monkeypatch.delattr("os.pread", raising=False)
    assert enter_verdicts([at(12)]) == 1
    path = next(ledger_folder().iterdir())
    path.write_bytes(path.read_bytes()[:-1])
    assert enter_verdicts([at(13)]) == 1
    assert read_verdicts() == [at(12), at(13)]
    assert path.stat().st_mode & 0o777 == 0o600
    assert ledger_folder().stat().st_mode & 0o777 == 0o700


# --- corrections ----------------------------------------------------------------------------------------------------


def test_what_was_withdrawn_counts_no_more_stays_in_the_file_and_may_be_entered_again():
    enter_verdicts([VERDICT])
    enter_observations([OBSERVED])
    assert "1 of them scored" in ledger_text(ledger_facts(score_ledger("headland")))
    assert withdraw("headland", "2026-06-10", "wrong unit") == (
        "1 hour observed at headland withdrawn; they no longer count, and may be entered again"
    )
    assert "0 of them scored" in ledger_text(ledger_facts(score_ledger("headland")))
    assert read_observations() == []
    entries = read_ledger().entries
    assert OBSERVED in entries
    (mark,) = read_ledger().of(Withdrawal)
    assert (mark.hour, mark.reason) == (VERDICT.hour, "wrong unit")
    right = replace(OBSERVED, values={"gust": 13.0})
    assert enter_observations([right]) == 1
    assert read_observations() == [right]
    assert enter_observations([right]) == 0
    withdraw("headland", "2026-06-10T12:00Z", None)
    assert read_observations() == []


def test_only_the_hour_and_the_site_named_are_withdrawn():
    others = [replace(OBSERVED, hour="2026-06-10T13:00:00Z"), replace(OBSERVED, site="moor")]
    enter_observations([OBSERVED, *others])
    withdraw("headland", "2026-06-10T12:00Z", "stuck")
    assert read_observations() == others


@pytest.mark.parametrize(
    ("site", "when", "words"),
    [
        (None, "2026-06-10", "name the site and the time, such as"),
        ("headland", None, "name the site and the time, such as"),
        ("headland", "2026-06-11", "no observation of headland in 2026-06-11"),
        ("hedland", "2026-06-10", "no observation of hedland in 2026-06-10; observations are of headland"),
        ("headland", "June", "time 'June' is not understood"),
    ],
)
def test_a_correction_that_finds_nothing_says_so(site, when, words):
    enter_observations([OBSERVED])
    with pytest.raises(WxflyError, match=words):
        withdraw(site, when, None)
    assert read_observations() == [OBSERVED]
