"""The run of a model from its metadata."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from tests.shared import SHARED
from wxfly.errors import WxflyError
from wxfly.pilot.settings import load_settings
from wxfly.sources.open_meteo.models import find_model
from wxfly.sources.open_meteo.runs import get_model_run, parse_model_run

START = int(datetime(2026, 3, 10, 6, tzinfo=UTC).timestamp())
NOW = datetime(2026, 3, 10, 12, tzinfo=UTC)
GOOD = {
    "last_run_initialisation_time": START, "last_run_availability_time": START + 13_000,
    "update_interval_seconds": 21_600,
}  # fmt: skip


def body(**changes):
    return json.dumps(GOOD | changes).encode()


def test_a_run_is_certain_only_when_the_servers_have_settled():
    run = parse_model_run(body(), "test", NOW)
    assert run.run == datetime(2026, 3, 10, 6, tzinfo=UTC)
    assert run.certain_at(run.available + timedelta(minutes=9)) == datetime(2026, 3, 10, 0, tzinfo=UTC)
    assert run.certain_at(run.available + timedelta(minutes=10)) == run.run
    assert run.next_expected() == run.available + timedelta(hours=6)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (body(last_run_initialisation_time=None), "last_run_initialisation_time is missing"),
        (body(last_run_availability_time="soon"), "last_run_availability_time is missing"),
        (body(update_interval_seconds=0), "update_interval_seconds is missing"),
        (body(last_run_availability_time=START - 1), "before it started"),
        (body(last_run_availability_time=START + 366 * 86_400), "of 2027-03-11 06:00Z, which is in the future"),
        (body(update_interval_seconds=200_000), "not a plausible interval"),
        (b"[]", "not the metadata"),
        (b"<html>", "a web page"),
    ],
)
def test_hostile_metadata_gives_one_clear_error(text, words):
    with pytest.raises(WxflyError, match=words):
        parse_model_run(text, "test", NOW)


def test_of_a_model_of_two_parts_the_older_run_counts(server):
    from tests.server import Fault

    older = json.dumps(GOOD | {"last_run_initialisation_time": START - 21_600}).encode()
    server.once["metadata"] = [Fault(body=body()), Fault(body=older)]
    run = get_model_run(find_model("ncep_gfs_global"), settings=load_settings(), now=datetime.now(UTC))
    assert run.run == datetime(2026, 3, 10, 0, tzinfo=UTC)
    assert [a.path for a in server.log] == [f"/data/{d}/static/meta.json" for d in ("ncep_gfs013", "ncep_gfs025")]


def test_the_recorded_metadata_is_read():
    path = SHARED / "samples" / "open-meteo" / "model_meta_icon_d2.json"
    if not path.is_file():
        pytest.skip("the folder shared/ with sample replies is not beside the checkout")
    run = parse_model_run(path.read_bytes(), "test", datetime.now(UTC))
    assert run.run == datetime(2026, 1, 13, 18, tzinfo=UTC)
    assert run.interval == timedelta(hours=3)
