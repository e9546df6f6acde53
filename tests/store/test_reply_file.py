"""One file of the store: the reply comes back byte for byte, and damage is told by evidence alone."""

import gzip
import hashlib
import json
import subprocess
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.stored import HERE, reply_at
from wxfly.errors import DamagedError, WxflyError
from wxfly.store import replies
from wxfly.store.replies import pack, read_reply, unpack, write_reply

REPLY = reply_at(HERE, hours=5)
GOOD = pack(REPLY)


def with_head(**changes):
    line, _, body = gzip.decompress(GOOD).partition(b"\n")
    return gzip.compress(json.dumps(json.loads(line) | changes).encode() + b"\n" + body)


@pytest.mark.parametrize("change", [{}, {"run": None}, {"body": b""}, {"body": b"\n\n"}, {"site": "Höngg\n"}])
def test_a_reply_comes_back_as_it_came(tmp_path, change):
    reply = replace(REPLY, **change)
    write_reply(reply, tmp_path / "new" / "a.gz")
    assert read_reply(tmp_path / "new" / "a.gz") == reply
    assert [p.name for p in (tmp_path / "new").iterdir()] == ["a.gz"]


def test_any_tool_opens_it_and_the_first_line_says_what_it_is(tmp_path):
    write_reply(REPLY, tmp_path / "a.gz")
    out = subprocess.run(["gzip", "-dc", tmp_path / "a.gz"], capture_output=True, check=True).stdout
    line, _, body = out.partition(b"\n")
    head = json.loads(line)
    assert (head["model"], head["latitude"], head["run"]) == ("icon_eu", 52.27, "2026-06-10T00:00:00+00:00")
    assert head["sha256"] == hashlib.sha256(body).hexdigest()
    assert json.loads(body)["hourly_units"]["wind_speed_10m"] == "m/s"


@settings(max_examples=300, deadline=None)
@given(position=st.integers(0), change=st.integers(1, 255))
def test_a_flipped_byte_is_called_damage_or_changes_nothing(position, change):
    body = bytearray(GOOD)
    body[position % len(body)] ^= change
    try:
        assert unpack(bytes(body), "a.gz") == REPLY
    except DamagedError as fault:
        assert "a.gz: damaged, " in str(fault)


@settings(max_examples=100, deadline=None)
@given(length=st.integers(0))
def test_a_file_cut_anywhere_is_called_damaged(length):
    with pytest.raises(DamagedError):
        unpack(GOOD[: length % len(GOOD)], "a.gz")


@pytest.mark.parametrize(
    "content",
    [b"", b"junk", GOOD + b"x", GOOD + GOOD, gzip.compress(b"[]\nx"), gzip.compress(b"[" * 100_000)],
    ids=["nothing", "junk", "one byte more", "twice", "no head", "deep"],
)
def test_bytes_that_are_not_the_format_are_called_damaged(content):
    with pytest.raises(DamagedError, match="damaged"):
        unpack(content, "a.gz")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (with_head(wxfly_reply=2), "written by a newer wxfly"),
        (with_head(wxfly_reply="new"), "written by a newer wxfly"),
        (with_head(retrieved="today"), "not in a form that this wxfly reads"),
        (with_head(latitude="north"), "not in a form that this wxfly reads"),
        (with_head(asked=None), "not in a form that this wxfly reads"),
    ],
)
def test_what_may_be_whole_is_not_called_damaged(content, words):
    with pytest.raises(WxflyError, match=words) as caught:
        unpack(content, "a.gz")
    assert not isinstance(caught.value, DamagedError)
    assert "damaged" not in str(caught.value)
    assert "remove" not in str(caught.value)


def test_a_small_file_that_unpacks_without_end_is_refused(monkeypatch):
    monkeypatch.setattr(replies, "_LARGEST", 1_000_000)
    with pytest.raises(WxflyError, match="larger than 1 MB when unpacked"):
        unpack(gzip.compress(bytes(50_000_000)), "a.gz")


def test_a_file_that_cannot_be_read_is_not_called_damaged(tmp_path):
    for path, words in ((tmp_path / "none.gz", "there is no such file"), (tmp_path, "cannot be read")):
        with pytest.raises(WxflyError, match=words) as caught:
            read_reply(path)
        assert not isinstance(caught.value, DamagedError)


def test_a_failed_write_leaves_the_old_file_and_nothing_beside(tmp_path, monkeypatch):
    write_reply(REPLY, tmp_path / "a.gz")

    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(WxflyError, match=r"^the forecast could not be kept .*No space left") as caught:
        write_reply(replace(REPLY, body=b"{}"), tmp_path / "a.gz")
    assert str(tmp_path) not in str(caught.value)
    assert read_reply(tmp_path / "a.gz") == REPLY
    assert [p.name for p in tmp_path.iterdir()] == ["a.gz"]
