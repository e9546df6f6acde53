"""The last replies of the small services: damage is no reply."""

import json
from datetime import UTC, datetime

import pytest

from wxfly.store.replies import KeptReply, keep_reply, kept_reply, replies_folder

MOMENT = datetime(2026, 3, 10, 6, tzinfo=UTC)


@pytest.fixture
def path():
    keep_reply("kind", "name", "text", MOMENT)
    return replies_folder() / "kind" / "name.json"


def test_a_reply_comes_back_and_one_without_a_checksum_too(path):
    assert kept_reply("kind", "name") == KeptReply(MOMENT, "text")
    document = json.loads(path.read_text())
    del document["sha256"]
    path.write_text(json.dumps(document))
    assert kept_reply("kind", "name") == KeptReply(MOMENT, "text")


@pytest.mark.parametrize(
    "content",
    [
        b"", b"{", b"[]", b"null", b"3", b"[" * 200_000, b"\xff\xfe", b'{"retrieved": 3, "text": "a"}',
        b'{"retrieved": "2026-03-10T06:00:00", "text": "a"}', b'{"retrieved": "2026-03-10T06:00:00Z", "text": 3}',
        b'{"retrieved": "2026-03-10T06:00:00Z"}', b'{"retrieved": "2026-03-10T06:00:00Z", "text": "a", "sha256": "b"}',
    ],
)  # fmt: skip
def test_anything_else_is_no_reply(path, content):
    path.write_bytes(content)
    assert kept_reply("kind", "name") is None


def test_a_changed_text_is_no_reply(path):
    document = json.loads(path.read_text())
    path.write_text(json.dumps(document | {"text": "texd"}))
    assert kept_reply("kind", "name") is None


def test_a_name_of_broken_letters_is_a_name():
    assert keep_reply("kind", "\udcff", "\udcff", MOMENT)
    assert kept_reply("kind", "\udcff") == KeptReply(MOMENT, "\udcff")
