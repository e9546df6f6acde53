"""The last replies of the small services, kept with the time they came: ``replies/<kind>/<name>.json`` of the store."""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from wxfly.own_files import write_beside
from wxfly.settings import cache_folder


@dataclass(frozen=True)
class KeptReply:
    """A reply, and when it came."""

    retrieved: datetime
    text: str


def replies_folder() -> Path:
    """Give the folder of the replies."""
    return cache_folder() / "replies"


def keep_reply(kind: str, name: str, text: str, retrieved: datetime) -> bool:
    """Keep the last reply of a small service, and say whether it was kept.

    A store that cannot be written is no reason to lose the reply.
    """
    document = {"retrieved": retrieved.astimezone(UTC).isoformat(), "text": text, "sha256": _checksum(text)}
    try:
        write_beside(_path(kind, name), json.dumps(document).encode(), private=True)
    except OSError:
        return False
    return True


def kept_reply(kind: str, name: str) -> KeptReply | None:
    """Give the last reply kept, or None when there is none, or it is damaged."""
    try:
        document = json.loads(_path(kind, name).read_text(encoding="utf-8"))
        retrieved = datetime.fromisoformat(document["retrieved"])
        text = document["text"]
        # An early wxfly kept no checksum.
        if retrieved.tzinfo is None or document.get("sha256", _checksum(text)) != _checksum(text):
            return None
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
    return KeptReply(retrieved, text)


def _checksum(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _path(kind: str, name: str) -> Path:
    readable = re.sub(r"[^0-9A-Za-z.,-]+", "_", name)[:80] or "_"
    if readable != name:
        readable += "-" + hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return replies_folder() / kind / f"{readable}.json"
