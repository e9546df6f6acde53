"""The pilot's own files: read with faults told in one line, written beside and renamed so that nothing is lost."""

from __future__ import annotations

import contextlib
import os
import secrets
from pathlib import Path

from wxfly.errors import WxflyError


def read_own(path: Path) -> str:
    """Read a text file of the pilot's.

    Raises
    ------
    WxflyError
        When it cannot be read or is not UTF-8.
    """
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise WxflyError(f"{path}: not a text in UTF-8; save it as UTF-8") from None
    except OSError as fault:
        raise WxflyError(f"{path}: cannot be read ({fault.strerror})") from None


def write_whole(path: Path, content: bytes) -> None:
    """Write a file beside its place and rename it; an old file stays whole until the new one is complete.

    Raises
    ------
    WxflyError
        When the folder or the file cannot be written.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}-{secrets.token_hex(4)}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.write_bytes(content)
        beside.replace(path)
    except OSError as fault:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise WxflyError(f"{path} could not be written ({fault.strerror}); give a place that can be") from None
