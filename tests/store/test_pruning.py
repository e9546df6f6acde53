"""Pruning the store: the old, the surplus, the left-overs, all of it; never what is not ours."""

import os
import time
from datetime import UTC, datetime

from tests.stored import HERE, replies_at
from wxfly.pilot.settings import Settings, cache_folder
from wxfly.store import forecasts, pruning, replies


def test_pruning_takes_the_old_then_the_oldest_then_left_overs():
    now = time.time()
    ages = {"2026-06-01T00": 40, "2026-06-08T00": 3, "2026-06-09T00": 2, "2026-06-10T00": 1}
    paths = {}
    for run, days in ages.items():
        (paths[run],) = forecasts.keep_forecasts(replies_at(HERE, run=run))
        os.utime(paths[run], (now - days * 86_400,) * 2)
    left_over = paths["2026-06-10T00"].with_name(f".{paths['2026-06-10T00'].name}.1-00.part")
    left_over.write_bytes(paths["2026-06-10T00"].read_bytes()[:100])
    os.utime(left_over, (now - 7200,) * 2)
    size = paths["2026-06-10T00"].stat().st_size
    removed = pruning.prune_store(Settings(maximum_age_days=30, maximum_megabytes=2.5 * size / 1e6), now=now)
    assert set(removed) == {paths["2026-06-01T00"], paths["2026-06-08T00"], left_over}
    assert [f.run for f in forecasts.list_forecasts()] == ["2026-06-10T00Z", "2026-06-09T00Z"]
    assert not paths["2026-06-01T00"].parent.exists(), "empty folders go too"


def test_clearing_takes_forecasts_and_replies():
    forecasts.keep_forecasts(replies_at(HERE))
    replies.keep_reply("kind", "name", "text", datetime.now(UTC))
    assert len(pruning.clear_store()) == 2
    assert forecasts.list_forecasts() == []
    assert pruning.clear_store() == []


def test_what_wxfly_did_not_name_is_never_removed():
    """A folder of the pilot's own in the store, or a whole download that is called .part, is no business of ours."""
    (path,) = forecasts.keep_forecasts(replies_at(HERE))
    replies.keep_reply("kind", "name", "text", datetime.now(UTC))
    pruning.claim_store()
    folder = cache_folder() / "forecasts"
    foreign = [
        folder / "mine" / "thesis.doc", folder / "film.mkv.part", folder / "52.2700N_6.9000E.gz",
        path.with_name("notes.txt"), cache_folder() / "replies" / "mine.json",
        cache_folder() / "replies" / "kind" / "deep" / "a.json",
    ]  # fmt: skip
    for other in foreign:
        other.parent.mkdir(exist_ok=True)
        other.write_text("mine")
        os.utime(other, (1, 1))
    assert pruning.prune_store(Settings(maximum_age_days=1)) == []
    assert pruning.prune_store(Settings(maximum_megabytes=1e-9)) != []
    forecasts.keep_forecasts(replies_at(HERE))
    assert len(pruning.clear_store()) == 1
    assert [other.read_text() for other in foreign] == ["mine"] * len(foreign)
