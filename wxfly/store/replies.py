"""The last replies of the small services, with the time of retrieval: ``replies/<kind>/<name>.json`` of the store."""

from __future__ import annotations

import contextlib
import hashlib
import json
import logging
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from wxfly.errors import WxflyError
from wxfly.pilot.own_files import make_folder, write_beside
from wxfly.pilot.settings import cache_folder

log = logging.getLogger(__name__)

LOCK_SECONDS = 120.0
"""Longest time that one wxfly process waits for another that makes the same request."""


@dataclass(frozen=True)
class KeptReply:
    """A reply, its time of retrieval, and the mark by which the service knows whether it has a newer one."""

    retrieved: datetime
    text: str
    etag: str = ""


def replies_folder() -> Path:
    """Return the folder of the replies."""
    return cache_folder() / "replies"


def keep_reply(kind: str, name: str, text: str, retrieved: datetime, *, etag: str = "") -> bool:
    """Keep the last reply of a small service, and return whether it was kept.

    A store that cannot be written raises no error, so the reply is not lost.
    """
    document = {"retrieved": retrieved.astimezone(UTC).isoformat(), "text": text, "sha256": _checksum(text)}
    document |= {"etag": etag} if etag else {}
    try:
        write_beside(_path(kind, name), json.dumps(document).encode(), private=True)
    except OSError:
        return False
    return True


def kept_reply(kind: str, name: str, parse: Callable[[bytes], object] = lambda _: None) -> KeptReply | None:
    """Return the last reply kept, or None when there is none, it is damaged, or it cannot be parsed.

    Parameters
    ----------
    kind, name : str
        Names under which it was kept.
    parse : callable, optional
        Tried on the text. A reply that it refuses with a `WxflyError` is skipped, so that it is requested again.
    """
    kept = _read(kind, name)
    if kept is not None:
        try:
            parse(kept.text.encode("utf-8", "surrogatepass"))
        except WxflyError as fault:
            log.info("a kept reply is passed over: %s", fault)
            return None
    return kept


def _read(kind: str, name: str) -> KeptReply | None:
    try:
        document = json.loads(_path(kind, name).read_text(encoding="utf-8"))
        retrieved = datetime.fromisoformat(document["retrieved"])
        text, etag = document["text"], document.get("etag", "")
        # Early versions of wxfly kept no checksum.
        if (
            retrieved.tzinfo is None
            or not isinstance(etag, str)
            or document.get("sha256", _checksum(text)) != _checksum(text)
        ):
            return None
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
    return KeptReply(retrieved, text, etag)


@contextlib.contextmanager
def asking_alone(kind: str, name: str) -> Iterator[None]:
    """Let one wxfly process at a time request a reply; a process that waited looks in the store again.

    The request goes ahead even if the folder cannot be written or another process takes too long.
    """
    import filelock

    mark = hashlib.sha256(f"{kind}/{name}".encode("utf-8", "surrogatepass")).hexdigest()[:16]
    folder = cache_folder() / "locks"
    lock = filelock.FileLock(folder / f"reply-{mark}.lock", timeout=LOCK_SECONDS)
    with contextlib.suppress(OSError, filelock.Timeout):
        make_folder(folder)
        lock.acquire()
    try:
        yield
    finally:
        lock.release()


def _checksum(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _path(kind: str, name: str) -> Path:
    readable = re.sub(r"[^0-9A-Za-z.,-]+", "_", name)[:80] or "_"
    if readable != name:
        readable += "-" + hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return replies_folder() / kind / f"{readable}.json"
